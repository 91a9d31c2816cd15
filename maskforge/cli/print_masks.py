"""What the command line prints: tables of masks and of modes, in lab units."""

from collections.abc import Sequence
from statistics import median

from rich.table import Table

from maskforge.base.csv_text import Cell, finite
from maskforge.base.wording import counted, rounded, some_of
from maskforge.cli.terminal import LONG_SET, print_table, say, table_of
from maskforge.fiber.modes import NEAR_CUTOFF, RadialMode
from maskforge.launch.couplings import insertion_loss_db, unwanted_db
from maskforge.methods.problem import NEAR_PHASES
from maskforge.sets.manifest import Record
from maskforge.sets.robust_figures import RobustFigures
from maskforge.study.tradeoff import Point

# --- masks -----------------------------------------------------------------------------------


def print_masks(
    masks: Sequence[Record], asked: float, robust: Sequence[RobustFigures] = ()
) -> None:
    """The table of a set and, where masks are less pure than `asked` (a share), which and why.

    `robust`: of those that are for several scenarios.
    """
    gaps = any(mask.gap is not None for mask in masks)
    print_table(_by_label(masks, gaps) if len(masks) > LONG_SET else _each(masks, gaps))
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


def _print_robust(masks: Sequence[Record], robust: Sequence[RobustFigures]) -> None:
    """Of masks for several scenarios: the worst, what it would be without, and their own gap."""
    least = min(robust, key=lambda one: one.worst.purity)
    before = min(each.purity_before for one in robust for each in one.scenarios)
    say(
        f"\nOver {counted(len(least.scenarios), 'scenario')}: least pure "
        f"{masks[least.index].name} at {least.worst.name}, {_percent(least.worst.purity, 4)} %; "
        f"masks for the nominal one alone go down to {_percent(before, 4)} %"
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
    return f"worst {_percent(max(gaps), 4)} %, median {_percent(median(gaps), 4)} %"


NUMBERS = ("purity\n%", "unwanted\npower dB", "insertion\nloss dB", "gap\n%")


def _each(masks: Sequence[Record], gaps: bool) -> Table:
    """A row a mask."""
    numbers = NUMBERS if gaps else NUMBERS[:-1]
    table = table_of(
        "target", "orientation\ndeg", "method", *numbers, "", left=("target", "method")
    )
    for one in masks:
        table.add_row(
            one.target,
            f"{one.orientation_deg:g}",
            one.method,
            _percent(one.purity, 4),
            _unwanted(unwanted_db(one.purity)),
            f"{one.loss_db:.3f}",
            *([_percent(one.gap, 4)] if gaps else []),
            "" if one.reached else "!",
        )
    return table


def _by_label(masks: Sequence[Record], gaps: bool) -> Table:
    """A row a label: the worst and the median of its masks."""
    kinds = NUMBERS if gaps else NUMBERS[:-1]
    numbers = [f"{kind}\n{which}" for kind in kinds for which in ("worst", "median")]
    table = table_of("target", "masks", "method", *numbers, "", left=("target", "method"))
    for name in dict.fromkeys(one.target for one in masks):
        own = [one for one in masks if one.target == name]
        purities = [one.purity for one in own]
        unwanted = [unwanted_db(purity) for purity in purities]
        losses = [one.loss_db for one in own]
        excess = [one.gap for one in own if one.gap is not None]
        cells = [
            _percent(min(purities), 4),
            _percent(median(purities), 4),
            *(_unwanted(value) for value in (min(unwanted), median(unwanted))),
            *(f"{value:.3f}" for value in (max(losses), median(losses))),
        ]
        if gaps:
            cells += [_percent(pick(excess), 4) if excess else "-" for pick in (max, median)]
        missed = sum(not one.reached for one in own)
        table.add_row(name, str(len(own)), own[0].method, *cells, f"! {missed}" if missed else "")
    return table


def _unwanted(decibel: float) -> str:
    """Two decimals; 1 - purity has no digits left beyond 150 dB, about 1e-15."""
    return ">150" if decibel > 150 else f"{decibel:.2f}"


def _percent(share: float | None, digits: int) -> str:
    return "-" if share is None else rounded(100 * share, digits)


# --- purity against efficiency ---------------------------------------------------------------

POINT_COLUMNS = (
    "target",
    "orientation_deg",
    "alphabet",
    "asked_purity",
    "bound",
    "bound_purity",
    "bound_asked",
    "purity",
    "efficiency",
    "gap",
    "unwanted_db",
    "reached",
    "status",
)
"""Header of the CSV of points; powers and purities are shares."""


def point_cells(point: Point) -> list[Cell]:
    """A point's values, as POINT_COLUMNS says from the alphabet on."""
    return [
        point.alphabet,
        point.asked,
        point.bound,
        point.bound_purity,
        point.bound_asked,
        point.purity,
        point.efficiency,
        point.gap,
        finite(unwanted_db(point.purity)),
        "yes" if point.reached else "no",
        point.status,
    ]


def limit_text(asked: float, bound: float) -> str:
    """What is proven of an asked purity: its bound, or that no mask has it."""
    if bound <= 0:
        return f"no mask is {100 * asked:.10g} % pure"
    return f"at {100 * asked:.10g} % no mask launches more than {100 * bound:.3g} %"


def print_points(points: Sequence[Point]) -> None:
    """The table of points and, of those that fell short, why."""
    table = table_of(
        "alphabet",
        "asked\npurity %",
        "bound\n%",
        "bound\nloss dB",
        *(
            "reached\npurity %",
            "unwanted\npower dB",
            "reached\n%",
            "reached\nloss dB",
            "gap\n%",
            "",
        ),
        left=("alphabet",),
    )
    for one in points:
        table.add_row(
            one.alphabet,
            f"{100 * one.asked:.10g}",
            _percent(one.bound, 3),
            f"{insertion_loss_db(one.bound):.3f}",
            _percent(one.purity, 4),
            _unwanted(unwanted_db(one.purity)),
            _percent(one.efficiency, 3),
            f"{insertion_loss_db(one.efficiency):.3f}",
            _percent(one.gap, 4),
            "" if one.reached else "!",
        )
    print_table(table)
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


# --- modes -----------------------------------------------------------------------------------

MODE_COLUMNS = (
    "label",
    "group",
    "n_eff",
    "delay_ps_per_m",
    "cutoff_margin_percent",
    "near_cutoff",
    "mode_field_diameter_um",
    "second_moment_diameter_um",
    "effective_area_um2",
    "fields",
)
"""Header of the CSV of modes."""


def fields_of(mode: RadialMode) -> int:
    """How many modes share the label."""
    return 2 if mode.l else 1


def mode_cells(mode: RadialMode) -> list[Cell]:
    """A mode's values, as MODE_COLUMNS says."""
    return [
        mode.label,
        mode.group,
        mode.n_eff,
        mode.delay * 1e12,
        mode.cutoff_margin * 100,
        "yes" if mode.near_cutoff else "no",
        mode.mode_field_diameter * 1e6,
        mode.second_moment_diameter * 1e6,
        mode.effective_area * 1e12,
        fields_of(mode),
    ]


def print_modes(kept: Sequence[RadialMode]) -> None:
    """The table of modes, and what its mark means."""
    print_table(_mode_table(kept))
    if any(mode.near_cutoff for mode in kept):
        say(f"! near its cut-off, margin below {100 * NEAR_CUTOFF:g} %: a real fibre may lack it")


def _mode_table(kept: Sequence[RadialMode]) -> Table:
    table = table_of(
        "label",
        "group",
        "n_eff",
        "delay\nps/m",
        "cut-off\nmargin %",
        "",
        "MFD\num",
        "2nd moment\ndiameter um",
        "effective\narea um2",
        "fields",
        left=("label",),
    )
    for mode in kept:
        table.add_row(
            mode.label,
            str(mode.group),
            f"{mode.n_eff:.9f}",
            f"{mode.delay * 1e12:.4f}",
            f"{mode.cutoff_margin * 100:.2f}",
            "!" if mode.near_cutoff else "",
            f"{mode.mode_field_diameter * 1e6:.3f}",
            f"{mode.second_moment_diameter * 1e6:.3f}",
            f"{mode.effective_area * 1e12:.2f}",
            str(fields_of(mode)),
        )
    return table
