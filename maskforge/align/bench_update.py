"""What a fit changes in a bench file."""

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from maskforge import bench as benches
from maskforge.align.fit import Changes, Fit, GreyTable
from maskforge.align.grey_fits import filled, measured_at
from maskforge.align.stack import Stack
from maskforge.base.csv_text import csv_text
from maskforge.base.errors import BenchError
from maskforge.bench import Bench
from maskforge.bench.files import DataFile
from maskforge.bench.sections import SECTIONS

MOST_GREYS = 4096
"""Rows of a table between the greys measured."""


def changes(bench: Bench, stack: Stack, fit: Fit, table: str | None) -> Changes:
    """What the fit changes in a bench; `table`: the path of the greys' table as the file names it.

    Raises BenchError where this bench has no place for the result.
    """
    if fit.table is not None:
        if table is None:
            raise BenchError("the new bench file needs the greys' table as a file")
        gone = ("levels", "depth_deg", "phase_step_deg", "greys")
        return {
            ("modulator", "alphabet"): "table",
            ("modulator", "table"): table,
            **{("modulator", key): None for key in gone},
            **measured_at(bench, stack),
        }
    if stack.step.changes is None:
        raise BenchError(f"no key of the bench file holds the result of {fit.step}")
    found = {value.name: (value.value, value.uncertainty) for value in fit.values}
    return stack.step.changes(bench, stack, found)


# --- the table, and what else differs --------------------------------------------------------


def table_text(bench: Bench, table: GreyTable) -> str:
    """The table as the bench file takes it: every grey of the panel between those measured."""
    greys = benches.modulator(bench).alphabet.greys
    full = filled(table, greys) if greys.size <= MOST_GREYS else table
    columns = [full.greys.tolist(), np.round(full.phase_deg, 4).tolist()]
    header = ["grey", "phase_deg"]
    if full.amplitude is not None:
        header.append("amplitude")
        columns.append(np.round(full.amplitude, 6).tolist())
    return csv_text(header, [list(row) for row in zip(*columns, strict=True)])


def differing(bench: Bench, other: Bench) -> tuple[str, ...]:
    """Keys, as in "[light] waist_mm", in which two benches differ; of data files what is in them.

    Of the design only the carrier counts, of the targets nothing.
    """
    written = [benches.resolved(each) for each in (bench, other)]
    return tuple(
        f"[{section}] {key}"
        for section, model in SECTIONS.items()
        for key in model.model_fields
        if section != "targets" and (section != "design" or key.startswith("carrier"))
        if _content(bench, written[0], section, key) != _content(other, written[1], section, key)
    )


def _content(bench: Bench, written: Mapping[str, Any], section: str, key: str) -> object:
    value = getattr(getattr(bench, section), key)
    if isinstance(value, DataFile):
        return value.data.tolist()
    found = written[section].get(key)
    # a sum of squares may come back with another last digit
    return round(found, 12) if isinstance(found, float) else found


def relative(path: Path, start: Path) -> str:
    """How a bench file in the folder `start` names a file."""
    return Path(os.path.relpath(path.resolve(), start.resolve())).as_posix()
