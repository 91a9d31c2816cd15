"""Steps that find and measure the beam on the panel: a square, an edge, a step of half a wave."""

import numpy as np

from maskforge.align import patterns
from maskforge.align.scene import Detector, Scene
from maskforge.align.step import (
    Choices,
    Shots,
    Values,
    clipped,
    micrometres,
    millimetres,
    number,
    slanted,
    whole_period,
)
from maskforge.launch.modulator import Carrier
from maskforge.launch.panel import Picture

IRIS = 6.0
"""Radius of the iris around an order in lambda f / (the beam's waist), 19 radii of the focus: what
an edge diffracts beyond it is 1 % of the power."""

APART = 0.5
"""Of the way from an order to the axes through the zero order that an iris may take: along them lie
the tails of what is flat."""

SQUARES, EDGES, LINES = 9, 31, 31
"""Frames along an axis."""

EDGE_SPAN, LINE_SPAN = 5.0, 2.0
"""Of a scan, in waists."""

POINT = 0.25
"""Radius of a pinhole that takes one place of the focus, in the focus's own."""


def iris(scene: Scene, carrier: Carrier) -> Detector:
    """A wide hole around a carrier's order: the power of the light that the grating catches."""
    x, y = scene.place_of(carrier)
    room = APART * min(abs(x), abs(y))
    return Detector("pinhole", (x, y), min(room, IRIS * scene.scale / scene.waist))


def beam_square(scene: Scene, choices: Choices) -> Shots:
    """A square of carrier, moved over the whole panel in rows."""
    # whole periods in every square: all of them show the same grating, and what is flat around
    # them sends nothing to its order
    period = whole_period(choices)
    carrier, states = patterns.diagonal_carrier(period), patterns.diagonal(scene, period, 0.0)
    count = choices.counted(SQUARES)
    side = -(-min(scene.whole.shape) // (count * period)) * period
    xs, ys = (_middles(scene, along, side, count, period) for along in (0, 1))
    frames: list[Values] = [{"x_mm": None, "y_mm": None, "side_px": None}]
    frames += [
        {"x_mm": millimetres(x), "y_mm": millimetres(y), "side_px": side} for y in ys for x in xs
    ]

    def made(values: Values) -> Picture:
        if values["x_mm"] is None:
            return patterns.picture(scene, states)
        ends = [
            (
                number(values, key) * 1e-3 - side * pitch / 2,
                number(values, key) * 1e-3 + side * pitch / 2,
            )
            for key, pitch in zip(("x_mm", "y_mm"), scene.whole.pitch_seen, strict=True)
        ]
        return patterns.within(scene, patterns.box(scene, *ends), states)

    detector = iris(scene, carrier)
    watch = (
        f"A square of {side} pixels with a grating moves over the panel in rows, from "
        "the lower left; the rest is flat. Only light that falls on the square reaches the iris.",
        "Watch for the square at which the power is highest: there is the beam. If no square gives "
        "light, look for the order with the first frame (a grating all over), and open the iris.",
        "Good: the brightest square is the one in the middle of the mask, or the fit's offset is "
        "small against the waist. Move the beam or the panel, and take the stack again.",
    )
    return Shots(detector, tuple(frames), made, watch)


def _middles(scene: Scene, along: int, side: int, count: int, period: int) -> list[float]:
    """Middles of `count` squares over the panel along an axis, moved by whole periods."""
    pixels, pitch = scene.whole.shape[1 - along], scene.whole.pitch_seen[along]
    starts = np.linspace(0, pixels - side, count) // period * period
    first = scene.edges[along][0]
    return [float(first + (start + side / 2) * pitch) for start in dict.fromkeys(starts)]


def beam_edge(scene: Scene, choices: Choices) -> Shots:
    """Carrier up to an edge that moves along x, then along y."""
    carrier = slanted(scene, choices)
    states = patterns.shown(scene, patterns.tilted(scene, carrier))
    frames: list[Values] = [{"axis": None, "edge_mm": None}]
    for along, name in enumerate("xy"):
        span = choices.stretched(EDGE_SPAN * scene.waists[along], 1e-3)
        ends = clipped(scene.edges[along], scene.light.offset[along], span)
        places = np.linspace(*ends, choices.counted(EDGES))
        snapped = dict.fromkeys(patterns.snapped(scene, along, z) for z in places)
        frames += [{"axis": name, "edge_mm": millimetres(z)} for z in snapped]

    def made(values: Values) -> Picture:
        if values["axis"] is None:
            return patterns.picture(scene, states)
        return patterns.within(scene, _before(scene, values, "edge_mm"), states)

    watch = (
        "A grating fills the panel from its left end up to an edge that moves to the right; then "
        "from its lower end up to an edge that moves upwards. The power behind the iris rises from "
        "nothing to that of the first frame (a grating all over) as a knife edge's does.",
        "Watch that both ends are flat: a scan that ends within the beam measures no waist.",
        "Good: the fit's offset is small against the waist, and its waist is the bench file's "
        "within a few percent. The fit writes both into a new bench file with --update.",
    )
    return Shots(iris(scene, carrier), tuple(frames), made, watch)


def _before(scene: Scene, values: Values, key: str) -> patterns.Region:
    """The panel up to a place on an axis."""
    place = number(values, key) * 1e-3
    across, up = scene.axes
    before = across < place if values["axis"] == "x" else (up < place)[:, None]
    return np.broadcast_to(before, scene.whole.shape)


def lp11_null(scene: Scene, choices: Choices) -> Shots:
    """A carrier whose phase steps by half a wave at a line that moves along x, then along y."""
    carrier = slanted(scene, choices)
    wanted = patterns.flat(scene, carrier)
    frames: list[Values] = [{"axis": None, "line_mm": None}]
    for along, name in enumerate("xy"):
        span = choices.stretched(LINE_SPAN * scene.waists[along], 1e-3)
        ends = clipped(scene.edges[along], scene.light.offset[along], span)
        places = np.linspace(*ends, choices.counted(LINES))
        snapped = dict.fromkeys(patterns.snapped(scene, along, z) for z in places)
        frames += [{"axis": name, "line_mm": millimetres(z)} for z in snapped]

    def made(values: Values) -> Picture:
        if values["axis"] is None:
            return patterns.picture(scene, patterns.shown(scene, wanted))
        sign = np.where(_before(scene, values, "line_mm"), -1.0, 1.0)
        return patterns.picture(scene, patterns.shown(scene, wanted * sign))

    detector = Detector("pinhole", scene.place_of(carrier), POINT * scene.spot)
    watch = (
        "The mask is that of an LP11 mode: a grating whose phase steps by half a wave at a line. "
        "The line moves along x, then along y. In the middle of the focus the light of both sides "
        "cancels when the line halves the beam.",
        "Set the pinhole to the highest power with the first frame (no line), then watch for the "
        "null: a dark frame between two bright ones.",
        "Good: the null lies at the middle of the mask, and it is dark (below 1 % of the first "
        "frame). A null that is not dark speaks of a wavefront that is not flat: take flatness "
        "again.",
    )
    return Shots(detector, tuple(frames), made, watch)


LOBE = 0.924
"""Where the far field of a Gaussian with a step of half a wave is strongest, in radii of the focus:
the maximum of Dawson's integral (Abramowitz and Stegun 7.1; DLMF 7.5)."""

TURNS = 24


def lp11_lobe(scene: Scene, choices: Choices) -> Shots:
    """The LP11 mask turned through half a turn, seen through a pinhole beside the order."""
    carrier = slanted(scene, choices)
    wanted = patterns.flat(scene, carrier)
    frames: tuple[Values, ...] = tuple(
        {"angle_deg": round(float(angle), 6)}
        for angle in np.arange(choices.counted(TURNS)) * 180 / choices.counted(TURNS)
    )
    across, up = scene.axes

    def made(values: Values) -> Picture:
        turn = np.deg2rad(number(values, "angle_deg"))
        cos, sin = np.cos(turn), np.sin(turn)
        x, y = across - scene.light.offset[0], (up - scene.light.offset[1])[:, None]
        sign = np.where(x * cos + y * sin > 0, 1.0, -1.0)
        return patterns.picture(scene, patterns.shown(scene, wanted * sign))

    aside = LOBE * scene.spot
    detector = Detector("pinhole", scene.place_of(carrier), POINT * scene.spot, (aside, 0.0))
    watch = (
        f"The mask of an LP11 mode turns through half a turn in {len(frames)} frames. The pinhole "
        f"stands {micrometres(aside):.4g} um from the order towards +x, where one of the two lobes "
        "passes by.",
        "Find the order with a grating all over (first frame of lp11-null), then move the pinhole "
        "by that much along what you call +x.",
        "Good: the power is highest at 0 degrees and almost nothing at 90. The angle of the "
        "maximum is where your +x lies on the panel: take it from orientation_deg to have the "
        "orientation in your own axes.",
    )
    return Shots(detector, frames, made, watch)
