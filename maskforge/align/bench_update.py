"""What a fit changes in a bench file."""

import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from maskforge import bench as benches
from maskforge.align.fit import Fit, GreyTable
from maskforge.align.grey_fits import filled
from maskforge.align.scene import scene_of
from maskforge.align.stack_file import Stack
from maskforge.base.csv_text import csv_text
from maskforge.base.errors import BenchError
from maskforge.bench import Bench
from maskforge.bench.build import zernike_radius_mm
from maskforge.bench.files import DataFile
from maskforge.bench.sections import SECTIONS

Changes = dict[tuple[str, str], object]
"""New values by (section, key); None: the key goes."""

Results = Mapping[str, tuple[float, float]]
"""Values with their uncertainties, by name."""

LONGEST_PERIOD = 1e4
"""Pixels of a carrier that the bench file takes; one that is longer is none."""

MOST_GREYS = 4096
"""Rows of a table between the greys measured."""


def rounded(value: float, uncertainty: float) -> float:
    """To two digits of the uncertainty."""
    if not uncertainty > 0:
        return value
    return float(round(value, 1 - int(np.floor(np.log10(uncertainty)))))


def _gaussian(bench: Bench) -> None:
    if bench.light.image is not None:
        raise BenchError(
            f"{bench.source}: [light] image: a measured beam; --update changes numbers of a "
            "Gaussian one only"
        )


def _offset(bench: Bench, stack: Stack, found: Results) -> Changes:
    _gaussian(bench)
    return {("light", "offset_mm"): [rounded(*found[f"offset {axis}"]) for axis in "xy"]}


def _beam(bench: Bench, stack: Stack, found: Results) -> Changes:
    """One waist where both are the same within their uncertainty and the bench has but one."""
    moved = _offset(bench, stack, found)
    if bench.light.angle_deg:
        raise BenchError(
            f"{bench.source}: [light] angle_deg = {bench.light.angle_deg:g}: the edges measure "
            "waists along x and y; --update needs a beam that is not turned"
        )
    (x, wide_x), (y, wide_y) = found["waist x"], found["waist y"]
    if bench.light.waist_mm is not None and abs(x - y) < np.hypot(wide_x, wide_y):
        weight_x, weight_y = wide_x**-2, wide_y**-2
        mean = (x * weight_x + y * weight_y) / (weight_x + weight_y)
        return moved | {("light", "waist_mm"): rounded(mean, float((weight_x + weight_y) ** -0.5))}
    return moved | {
        ("light", "waist_mm"): None,
        ("light", "waist_x_mm"): rounded(x, wide_x),
        ("light", "waist_y_mm"): rounded(y, wide_y),
    }


def _phase_step(bench: Bench, stack: Stack, found: Results) -> Changes:
    if bench.modulator.alphabet != "binary":
        raise BenchError(
            f'{bench.source}: [modulator] alphabet = "{bench.modulator.alphabet}": a phase step is '
            'for alphabet = "binary"'
        )
    return {("modulator", "phase_step_deg"): rounded(*found["phase step"])}


def _zernike(bench: Bench, stack: Stack, found: Results) -> Changes:
    """Tilts are the pinhole's place, and no wavefront."""
    known = {str(index): rms for index, rms in bench.light.zernike}
    measured = {
        name.removeprefix("Noll "): rounded(*result)
        for name, result in found.items()
        if name not in ("Noll 2", "Noll 3")
    }
    return {
        ("light", "zernike"): known | measured,
        ("light", "zernike_radius_mm"): zernike_radius_mm(bench),
    }


def _direction(bench: Bench, stack: Stack, found: Results) -> Changes:
    scene = scene_of(stack.bench)
    return {
        ("design", "carrier_period_px"): _period(scene.carrier_to(stack.detector.order).period),
        ("design", "carrier_angle_deg"): rounded(*found["carrier angle"]),
    }


def _carrier(bench: Bench, stack: Stack, found: Results) -> Changes:
    """The carrier whose order lies on the fibre."""
    scene, order = scene_of(stack.bench), stack.detector.order
    x, y = (
        place + 1e-6 * found[f"fiber offset {axis}"][0]
        for place, axis in zip(order, "xy", strict=True)
    )
    carrier = scene.carrier_to((x, y))
    if not 0 < carrier.period <= LONGEST_PERIOD:
        return {("design", "carrier_period_px"): 0.0}
    return {
        ("design", "carrier_period_px"): _period(carrier.period),
        ("design", "carrier_angle_deg"): round(float(np.rad2deg(carrier.angle)), 4),
    }


def _period(period: float) -> float:
    """A change in the seventh digit moves an order by less than a nanometre."""
    return float(f"{period:.7g}")


def _curvature(bench: Bench, stack: Stack, found: Results) -> Changes:
    return {("light", "curvature_per_m"): rounded(*found["curvature"])}


def _focal_length(bench: Bench, stack: Stack, found: Results) -> Changes:
    return {("lens", "focal_length_mm"): rounded(*found["focal length"])}


CHANGED: Mapping[str, Callable[[Bench, Stack, Results], Changes]] = {
    "beam-square": _beam,
    "beam-edge": _beam,
    "phase-depth": _phase_step,
    "grey-amplitude": _phase_step,
    "flatness": _zernike,
    "zernike-scan": _zernike,
    "carrier-direction": _direction,
    "fiber-position": _carrier,
    "focus": _curvature,
    "facet-waist": _focal_length,
    "lp11-null": _offset,
}
"""By step; those with a table of greys give the table."""


def check_update(step: str) -> None:
    """BenchError where no key of the bench file holds the result of a step."""
    if step not in CHANGED:
        raise BenchError(
            f"--update: no key of the bench file holds the result of {step}; take it into account "
            "where orientations are used"
        )


def changes(bench: Bench, stack: Stack, fit: Fit, table: str | None) -> Changes:
    """What the fit changes in a bench; `table`: the path of the greys' table as the file names it.

    Raises BenchError where this bench has no place for the result.
    """
    if fit.table is not None:
        if table is None:
            raise BenchError("--table: the new bench file needs the greys' table as a file")
        gone = ("levels", "depth_deg", "phase_step_deg")
        return {("modulator", "alphabet"): "table", ("modulator", "table"): table} | {
            ("modulator", key): None for key in gone
        }
    found = {value.name: (value.value, value.uncertainty) for value in fit.values}
    return CHANGED[fit.step](bench, stack, found)


# --- the table, and what else differs --------------------------------------------------------


def table_text(bench: Bench, table: GreyTable) -> str:
    """The table as the bench file takes it: every grey of the panel between those measured."""
    greys = benches.modulator(bench).alphabet.greys
    full = filled(table, greys) if greys.size <= MOST_GREYS else table
    columns = [full.greys.tolist(), np.round(full.phase_deg, 4).tolist()]
    header = ["grey", "phase_deg"]
    if full.amplitude is not None:
        header.append("amplitude")
        columns.append(np.round(full.amplitude, 6).tolist())
    return csv_text(header, [list(row) for row in zip(*columns, strict=True)])


def differing(bench: Bench, other: Bench) -> tuple[str, ...]:
    """Keys, as in "[light] waist_mm", in which two benches differ; of data files what is in them.

    Of the design only the carrier counts, of the targets nothing.
    """
    written = [benches.resolved(each) for each in (bench, other)]
    return tuple(
        f"[{section}] {key}"
        for section, model in SECTIONS.items()
        for key in model.model_fields
        if section != "targets" and (section != "design" or key.startswith("carrier"))
        if _content(bench, written[0], section, key) != _content(other, written[1], section, key)
    )


def _content(bench: Bench, written: Mapping[str, Any], section: str, key: str) -> object:
    value = getattr(getattr(bench, section), key)
    if isinstance(value, DataFile):
        return value.data.tolist()
    found = written[section].get(key)
    # a sum of squares may come back with another last digit
    return round(found, 12) if isinstance(found, float) else found


def relative(path: Path, start: Path) -> str:
    """How a bench file in the folder `start` names a file."""
    return Path(os.path.relpath(path.resolve(), start.resolve())).as_posix()
