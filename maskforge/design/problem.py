"""What every design takes and gives."""

from dataclasses import dataclass

import numpy as np

from maskforge.errors import BenchError
from maskforge.fields import Target
from maskforge.launch import Launch
from maskforge.modulator import Complex, Levels


@dataclass(frozen=True, eq=False)
class Problem:
    """Launch `target` on this bench, at least `purity` pure."""

    launch: Launch
    target: Target
    purity: float = 0.999

    def __post_init__(self) -> None:
        if not 0.5 < self.purity < 1:
            raise BenchError(f"purity = {self.purity:g}: above 0.5 and below 1")


@dataclass(frozen=True)
class Settings:
    """How the iterative design goes about it.

    `window_factor`: radius of the signal window in core radii.  `amplitude`: of the window's field,
    as a share of what the simple mask launches; None: the largest that gets the asked purity.
    `start`: the phase that it starts from, `target` (the simple mask) or `random`.  `seed` of the
    order in which pixels are quantised, and of a random start.
    """

    window_factor: float = 1.5
    iterations: int = 200
    amplitude: float | None = None
    start: str = "target"
    seed: int = 0


@dataclass(frozen=True, eq=False)
class Design:
    """A mask: `states` (rows, columns), y up, indices into the modulator's alphabet.

    `reached` says whether the asked purity was got, by the full prediction; `status` says how it
    ended and, if it was not, what would help.  `bound`: see DESIGN's word list; None: not known.
    """

    states: Levels
    method: str
    reached: bool
    status: str
    bound: float | None = None


def turned(launch: Launch, back: Complex) -> Complex:
    """The back-propagated target `back` with its free overall phase set for the alphabet.

    The phases tried lie along and between the alphabet's directions, counted from the phase that
    makes the field as real as can be; the one with the largest sum of supports is kept, which is
    the coupling that the simple mask gets.
    """
    alphabet = launch.modulator.alphabet
    spread = alphabet.values - alphabet.values.mean()
    along = float(np.angle(spread[np.argmax(np.abs(spread))]))
    first = along - 0.5 * float(np.angle(np.sum(back**2)))
    steps = np.pi / 2 if alphabet.is_line else np.pi / max(len(alphabet.hull), 2)
    tried = [back * np.exp(1j * (first + k * steps)) for k in (0, 1)]
    gains = [float(np.sum(np.real(np.conj(v) * supported(launch, v)))) for v in tried]
    return np.asarray(tried[int(np.argmax(gains))])


def supported(launch: Launch, back: Complex) -> Complex:
    """Values (rows, columns) of the alphabet that lie furthest along `back` on every pixel."""
    alphabet = launch.modulator.alphabet
    return np.asarray(alphabet.values[alphabet.support(back)], dtype=complex)
