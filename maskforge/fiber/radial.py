"""Spectral elements for the radial equation of a weakly guiding fibre, exact outside the core.

With x = r/a and W = a kappa, kappa^2 = beta^2 - k^2 n_clad^2, the field R(x) of order l obeys

    (x R')'/x - l^2/x^2 R + (V^2 s(x) - W^2) R = 0,

and outside the last profile edge X it is K_l(W x). There X R' = -(l + delta) R with
delta = w K_{l-1}(w)/K_l(w), w = W X (Abramowitz and Stegun 9.6.26), so the weak form on [0, X]
with mass M, stiffness K (which holds l^2/x^2 and the edge's l) and shape-weighted mass P reads

    (V^2 P - K - delta(W) e e^T) v = W^2 M v,      e the edge node.

delta is 0 at W = 0 and grows with W: cut-offs are a linear problem, guided modes a rank-one
change of one (Golub, SIAM Review 15, 318, 1973; Bunch, Nielsen and Sorensen, Numer. Math. 31,
31, 1978).
"""

import math
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import numpy as np
from numpy.polynomial import chebyshev, legendre
from numpy.typing import NDArray

from maskforge.fiber.bessel import k0_over_k1, scaled_k01
from maskforge.fiber.profile import Profile
from maskforge.fiber.roots import root_between

Array = NDArray[np.float64]

MAX_PHASE = 5.0
"""Largest V h of an element. A wave of phase 5 has Legendre coefficients ~ J_n(2.5), below 1e-11
at n = 15 and hence an eigenvalue error below rounding."""

SHAPE_DEGREE = 12
"""An element is halved until its piece of s is a polynomial of this degree to SHAPE_TOLERANCE."""

SHAPE_TOLERANCE = 1e-12
MAX_HALVINGS = 8
SMALLEST_W2 = 1e-12
"""A mode with W^2 below this is a million core radii wide and its n_eff is the cladding's to the
last digit of double precision; it is not counted as guided."""

MEAN_FLOOR = 1e-7
"""A mean of s below this, either sign, counts as this in the cut-offs of l = 0: where the shift and
the rounding error of dividing by it are equal, some 2e-8 of V."""

DARK = 40.0
"""Inside of x = l/V the field of order l falls towards the axis, by WKB at least as
exp(-l (arccosh(1/u) - sqrt(1 - u^2))), u = V x/l. Elements where that is below exp(-DARK) = 4e-18
are left out; their entries, of order l^2/x^2, would only add rounding."""

ROUNDING = 1e-13
"""Levels below this share of V^2 are rounding of the dense eigenvalue problem, not modes."""


@dataclass(frozen=True, eq=False)
class Discretisation:
    """Matrices of the weak form, (n, n), n nodes; lengths in core radii.

    `edges` (m + 1,) bound the elements, `offsets` (m + 1,) are the node indices of those edges.
    `points`, `weights` (m, q) are Gauss points and weights (without the x of the area element).
    """

    v: float
    edges: Array
    offsets: NDArray[np.intp]
    mass: Array
    stiffness: Array
    centrifugal: Array
    weighted: Array
    points: Array
    weights: Array


@cache
def gauss_rule(count: int) -> tuple[Array, Array]:
    """Gauss-Legendre points and weights (count,) on [-1, 1]."""
    points, weights = legendre.leggauss(count)
    return np.asarray(points, dtype=np.float64), np.asarray(weights, dtype=np.float64)


@cache
def _lobatto(degree: int) -> Array:
    inner = legendre.Legendre.basis(degree).deriv().roots()
    return np.concatenate(([-1.0], np.sort(inner.real), [1.0]))


@cache
def _basis(degree: int, count: int) -> tuple[Array, Array]:
    """Values and derivatives (count, degree + 1) of the nodal basis at `count` Gauss points."""
    points, _ = gauss_rule(count)
    inverse = np.linalg.inv(legendre.legvander(_lobatto(degree), degree))
    slopes = np.stack(
        [legendre.legval(points, legendre.legder(row)) for row in np.eye(degree + 1)], axis=-1
    )
    return legendre.legvander(points, degree) @ inverse, slopes @ inverse


@cache
def to_chebyshev(degree: int) -> Array:
    """Matrix (degree + 1, degree + 1) from nodal values to Chebyshev coefficients."""
    matrix = np.linalg.inv(chebyshev.chebvander(_lobatto(degree), degree))
    return np.asarray(matrix, dtype=np.float64)


def _shape_degree(profile: Profile, left: float, right: float) -> int:
    """Polynomial degree that s needs on an element (core radii); 2 SHAPE_DEGREE if too high."""
    points, weights = gauss_rule(2 * SHAPE_DEGREE)
    radii = (0.5 * (left + right) + 0.5 * (right - left) * points) * profile.core_radius
    s = profile.shape(radii)
    orders = np.arange(2 * SHAPE_DEGREE)
    spectrum = (orders + 0.5) * ((weights * s) @ legendre.legvander(points, orders[-1]))
    large = np.flatnonzero(np.abs(spectrum) > SHAPE_TOLERANCE * max(1.0, float(np.abs(s).max())))
    return int(large[-1]) if large.size else 0


def _mesh(profile: Profile, v: float, refine: int) -> tuple[Array, list[int]]:
    """Element edges in core radii and the polynomial degree of each element."""
    outer = np.array((0.0, *profile.edges)) / profile.core_radius
    halvings = 0 if profile.samples else MAX_HALVINGS
    most = SHAPE_DEGREE // 2 if profile.samples else SHAPE_DEGREE
    lefts: list[float] = []
    degrees: list[int] = []

    def add(left: float, right: float, depth: int) -> None:
        needed = _shape_degree(profile, left, right)
        if needed > SHAPE_DEGREE and depth < halvings:
            middle = 0.5 * (left + right)
            add(left, middle, depth + 1)
            add(middle, right, depth + 1)
            return
        phase = v * (right - left)
        lefts.append(left)
        degrees.append(max(math.ceil(6.0 + 1.8 * phase), min(needed, most) + 2))

    for left, right in pairwise(outer):
        pieces = refine * max(1, math.ceil(v * (right - left) / MAX_PHASE))
        cuts = np.linspace(left, right, pieces + 1)
        for a, b in pairwise(cuts):
            add(float(a), float(b), 0)
    return np.array([*lefts, outer[-1]]), degrees


def discretise(profile: Profile, v: float, *, refine: int = 1) -> Discretisation:
    """Mesh and matrices for a shape at normalised frequency `v`; `refine` multiplies elements."""
    edges, degrees = _mesh(profile, v, refine)
    offsets = np.concatenate(([0], np.cumsum(degrees))).astype(np.intp)
    count = max(degrees) + 10 + 4 * math.ceil(profile.samples / len(degrees))
    gauss, gauss_weights = gauss_rule(count)
    half = 0.5 * np.diff(edges)[:, None]
    points = edges[:-1, None] + half * (1.0 + gauss)
    weights = half * gauss_weights
    n = int(offsets[-1]) + 1
    mass, stiffness, centrifugal, weighted = (np.zeros((n, n)) for _ in range(4))
    for i, degree in enumerate(degrees):
        values, slopes = _basis(degree, count)
        slopes = slopes / half[i]
        x, w = points[i][:, None], weights[i][:, None]
        s = profile.shape(points[i] * profile.core_radius)[:, None]
        block = slice(offsets[i], offsets[i + 1] + 1)
        mass[block, block] += values.T @ (w * x * values)
        weighted[block, block] += values.T @ (w * x * s * values)
        stiffness[block, block] += slopes.T @ (w * x * slopes)
        centrifugal[block, block] += values.T @ (w / x * values)
    return Discretisation(
        v, edges, offsets, mass, stiffness, centrifugal, weighted, points, weights
    )


def values_at_points(mesh: Discretisation, vector: Array) -> Array:
    """Field at the Gauss points (m, q) of a nodal vector (n,)."""
    out = np.empty_like(mesh.points)
    for i, (first, last) in enumerate(zip(mesh.offsets[:-1], mesh.offsets[1:], strict=True)):
        values, _ = _basis(int(last - first), out.shape[1])
        out[i] = values @ vector[first : last + 1]
    return out


def ratio(order: int, x: float) -> float:
    """K_{l-1}(x)/K_l(x) for order l >= 0, x > 0, by upward recurrence, which is stable for K."""
    out = k0_over_k1(x)
    if order == 0:
        return 1.0 / out
    for j in range(1, order):
        out = 1.0 / (out + 2.0 * j / x)
    return out


def log_k(order: int, x: Array) -> Array:
    """log K_l(x), free of overflow for any order and x > 0."""
    zeroth, first = scaled_k01(x)
    out: Array = np.log(zeroth) - x
    step: Array = zeroth / first
    for j in range(1, order + 1):
        out = out - np.log(step)
        step = 1.0 / (step + 2.0 * j / x)
    return out


def edge_slope(order: int, w: float) -> float:
    """delta = w K_{l-1}(w)/K_l(w): what the logarithmic slope at the edge has beyond -l."""
    return w * ratio(order, w)


def tail_power(order: int, w: float) -> float:
    """Integral of K_l(t)^2 t dt from w on, divided by K_l(w)^2 (A&S 11.3.29 with 9.6.26)."""
    delta = edge_slope(order, w)
    return 0.5 * (delta * (delta + 2.0 * order) - w * w)


def _first(mesh: Discretisation, order: int) -> int:
    """The first node at which the field is not 0: on the axis it is for l > 0, and see DARK."""
    if order == 0:
        return 0
    u = np.clip(mesh.v * mesh.edges[1:-1] / order, None, 1.0)
    dark = order * (np.arccosh(1.0 / u) - np.sqrt(1.0 - u * u)) > DARK
    return int(mesh.offsets[np.count_nonzero(dark)]) + 1


def _stiffness(mesh: Discretisation, order: int) -> tuple[slice, Array]:
    """Active nodes and K on them."""
    active = slice(_first(mesh, order), None)
    matrix = mesh.stiffness[active, active] + order**2 * mesh.centrifugal[active, active]
    matrix[-1, -1] += order
    return active, matrix


def _reduced(matrix: Array, mass: Array) -> tuple[Array, Array]:
    """(B, L) of the problem A v = x M v as B y = x y, M = L L^T and y = L^T v (Golub and Van Loan,
    Matrix Computations, sec. 8.7.2)."""
    factor = np.asarray(np.linalg.cholesky(mass), dtype=np.float64)
    half = np.linalg.solve(factor, matrix)
    whole = np.linalg.solve(factor, half.T)
    return (whole + whole.T) / 2, factor


def guided(mesh: Discretisation, order: int) -> list[tuple[float, Array]]:
    """(W^2, nodal vector (n,)) of every guided mode of azimuthal order `order`, highest first."""
    active, stiff = _stiffness(mesh, order)
    reduced, factor = _reduced(
        mesh.v**2 * mesh.weighted[active, active] - stiff, mesh.mass[active, active]
    )
    low, turned = np.linalg.eigh(reduced)
    vectors = np.linalg.solve(factor.T, turned)
    levels, vectors = low[::-1], vectors[:, ::-1]
    edge, outer = vectors[-1], float(mesh.edges[-1])
    count = int(np.count_nonzero(levels > ROUNDING * mesh.v**2))
    found = []
    for p in range(count):
        drop = _drop(levels, edge**2, p, order, outer)
        w2 = float(levels[p]) - drop
        if p == count - 1 and w2 < 0.01 * levels[p]:
            w2 = _weakest(levels, edge**2, p, order, outer)
            drop = float(levels[p]) - w2
        if w2 < SMALLEST_W2:
            continue
        others = np.arange(levels.size) != p
        share = np.zeros_like(levels)
        share[p] = 1.0
        if edge[p] != 0.0:
            share[others] = drop / edge[p] * edge[others] / (levels[others] - w2)
        vector = np.zeros(mesh.mass.shape[0])
        vector[active] = vectors @ share
        found.append((w2, vector))
    return found


def _drop(levels: Array, squares: Array, p: int, order: int, outer: float) -> float:
    """levels[p] - W^2: root of the secular equation, solved in the drop to keep small ones."""
    gap = np.delete(levels, p) - levels[p]
    rest = np.delete(squares, p)
    follows = float(levels[p + 1]) if p + 1 < levels.size else 0.0
    # Closer than this to the next level the two are decoupled (its edge value is rounding).
    top = (float(levels[p]) - max(follows, 0.0)) * (1.0 - 1e-12)

    def secular(t: float) -> float:
        w2 = float(levels[p]) - t
        inverse = 1.0 / edge_slope(order, outer * math.sqrt(w2))
        return float(t * (inverse - np.sum(rest / (gap + t))) - squares[p])

    if squares[p] == 0.0:
        return 0.0
    guess = min(squares[p] * edge_slope(order, outer * math.sqrt(levels[p])), 0.5 * top)
    low, high = 0.5 * guess, 2.0 * guess
    while secular(low) > 0.0:
        low *= 0.1
    while secular(high) < 0.0:
        if high >= top:
            return top
        high = min(10.0 * high, top)
    return root_between(secular, low, high, xtol=1e-300, rtol=1e-14)


def _weakest(levels: Array, squares: Array, p: int, order: int, outer: float) -> float:
    """W^2 of a mode close to its cut-off, solved in log W^2; 0 when below SMALLEST_W2."""

    def secular(log_w2: float) -> float:
        w2 = math.exp(log_w2)
        inverse = 1.0 / edge_slope(order, outer * math.sqrt(w2))
        return float(np.sum(squares / (levels - w2)) - inverse)

    low, high = math.log(SMALLEST_W2), math.log(float(levels[p]) * 0.5)
    if secular(low) > 0.0 or secular(high) < 0.0:
        return 0.0
    return math.exp(root_between(secular, low, high, xtol=1e-14, rtol=1e-14))


def cutoffs(mesh: Discretisation, order: int) -> Array:
    """Cut-off V of every radial order that the mesh resolves, ascending: K v = V^2 P v at W = 0.

    For l = 0 a constant has no stiffness, so v = y + constant with y = 0 at the edge and the sum
    of the equations, 1.P v = 0, takes the constant out. LP01 is never cut off where the area
    integral of s is not negative (Simon, Ann. Phys. 97, 279, 1976, on binding in two dimensions).
    """
    active, stiff = _stiffness(mesh, order)
    weighted = mesh.weighted[active, active]
    always: list[float] = []
    if order == 0:
        row = weighted.sum(axis=1)
        total = float(row.sum())
        # A mean of 0 would divide by 0; the shift moves the other cut-offs as little as itself.
        least = MEAN_FLOOR * float(mesh.mass.sum())
        if total > -least:
            always, total = [0.0], max(total, least)
        stiff, row = stiff[:-1, :-1], row[:-1]
        weighted = weighted[:-1, :-1] - np.outer(row, row) / total
    inverse = np.linalg.eigvalsh(_reduced(weighted, stiff)[0])[::-1]
    return np.concatenate((always, 1.0 / np.sqrt(inverse[inverse > 0.0])))
