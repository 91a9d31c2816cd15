"""A label over the passes of a sweep: its power at each port, and how that turns with the launch.

A port that passes the fields of a label by its 2 x 2 matrix R gives the launch at theta the power
c^H R c with c = (cos l theta, sin l theta), which is A + B cos(2 l (theta - theta0)) exactly.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from maskforge.launch.light import Complex, Real
from maskforge.sweep.launched import Label
from maskforge.sweep.passes import SweepReadings

LEAST_SPREAD = 0.2
"""Smallest singular value of the fit, relative to sqrt(orientations), that still resolves it; 0.71
where they are evenly spaced."""

SURE = 3.0
"""Standard deviations that a dependence on orientation must have for its drift to be told."""

QUANTILES = (50, 5, 95)


@dataclass(frozen=True, eq=False)
class Course:
    """A label in K passes, at `time` (K,) in s.

    `level` (K, ports): the power, averaged over orientations; `swing` (K, ports): B exp(2 i l
    theta0), 0 where `fields` is 1.  `fields`: what the orientations resolve, 3: strength and angle
    of the dependence, 2: which of two orientations gets more, 1: neither.  `lost`: passes with too
    few orientations, left out.
    """

    label: Label
    time: Real
    level: Real
    swing: Complex
    fields: int
    lost: int

    @property
    def own(self) -> int:
        """The port with more power in the median."""
        return int(np.argmax(np.median(self.level, axis=0)))

    @property
    def angles(self) -> Real:
        """Best orientation (K, ports) in degrees, from 0 to 180/l; 0 where there is none."""
        turn = np.angle(self.swing) % (2 * np.pi)
        return np.asarray(np.rad2deg(turn) / (2 * max(self.label.l, 1)))

    @property
    def isolation(self) -> Real:
        """The own port over the next strongest (K,) in dB; NaN with a single port."""
        return isolation_db(self.level, self.own)


@dataclass(frozen=True)
class Drift:
    """Of the best orientation, in degrees an hour: `slope`, and `error`, half its 95 % interval."""

    slope: float
    error: float


@dataclass(frozen=True, eq=False)
class Figures:
    """A label's answer.  By port: median `power`, share `split` of all ports, `dependence` (max -
    min)/(max + min) over orientations.

    `isolation`: median, 5 % and 95 % over the passes in dB.  `best` orientation in degrees of the
    own port; None where nothing depends on it.  `polarity`: correlation over orientations of the
    own port and the next, 1: highest together, -1: one highest where the other is lowest.
    """

    course: Course
    power: Real
    split: Real
    dependence: Real
    isolation: tuple[float, float, float] | None
    best: float | None
    drift: Drift | None
    polarity: float | None


def decibel(share: Real | float) -> Real:
    """10 log10; -inf at 0 and below."""
    with np.errstate(divide="ignore"):
        return np.asarray(10 * np.log10(np.maximum(share, 0.0)))


def isolation_db(power: Real, own: int) -> Real:
    """Port `own` of the last axis over the strongest other one, in dB; NaN where it is alone."""
    others = np.delete(power, own, axis=-1)
    if not others.shape[-1]:
        return np.full(power.shape[:-1], np.nan)
    with np.errstate(invalid="ignore"):
        return np.asarray(decibel(power[..., own]) - decibel(others.max(axis=-1)))


def courses_of(readings: SweepReadings, labels: Sequence[Label], scale: Real) -> Iterator[Course]:
    """The labels that were read, each over its passes; powers are divided by `scale` (masks,)."""
    order = np.argsort(readings.mask, kind="stable")
    edges = np.searchsorted(readings.mask[order], np.arange(len(scale) + 1))
    for label in labels:
        slots = [order[edges[mask] : edges[mask + 1]] for mask in label.masks]
        rows = np.concatenate(slots)
        if not rows.size:
            continue
        slot = np.repeat(np.arange(len(slots)), [len(part) for part in slots])
        runs, run = np.unique(readings.run[rows], return_inverse=True)
        cell, size = run * len(slots) + slot, len(runs) * len(slots)
        count = np.bincount(cell, minlength=size)
        columns = [readings.time[rows], *(readings.power[rows] / scale[label.masks[slot], None]).T]
        with np.errstate(invalid="ignore"):
            time, *powers = (np.bincount(cell, column, size) / count for column in columns)
        values = np.stack(powers, axis=-1).reshape(len(runs), len(slots), -1)
        yield _course(label, time.reshape(len(runs), -1), values)


def _course(label: Label, time: Real, values: Real) -> Course:
    design, direction = _design(label.turns)
    level, swing = fitted(design, values)
    kept = np.isfinite(level[:, 0])
    return Course(
        label=label,
        time=np.nanmean(time[kept], axis=1),
        level=np.maximum(level[kept], 0.0),
        swing=swing[kept] * direction,
        fields=design.shape[1],
        lost=int(np.count_nonzero(~kept)),
    )


def _design(turns: Real) -> tuple[Real, complex]:
    """Columns of A and of what else the orientations resolve; what direction the second one is."""
    full = np.stack([np.ones_like(turns), np.cos(turns), np.sin(turns)], axis=1)
    if _resolves(full):
        return full, 1.0
    first = np.cos(turns - turns[0])
    if len(turns) == 2 and first[1] < LEAST_SPREAD - 1:
        return np.stack([np.ones_like(turns), first], axis=1), complex(np.exp(1j * turns[0]))
    return full[:, :1], 1.0


def _resolves(design: Real) -> bool:
    rows, columns = design.shape
    if rows < columns:
        return False
    least = np.linalg.svd(design, compute_uv=False)[-1]
    return bool(least >= LEAST_SPREAD * np.sqrt(rows))


def fitted(design: Real, values: Real) -> tuple[Real, Complex]:
    """Least squares of `values` (K, N, ports) in the columns of `design` (N, 1 to 3).

    Level and swing (K, ports); NaN for the rows whose missing values (NaN) leave them open.
    """
    passes, _, ports = values.shape
    level = np.full((passes, ports), np.nan)
    swing = np.full((passes, ports), np.nan, dtype=complex)
    present = np.isfinite(values[:, :, 0])
    patterns, which = np.unique(present, axis=0, return_inverse=True)
    for number, pattern in enumerate(patterns):
        # without a dependence in the fit a missing orientation would shift the level
        whole = design.shape[1] == 1 and not pattern.all()
        if whole or not _resolves(design[pattern]):
            continue
        rows = which.ravel() == number
        inverse = np.linalg.pinv(design[pattern])
        found = np.einsum("cn,knp->ckp", inverse, values[rows][:, pattern])
        level[rows] = found[0]
        turning = found[1] if len(found) > 1 else np.zeros_like(found[0])
        swing[rows] = turning + 1j * (found[2] if len(found) > 2 else 0.0)
    return level, swing


# --- figures ---------------------------------------------------------------------------------


def figures_of(course: Course) -> Figures:
    """A label's answer over all its passes, of which there must be one."""
    level, own = course.level, course.own
    total = level.sum(axis=1, keepdims=True)
    with np.errstate(invalid="ignore", divide="ignore"):
        split = np.nanmedian(np.where(total > 0, level / total, np.nan), axis=0)
        dependence = np.median(np.abs(course.swing), axis=0) / np.median(level, axis=0)
    turns = course.fields > 1 and bool(np.any(course.swing[:, own]))
    quantiles = None
    if level.shape[1] > 1:
        # an isolation may be infinite, which nothing can be interpolated with
        middle, low, high = np.percentile(course.isolation, QUANTILES, method="nearest").tolist()
        quantiles = (middle, low, high)
    return Figures(
        course=course,
        power=np.median(level, axis=0),
        split=split,
        dependence=np.nan_to_num(dependence),
        isolation=quantiles,
        best=_mean_angle(course) if turns else None,
        drift=drift_of(course) if turns else None,
        polarity=_polarity(course) if turns else None,
    )


def _mean_angle(course: Course) -> float:
    turn = np.angle(course.swing[:, course.own].mean()) % (2 * np.pi)
    return float(np.rad2deg(turn) / (2 * course.label.l))


def _polarity(course: Course) -> float | None:
    """Correlation of the fitted curves of the own port and the strongest other one."""
    median = np.median(course.level, axis=0)
    if median.size < 2:
        return None
    median[course.own] = -1.0
    one, other = course.swing[:, course.own], course.swing[:, int(np.argmax(median))]
    norm = np.sqrt(np.sum(np.abs(one) ** 2) * np.sum(np.abs(other) ** 2))
    return float(np.sum(one * other.conj()).real / norm) if norm else None


def drift_of(course: Course) -> Drift | None:
    """Slope of the own port's best orientation over time, by least squares.

    None where three passes, three orientations or a dependence well above its noise (its change
    from pass to pass) are lacking.
    """
    swing = course.swing[:, course.own]
    hours = (course.time - course.time.mean()) / 3600
    spread = float(np.sum(hours**2))
    if course.fields < 3 or swing.size < 3 or not spread:
        return None
    noise = np.sqrt(np.mean(np.abs(np.diff(swing)) ** 2)) / 2
    if np.median(np.abs(swing)) <= SURE * noise:
        return None
    angle = np.rad2deg(np.unwrap(np.angle(swing))) / (2 * course.label.l)
    slope = float(np.sum(hours * angle)) / spread
    rest = angle - angle.mean() - slope * hours
    free = swing.size - 2
    error = float(stdtrit(free, 0.975)) * np.sqrt(np.sum(rest**2) / free / spread)
    return Drift(slope, float(error))


def histogram(values: Real, width: float = 1.0, most: int = 200) -> tuple[Real, NDArray[np.intp]]:
    """Edges (n + 1,) at multiples of `width` dB, wider where more than `most` would be needed, and
    counts (n,) of the finite values."""
    finite = values[np.isfinite(values)]
    if not finite.size:
        return np.zeros(1), np.zeros(0, dtype=np.intp)
    low, high = float(finite.min()), float(finite.max())
    width *= max(np.ceil((high - low) / width / most), 1.0)
    first, last = np.floor(low / width), np.floor(high / width) + 1
    edges = np.arange(first, last + 1) * width
    counts, _ = np.histogram(finite, edges)
    return edges, counts
