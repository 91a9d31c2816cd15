"""Steps that measure the panel and the wavefront: phase of the greys, flatness, Zernike scans."""

from functools import lru_cache

import numpy as np

from maskforge.align import patterns
from maskforge.align.beam_steps import POINT
from maskforge.align.scene import Detector, Scene
from maskforge.align.step import (
    Choices,
    Shots,
    Values,
    micrometres,
    millimetres,
    number,
    scene_carrier,
    whole_period,
)
from maskforge.base.errors import BenchError
from maskforge.bench.build import zernike_radius_mm
from maskforge.launch.light import Real, illumination
from maskforge.launch.modulator import Carrier, Levels
from maskforge.launch.panel import Picture

GREYS = 33
"""Greys measured of a panel that has more."""

OFTEN = 8
"""Times that each frame is there on a panel of two states, which has three."""

SHARP = 0.25
"""Radius of the pinhole where two sub-apertures interfere, in lambda f / (their distance): it sees
the fringes of those farthest apart with 72 % of the contrast, 2 J1(x)/x at x = pi / 2."""

TILES = 7
"""Sub-apertures along the mask's shorter side, at least."""

WIDE_TILE = 0.6
"""Largest side of a sub-aperture in the beam's waists: some 30 then lie on the beam."""

DARK = 0.03
"""Of the beam's peak density: sub-apertures with less are left out."""

SHIFTS = (0.0, 90.0, 180.0, 270.0)
"""Degrees: four-step phase shifting (Creath, Progress in Optics 26, 349, 1988)."""

AMPLITUDES = 9
"""Frames along a Zernike scan."""

REACH = 1.2
"""Standard deviation of the phase over the beam, in rad, at the ends of a Zernike scan."""

NOLL = tuple(range(4, 12))
"""Defocus to spherical aberration."""


def phase_depth(scene: Scene, choices: Choices) -> Shots:
    """Stripes of one grey against another: their order's power is the square of their distance."""
    if scene.whole.alphabet.size == 2:
        return grey_amplitude(scene, choices)
    period, states = whole_period(choices), _picked(scene, choices)
    greys = list(states)
    brightest = (greys[0], greys[round((len(greys) - 1) / 2)])
    pairs = [(a, b) for a in marks(greys) for b in greys if b != a]
    place = scene.place_of(Carrier(period, 0.0))
    watch = (
        f"Stripes of {period // 2} pixels of one grey against another fill the panel. The detector "
        "stands in the first order beside the zero order: its power grows with the phase between "
        "the two greys, and is highest where they are half a wave apart.",
        GREY_WATCH,
        GREY_GOOD,
    )
    detector = Detector("pinhole", place, scene.spot)
    return _greys_shown(scene, states, period, [brightest, *pairs], detector, watch)


def grey_amplitude(scene: Scene, choices: Choices) -> Shots:
    """Each grey alone, and in stripes against another, in the zero order."""
    period, states = whole_period(choices), _picked(scene, choices)
    greys = list(states)
    pairs = [(g, g) for g in greys] + [(a, b) for a in marks(greys) for b in greys if b != a]
    if len(greys) == 2:
        pairs = [(greys[0], greys[0]), (greys[1], greys[1]), (greys[0], greys[1])] * OFTEN
    watch = (
        f"One grey fills the panel, or stripes of {period // 2} pixels of one grey against "
        "another. The detector stands in the zero order, which the stripes darken: nothing is left "
        "of it where the greys are half a wave apart and equally bright.",
        "Light that the pixels do not change is in the zero order too. The fit knows that of the "
        "gaps, if [modulator] has fill_factor and gap_reflectance; that of a cover glass passes "
        "for a different amplitude: where it is much, use phase-depth.",
        GREY_WATCH,
        GREY_GOOD,
    )
    detector = Detector("pinhole", (0.0, 0.0), scene.spot)
    return _greys_shown(scene, states, period, pairs, detector, watch)


GREY_WATCH = (
    "Watch that nothing saturates: set the detector's range with the brightest frame, and leave "
    "it. Readings with the beam blocked matter here more than elsewhere."
)
GREY_GOOD = (
    "Good: a residual below a few percent. The fit writes the table of greys and phases in the "
    "form that the bench file takes; with --update it goes into a new bench file."
)


def _picked(scene: Scene, choices: Choices) -> dict[int, int]:
    """Greys that are measured, ascending, and the state of each."""
    alphabet = scene.whole.alphabet
    order = np.argsort(alphabet.greys, kind="stable")
    count = min(alphabet.size, choices.counted(GREYS))
    places = np.linspace(0, alphabet.size - 1, count).round().astype(int)
    return {int(alphabet.greys[order[place]]): int(order[place]) for place in places}


def marks(greys: list[int]) -> list[int]:
    """Up to three greys, far apart, that every other one is compared with."""
    last = len(greys) - 1
    return list(dict.fromkeys(greys[round(share * last / 3)] for share in range(3)))


def _greys_shown(
    scene: Scene,
    states: dict[int, int],
    period: int,
    pairs: list[tuple[int, int]],
    detector: Detector,
    watch: tuple[str, ...],
) -> Shots:
    def made(values: Values) -> Picture:
        one, other = (states[int(number(values, key))] for key in ("grey_a", "grey_b"))
        return patterns.picture(scene, patterns.stripes(scene, one, other, period))

    frames = tuple({"grey_a": a, "grey_b": b} for a, b in pairs)
    return Shots(detector, frames, made, watch)


# --- flatness --------------------------------------------------------------------------------


def flatness(scene: Scene, choices: Choices) -> Shots:
    """Two sub-apertures with a grating, one of them moved over the mask and shifted in phase."""
    period = whole_period(choices)
    side = _tile(scene, choices, period)
    xs, ys = (_tiles(scene, along, side) for along in (0, 1))
    bright = _brightness(scene, xs, ys)
    top, right = np.unravel_index(int(np.argmax(bright)), bright.shape)
    home = float(xs[right]), float(ys[top])
    places = [
        (float(x), float(y))
        for y, row in zip(ys, bright, strict=True)
        for x, share in zip(xs, row, strict=True)
        if share > DARK * bright.max() and (float(x), float(y)) != home
    ]
    if len(places) < 3:
        raise BenchError(
            f"{scene.bench.source}: --step flatness: the beam covers {len(places) + 1} "
            f"sub-apertures of {side} pixels; a smaller --period or more --points are needed"
        )
    near = min(places, key=lambda z: np.hypot(z[0] - home[0], z[1] - home[1]))
    frames = tuple(
        {"x_mm": millimetres(x), "y_mm": millimetres(y), "shift_deg": shift}
        for x, y in [near, *(place for place in places if place != near)]
        for shift in SHIFTS
    )
    half = side / 2 * np.array(scene.modulator.pitch_seen)

    def region(x: float, y: float) -> patterns.Region:
        return patterns.box(scene, (x - half[0], x + half[0]), (y - half[1], y + half[1]))

    gratings: dict[float, Levels] = {s: patterns.diagonal(scene, period, s) for s in SHIFTS}
    fixed = region(*home)

    def made(values: Values) -> Picture:
        x, y, shift = (number(values, key) for key in ("x_mm", "y_mm", "shift_deg"))
        states = np.where(region(x * 1e-3, y * 1e-3), gratings[shift], np.uint16(0))
        return patterns.picture(scene, np.where(fixed, gratings[0.0], states))

    extent = max(np.hypot(x - home[0], y - home[1]) for x, y in places)
    place = scene.place_of(patterns.diagonal_carrier(period))
    detector = Detector("pinhole", place, SHARP * scene.scale / float(extent))
    watch = (
        f"Two squares of {side} pixels show a grating: one stays in the middle of the beam, the "
        f"other moves over the mask, {len(places)} places, its grating shifted by 0, 90, 180 and "
        "270 degrees at each. Their light interferes in the pinhole.",
        "Set the pinhole to the highest power with a grating all over, and keep it: its place is "
        "the wavefront's tilt. Air and vibration show as noise; shield the beam.",
        "Good: a residual below 10 %. The fit gives Zernike coefficients of the light's wavefront "
        "with the panel's own; with --update the masks of a new bench file take them out.",
    )
    return Shots(detector, frames, made, watch)


def _tile(scene: Scene, choices: Choices, period: int) -> int:
    """Pixels along a sub-aperture, whole periods."""
    shorter = min(scene.modulator.shape)
    wanted = shorter / (choices.points or TILES)
    if choices.points is None:
        wanted = min(wanted, WIDE_TILE * min(scene.waists) / max(scene.modulator.pitch_seen))
    return max(period, int(wanted / period) * period)


def _tiles(scene: Scene, along: int, side: int) -> Real:
    """Middles of the tiles that fit on the mask, in m."""
    count = scene.modulator.shape[1 - along]
    pitch = scene.modulator.pitch_seen[along]
    tiles = count // side
    first = (count - tiles * side) // 2
    place = first + side * (np.arange(tiles) + 0.5) - count / 2
    return np.asarray(place * pitch)


def _brightness(scene: Scene, xs: Real, ys: Real) -> Real:
    return np.asarray(np.abs(illumination(scene.light, xs, ys)) ** 2)


# --- Zernike scan ----------------------------------------------------------------------------


def zernike_scan(scene: Scene, choices: Choices) -> Shots:
    """A flat wave to the order, bent by one Zernike polynomial after the other."""
    carrier = scene_carrier(scene, choices)
    wanted = patterns.flat(scene, carrier)
    radius = zernike_radius(scene)
    map_of = lru_cache(maxsize=1)(lambda index: patterns.zernike_map(scene, index, radius))
    frames: list[Values] = [{"noll": None, "rms_waves": None}]
    for index in choices.noll or NOLL:
        reach = choices.stretched(2 * weighted_reach(scene, index)) / 2
        amplitudes = np.linspace(-reach, reach, choices.counted(AMPLITUDES))
        frames += [{"noll": index, "rms_waves": round(float(a), 9)} for a in amplitudes]

    def made(values: Values) -> Picture:
        factors = wanted
        if values["noll"] is not None:
            wave = number(values, "rms_waves") * map_of(int(number(values, "noll")))
            factors = wanted * np.exp(2j * np.pi * wave)
        return patterns.picture(scene, patterns.shown(scene, factors))

    detector = Detector("pinhole", scene.place_of(carrier), POINT * scene.spot)
    names = ", ".join(str(index) for index in choices.noll or NOLL)
    watch = (
        f"A grating sends the light to its order as a flat wave, bent by one Zernike polynomial "
        f"(Noll's index {names}) after the other, by amounts from minus to plus. The power in the "
        "middle of the focus is highest where the mask's bend undoes the light's.",
        f"Set the pinhole (radius {micrometres(detector.radius):.3g} um) to the highest power with "
        "the first frame. Where a scan's highest power is at one of its ends, take the stack again "
        "with a larger --span.",
        "Good: every peak within its scan. The fit knows that the polynomials are not independent "
        "under a Gaussian beam and solves for all at once; --update takes them out of the masks.",
    )
    return Shots(detector, tuple(frames), made, watch)


def zernike_radius(scene: Scene) -> float:
    """Radius in m of the disc that the coefficients are for: the bench's."""
    return zernike_radius_mm(scene.bench) * 1e-3


def weighted_reach(scene: Scene, index: int) -> float:
    """RMS waves of a polynomial that vary the phase over the beam by REACH."""
    values = patterns.zernike_map(scene, index, zernike_radius(scene))
    weight = np.abs(illumination(scene.light, *scene.axes))
    mean = np.average(values, weights=weight)
    spread = float(np.sqrt(np.average((values - mean) ** 2, weights=weight)))
    return REACH / (2 * np.pi * spread)
