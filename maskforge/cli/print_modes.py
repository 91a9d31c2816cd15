"""The printed table of modes, and its CSV file."""

from collections.abc import Sequence
from operator import attrgetter

from maskforge.base.columns import Column
from maskforge.cli.terminal import print_table, say, table_of_rows
from maskforge.fiber.modes import NEAR_CUTOFF, RadialMode


def fields_of(mode: RadialMode) -> int:
    """How many modes share the label."""
    return 2 if mode.l else 1


def _micrometres(length: float) -> str:
    return f"{length:.3f}"


COLUMNS: tuple[Column[RadialMode], ...] = (
    Column("label", attrgetter("label"), "label", left=True),
    Column("group", attrgetter("group"), "group"),
    Column("n_eff", attrgetter("n_eff"), "n_eff", "{:.9f}".format),
    Column("delay_ps_per_m", lambda mode: mode.delay * 1e12, "delay\nps/m", "{:.4f}".format),
    Column(
        "cutoff_margin_percent",
        lambda mode: mode.cutoff_margin * 100,
        "cut-off\nmargin %",
        "{:.2f}".format,
    ),
    Column("near_cutoff", attrgetter("near_cutoff"), "", lambda near: "!" if near else ""),
    Column(
        "mode_field_diameter_um",
        lambda mode: mode.mode_field_diameter * 1e6,
        "MFD\num",
        _micrometres,
    ),
    Column(
        "second_moment_diameter_um",
        lambda mode: mode.second_moment_diameter * 1e6,
        "2nd moment\ndiameter um",
        _micrometres,
    ),
    Column(
        "effective_area_um2",
        lambda mode: mode.effective_area * 1e12,
        "effective\narea um2",
        "{:.2f}".format,
    ),
    Column("fields", fields_of, "fields"),
)


def print_modes(kept: Sequence[RadialMode]) -> None:
    """The table of modes, and what its mark means."""
    print_table(table_of_rows(COLUMNS, kept))
    if any(mode.near_cutoff for mode in kept):
        say(f"! near its cut-off, margin below {100 * NEAR_CUTOFF:g} %: a real fibre may lack it")
