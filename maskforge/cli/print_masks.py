"""The printed table of masks, and what lines below it tell of them."""

from collections.abc import Callable, Sequence
from operator import attrgetter
from statistics import median

from maskforge.base.columns import Column, alike, worst_and_median
from maskforge.base.wording import counted, some_of
from maskforge.cli.terminal import LONG_SET, print_table, say, table_of_rows
from maskforge.launch.prediction import insertion_loss_db
from maskforge.methods.problem import NEAR_PHASES
from maskforge.sets.manifest import LaunchFigures, PurityBand, Record, RobustFigures
from maskforge.sets.mask_columns import PRINTED, decibel, percent

OF_LABEL: tuple[Column[Sequence[Record]], ...] = (
    Column("target", lambda own: own[0].target, "target", left=True),
    Column("masks", len, "masks"),
    Column("method", lambda own: own[0].method, "method", left=True),
)
MISSED: Column[Sequence[Record]] = Column(
    "missed",
    lambda own: sum(not mask.reached for mask in own),
    text=lambda missed: f"! {missed}" if missed else "",
)
"""Behind the numbers of a label."""


def print_masks(
    masks: Sequence[Record],
    asked: float,
    robust: Sequence[RobustFigures] = (),
    launches: Sequence[LaunchFigures] = (),
    bands: Sequence[PurityBand] = (),
) -> None:
    """The table of a set and, where masks are less pure than `asked` (a share), which and why.

    `robust`: of those that are for several scenarios.  `launches`: of those whose figures are for
    the outputs of a device, `bands`: how sure these are.
    """
    known = [one for one in PRINTED if any(one.value(mask) is not None for mask in masks)]
    if len(masks) > LONG_SET:
        columns = [*OF_LABEL, *worst_and_median(known), MISSED]
        print_table(table_of_rows(columns, alike(masks, attrgetter("target"))))
    else:
        print_table(table_of_rows(known, masks))
    if launches:
        _print_launches(masks, launches)
    if bands:
        _print_bands(masks, bands)
    if robust:
        _print_robust(masks, robust)
    missed = [mask for mask in masks if not mask.reached]
    if not missed:
        return
    say(
        f"\n! {len(missed)} of {counted(len(masks), 'mask')} did not reach the asked purity of "
        f"{100 * asked:.10g} %:"
    )
    for status in dict.fromkeys(mask.status for mask in missed):
        say(f"  {some_of([mask.name for mask in missed if mask.status == status])}: {status}")


OF_LAUNCH: tuple[Column[tuple[Record, LaunchFigures]], ...] = (
    Column("name", lambda both: both[0].name, "mask", left=True),
    Column("output_purity", lambda both: both[0].purity, "purity %\nof output", percent),
    Column("purity", lambda both: both[1].purity, "purity %\nof launch", percent),
    Column("output_loss", lambda both: both[0].loss_db, "loss dB\nto output", decibel),
    Column(
        "loss",
        lambda both: insertion_loss_db(both[1].efficiency),
        "loss dB\nto launch",
        decibel,
    ),
    Column("passed", lambda both: insertion_loss_db(both[1].passed), "loss dB\nin device", decibel),
)


def _of_band(key: str) -> Callable[[tuple[Record, PurityBand]], float]:
    return lambda both: float(getattr(both[1], key))


def _print_launches(masks: Sequence[Record], launches: Sequence[LaunchFigures]) -> None:
    """What the launch's own figures are beside those of a device's outputs."""
    say("\nPurity, loss and gap are those at the outputs of the device.")
    if len(masks) > LONG_SET:
        least = min(launches, key=lambda one: one.purity)
        most = min(launches, key=lambda one: one.passed)
        say(
            f"The launch's own: least pure {masks[least.index].name}, {percent(least.purity)} %; "
            f"the device loses most of {masks[most.index].name}, "
            f"{decibel(insertion_loss_db(most.passed))} dB"
        )
        return
    say("Beside them the launch's own, of the sum of modes that gives the output:\n")
    print_table(table_of_rows(OF_LAUNCH, list(zip(masks, launches, strict=True))))


OF_BAND: tuple[Column[tuple[Record, PurityBand]], ...] = (
    Column("name", lambda both: both[0].name, "mask", left=True),
    Column("purity", lambda both: both[0].purity, "purity %\nas measured", percent),
    *(
        Column(key, _of_band(key), heading, percent)
        for key, heading in (("low", "5 %\nbelow"), ("median", "\nmedian"), ("high", "95 %\nbelow"))
    ),
)


def _print_bands(masks: Sequence[Record], bands: Sequence[PurityBand]) -> None:
    """What the standard errors of a device's matrix make of the purities."""
    say("\nPurity with the standard errors of the device's matrix, by Monte Carlo:\n")
    if len(masks) <= LONG_SET:
        print_table(table_of_rows(OF_BAND, list(zip(masks, bands, strict=True))))
        return
    least = min(bands, key=lambda one: one.low)
    say(
        f"the least sure {masks[least.index].name}: {percent(least.low)} % to "
        f"{percent(least.high)} % in 90 % of the draws"
    )


def _print_robust(masks: Sequence[Record], robust: Sequence[RobustFigures]) -> None:
    """Of masks for several scenarios: the worst, what it would be without, and their own gap."""
    least = min(robust, key=lambda one: one.worst.purity)
    before = min(each.purity_before for one in robust for each in one.scenarios)
    say(
        f"\nOver {counted(len(least.scenarios), 'scenario')}: least pure "
        f"{masks[least.index].name} at {least.worst.name}, {percent(least.worst.purity)} %; "
        f"masks for the nominal one alone go down to {percent(before)} %"
    )
    own = [one.gap for one in robust if one.gap is not None]
    if own:
        say(
            f"Gap of the mean over the scenarios to its own bound, whatever their phases: "
            f"{_worst_and_median(own)}"
        )
    # where the bound of all phases is no higher, the other one says nothing more
    near = [
        one.gap_near
        for one in robust
        if one.gap_near is not None and (one.gap is None or one.gap_near < one.gap)
    ]
    if near:
        which = "" if len(near) == len(robust) else f", of {counted(len(near), 'mask')}"
        say(
            f"Gap to the bound of masks with phases within {NEAR_PHASES:g} deg of its own{which}: "
            f"{_worst_and_median(near)}"
        )
    say("The gap in the table is to the bound of the nominal scenario")


def _worst_and_median(gaps: Sequence[float]) -> str:
    return f"worst {percent(max(gaps))} %, median {percent(median(gaps))} %"
