"""Index profiles n^2(r) = n_clad^2 + (n_core^2 - n_clad^2) s(r) and the fibre made of one."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from maskforge.base.errors import BenchError

if TYPE_CHECKING:
    from scipy.interpolate import PchipInterpolator

Array = NDArray[np.float64]

MAX_TABLE_EDGES = 64
"""More table samples than this are not all element edges: the cost of a solution grows as the
cube of the edges, while a kink between close samples of a smooth curve is small."""


@dataclass(frozen=True)
class Profile:
    """Dimensionless radial shape s of a fibre's squared index.

    `core_radius` in m sets V; `edges` are the ascending radii in m > 0 where s has a kink or a
    jump; `shape(r)` maps radii in m below the last edge to s: 1 at the highest point of the
    core, 0 in the cladding, negative in a trench. Outside the last edge s is 0. `samples` is the
    size of a measured table (0: s is smooth between edges): its small kinks are integrated over,
    not resolved.
    """

    core_radius: float
    edges: tuple[float, ...]
    shape: Callable[[Array], Array]
    samples: int = 0

    def __post_init__(self) -> None:
        _positive("core radius", self.core_radius)
        if not self.edges:
            raise BenchError("profile: no edges; the core's outer radius is needed at least")
        steps = np.diff(np.array((0.0, *self.edges)))
        if not (np.all(np.isfinite(steps)) and np.all(steps > 0.0)):
            raise BenchError(f"profile: edges {self.edges} (m) are not positive and ascending")

    def at(self, radius: ArrayLike) -> Array:
        """s at any radii >= 0 (m), any shape of array."""
        r = np.asarray(radius, dtype=np.float64)
        return np.where(r < self.edges[-1], self.shape(np.minimum(r, self.edges[-1])), 0.0)


@dataclass(frozen=True)
class _StepIndex:
    def __call__(self, r: Array) -> Array:
        return np.ones_like(r)


@dataclass(frozen=True)
class _Power:
    core_radius: float
    alpha: float

    def __call__(self, r: Array) -> Array:
        out: Array = 1.0 - (r / self.core_radius) ** self.alpha
        return out


@dataclass(frozen=True)
class _Trench:
    core: Profile
    inner_radius: float
    depth: float

    def __call__(self, r: Array) -> Array:
        return np.where(r < self.inner_radius, self.core.at(r), -self.depth)


@dataclass(frozen=True)
class _Table:
    curve: "PchipInterpolator"

    def __call__(self, r: Array) -> Array:
        return np.asarray(self.curve(r), dtype=np.float64)


def step(core_radius: float) -> Profile:
    """Step index: s = 1 within `core_radius` (m)."""
    _positive("core radius", core_radius)
    return Profile(core_radius, (core_radius,), _StepIndex())


def power_law(core_radius: float, alpha: float) -> Profile:
    """s = 1 - (r/a)^alpha within `core_radius` a (m); alpha from 0.5 to 1000 (2: parabola)."""
    _positive("core radius", core_radius)
    if not 0.5 <= alpha <= 1000.0:
        raise BenchError(f"profile: alpha {alpha:g} is outside 0.5 to 1000; for a step use step")
    return Profile(core_radius, (core_radius,), _Power(core_radius, alpha))


def trench(core: Profile, inner_radius: float, outer_radius: float, depth: float) -> Profile:
    """A core with a ring of lowered index, s = -depth from `inner_radius` to `outer_radius` (m).

    `depth` > 0 is the drop of n^2 below the cladding as a ratio of n_core^2 - n_clad^2;
    `trench_depth` gives it for an index drop. The trench may touch the core, not overlap it.
    """
    _positive("trench depth", depth, unit="")
    if not core.edges[-1] <= inner_radius < outer_radius < math.inf:
        raise BenchError(
            f"profile: trench from {inner_radius * 1e6:g} to {outer_radius * 1e6:g} um; it must "
            f"begin at or outside the core's {core.edges[-1] * 1e6:g} um and end further out"
        )
    inner = (inner_radius,) if inner_radius > core.edges[-1] else ()
    edges = (*core.edges, *inner, outer_radius)
    return Profile(core.core_radius, edges, _Trench(core, inner_radius, depth))


def trench_depth(index_drop: float, core_index: float, cladding_index: float) -> float:
    """`depth` of `trench` for an index `index_drop` > 0 below the cladding."""
    if not 0.0 < index_drop < cladding_index:
        raise BenchError(
            f"profile: trench index drop {index_drop:g} is not between 0 and the "
            f"cladding index {cladding_index:g}"
        )
    _ordered(core_index, cladding_index)
    lowered = (cladding_index - index_drop) ** 2
    return (cladding_index**2 - lowered) / (core_index**2 - cladding_index**2)


def table(
    radius: ArrayLike, shape_values: ArrayLike, *, core_radius: float | None = None
) -> Profile:
    """Measured profile: (n,) radii in m from 0 ascending, (n,) values of s with largest 1.

    Between samples a monotone cubic (PCHIP; Fritsch and Butland, SIAM J. Sci. Stat. Comput. 5,
    300, 1984); outside the last sample s is 0. `core_radius` (m) is only the a in V; left out,
    it is the first sample outside the outermost positive one (or that one, if it is the last).
    """
    r = np.asarray(radius, dtype=np.float64)
    s = np.asarray(shape_values, dtype=np.float64)
    if r.ndim != 1 or r.shape != s.shape or r.size < 2:
        raise BenchError(
            f"profile table: shapes {r.shape} and {s.shape}; two columns of equal length >= 2"
        )
    if not (np.all(np.isfinite(r)) and np.all(np.isfinite(s))):
        raise BenchError("profile table: a value is not a finite number")
    if r[0] != 0.0 or np.any(np.diff(r) <= 0.0):
        raise BenchError(f"profile table: radii must ascend from 0; the first is {r[0]:g} m")
    if abs(float(s.max()) - 1.0) > 1e-9:
        raise BenchError(f"profile table: largest shape value {s.max():g}; it must be 1")
    if core_radius is None:
        core_radius = float(r[min(int(np.flatnonzero(s > 0.0)[-1]) + 1, r.size - 1)])
    # what few benches need is loaded where they do
    from scipy.interpolate import PchipInterpolator

    curve = PchipInterpolator(r, s, extrapolate=True)
    return Profile(core_radius, _table_edges(r, s), _Table(curve), r.size)


def _table_edges(r: Array, s: Array) -> tuple[float, ...]:
    """All samples, or half of MAX_TABLE_EDGES evenly and half where the curve bends most."""
    chosen = np.arange(1, r.size)
    if chosen.size > MAX_TABLE_EDGES:
        half = MAX_TABLE_EDGES // 2
        bend = np.abs(np.diff(s, 2))
        sharpest = 1 + np.argsort(bend, kind="stable")[-half:]
        chosen = np.union1d(np.linspace(1, r.size - 1, half).round().astype(int), sharpest)
    return tuple(float(x) for x in r[chosen])


def shape_from_index(index: ArrayLike, cladding_index: float) -> Array:
    """s of index samples (n,): (n^2 - n_clad^2) / (max n^2 - n_clad^2)."""
    n = np.asarray(index, dtype=np.float64)
    if n.size == 0 or not np.all(np.isfinite(n)) or float(n.min()) <= 0.0:
        raise BenchError("profile table: the index column is empty or not positive")
    _ordered(float(n.max()), cladding_index)
    lift: Array = n**2 - cladding_index**2
    return lift / float(lift.max())


@dataclass(frozen=True)
class Fiber:
    """A weakly guiding fibre at one vacuum wavelength (m); indices and group indices as numbers.

    `core_index` belongs to s = 1, `cladding_index` to s = 0. BenchError when not physical.
    """

    profile: Profile
    wavelength: float
    core_index: float
    cladding_index: float
    core_group_index: float
    cladding_group_index: float

    def __post_init__(self) -> None:
        _positive("wavelength", self.wavelength)
        _positive("cladding index", self.cladding_index, unit="")
        _positive("core group index", self.core_group_index, unit="")
        _positive("cladding group index", self.cladding_group_index, unit="")
        _ordered(self.core_index, self.cladding_index)

    @property
    def na(self) -> float:
        """Numerical aperture sqrt(n_core^2 - n_clad^2)."""
        lift = (self.core_index - self.cladding_index) * (self.core_index + self.cladding_index)
        return math.sqrt(lift)

    @property
    def v(self) -> float:
        """Normalised frequency 2 pi a NA / wavelength."""
        return 2.0 * math.pi * self.profile.core_radius * self.na / self.wavelength

    @property
    def delta(self) -> float:
        """Relative index difference (n_core^2 - n_clad^2) / (2 n_core^2)."""
        return self.na**2 / (2.0 * self.core_index**2)


def fiber_of_indices(
    profile: Profile, wavelength: float, core_index: float, cladding_index: float
) -> Fiber:
    """A fibre of non-dispersive glass: group index = index. Wavelength in m."""
    return Fiber(profile, wavelength, core_index, cladding_index, core_index, cladding_index)


def _positive(what: str, value: float, unit: str = " m") -> None:
    if not (math.isfinite(value) and value > 0.0):
        raise BenchError(f"fiber: {what} {value:g}{unit}; it must be a positive number")


def _ordered(core_index: float, cladding_index: float) -> None:
    if not (math.isfinite(core_index) and core_index > cladding_index > 0.0):
        raise BenchError(
            f"fiber: core index {core_index:g} must be above the cladding index {cladding_index:g}"
        )
