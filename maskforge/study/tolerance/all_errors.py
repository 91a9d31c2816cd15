"""All errors at once: how pure masks are on benches drawn by chance, and which error does it."""

import os
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray
from scipy.stats import halfnorm, norm, qmc, sobol_indices

from maskforge.base.errors import BenchError
from maskforge.base.processes import Workers
from maskforge.base.ranges import BadValueError, Range
from maskforge.base.wording import nearest, one_line, shortened, shown
from maskforge.bench import Bench
from maskforge.bench.files import bench_source, parsed
from maskforge.launch.light import Real
from maskforge.sets.designing import MOST_PROCESSES
from maskforge.study.tolerance.causes import CAUSES, Cause, Errors
from maskforge.study.tolerance.mask_file import Study
from maskforge.study.tolerance.one_error import Site, worked

SECTION = "deviations"

LEAST_DRAWS, MOST_DRAWS = 8, 2**14
"""N of a run: 2 N benches for the distribution, and N more for each factor."""

USUAL_DRAWS = 2**8

WORTH_A_PROCESS = 2**25
"""Pixels of the panel times benches; less takes less time than a process to start."""

USUAL_WORK = 2**28
"""Pixels of the panel times benches of a run without a number: about 20 s."""

BATCH = 8
"""Benches that a process looks at in a row."""

CONFIDENCE, RESAMPLED = 0.95, 200
"""Of the intervals of the indices, and how often the benches are drawn again for them."""

FAINT = 0.1
"""Shares that are surely below are told by that alone."""

STILL = 1e-9
"""A purity that varies by less does not vary."""


@dataclass(frozen=True)
class Factor:
    """What is drawn as one: a cause, or the pair of its x and y; `deviation` in its units.

    Signed errors are normal; amounts are the absolute value of a normal one.
    """

    key: str
    causes: tuple[Cause, ...]
    deviation: float

    @property
    def name(self) -> str:
        """For people: x and y of a pair are named together."""
        first = self.causes[0].name
        return first if len(self.causes) == 1 else f"{first.removesuffix(' x')} x and y"


@dataclass(frozen=True, eq=False)
class Spread:
    """What came of a run with n draws: `samples` (2 n, causes) in units, the masks (indices), and
    purity, group purity and efficiency `figures` (2 n, masks, 3) there.

    `first`, `total` (masks, factors): Sobol' indices of the purity, the share of its variance that
    is due to a factor alone, and with all that it has to do with; `first_half`, `total_half`: half
    the width of their intervals.  nan where the purity does not vary.  `unharmed` (masks,): the
    purity without errors.
    """

    percentiles: ClassVar[tuple[float, ...]] = (5.0, 50.0, 95.0)

    factors: tuple[Factor, ...]
    masks: tuple[int, ...]
    unharmed: Real
    samples: Real
    figures: Real
    first: Real
    total: Real
    first_half: Real
    total_half: Real

    @property
    def causes(self) -> tuple[Cause, ...]:
        """Columns of `samples`."""
        return tuple(cause for factor in self.factors for cause in factor.causes)

    @property
    def bands(self) -> Real:
        """Purity (masks, percentiles)."""
        return np.asarray(np.percentile(self.figures[:, :, 0], self.percentiles, axis=0).T)

    def told(self, index: Real, half: Real) -> NDArray[np.bool_]:
        """Which of some indices are worth reading: those whose interval is narrower than they are,
        or which are surely below FAINT."""
        with np.errstate(invalid="ignore"):
            return np.asarray((2 * half < index) | (index + half < FAINT))

    @property
    def shares(self) -> Real:
        """Total indices (masks, factors), as parts of their sum."""
        whole = self.total.sum(axis=1, keepdims=True)
        return np.asarray(self.total / np.where(whole > 0, whole, np.nan))


# --- the user's deviations -------------------------------------------------------------------


def known_keys() -> dict[str, tuple[Cause, ...]]:
    """The keys of a file of deviations, and the causes that each draws."""
    keys: dict[str, tuple[Cause, ...]] = {}
    for cause in CAUSES:
        keys[cause.key] = (*keys.get(cause.key, ()), cause)
    return keys


def read_factors(path: Path, left_out: Mapping[str, str]) -> tuple[Factor, ...]:
    """The factors of a TOML file, [deviations] with keys such as fiber_offset_um; those of 0 are
    left out.  `left_out`: fields of causes that the bench has not, and why.

    Raises BenchError, one line with file, key and what is allowed.
    """
    source = bench_source(path)
    raw, where = parsed(source.text, source.shown_as), source.shown_as
    for name in raw:
        if name != SECTION:
            raise BenchError(one_line(f"{where}: {name}: only the section [{SECTION}] is allowed"))
    table = raw.get(SECTION)
    if not isinstance(table, Mapping):
        raise BenchError(f"{where}: [{SECTION}]: missing; it holds keys such as fiber_offset_um")
    return factors_of(f"{where}: [{SECTION}]", table, left_out)


def factors_of(
    where: str, table: Mapping[str, object], left_out: Mapping[str, str]
) -> tuple[Factor, ...]:
    """The factors of standard deviations by key, those of 0 left out; `where` they stand.

    Raises BenchError, one line.
    """
    if not isinstance(table, Mapping):
        raise BenchError(one_line(f"{where} = {shown(table)}: must be like fiber_offset_um = 0.3"))
    known = known_keys()
    found = {key: _deviation(where, key, value, known, left_out) for key, value in table.items()}
    factors = tuple(Factor(key, known[key], found[key]) for key in known if found.get(key))
    if not factors:
        raise BenchError(f"{where}: at least one deviation above 0 is needed")
    return factors


def drawn_often(count: object, factors: Sequence[Factor], bench: Bench) -> int:
    """How many to draw, the usual where None; BenchError where it is no power of 2."""
    if count is None:
        return usual_draws(factors, int(np.prod(bench.modulator.panel)))
    rule = f"must be a power of 2 from {LEAST_DRAWS} to {MOST_DRAWS}"
    if not isinstance(count, int) or not LEAST_DRAWS <= count <= MOST_DRAWS or count & (count - 1):
        raise BenchError(one_line(f"draws = {shown(count)}: {rule}"))
    return count


def _deviation(
    where: str,
    key: str,
    value: object,
    known: Mapping[str, tuple[Cause, ...]],
    left_out: Mapping[str, str],
) -> float:
    place = f"{where} {shortened(str(key))}"
    if key not in known:
        near = nearest(key, known)
        hint = f"did you mean {near}?" if near else f"there are {', '.join(known)}"
        raise BenchError(one_line(f"{place}: no such key; {hint}"))
    cause = known[key][0]
    if cause.field in left_out:
        raise BenchError(f"{place}: this bench has no such error: {left_out[cause.field]}")
    try:
        return Range(0, cause.most, cause.unit)(value)
    except BadValueError as problem:
        raise BenchError(one_line(f"{place} = {shown(value)}: {problem.text}")) from None


# --- drawing ---------------------------------------------------------------------------------


def drawn(factors: Sequence[Factor], count: int, seed: int) -> tuple[Real, Real]:
    """Two independent sets of benches (count, causes), errors in units.

    Points of Sobol's sequence, turned by a random shift (Cranley and Patterson, SIAM J. Numer.
    Anal. 13, 904, 1976), so that no point is at 0.
    """
    causes = [(cause, factor) for factor in factors for cause in factor.causes]
    points = qmc.Sobol(2 * len(causes), scramble=False).random(count)
    points = np.mod(points + np.random.default_rng([seed, 4]).random(2 * len(causes)), 1.0)
    points = np.clip(points, 1e-12, 1 - 1e-12)
    out = np.empty_like(points)
    for column in range(points.shape[1]):
        cause, factor = causes[column % len(causes)]
        kind = norm if cause.signed else halfnorm
        out[:, column] = kind.ppf(points[:, column], scale=factor.deviation)
    return out[:, : len(causes)], out[:, len(causes) :]


def exchanged(factors: Sequence[Factor], first: Real, second: Real) -> list[Real]:
    """The first set with one factor of the second, both axes of a pair at once, for each factor."""
    out, column = [], 0
    for factor in factors:
        mixed = first.copy()
        end = column + len(factor.causes)
        mixed[:, column:end] = second[:, column:end]
        out.append(mixed)
        column = end
    return out


def errors_of(causes: Sequence[Cause], row: Real) -> Errors:
    """The errors of a row of values in units."""
    return Errors(**{c.field: float(v) * c.factor for c, v in zip(causes, row, strict=True)})


# --- the run ---------------------------------------------------------------------------------


def evaluations(factors: Sequence[Factor], count: int) -> int:
    """Benches that a run with `count` draws looks at."""
    return count * (len(factors) + 2)


def usual_draws(factors: Sequence[Factor], pixels: int) -> int:
    """The power of 2 that keeps a run on a panel of so many pixels short."""
    count = LEAST_DRAWS
    while 2 * count <= USUAL_DRAWS and evaluations(factors, 2 * count) * pixels <= USUAL_WORK:
        count *= 2
    return count


def processes_for(benches: int, pixels: int) -> int:
    """Processes worth starting for so many benches with a panel of so many pixels."""
    return min(os.cpu_count() or 1, MOST_PROCESSES) if benches * pixels > WORTH_A_PROCESS else 1


def spread_of(
    study: Study,
    masks: Sequence[int],
    factors: Sequence[Factor],
    count: int,
    *,
    seed: int = 0,
    jobs: Workers = 1,
    done: Callable[[int], None] = lambda benches: None,
) -> Spread:
    """Distribution of the figures of some masks (index), and what each factor does to the purity.

    `count` must be a power of 2; `done` is told of every few benches that are ready.  Indices by
    Saltelli's estimators (Saltelli et al., Comput. Phys. Commun. 181, 259, 2010) as scipy has them;
    that of a pair is of its x and y together.
    Raises BenchError where a drawn bench cannot be, or `count` not be drawn.
    """
    if not LEAST_DRAWS <= count <= MOST_DRAWS or count & (count - 1):
        rule = f"must be a power of 2 from {LEAST_DRAWS} to {MOST_DRAWS}"
        raise BenchError(f"count = {count}: {rule}")
    first, second = drawn(factors, count, seed)
    causes = [cause for factor in factors for cause in factor.causes]
    rows = np.concatenate([first, second, *exchanged(factors, first, second), 0 * first[:1]])
    tasks = [
        partial(
            _figures, masks=tuple(masks), errors=[errors_of(causes, r) for r in rows[k : k + BATCH]]
        )
        for k in range(0, len(rows), BATCH)
    ]
    parts = []
    with closing(worked(study, seed, tasks, jobs)) as results:
        for part in results:
            parts.append(part)
            done(len(part))
    found = np.concatenate(parts)
    purity = found[:-1, :, 0].reshape(len(factors) + 2, count, len(masks)).transpose(0, 2, 1)
    indices = _indices(purity, count, seed)
    return Spread(
        tuple(factors),
        tuple(masks),
        found[-1, :, 0],
        np.concatenate([first, second]),
        found[: 2 * count],
        *indices,
    )


def _figures(site: Site, masks: Sequence[int], errors: Sequence[Errors]) -> Real:
    return site.figures(masks, errors)


def _indices(purity: Real, count: int, seed: int) -> tuple[Real, Real, Real, Real]:
    """First and total indices and half their intervals, (masks, factors), of purities (factors + 2,
    masks, count): those of the two sets, and of the first with one factor of the second."""
    factors = purity.shape[0] - 2
    still = np.ptp(purity, axis=(0, 2)) < STILL
    if factors == 1:  # all of the variance, which scipy cannot say of a single number
        whole = np.where(still, np.nan, 1.0)[:, None]
        return whole, whole, 0 * whole, 0 * whole
    rng = np.random.default_rng([seed, 5])
    draws = [rng.integers(count, size=count) for _ in range(RESAMPLED)]
    found = np.array(_estimated(purity, count))
    again = np.array([_estimated(purity[:, :, draw], count) for draw in draws])
    low, high = np.quantile(again, [(1 - CONFIDENCE) / 2, (1 + CONFIDENCE) / 2], axis=0)
    found = np.concatenate([found, (high - low) / 2])
    found[:, still] = np.nan
    return found[0], found[1], found[2], found[3]


def _estimated(purity: Real, count: int) -> tuple[Real, Real]:
    found = sobol_indices(func={"f_A": purity[0], "f_B": purity[1], "f_AB": purity[2:]}, n=count)
    shape = purity.shape[1], purity.shape[0] - 2
    return found.first_order.reshape(shape), found.total_order.reshape(shape)
