"""`report.html`: a set of masks on one page that needs nothing but itself."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from statistics import median
from typing import Any

import jinja2
import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from maskforge import bench as benches
from maskforge.base.csv_text import finite
from maskforge.base.safety import CAUTION
from maskforge.base.wording import counted, length_text
from maskforge.bench import Bench
from maskforge.launch.basis import mode_name
from maskforge.launch.couplings import Launch, modes_cut, passed_on
from maskforge.launch.light import Complex
from maskforge.launch.noise_budget import WINDOW
from maskforge.launch.prediction import insertion_loss_db, unwanted_db
from maskforge.methods.per_launch import kept
from maskforge.methods.problem import NEAR_PHASES
from maskforge.report.page import bench_facts as facts
from maskforge.report.page import bench_sketch as sketch
from maskforge.report.page import launch_matrix as matrix
from maskforge.report.page import purity_by_group as groups
from maskforge.report.page.colour_maps import STEPS
from maskforge.report.page.light_bar import NAMES, LightShare, parts_of
from maskforge.report.page.looks import Look
from maskforge.report.page.palette_png import BRIGHT, CYCLE, LEVEL, PngPalette
from maskforge.report.page.templates import environment, pictures
from maskforge.report.page.thumbnails import FAINT, VIEW, Shot, mode_shots
from maskforge.sets.manifest import LaunchFigures, PurityBand, Record, RobustFigures
from maskforge.sets.mask_columns import NO_DIGITS

Rows = Sequence[Sequence[str]]

MOST_MODES = 8
"""Modes that an enlarged mask lists: those that get most light."""


OF_LAUNCH = (
    *("mask", "purity % of the output", "purity % of the launch"),
    *("loss dB to the output", "loss dB to the launch", "loss dB in the device"),
)
"""The table of the launch's own figures."""

OF_BAND = "mask", "purity % as measured", "5 % below", "median", "95 % below"
"""The table of how sure purities are behind a device whose matrix has standard errors."""


@dataclass(frozen=True)
class Line:
    """A mask's row as text; `groups` those of its target."""

    mask: Record
    name: str
    groups: str
    purity: str
    group_purity: str
    unwanted: str
    loss: str
    bound: str
    gap: str
    shot: Shot
    light: tuple[LightShare, ...]


def page_text(
    name: str,
    bench: Bench,
    launch: Launch,
    masks: Sequence[Record],
    own_groups: Sequence[tuple[int, ...]],
    couplings: Complex,
    looks: Iterable[Look],
    tolerance: Rows | None = None,
    robust: Sequence[RobustFigures] = (),
    launches: Sequence[LaunchFigures] = (),
    bands: Sequence[PurityBand] = (),
) -> str:
    """The page of a set called `name`, whose masks come in play order.

    `own_groups`: those of each mask's target.  `couplings` (masks, modes of the launch's basis).
    `looks`: each mask's pictures and budget, taken one at a time.  `tolerance`: a header and
    rows of text.  `robust`: of masks for several scenarios.  `launches`: of those whose figures are
    for the outputs of a device, `bands`: how sure they are.
    """
    arrives = matrix.decibels(passed_on(launch, couplings))
    targets = [mask.target for mask in masks]
    behind = launch.setup.passage is not None
    light = benches.light(bench)
    lines = [
        _line(mask, each, look) for mask, each, look in zip(masks, own_groups, looks, strict=True)
    ]
    return page_template().render(
        name=name,
        bench=bench,
        launch=launch,
        lines=lines,
        facts=facts.bench_rows(bench, launch),
        cautions=CAUTION.splitlines(),
        warnings=list(_warnings(bench, launch, masks)),
        summary=[*_summary(masks), *_over_scenarios(robust)],
        missed=_missed(lines),
        plane=sketch.mask_plane(launch, light),
        facet=sketch.facet(launch, light),
        mode_groups=mode_groups(launch),
        matrix=matrix.matrix_of(arrives, targets, *_ends(launch)),
        behind=behind,
        own_matrix=matrix.matrix_of(
            matrix.decibels(couplings),
            targets,
            [mode_name(mode) for mode in launch.basis],
            [mode.group for mode in launch.basis],
        )
        if behind
        else None,
        band_rows=[_band_row(mask, band) for mask, band in zip(masks, bands, strict=False)],
        own_rows=[_own_row(mask, own) for mask, own in zip(masks, launches, strict=False)],
        group_rows=groups.group_rows(masks, own_groups),
        strip=groups.strip_of(masks, own_groups, bench.design.purity),
        tolerance=tolerance,
        bounds=any(mask.bound is not None for mask in masks),
        data=_data(launch, lines, arrives),
    )


def _ends(launch: Launch) -> tuple[list[str], list[int]]:
    """Names and groups of what couplings count for: modes, or a device's outputs."""
    passage = launch.setup.passage
    names = (
        [mode_name(mode) for mode in launch.basis]
        if passage is None
        else [one.name for one in passage.outputs]
    )
    return names, [one.group for one in launch.ends]


def _own_row(mask: Record, own: LaunchFigures) -> tuple[int, Sequence[str]]:
    """A mask's index, and its row of figures at the output and of its launch."""
    figures = mask.name, share_text(mask.purity), share_text(own.purity)
    losses = (loss_text(share) for share in (mask.efficiency, own.efficiency, own.passed))
    return mask.index, [*figures, *losses]


def _band_row(mask: Record, band: PurityBand) -> tuple[int, Sequence[str]]:
    """A mask's index, and its row of how sure its purity is."""
    shares = map(share_text, (mask.purity, band.low, band.median, band.high))
    return mask.index, [mask.name, *shares]


def _data(launch: Launch, lines: Sequence[Line], table: NDArray[np.float64]) -> dict[str, Any]:
    """What the script reads."""
    return {
        "masks": [_values(line) for line in lines],
        "modes": _ends(launch)[0],
        "groups": _ends(launch)[1],
        "table": table.tolist(),
        "least": matrix.LEAST,
        "darkest": matrix.DARKEST,
        "colours": _gradient(LEVEL, 1),
        "most": MOST_MODES,
    }


def _line(mask: Record, own: tuple[int, ...], look: Look) -> Line:
    return Line(
        mask=mask,
        name=mask.name,
        groups=groups.name_of(own),
        purity=share_text(mask.purity),
        group_purity=share_text(mask.group_purity),
        unwanted=level_text(unwanted_db(mask.purity)),
        loss=loss_text(mask.efficiency),
        bound=loss_text(mask.bound),
        gap="–" if mask.gap is None else share_text(mask.gap),
        shot=look.shot,
        light=parts_of(look.budget),
    )


def _missed(lines: Sequence[Line]) -> list[tuple[str, str]]:
    """Names of the masks that fell short, and how their designs ended."""
    found: dict[str, list[str]] = {}
    for line in lines:
        if not line.mask.reached:
            found.setdefault(line.mask.status, []).append(line.name)
    return [(", ".join(names), status) for status, names in found.items()]


def share_text(share: float) -> str:
    """A share in % with four decimals."""
    return f"{100 * share:.4f}"


def level_text(decibel: float) -> str:
    """Decibels with two decimals."""
    return f"> {NO_DIGITS:g}" if decibel > NO_DIGITS else f"{decibel:.2f}".replace("-", "−")


def _loss(efficiency: float | None) -> float | None:
    """Insertion loss in dB; None where there is no light, or the efficiency is not known."""
    return None if efficiency is None else finite(insertion_loss_db(efficiency))


def loss_text(efficiency: float | None) -> str:
    """The same with three decimals."""
    loss = _loss(efficiency)
    return "–" if loss is None else f"{loss:.3f}"


def _values(line: Line) -> list[str | float | None]:
    """What the script sorts and shows of a mask: numbers, the rest is in its row."""
    mask = line.mask
    return [
        line.name,
        mask.target,
        line.groups,
        mask.orientation_deg,
        mask.purity,
        mask.group_purity,
        _loss(mask.efficiency),
        _loss(mask.bound),
        mask.gap,
        mask.page,
        mask.sha256,
        "" if mask.reached else mask.status,
    ]


def _summary(masks: Sequence[Record]) -> Iterator[tuple[str, str, int | None]]:
    """(what, value, the mask that it is of) of the figures to know first."""
    least = min(masks, key=lambda mask: mask.purity)
    most = max(masks, key=lambda mask: insertion_loss_db(mask.efficiency))
    purity = f"{share_text(least.purity)} %, {level_text(unwanted_db(least.purity))} dB"
    yield "lowest purity", purity, least.index
    yield "median purity", f"{share_text(median(mask.purity for mask in masks))} %", None
    yield "highest insertion loss", f"{loss_text(most.efficiency)} dB", most.index
    losses = [insertion_loss_db(mask.efficiency) for mask in masks]
    yield "median insertion loss", f"{median(losses):.3f} dB", None
    known = [mask for mask in masks if mask.gap is not None]
    if known:
        widest = max(known, key=lambda mask: mask.gap or 0.0)
        yield "largest gap to the bound", f"{share_text(widest.gap or 0.0)} %", widest.index


def _over_scenarios(robust: Sequence[RobustFigures]) -> Iterator[tuple[str, str, int | None]]:
    """The same of masks for several scenarios: their worst purity, and gaps of the mean."""
    worst = [(one.purity, one.name, mask.index) for mask in robust for one in mask.scenarios]
    if worst:
        purity, name, index = min(worst)
        yield "lowest purity over the scenarios", f"{share_text(purity)} % ({name})", index
    for gaps, what in (
        ([(one.gap, one.index) for one in robust], "whatever their phases"),
        (
            [(one.gap_near, one.index) for one in robust],
            f"with phases within {NEAR_PHASES:g}° of its own",
        ),
    ):
        known = [(gap, index) for gap, index in gaps if gap is not None]
        if known:
            gap, index = max(known)
            title = f"largest gap of the scenarios' mean to the bound of masks {what}"
            yield title, f"{share_text(gap)} %", index


def _warnings(bench: Bench, launch: Launch, masks: Sequence[Record]) -> Iterator[str]:
    """What about this set needs a second look."""
    power = benches.power_warning(bench.model_copy(update={"source": "bench"}))
    if power is not None:
        yield f"{power.removeprefix('bench: ')}."
    missed = [mask for mask in masks if not mask.reached]
    if missed:
        yield (
            f"{len(missed)} of {counted(len(masks), 'mask')} did not reach the purity asked "
            "for; they are marked in the table, with what helps."
        )
    near = list(dict.fromkeys(mode.label for mode in launch.basis if mode.radial.near_cutoff))
    if near:
        yield f"Near their cut-off, so that a real fibre may lack them: {', '.join(near)}."
    beyond = modes_cut(launch)
    if beyond is not None:
        yield f"{beyond[0].upper()}{beyond[1:]}."
    if not bench.design.carrier_period_px:
        yield (
            "No carrier: the launch lies on the axis, where the zero order falls into the core. "
            f"Gaps that reflect {facts.percent(bench.modulator.gap_reflectance)} are in the "
            "figures; any other light that the pixels do not modulate is not."
        )
    if bench.modulator.crosstalk_px and any(mask.bound is not None for mask in masks):
        yield (
            "With crosstalk the bounds are against the disc of the largest amplitude, which no "
            "blurred phase leaves; the gaps to them are wider than those of the states."
        )


@kept
def mode_groups(launch: Launch) -> list[tuple[int, list[tuple[str, float, str]]]]:
    """Groups with the (name, n_eff, picture) of their modes."""
    found: dict[int, list[tuple[str, float, str]]] = {}
    for mode, picture in zip(
        launch.basis, mode_shots(launch.basis, launch.core_radius), strict=True
    ):
        found.setdefault(mode.group, []).append((mode_name(mode), mode.n_eff, picture))
    return sorted(found.items())


# --- the template ----------------------------------------------------------------------------


@cache
def page_template() -> jinja2.Template:
    """The page's own, with what it writes its values by; it takes long to load."""
    found = environment()
    found.globals |= {
        "counted": counted,
        "length_text": length_text,
        "percent": facts.percent,
        "share_text": share_text,
        "name_of": groups.name_of,
        "PLANE": sketch.PLANE,
        "INSET": sketch.INSET,
        "TAIL": sketch.TAIL,
        "STRIP": (groups.WIDTH, groups.HEIGHT, groups.HIGHEST),
        "DARKEST": matrix.DARKEST,
        "OF_LAUNCH": OF_LAUNCH,
        "OF_BAND": OF_BAND,
        "VIEW": VIEW,
        "FAINT": FAINT,
        "WINDOW": WINDOW,
        "LIGHT": NAMES,
        "bright": _gradient(BRIGHT, 0),
        "cycle": _gradient(CYCLE, 1),
        "level": _gradient(LEVEL, 1),
    }
    found.filters |= {"css": css_text}
    for part in pictures():
        found.get_template(part)
    return found.get_template("page.html.jinja")


def _gradient(palette: PngPalette, first: int) -> list[str]:
    """Every eighth colour and the last one, as CSS writes them."""
    own = palette.colours[first : first + STEPS, :3].tolist()
    picked: Iterable[Sequence[int]] = [*own[:: STEPS // 8], own[-1]]
    return [f"#{red:02x}{green:02x}{blue:02x}" for red, green, blue in picked]


def css_text(text: str) -> Markup:
    """Text for a string in a style sheet, whatever is in it: CSS Syntax, escaped code points."""
    plain = "".join(c if c.isascii() and c.isalnum() else f"\\{ord(c):06x}" for c in text)
    return Markup(plain)
