"""What scripts get and notebooks show: a set, its launch matrix, curves, a sweep's answer."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from maskforge.launch.basis import joined_name
from maskforge.launch.modulator import Complex
from maskforge.launch.panel import Picture
from maskforge.sets.manifest import Record
from maskforge.sets.reading import WrittenSet, checked_pages, couplings_of
from maskforge.study.questions import Tolerances
from maskforge.sweep.answer import Answer
from maskforge.sweep.tables import group_rows, note_lines


@dataclass(frozen=True, eq=False)
class LaunchMatrix:
    """Launched power (masks, modes) as a share of the beam, `power`, with the names of both."""

    power: NDArray[np.float64]
    masks: tuple[str, ...]
    modes: tuple[str, ...]

    def _repr_html_(self) -> str:
        from maskforge.report.notebook import matrix_html

        return matrix_html(self.power, self.masks, self.modes)


@dataclass(frozen=True, eq=False)
class MaskSet:
    """A finished set in its folder; what other functions take in the place of the folder, too."""

    written: WrittenSet = field(repr=False)

    def __fspath__(self) -> str:
        return str(self.folder)

    @property
    def folder(self) -> Path:
        return self.written.folder

    @property
    def masks(self) -> tuple[Record, ...]:
        """What the manifest says of each, in play order."""
        return self.written.masks

    @property
    def modes(self) -> tuple[str, ...]:
        """Names of the guided modes, as in "LP21 cos"."""
        keys = "label", "part", "polarisation"
        return tuple(joined_name(*map(mode.get, keys)) for mode in self.written.modes)

    @cached_property
    def couplings(self) -> Complex:
        """Complex couplings (masks, K), as the set's file has them."""
        return couplings_of(self.written)

    @property
    def launch_matrix(self) -> LaunchMatrix:
        """Launched power (masks, K) with names, which shows itself in a notebook."""
        names = tuple(mask.name for mask in self.masks)
        return LaunchMatrix(np.abs(self.couplings) ** 2, names, self.modes)

    def pictures(self) -> Iterator[Picture]:
        """The pages in play order, each checked: grey values (rows, columns), row 0 on top."""
        return checked_pages(self.written)

    def _repr_html_(self) -> str:
        from maskforge.report.notebook import table_html

        return table_html(self.masks)


class ToleranceCurves(Tolerances):
    """`Tolerances` that show themselves in a notebook."""

    def _repr_html_(self) -> str:
        from maskforge.report.figures.tolerance import tolerance_figure
        from maskforge.report.notebook import svg_html

        title = f"{len(self.masks)} masks, purity lost to one error at a time"
        return svg_html(tolerance_figure(self.curves, self.masks, self.limit, title, "svg"), title)


class SweepAnswer(Answer):
    """`Answer` that shows itself in a notebook."""

    def _repr_html_(self) -> str:
        from maskforge.report.figures.sweep import sweep_figure
        from maskforge.report.notebook import grid_html, svg_html

        header, rows = group_rows(self)
        names = [name.replace("\n", " ") for name in header]
        notes = " · ".join(note_lines(self))
        picture = svg_html(sweep_figure(self, self.readings.path.name, "svg"), "sweep")
        return picture + grid_html(names, rows, notes)
