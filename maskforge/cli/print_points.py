"""The printed table of purity against efficiency, and its CSV file."""

from collections.abc import Sequence
from operator import attrgetter

from maskforge.base.columns import Column, csv_table, named
from maskforge.base.wording import counted, rounded
from maskforge.cli.terminal import print_table, say, table_of_rows
from maskforge.launch.prediction import insertion_loss_db, unwanted_db
from maskforge.launch.targets import Target
from maskforge.sets.mask_columns import decibel, percent, unwanted
from maskforge.study.tradeoff import Point


def _efficiency(share: float) -> str:
    return rounded(100 * share, 3)


def _asked(share: float) -> str:
    return f"{100 * share:.10g}"


COLUMNS: tuple[Column[Point], ...] = (
    Column("alphabet", attrgetter("alphabet"), "alphabet", left=True),
    Column("asked_purity", attrgetter("asked"), "asked\npurity %", _asked),
    Column("bound", attrgetter("bound"), "bound\n%", _efficiency),
    Column("bound_db", lambda one: insertion_loss_db(one.bound), "bound\nloss dB", decibel),
    Column("bound_purity", attrgetter("bound_purity")),
    Column("bound_asked", attrgetter("bound_asked")),
    Column("purity", attrgetter("purity"), "reached\npurity %", percent),
    Column("efficiency", attrgetter("efficiency"), "reached\n%", _efficiency),
    Column("loss_db", lambda one: insertion_loss_db(one.efficiency), "reached\nloss dB", decibel),
    Column("gap", attrgetter("gap"), "gap\n%", percent),
    Column("unwanted_db", lambda one: unwanted_db(one.purity), "unwanted\npower dB", unwanted),
    Column("reached", attrgetter("reached"), "", lambda reached: "" if reached else "!"),
    Column("status", attrgetter("status")),
)
"""Powers and purities are shares."""

IN_FILE = named(
    COLUMNS,
    *("alphabet", "asked_purity", "bound", "bound_purity", "bound_asked", "purity", "efficiency"),
    *("gap", "unwanted_db", "reached", "status"),
)

PRINTED = named(
    COLUMNS,
    *("alphabet", "asked_purity", "bound", "bound_db", "purity", "unwanted_db", "efficiency"),
    *("loss_db", "gap", "reached"),
)


def points_text(target: Target, points: Sequence[Point]) -> str:
    """The points of a target as CSV."""
    of_target: tuple[Column[Point], ...] = (
        Column("target", lambda _: target.name),
        Column("orientation_deg", lambda _: target.orientation),
    )
    return csv_table([*of_target, *IN_FILE], points)


def limit_text(asked: float, bound: float) -> str:
    """What is proven of an asked purity: its bound, or that no mask has it."""
    if bound <= 0:
        return f"no mask is {100 * asked:.10g} % pure"
    return f"at {100 * asked:.10g} % no mask launches more than {100 * bound:.3g} %"


def print_points(points: Sequence[Point]) -> None:
    """The table of points and, of those that fell short, why."""
    print_table(table_of_rows(PRINTED, points))
    missed = [one for one in points if not one.reached]
    if missed:
        say(f"\n! {len(missed)} of {counted(len(points), 'mask')} did not reach the asked purity:")
    for one in missed:
        limit = ""
        if one.lowered:
            limit = (
                f" (its bound: at {100 * one.bound_purity:.6g} % purity; "
                f"{limit_text(one.asked, one.bound_asked)})"
            )
        say(f"  {one.alphabet} at {100 * one.asked:.10g} %: {one.status}{limit}")
