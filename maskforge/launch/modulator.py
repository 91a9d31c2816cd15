"""The modulator: what its pixels can do, how they are quantised, written and tilted."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, partial

import numpy as np
from numpy.typing import NDArray

from maskforge.base.arrays import (
    Array,
    angle,
    blurred,
    constant,
    namespace,
    phasors,
    picked,
    sector,
)
from maskforge.base.errors import BenchError
from maskforge.base.strips import by_strips
from maskforge.launch.apertures import parted
from maskforge.launch.convex_hull import corners_of

Complex = NDArray[np.complex128]
Levels = NDArray[np.uint16]

CONTINUOUS_LEVELS = 65536
"""A continuous modulator is written in 16 bit: a phase step of 1e-4 rad."""

BINARY_GREYS = (0, 255)
"""Of two states unless told: every viewer shows them, and many players take a panel of two states
so."""


@dataclass(frozen=True, eq=False)
class Alphabet:
    """The values that a pixel can take.

    `values` (n,) complex: the factor by which state i multiplies the light; `greys` (n,)
    what is written into the mask file for state i.  No value may exceed unit modulus.
    """

    name: str
    values: Complex
    greys: NDArray[np.uint16]
    drawn_by: "Alphabet | None" = None
    """The alphabet at the wavelength for which patterns are drawn, where that is another one."""

    def __post_init__(self) -> None:
        if self.values.ndim != 1 or self.values.size < 2:
            raise BenchError(f"an alphabet needs at least 2 states, got {self.values.size}")
        if self.greys.shape != self.values.shape:
            raise BenchError(f"{self.values.size} states but {self.greys.size} grey values")
        if np.max(np.abs(self.values)) > 1 + 1e-9:
            raise BenchError(
                f"an amplitude of {np.max(np.abs(self.values)):g}: at most 1, a pixel adds no light"
            )

    @property
    def size(self) -> int:
        return int(self.values.size)

    @cached_property
    def is_real(self) -> bool:
        """All values real: on a real beam everything on the pixels is."""
        return not np.any(self.values.imag)

    @property
    def bits(self) -> int:
        """Bits a pixel in the mask file: 8 or 16."""
        return 8 if int(self.greys.max()) < 256 else 16

    @cached_property
    def is_line(self) -> bool:
        """All values on one straight line: the relaxed mask is real but for a constant."""
        spread = self.values - self.values.mean()
        longest = spread[np.argmax(np.abs(spread))]
        return bool(np.max(np.abs(np.imag(spread * np.conj(longest)))) < 1e-12)

    @cached_property
    def hull(self) -> NDArray[np.intp]:
        """States that are corners of the convex hull, counter-clockwise."""
        values = self.values
        if self.is_line:
            direction = values[np.argmax(np.abs(values - values.mean()))] - values.mean()
            along = np.real(values * np.conj(direction))
            return np.array([np.argmax(along), np.argmin(along)])
        corners = corners_of(values)
        if corners.size < 3:
            raise BenchError("the alphabet's values span no area and no line")
        return corners

    @cached_property
    def _sectors(self) -> tuple[NDArray[np.float64], NDArray[np.intp]]:
        """Ascending angles at which the supporting corner changes, and the corner from each on.

        Between two corners p, q (counter-clockwise) it changes along the outward normal of q - p.
        """
        corners = self.values[self.hull]
        normals = np.angle(-1j * (np.roll(corners, -1) - corners))
        order = np.argsort(normals, kind="stable")
        return normals[order], np.roll(self.hull, -1)[order]

    @cached_property
    def _even_step(self) -> float | None:
        """The sectors' common width where they are equally wide (rad), else None."""
        angles, _ = self._sectors
        steps = np.diff(angles)
        even = np.ptp(steps) < 1e-9 and abs(steps.mean() * angles.size - 2 * np.pi) < 1e-9
        return float(2 * np.pi / angles.size) if even else None

    def support(self, direction: Array) -> Array:
        """State of the largest Re(conj(direction) value), for every element of `direction`.

        The maximiser of a linear function over the states is a corner of their convex hull,
        so it depends on the angle of `direction` alone.
        """
        if self.is_line:
            return self._ends(direction, 0, 1)
        return by_strips(self._corner, direction)

    @cached_property
    def _turn(self) -> tuple[int, NDArray[np.uint16]]:
        """Of equal sectors the first one that an angle from -pi on may lie in, and the corners from
        there on to that of pi, and one more on both sides."""
        angles, corners = self._sectors
        assert self._even_step is not None
        first = math.floor((-math.pi - float(angles[0])) / self._even_step) - 1
        turn = corners[np.arange(first, first + corners.size + 3) % corners.size]
        return first, turn.astype(np.uint16)

    def _place(self, direction: NDArray[np.inexact]) -> NDArray[np.floating]:
        """Where in `_turn` directions lie, in their own precision."""
        assert self._even_step is not None
        place = np.asarray(angle(direction))
        place *= place.dtype.type(1 / self._even_step)
        place -= place.dtype.type(float(self._sectors[0][0]) / self._even_step + self._turn[0])
        return place

    def _corner(self, direction: Array) -> Array:
        """The same where states are on no line."""
        if self._even_step is not None and isinstance(direction, np.ndarray):
            return np.take(self._turn[1], self._place(direction).astype(np.intp), mode="clip")
        xp = namespace(direction)
        angles, corners = self._sectors
        if self._even_step is not None:
            return sector(direction, float(angles[0]), self._even_step, corners)
        around = xp.astype(angle(direction), xp.float64)
        place = xp.searchsorted(constant(angles, direction), around, side="right") - 1
        return picked(constant(corners, direction), place)

    def _ends(self, direction: Array, first: int, second: int) -> Array:
        """Of states on a line the hull's `first` end where `direction` leads to it, else the
        `second`."""
        xp, (one, other) = namespace(direction), (int(self.hull[i]) for i in (first, second))
        along = self._along(direction)
        # quicker than to choose where signs change from pixel to pixel; short numbers, as these
        # are made anew for all multipliers that are tried
        kind = xp.uint16 if isinstance(along, np.ndarray) else xp.int64
        states = xp.astype(along < 0 if other > one else ~(along < 0), kind)
        if abs(other - one) > 1:
            states *= abs(other - one)
        if min(one, other) > 0:
            states += min(one, other)
        return states

    def _along(self, direction: Array) -> Array:
        """Component of `direction` along the states' line, from its second end to its first."""
        xp = namespace(direction)
        line = self.values[self.hull[0]] - self.values[self.hull[1]]
        if abs(line.imag) < 1e-12 * abs(line):
            along = xp.real(direction)
            return along if line.real > 0 else -along
        return xp.real(direction) * float(line.real) + xp.imag(direction) * float(line.imag)

    def runner_up(self, direction: Array) -> Array:
        """The corner next to the supporting one, across the nearer boundary of its sector."""
        if self.is_line:
            return self._ends(direction, 1, 0)
        return by_strips(self._next_corner, direction)

    def _next_corner(self, direction: Array) -> Array:
        if self._even_step is not None and isinstance(direction, np.ndarray):
            place = self._place(direction)
            whole = place.astype(np.intp)
            whole += 2 * (place - whole >= 0.5) - 1
            return np.take(self._turn[1], whole, mode="clip")
        xp, size = namespace(direction), self._sectors[0].size
        angles, corners = (constant(part, direction) for part in self._sectors)
        around = xp.astype(angle(direction), xp.float64)
        place = xp.searchsorted(angles, around, side="right") - 1
        before = xp.remainder(around - picked(angles, place), 2 * np.pi)
        after = xp.remainder(picked(angles, (place + 1) % size) - around, 2 * np.pi)
        return picked(corners, (place + (1 - 2 * xp.astype(before < after, xp.int64))) % size)

    def nearest(self, wanted: NDArray[np.complexfloating]) -> NDArray[np.intp]:
        """State nearest in the complex plane, for every element of `wanted`.

        Where all states are of one amplitude that is the supporting one; else they are compared.
        """
        if np.ptp(np.abs(self.values)) < 1e-12 and len(self.hull) == self.size:
            return np.asarray(self.support(wanted))
        best = np.zeros(wanted.shape, dtype=np.intp)
        least = np.abs(wanted - self.values[0])
        for state, value in enumerate(self.values[1:], start=1):
            distance = np.abs(wanted - value)
            closer = distance < least
            best[closer], least[closer] = state, distance[closer]
        return best


def binary(phase_step: float = np.pi, greys: tuple[int, int] = BINARY_GREYS) -> Alphabet:
    """Two states, 1 and exp(i phase_step), and what is written for them; `phase_step` in rad."""
    second = -1.0 if phase_step == np.pi else np.exp(1j * phase_step)
    return Alphabet("binary", np.array([1.0, second], dtype=complex), np.array(greys, np.uint16))


def levels(count: int, depth: float = 2 * np.pi) -> Alphabet:
    """`count` equal phase steps from 0, the next one after the last being `depth` (rad)."""
    if not 2 <= count <= CONTINUOUS_LEVELS:
        raise BenchError(f"levels = {count}: from 2 to {CONTINUOUS_LEVELS}")
    index = np.arange(count)
    return Alphabet("levels", np.exp(1j * depth * index / count), index.astype(np.uint16))


def continuous() -> Alphabet:
    """Every phase (in 16 bit): what no real panel does, for limits."""
    return Alphabet("continuous", levels(CONTINUOUS_LEVELS).values, levels(CONTINUOUS_LEVELS).greys)


def table(
    greys: Sequence[int], phases: Sequence[float], amplitudes: Sequence[float] | None = None
) -> Alphabet:
    """Grey values with their measured phase (rad) and, if given, amplitude (0 to 1)."""
    amplitude = np.ones(len(greys)) if amplitudes is None else np.asarray(amplitudes, dtype=float)
    values = amplitude * np.exp(1j * np.asarray(phases, dtype=float))
    return Alphabet("table", np.asarray(values, dtype=complex), np.asarray(greys, dtype=np.uint16))


@dataclass(frozen=True)
class Background:
    """What the panel shows outside the mask: see `panel.background_states`.

    `kind`: `flat` (all in one grey), `checkerboard` (cells of `cell` pixels, the two states whose
    values lie farthest apart) or `carrier` (a tilt as steep as `carrier`).  `grey`: of a flat one,
    None for that of state 0.
    """

    kind: str = "flat"
    grey: int | None = None
    cell: int = 1
    carrier: "Carrier | None" = None


@dataclass(frozen=True, eq=False)
class Modulator:
    """A panel of pixels as the light sees it.

    `shape` and `panel_shape` are (rows, columns); `at` is the (column, row) on the panel, counted
    from its top left, where the mask's top left pixel lies (None: centred).  `pitch` in m along
    the panel; `fill_factor` is the active share of a pixel's area; `gap_reflectance` the power
    reflectance of the rest, its light in phase with state value 1; `incidence` in rad, in the
    x plane.  `flatness` (rows, columns) in waves is added to the illumination.  `crosstalk` is
    the Gaussian blur of the phase in pixels (standard deviation), for prediction.  `second`: where
    a second mask of the same `shape` lies, as `at`; its states are then the rows behind the first's
    (see `states_shape`).
    """

    shape: tuple[int, int]
    pitch: float
    alphabet: Alphabet
    panel_shape: tuple[int, int] | None = None
    at: tuple[int, int] | None = None
    fill_factor: float = 1.0
    gap_reflectance: float = 0.0
    incidence: float = 0.0
    flatness: NDArray[np.float64] | None = None
    crosstalk: float = 0.0
    background: Background = Background()
    second: tuple[int, int] | None = None

    def __post_init__(self) -> None:
        rows, columns = self.shape
        panel_rows, panel_columns = self.panel
        for row, column in self.corners:
            if row < 0 or column < 0 or row + rows > panel_rows or column + columns > panel_columns:
                raise BenchError(
                    f"a mask of {columns} x {rows} pixels at column {column}, row {row} does not "
                    f"fit on a panel of {panel_columns} x {panel_rows} pixels"
                )
        if self.flatness is not None and self.flatness.shape != self.shape:
            raise BenchError(
                f"the flatness map has {self.flatness.shape[1]} x {self.flatness.shape[0]} pixels, "
                f"the mask {columns} x {rows}"
            )

    @property
    def panel(self) -> tuple[int, int]:
        return self.panel_shape or self.shape

    @property
    def corner(self) -> tuple[int, int]:
        """(row, column) of the mask's top left pixel on the panel."""
        if self.at is not None:
            return self.at[1], self.at[0]
        return (self.panel[0] - self.shape[0]) // 2, (self.panel[1] - self.shape[1]) // 2

    @property
    def corners(self) -> tuple[tuple[int, int], ...]:
        """The same of each of its masks."""
        return (self.corner,) if self.second is None else (self.corner, self.second[::-1])

    @property
    def states_shape(self) -> tuple[int, int]:
        """(rows, columns) of all states."""
        return len(self.corners) * self.shape[0], self.shape[1]

    @property
    def pitch_seen(self) -> tuple[float, float]:
        """Pitch (x, y) in m as the tilted light sees it."""
        return self.pitch * float(np.cos(self.incidence)), self.pitch


@dataclass(frozen=True)
class Carrier:
    """A tilt of `period` pixels a fringe in the direction `angle` (rad, from +x to +y); 0: none."""

    period: float = 0.0
    angle: float = 0.0

    @property
    def frequency(self) -> tuple[float, float]:
        """Fringes a pixel along (x, y)."""
        if self.period == 0.0:
            return 0.0, 0.0
        return float(np.cos(self.angle)) / self.period, float(np.sin(self.angle)) / self.period


def gaps_beside_pixels(modulator: Modulator) -> float:
    """Amplitude of the gaps' light in the zero order, against that of pixels of value 1."""
    fill = modulator.fill_factor
    return float(np.sqrt(modulator.gap_reflectance) * (1 - fill) / fill)


def values_of(values: Array, states: Array) -> Array:
    """The values (n,) of states (rows, columns)."""
    two = isinstance(values, np.ndarray) and values.size == 2 and values.dtype.kind == "f"
    if not two or values[1] - values[0] + values[0] != values[1]:
        return by_strips(partial(picked, values), states)
    # without rounding, in half the time of an index
    found = states.astype(values.dtype)
    found *= values[1] - values[0]
    found += values[0]
    return found


def emitted(modulator: Modulator, states: Array) -> Array:
    """What the pixels do to the light: states (rows, columns) -> complex factors.

    Neighbour crosstalk blurs the phase as it stands on the panel (edges as they are).
    """
    values = values_of(constant(modulator.alphabet.values, states), states)
    if modulator.crosstalk == 0.0:
        return values
    xp = namespace(states)
    phase = xp.remainder(angle(values), 2 * np.pi)
    masks = parted(phase, len(modulator.corners))
    phase = xp.concat([blurred(one, modulator.crosstalk) for one in masks])
    return xp.abs(values) * phasors(phase)
