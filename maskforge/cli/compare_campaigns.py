"""maskforge compare with campaigns: the sets of one side by side, or of two set by set."""

from collections.abc import Sequence
from dataclasses import dataclass
from operator import attrgetter
from pathlib import Path

from maskforge.base.columns import Column, csv_table
from maskforge.base.errors import BenchError
from maskforge.base.files import write_text
from maskforge.base.wording import counted, rounded, some_of
from maskforge.cli.last_lines import say_next, typed
from maskforge.cli.print_campaign import print_campaign
from maskforge.cli.terminal import print_table, say, table_of_rows
from maskforge.sets.campaign import is_campaign, read_list
from maskforge.sets.campaign_table import SetFigures, all_figures, table_text
from maskforge.sets.mask_columns import decibel, percent


@dataclass(frozen=True)
class SetPair:
    """The sets of one name in two campaigns."""

    one: SetFigures
    other: SetFigures

    @property
    def purity_change(self) -> float:
        """Of the least pure masks, the second campaign's against the first's, a share."""
        return self.other.worst.purity - self.one.worst.purity

    @property
    def loss_change(self) -> float:
        """Of the median insertion loss, dB."""
        return self.other.median_loss - self.one.median_loss


COLUMNS: tuple[Column[SetPair], ...] = (
    Column("set", attrgetter("one.entry.name"), "set", left=True),
    Column("worst_purity_first", attrgetter("one.worst.purity"), "worst\npurity %\nfirst", percent),
    Column("worst_purity_second", attrgetter("other.worst.purity"), "\n\nsecond", percent),
    Column(
        "worst_purity_change",
        attrgetter("purity_change"),
        "\n\nchange",
        lambda share: rounded(100 * share, 4),
    ),
    Column(
        "median_loss_db_first", attrgetter("one.median_loss"), "median\nloss dB\nfirst", decibel
    ),
    Column("median_loss_db_second", attrgetter("other.median_loss"), "\n\nsecond", decibel),
    Column(
        "median_loss_db_change",
        attrgetter("loss_change"),
        "\n\nchange",
        lambda change: rounded(change, 3),
    ),
)


def are_campaigns(names: Sequence[str]) -> bool:
    """Whether campaigns are to be compared; BenchError for more than two, or others beside one."""
    found = [name for name in names if is_campaign(Path(name))]
    if found and (len(found) < len(names) or len(found) > 2):
        raise BenchError(f"{found[0]}: is a campaign; compare one by itself, or with another one")
    return bool(found)


def compare_campaigns(folders: Sequence[str], csv: Path | None) -> None:
    """Prints, and writes where asked, the sets of one campaign or the same sets of two."""
    places = [Path(folder) for folder in folders]
    known = [read_list(place) for place in places]
    rows = [all_figures(place, one) for place, one in zip(places, known, strict=True)]
    if len(places) == 1:
        print_campaign(known[0], rows[0])
        text = table_text(known[0].keys, rows[0])
    else:
        text = csv_table(COLUMNS, _compared(places, *rows))
    if csv is not None:
        write_text(csv, text)
    say_next(f"{typed('compare', places[0] / 'SET', places[-1] / 'SET')} for two of the sets")


def _compared(
    places: Sequence[Path], first: Sequence[SetFigures], second: Sequence[SetFigures]
) -> list[SetPair]:
    """The sets that both campaigns have, printed."""
    others = {one.entry.name: one for one in second}
    both = [SetPair(one, others[one.entry.name]) for one in first if one.entry.name in others]
    pairs = [pair for pair in both if pair.one.figures_of == pair.other.figures_of]
    say(f"first: {places[0]}, second: {places[1]}\n")
    if pairs:
        print_table(table_of_rows(COLUMNS, pairs))
    say(f"\n{counted(len(pairs), 'set')} in both")
    apart = [pair.one.entry.name for pair in both if pair not in pairs]
    if apart:
        say(f"figures of the launch in one, of a device's outputs in the other: {some_of(apart)}")
    for which, only in (("first", first), ("second", second)):
        names = {pair.one.entry.name for pair in both}
        alone = [one.entry.name for one in only if one.entry.name not in names]
        if alone:
            say(f"only in the {which}: {some_of(alone)}")
    return pairs
