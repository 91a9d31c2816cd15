"""The page of a set that lies in a folder, from its files."""

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import TypeGuard

from threadpoolctl import threadpool_limits

from maskforge.base.errors import BenchError
from maskforge.base.json_text import json_of
from maskforge.base.regular_files import read_regular
from maskforge.base.wording import one_line, shown
from maskforge.bench import Bench
from maskforge.bench.ready import Prepared
from maskforge.launch.couplings import Launch
from maskforge.launch.targets import Target
from maskforge.report.page.looks import Look, looking
from maskforge.report.page.page import Rows, mode_groups, page_template, page_text
from maskforge.report.page.purity_by_group import groups_in
from maskforge.sets.names import MANIFEST, TOLERANCE
from maskforge.sets.reading import WrittenSet, check_records, checked_pages, couplings_of, robust_in
from maskforge.sets.rebuilding import bench_of, launch_of, read_states, targets_in

LARGEST_TABLE = 2**20
"""Bytes of a table of tolerances: some thousand rows."""


def page_ahead(launch: Launch) -> None:
    """Makes what the page of a launch has whatever its masks are, while others design these."""
    page_template()
    mode_groups(launch)


def page_of_set(
    written: WrittenSet, ready: Prepared | None = None, looks: Iterable[Look] | None = None
) -> str:
    """The page of a written set.

    `ready`: its bench, where that is at hand; else it is built from the manifest.  `looks`: how
    its masks look, likewise; else its stack is looked at.  Raises BenchError, one line, where
    a file of the set is missing or does not go with the others.
    """
    # one thread: several would wait for each other on products as small as these
    with threadpool_limits(1):
        # from the manifest even so: it names the data files as they lie in the set
        bench = bench_of(written)
        launch = launch_of(bench) if ready is None else ready.launch
        return written_page(
            written,
            bench,
            launch,
            _looks(written, bench, launch) if looks is None else looks,
            tolerance_of(written.folder),
        )


def written_page(
    written: WrittenSet,
    bench: Bench,
    launch: Launch,
    looks: Iterable[Look],
    tolerance: Rows | None,
) -> str:
    """The same of a set whose bench is built, with looks of the masks that are given."""
    check_records(written)
    _check_modes(written, launch)
    return page_text(
        written.title,
        bench,
        launch,
        written.masks,
        [
            () if target is None else groups_in(launch.ends, target)
            for target in _targets(written, bench, launch)
        ],
        couplings_of(written),
        looks,
        tolerance,
        robust_in(written),
        written.launches,
        written.bands,
    )


def _targets(written: WrittenSet, bench: Bench, launch: Launch) -> list[Target | None]:
    """Each mask's; None where the bench has none of that name and orientation."""
    targets = targets_in(bench, launch.basis)
    return [targets.get((mask.target, mask.orientation_deg)) for mask in written.masks]


def _looks(written: WrittenSet, bench: Bench, launch: Launch) -> Iterator[Look]:
    """Of each page, one page at a time."""
    look = looking(launch)
    targets = _targets(written, bench, launch)
    known = zip(written.masks, checked_pages(written), targets, couplings_of(written), strict=True)
    for mask, picture, target, found in known:
        try:
            states = read_states(launch.modulator, picture)
        except BenchError as error:
            raise BenchError(
                one_line(f"{written.stack}: page {mask.page} ({mask.name}): {error}")
            ) from None
        yield look(target, states, found)


def _check_modes(written: WrittenSet, launch: Launch) -> None:
    """BenchError where the manifest's modes are not those of its bench."""
    own = [(mode.label, mode.part, mode.polarisation) for mode in launch.basis]
    listed = [
        tuple(mode.get(key) for key in ("label", "part", "polarisation"))
        if isinstance(mode, dict)
        else mode
        for mode in written.modes
    ]
    if listed != own:
        raise BenchError(
            f"{written.folder / MANIFEST}: modes: are not the {len(own)} that its bench's fibre "
            "guides; maskforge check tells how they differ"
        )


def tolerance_of(folder: Path) -> Rows | None:
    """Header and rows of tolerance.json as text; None without one; BenchError for a bad one."""
    path = folder / TOLERANCE
    if not path.exists():
        return None
    try:
        text = read_regular(path, LARGEST_TABLE)
        content = json_of(text)
    except OSError as error:
        raise BenchError(f"{path}: cannot be read ({error.strerror})") from error
    except (ValueError, RecursionError) as error:
        raise BenchError(one_line(f"{path}: is not JSON ({error})")) from error
    columns = content.get("columns") if isinstance(content, dict) else None
    rows = content.get("rows") if isinstance(content, dict) else None
    if not _is_row(columns) or not isinstance(rows, list):
        raise BenchError(f'{path}: must be {{"columns": [names], "rows": [[values], ...]}}')
    for place, row in enumerate(rows):
        if not _is_row(row) or len(row) != len(columns):
            raise BenchError(
                one_line(
                    f"{path}: rows[{place}] = {shown(row)}: must be a list of {len(columns)} "
                    "texts or numbers, as there are columns"
                )
            )
    return [[_cell(value) for value in row] for row in [columns, *rows]]


def _is_row(value: object) -> TypeGuard[Sequence[str | float | None]]:
    """A list of texts, numbers and nulls that holds something."""
    return (
        isinstance(value, list)
        and bool(value)
        and all(item is None or isinstance(item, str | int | float) for item in value)
    )


def _cell(value: str | float | None) -> str:
    if value is None:
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.6g}" if isinstance(value, float) else str(value)
