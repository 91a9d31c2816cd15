"""Questions to a bench or a set in one call, with arrays out: for scripts."""

import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

import numpy as np
from threadpoolctl import threadpool_limits

from maskforge import bench as benches
from maskforge.base.arguments import number, numbers, plain_errors, word, words
from maskforge.base.errors import BenchError
from maskforge.base.ranges import Range
from maskforge.bench import Bench
from maskforge.bench.given import bench_given
from maskforge.bench.ready import prepared
from maskforge.bench.section import Metres, Nanometres, Seed
from maskforge.bench.values import carrier as carrier_period
from maskforge.launch.light import Real
from maskforge.sets.designing import MOST_PROCESSES, finished_masks
from maskforge.sets.manifest import Record
from maskforge.sets.opened import opened, set_or_bench
from maskforge.sets.reading import WrittenSet
from maskforge.sets.rebuilding import bench_of
from maskforge.study import comparison, plan_search
from maskforge.study import plan as planning
from maskforge.study import tradeoff as trading
from maskforge.study.band import Seen, seen_over
from maskforge.study.comparison import ComparedMask
from maskforge.study.plan import Plan
from maskforge.study.replay import Replay, replayed, replayed_at
from maskforge.study.set_comparison import SetComparison, sets_compared
from maskforge.study.tolerance.causes import causes_of, left_out
from maskforge.study.tolerance.mask_file import Study, stored, stored_set
from maskforge.study.tolerance.one_error import LIMIT, LOSSES, ErrorCurve, swept
from maskforge.study.tolerance.worth import device_for

if TYPE_CHECKING:
    from maskforge.study.tolerance.all_errors import Spread

Source = str | os.PathLike[str] | WrittenSet
JOBS = Range(1, MOST_PROCESSES, whole=True)


@dataclass(frozen=True, eq=False)
class Predicted:
    """A set's masks elsewhere: `purity`, `group_purity`, `efficiency` (masks,), NaN where the
    fibre does not guide a target there; `replays`: each mask's prediction in full."""

    masks: tuple[Record, ...]
    purity: Real
    group_purity: Real
    efficiency: Real
    replays: tuple[Replay, ...]


@dataclass(frozen=True, eq=False)
class Band:
    """A set over wavelengths: `wavelengths` (n,) in nm; `purity`, `efficiency` (n, masks)."""

    masks: tuple[Record, ...]
    wavelengths: Real
    purity: Real
    efficiency: Real


@dataclass(frozen=True, eq=False)
class Tolerances:
    """What errors cost: `masks` their names; a curve for each cause, with `values` (n,) in the
    cause's unit and `purity`, `group_purity`, `efficiency` (n, masks); `left_out`: causes that the
    bench has not, and why; `spread`: all errors drawn at once, None where not asked for."""

    masks: tuple[str, ...]
    limit: float
    curves: tuple[ErrorCurve, ...]
    left_out: Mapping[str, str]
    spread: "Spread | None" = None

    def __getitem__(self, cause: str) -> ErrorCurve:
        """The curve of a cause by its field, such as "defocus"."""
        for curve in self.curves:
            if curve.cause.field == cause:
                return curve
        raise BenchError(f"{cause}: no such cause; there are {self.causes}")

    @property
    def causes(self) -> tuple[str, ...]:
        return tuple(curve.cause.field for curve in self.curves)


def predict(
    source: Source,
    *,
    bench: "Bench | str | Path | None" = None,
    wavelength_nm: float | None = None,
    realign: bool = False,
    budgets: bool = False,
) -> Predicted:
    """The pixels of a set on another bench, or in light of another wavelength, as `maskforge
    predict`; on its own if neither is given.

    `realign`: the fibre follows the carrier's order there.  `budgets`: with where the light goes.
    Raises BenchError, one line.
    """
    written = opened(source)
    if bench is not None and wavelength_nm is not None:
        raise BenchError("bench and wavelength_nm: give one of them")
    with threadpool_limits(1), plain_errors():
        if wavelength_nm is None:
            other = bench_of(written) if bench is None else bench_given(bench)
            masks = tuple(replayed(written, other, budgets=budgets))
        else:
            nm = number("wavelength_nm", wavelength_nm, Nanometres)
            (some,) = replayed_at(written, [nm], realign=realign, budgets=budgets)
            masks = tuple(some)
    found = [one.prediction for one in masks]
    purity, group, efficiency = (
        np.array([np.nan if one is None else getattr(one, key) for one in found])
        for key in ("purity", "group_purity", "efficiency")
    )
    return Predicted(tuple(one.mask for one in masks), purity, group, efficiency, masks)


def band(source: Source, wavelengths_nm: Iterable[float], *, realign: bool = False) -> Band:
    """Purity and efficiency of every mask of a set over wavelengths in nm, as `maskforge band`."""
    written = opened(source)
    asked = numbers("wavelengths_nm", wavelengths_nm, Nanometres)
    seen: list[list[Seen]] = list(seen_over(written, asked, realign=realign))
    purity, efficiency = (
        np.array([[getattr(one, key) for one in row] for row in seen])
        for key in ("purity", "efficiency")
    )
    return Band(written.masks, np.array(asked), purity, efficiency)


def plan(
    bench: "Bench | str | Path",
    *,
    focal_mm: Sequence[float] | None = None,
    waist_mm: Sequence[float] | None = None,
    carrier_px: Sequence[float] | None = None,
    labels: Sequence[str] | None = None,
    by: str = planning.CRITERIA[0],
    jobs: int = 1,
    device: str = "auto",
) -> Plan:
    """The lens, waist and carrier that launch most light, as `maskforge plan`: `.choice()`.

    What is left out is the command's.  Raises BenchError, one line.
    """
    word("by", by, planning.CRITERIA)
    crew = int(number("jobs", jobs, JOBS))
    with plain_errors():
        fixed = planning.fixed_of(benches.override(bench_given(bench), labels=labels), device)
    rows = planning.rows_of(
        fixed,
        None if focal_mm is None else numbers("focal_mm", focal_mm, planning.FOCAL),
        None if waist_mm is None else numbers("waist_mm", waist_mm, Metres),
        None if carrier_px is None else numbers("carrier_px", carrier_px, carrier_period),
    )
    fine = waist_mm is None
    found = tuple(plan_search.explored(fixed, rows, by, fine=fine, jobs=crew))
    own = ((planning.setting_of(fixed.bench),),)
    (as_it_is,) = plan_search.explored(fixed, own, by, fine=False)
    return Plan(found, as_it_is.grid[0], by, fine)


def compare(
    *given: "Bench | str | Path",
    methods: Sequence[str] = benches.METHODS,
    labels: Sequence[str] | None = None,
    jobs: int = 1,
    device: str = "auto",
) -> tuple[ComparedMask, ...]:
    """The methods target by target on one bench or several, as `maskforge compare`."""
    if not given:
        raise BenchError("compare: at least one bench is needed")
    chosen = tuple(word("methods", one, benches.METHODS) for one in words("methods", methods))
    crew = int(number("jobs", jobs, JOBS))
    with threadpool_limits(1), plain_errors():
        ready = comparison.entrants([bench_given(one) for one in given], device, labels)
        found = comparison.compared(ready, chosen, set(), crew)
        return tuple(entry for some in found for entry in some)


def compare_sets(one: Source, other: Source) -> SetComparison:
    """Two finished sets, target by target, and what differs in their benches."""
    with threadpool_limits(1):
        return sets_compared(opened(one), opened(other))


def tradeoff(
    bench: "Bench | str | Path",
    label: str,
    *,
    orientation: float = 0.0,
    purities: Sequence[float] = (0.9, 0.99, 0.999),
    alphabets: Sequence[str] = ("own",),
    device: str = "auto",
) -> tuple[trading.Point, ...]:
    """What purity costs in light for one target, as `maskforge tradeoff`."""
    asked = numbers("purities", purities, trading.PURITY)
    angle = number("orientation", orientation, Range(-360, 360, "deg"))
    loaded = bench_given(bench)
    with plain_errors():
        choices = trading.choices_of(
            words("alphabets", alphabets), benches.modulator(loaded).alphabet
        )
        ready = prepared(loaded, device)
        target = trading.target_of(ready.bench, ready.launch.basis, label, angle)
        return tuple(trading.walked(ready.launch, target, choices, asked))


def tolerance(
    source: "Source | Bench",
    *,
    limit: float = LIMIT,
    deviations: Mapping[str, float] | None = None,
    draws: int | None = None,
    seed: int = 0,
    jobs: int = 1,
    device: str = "auto",
) -> Tolerances:
    """What errors of alignment, beam, panel and fibre cost, as `maskforge tolerance`.

    `source`: a set's folder, or a bench, whose masks are then designed.  `limit`: the loss of
    purity that errors are measured by.  `deviations`: standard deviations by key, as in
    {"fiber_offset_um": 0.3}, all drawn at once too, `draws` (a power of 2) times.  Raises
    BenchError, one line.
    """
    share, crew = number("limit", limit, LOSSES), int(number("jobs", jobs, JOBS))
    chance = int(number("seed", seed, Seed))
    with TemporaryDirectory(prefix="maskforge-", ignore_cleanup_errors=True) as folder:
        given = set_or_bench(source)
        if isinstance(given, WrittenSet):
            study = stored_set(Path(folder), given)
        else:
            with plain_errors():
                ready = prepared(given, device)
            masks = ((m.target, m.design.states) for m in finished_masks(ready, jobs=crew))
            study = stored(Path(folder), ready.bench, ready.launch.modulator, masks)
        return of_study(study, share, deviations, draws, (chance, crew, device))


def of_study(
    study: Study,
    limit: float,
    deviations: Mapping[str, float] | None,
    draws: int | None,
    how: tuple[int, int, str],
) -> Tolerances:
    """The same of masks that lie in a file; `how`: seed, processes, device."""
    seed, jobs, device = how
    with plain_errors():
        there = device_for(study, device)
    causes, missing = causes_of(study.bench), left_out(study.bench)
    factors = None
    if deviations is not None:
        # the statistics take longer to load than the sweep of a small set
        from maskforge.study.tolerance.all_errors import drawn_often, factors_of, spread_of

        factors = factors_of("deviations", deviations, missing)
        count = drawn_often(draws, factors, study.bench)
    curves = {
        curve.cause.field: curve
        for curve in swept(study, causes, limit=limit, seed=seed, jobs=jobs, device=there)
    }
    spread = None
    if factors is not None:
        everyone = range(len(study.targets))
        spread = spread_of(study, everyone, factors, count, seed=seed, jobs=jobs)
    ordered = tuple(curves[cause.field] for cause in causes)
    return Tolerances(tuple(study.names), limit, ordered, missing, spread)
