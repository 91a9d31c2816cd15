"""What a plan prints: the best waist of each lens and carrier, and its CSV of all settings."""

import re
from collections.abc import Iterator

from rich.table import Table

from maskforge.base.csv_text import Cell
from maskforge.base.wording import counted
from maskforge.bench import Bench
from maskforge.cli.terminal import print_table, say, table_of
from maskforge.study.plan import Outcome, Plan, PlannedBounds, PlannedSetting, Refused

KEY = re.compile(r"\[(\w+)\] (\w+)")
"""What an error line of the bench's model blames."""

CHOSEN, OWN = "chosen", "as it is"


def print_plan(plan: Plan, bench: Bench) -> None:
    """The table, and below it what was refused, and where the purity is out of reach."""
    print_table(_table(plan, bench))
    say(
        "\nPixels a fringe: the finest fringes that the mask draws for the fibre's core, beside "
        "those of the carrier; the far field repeats at so many core radii."
    )
    refused = [one for one in _all(plan) if isinstance(one, Refused)]
    if refused:
        total = sum(1 for _ in _all(plan))
        say(f"\n- {len(refused)} of {counted(total, 'setting')} cannot be:")
    keys = [_key(one) for one in refused]
    for key in dict.fromkeys(keys):
        same = [one for one, own in zip(refused, keys, strict=True) if own == key]
        say(f"  {len(same)}, such as {same[0].reason.removeprefix(bench.source + ': ')}")
    if bench.modulator.crosstalk_px:
        say("\nThe bounds are for pixels without crosstalk, for which alone they are proven.")
    if len(bench.light.wavelengths_nm) > 1 or any(bench.design.fiber_offset_um):
        say(
            f"\nThe bounds are at {bench.light.wavelength_nm:g} nm with the fibre in its place: "
            "to be pure elsewhere too costs more light."
        )
    rows = [
        found
        for found in (*map(plan.best, plan.rows), plan.own)
        if isinstance(found, PlannedBounds)
    ]
    if any(found.faint for found in rows):
        say(
            f"\n! so many targets for which {100 * bench.design.purity:.10g} % purity costs so "
            "much light that a design would lower it; bound 0: no mask is so pure"
        )


def _table(plan: Plan, bench: Bench) -> Table:
    powered = bench.light.power_mw is not None
    table = table_of(
        "focal\nmm",
        "waist\nmm",
        "carrier\npixels",
        "worst\ntarget",
        "worst\nbound %",
        "mean\nbound %",
        "pixels\na fringe",
        "zero order\nradii",
        "conjugate\nradii",
        *(["peak\nmW/mm2"] if powered else []),
        "on mask\n%",
        "",
        left=("worst\ntarget",),
    )
    choice = plan.choice()
    for row in plan.rows:
        best = plan.best(row)
        mark = CHOSEN if best is choice else ""
        table.add_row(*_cells(row.grid[0] if best is None else best, bench, mark))
    table.add_row(*_cells(plan.own, bench, OWN))
    return table


def _cells(one: Outcome, bench: Bench, mark: str) -> list[str]:
    setting = one.setting
    period = f"{setting.carrier_period_px:g}" if setting.carrier_period_px else "on axis"
    power = bench.light.power_mw
    if isinstance(one, Refused):
        return [
            f"{setting.focal_length_mm:g}",
            _waist(setting) if mark else "-",
            period,
            *["-"] * (7 if power is None else 8),
            mark,
        ]
    label, least = one.worst
    peak = [] if power is None else [f"{power * one.density * 1e-6:.3g}"]
    faint = f"! {len(one.faint)}" if one.faint else ""
    return [
        f"{setting.focal_length_mm:g}",
        _waist(setting),
        period,
        label,
        f"{100 * least:.2f}",
        f"{100 * one.mean:.2f}",
        f"{one.fringe:.1f}",
        f"{one.zero_order:.1f}",
        f"{one.conjugate:.1f}",
        *peak,
        f"{100 * one.share:.1f}",
        f"{mark} {faint}".strip(),
    ]


def _waist(setting: PlannedSetting) -> str:
    if setting.waists_mm is None:
        return "measured"
    first, second = setting.waists_mm
    return f"{first:g}" if first == second else f"{first:g} x {second:g}"


def _key(refused: Refused) -> str:
    found = KEY.search(refused.reason)
    return found[0] if found else refused.reason


def _all(plan: Plan) -> Iterator[Outcome]:
    for row in plan.rows:
        yield from row.grid
        yield from row.between
    yield plan.own


def plan_columns(plan: Plan) -> list[str]:
    """Header of the CSV; bounds, the share on the mask and the targets' columns are shares."""
    found = next(one for one in _all(plan) if isinstance(one, PlannedBounds))
    return [
        "focal_length_mm",
        "waist_x_mm",
        "waist_y_mm",
        "carrier_period_px",
        "kind",
        "proven",
        "worst_target",
        "worst_bound",
        "mean_bound",
        "pixels_a_fringe",
        "zero_order_radii",
        "conjugate_radii",
        "peak_per_mm2",
        "share_on_mask",
        "out_of_reach",
        "refused",
        *(f"bound_{label}" for label, _ in found.bounds),
    ]


def plan_cells(plan: Plan) -> list[list[Cell]]:
    """A row a setting, as `plan_columns` says; `peak_per_mm2` of a beam of 1 W in W/mm2.

    `kind`: of the grid, tried between its waists, the best of them again where only its bounds are
    proven, or the bench as it is; and which is chosen.
    """
    listed = [
        (one, kind)
        for row in plan.rows
        for kind, some in (("grid", row.grid), ("between", row.between), ("best", row.proven))
        for one in some
    ]
    choice = plan.choice()
    rows: list[list[Cell]] = []
    for one, kind in (*listed, (plan.own, OWN)):
        first, second = one.setting.waists_mm or (None, None)
        name = f"{kind}, {CHOSEN}" if one is choice else kind
        place: list[Cell] = [
            *(one.setting.focal_length_mm, first, second),
            *(one.setting.carrier_period_px, name),
        ]
        if isinstance(one, Refused):
            rows.append([*place, *[None] * 10, one.reason, *[None] * len(choice.bounds)])
            continue
        label, least = one.worst
        rows.append(
            [
                *place,
                "yes" if one.certified else "no",
                *(label, least, one.mean, one.fringe, one.zero_order, one.conjugate),
                *(one.density * 1e-6, one.share, " ".join(one.faint), None),
                *(bound for _, bound in one.bounds),
            ]
        )
    return rows
