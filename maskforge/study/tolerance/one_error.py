"""What errors of a bench cost: every mask under one error at a time, and the error that costs a
given purity."""

from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from maskforge.base.cluster import Cluster
from maskforge.base.device import CPU, Device, begin, device_of
from maskforge.base.errors import BenchError
from maskforge.base.processes import Workers, spread
from maskforge.base.ranges import BadValueError, Range
from maskforge.fiber.roots import root_between
from maskforge.launch.light import Real
from maskforge.launch.targets import Target
from maskforge.study.tolerance.causes import VALUES, Cause, Errors
from maskforge.study.tolerance.disturbed import Nominal, nominal
from maskforge.study.tolerance.mask_file import States, Study
from maskforge.study.tolerance.response import responses

LIMIT = 0.01
"""Loss of purity that errors are measured by, absolute."""

LOSSES = Range(1e-5, 0.5)
"""What such a loss may be: less is within rounding, more no mask in use loses."""

FARTHEST = (2.0, 4.0, 8.0)
"""Half-ranges up to which an error is searched for where the sweep does not reach the limit."""

CANDIDATES = 12
"""Masks that this search goes on with: those that would lose most if the sweep went on."""

COARSE, FINER = 0.33, 3
"""Of a step: where less costs the limit, which interpolation would miss by more than 2 %, the sweep
is made again over one step, and how often so."""

HALVINGS = 4
"""Of the range in which the first of them is looked for: to an error of 1/16 of it."""

FINE = 401
"""Points of the interpolated sweep on which crossings are looked for."""

NEAR = 0.02
"""How near an interpolated crossing is to the model's, mostly."""

EXACT = 1e-3
"""Of itself and of the half-range: how near the error found is."""

ALIKE = 0.01
"""Both signs cost the limit at errors that differ by less."""

MOST_HALVED = 6
"""Times that a half-range is halved which leads to no bench."""

SLOWEST = (
    *("crosstalk", "defocus", "wavelength", "alpha", "core_radius", "na"),
    *("dead_pixels", "flatness"),
)
"""Fields of the causes that take longest: they are begun first.  Those of the fibre, whose modes
are found anew for each value, last as long beside a GPU."""

Result = TypeVar("Result")


@dataclass(frozen=True, eq=False)
class Site:
    """What a process works on: a bench without errors, the targets and the masks' states."""

    start: Nominal
    targets: tuple[Target, ...]
    masks: States

    def figures(self, masks: Sequence[int], errors: Sequence[Errors]) -> Real:
        """Purity, group purity, efficiency (errors, masks, 3) of some masks, by index."""
        targets = [self.targets[index] for index in masks]
        return responses(self.start, targets, _Some(self.masks, masks), errors)


@dataclass(frozen=True, eq=False)
class _Some(Sequence[States]):
    """Some of the masks, still in their file."""

    masks: States
    which: Sequence[int]

    def __len__(self) -> int:
        return len(self.which)

    def __getitem__(self, place: int) -> States:  # type: ignore[override]
        return np.asarray(self.masks[self.which[place]])


@dataclass(frozen=True)
class ErrorLimit:
    """The error that costs the limit, in the cause's units.

    `value`: of the mask `worst` (index), signed; None where none was brought to it up to
    `searched`.  `both`: the other sign costs it as soon.  `median`: over the masks, None where half
    of them stay within the limit all over the sweep.
    """

    value: float | None
    worst: int
    searched: float
    both: bool
    median: float | None


@dataclass(frozen=True, eq=False)
class ErrorCurve:
    """One cause: `values` (n,) in its units, and the figures of every mask there, (n, masks)."""

    cause: Cause
    values: Real
    purity: Real
    group_purity: Real
    efficiency: Real
    limit: ErrorLimit

    @property
    def unharmed(self) -> int:
        """Place of the value 0."""
        return _zero(self.values)

    @property
    def ends(self) -> list[int]:
        """Places of the largest errors."""
        return [0, -1] if self.cause.signed else [-1]


def _zero(values: Real) -> int:
    return int(np.argmin(np.abs(values)))


# --- over processes --------------------------------------------------------------------------


def site_of(study: Study, seed: int, device: Device = CPU) -> Site:
    """The site of a study on a device; `seed`: of the random patterns."""
    return Site(nominal(study.bench, seed, device), study.targets, study.store.opened())


def worked(
    study: Study,
    seed: int,
    tasks: Sequence[Callable[[Site], Result]],
    jobs: Workers,
    device: Device = CPU,
) -> Generator[Result, None, None]:
    """Results of tasks in their order, over `jobs` processes of one thread each, or a cluster."""
    if isinstance(jobs, Cluster):
        study = replace(study, store=study.store.sent())
    start = partial(_starting, study, seed, device.name)
    yield from spread(start, partial(_here, study, seed, device), tasks, jobs)


def _here(study: Study, seed: int, device: Device) -> Callable[[Callable[[Site], Result]], Result]:
    device.begin()
    return _working(study, seed, device)


def _starting(study: Study, seed: int, device: str) -> Callable[[Callable[[Site], Result]], Result]:
    begin(device)
    return _working(study, seed, device_of(device))


def _working(
    study: Study, seed: int, device: Device
) -> Callable[[Callable[[Site], Result]], Result]:
    site = site_of(study, seed, device)
    return lambda task: device.holding(lambda: task(site))


# --- the sweep -------------------------------------------------------------------------------


def swept(
    study: Study,
    causes: Sequence[Cause],
    *,
    limit: float = LIMIT,
    seed: int = 0,
    jobs: Workers = 1,
    device: Device = CPU,
) -> Generator[ErrorCurve, None, None]:
    """A curve of each cause as it gets done, the slowest first; the same for any number of jobs.

    Raises BenchError where `limit` is none of LOSSES.
    """
    try:
        LOSSES(limit)
    except BadValueError as problem:
        raise BenchError(f"limit = {limit}: {problem.text}") from None
    rank = {field: place for place, field in enumerate(SLOWEST)}
    order = sorted(causes, key=lambda cause: rank.get(cause.field, len(rank)))
    tasks = [partial(curve_of, cause=c, limit=limit) for c in order]
    yield from worked(study, seed, tasks, jobs, device)


def curve_of(site: Site, cause: Cause, limit: float = LIMIT) -> ErrorCurve:
    """All masks under one cause, and what costs the limit.

    The half-range is halved where there is no bench with such an error.
    """
    for halved in range(MOST_HALVED + 1):
        try:
            found = _sweep(site, cause)
            break
        except BenchError:
            if halved == MOST_HALVED:
                raise
            cause = replace(cause, half_range=cause.half_range / 2)
    purity, group_purity, efficiency = (found[..., place] for place in range(3))
    costs = limit_of(site, cause, purity, limit)
    return ErrorCurve(cause, cause.values(VALUES), purity, group_purity, efficiency, costs)


def _sweep(site: Site, cause: Cause) -> Real:
    """Figures (n, masks, 3) of all masks at the values of a cause."""
    errors = [cause.errors(float(value)) for value in cause.values(VALUES)]
    return site.figures(range(len(site.targets)), errors)


# --- the error that costs the limit ----------------------------------------------------------


def limit_of(
    site: Site, cause: Cause, purity: Real, limit: float, *, finer: int = FINER
) -> ErrorLimit:
    """The smallest error that costs more than `limit`, from a sweep's purities (n, masks).

    Where the sweep reaches it, crossings are interpolated, after at most `finer` sweeps over less
    where its steps are too coarse, and that of the worst mask is then found by the model.  Else the
    model goes on with the masks that seem to lose most.
    """
    drop = purity[_zero(cause.values(VALUES))] - purity
    signs = (1.0, -1.0) if cause.signed else (1.0,)
    crossings = np.array([_crossings(cause, drop, sign, limit) for sign in signs])
    nearest = crossings.min(axis=0)
    worst = int(np.argmin(nearest))
    if not np.isfinite(nearest[worst]):
        return _farther(site, cause, purity, limit, signs)
    own = crossings[:, worst]
    sign, guess = signs[int(np.argmin(own))], float(own.min())
    median = float(np.median(nearest))
    middle = median if np.isfinite(median) else None
    values = cause.values(VALUES)
    step = float(values[1] - values[0])
    if guess < COARSE * step and finer:
        near = replace(cause, half_range=step)
        found = limit_of(site, near, _sweep(site, near)[..., 0], limit, finer=finer - 1)
        return replace(found, searched=cause.half_range, median=found.median or middle)
    lost = _Loss(site, cause, sign, purity[_zero(cause.values(VALUES))] - limit)
    low, high = guess * (1 - NEAR), guess * (1 + NEAR)
    while low > 0 and lost(worst, low) > 0:
        low = low / 2 if low > EXACT * cause.half_range else 0.0
    while lost(worst, high) <= 0 and high < guess + step:
        high *= 1 + NEAR
    both = len(signs) > 1 and bool(own.max() < guess * (1 + ALIKE))
    return ErrorLimit(sign * lost.root(worst, low, high), worst, cause.half_range, both, middle)


def _crossings(cause: Cause, drop: Real, sign: float, limit: float) -> Real:
    """Where the masks' interpolated losses first exceed the limit, (masks,), > 0; inf: nowhere.

    Between the first of the sweep's values that costs more and the one before it.
    """
    values = cause.values(VALUES)
    size = sign * values
    places = np.flatnonzero(size >= 0)[np.argsort(size[size >= 0])]
    over = drop[places] > limit
    first = np.maximum(np.argmax(over, axis=0), 1)
    fine = np.linspace(0.0, cause.half_range, FINE)[:, None]
    lost = _through(values, drop)(sign * fine[:, 0]) - limit
    inside = (fine >= size[places][first - 1]) & (lost > 0)
    place = np.maximum(np.argmax(inside, axis=0), 1)
    every = np.arange(drop.shape[1])
    before, after = lost[place - 1, every], lost[place, every]
    rise = np.where(after > before, after - before, 1.0)
    found = (place - 1 - before / rise) * (fine[1, 0] - fine[0, 0])
    return np.where(over.any(axis=0), np.maximum(found, 0.0), np.inf)


def _through(values: Real, found: Real) -> Callable[[ArrayLike], Real]:
    """The cubic spline through what was found (values, masks) at some values."""
    # takes as long to load as the rest, and the processes that sweep need it not
    from scipy.interpolate import CubicSpline

    spline: Callable[[ArrayLike], Real] = CubicSpline(values, found)
    return spline


class _Loss:
    """What errors of one sign cost masks beyond the limit, by the model; each asked for once.

    `allowed` (masks,): the purity to stay above.
    """

    def __init__(self, site: Site, cause: Cause, sign: float, allowed: Real) -> None:
        self._site, self._cause, self._sign, self._allowed = site, cause, sign, allowed
        self._known: dict[tuple[int, float], float] = {}

    def at(self, masks: Sequence[int], size: float) -> list[float]:
        """The losses of some masks (index) at an error of some size in units."""
        fresh = [mask for mask in masks if (mask, size) not in self._known]
        if fresh:
            errors = [self._cause.errors(self._sign * size)]
            purity = self._site.figures(fresh, errors)[0, :, 0]
            for mask, found in zip(fresh, purity, strict=True):
                self._known[mask, size] = float(self._allowed[mask] - found)
        return [self._known[mask, size] for mask in masks]

    def __call__(self, mask: int, size: float) -> float:
        return -1.0 if size == 0 else self.at([mask], size)[0]

    def root(self, mask: int, low: float, high: float) -> float:
        """The error that costs just the limit, between two that lie on either side of it."""
        for end, beyond in ((low, self(mask, low) >= 0), (high, self(mask, high) <= 0)):
            if beyond:
                return end
        exact = EXACT * self._cause.half_range
        return root_between(lambda size: self(mask, size), low, high, xtol=exact, rtol=EXACT)


def _farther(
    site: Site, cause: Cause, purity: Real, limit: float, signs: Sequence[float]
) -> ErrorLimit:
    """The search beyond the sweep, which brought no mask to the limit; each sign on its own."""
    values = cause.values(VALUES)
    unharmed, going_on = purity[_zero(values)], _through(values, purity)
    found: list[tuple[float, int, float]] = []
    searched: list[float] = []
    for sign in signs:
        drop = unharmed - going_on(sign * FARTHEST[0] * cause.half_range)
        candidates = [int(mask) for mask in np.argsort(-drop, kind="stable")[:CANDIDATES]]
        lost = _Loss(site, cause, sign, unharmed - limit)
        near = cause.half_range
        for far in (reach * cause.half_range for reach in FARTHEST):
            try:
                losses = lost.at(candidates, far)
            except BenchError:  # there is no such bench any more
                break
            if max(losses) > 0:
                mask, low, high = _first_over(lost, candidates, near, far)
                found.append((lost.root(mask, low, high), mask, sign))
                break
            near = far
        searched.append(near)
    if not found:
        least = unharmed - np.minimum(purity[0], purity[-1])
        return ErrorLimit(None, int(np.argmax(least)), min(searched), False, None)
    size, worst, sign = min(found)
    both = len(found) > 1 and max(found)[0] < size * (1 + ALIKE)
    return ErrorLimit(sign * size, worst, size, both, None)


def _first_over(
    lost: _Loss, masks: Sequence[int], low: float, high: float
) -> tuple[int, float, float]:
    """Which of some masks is over the limit first, and between which sizes of the error.

    None is at `low`, one at least at `high`.  Few are left soon; of those that go over together to
    a few percent it is the one that is then over most.
    """
    for _ in range(HALVINGS):
        over = [mask for mask, loss in zip(masks, lost.at(masks, high), strict=True) if loss > 0]
        if len(over) == 1:
            break
        middle = (low + high) / 2
        if max(lost.at(over, middle)) > 0:
            masks, high = over, middle
        else:
            masks, low = over, middle
    return max(masks, key=lambda mask: lost(mask, high)), low, high


def ranked(curves: Sequence[ErrorCurve]) -> NDArray[np.intp]:
    """The masks (index), the one that loses most purity over all sweeps first."""
    lost = sum(np.mean(curve.purity[curve.unharmed] - curve.purity, axis=0) for curve in curves)
    return np.argsort(-np.asarray(lost), kind="stable")
