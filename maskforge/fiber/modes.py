"""Guided LP modes of a radially symmetric, weakly guiding fibre."""

import dataclasses
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache, cached_property, lru_cache

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import ArrayLike, NDArray
from threadpoolctl import threadpool_limits

from maskforge.base.errors import BenchError
from maskforge.fiber.profile import Fiber
from maskforge.fiber.radial import (
    Discretisation,
    cutoffs,
    discretise,
    gauss_rule,
    guided,
    log_k,
    tail_power,
    to_chebyshev,
    values_at_points,
)
from maskforge.fiber.roots import root_between

Array = NDArray[np.float64]

NEAR_CUTOFF = 0.05
"""A label whose cut-off V lies less than this share below the fibre's V is near its cut-off."""

TAIL_DEGREE = 16
"""log K_l(exp y) is analytic for abs(Im y) < pi/2 (K_l has no zero with Re z >= 0), so on panels of
width 1 its Chebyshev coefficients fall at least as 6^-n: below 1e-12 at 16."""

TAIL_REACH = 200.0
"""The tail is followed until kappa (r - R) is this: exp(-200) is 0 beside any other field."""

DEGENERATE = 10
"""Decimals of n_eff that sort the labels of a group: rounding must not sort a parabola's."""

CHUNK = 16384
"""Points evaluated at a time, so that the work arrays stay in the processor's cache."""


TINIEST = 1e-300
"""Share of a mode's power that is as good as none."""

LIGHT_SPEED = 299_792_458.0
"""m/s in vacuum, by the definition of the metre (SI Brochure, 9th ed., sec. 2.3.1)."""


@dataclass(frozen=True, eq=False)
class RadialField:
    """Real radial field R(r) in 1/m, integral of R^2 r dr = 1, positive just off the axis.

    `edges` (m + 1,) in m bound pieces with Chebyshev coefficients `pieces` (m, d); outside the
    last edge R is `edge_value` * K_l(kappa r)/K_l(kappa edge), kept as Chebyshev coefficients
    `tail` (t, 17) of its logarithm over log r in panels of width 1.
    """

    l: int
    kappa: float
    edges: Array
    pieces: Array
    edge_value: float
    tail: Array

    def __call__(self, radius: ArrayLike) -> Array:
        """R at radii >= 0 in m, any shape of array."""
        r = np.asarray(radius, dtype=np.float64)
        flat = r.ravel()
        out = np.zeros_like(flat)
        for start in range(0, flat.size, CHUNK):
            self._fill(flat[start : start + CHUNK], out[start : start + CHUNK])
        return out.reshape(r.shape)

    def _fill(self, r: Array, out: Array) -> None:
        least, most = float(r.min()), float(r.max())
        for left, right, coefficients in zip(
            self.edges[:-1], self.edges[1:], self.pieces, strict=True
        ):
            if right <= least or left > most:
                continue
            inside = np.flatnonzero((r >= left) & (r < right))
            local = (r[inside] - 0.5 * (left + right)) * (2.0 / (right - left))
            out[inside] = _clenshaw(coefficients, local)
        if most < self.edges[-1]:
            return
        outside = np.flatnonzero(r >= self.edges[-1])
        depth = np.log(r[outside] / self.edges[-1])
        deepest = float(depth.max())
        for i, coefficients in enumerate(self.tail):
            if i > deepest:
                break
            here = np.flatnonzero((depth >= i) & (depth < i + 1))
            local = 2.0 * (depth[here] - i) - 1.0
            out[outside[here]] = self.edge_value * np.exp(_clenshaw(coefficients, local))

    def _beyond(self, radius: float) -> float:
        """R at one radius beyond the last edge: a loop takes a tenth of an array's time."""
        depth = math.log(radius / self.edges[-1])
        panel = int(depth)
        if panel >= len(self.tail):
            return 0.0
        first, *others = self.tail[panel].tolist()
        twice, current, before = 4.0 * (depth - panel) - 2.0, 0.0, 0.0
        for coefficient in reversed(others):
            current, before = twice * current - before + coefficient, current
        return float(self.edge_value * math.exp(twice / 2 * current - before + first))

    def power_outside(self, radius: float) -> float:
        """Share of the mode's power outside a radius in m."""
        edge = float(self.edges[-1])
        if radius >= edge:
            value = self._beyond(radius)
            return value**2 * tail_power(self.l, self.kappa * radius) / self.kappa**2
        cuts = np.concatenate(([radius], self.edges[self.edges > radius]))
        half = 0.5 * np.diff(cuts)[:, None]
        points, weights = gauss_rule(2 * self.pieces.shape[1])
        r = cuts[:-1, None] + half * (1.0 + points)
        inner = float(np.sum(half * weights * r * self(r) ** 2))
        return inner + self.power_outside(edge)

    def radius_enclosing(self, power_outside: float) -> float:
        """Radius (m) outside of which just `power_outside` (0 < share < 1) of the power lies."""
        if not 0.0 < power_outside < 1.0:
            raise BenchError(f"fiber: share of power {power_outside:g} is not between 0 and 1")

        # the ends of the bracket are asked for again
        @cache
        def excess(radius: float) -> float:
            # of the logarithm, which far out is nearly straight
            return math.log(max(self.power_outside(radius), TINIEST) / power_outside)

        edge = float(self.edges[-1])
        low, high = 0.0, edge
        if excess(edge) > 0.0:
            low, high = edge, edge + 1.0 / self.kappa
            while excess(high) > 0.0:
                low, high = high, high + 2.0 * (high - low)
        return root_between(excess, low, high, xtol=1e-12 * edge, rtol=1e-12)


@cache
def _label(l: int, p: int) -> str:
    comma = "," if max(l, p) > 9 else ""
    return f"LP{l}{comma}{p}"


@dataclass(frozen=True)
class RadialMode:
    """One guided label. Lengths in m, `delay` in s/m relative to LP01.

    `cutoff_v` is the V at which the label is cut off for this profile shape, `cutoff_margin`
    1 - cutoff_v/V. `effective_area` (m^2) is (int I)^2/int I^2 of the cosine mode (Agrawal,
    Nonlinear Fiber Optics), `mode_field_diameter` Petermann's second definition with the whole
    gradient (Electron. Lett. 19, 712, 1983), `second_moment_diameter` 2 sqrt(2 <r^2>), which is
    the ISO 11146 width of a round beam.
    """

    l: int
    p: int
    n_eff: float
    cutoff_v: float
    cutoff_margin: float
    group_index: float
    delay: float
    effective_area: float
    mode_field_diameter: float
    second_moment_diameter: float
    field: RadialField = dataclasses.field(repr=False)

    @cached_property
    def label(self) -> str:
        """LP21; with a comma, LP10,1, where an order has two digits."""
        return _label(self.l, self.p)

    @property
    def group(self) -> int:
        """Mode group l + 2p - 1."""
        return self.l + 2 * self.p - 1

    @property
    def near_cutoff(self) -> bool:
        """Whether the label may vanish within the tolerance of a real fibre."""
        return self.cutoff_margin < NEAR_CUTOFF


def about_how_many(fiber: Fiber) -> int:
    """Modes (cos and sin apart) that a fibre guides, to a few per cent where they are many.

    V^2/2 times the integral of s x dx over where s > 0, x in core radii: the cells of phase space
    (Gloge and Marcatili, Bell Syst. Tech. J. 52, 1563, 1973, without the two polarisations).
    """
    edges = np.array((0.0, *fiber.profile.edges)) / fiber.profile.core_radius
    half = 0.5 * np.diff(edges)[:, None]
    points, weights = gauss_rule(64)
    x = edges[:-1, None] + half * (1.0 + points)
    s = np.maximum(fiber.profile.shape(x * fiber.profile.core_radius), 0.0)
    return max(1, round(0.5 * fiber.v**2 * float(np.sum(half * weights * x * s))))


def solve(
    fiber: Fiber,
    *,
    groups: int | None = None,
    told: Callable[[RadialMode], object] | None = None,
) -> tuple[RadialMode, ...]:
    """Every guided label, by (group, falling n_eff, l); only the first `groups` groups if given.

    Scalar weakly guiding equation by the method of `maskforge.fiber.radial`; group index by
    the Hellmann-Feynman theorem, n_g n_eff = int n N R^2 r dr with N the glass's group index
    (Snyder and Love, Optical Waveguide Theory, 1983, ch. 13 and 14). BenchError when nothing is
    guided or fewer groups are guided than asked.  `told` gets every label as it is found; without
    it the last fibres' modes are remembered.
    """
    if groups is not None and groups < 1:
        raise BenchError(f"fiber: groups = {groups}; it must be at least 1")
    found = remembered(fiber) if told is None else _solved(fiber, told)
    return found if groups is None else first_groups(found, groups)


@lru_cache(maxsize=16)
def remembered(fiber: Fiber) -> tuple[RadialMode, ...]:
    """All modes of a fibre, as `solve` has them."""
    return _solved(fiber, lambda mode: None)


def _solved(fiber: Fiber, told: Callable[[RadialMode], object]) -> tuple[RadialMode, ...]:
    # on several threads small matrices take longer, and the other cores' time
    with threadpool_limits(1):
        modes = []
        for mode in _every_mode(fiber):
            modes.append(mode)
            told(mode)
    if not modes:
        raise BenchError(f"fiber: V = {fiber.v:.4g} guides no mode")
    first = modes[0].group_index
    ordered = sorted(modes, key=lambda m: (m.group, -round(m.n_eff, DEGENERATE), m.l))
    return tuple(replace(m, delay=(m.group_index - first) / LIGHT_SPEED) for m in ordered)


def first_groups(modes: Sequence[RadialMode], groups: int) -> tuple[RadialMode, ...]:
    """Those of all guided labels that `solve` gives with `groups`; BenchError where it does."""
    highest = max(mode.group for mode in modes)
    if groups > highest:
        raise BenchError(f"fiber: groups = {groups}, but only {highest} groups are guided")
    return tuple(mode for mode in modes if mode.group <= groups)


def _every_mode(fiber: Fiber) -> Iterator[RadialMode]:
    mesh = discretise(fiber.profile, fiber.v)
    for order in range(10**6):
        found = guided(mesh, order)
        if not found:
            break
        limits = cutoffs(mesh, order)
        for p, solution in enumerate(found, start=1):
            yield _mode(fiber, mesh, (order, p), solution, float(limits[p - 1]))


def _mode(
    fiber: Fiber,
    mesh: Discretisation,
    label: tuple[int, int],
    solution: tuple[float, Array],
    cutoff_v: float,
) -> RadialMode:
    (order, p), (w2, vector) = label, solution
    a = fiber.profile.core_radius
    w = math.sqrt(w2)
    edge = float(mesh.edges[-1])
    vector = vector / math.sqrt(
        vector @ mesh.mass @ vector + vector[-1] ** 2 * tail_power(order, w * edge) / w2
    )
    samples = values_at_points(mesh, vector)
    large = np.abs(samples.ravel()) > 1e-8 * np.abs(samples).max()
    if samples.ravel()[np.argmax(large)] < 0.0:
        vector, samples = -vector, -samples
    tail = _tail(order, w * edge)
    mean_s = float(vector @ mesh.weighted @ vector)
    fourth, square_radius = _moments(mesh, samples, tail, float(vector[-1]))
    n_eff = math.sqrt(fiber.cladding_index**2 + fiber.na**2 * w2 / mesh.v**2)
    slow = fiber.cladding_index * fiber.cladding_group_index
    product = slow + (fiber.core_index * fiber.core_group_index - slow) * mean_s
    # The mean squared gradient follows from the equation itself: V^2 <s> - W^2.
    return RadialMode(
        l=order,
        p=p,
        n_eff=n_eff,
        cutoff_v=cutoff_v,
        cutoff_margin=1.0 - cutoff_v / mesh.v,
        group_index=product / n_eff,
        delay=0.0,
        effective_area=a**2 * (4.0 / 3.0 if order else 2.0) * math.pi / fourth,
        mode_field_diameter=2.0 * a * math.sqrt(2.0 / (mesh.v**2 * mean_s - w2)),
        second_moment_diameter=2.0 * a * math.sqrt(2.0 * square_radius),
        field=_field(mesh, vector, (order, w), tail, a),
    )


def _field(
    mesh: Discretisation, vector: Array, tail_of: tuple[int, float], tail: Array, a: float
) -> RadialField:
    degrees = np.diff(mesh.offsets)
    pieces = np.zeros((degrees.size, int(degrees.max()) + 1))
    for i, degree in enumerate(degrees):
        nodes = vector[mesh.offsets[i] : mesh.offsets[i + 1] + 1]
        pieces[i, : degree + 1] = to_chebyshev(int(degree)) @ nodes
    order, w = tail_of
    return RadialField(order, w / a, mesh.edges * a, pieces / a, float(vector[-1]) / a, tail)


@cache
def _tail_nodes() -> tuple[Array, Array]:
    """Chebyshev points (17,) on [-1, 1], and the matrix from values there to coefficients."""
    nodes = np.asarray(chebyshev.chebpts1(TAIL_DEGREE + 1), dtype=np.float64)
    inverse = np.linalg.inv(chebyshev.chebvander(nodes, TAIL_DEGREE))
    return nodes, np.asarray(inverse, dtype=np.float64)


@cache
def _tail_rule() -> tuple[Array, Array, Array]:
    """Gauss points and weights (32,) on [-1, 1], and the polynomials (17, 32) there."""
    points, weights = gauss_rule(2 * TAIL_DEGREE)
    polynomials = chebyshev.chebvander(points, TAIL_DEGREE).T
    return points, weights, np.asarray(polynomials, dtype=np.float64)


def _tail(order: int, w: float) -> Array:
    """Chebyshev coefficients (t, 17) of log K_l(w exp y)/K_l(w), panels of width 1 from y = 0."""
    count = math.ceil(math.log1p(TAIL_REACH / w))
    nodes, inverse = _tail_nodes()
    y = np.arange(count)[:, None] + 0.5 * (1.0 + nodes)
    values = log_k(order, w * np.exp(y)) - float(log_k(order, np.array(w)))
    out: Array = values @ inverse.T
    return out


def _moments(
    mesh: Discretisation, samples: Array, tail: Array, edge_value: float
) -> tuple[float, float]:
    """Integrals of R^4 x dx and R^2 x^3 dx over all x, in core radii."""
    x, weights = mesh.points, mesh.weights
    fourth = float(np.sum(weights * x * samples**4))
    square = float(np.sum(weights * x**3 * samples**2))
    points, gauss, polynomials = _tail_rule()
    logs = tail @ polynomials
    y = np.arange(len(tail))[:, None] + 0.5 * (1.0 + points)
    log_x = math.log(mesh.edges[-1]) + y
    with np.errstate(under="ignore"):
        fourth += edge_value**4 * float(np.sum(0.5 * gauss * np.exp(4.0 * logs + 2.0 * log_x)))
        square += edge_value**2 * float(np.sum(0.5 * gauss * np.exp(2.0 * logs + 4.0 * log_x)))
    return fourth, square


def _clenshaw(coefficients: Array, x: Array) -> Array:
    """Chebyshev series at x; `numpy.polynomial` does the same with twice the memory traffic."""
    twice = 2.0 * x
    current = np.full_like(x, coefficients[-1])
    before = np.zeros_like(x)
    work = np.empty_like(x)
    for coefficient in coefficients[-2:0:-1]:
        np.multiply(twice, current, out=work)
        work -= before
        work += coefficient
        before, current, work = current, work, before
    out: Array = x * current - before + coefficients[0]
    return out
