"""The launch matrix as a picture: a column for each mask, a row for each guided mode."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from maskforge.launch.light import Complex
from maskforge.report.page.palette_png import LEVEL, inline, level

DARKEST = -60.0
"""dB of the beam's power at which the colours begin; what is below is left clear."""

LEAST = -120.0
"""dB: what is below is said to be below it; in double precision it is nothing."""

WIDTH = 880.0
"""Of the picture at most."""

HEIGHTS = 360.0, 22.0
"""Of the picture, and of one mode, at most."""

WIDEST_MASK = 44.0
"""Of one mask, at most."""

TEXT = 11.0
"""Least distance of two lines of text."""

LONGEST = 10
"""Characters of a name beside the picture."""


@dataclass(frozen=True)
class Span:
    """A run of rows or columns that share a name: where it begins, ends, and its name if room."""

    start: float
    end: float
    name: str
    shown: bool

    @property
    def middle(self) -> float:
        return (self.start + self.end) / 2


@dataclass(frozen=True)
class Matrix:
    """The picture as a data URL with what is written beside it, in units of the drawing."""

    picture: str
    width: float
    height: float
    labels: tuple[Span, ...]
    groups: tuple[Span, ...]
    modes: tuple[Span, ...]


def decibels(couplings: Complex) -> NDArray[np.float64]:
    """Launched power (masks, modes) in dB of the beam's, from LEAST on, to one decimal."""
    power = np.maximum(np.abs(couplings) ** 2, 10 ** (LEAST / 10))
    return np.asarray(np.round(10 * np.log10(power), 1))


def matrix_of(
    table: NDArray[np.float64],
    labels: Sequence[str],
    modes: Sequence[str],
    groups: Sequence[int],
) -> Matrix:
    """The picture of a table (masks, modes) in dB; `labels` of the masks, `groups` of the modes."""
    masks, count = table.shape
    column = min(WIDTH / masks, WIDEST_MASK)
    row = min(HEIGHTS[0] / count, HEIGHTS[1])
    return Matrix(
        picture=inline(level(1 - table.T / DARKEST), LEVEL),
        width=masks * column,
        height=count * row,
        labels=_spans(labels, column),
        groups=_spans([str(group) for group in groups], row),
        modes=_spans(modes, row),
    )


def _spans(names: Sequence[str], step: float) -> tuple[Span, ...]:
    """Runs of equal names; a name is left out where the one before is too near."""
    spans: list[Span] = []
    at, last = 0, -np.inf
    for name, run in groupby(names):
        end = at + len(list(run))
        middle = (at + end) / 2 * step
        shown = middle - last >= TEXT
        last = middle if shown else last
        short = name if len(name) <= LONGEST else name[: LONGEST - 1] + "…"
        spans.append(Span(at * step, end * step, short, shown))
        at = end
    return tuple(spans)
