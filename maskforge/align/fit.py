"""The fit of a stack's readings: what it gives, and what the fits of the steps share."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from maskforge.align.readings import NO_PAGE, Readings, saturated
from maskforge.align.regression import Solution
from maskforge.align.stack import Stack
from maskforge.base.errors import BenchError
from maskforge.launch.light import Real

Changes = dict[tuple[str, str], object]
"""New values by (section, key); None: the key goes."""

Results = Mapping[str, tuple[float, float]]
"""Values with their uncertainties, by name."""


@dataclass(frozen=True)
class Value:
    """A result: `uncertainty` is the half-width of its 95 % interval."""

    name: str
    value: float
    uncertainty: float
    unit: str


@dataclass(frozen=True, eq=False)
class GreyTable:
    """Measured greys: phase in deg with its uncertainty, amplitude from 0 to 1 (None: the bench's).

    Each (greys,), the greys ascending and the first one's phase that of the bench.
    """

    greys: NDArray[np.intp]
    phase_deg: Real
    uncertainty_deg: Real
    amplitude: Real | None


@dataclass(frozen=True, eq=False)
class Wavefront:
    """Waves at places (n,) of the mask, in m from its middle, beyond what the bench has already.

    `measured` from the readings, `fitted` from the model; both without the piston and tilt of the
    latter.
    """

    x: Real
    y: Real
    measured: Real
    fitted: Real


@dataclass(frozen=True, eq=False)
class FittedCurve:
    """A scan for the figure: `x` (rows,), readings free of background and drift, their standard
    deviation, the fit and whether they count; powers in mW."""

    title: str
    axis: str
    x: Real
    measured: Real
    sigma: Real
    fitted: Real
    kept: NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class FitResult:
    """What a step's own fit gives.  `notes`: what a person should know of it."""

    values: tuple[Value, ...]
    solution: Solution
    notes: tuple[str, ...] = ()
    table: GreyTable | None = None
    wavefront: Wavefront | None = None


@dataclass(frozen=True, eq=False)
class Fit:
    """The fit of a stack's readings.

    `residual`: standard deviation of the readings that count, as a share of the highest signal.
    `used` of `rows`; `left_out`: why, and how many; `missing`: readings of the play list that are
    not there, `unseen`: pages without any.
    """

    step: str
    values: tuple[Value, ...]
    residual: float
    rows: int
    used: int
    left_out: Mapping[str, int]
    missing: int
    unseen: int
    notes: tuple[str, ...]
    curves: tuple[FittedCurve, ...]
    table: GreyTable | None
    wavefront: Wavefront | None

    @property
    def results(self) -> Results:
        """Values with their uncertainties by name."""
        return {value.name: (value.value, value.uncertainty) for value in self.values}


def fitted(stack: Stack, readings: Readings, saturation: float | None = None) -> Fit:
    """Fits a stack's readings; `saturation` in mW: the detector's limit, found where not given.

    Raises BenchError where the readings are too few, or do not follow the frames.
    """
    full = saturated(readings, saturation)
    good = Readings(readings.time[~full], readings.page[~full], readings.power[~full])
    if not np.any(good.page != NO_PAGE):
        raise BenchError("no readings of the frames are left: all are dark or saturated")
    # the matrices are small: threads that wait for each other take longer than the work
    with threadpool_limits(1):
        found = stack.step.fit(stack, good)
    solution = found.solution
    kept = solution.kept
    wild = int(np.count_nonzero(~kept))
    off = (good.power - solution.fitted)[kept]
    notes = found.notes
    if not np.any(good.page == NO_PAGE):
        notes += ("no readings with the beam blocked: the detector's offset is a guess of the fit",)
    light = readings.page != NO_PAGE
    return Fit(
        step=stack.step.name,
        values=found.values,
        residual=float(np.std(off) / np.max(solution.signal)),
        rows=len(readings),
        used=int(np.count_nonzero(kept)),
        left_out={"saturated": int(np.count_nonzero(full)), "outliers": wild},
        missing=max(0, len(stack.order) - int(np.count_nonzero(light))),
        unseen=len(stack.frames) - np.unique(readings.page[light]).size,
        notes=notes,
        curves=curves_of(stack, good, solution),
        table=found.table,
        wavefront=found.wavefront,
    )


def rounded(value: float, uncertainty: float) -> float:
    """To two digits of the uncertainty."""
    if not uncertainty > 0:
        return value
    return float(round(value, 1 - int(np.floor(np.log10(uncertainty)))))


def page_means(readings: Readings, pages: int) -> Real:
    """Median reading (pages,) less the median with the beam blocked; NaN of unseen pages.

    For starting values only: the fits take the readings one by one.
    """
    dark = readings.power[readings.page == NO_PAGE]
    floor = float(np.median(dark)) if dark.size else 0.0
    out = np.full(pages, np.nan)
    for page in np.unique(readings.page[readings.page != NO_PAGE]):
        out[page] = np.median(readings.power[readings.page == page]) - floor
    return out


def column(stack: Stack, key: str) -> Real:
    """A key's number of every frame (pages,), NaN where it has none."""
    numbers = (values.get(key) for values in stack.frames)
    return np.array([float(z) if isinstance(z, int | float) else np.nan for z in numbers])


def brightest(means: Real, where: NDArray[np.bool_]) -> int | None:
    """The page of the highest reading among some; None where none was seen."""
    if not np.any(where & np.isfinite(means)):
        return None
    return int(np.nanargmax(np.where(where, means, np.nan)))


def curves_of(stack: Stack, readings: Readings, solution: Solution) -> tuple[FittedCurve, ...]:
    """The scans of a stack, one for each value of what tells them apart."""
    step = stack.step
    x = column(stack, step.scanned)
    names = [None if not step.by else values.get(step.by) for values in stack.frames]
    out = []
    for name in dict.fromkeys(names):
        pages = [page for page, own in enumerate(names) if own == name and np.isfinite(x[page])]
        rows = np.isin(readings.page, pages)
        own = readings.page[rows]
        if np.unique(x[own]).size < 2:
            continue
        title = f"{name:g}" if isinstance(name, float) else f"{name}"
        out.append(
            FittedCurve(
                title=f"{step.by} {title}" if step.by else "",
                axis=step.scanned,
                x=x[own],
                measured=solution.clean[rows],
                sigma=solution.sigma[rows],
                fitted=solution.signal[own],
                kept=solution.kept[rows],
            )
        )
    return tuple(out)
