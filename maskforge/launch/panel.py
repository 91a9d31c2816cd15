"""The panel as a picture: the mask in its place, and what is shown around it."""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from maskforge.base.errors import BenchError
from maskforge.launch.apertures import parted
from maskforge.launch.fourier import axis
from maskforge.launch.modulator import Alphabet, Complex, Levels, Modulator

Picture = NDArray[np.unsignedinteger]


Window = tuple[slice, slice]


def mask_windows(modulator: Modulator) -> tuple[Window, ...]:
    """Rows and columns of the panel's picture, row 0 on top, that each mask takes."""
    rows, columns = modulator.shape
    return tuple(
        (slice(row, row + rows), slice(column, column + columns))
        for row, column in modulator.corners
    )


def mask_window(modulator: Modulator) -> Window:
    """The same of the only mask, or of the first one."""
    return mask_windows(modulator)[0]


def farthest(alphabet: Alphabet) -> tuple[int, int]:
    """The two states whose values lie farthest apart: light of both cancels best."""
    corners = alphabet.hull
    some = corners[:: max(1, len(corners) // 512)]
    values = alphabet.values[some]
    apart = np.abs(values[:, None] - values)
    first, second = np.unravel_index(int(np.argmax(apart)), apart.shape)
    low, high = sorted((int(some[first]), int(some[second])))
    return low, high


@lru_cache(maxsize=2)
def background_states(modulator: Modulator) -> Levels:
    """States (rows, columns) of the whole panel, row 0 on top, as if no mask were there.

    Raises BenchError where a flat background's grey is none of the alphabet's.
    """
    alphabet, background = modulator.alphabet, modulator.background
    alphabet = alphabet.drawn_by or alphabet
    rows, columns = modulator.panel
    if background.kind == "flat":
        return np.full((rows, columns), _state_of(alphabet, background.grey), dtype=np.uint16)
    if background.kind == "checkerboard":
        across, down = np.arange(columns) // background.cell, np.arange(rows) // background.cell
        cells = down[:, None] + across
        return np.asarray(np.array(farthest(alphabet), dtype=np.uint16)[cells % 2])
    assert background.carrier is not None
    x, y = background.carrier.frequency
    turns = x * axis(columns, 1.0) - y * axis(rows, 1.0)[:, None]
    return alphabet.nearest(np.exp(2j * np.pi * turns)).astype(np.uint16)


def _state_of(alphabet: Alphabet, grey: int | None) -> int:
    if grey is None:
        return 0
    found = np.flatnonzero(alphabet.greys == grey)
    if found.size == 0:
        low, high = int(alphabet.greys.min()), int(alphabet.greys.max())
        raise BenchError(
            f"grey {grey}: none of the alphabet's {alphabet.size} greys, from {low} to {high}"
        )
    return int(found[0])


def rendered(modulator: Modulator, states: NDArray[np.integer]) -> Picture:
    """The panel as a picture, row 0 on top: states (rows, columns), y up -> grey values."""
    alphabet = modulator.alphabet
    kind = np.uint8 if alphabet.bits == 8 else np.uint16
    greys = alphabet.greys.astype(kind)
    if modulator.panel == modulator.shape:
        return np.take(greys, states[::-1])
    picture: Picture = np.asarray(greys[background_states(modulator)])
    masks = parted(states, len(modulator.corners))
    for window, own in zip(mask_windows(modulator), masks, strict=True):
        picture[window] = np.take(greys, own[::-1])
    return picture


def check_size(modulator: Modulator, shape: tuple[int, ...]) -> None:
    """BenchError where a picture (rows, columns) is not of the panel's size."""
    if shape != modulator.panel:
        rows, columns = modulator.panel
        raise BenchError(f"{shape[1]} x {shape[0]} pixels, the panel has {columns} x {rows}")


def states_of(modulator: Modulator, picture: Picture) -> Levels:
    """The mask's states (rows, columns), y up, from a picture of the panel: undoes `rendered`.

    Where several states share a grey the first counts, whose value is the same in effect.
    Raises BenchError where the picture has not the panel's size, or greys that are no state's.
    """
    check_size(modulator, picture.shape)
    alphabet = modulator.alphabet
    state_of = np.full(2**16, -1, dtype=np.int32)
    state_of[alphabet.greys[::-1]] = np.arange(alphabet.size)[::-1]
    shown = np.concatenate([picture[one][::-1] for one in mask_windows(modulator)])
    states = state_of[shown]
    if np.any(states < 0):
        wrong = np.unique(shown[states < 0])
        raise BenchError(
            f"{np.count_nonzero(states < 0)} pixels of the mask have a grey that is no state's, "
            f"such as {int(wrong[0])}"
        )
    return np.asarray(states, dtype=np.uint16)


def background_light(modulator: Modulator) -> Complex:
    """What the panel does to light outside the mask (rows, columns), y up; 0 on the mask."""
    factors: Complex = modulator.alphabet.values[background_states(modulator)]
    factors[mask_window(modulator)] = 0
    return factors[::-1]
