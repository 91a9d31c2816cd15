"""What the errors of a bench print: tables, and the cells of their CSV files."""

import json
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
from rich.table import Table

from maskforge.base.csv_text import Cell
from maskforge.base.wording import counted
from maskforge.cli.terminal import print_table, say, table_of
from maskforge.launch.light import Real
from maskforge.launch.targets import Target
from maskforge.study.tolerance.causes import Cause, cause_named
from maskforge.study.tolerance.one_error import ErrorCurve, ErrorLimit

if TYPE_CHECKING:
    from maskforge.study.tolerance.all_errors import Spread

CURVE_COLUMNS = (
    "mask",
    "target",
    "orientation_deg",
    "cause",
    "unit",
    "value",
    "purity",
    "group_purity",
    "efficiency",
)
"""Header of the CSV of a sweep; purities and efficiencies are shares."""

LEAST_SHARE = 0.005
"""Of the variance: factors below it on every mask are listed in a line, not in the table."""


# --- the sweep -------------------------------------------------------------------------------


def curve_cells(curves: Sequence[ErrorCurve], targets: Sequence[Target]) -> Iterator[list[Cell]]:
    """Rows as CURVE_COLUMNS says: a row a mask, cause and value."""
    for mask, target in enumerate(targets):
        for curve in curves:
            for place, value in enumerate(curve.values.tolist()):
                yield [
                    mask,
                    target.name,
                    float(target.orientation),
                    curve.cause.field,
                    curve.cause.unit,
                    value,
                    float(curve.purity[place, mask]),
                    float(curve.group_purity[place, mask]),
                    float(curve.efficiency[place, mask]),
                ]


def curve_table(
    curves: Sequence[ErrorCurve], names: Sequence[str], limit: float
) -> tuple[list[str], list[list[str]]]:
    """(header, a row a cause): what each error costs, in text; \n breaks a header's lines."""
    header = [
        "cause",
        "unit",
        f"costs\n{100 * limit:.3g} %",
        "worst\nmask",
        "costs\nmedian",
        "half-\nrange",
        "purity %\nleast",
        "purity %\nmedian",
        "group\npurity %",
        "more\nloss dB",
    ]
    rows = []
    for curve in curves:
        worst = _at_ends(curve, curve.purity)
        rows.append(
            [
                curve.cause.name,
                curve.cause.unit,
                _limit(curve.cause, curve.limit),
                names[curve.limit.worst],
                _median(curve.cause, curve.limit),
                f"{curve.cause.half_range:g}",
                f"{100 * worst.min():.2f}",
                f"{100 * np.median(worst):.2f}",
                f"{100 * _at_ends(curve, curve.group_purity).min():.2f}",
                f"{_more_loss(curve):.2f}",
            ]
        )
    return header, rows


def page_table(curves: Sequence[ErrorCurve], names: Sequence[str], limit: float) -> str:
    """The same as `one_error.json`, which the set's page shows."""
    header, rows = curve_table(curves, names, limit)
    columns = [name.replace("-\n", "-").replace("\n", " ") for name in header]
    return json.dumps({"columns": columns, "rows": rows}, indent=1, ensure_ascii=False) + "\n"


def print_curves(
    curves: Sequence[ErrorCurve], names: Sequence[str], limit: float, left_out: Mapping[str, str]
) -> None:
    """The table of causes, a row each, and what its columns mean."""
    header, rows = curve_table(curves, names, limit)
    table = table_of(*header, left=("cause", "unit", "worst\nmask"))
    for row in rows:
        table.add_row(*row)
    print_table(table)
    say(
        f"\nCosts: the smallest error, of either sign, that lowers the purity by {limit:.4g}, of "
        "the worst mask and\nin the median of all; > : it takes more.  Right of the half-range: "
        "what is left there, of the\nworse sign; group purity of the least pure and loss of the "
        "most lossy mask."
    )
    for field, why in left_out.items():
        say(f"Left out: {cause_named(field).name}, {why}.")


def print_unharmed(purity: Real, name: str) -> None:
    """One line on a set without errors; `purity` (masks,)."""
    say(
        f"{name}: {counted(purity.size, 'mask')}, without errors {100 * purity.min():.3f} % pure "
        f"or more, {100 * np.median(purity):.3f} % in the median\n"
    )


def _limit(cause: Cause, found: ErrorLimit) -> str:
    if found.value is None:
        return f"> {found.searched:.3g}"
    size = f"{abs(found.value):.3g}"
    if not cause.signed:
        return size
    return ("±" if found.both else "+" if found.value > 0 else "-") + size


def _median(cause: Cause, found: ErrorLimit) -> str:
    return f"> {cause.half_range:g}" if found.median is None else f"{found.median:.3g}"


def _at_ends(curve: ErrorCurve, figure: Real) -> Real:
    """The lower of a figure's values at the half-range, (masks,)."""
    return np.asarray(figure[curve.ends].min(axis=0))


def _more_loss(curve: ErrorCurve) -> float:
    """Largest ratio of the efficiencies without and with the error, in dB."""
    before, after = curve.efficiency[curve.unharmed], _at_ends(curve, curve.efficiency)
    lit = before > 0
    with np.errstate(divide="ignore"):
        return float(np.max(10 * np.log10(before[lit] / after[lit]), initial=-np.inf))


# --- all errors at once ----------------------------------------------------------------------


def sample_columns(spread: "Spread") -> list[str]:
    """Header of the CSV of samples: errors in their units, figures as shares."""
    errors = [cause.column for cause in spread.causes]
    return [
        "sample",
        *errors,
        "mask",
        "target",
        "orientation_deg",
        "purity",
        "group_purity",
        "efficiency",
    ]


def sample_cells(spread: "Spread", targets: Sequence[Target]) -> Iterator[list[Cell]]:
    """Rows as `sample_columns` says: a row a sample and mask."""
    for sample, errors in enumerate(spread.samples.tolist()):
        for place, mask in enumerate(spread.masks):
            target = targets[mask]
            figures = spread.figures[sample, place].tolist()
            yield [
                sample,
                *errors,
                mask,
                target.name,
                float(target.orientation),
                *figures,
            ]


def print_spread(spread: "Spread", names: Sequence[str], limit: float) -> None:
    """The distribution of each mask, and whose doing it is."""
    own = [names[mask] for mask in spread.masks]
    purity = spread.figures[:, :, 0]
    table = table_of(
        "mask",
        "without\nerrors %",
        *(f"purity %\n{band:g} % below" for band in spread.percentiles),
        f"loses {100 * limit:.3g} %\n% of benches",
        left=("mask",),
    )
    for place, name in enumerate(own):
        table.add_row(
            name,
            f"{100 * spread.unharmed[place]:.3f}",
            *(f"{100 * value:.3f}" for value in spread.bands[place]),
            f"{100 * np.mean(purity[:, place] < spread.unharmed[place] - limit):.1f}",
        )
    print_table(table)
    if not any(_large(spread)):
        say("\nNo error changes the purity of these masks.")
        return
    say(
        "\nShare of each error in the variance of the purity, %: by itself (first-order index of\n"
        "Sobol') and with all that it has to do with (total index), ± half the 95 % interval:\n"
    )
    table, vague = _shares(spread, own)
    print_table(table)
    if vague:
        say(
            "\n? : the interval is as wide as the share itself, which is not worth reading; more "
            "--monte-carlo tells it."
        )
    small = [
        factor.name for factor, big in zip(spread.factors, _large(spread), strict=True) if not big
    ]
    if small:
        say(f"\nBelow {100 * LEAST_SHARE:g} % on all of these masks: {', '.join(small)}.")


def _large(spread: "Spread") -> list[bool]:
    """Which factors have a share worth a row."""
    total = np.nan_to_num(spread.total)
    return [bool(share >= LEAST_SHARE) for share in total.max(axis=0)]


def _shares(spread: "Spread", names: Sequence[str]) -> tuple[Table, bool]:
    """A row a factor, the largest first; of each mask its indices.  Whether some are not told."""
    both = (spread.first, spread.first_half), (spread.total, spread.total_half)
    texts = [_share_texts(spread, index, half) for index, half in both]
    heads = [head for name in names for head in (f"{name}\nfirst", "\ntotal")]
    table = table_of("error", "deviation", "unit", *heads, left=("error", "unit"))
    large = _large(spread)
    for place in np.argsort(-np.nan_to_num(spread.total).max(axis=0), kind="stable"):
        if not large[place]:
            continue
        factor = spread.factors[place]
        cells = []
        for mask in range(len(names)):
            cells += [text[mask][place] for text in texts]
        table.add_row(factor.name, f"{factor.deviation:g}", factor.causes[0].unit, *cells)
    return table, any("?" in cell for text in texts for row in text for cell in row)


def _share_texts(spread: "Spread", index: Real, half: Real) -> list[list[str]]:
    """Of each mask and factor the share in % with half its interval."""
    return [
        [
            "-"
            if not np.isfinite(value)
            else f"{round(100 * value)} ±{round(100 * wide)}"
            if worth
            else "?"
            for value, wide, worth in zip(*rows, strict=True)
        ]
        for rows in zip(index, half, spread.told(index, half), strict=True)
    ]
