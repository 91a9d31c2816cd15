"""A new bench file with what a bring-up found, and the table of greys beside it."""

from collections.abc import Sequence
from pathlib import Path

from maskforge import bench as benches
from maskforge.align.alignment import StepFit, update_of
from maskforge.align.bench_update import differing, relative, table_text
from maskforge.base.errors import BenchError, OutputError
from maskforge.base.files import check_place, write_text
from maskforge.bench.edit import moved_paths, with_keys
from maskforge.bench.files import bench_source, parsed


def table_place(found: Sequence[StepFit], write: Path) -> Path | None:
    """Where the greys' table of a new bench file goes; None where no step measured one."""
    if all(each.fit.table is None for each in found):
        return None
    return write.with_name(f"{write.stem}-greys.csv")


def write_bench(
    found: Sequence[StepFit], update: str, write: Path, table: Path | None = None
) -> tuple[str, ...]:
    """Writes `update`'s text with what was found to a new file; what to tell of it, in lines.

    `table`: where the greys' table goes, beside the new file if left out.  Raises BenchError where
    nothing of it has a key, OutputError where a file is there; nothing is then written.
    """
    place = table or table_place(found, write)
    for new in (write, place if table is None else None):
        if new is not None:
            check_place(new)
            if new.exists():
                raise OutputError(f"{new}: is there already; a bench is never written over")
    source, bench = bench_source(update), benches.load(update)
    result = update_of(bench, found, None if place is None else relative(place, write.parent))
    if not result.changes:
        raise BenchError(f"{write}: not written: {'; '.join(result.left)}")
    changed = moved_paths(bench, write.parent) | result.changes
    text = with_keys(source.text, changed, source.shown_as)
    fresh = place is not None and not place.exists()
    if place is not None:
        write_text(place, greys_text(found))
    try:
        # loaded once: what cannot be used is better known now
        benches.from_dict(parsed(text, str(write)), str(write), write.parent)
    except BaseException:
        if place is not None and fresh:
            place.unlink(missing_ok=True)
        raise
    write_text(write, text)
    others = list(dict.fromkeys(name for each in found for name in differing(bench, each.own)))
    told = [f"! {update} is not the bench of the stack: {', '.join(others)} differ"] * bool(others)
    told += [f"! {line}" for line in result.left]
    if place is not None and table is None:
        told.append(f"greys and their phases in {place}")
    return (*told, f"new bench file {write}")


def greys_text(found: Sequence[StepFit]) -> str:
    """The last table of greys that a step measured; BenchError where none did."""
    for each in reversed(found):
        if each.fit.table is not None:
            return table_text(each.stack.bench, each.fit.table)
    raise BenchError("no step measured a table of greys")
