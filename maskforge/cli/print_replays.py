"""The printed table of what masks launch on another bench, and its CSV file."""

from collections.abc import Callable, Sequence
from operator import attrgetter

from maskforge.base.columns import Column, alike, named, of_part, worst_and_median
from maskforge.base.csv_text import Cell
from maskforge.base.wording import rounded
from maskforge.cli.terminal import LONG_SET, print_table, table_of_rows
from maskforge.launch.noise_budget import SHARES
from maskforge.launch.prediction import Prediction, insertion_loss_db, unwanted_db
from maskforge.sets import mask_columns
from maskforge.sets.mask_columns import decibel, percent
from maskforge.study.replay import Replay

OF_MASK = named(mask_columns.COLUMNS, "index", "target", "orientation_deg")


def _now(figure: Callable[[Prediction], Cell]) -> Callable[[Replay], Cell]:
    """A figure of the prediction, None where there is none."""
    return lambda one: None if one.prediction is None else figure(one.prediction)


def _change(one: Replay) -> float | None:
    return None if one.prediction is None else one.prediction.purity - one.mask.purity


COLUMNS: tuple[Column[Replay], ...] = (
    *(of_part(column, attrgetter("mask")) for column in OF_MASK),
    Column(
        "guided",
        lambda one: one.prediction is not None,
        "",
        lambda guided: "" if guided else "! not guided",
    ),
    Column("purity_before", attrgetter("mask.purity"), "purity %\nbefore", percent, worst=min),
    Column("purity", _now(attrgetter("purity")), "purity %\nnow", percent, worst=min),
    Column("purity_change", _change, "change\n%", lambda share: f"{100 * share:+.4f}", worst=min),
    Column("group_purity_before", attrgetter("mask.group_purity")),
    Column("group_purity", _now(attrgetter("group_purity"))),
    Column("efficiency_before", attrgetter("mask.efficiency")),
    Column("efficiency", _now(attrgetter("efficiency"))),
    Column("unwanted_db_before", attrgetter("mask.unwanted_db")),
    Column("unwanted_db", _now(lambda found: unwanted_db(found.purity))),
    Column("loss_db_before", attrgetter("mask.loss_db"), "loss dB\nbefore", decibel, worst=max),
    Column(
        "loss_db",
        _now(lambda found: insertion_loss_db(found.efficiency)),
        "loss dB\nnow",
        decibel,
        worst=max,
    ),
)
"""Of the mask as the manifest has it, and of what it launches now."""

IN_FILE = named(
    COLUMNS,
    *("index", "target", "orientation_deg", "guided", "purity_before", "purity", "purity_change"),
    *("group_purity_before", "group_purity", "efficiency_before", "efficiency"),
    *("unwanted_db_before", "unwanted_db"),
)
"""Purities and efficiencies are shares."""

PRINTED = named(
    COLUMNS,
    *("target", "orientation_deg", "purity_before", "purity", "purity_change"),
    *("loss_db_before", "loss_db", "guided"),
)


def _share(name: str) -> Callable[[Replay], Cell]:
    """A share of the budget, None where it is not known."""
    return lambda one: None if one.budget is None else getattr(one.budget, name)


def _percent(share: float) -> str:
    return rounded(100 * share, 2)


OF_BUDGET: tuple[Column[Replay], ...] = tuple(
    # of several masks, the one that sends most there; of the target, least
    Column(
        f"share_{name}",
        _share(name),
        heading.replace(" ", "\n"),
        _percent,
        worst=min if name == "target" else max,
    )
    for name, heading in SHARES.items()
)
"""Where the light goes, in shares of the beam; in print as the others in percent."""

OF_LABEL: tuple[Column[Sequence[Replay]], ...] = (
    Column("target", lambda own: own[0].mask.target, "target", left=True),
    Column("masks", len, "masks"),
)
LOST: Column[Sequence[Replay]] = Column(
    "lost",
    lambda own: sum(one.prediction is None for one in own),
    text=lambda lost: f"! {lost} not guided" if lost else "",
)
"""Behind the numbers of a label."""


def print_replays(replays: Sequence[Replay]) -> None:
    """The table: a row a mask, or of a long set the worst and the median of each label."""
    if len(replays) <= LONG_SET:
        print_table(table_of_rows(PRINTED, replays))
        return
    columns = [*OF_LABEL, *worst_and_median(PRINTED), LOST]
    print_table(table_of_rows(columns, alike(replays, attrgetter("mask.target"))))


def print_budgets(replays: Sequence[Replay]) -> None:
    """Where the light goes: a row a mask, or of a long set the median of each label."""
    if len(replays) <= LONG_SET:
        names = named(COLUMNS, "target", "orientation_deg")
        print_table(table_of_rows([*names, *OF_BUDGET], replays))
        return
    medians = [column for column in worst_and_median(OF_BUDGET) if column.name.endswith("median")]
    print_table(table_of_rows([*OF_LABEL, *medians], alike(replays, attrgetter("mask.target"))))
