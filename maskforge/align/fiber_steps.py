"""Steps with the power through the fibre: its place, focus, the carrier's direction, the waist."""

import numpy as np

from maskforge.align import patterns
from maskforge.align.scene import Detector, Scene
from maskforge.align.step import (
    Choices,
    Shots,
    Values,
    fiber_carrier,
    micrometres,
    millimetres,
    number,
    spread,
)
from maskforge.base.errors import BenchError
from maskforge.base.ranges import BadValueError
from maskforge.launch.modulator import Carrier
from maskforge.launch.panel import Picture
from maskforge.launch.targets import gaussian_waist

PLACES, BENDS, DIRECTIONS, APERTURES = 21, 21, 21, 21
"""Frames along a scan."""

BESIDE = 1.5
"""Of a scan of places on either side, in core radii and radii of the focus together."""

RAYLEIGH = 4.0
"""Of a scan of focus on either side, in Rayleigh ranges."""

WIDEST = 4.0
"""Widest aperture in the beam's waists."""


def pupil(scene: Scene) -> float:
    """1/e radius in m of the light on the mask times LP01 sent back to it: what couples."""
    back = scene.scale / (np.pi * gaussian_waist(scene.basis))
    return float(1 / np.hypot(1 / scene.waist, 1 / back))


def across(scene: Scene) -> float:
    """How far in m a scan of places goes on either side."""
    return BESIDE * (scene.fiber.profile.core_radius + scene.spot)


def fiber_position(scene: Scene, choices: Choices) -> Shots:
    """LP01's mask, its far field moved over the core along x, then along y."""
    carrier = fiber_carrier(scene, choices, "fiber-position")
    make = patterns.fundamental(scene, carrier)
    half = choices.stretched(2 * across(scene), 1e-6) / 2
    _check_order(scene, carrier, half, "um", micrometres(2 * half))
    places = np.linspace(-half, half, choices.counted(PLACES))
    frames: list[Values] = [{"axis": None, "place_um": None}]
    frames += [{"axis": name, "place_um": micrometres(z)} for name in "xy" for z in places]
    x, y = patterns.mask_axes(scene)

    def made(values: Values) -> Picture:
        if values["axis"] is None:
            return make(np.ones(scene.modulator.shape, dtype=complex))
        place = number(values, "place_um") * 1e-6
        along = x if values["axis"] == "x" else y[:, None]
        turns = np.broadcast_to(place * along / scene.scale, scene.modulator.shape)
        return make(np.exp(2j * np.pi * turns))

    watch = (
        f"The mask of LP01 moves its focus over the core by {micrometres(half):.4g} um on either "
        "side, along x, then along y, by small changes of the carrier. The fibre stays.",
        "Watch for the frame of the highest power. Where it is at an end of the scan, move the "
        "fibre towards it and take the stack again.",
        "Good: the fit's offset is below a tenth of the core's radius. Move the fibre by it, or "
        "let --update change the carrier so that the order lies on the fibre.",
    )
    return Shots(Detector("fiber", scene.place_of(carrier)), tuple(frames), made, watch)


def focus(scene: Scene, choices: Choices) -> Shots:
    """LP01's mask bent by a quadratic phase."""
    carrier = fiber_carrier(scene, choices, "focus")
    make = patterns.fundamental(scene, carrier)
    wavelength = scene.light.wavelength
    # the wavefront's curvature that moves the focus by a Rayleigh range
    unit = wavelength / (np.pi * pupil(scene) ** 2)
    span = choices.stretched(2 * RAYLEIGH * unit)
    values = spread(0.0, span, choices.counted(BENDS))
    frames: list[Values] = [{"curvature_per_m": 0.0}]
    frames += [{"curvature_per_m": round(float(c), 12)} for c in values]
    x, y = patterns.mask_axes(scene)
    square = x**2 + (y**2)[:, None]

    def made(values: Values) -> Picture:
        bend = number(values, "curvature_per_m")
        return make(np.exp(1j * np.pi * bend / wavelength * square))

    far = span / 2 * scene.focal_length**2
    watch = (
        f"The mask of LP01 is bent by a quadratic phase, from {-span / 2:.4g} to {span / 2:.4g} "
        f"1/m, which moves the focus by {millimetres(far):.3g} mm to either side of the facet.",
        "Watch for the frame of the highest power.",
        "Good: the highest power is in the middle. Move the fibre along the beam by what the fit "
        "says (the sign: try once, and take the stack again), or let --update put the curvature "
        "into a new bench file: its masks then take it out.",
    )
    return Shots(Detector("fiber", scene.place_of(carrier)), tuple(frames), made, watch)


def carrier_direction(scene: Scene, choices: Choices) -> Shots:
    """LP01's mask, its carrier turned at the same period."""
    carrier = fiber_carrier(scene, choices, "carrier-direction")
    if carrier.period == 0.0:
        raise BenchError(
            f"{scene.bench.source}: [design] carrier_period_px = 0: --step carrier-direction turns "
            "a carrier, and there is none; give --period, such as 6, and bring the fibre to that "
            "order"
        )
    make = patterns.fundamental(scene, carrier)
    far = float(np.hypot(*scene.place_of(carrier)))
    usual = 2 * float(np.rad2deg(across(scene) / far))
    angle = float(np.rad2deg(carrier.angle))
    values = spread(angle, choices.stretched(min(usual, 90.0)), choices.counted(DIRECTIONS))
    frames: list[Values] = [{"angle_deg": angle}]
    frames += [{"angle_deg": round(float(a), 9)} for a in values]
    x, y = patterns.mask_axes(scene)
    home = scene.place_of(carrier)

    def made(values: Values) -> Picture:
        turned = Carrier(carrier.period, np.deg2rad(number(values, "angle_deg")))
        across, up = (a - b for a, b in zip(scene.place_of(turned), home, strict=True))
        return make(np.exp(2j * np.pi * (across * x + up * y[:, None]) / scene.scale))

    watch = (
        f"The mask of LP01 with a carrier of {carrier.period:g} pixels whose direction turns from "
        f"{values[0]:.4g} to {values[-1]:.4g} degrees: its focus moves on an arc about the zero "
        "order.",
        "Watch for the frame of the highest power. Do fiber-position after it: the arc tells "
        "nothing of the distance from the zero order.",
        "Good: the highest power is at the bench's own angle. Else the panel, the camera or the "
        "fibre's stage is turned against the others; turn it, or let --update change the angle.",
    )
    return Shots(Detector("fiber", home), tuple(frames), made, watch)


def facet_waist(scene: Scene, choices: Choices) -> Shots:
    """A flat wave to the fibre from a round aperture of growing diameter, no carrier around it."""
    carrier = fiber_carrier(scene, choices, "facet-waist")
    if carrier.period == 0.0:
        raise BenchError(
            f"{scene.bench.source}: [design] carrier_period_px = 0: --step facet-waist sends away "
            "what is outside its aperture by a carrier; give --period, such as 6, and bring the "
            "fibre to that order"
        )
    states = patterns.shown(scene, patterns.flat(scene, carrier))
    offset = scene.light.offset
    room = 2 * min(
        abs(end - z) for ends, z in zip(scene.edges, offset, strict=True) for end in ends
    )
    widest = min(choices.stretched(WIDEST * scene.waist, 1e-3), room)
    count = choices.counted(APERTURES)
    frames: list[Values] = [{"diameter_mm": None}]
    frames += [{"diameter_mm": millimetres(widest * (k + 1) / count)} for k in range(count)]

    def made(values: Values) -> Picture:
        if values["diameter_mm"] is None:
            return patterns.picture(scene, states)
        diameter = number(values, "diameter_mm") * 1e-3
        return patterns.within(scene, patterns.disc(scene, offset, diameter), states)

    watch = (
        f"A round aperture with a grating grows to {millimetres(widest):.4g} mm on the panel. The "
        "narrower it is, the wider its focus on the facet: how the power through the fibre grows "
        "tells how wide the fibre's mode is against the beam's focus.",
        "Do beam-edge, focus and fiber-position before it: the beam's waist is taken from the "
        "bench file.",
        "Good: the fit's focal length is the lens's within a few percent; else the lens, the "
        "fibre's mode or the beam's waist is not what the bench file says.",
    )
    return Shots(Detector("fiber", scene.place_of(carrier)), tuple(frames), made, watch)


def _check_order(scene: Scene, carrier: Carrier, half: float, unit: str, span: float) -> None:
    """BadValueError where a scan leaves the field that the pixels show but once."""
    for place, pitch in zip(scene.place_of(carrier), scene.modulator.pitch_seen, strict=True):
        room = scene.scale / (2 * pitch) - abs(place)
        if half > room:
            raise BadValueError(
                "the scan leaves the field that the pixels show but once; at most "
                f"{micrometres(2 * room):.4g} {unit} beside this carrier",
                "span",
                f"{span:g}",
            )
