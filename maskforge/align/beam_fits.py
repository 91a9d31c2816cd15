"""Fits of the beam on the panel, of which every frame shows a rectangle."""

from dataclasses import dataclass

import numpy as np

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
from maskforge.align.readings import Readings
from maskforge.align.regression import Solution, solve
from maskforge.align.scene import Detector, Scene, pinhole_rule, scene_of
from maskforge.align.stack import Stack, pictures
from maskforge.base.errors import BenchError
from maskforge.bench import Bench
from maskforge.launch.fourier import axis, fourier_rows
from maskforge.launch.light import Complex, Real
from maskforge.launch.modulator import emitted
from maskforge.launch.panel import states_of

WIDTHS = (0.5, 1.0, 2.0)
"""Waists that a fit starts from, in the nominal one."""

AXES = ("x", "y")

LEAST_TURN = 0.3
"""Cosine of twice a beam's angle from which on its waists follow from those along x and y: their
uncertainty grows by its inverse."""


@dataclass(frozen=True, eq=False)
class Slit:
    """What an iris lets through of a beam along one axis.

    `places` (pixels,) in m; `waves` (samples of the iris, pixels); `shown` (frames, pixels): the
    light that each frame sends to the order there, 1 where its grating is whole.
    """

    places: Real
    waves: Complex
    shown: Complex

    def spectra(self, centre: float, waist: float) -> Real:
        """Power (frames, samples of the iris) of a Gaussian of a centre and a waist, in m."""
        field = np.exp(-(((self.places - centre) / waist) ** 2))
        return np.asarray(np.abs(self.shown @ (self.waves * field).T) ** 2)


def slits(
    scene: Scene,
    detector: Detector,
    bounds: list[tuple[Real, Real]],
    blurred: tuple[Complex, Complex] | None = None,
) -> tuple[tuple[Slit, Slit], Real]:
    """The slits along x and y of frames with `bounds` (lowest, highest), and the iris's weights.

    `blurred`: what the frames show along x and y instead of what lies sharply within the bounds.

    Through a wide iris the power is the error function of a knife edge; a narrow one cuts off what
    the edges diffract, and the beam is separable: Goodman, Introduction to Fourier Optics, ch. 4.
    """
    u, v, weight = pinhole_rule(detector, scene.scale, scene.width)
    x, y = (_between(scene, along, *ends) for along, ends in enumerate(bounds))
    shown = blurred or (x, y)
    found = [
        Slit(places, fourier_rows(places, z, scene.scale), light)
        for places, z, light in zip(scene.axes, (u, v), shown, strict=True)
    ]
    return (found[0], found[1]), weight


def _between(scene: Scene, along: int, low: Real, high: Real) -> Complex:
    """1 (frames, pixels) between two borders of pixels, 0 beyond."""
    pitch, begin = scene.whole.pitch_seen[along], scene.edges[along][0]
    first, last = (np.round((z - begin) / pitch)[:, None] for z in (low, high))
    place = np.arange(scene.axes[along].size)
    return ((place >= first) & (place < last)).astype(complex)


def _blurred(stack: Stack, scene: Scene) -> tuple[Complex, Complex]:
    """The same along x and along y as the pictures are where neighbours blur the phase.

    A rectangle's light is its mean along x times that along y; by the first frame, which is whole.
    Means fade out towards the panel's ends: they tell the order from what is flat.
    """
    carrier = scene.carrier_to(stack.detector.order)
    up, across = (
        np.hanning(count + 2)[1:-1] * np.exp(-2j * np.pi * frequency * axis(count, 1.0))
        for frequency, count in zip(carrier.frequency[::-1], scene.whole.shape, strict=True)
    )
    tilt_x, tilt_y = (z / np.abs(z) for z in (across, up))
    along_x, along_y, whole = [], [], 0j
    for picture in pictures(stack):
        light = emitted(scene.whole, states_of(scene.whole, picture))
        x, y = (up @ light) * tilt_x, (light @ across) * tilt_y
        both = complex(y @ np.abs(up))
        whole = whole or both
        along_x.append(x / whole * np.abs(across).sum())
        along_y.append(y / both * np.abs(up).sum())
    return np.array(along_x), np.array(along_y)


def beam_edge(stack: Stack, readings: Readings) -> FitResult:
    """Centre and waist along x and y from the edge's places."""
    scene = scene_of(stack.bench)
    edge = column(stack, "edge_mm") * 1e-3
    axis = [values["axis"] for values in stack.frames]
    bounds = []
    for along, name in enumerate(AXES):
        low, high = scene.edges[along]
        own = np.array([word == name for word in axis])
        bounds.append((np.full(edge.size, low), np.where(own, edge, high)))
    starts = _edge_starts(scene, bounds, page_means(readings, edge.size))
    return _beam(stack, readings, scene, bounds, starts)


def _edge_starts(
    scene: Scene, bounds: list[tuple[Real, Real]], means: Real
) -> list[tuple[float, float]]:
    """Where the power along x and along y is half of the whole's."""
    out = []
    for along, (_, high) in enumerate(bounds):
        moved = (high < scene.edges[along][1]) & np.isfinite(means)
        order = np.argsort(high[moved], kind="stable")
        place, power = high[moved][order], means[moved][order]
        top = means[0] if np.isfinite(means[0]) else float(np.max(power, initial=0.0))
        passed_half = np.flatnonzero(power > top / 2)
        middle = place[passed_half[0]] if passed_half.size else scene.light.offset[along]
        out.append((float(middle), scene.waists[along]))
    return out


def beam_square(stack: Stack, readings: Readings) -> FitResult:
    """Centre and waist along x and y from the square's places."""
    scene = scene_of(stack.bench)
    side = column(stack, "side_px")
    bounds = []
    for along, key in enumerate(("x_mm", "y_mm")):
        low, high = scene.edges[along]
        middle, half = column(stack, key) * 1e-3, side * scene.whole.pitch_seen[along] / 2
        whole = np.isnan(middle)
        bounds.append((np.where(whole, low, middle - half), np.where(whole, high, middle + half)))
    means = page_means(readings, side.size)
    page = brightest(means, np.isfinite(side))
    middles = [
        scene.light.offset[along] if page is None else float((low[page] + high[page]) / 2)
        for along, (low, high) in enumerate(bounds)
    ]
    starts = list(zip(middles, scene.waists, strict=True))
    return _beam(stack, readings, scene, bounds, starts)


def _beam(
    stack: Stack,
    readings: Readings,
    scene: Scene,
    bounds: list[tuple[Real, Real]],
    starts: list[tuple[float, float]],
) -> FitResult:
    """Centres and waists of a beam of which every frame shows a rectangle."""
    blurred = _blurred(stack, scene) if scene.whole.crosstalk else None
    (across, up), weight = slits(scene, stack.detector, bounds, blurred)

    def signal(theta: Real) -> Real:
        x, y = across.spectra(theta[0], theta[1]), up.spectra(theta[2], theta[3])
        return np.asarray(np.sum((y @ weight) * x, axis=1) / (theta[1] * theta[3]))

    tried = [
        [starts[0][0], starts[0][1] * wide, starts[1][0], starts[1][1] * wide] for wide in WIDTHS
    ]
    scales = [waist for waist in scene.waists for _ in range(2)]
    solution = solve(readings, signal, tried, scales)
    return FitResult(_values(solution), solution, _notes(scene, solution))


def _values(solution: Solution) -> tuple[Value, ...]:
    names = ("offset x", "waist x", "offset y", "waist y")
    found = zip(names, np.abs(solution.theta), solution.theta, solution.half_widths, strict=True)
    values = [
        Value(name, 1e3 * float(size if "waist" in name else value), 1e3 * float(wide), "mm")
        for name, size, value, wide in found
    ]
    return values[0], values[2], values[1], values[3]


def _notes(scene: Scene, solution: Solution) -> tuple[str, ...]:
    beyond = [
        name
        for along, name in enumerate(AXES)
        if not scene.edges[along][0] < solution.theta[2 * along] < scene.edges[along][1]
    ]
    return tuple(f"the beam's middle is off the panel along {name}" for name in beyond)


# --- what changes in the bench file ------------------------------------------------------------


def _gaussian(bench: Bench) -> None:
    if bench.light.image is not None:
        raise BenchError(
            f"{bench.source}: [light] image: the edges' centre and waists are those of a Gaussian "
            "beam, this one is a picture"
        )


def changed_offset(bench: Bench, stack: Stack, found: Results) -> Changes:
    return {("light", "offset_mm"): [rounded(*found[f"offset {axis}"]) for axis in "xy"]}


def changed_beam(bench: Bench, stack: Stack, found: Results) -> Changes:
    """One waist where both are the same within their uncertainty and the bench has but one."""
    _gaussian(bench)
    moved = changed_offset(bench, stack, found)
    (x, wide_x), (y, wide_y) = found["waist x"], found["waist y"]
    if bench.light.waist_mm is not None and abs(x - y) < np.hypot(wide_x, wide_y):
        weight_x, weight_y = wide_x**-2, wide_y**-2
        mean = (x * weight_x + y * weight_y) / (weight_x + weight_y)
        return moved | {("light", "waist_mm"): rounded(mean, float((weight_x + weight_y) ** -0.5))}
    if bench.light.angle_deg:
        return moved | _turned(bench.light.angle_deg, found)
    return moved | {
        ("light", "waist_mm"): None,
        ("light", "waist_x_mm"): rounded(x, wide_x),
        ("light", "waist_y_mm"): rounded(y, wide_y),
    }


def _turned(angle_deg: float, found: Results) -> Changes:
    """Waists along the own axes of a beam of known angle; none where the edges tell too little.

    A Gaussian's variances along x and y are sums of those along its axes, by squared cosines.
    """
    (x, wide_x), (y, wide_y) = found["waist x"], found["waist y"]
    turn = float(np.cos(2 * np.deg2rad(angle_deg)))
    if abs(turn) < LEAST_TURN:
        return {}
    total, apart = x**2 + y**2, (x**2 - y**2) / turn
    if not abs(apart) < total:
        return {}
    first, second = np.sqrt((total + apart) / 2), np.sqrt((total - apart) / 2)
    shares = (1 + 1 / turn) / 2, (1 - 1 / turn) / 2
    wide = (
        float(np.hypot(a * x * wide_x, b * y * wide_y) / size)
        for a, b, size in ((*shares, first), (*shares[::-1], second))
    )
    keys = ("waist_x_mm", "waist_y_mm")
    return {
        ("light", key): rounded(float(size), error)
        for key, size, error in zip(keys, (first, second), wide, strict=True)
    }


def beam_left(bench: Bench, found: Results) -> tuple[str, ...]:
    """What the edges do not tell of a turned beam."""
    angle = bench.light.angle_deg
    if not angle or bench.light.waist_mm is not None:
        return ()
    kept = f"[light] angle_deg = {angle:g}"
    if _turned(angle, found):
        return (f"{kept} is as it was: edges along x and y do not measure it",)
    return (
        f"{kept}, waist_x_mm and waist_y_mm are as they were: edges along x and y do not tell the "
        "waists along the beam's own axes",
    )
