"""A mask design on blocks of pixels, with a smooth stand-in for the alphabet: where to start from.

The back-propagated modes vary slowly, so that a block of pixels stands for its own.  A carrier
turns the alphabet from pixel to pixel, which leaves the mean of its support function over all
turns: a disc of the hull's mean width (its perimeter / (2 pi), Cauchy's formula).  Without a
carrier two states leave a line; more of them are taken for a disc too.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from maskforge.design.convex import Model, Real, real_of
from maskforge.design.draft import draft_of
from maskforge.launch import Launch, couplings
from maskforge.modulator import Alphabet
from maskforge.optics import fourier_rows

DIM = 1e-5
"""Blocks with less light than this share of the brightest are left out."""


@dataclass(frozen=True, eq=False)
class Hull:
    """A stand-in for a hull: `middle` + a disc of `radius`, or + a line from -`half` to `half`."""

    middle: complex
    radius: float
    half: complex | None


def hull_of(alphabet: Alphabet, *, carried: bool) -> Hull:
    """Steiner point and mean width of a hull, from its support function over all angles."""
    if alphabet.is_line and not carried:
        ends = alphabet.values[alphabet.hull]
        return Hull(complex(ends.mean()), 1.0, complex(ends[0] - ends[1]) / 2)
    turns = np.exp(2j * np.pi * np.arange(3600) / 3600)
    width = np.real(np.conj(turns) * alphabet.values[alphabet.support(turns)])
    return Hull(complex(2 * np.mean(width * turns)), float(np.mean(width)), None)


@lru_cache(maxsize=4)
def coarse_of(launch: Launch, stride: int) -> Model:
    """The dual's model of a launch on blocks of `stride` x `stride` pixels."""
    hull = _hull(launch, launch)
    beam, x, y = _blocks(launch, stride, launch)
    back = _back(launch, beam, x, y, _lit(beam))
    return _model(hull, [back], [_fixed(launch, hull)])


def coarse_of_all(launches: Sequence[Launch], stride: int) -> Model:
    """The same of several scenarios of one mask, the first of them the nominal one.

    Where their alphabets differ, each is taken for the first one's times a factor, the best in the
    mean of its states (least squares).
    """
    first = launches[0]
    lit: NDArray[np.bool_] | None = None
    backs, fixed = [], []
    for launch in launches:
        beam, x, y = _blocks(launch, stride, first)
        lit = _lit(beam) if lit is None else lit
        factor = likeness(launch.modulator.alphabet, first.modulator.alphabet)
        backs.append(_back(launch, beam, x, y, lit) * np.conj(factor))
        fixed.append(_fixed(launch, _hull(launch, first)))
    return _model(_hull(first, first), backs, fixed)


def likeness(alphabet: Alphabet, first: Alphabet) -> complex:
    """The factor that makes the states of `first`, but for a constant, most like an alphabet's."""
    corners = first.hull
    ours, theirs = alphabet.values[corners], first.values[corners]
    ours, theirs = ours - ours.mean(), theirs - theirs.mean()
    return complex(np.vdot(theirs, ours) / np.vdot(theirs, theirs))


def _hull(launch: Launch, first: Launch) -> Hull:
    return hull_of(launch.modulator.alphabet, carried=first.centre != (0.0, 0.0))


def _lit(beam: NDArray[np.complex128]) -> NDArray[np.bool_]:
    return np.asarray(np.abs(beam) > DIM * np.abs(beam).max())


def _fixed(launch: Launch, hull: Hull) -> Real:
    return real_of(couplings(launch, np.full(launch.modulator.shape, hull.middle)))


def _back(
    launch: Launch,
    beam: NDArray[np.complex128],
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    lit: NDArray[np.bool_],
) -> NDArray[np.complex128]:
    """What the blocks that are `lit` get of every multiplier (blocks, K)."""
    draft = draft_of(launch)
    # with the offset the rows hold the slant, but for a phase of the whole
    across = fourier_rows(x + launch.lens_offset[0], draft.u, launch.scale).astype(np.complex64)
    up = fourier_rows(y + launch.lens_offset[1], draft.u, launch.scale).astype(np.complex64)
    fields = draft.kernel.reshape(len(launch.basis), draft.u.size, draft.u.size)
    modes = np.stack([(up.T @ (field @ across))[lit] for field in fields])
    return np.asarray(np.conj(-1j * modes * beam[lit]).T)


def _model(hull: Hull, backs: Sequence[NDArray[np.complex128]], fixed: Sequence[Real]) -> Model:
    if hull.half is not None:
        backs = [back * np.conj(hull.half) for back in backs]
    real = np.hstack([part for back in backs for part in (back.real, -back.imag)])
    imag = np.hstack([part for back in backs for part in (back.imag, back.real)])
    turned = None if hull.half is not None else imag.astype(np.float32)
    return Model(real.astype(np.float32), turned, hull.radius, np.concatenate(fixed))


def _blocks(
    launch: Launch, stride: int, first: Launch
) -> tuple[NDArray[np.complex128], NDArray[np.float64], NDArray[np.float64]]:
    """Light without the first launch's carrier (blocks y, blocks x), and their centres in m."""
    (rows, columns), pitch = launch.modulator.shape, launch.modulator.pitch_seen
    ny, nx = -(-rows // stride), -(-columns // stride)
    tilt_x = np.exp(2j * np.pi / first.scale * launch.x * first.centre[0])
    tilt_y = np.exp(2j * np.pi / first.scale * launch.y * first.centre[1])
    top, left = (ny * stride - rows) // 2, (nx * stride - columns) // 2
    beam = np.zeros((ny * stride, nx * stride), dtype=complex)
    beam[top : top + rows, left : left + columns] = launch.incident * tilt_y[:, None] * tilt_x
    blocks = beam.reshape(ny, stride, nx, stride).sum(axis=(1, 3))
    x = launch.x[0] + (np.arange(nx) * stride - left + (stride - 1) / 2) * pitch[0]
    y = launch.y[0] + (np.arange(ny) * stride - top + (stride - 1) / 2) * pitch[1]
    return blocks, x, y
