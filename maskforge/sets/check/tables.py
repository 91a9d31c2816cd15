"""The CSV files of a set, held against its manifest and its couplings."""

import csv
import io
import math
from collections.abc import Iterator
from pathlib import Path

from maskforge.base.regular_files import check_lines, open_regular
from maskforge.base.wording import shown
from maskforge.sets.check.claims import Claims, Complaint
from maskforge.sets.manifest import coupling_text, output_text
from maskforge.sets.mask_columns import records_text
from maskforge.sets.names import COUPLINGS, MANIFEST, OUTPUTS

LARGEST = 2**30
"""Bytes of a table: that of couplings has 20 a mask and mode.  A row is in memory at a time."""

ROUNDED = 1e-12
"""Of a number: how far a spreadsheet that saved the table again may have rounded it."""


def table_problems(claims: Claims) -> Iterator[Complaint]:
    """Where masks.csv is not the manifest's table, and coupling.csv not that of coupling.npz.

    Without couplings, or where the modes disagree, coupling.csv has nothing to be held against.
    """
    written = claims.written
    yield from _compared(claims, "masks.csv", records_text(written.masks), MANIFEST)
    if claims.couplings is not None and claims.same_modes:
        text = coupling_text(claims.launch.basis, written.masks, claims.couplings)
        yield from _compared(claims, "coupling.csv", text, f"{MANIFEST} and {COUPLINGS}")
    passage = claims.launch.setup.passage
    if passage is not None and claims.couplings is not None and claims.same_modes:
        found = passage.through(claims.couplings)
        text = output_text(passage.outputs, written.masks, found)
        yield from _compared(claims, OUTPUTS, text, f"{COUPLINGS} and the device's matrix")


def _compared(claims: Claims, name: str, expected: str, source: str) -> Iterator[Complaint]:
    """A problem a row that differs from the text that `source` gives."""
    masks = claims.written.masks
    wanted = csv.reader(io.StringIO(expected))
    header = next(wanted)
    try:
        found = list(_rows(claims.written.folder / name))
    except OSError as error:
        yield Complaint(None, f"{name}: cannot be read ({error.strerror})")
        return
    except (UnicodeDecodeError, csv.Error) as error:
        yield Complaint(None, f"{name}: not a CSV file ({error})")
        return
    if not found or found[0] != header:
        yield Complaint(None, f"{name}: the first line must be {','.join(header)}")
        return
    if len(found) - 1 != len(masks):
        yield Complaint(None, f"{name}: {len(found) - 1} rows, {MANIFEST} has {len(masks)} masks")
    for mask, row, cells in zip(masks, wanted, found[1:], strict=False):
        if len(cells) != len(row):
            yield Complaint(mask, f"{name}: {len(cells)} cells in its row, {len(row)} are needed")
            continue
        wrong = [
            f"{key} {shown(cell)} in {name}, {shown(value)} in {source}"
            for key, value, cell in zip(header, row, cells, strict=True)
            if not _same(value, cell)
        ]
        if wrong:
            more = f" (and {len(wrong) - 1} more)" if len(wrong) > 1 else ""
            yield Complaint(mask, wrong[0] + more)


def _rows(path: Path) -> Iterator[list[str]]:
    with open_regular(path, LARGEST) as raw:
        check_lines(raw)
        file = io.TextIOWrapper(raw, encoding="utf-8-sig", newline="")
        yield from (row for row in csv.reader(file) if row)


def _same(value: str, cell: str) -> bool:
    """Whether two cells say the same, numbers to ROUNDED."""
    if value == cell:
        return True
    try:
        return math.isclose(float(value), float(cell), rel_tol=ROUNDED)
    except ValueError:
        return False
