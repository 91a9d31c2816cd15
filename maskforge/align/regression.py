"""Robust least squares of readings: scale, background and drift beside what is sought.

A reading of page i at time t is K S_i(theta) (1 + sum of d_k L_k(t)) + B with L_k Legendre's
polynomials over the time of the readings; S is the frame's signal.  With the beam blocked it is B.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.special import stdtrit

from maskforge.align.readings import NO_PAGE, Readings
from maskforge.base.errors import BenchError
from maskforge.launch.light import Real

Signal = Callable[[Real], Real]
"""Signals (pages,) of unknowns (n,), of any common scale."""

DRIFT = ((60, 3), (12, 1))
"""Readings from which on drift is a polynomial of this degree."""

SOFT = 2.0
"""Standard deviations from which on the first fit counts a reading less."""

AGAIN = 2
"""Times that the first fit is repeated with the noise that it found."""

WILD = 5.0
"""Standard deviations from which on a reading is left out: one in two million by chance."""

MOST_WILD = 0.1
"""Of the readings: where more are as far off, the model does not fit, and they are not wild."""

BRIGHT = 0.3
"""Of the highest signal: readings from here on are bright."""

MODEL = 1e-3
"""How far a model may be off, of the highest signal: dimmer readings are not trusted better."""

NORMAL = 0.6745
"""Median of the size of a normal number, in its standard deviation."""

ROUNDS = 4
"""Times that the readings' noise is estimated and the wild ones are left out."""

STEPS = 60
"""Of a search: those that find something take 5 to 30."""

STEP = 1e-6
"""Of a derivative by differences, in units of the scales: right to about 1e-6 of it."""

CONFIDENCE = 0.95

SIGNIFICANT = 5.0
"""Standard deviations that the scale K must have above nothing."""

SHARES = np.concatenate([[0.0], np.logspace(-3, 0, 16)])
"""Tried: constant noise at the largest reading, as a share of all the noise there."""


@dataclass(frozen=True, eq=False)
class Solution:
    """`theta` (n,) with its `covariance` (n, n); `spread` is what a standard deviation is to be
    multiplied by for the half-width of CONFIDENCE.

    Of the readings given, each (rows,): `fitted` in mW, `sigma`, the standard deviation that they
    are found to have, `kept`: whether they count.  `clean` (rows,): the readings without background
    and drift.  `signal` (pages,): of each page, in mW.
    """

    theta: Real
    covariance: Real
    spread: float
    fitted: Real
    sigma: Real
    kept: NDArray[np.bool_]
    clean: Real
    signal: Real

    @property
    def half_widths(self) -> Real:
        """Of the CONFIDENCE interval of each unknown."""
        return np.asarray(self.spread * np.sqrt(np.diag(self.covariance)))


@dataclass(frozen=True, eq=False)
class _Model:
    """The readings' model: unknowns theta, in units of `scales`, then K, K d_k, and B."""

    readings: Readings
    signal: Signal
    scales: Real
    drift: Real
    """(1 + degree, rows): L_k, and 0 with the beam blocked."""

    @property
    def own(self) -> int:
        return self.scales.size

    def seen(self, theta: Real) -> Real:
        """S of every reading."""
        values = self.signal(theta * self.scales)
        return np.asarray(np.where(self.readings.page == NO_PAGE, 0.0, values[self.readings.page]))

    def linear(self, seen: Real) -> Real:
        """What the readings are linear in, (rows, degree + 2)."""
        return np.concatenate([self.drift * seen, np.ones((1, seen.size))]).T

    def value(self, unknowns: Real) -> Real:
        theta, rest = np.split(unknowns, [self.own])
        return np.asarray(self.linear(self.seen(theta)) @ rest)

    def slopes(self, unknowns: Real) -> Real:
        """Derivatives of `value`, (rows, unknowns): differences in theta, exact in the rest."""
        theta, rest = np.split(unknowns, [self.own])
        gain, here = self.drift.T @ rest[:-1], self.seen(theta)
        steps = STEP * np.eye(self.own)
        columns = [gain * (self.seen(theta + step) - here) / STEP for step in steps]
        return np.column_stack([*columns, self.linear(here)])


def solve(
    readings: Readings, signal: Signal, starts: Sequence[Sequence[float]], scales: Sequence[float]
) -> Solution:
    """The unknowns that fit best from any of the starts; `scales`: how much of each is much.

    Raises BenchError where there are too few readings, or none that change with the frames.
    """
    model = _model(readings, _remembered(signal), np.array(scales, dtype=float))
    begun = [np.array(start, dtype=float) / model.scales for start in starts]
    try:
        # a search that goes astray ends as one that found nothing, without a word about overflow
        with np.errstate(all="ignore"):
            return _solved(model, [_begun(model, start) for start in begun])
    except (ValueError, np.linalg.LinAlgError):
        raise BenchError(LOST) from None


def _solved(model: _Model, begun: list[Real]) -> Solution:
    readings, count = model.readings, begun[0].size
    _check_count(len(readings), count)
    rough = np.full(len(readings), _noise_of(readings.power - model.value(begun[0])))
    soft = [_minimised(model, start, rough, loss="soft_l1") for start in begun]
    unknowns = min(soft, key=lambda found: found[1])[0]
    sigma, kept = rough, np.ones(len(readings), dtype=bool)
    for _ in range(AGAIN):
        # the first noise is that of the start, which may be far off, and nothing is wild then
        sigma = _noise(model, unknowns, kept)
        unknowns = _minimised(model, unknowns, sigma, loss="soft_l1")[0]
    for _ in range(ROUNDS):
        sigma = _noise(model, unknowns, kept)
        off = np.abs(readings.power - model.value(unknowns)) / sigma
        now = off <= max(WILD, float(np.quantile(off, 1 - MOST_WILD)))
        _check_count(int(np.count_nonzero(now)), count)
        unknowns = _minimised(model, unknowns, sigma, kept=now)[0]
        if np.array_equal(now, kept):
            break
        kept = now
    return _solution(model, unknowns, sigma, kept)


def _remembered(signal: Signal) -> Signal:
    """The same, the latest results kept: values and slopes are asked for at the same unknowns."""
    kept = lru_cache(maxsize=32)(lambda place: signal(np.frombuffer(place)))
    return lambda theta: kept(theta.tobytes())


LOST = (
    "the readings do not tell what is sought: is there light on the detector, do they belong to "
    "this stack, and are its frames all there?"
)

SINGULAR = 1e-9
"""Least singular value, of the largest, with which unknowns are told apart."""


def _model(readings: Readings, signal: Signal, scales: Real) -> _Model:
    degree = next((degree for rows, degree in DRIFT if len(readings) >= rows), 0)
    middle, half = readings.time.mean(), max(np.ptp(readings.time) / 2, 1e-9)
    shapes = np.polynomial.legendre.legvander((readings.time - middle) / half, degree).T
    return _Model(readings, signal, scales, shapes)


def _check_count(rows: int, unknowns: int) -> None:
    if rows <= unknowns:
        raise BenchError(f"{rows} readings that count, more than {unknowns} are needed")


def _begun(model: _Model, theta: Real) -> Real:
    """All unknowns, the linear ones by least squares."""
    columns = model.linear(model.seen(theta))
    rest = np.linalg.lstsq(columns, model.readings.power, rcond=None)[0]
    return np.concatenate([theta, rest])


def _noise_of(residual: Real) -> float:
    spread = float(np.median(np.abs(residual - np.median(residual))) / NORMAL)
    return spread or float(np.std(residual)) or 1.0


def _minimised(
    model: _Model,
    start: Real,
    sigma: Real,
    *,
    kept: NDArray[np.bool_] | None = None,
    loss: str = "linear",
) -> tuple[Real, float]:
    """(unknowns, cost) of weighted least squares from a start."""
    weight = np.where(kept, 1 / sigma, 0.0) if kept is not None else 1 / sigma

    def off(unknowns: Real) -> Real:
        return np.asarray((model.value(unknowns) - model.readings.power) * weight)

    def slopes(unknowns: Real) -> Real:
        return np.asarray(model.slopes(unknowns) * weight[:, None])

    found = least_squares(
        off, start, jac=slopes, x_scale="jac", loss=loss, f_scale=SOFT, max_nfev=STEPS
    )
    return np.asarray(found.x), float(found.cost)


def _noise(model: _Model, unknowns: Real, kept: NDArray[np.bool_]) -> Real:
    """Standard deviation of each reading: part of it constant, part of it grows with the power.

    The two parts that make the residuals likeliest, if their tails are those of Laplace's law,
    which a few wild ones do not pull away.
    """
    fitted = model.value(unknowns)
    residual = np.abs(model.readings.power - fitted)[kept]
    highest = float(np.max(np.abs(fitted - unknowns[-1])))
    if not highest > 0:
        raise BenchError(LOST)
    power = np.abs(fitted - unknowns[-1]) / highest
    best, least = np.ones(fitted.size), np.inf
    for share in SHARES[1:]:
        shape = np.sqrt(share**2 + (1 - share**2) * power**2)
        size = float(np.mean(residual / shape[kept]))
        if size == 0.0:
            break
        cost = shape[kept].size * np.log(size) + float(np.sum(np.log(shape[kept])))
        if cost < least:
            best, least = size * shape, cost
    # of a normal law, whatever the tails; without noise that is constant the dark readings, which
    # may be most, tell nothing of the bright ones
    typical = 0.0
    for some in (kept, kept & (power > BRIGHT)):
        if np.isfinite(least) and np.any(some):
            off = np.abs(model.readings.power - fitted)[some] / best[some]
            typical = max(typical, float(np.median(off)) / NORMAL)
    return np.hypot(typical * best, MODEL * highest)


def _covariance(slopes: Real) -> Real:
    """Inverse of slopes^T slopes, (rows, unknowns); BenchError where it has none."""
    norms = np.linalg.norm(slopes, axis=0)
    parts = np.zeros(1)
    if np.all(norms > 0) and np.all(np.isfinite(norms)):
        _, parts, axes = np.linalg.svd(slopes / norms, full_matrices=False)
    if parts[-1] <= SINGULAR * parts[0]:
        raise BenchError(LOST)
    root = axes / parts[:, None] / norms
    return np.asarray(root.T @ root)


def _solution(model: _Model, unknowns: Real, sigma: Real, kept: NDArray[np.bool_]) -> Solution:
    theta, rest = np.split(unknowns, [model.own])
    fitted = model.value(unknowns)
    free = int(np.count_nonzero(kept)) - unknowns.size
    residual = (model.readings.power - fitted) / sigma
    # larger where the model does not fit; where it does, what MODEL adds counts
    sigma = sigma * max(1.0, float(np.sqrt(np.sum(residual[kept] ** 2) / free)))
    slopes = (model.slopes(unknowns) / sigma[:, None])[kept]
    covariance = _covariance(slopes)
    scale, error = rest[0], np.sqrt(covariance[model.own, model.own])
    if not scale > SIGNIFICANT * error:
        raise BenchError(LOST)
    gain = model.drift.T @ rest[:-1] / scale
    own = slice(None, model.own)
    return Solution(
        theta=theta * model.scales,
        covariance=covariance[own, own] * np.outer(model.scales, model.scales),
        spread=float(stdtrit(free, (1 + CONFIDENCE) / 2)),
        fitted=fitted,
        sigma=sigma,
        kept=kept,
        clean=(model.readings.power - rest[-1]) / gain,
        signal=scale * model.signal(theta * model.scales),
    )
