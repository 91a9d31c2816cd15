"""The relaxed problem of a mask at one overall phase of its target, solved for the zoo's attacks.

Written without the package's designs, so that a mistake of theirs is not made again.  The couplings
of every pixel are summed directly, mode by mode, by the full model's adjoint.  In a basis that
begins with the target, c = fixed + sum over pixels of rows s; wanted is the largest Re c_0 with
norm(c_1...) <= kappa Re c_0, s in the hull of the states.  Its dual in z (one complex number for
each other mode) is

    F(z) = Re<mu, fixed> + sum over pixels of h(conj(rows) mu),  mu = (1 + kappa norm(z), -z),

h smoothed as width * log sum exp(Re(conj(v) s) / width) over the corners s, which gives each pixel
a share of every corner: at the least F those shares make a relaxed mask that is pure enough.
Another overall phase is the same problem with all corners, and what is fixed, turned back.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import LinAlgError, cho_factor, cho_solve

from maskforge.launch.couplings import Launch, back_propagated
from maskforge.launch.modulator import Alphabet, Levels
from maskforge.launch.targets import Target

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]
Index = NDArray[np.intp]

DARK = 1e-6
"""Of all pixels' amplitudes together: as much as this is left to pixels that stay as they are."""

CHUNK = 4096
"""Pixels evaluated at a time, so that the work arrays stay in the processor's cache."""

TIP = 1e-3
"""norm(z) stands as sqrt(norm(z)^2 + TIP^2), which keeps the relaxed mask pure enough."""

STEPS, HALVINGS = 30, 12
DECREMENT = 1e-8
"""Of F: a Newton step that promises less ends the search."""

REUSED = 0.3
"""Of the decrease promised before: while a step promises less, the second derivative still fits."""

FADED = 1e-4
"""Of the largest second derivative of a pixel: what is smaller is left out."""

RIDGE = 1e-9
"""Of the second derivative's mean: added where it is singular."""


@dataclass(frozen=True, eq=False)
class Field:
    """`rows` (P, K) of the pixels `index`, `fixed` (K,) of all else, and the corners' values (n,).

    `basis` (K, K): column 0 is the target; all couplings here are `basis^H c`.
    """

    rows: Complex
    fixed: Complex
    corners: Complex
    index: Index
    basis: Complex

    @property
    def weight(self) -> Real:
        return np.asarray(np.linalg.norm(self.rows, axis=1))

    def turned(self, phase: float) -> "Field":
        """The same problem for the target times exp(i phase)."""
        turn = np.exp(-1j * phase)
        return replace(self, fixed=self.fixed * turn, corners=self.corners * turn)

    def thinned(self, count: int) -> "Field":
        """With at most about `count` corners; the ends of a long edge stay."""
        size = self.corners.size
        if size <= count:
            return self
        edges = np.abs(np.roll(self.corners, -1) - self.corners)
        start = (int(np.argmax(edges)) + 1) % size
        some = np.unique(np.rint(np.linspace(0, size - 1, count)).astype(int))
        return replace(self, corners=np.roll(self.corners, -start)[some])

    def sampled(self, count: int, rng: np.random.Generator) -> "Field":
        """With about `count` of the pixels, the brighter the likelier, standing for all."""
        weight = self.weight
        if weight.size <= count:
            return self
        steps = np.cumsum(weight) / weight.sum() * count
        picked = np.flatnonzero(np.diff(np.floor(steps + rng.random()), prepend=0.0) > 0)
        share = count * weight[picked] / weight.sum()
        rows = self.rows[picked] / np.minimum(share, 1.0)[:, None]
        return replace(self, rows=rows, index=self.index[picked])


def field_of(launch: Launch, target: Target, states: Levels) -> Field:
    """The field of a launch and a target; pixels with hardly any light stay as in `states`."""
    # of a launch's modes, or of a device's outputs
    modes, alphabet = target.vector.size, launch.modulator.alphabet
    size = launch.incident.size
    rows = np.empty((size, modes), dtype=complex)
    for mode in range(modes):
        unit = np.zeros(modes, dtype=complex)
        unit[mode] = 1
        rows[:, mode] = np.conj(back_propagated(launch, unit)).ravel()
    whole, _ = np.linalg.qr(np.column_stack([target.vector, np.eye(modes)]))
    basis = np.column_stack([target.vector, whole[:, 1:modes]])
    rows, fixed = rows @ basis.conj(), basis.conj().T @ launch.gaps
    weight = np.linalg.norm(rows, axis=1)
    order = np.argsort(weight)
    dark = order[np.cumsum(weight[order]) < DARK * weight.sum()]
    lit = np.setdiff1d(np.arange(size), dark)
    fixed = fixed + alphabet.values[states.ravel()[dark]] @ rows[dark]
    return Field(rows[lit], fixed, corners_of(alphabet), lit, basis)


def corners_of(alphabet: Alphabet) -> Complex:
    """Values of the hull's corners, counter-clockwise."""
    return np.asarray(alphabet.values[alphabet.hull])


# --- the smoothed dual -----------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Point:
    """z (2 K - 2,) with F and the couplings there, and the second derivative where it was asked."""

    z: Real
    value: float
    found: Complex
    curvature: Real | None = None


def multipliers(z: Real, kappa: float) -> Complex:
    half = z.size // 2
    length = np.sqrt(z @ z + TIP**2)
    return np.concatenate([[1 + kappa * length], -(z[:half] + 1j * z[half:])])


def directions(field: Field, mu: Complex) -> Complex:
    """v (P,) of every pixel: conj(rows) mu."""
    return np.asarray(np.conj(field.rows @ np.conj(mu)))


def shares(v: Complex, corners: Complex, width: float) -> tuple[Real, Real]:
    """(smoothed h (P,), share of each corner (P, n))."""
    along = np.outer(v.real, corners.real) + np.outer(v.imag, corners.imag)
    top = along.max(axis=1)
    along -= top[:, None]
    share = np.exp(along / width)
    total = share.sum(axis=1)
    return top + width * np.log(total), share / total[:, None]


def evaluated(field: Field, kappa: float, z: Real, width: float, curved: bool = False) -> Point:
    """F at z, smoothed by `width`."""
    mu = multipliers(z, kappa)
    value, found = float(np.real(np.vdot(mu, field.fixed))), field.fixed.copy()
    v = directions(field, mu)
    modes = mu.size
    inner = np.zeros((2 * modes, 2 * modes))
    for first in range(0, v.size, CHUNK):
        part = slice(first, first + CHUNK)
        support, share = shares(v[part], field.corners, width)
        value += float(support.sum())
        mean = share @ field.corners
        found += mean @ field.rows[part]
        if curved:
            inner += _spread(field.rows[part], share, field.corners, mean) / width
    curvature = _reduced(z, kappa, found, inner) if curved else None
    return Point(z, value, found, curvature)


def _spread(rows: Complex, share: Real, corners: Complex, mean: Complex) -> Real:
    """Second derivative (2 K, 2 K) in (Re mu, Im mu) times the width."""
    x, y = corners.real, corners.imag
    xx = np.maximum(share @ x**2 - mean.real**2, 0)
    yy = np.maximum(share @ y**2 - mean.imag**2, 0)
    xy = share @ (x * y) - mean.real * mean.imag
    size = (xx + yy) * np.einsum("ij,ij->i", rows, rows.conj()).real
    near = size > FADED * max(float(size.max()), 1e-300)
    rows, xx, yy, xy = rows[near], xx[near], yy[near], xy[near]
    first = np.sqrt(np.maximum(xx, 1e-30))
    below = xy / first
    last = np.sqrt(np.maximum(yy - below**2, 0))
    real = np.hstack([rows.real, rows.imag])
    imag = np.hstack([-rows.imag, rows.real])
    one, two = first[:, None] * real + below[:, None] * imag, last[:, None] * imag
    return np.asarray(one.T @ one + two.T @ two)


def slope_of(z: Real, kappa: float) -> Real:
    """Derivative (2 K, 2 K - 2) of (Re mu, Im mu)."""
    half = z.size // 2
    out = np.zeros((2 * half + 2, 2 * half))
    out[0] = kappa * z / np.sqrt(z @ z + TIP**2)
    out[1 : half + 1, :half] = out[half + 2 :, half:] = -np.eye(half)
    return out


def gradient(point: Point, kappa: float) -> Real:
    real = np.concatenate([point.found.real, point.found.imag])
    return np.asarray(slope_of(point.z, kappa).T @ real)


def _reduced(z: Real, kappa: float, found: Complex, inner: Real) -> Real:
    slope, length = slope_of(z, kappa), np.sqrt(z @ z + TIP**2)
    cone = kappa * max(found[0].real, 0.0) / length
    cone = cone * (np.eye(z.size) - np.outer(z, z) / length**2)
    return np.asarray(slope.T @ inner @ slope + cone)


def least(field: Field, kappa: float, z: Real, width: float, floor: float = 0.0) -> Point:
    """The least smoothed F by Newton's method, or a point where F is below the floor.

    The second derivative, the dear part, serves for as long as whole steps still gain much.
    """
    point, curvature, before = evaluated(field, kappa, z, width), None, np.inf
    for _ in range(STEPS):
        if curvature is None:
            curvature = evaluated(field, kappa, point.z, width, curved=True).curvature
        slope = gradient(point, kappa)
        step = _solved(curvature, slope)
        promised = float(slope @ step)
        if point.value <= floor or promised < DECREMENT * point.value:
            break
        share = min(1.0, 3 * (1 + np.linalg.norm(point.z)) / np.linalg.norm(step))
        for _ in range(HALVINGS):
            tried = evaluated(field, kappa, point.z - share * step, width)
            if tried.value <= point.value - 1e-4 * share * promised:
                break
            share /= 2
        else:
            break
        if share < 1 or promised > REUSED * before:
            curvature = None
        point, before = tried, promised
    return point


def _solved(matrix: Real | None, slope: Real) -> Real:
    assert matrix is not None  # it was asked for
    ridge = RIDGE * np.trace(matrix) / len(matrix) * np.eye(len(matrix))
    while True:
        try:
            return np.asarray(cho_solve(cho_factor(matrix + ridge), slope))
        except LinAlgError:
            ridge *= 100
