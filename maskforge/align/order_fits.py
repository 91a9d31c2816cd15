"""Fits by the view: what of the light, or of the detector's place, explains the readings."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from maskforge.align.block_model import BlockView, lit, seen_by, signals, turned, view_of
from maskforge.align.fiber_steps import pupil
from maskforge.align.fit import (
    Changes,
    FitResult,
    Results,
    Value,
    brightest,
    column,
    page_means,
    rounded,
)
from maskforge.align.panel_steps import zernike_radius
from maskforge.align.readings import Readings
from maskforge.align.regression import Signal, Solution, solve
from maskforge.align.scene import Scene, scene_of
from maskforge.align.stack import Stack, pictures
from maskforge.bench import Bench
from maskforge.bench.build import zernike_radius_mm
from maskforge.launch.light import Light, Real, zernike
from maskforge.launch.modulator import Carrier

LONGEST_PERIOD = 1e4
"""Pixels of a carrier that the bench file takes; one that is longer is none."""

WIDER = 0.1
"""Relative: much, of a beam that is wider than the bench file says."""


@dataclass(frozen=True, eq=False)
class Case:
    """A stack's view with what the fits need of it."""

    stack: Stack
    readings: Readings
    scene: Scene
    view: BlockView
    means: Real


def case_of(stack: Stack, readings: Readings) -> Case:
    """Reads the stack's pictures; BenchError where they cannot be."""
    scene = scene_of(stack.bench)
    view = view_of(scene, stack.detector, pictures(stack))
    return Case(stack, readings, scene, view, page_means(readings, len(stack.frames)))


def widened(light: Light, factor: float) -> Light:
    """The beam, wider by exp(factor)."""
    grown = float(np.exp(factor))
    x, y = light.waist
    pitch = None if light.image_pitch is None else light.image_pitch * grown
    return replace(light, waist=(x * grown, y * grown), image_pitch=pitch)


def peak(case: Case, key: str, **fixed: object) -> float | None:
    """The value of a key at which the readings are highest, among frames with `fixed` values."""
    x = column(case.stack, key)
    own = [all(values[k] == v for k, v in fixed.items()) for values in case.stack.frames]
    page = brightest(case.means, np.array(own) & np.isfinite(x))
    return None if page is None else float(x[page])


def value_of(solution: Solution, place: int, name: str, unit: str, factor: float = 1.0) -> Value:
    """An unknown in lab units."""
    return Value(
        name,
        factor * float(solution.theta[place]),
        abs(factor) * float(solution.half_widths[place]),
        unit,
    )


def at_end(case: Case, key: str, value: float, factor: float = 1.0) -> tuple[str, ...]:
    """A note where a result lies at or beyond the ends of its scan; `factor`: to the key's unit."""
    x = column(case.stack, key)
    if np.nanmin(x) < factor * value < np.nanmax(x):
        return ()
    return (f"the result is beyond the scan of {key}: centre the bench on it and take it again",)


# --- the fibre -------------------------------------------------------------------------------


def fiber_position(stack: Stack, readings: Readings) -> FitResult:
    """Where the fibre is against the nominal order, on the facet."""
    case = case_of(stack, readings)

    def signal(theta: Real) -> Real:
        seen = seen_by(case.view, shift=(theta[0], theta[1]))
        return signals(case.view, lit(case.view, widened(case.scene.light, theta[2])), seen)

    start = [1e-6 * (peak(case, "place_um", axis=name) or 0.0) for name in "xy"]
    spot = case.scene.spot
    solution = solve(case.readings, signal, [[*start, 0.0]], [spot, spot, WIDER])
    x, y = (value_of(solution, k, f"fiber offset {name}", "um", 1e6) for k, name in enumerate("xy"))
    notes = {note for z in solution.theta[:2] for note in at_end(case, "place_um", z, 1e6)}
    return FitResult((x, y), solution, tuple(notes))


def focus(stack: Stack, readings: Readings) -> FitResult:
    """The light's curvature, and how far beyond the facet its focus lies.

    Newton's lens equation: light from 1/c before the front focal plane is focused c f^2 behind the
    back one.
    """
    case = case_of(stack, readings)
    scene, light = case.scene, case.scene.light
    seen = seen_by(case.view)

    def signal(theta: Real) -> Real:
        bent = replace(light, curvature=light.curvature + theta[0])
        return signals(case.view, lit(case.view, widened(bent, theta[1])), seen)

    unit = light.wavelength / (np.pi * pupil(scene) ** 2)
    start = -(peak(case, "curvature_per_m") or 0.0)
    solution = solve(case.readings, signal, [[start, 0.0]], [unit, WIDER])
    more = value_of(solution, 0, "curvature", "1/m")
    whole = replace(more, value=more.value + light.curvature)
    moved = value_of(solution, 0, "focus beyond the facet", "mm", 1e3 * scene.focal_length**2)
    return FitResult(
        (whole, moved), solution, at_end(case, "curvature_per_m", -float(solution.theta[0]))
    )


def carrier_direction(stack: Stack, readings: Readings) -> FitResult:
    """The angle at which the carrier's order meets the fibre best."""
    case = case_of(stack, readings)
    home = case.scene.carrier_to(stack.detector.order)

    def signal(theta: Real) -> Real:
        place = case.scene.place_of(Carrier(home.period, theta[0]))
        x, y = (float(a - b) for a, b in zip(place, stack.detector.order, strict=True))
        field = lit(case.view, widened(case.scene.light, theta[1]))
        return signals(case.view, field, seen_by(case.view, shift=(x, y)))

    start = np.deg2rad(peak(case, "angle_deg") or np.rad2deg(home.angle))
    wide = case.scene.spot / float(np.hypot(*stack.detector.order))
    solution = solve(case.readings, signal, [[start, 0.0]], [wide, WIDER])
    angle = value_of(solution, 0, "carrier angle", "deg", 180 / np.pi)
    return FitResult((angle,), solution, at_end(case, "angle_deg", angle.value))


def facet_waist(stack: Stack, readings: Readings) -> FitResult:
    """The focal length with which the beam's focus is as wide against the fibre's mode."""
    case = case_of(stack, readings)
    field = lit(case.view, case.scene.light)

    def signal(theta: Real) -> Real:
        seen = seen_by(case.view, stretch=float(np.exp(theta[0])))
        return signals(case.view, field, seen)

    solution = solve(case.readings, signal, [[0.0]], [WIDER])
    grown, wide = float(np.exp(solution.theta[0])), float(solution.half_widths[0])
    focal, spot = (grown * z for z in (case.scene.focal_length, case.scene.spot))
    return FitResult(
        (
            Value("focal length", 1e3 * focal, 1e3 * focal * wide, "mm"),
            Value("waist at the facet", 1e6 * spot, 1e6 * spot * wide, "um"),
        ),
        solution,
    )


# --- LP11 ------------------------------------------------------------------------------------


def lp11_null(stack: Stack, readings: Readings) -> FitResult:
    """The beam's centre: where the line halves it."""
    case = case_of(stack, readings)
    light, seen = case.scene.light, seen_by(case.view)

    def signal(theta: Real) -> Real:
        moved = replace(light, offset=(theta[0], theta[1]))
        return signals(case.view, lit(case.view, _stretched(moved, theta[2:])), seen)

    start = [_darkest(case, name) for name in "xy"]
    # a measured beam keeps its shape
    widths = 2 if light.image is None else 1
    scales = [*case.scene.waists, *[WIDER] * widths]
    solution = solve(case.readings, signal, [[*start, *[0.0] * widths]], scales)
    found = tuple(value_of(solution, k, f"offset {name}", "mm", 1e3) for k, name in enumerate("xy"))
    notes = {note for value in found for note in at_end(case, "line_mm", value.value)}
    return FitResult(found, solution, tuple(notes))


def _stretched(light: Light, factors: Real) -> Light:
    """The beam, wider by exp(factor) along each of its axes, or along both."""
    if factors.size == 1:
        return widened(light, factors[0])
    x, y = (float(w * np.exp(z)) for w, z in zip(light.waist, factors, strict=True))
    return replace(light, waist=(x, y))


def _darkest(case: Case, name: str) -> float:
    own = np.array([values["axis"] == name for values in case.stack.frames])
    seen = own & np.isfinite(case.means)
    if not np.any(seen):
        return case.scene.light.offset["xy".index(name)]
    page = int(np.argmin(np.where(seen, case.means, np.inf)))
    return float(column(case.stack, "line_mm")[page] * 1e-3)


def lp11_lobe(stack: Stack, readings: Readings) -> FitResult:
    """Where, on the panel, the direction lies that the pinhole stands in."""
    case = case_of(stack, readings)

    def signal(theta: Real) -> Real:
        seen = seen_by(turned(case.view, theta[0]))
        return signals(case.view, lit(case.view, widened(case.scene.light, theta[1])), seen)

    # half a turn away the pinhole is on the other lobe, which is not quite the same
    start = np.deg2rad(_within_half_a_turn(peak(case, "angle_deg") or 0.0))
    solution = solve(case.readings, signal, [[start, 0.0]], [np.deg2rad(20.0), WIDER])
    angle = value_of(solution, 0, "zero of the orientation", "deg", 180 / np.pi)
    return FitResult((replace(angle, value=_within_half_a_turn(angle.value)),), solution)


def _within_half_a_turn(degrees: float) -> float:
    return (degrees + 90) % 180 - 90


# --- the wavefront ---------------------------------------------------------------------------


def zernike_scan(stack: Stack, readings: Readings) -> FitResult:
    """Coefficients of the light, all of those scanned at once."""
    case = case_of(stack, readings)
    found = dict.fromkeys(values["noll"] for values in stack.frames)
    indices = [int(index) for index in found if isinstance(index, int | float)]
    start = [-(peak(case, "rms_waves", noll=index) or 0.0) for index in indices]
    x, noll = column(stack, "rms_waves"), column(stack, "noll")
    reach = [float(np.nanmax(np.abs(x[noll == index]))) for index in indices]
    solution = solve(case.readings, zernike_signal(case, indices), [[*start, 0.0]], [*reach, WIDER])
    beyond = [
        f"Noll {index}: the result is beyond its scan; take the stack again with a larger --span"
        for index, value, most in zip(indices, solution.theta, reach, strict=False)
        if abs(value) >= most
    ]
    return FitResult(zernike_values(case, solution, indices), solution, tuple(beyond))


def zernike_signal(case: Case, indices: Sequence[int]) -> Signal:
    """Signals of coefficients (waves RMS) beside the bench's own, and last a wider beam."""
    light, seen, radius = case.scene.light, seen_by(case.view), zernike_radius(case.scene)
    across, up = case.view.x - light.offset[0], (case.view.y - light.offset[1])[:, None]
    rho, theta = np.hypot(across, up) / radius, np.arctan2(up, across)
    maps = np.array([zernike(index, rho, theta) for index in indices])

    def signal(unknowns: Real) -> Real:
        field = lit(case.view, widened(light, unknowns[-1]))
        return signals(
            case.view, field * np.exp(2j * np.pi * np.tensordot(unknowns[:-1], maps, 1)), seen
        )

    return signal


def zernike_values(case: Case, solution: Solution, indices: Sequence[int]) -> tuple[Value, ...]:
    """The light's coefficients, the bench's own in them."""
    own = dict(case.scene.light.zernike)
    values = [value_of(solution, k, f"Noll {index}", "waves") for k, index in enumerate(indices)]
    return tuple(
        replace(value, value=value.value + own.get(index, 0.0))
        for value, index in zip(values, indices, strict=True)
    )


# --- what changes in the bench file ------------------------------------------------------------


def changed_wavefront(bench: Bench, stack: Stack, found: Results) -> Changes:
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


def changed_direction(bench: Bench, stack: Stack, found: Results) -> Changes:
    scene = scene_of(stack.bench)
    return {
        ("design", "carrier_period_px"): _period(scene.carrier_to(stack.detector.order).period),
        ("design", "carrier_angle_deg"): rounded(*found["carrier angle"]),
    }


def changed_carrier(bench: Bench, stack: Stack, found: Results) -> Changes:
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


def changed_curvature(bench: Bench, stack: Stack, found: Results) -> Changes:
    return {("light", "curvature_per_m"): rounded(*found["curvature"])}


def changed_focal_length(bench: Bench, stack: Stack, found: Results) -> Changes:
    return {("lens", "focal_length_mm"): rounded(*found["focal length"])}
