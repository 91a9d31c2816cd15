"""The bound of several scenarios whatever the phases of their wanted couplings.

Multipliers mu_i with Re<mu_i, c_i> >= r_i, r_i = |<t_i, c_i>|, for pure masks of the phase of
<t_i, mu_i> are as good at any other phases once they are turned there, so that

    sum over i of r_i <= max over phases d of F(d),
    F(d) = Re sum over i of exp(-i d_i) <mu_i, c0_i> + sum over pixels of
           max over states of Re sum over i of exp(-i d_i) conj(v_i) s_i.

F(d) is not evaluated on a grid, which several phases do not allow.  The states lie in a `Shape`:
strokes from -1 to 1 times e_k, or a disc, about a centre.  Then a pixel adds |x| for every stroke
or disc, x linear in the (cos d_i, sin d_i), and |x| <= x^2/(2 m) + m/2 for any m > 0, equal where
|x| = m.  That is a quadratic form u Q u of u = (cos d, sin d, 1), whose parts have length 1: with
any p, p_i for part i, u Q u = sum of p_i + u (Q - D(p)) u is at most the sum of p_i and (n + 1)
times the largest eigenvalue of Q - D(p), if that is above 0 (Shor's relaxation; Boyd and
Vandenberghe, Convex Optimization, sec. 5.9 and appendix B).  It is exact where the m are taken at
the maximum and F falls off from there.

Strokes have kinks that wander with the common phase, so that their m hold for a sector of it only:
with C = sum of exp(i d_i), arg C is within `width` of `middle`.  That is a quadratic and a linear
side condition of u, which take two more numbers, `along` and `ahead`, both >= 0.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from maskforge.base.arrays import Array, conj, constant, flat, namespace, on_host
from maskforge.launch.modulator import Complex
from maskforge.methods.states_for_all import Palette

Real = NDArray[np.float64]

STROKES = 8
"""Strokes at most: of 16 levels.  A disc around more costs 0.3 % of the amplitude."""

SAME = 1e-12
"""By which a state may miss the place that strokes give it: rounding."""

CHUNK = 2**20
"""Numbers at a time."""

CHUNK_THERE = 2**24
"""The same on a device, where few large steps are quicker."""

SHARP = 0.02, 0.5
"""Least m of a stroke, of the most that x can be: in narrow sectors, and times their sine."""

DISC = 1e-3
"""Least m of a disc, of what its scenarios add."""

LARGEST = 1e100
"""Of weights: beyond, their products are no numbers."""

CENTRED = 0.01
"""Newton's decrement at which a weight's minimum is near enough."""

SHRINK, ENDED = 0.03, 1e-6
"""The barrier's weight: by how much it falls, and the share of the bound at which it has."""


@dataclass(frozen=True, eq=False)
class Shape:
    """Where the states of n scenarios lie: s_i = centre_i + sum over k of x_k e_ki + rest_i.

    `strokes` (k, n): |x_k| <= 1 and real; or, `is_disc`, one x that is complex.  |rest_i| <= `rest`
    (n,), and differs from state to state.
    """

    centre: Complex
    strokes: Complex
    is_disc: bool
    rest: Real


def shape_of(palette: Palette, count: int, *, blurred: bool = False) -> Shape | None:
    """The least shape known around the states in `count` scenarios; None: none is known.

    `blurred`: with crosstalk, which leaves nothing but the disc of the largest amplitude, and
    not even that one where a state's factors differ from scenario to scenario.
    """
    values = np.broadcast_to(palette.values, (count, palette.values.shape[1]))
    none = np.zeros(count)
    if blurred:
        radius = np.full((1, count), np.abs(values).max(), dtype=complex)
        return Shape(none.astype(complex), radius, True, none) if palette.is_shared else None
    if values.shape[1] == 2:
        middle, half = values.mean(axis=1), (values[:, 1] - values[:, 0]) / 2
        return Shape(np.asarray(middle), half[None], False, none)
    if palette.is_shared and values.shape[1] <= 2 * STROKES:
        strokes = _strokes(values[0])
        if strokes is not None:
            centre, edges = strokes
            return Shape(
                np.full(count, centre, dtype=complex), np.outer(edges, none + 1), False, none
            )
    return _disc(values)


def _strokes(values: Complex) -> tuple[complex, Complex] | None:
    """(centre, half edges) of a polygon of states that is its own image at its centre."""
    centre = complex(values.mean())
    if values.size % 2:
        return None
    edges = (np.roll(values, -1) - values)[: values.size // 2] / 2
    count = edges.size
    signs = 1 - 2 * ((np.arange(2**count)[:, None] >> np.arange(count)) & 1)
    far = np.abs((signs @ edges)[:, None] - (values - centre)).min(axis=0)
    return (centre, edges) if np.all(far < SAME) else None


def _disc(values: Complex) -> Shape:
    """About the first scenario's states, and as like it as can be in the others."""
    first, ones = values[0], np.ones(values.shape[1])
    centre = 0j
    for step in range(1, 200):  # Badoiu and Clarkson: towards the farthest one
        centre += (first[np.argmax(np.abs(first - centre))] - centre) / (step + 1)
    centre = min((0j, complex(first.mean()), centre), key=lambda c: np.abs(first - c).max())
    frame = np.column_stack([first - centre, ones])
    fits = np.linalg.lstsq(frame, values.T, rcond=None)[0]
    if np.ptp(np.abs(values - first)) == 0:
        fits = np.outer([1, centre], np.ones(len(values)))
    rest = np.abs(values.T - frame @ fits).max(axis=0)
    return Shape(fits[1], fits[:1] * np.abs(first - centre).max(), True, rest)


@dataclass(frozen=True, eq=False)
class Form:
    """A quadratic form (2 n + 1, 2 n + 1) and a number, whose sum is at least F in a sector.

    `cone`, `half`: (the same shape) side conditions u S u >= 0 that hold in it.
    """

    whole: Real
    constant: float
    cone: Real
    half: Real

    @property
    def count(self) -> int:
        return len(self.whole) // 2

    def conditions(self) -> Real:
        """What the numbers of a `Sector` multiply (n + 3, 2 n + 1, 2 n + 1)."""
        n = self.count
        out = np.zeros((n + 3, 2 * n + 1, 2 * n + 1))
        for part in range(n):
            out[part, part, part] = out[part, n + part, n + part] = 1
        out[n, -1, -1] = 1
        out[n + 1], out[n + 2] = -self.cone, -self.half
        return out

    def bound(self, weights: Real) -> float:
        """The largest F in the sector that weights (n + 3,) prove; infinite where they do not."""
        n = self.count
        if not np.all(np.isfinite(weights)) or np.any(weights[n + 1 :] < 0):
            return np.inf
        if not (np.all(np.isfinite(self.whole)) and np.isfinite(self.constant)):
            return np.inf
        if np.max(np.abs(weights)) > LARGEST:
            return np.inf
        left = self.whole - np.tensordot(weights, self.conditions(), 1)
        left = (left + left.T) / 2
        if not np.all(np.abs(left) < LARGEST):
            return np.inf
        # that none is above 0 is the proof's side condition: what it is short of costs, and so does
        # what rounding may hide
        hidden = len(left) * np.finfo(float).eps * float(np.linalg.norm(left))
        highest = max(float(np.linalg.eigvalsh(left)[-1]) + hidden, 0.0)
        return self.constant + float(weights[: n + 1].sum()) + (n + 1) * highest


def form_of(
    backs: Sequence[Array], gaps: Complex, shape: Shape, middle: float, width: float
) -> Form:
    """The form in a sector of the common phase.

    `backs`: v of every scenario, on any device; `gaps` (n,): <mu_i, c0_i>.
    """
    count, xp = len(backs), namespace(backs[0])
    asked = [flat(conj(back)) for back in backs]
    turn = complex(np.exp(1j * middle))
    sums = [complex(xp.sum(v)) for v in asked]
    fixed = gaps + np.array([v * s for v, s in zip(sums, shape.centre, strict=True)])
    rest = [r * float(xp.sum(xp.abs(v))) for v, r in zip(asked, shape.rest, strict=True) if r > 0]
    total = float(sum(rest))
    whole = np.zeros((2 * count + 1, 2 * count + 1))
    least = DISC if shape.is_disc else max(SHARP[0], SHARP[1] * math.sin(min(width, np.pi / 2)))
    for rows in _rows(asked, shape):
        real, imag = xp.real(rows), xp.imag(rows)
        here = turn.conjugate() * xp.sum(rows, axis=0)
        near = least * xp.sum(xp.abs(rows), axis=0)
        if shape.is_disc:
            size = xp.sqrt(xp.abs(here) ** 2 + near**2) + 1e-300
            seen = [xp.concat([real, imag]), xp.concat([imag, -real])]
        else:
            size = xp.sqrt(xp.real(here) ** 2 + near**2) + 1e-300
            seen = [xp.concat([real, imag])]
        total += float(xp.sum(size)) / 2
        for one in seen:
            whole[:-1, :-1] += on_host((one / (2 * size)) @ one.T)
    whole[-1, :-1] = whole[:-1, -1] = np.concatenate([fixed.real, fixed.imag]) / 2
    return Form(whole, total, *_sector(count, middle, width))


def _rows(asked: Sequence[Array], shape: Shape) -> Iterator[Array]:
    """conj(v_i) e_ki (n, some) of some pixels and one stroke at a time."""
    xp, chunk = namespace(asked[0]), CHUNK if isinstance(asked[0], np.ndarray) else CHUNK_THERE
    step, size = max(1, chunk // len(asked)), asked[0].shape[0]
    for start in range(0, size, step):
        part = xp.stack([v[start : min(start + step, size)] for v in asked])
        for stroke in shape.strokes:
            yield part * constant(stroke, part)[:, None]


def _sector(count: int, middle: float, width: float) -> tuple[Real, Real]:
    shape = (2 * count + 1, 2 * count + 1)
    if width >= np.pi:
        return np.zeros(shape), np.zeros(shape)
    cos, sin = np.full(count, np.cos(middle) / count), np.full(count, np.sin(middle) / count)
    along = np.concatenate([cos, sin, [0.0]])
    across = np.concatenate([-sin, cos, [0.0]])
    cone = np.sin(width) ** 2 * np.outer(along, along) - np.cos(width) ** 2 * np.outer(
        across, across
    )
    half = np.zeros(shape)
    half[-1] = half[:, -1] = along / 2
    return cone, half


def weighed(form: Form) -> Real:
    """Weights (n + 3,) with nearly the least bound: a barrier's path (sec. 11.3 of the book)."""
    n = form.count
    conditions = form.conditions()
    # around the whole circle there are no side conditions
    used = np.arange(n + 3 if np.any(form.half) else n + 1)
    scale = max(float(np.linalg.eigvalsh(form.whole)[-1]), 1e-300)
    cost = np.where(used <= n, 1.0, 0.0)
    weights = np.where(used <= n, 2.0 * scale, 0.01 * scale)
    # all that the side conditions may add stays below
    share = 0.1 * scale
    while share > ENDED * scale:
        weights = _centred(form.whole, conditions[used], cost, weights, share)
        share *= SHRINK
    out = np.zeros(n + 3)
    out[used] = weights
    return out


def _centred(whole: Real, conditions: Real, cost: Real, weights: Real, share: float) -> Real:
    """Newton's method on cost . p / share - log det(D(p) - Q) - sum of log of the signed ones."""
    signed = cost == 0
    value, inverse = _barrier(whole, conditions, cost, weights, share)
    for _ in range(30):
        turned = np.einsum("ab,jbc->jac", inverse, conditions)
        slope = cost / share - np.einsum("jaa->j", turned)
        curve = np.einsum("jab,kba->jk", turned, turned)
        slope[signed] -= 1 / weights[signed]
        curve[signed, signed] += 1 / weights[signed] ** 2
        try:
            root = _inverse_root(curve)
        except np.linalg.LinAlgError:
            break
        step = -root.T @ (root @ slope)
        gain = -float(slope @ step)
        if not gain > CENTRED:
            break
        far = 1.0
        while far > 1e-8:
            lower, tried = _barrier(whole, conditions, cost, weights + far * step, share)
            if lower < value - 0.1 * far * gain:
                break
            far /= 2
        else:
            break
        weights, value, inverse = weights + far * step, lower, tried
    return weights


def _barrier(
    whole: Real, conditions: Real, cost: Real, weights: Real, share: float
) -> tuple[float, Real]:
    left = np.tensordot(weights, conditions, 1) - whole
    signed = weights[cost == 0]
    if np.any(signed <= 0) or not np.all(np.isfinite(left)):
        return np.inf, left
    try:
        root = _inverse_root((left + left.T) / 2)
    except np.linalg.LinAlgError:
        return np.inf, left
    value = float(cost @ weights) / share + 2 * float(np.log(np.diag(root)).sum())
    return value - float(np.log(signed).sum()), root.T @ root


def _inverse_root(matrix: Real) -> Real:
    """The inverse of the Cholesky factor: LinAlgError where a matrix is not positive."""
    return np.linalg.inv(np.linalg.cholesky(matrix))
