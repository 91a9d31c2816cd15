"""The search of a plan: the waists of each lens and carrier, estimated where that saves time, and
the best of them proven."""

import math
from collections.abc import Callable, Generator, Sequence
from contextlib import closing
from dataclasses import replace
from functools import partial

import numpy as np
from scipy.optimize import minimize_scalar

from maskforge.base.processes import Workers, spread
from maskforge.bench import Bench
from maskforge.study.plan import (
    Fixed,
    Outcome,
    PlannedBounds,
    PlannedSetting,
    Refused,
    Row,
    evaluated,
    fixed_of,
    rounded_mm,
    setting_of,
    waists_like,
)

FINEST = 0.01
"""Relative: as near as a refined waist comes to the best; beams are not set better."""

FEW = 2
"""Beams of a lens and carrier that are all proven: an estimate would only come on top."""

LARGE = 2**17
"""Pixels from which on an estimate takes a third of the time of a proof; below, hardly less."""

MOST_TRIALS = 10
"""Of a lens's waist between its neighbours on the grid; golden sections take 9."""


Scale = Callable[[float], float]
"""A factor of a merit, by the logarithm of the waist in mm along the first axis."""


def explored(
    fixed: Fixed,
    rows: Sequence[Sequence[PlannedSetting]],
    by: str,
    *,
    fine: bool,
    jobs: Workers = 1,
    advanced: Callable[[], None] = lambda: None,
) -> Generator[Row, None, None]:
    """Every row as it gets done, over `jobs` processes on one thread each.

    `fine`: look between the waists of a row for the best one.  `advanced` is called as each of the
    settings gets done, before the first row is.
    """
    proven = not _estimates(fixed)
    tasks = [(setting, proven or len(row) <= FEW) for row in rows for setting in row]
    outcomes = spread(
        partial(_starting, fixed.bench, fixed.device.name),
        lambda: partial(_outcome, fixed),
        tasks,
        jobs,
    )
    grids = []
    with closing(outcomes):
        for row in rows:
            grid = []
            for _ in row:
                grid.append(next(outcomes))
                advanced()
            grids.append(tuple(grid))
    start = partial(_finishing, fixed.bench, fixed.device.name, by, fine)
    yield from spread(start, lambda: partial(_row, fixed, by, fine), grids, jobs)


def _estimates(fixed: Fixed) -> bool:
    """Whether bounds are estimated before the best are proven."""
    columns, rows = fixed.bench.modulator.pixels
    return columns * rows >= LARGE


def _starting(bench: Bench, device: str) -> Callable[[tuple[PlannedSetting, bool]], Outcome]:
    """What a process works on settings with."""
    return partial(_outcome, fixed_of(bench, device))


def _outcome(fixed: Fixed, task: tuple[PlannedSetting, bool]) -> Outcome:
    setting, certified = task
    return evaluated(fixed, setting, certified=certified)


def _finishing(
    bench: Bench, device: str, by: str, fine: bool
) -> Callable[[tuple[Outcome, ...]], Row]:
    """What a process works on rows with."""
    return partial(_row, fixed_of(bench, device), by, fine)


def _row(fixed: Fixed, by: str, fine: bool, grid: tuple[Outcome, ...]) -> Row:
    """A row of which the grid's waists are known: those between, and proofs of the best."""
    merits = [one.merit(by) if isinstance(one, PlannedBounds) else 0.0 for one in grid]
    best = int(np.argmax(merits))
    near = [
        one
        for one in grid[max(best - 1, 0) : best + 2]
        if isinstance(one, PlannedBounds) and not one.certified
    ]
    proven = [evaluated(fixed, one.setting) for one in near]
    if not merits[best]:
        return Row(grid, proven=tuple(proven))
    low, high = (grid[k].setting for k in (max(best - 1, 0), min(best + 1, len(grid) - 1)))
    if not fine or low == high:
        return Row(grid, proven=tuple(proven))
    scale = _scale(near, proven, by)
    between = refined(fixed, by, low, high, scale)
    tried = [one for one in between if isinstance(one, PlannedBounds) and not one.certified]
    if tried:
        found = max(tried, key=lambda one: one.merit(by) * scale(_log_waist(one)))
        proven.append(evaluated(fixed, found.setting))
    return Row(grid, between, tuple(proven))


def _log_waist(one: Outcome) -> float:
    assert one.setting.waists_mm is not None
    return math.log(one.setting.waists_mm[0])


def _scale(near: Sequence[PlannedBounds], proven: Sequence[Outcome], by: str) -> Scale:
    """What estimates of merit at a logarithm of the waist are to be multiplied with: a parabola
    through what neighbours were proven to have."""
    known = [
        (_log_waist(one), other.merit(by) / one.merit(by))
        for one, other in zip(near, proven, strict=True)
        if isinstance(other, PlannedBounds) and one.merit(by)
    ]
    if not known:
        return lambda logarithm: 1.0
    middle = known[len(known) // 2][0]
    places, ratios = np.array([place - middle for place, _ in known]), [one for _, one in known]
    curve = np.polyfit(places, ratios, len(known) - 1)
    return lambda logarithm: float(np.polyval(curve, logarithm - middle))


def refined(
    fixed: Fixed, by: str, low: PlannedSetting, high: PlannedSetting, scale: Scale
) -> tuple[Outcome, ...]:
    """The waists tried on the way to the best between those of two settings of a row.

    Their merits count times `scale`.  Golden sections and parabolas (Brent, Algorithms for
    Minimization without Derivatives, 1973).
    """
    assert low.waists_mm is not None
    assert high.waists_mm is not None
    own, certified = setting_of(fixed.bench), not _estimates(fixed)
    tried: dict[PlannedSetting, Outcome] = {}

    def missed(logarithm: float) -> float:
        waists = waists_like(own, rounded_mm(math.exp(logarithm)))
        setting = replace(low, waists_mm=waists)
        if setting not in tried:
            tried[setting] = evaluated(fixed, setting, certified=certified)
        outcome = tried[setting]
        if isinstance(outcome, Refused):
            return 0.0
        return -outcome.merit(by) * scale(logarithm)

    bounds = math.log(low.waists_mm[0]), math.log(high.waists_mm[0])
    minimize_scalar(missed, bounds=bounds, options={"xatol": FINEST, "maxiter": MOST_TRIALS})
    return tuple(tried.values())
