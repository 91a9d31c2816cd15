"""The dual of a mask design in its multipliers, smoothed, and Newton's method on it.

Maximising Re<t, c> over the hull of the alphabet's values with |c - t<t, c>| <= kappa Re<t, c> has
the convex dual (Boyd and Vandenberghe, Convex Optimization, sec. 5.1)

    F(z) = Re<mu, c0> + sum over pixels of h(conj(a_x w_x) mu),  mu = (1 + kappa |z|) t - z

with z orthogonal to t, whose gradient is kappa Re<t, c> z/|z| - (c - t<t, c>): at the minimum the
purity is met with equality.  h, the support function of the hull, has kinks; each |x| in it becomes
sqrt(x^2 + d^2), d shrinking.  Complex vectors stand as (Re, Im), 2 K long, so that Re<a, b> is a
product of reals.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import ClassVar, Protocol, Self

import numpy as np
from numpy.typing import NDArray

from maskforge.base.arrays import Array, beside, contiguous, is_cupy, namespace, on_host, smoothed

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]
FastReal = NDArray[np.float32]

STEPS, CURVATURES = 36, 8
"""Steps, and second derivatives, at one smoothing at most."""

REUSE = 0.5
"""Of the decrease promised before: while a step promises less, the second derivative still fits."""

SHORT = 1 / 8
"""Of a step: after so short a one the second derivative may be one smoothed further."""

DECREMENT = 1e-5
"""Of F, for blocks of pixels, which are no better than this."""

SUFFICIENT = 1e-4
"""Armijo's share of the promised decrease (Nocedal and Wright, Numerical Optimization, 3.1)."""

FAR = 2.0
"""A step is no longer than this many times 1 + |z|: where the curvature fades it says little."""

LARGE = 256
"""Equations: of fewer, NumPy's inverse of the factor solves them as fast as SciPy."""

FARTHEST = 1e6
"""|z| beyond which single precision tells nothing: next to no light is left at the purity there."""

NEGLIGIBLE = 0.02
"""Terms of a curvature below this share of the largest are left out of the second derivative."""


def real_of(vector: Complex) -> Real:
    return np.concatenate([vector.real, vector.imag])


def complex_of(vector: Real) -> Complex:
    half = vector.size // 2
    return np.asarray(vector[:half] + 1j * vector[half:])


SOFT = 3e-3
"""|z| stands as sqrt(|z|^2 + SOFT^2), or Newton's method sticks to the cone's tip at z = 0.  Any
nu above |z| gives a bound; this one costs it at most kappa SOFT of Re<t, c>, 1e-4 at 0.999.
"""


def smooth_length(point: Real) -> float:
    return float(np.sqrt(point @ point + SOFT**2))


def _excess(point: Real) -> float:
    return smooth_length(point) - float(np.linalg.norm(point))


class Smooth(Protocol):
    """F's pixels, smoothed (`BlockModel`, `polygon_blocks.CornerModel`).

    `wider`: by how much the second derivative is smoothed further where steps are short.
    """

    @property
    def real(self) -> Array: ...
    @property
    def wider(self) -> float: ...
    def value(self, multipliers: Real, width: float) -> tuple[float, Real]: ...
    def curvature(self, multipliers: Real, width: float) -> Array: ...


class Conditions(Protocol):
    """Targets and asked purity of one scenario (`Side`) or of several (`dual_of_scenarios.Sides`).

    A point holds every scenario's z, the couplings every scenario's c, one after the other;
    `blocks` is where in a point each scenario's part stands.  Arrays (n,) have a number for each.
    """

    @property
    def target(self) -> Real: ...
    @property
    def kappa(self) -> float: ...
    @property
    def blocks(self) -> tuple[slice, ...]: ...
    def with_kappa(self, kappa: float) -> Self: ...
    def multipliers(self, point: Real) -> Real: ...
    def certificate(self, point: Real) -> Real: ...
    def outset(self, couplings: Real, length: float) -> Real: ...
    def outward(self, point: Real) -> Real: ...
    def reduced(self, changes: Array) -> Array: ...
    def split(self, couplings: Real) -> tuple[Real, Real, Real]: ...
    def turn(self, couplings: Real) -> Real: ...
    def turned(self, angle: Real) -> Self: ...
    def gradient(self, point: Real, couplings: Real) -> Real: ...
    def curvature(self, point: Real, couplings: Real, inner: Array) -> Real: ...


@dataclass(frozen=True, eq=False)
class Side:
    """One target and purity: t (2 K,), the complement of t and i t (2 K, 2 K - 2), and kappa.

    `angle`: by how much it was `turned` since it was made, rad.
    """

    target: Real
    complement: Real
    kappa: float
    angle: float = 0.0

    @property
    def blocks(self) -> tuple[slice, ...]:
        return (slice(0, self.complement.shape[1]),)

    def with_kappa(self, kappa: float) -> "Side":
        """The same side at another purity."""
        return replace(self, kappa=kappa)

    def multipliers(self, point: Real) -> Real:
        """mu (2 K,) of z, given in the complement's coordinates (2 K - 2,)."""
        slack = 1 + self.kappa * smooth_length(point)
        return np.asarray(slack * self.target - self.complement @ point)

    def certificate(self, point: Real) -> Real:
        """The multipliers with |z| itself, which the bound is least with."""
        return np.asarray(self.multipliers(point) - self.kappa * self.target * _excess(point))

    def point(self, multipliers: Real) -> Real:
        """z of multipliers, which it turns and scales so that `multipliers` gives them back."""
        point = -(self.complement.T @ multipliers)
        along = float(self.target @ multipliers) - self.kappa * float(np.linalg.norm(point))
        return np.asarray(point / along)

    def outset(self, couplings: Real, length: float) -> Real:
        """A first z of this length, along what of the couplings is unwanted."""
        rest = self.complement.T @ couplings
        return np.asarray(length * rest / max(float(np.linalg.norm(rest)), 1e-300))

    def outward(self, point: Real) -> Real:
        """Direction of z: where the unwanted coupling that is allowed should lie."""
        return np.asarray(point / max(float(np.linalg.norm(point)), 1e-300))

    def split(self, couplings: Real) -> tuple[Real, Real, Real]:
        """(rest in the complement's coordinates, its length, the target's coupling) of couplings.

        The target's power counts with either phase; the rest is what the complement holds.
        """
        rest = self.complement.T @ couplings
        missed = float(np.linalg.norm(rest))
        wanted = math.sqrt(max(float(couplings @ couplings) - missed**2, 1e-300))
        return rest, np.array([missed]), np.array([wanted])

    def turn(self, couplings: Real) -> Real:
        """Phase (1,) of the target's coupling against the target's own, rad."""
        return np.array([np.angle(np.vdot(complex_of(self.target), complex_of(couplings)))])

    def turned(self, angle: float | Real) -> "Side":
        """The same side for the target times exp(i angle)."""
        whole = np.column_stack([self.target, self.complement])
        half = len(whole) // 2
        turn = np.exp(1j * angle) * (whole[:half] + 1j * whole[half:])
        both = np.vstack([turn.real, turn.imag])
        by = self.angle + float(np.ravel(angle)[0])
        return Side(both[:, 0].copy(), np.ascontiguousarray(both[:, 1:]), self.kappa, by)

    def reduced(self, changes: Array) -> Array:
        """Changes of couplings (n, 2 K) in the complement's coordinates (n, 2 K - 2)."""
        # what is rounding would make squares too small for single precision, and those are slow
        across = np.where(np.abs(self.complement) < HARDLY, 0.0, self.complement)
        return contiguous(changes @ beside(across.astype(np.float32), changes))

    def gradient(self, point: Real, couplings: Real) -> Real:
        """Of F at `point`, whose mask has `couplings` (2 K,)."""
        outward = point / smooth_length(point)
        along = self.kappa * float(self.target @ couplings)
        return np.asarray(along * outward - self.complement.T @ couplings)

    def slope(self, point: Real) -> Real:
        """Derivative (2 K, 2 K - 2) of the multipliers."""
        outward = point / smooth_length(point)
        return np.asarray(self.kappa * np.outer(self.target, outward) - self.complement)

    def cone(self, point: Real, couplings: Real) -> Real:
        """Second derivative of F by that of |z| alone."""
        length = smooth_length(point)
        outward = point / length
        along = self.kappa * max(float(self.target @ couplings), 0.0) / length
        return np.asarray(along * (np.eye(point.size) - np.outer(outward, outward)))

    def curvature(self, point: Real, couplings: Real, inner: Array) -> Real:
        """Second derivative of F from that in the multipliers, `inner` (2 K, 2 K)."""
        # of 500 modes these products, not those over the pixels, take longest
        slope = beside(self.slope(point), inner)
        return on_host(slope.T @ inner @ slope) + self.cone(point, couplings)


HARDLY = 1e-9
"""Of the complement's unit columns: less is nothing in single precision."""

TINIEST = 1e-30
"""A shift of a matrix whose trace is nothing."""


def kappa_of(purity: float) -> float:
    """What a purity P allows: unwanted coupling up to kappa = sqrt(1/P - 1) of the wanted one."""
    return math.sqrt(1 / purity - 1)


LEAST_PURITY = 1e-12


def missed_of(purity: float, kappa: float) -> float:
    """Unwanted coupling at a purity, as a multiple of what `kappa` allows."""
    return kappa_of(max(purity, LEAST_PURITY)) / kappa


def side_of(target: Complex, purity: float) -> Side:
    """The side conditions of a unit target (K,) and an asked purity."""
    full, _ = np.linalg.qr(np.column_stack([target, np.eye(target.size)]))
    rest = full[:, 1 : target.size]
    complement = np.block([[rest.real, -rest.imag], [rest.imag, rest.real]])
    return Side(real_of(target), complement, kappa_of(purity))


@dataclass(frozen=True, eq=False)
class BlockModel:
    """F's pixels: radius * sum of |x|, x = real . mu + offset (+ i imag . mu), and `fixed` . mu.

    `real`, `imag` (n, 2 K): without `imag` the terms are kinks of a line, with it of a disc; they
    and `offset` are on the launch's device.
    """

    real: Array
    imag: Array | None
    radius: float
    fixed: Real
    offset: Array | None = None
    wider: ClassVar[float] = 1.0

    def value(self, multipliers: Real, width: float) -> tuple[float, Real]:
        """Smoothed F and the couplings (2 K,), its gradient in the multipliers."""
        x, y, square = self._terms(multipliers, width)
        xp = namespace(x)
        if y is None or self.imag is None:
            size = xp.sqrt(x * x + square)
            slope = (x / size) @ self.real
        else:
            size, along, across = smoothed(x, y, square)
            slope = along @ self.real
            slope = slope + across @ self.imag
        pixels = xp.sum(size, dtype=xp.float64, keepdims=True)
        # from a GPU at once: each answer is waited for
        found = on_host(xp.concat([pixels, xp.astype(slope, xp.float64)]))
        total = float(self.fixed @ multipliers) + self.radius * float(found[0])
        return total, self.fixed + self.radius * found[1:]

    def curvature(self, multipliers: Real, width: float) -> Array:
        """Second derivative (2 K, 2 K) of the smoothed F in the multipliers; on the device."""
        x, y, square = self._terms(multipliers, width)
        xp = namespace(x)
        if y is None or self.imag is None:
            return weighted(self.real, self.radius * width**2 / xp.sqrt(x * x + square) ** 3)
        if is_cupy(x):
            from maskforge.base.kernels import curved

            return curved(self.real, self.imag, x, y, width, self.radius)
        size = xp.sqrt(x * x + y * y + square)
        sharp = self.radius * width**2 / size**3
        length = xp.hypot(x, y)
        dark = length < 1e-6 * width
        bright = xp.astype(~dark, xp.float32)
        whole = xp.where(dark, xp.ones_like(length), length)
        cos, sin = xp.where(dark, xp.ones_like(x), x / whole), bright * y / whole
        around = cos[:, None] * self.imag - sin[:, None] * self.real
        real, imag = self.real, self.imag
        if isinstance(real, np.ndarray):
            near = sharp > NEGLIGIBLE * np.max(sharp)
            cos, sin, sharp, real, imag = (a[near] for a in (cos, sin, sharp, real, imag))
        along = cos[:, None] * real + sin[:, None] * imag
        return weighted(around, self.radius / size) + weighted(along, sharp)

    def _terms(self, multipliers: Real, width: float) -> tuple[Array, Array | None, float]:
        fast = beside(multipliers.astype(np.float32), self.real)
        x, square = self.real @ fast, float(np.float32(width) ** 2)
        if self.offset is not None:
            x += self.offset
        return x, None if self.imag is None else self.imag @ fast, square


def weighted(rows: Array, weights: Array) -> Array:
    """Sum (m, m) over rows (n, m) of their squares times `weights` (n,), all but the smallest, or
    all of them where it takes longer to choose."""
    xp = namespace(rows)
    if not isinstance(rows, np.ndarray):
        return xp.astype(rows.T @ (weights[:, None] * rows), xp.float64)
    near = weights > NEGLIGIBLE * xp.max(weights)
    part, some = (rows, weights) if bool(xp.all(near)) else (rows[near], weights[near])
    # of one array with itself the library makes half the products
    scaled = xp.sqrt(some)[:, None] * part
    return xp.astype(scaled.T @ scaled, xp.float64)


def newton(
    model: Smooth,
    side: Conditions,
    point: Real,
    width: float,
    *,
    decrement: float = DECREMENT,
    floor: float = 0.0,
) -> Real:
    """The point where the smoothed F is least, or where it no longer falls.

    A step that promises less than `decrement` of F ends the search, and so does F below `floor`.
    The second derivative, the dear part, serves for as long as whole steps with it still gain much.
    """
    value, couplings = model.value(side.multipliers(point), width)
    solved, before, made, wide = None, np.inf, 0, 1.0
    for _ in range(STEPS):
        gradient = side.gradient(point, couplings)
        if solved is None:
            made += 1
            inner = model.curvature(side.multipliers(point), wide * width)
            solved = solver(side.curvature(point, couplings, inner))
        step = -solved(gradient)
        promised = -float(gradient @ step)
        # below 0 there is no end: the purity is out of reach
        if value <= floor or not promised > decrement * abs(value):
            break
        far = float(np.linalg.norm(point))
        if far > FARTHEST:
            break
        share = min(1.0, FAR * (1 + far) / float(np.linalg.norm(step)))
        least = 1e-3 * share
        while share > least:
            tried = point + share * step
            lower, slope = model.value(side.multipliers(tried), width)
            if lower <= value - SUFFICIENT * share * promised:
                break
            share /= 2
        else:
            break
        if share < 1 or promised > REUSE * before:
            solved = None
        if share <= SHORT:
            wide *= model.wider
        elif share == 1:
            wide = max(1.0, wide / model.wider)
        point, value, couplings, before = tried, lower, slope, promised
        if solved is None and made == CURVATURES:
            break
    return point


def solver(matrix: Real) -> Callable[[Real], Real]:
    """Solves equations of a matrix that is positive but for rounding: single precision fed it."""
    shift = max(1e-6 * float(np.trace(matrix)) / len(matrix), TINIEST)
    while True:
        try:
            lower = np.linalg.cholesky(matrix + shift * np.eye(len(matrix)))
            break
        except np.linalg.LinAlgError:
            shift *= 10
    if len(matrix) > LARGE:
        # what gains by it there takes as long to load as a third of a short design
        from scipy.linalg import cho_solve

        return lambda right: np.asarray(cho_solve((lower, True), right))
    inverse = np.linalg.inv(lower)
    return lambda right: inverse.T @ (inverse @ right)
