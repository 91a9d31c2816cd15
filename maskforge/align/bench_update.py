"""What a fit changes in a bench file."""

import os
from dataclasses import replace
from pathlib import Path

import numpy as np

from maskforge import bench as benches
from maskforge.align.fit import Changes, Fit, GreyTable
from maskforge.align.grey_fits import SAME, filled, measured_at
from maskforge.align.stack import Stack
from maskforge.base.csv_text import csv_text
from maskforge.base.errors import BenchError
from maskforge.bench import Bench
from maskforge.bench.differences import differences

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
    return stack.step.changes(bench, stack, fit.results)


# --- the table, and what else differs --------------------------------------------------------


def table_text(bench: Bench, table: GreyTable) -> str:
    """The table as the bench file takes it: every grey of the panel between those measured."""
    many = benches.modulator(bench).alphabet.size > MOST_GREYS
    full = with_amplitudes(bench, table) if many else whole_table(bench, table)
    columns = [full.greys.tolist(), np.round(full.phase_deg, 4).tolist()]
    header = ["grey", "phase_deg"]
    if full.amplitude is not None:
        header.append("amplitude")
        columns.append(np.round(full.amplitude, 6).tolist())
    return csv_text(header, [list(row) for row in zip(*columns, strict=True)])


def whole_table(bench: Bench, table: GreyTable) -> GreyTable:
    """The table with every grey of the panel."""
    return with_amplitudes(bench, filled(table, benches.modulator(bench).alphabet.greys))


def with_amplitudes(bench: Bench, table: GreyTable) -> GreyTable:
    """The table with the bench's amplitudes, where none were measured and not all are 1."""
    alphabet = benches.modulator(bench).alphabet
    own = np.abs(alphabet.values)
    if table.amplitude is not None or np.ptp(own) < SAME:
        return table
    size_of = dict(zip(alphabet.greys.tolist(), own.tolist(), strict=True))
    return replace(table, amplitude=np.array([size_of[int(grey)] for grey in table.greys]))


def differing(bench: Bench, other: Bench) -> tuple[str, ...]:
    """Keys, as in "[light] waist_mm", in which two benches differ; of data files what is in them.

    Of the design only the carrier counts, of the targets nothing.
    """
    return tuple(
        one.name
        for one in differences(bench, other)
        if one.section != "targets" and (one.section != "design" or one.key.startswith("carrier"))
    )


def relative(path: Path, start: Path) -> str:
    """How a bench file in the folder `start` names a file."""
    return Path(os.path.relpath(path.resolve(), start.resolve())).as_posix()
