"""maskforge compare SET SET: two finished sets, target by target."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from operator import attrgetter
from pathlib import Path
from statistics import median

from threadpoolctl import threadpool_limits

from maskforge.base.columns import Column, alike, csv_table, named, of_part, worst_and_median
from maskforge.base.errors import BenchError
from maskforge.base.files import write_text
from maskforge.base.wording import counted, rounded, shown, some_of
from maskforge.bench.differences import Difference
from maskforge.cli.last_lines import say_next, typed
from maskforge.cli.terminal import LONG_SET, print_table, say, table_of_rows
from maskforge.launch.prediction import unwanted_db
from maskforge.sets import mask_columns
from maskforge.sets.manifest import Record
from maskforge.sets.mask_columns import decibel, percent, unwanted
from maskforge.sets.names import SET
from maskforge.sets.reading import read_set
from maskforge.study.set_comparison import MaskPair, SetComparison, sets_compared

SHOWN_CHANGE = 5e-7
"""Of a purity: from here on it shows in print."""


def _both(name: str, heading: str = "") -> Iterator[Column[MaskPair]]:
    """A column of the table of masks for each set."""
    (own,) = named(mask_columns.COLUMNS, name)
    for which, part in (("first", "one"), ("second", "other")):
        column = of_part(own, attrgetter(part))
        yield replace(column, name=f"{name}_{which}", heading=f"{heading}\n{which}")


def _signed(value: float, digits: int) -> str:
    text = rounded(value, digits)
    return text if text.startswith("-") else f"+{text}"


COLUMNS: tuple[Column[MaskPair], ...] = (
    *(
        of_part(column, attrgetter("one"))
        for column in named(mask_columns.COLUMNS, "target", "orientation_deg")
    ),
    *_both("method", "method"),
    *_both("purity", "purity %"),
    *_both("group_purity"),
    *_both("unwanted_db"),
    *_both("efficiency"),
    *_both("loss_db", "loss dB"),
    *_both("bound"),
    *_both("gap"),
    Column(
        "purity_change",
        attrgetter("purity_change"),
        "change\n%",
        lambda share: _signed(100 * share, 4),
        worst=min,
    ),
    Column(
        "loss_change_db",
        attrgetter("loss_change"),
        "change\ndB",
        lambda change: _signed(change, 3),
        worst=max,
    ),
    Column("same_pixels", attrgetter("same_pixels"), "", lambda same: "same" if same else ""),
)

PRINTED = named(
    COLUMNS,
    *("target", "orientation_deg", "method_first", "method_second"),
    *("purity_first", "purity_second", "purity_change"),
    *("loss_db_first", "loss_db_second", "loss_change_db", "same_pixels"),
)

OF_LABEL: tuple[Column[Sequence[MaskPair]], ...] = (
    Column("target", lambda own: own[0].one.target, "target", left=True),
    Column("masks", len, "masks"),
)


def are_sets(names: Sequence[str]) -> bool:
    """Whether finished sets are to be compared; BenchError for others than two of them."""
    sets = [name for name in names if SET.holds(Path(name))]
    if not sets:
        return False
    if len(sets) < len(names):
        other = next(name for name in names if name not in sets)
        raise BenchError(f"{other}: is no set, {sets[0]} is one; compare two sets, or benches")
    if len(sets) != len(("first", "second")):
        raise BenchError(f"{counted(len(sets), 'set')}: two are compared")
    return True


def compare_sets(folders: Sequence[str], csv: Path | None) -> None:
    """Prints, and writes where asked, how the second set differs from the first."""
    one, other = (read_set(Path(folder)) for folder in folders)
    with threadpool_limits(1):
        found = sets_compared(one, other)
    say(f"first: {one.folder}, second: {other.folder}\n")
    if len(found.pairs) > LONG_SET:
        columns = [*OF_LABEL, *worst_and_median(PRINTED)]
        print_table(table_of_rows(columns, alike(found.pairs, attrgetter("one.target"))))
    elif found.pairs:
        print_table(table_of_rows(PRINTED, found.pairs))
    _print_summary(found)
    _print_bench(found.bench)
    if csv is not None:
        write_text(csv, csv_table(COLUMNS, found.pairs))
    say_next(f"{typed('tolerance', folders[1])} for what errors cost it")


def _print_summary(found: SetComparison) -> None:
    if found.pairs:
        say(f"\n{counted(len(found.pairs), 'target')} in both: {_alike(found.pairs)}")
        say(f"first: {_figures([pair.one for pair in found.pairs])}")
        say(f"second: {_figures([pair.other for pair in found.pairs])}")
    else:
        say("no target is in both")
    for which, only in (("first", found.only_one), ("second", found.only_other)):
        if only:
            say(f"only in the {which}: {some_of([mask.name for mask in only])}")


def _figures(masks: Sequence[Record]) -> str:
    least = min(masks, key=lambda mask: mask.purity)
    level = unwanted(median(unwanted_db(mask.purity) for mask in masks))
    loss = decibel(median(mask.loss_db for mask in masks))
    return (
        f"least pure {least.name}, {percent(least.purity)} %; unwanted power {level} dB and loss "
        f"{loss} dB in the median"
    )


def _alike(pairs: Sequence[MaskPair]) -> str:
    same = sum(pair.same_pixels for pair in pairs)
    purer = sum(pair.purity_change > SHOWN_CHANGE for pair in pairs)
    less = sum(pair.purity_change < -SHOWN_CHANGE for pair in pairs)
    return f"{same} with the same pixels; {purer} purer in the second, {less} less pure"


def _print_bench(changed: Sequence[Difference]) -> None:
    say("\nthe benches are the same" if not changed else "\nwhat the benches have different:")
    for one in changed:
        first, second = ("none" if value is None else shown(value) for value in one.values)
        what = f"other content ({first}, {second})" if one.content else f"{first} -> {second}"
        say(f"  {one.name}: {what}")
