"""What people look at: figures for print and screen."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from maskforge.base.errors import BenchError
from maskforge.study.tradeoff import Point

if TYPE_CHECKING:
    from maskforge.bench.ready import Prepared
    from maskforge.launch.light import Complex, Real
    from maskforge.sets.manifest import Record
    from maskforge.sets.reading import WrittenSet

PAGE = "report.html"
"""The page of a set, in its folder."""

FORMATS = ("png", "svg", "pdf")
"""What a figure can be written as."""


def format_of(path: Path, option: str = "--figure") -> str:
    """The format of a figure by its name; BenchError, which names the option, for another."""
    kind = path.suffix.lower().removeprefix(".")
    if kind not in FORMATS:
        known = " or ".join(f".{name}" for name in FORMATS)
        raise BenchError(f"{option} = {path}: the name must end in {known}")
    return kind


def tradeoff_figure(points: Sequence[Point], title: str, kind: str) -> bytes:
    """See `tradeoff.tradeoff_figure`."""
    # the plotting library takes longer to load than most commands take to run
    from maskforge.report.figures import tradeoff as figures

    return figures.tradeoff_figure(points, title, kind)


def band_figure(
    curves: Mapping[str, Sequence[tuple[float, float]]], title: str, kind: str
) -> bytes:
    """See `band.band_figure`."""
    from maskforge.report.figures import band as bandplot

    return bandplot.band_figure(curves, title, kind)


def mask_html(mask: "Record", phase: "Real", field: "Complex") -> str:
    """See `notebook.mask_html`."""
    from maskforge.report import notebook

    return notebook.mask_html(mask, phase, field)


def table_html(masks: "Sequence[Record]") -> str:
    """See `notebook.table_html`."""
    from maskforge.report import notebook

    return notebook.table_html(masks)


def page_of_set(
    written: "WrittenSet", ready: "Prepared | None" = None, name: str | None = None
) -> str:
    """See `set_page.page_of_set`."""
    from maskforge.report.page import set_page as ofset

    return ofset.page_of_set(written, ready, name)
