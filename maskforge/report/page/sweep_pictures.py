"""A label of a sweep in small pictures: power and best orientation over time, isolation counted."""

from dataclasses import dataclass

import numpy as np

from maskforge.launch.light import Real
from maskforge.sweep.labels import Course, Figures, decibel

WIDTH, HEIGHT = 220.0, 64.0
"""Of a picture, in units of the drawing."""

MOST_POINTS = 160
"""Of a curve; of more passes, medians of as many stretches."""

BINS = 25
"""Of a histogram; an odd number, so that what does not vary is in one."""

LEAST_SPAN = 0.01
"""dB, or degrees, from the bottom of a picture to its top, at least: what is less is noise."""


@dataclass(frozen=True)
class Picture:
    """Curves as what an SVG path draws, and the ends of both axes in words."""

    curves: tuple[str, ...]
    low: str
    high: str
    first: str
    last: str


@dataclass(frozen=True)
class LabelPictures:
    """A label's pictures; None where there is nothing to show.

    `turn`: its best orientation, then the line of its drift where that is told.
    """

    power: Picture
    isolation: Picture | None
    turn: Picture | None


def pictures_of(figures: Figures) -> LabelPictures:
    """What became of a label in the passes of a sweep."""
    course = figures.course
    isolation = course.isolation[np.isfinite(course.isolation)]
    return LabelPictures(
        power=_over_time(course.time, decibel(course.level).T, "dB"),
        isolation=_counted(isolation) if isolation.size else None,
        turn=None if figures.best is None else _turn(course, figures),
    )


def _turn(course: Course, figures: Figures) -> Picture:
    """Best orientation of the own port without jumps, and the line of its drift."""
    period = 180.0 / max(course.label.l, 1)
    angles = np.unwrap(course.angles[:, course.own], period=period)
    lines = [angles]
    if figures.drift is not None:
        hours = (course.time - course.time.mean()) / 3600
        lines.append(np.median(angles) + figures.drift.slope * hours)
    return _over_time(course.time, np.array(lines), "°")


def _over_time(time: Real, values: Real, unit: str) -> Picture:
    shown = [_stretched(time, line) for line in values]
    known = np.concatenate([line[np.isfinite(line)] for _, line in shown])
    low, high = (float(known.min()), float(known.max())) if known.size else (0.0, 0.0)
    low, high = _apart(low, high)
    first, last = float(time[0]), float(time[-1])
    long = max(last - first, 1e-9)
    return Picture(
        tuple(
            _path((at - first) / long * WIDTH, HEIGHT * (high - line) / (high - low))
            for at, line in shown
        ),
        f"{low:.2f} {unit}",
        f"{high:.2f} {unit}",
        f"{first / 3600:.2f} h",
        f"{last / 3600:.2f} h",
    )


def _stretched(time: Real, values: Real) -> tuple[Real, Real]:
    """(times, medians) of at most MOST_POINTS stretches."""
    order = np.argsort(time, kind="stable")
    parts = np.array_split(order, min(MOST_POINTS, time.size))
    return (
        np.array([np.median(time[part]) for part in parts]),
        np.array([np.median(values[part]) for part in parts]),
    )


def _counted(values: Real) -> Picture:
    """A histogram as one path; `high` the most passes of a bin."""
    low, high = _apart(float(values.min()), float(values.max()))
    counts, edges = np.histogram(values, BINS, (low, high))
    x, y = (edges - low) / (high - low) * WIDTH, HEIGHT * (1 - counts / counts.max())
    steps = " ".join(
        f"H{at:.1f}V{up:.1f}H{to:.1f}" for at, to, up in zip(x, x[1:], y, strict=False)
    )
    path = f"M0 {HEIGHT:.1f} {steps} V{HEIGHT:.1f}Z"
    return Picture((path,), "0", f"{counts.max()}", f"{low:.2f} dB", f"{high:.2f} dB")


def _apart(low: float, high: float) -> tuple[float, float]:
    room = max(LEAST_SPAN - (high - low), 0.0) / 2
    return low - room, high + room


def _path(x: Real, y: Real) -> str:
    """A line; it is broken where there is no value."""
    parts, pen = [], "M"
    for at, up in zip(x.tolist(), y.tolist(), strict=True):
        if not np.isfinite(up):
            pen = "M"
            continue
        parts.append(f"{pen}{at:.1f} {up:.1f}")
        pen = "L"
    # one point alone is a dot
    return "".join(parts) + ("h0.1" if len(parts) == 1 else "")
