"""Fits of the beam on the panel, of which every frame shows a rectangle."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

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
from maskforge.align.stack import Stack
from maskforge.base.errors import BenchError
from maskforge.bench import Bench
from maskforge.launch.fourier import fourier_rows
from maskforge.launch.light import Complex, Real

WIDTHS = (0.5, 1.0, 2.0)
"""Waists that a fit starts from, in the nominal one."""

AXES = ("x", "y")


@dataclass(frozen=True, eq=False)
class Slit:
    """What an iris lets through of a beam between two edges along one axis.

    `places` (pixels,) in m; `waves` (samples of the iris, pixels); `first`, `last` (frames,): the
    pixels between the edges, the last one excluded.
    """

    places: Real
    waves: Complex
    first: NDArray[np.intp]
    last: NDArray[np.intp]

    def spectra(self, centre: float, waist: float) -> Real:
        """Power (frames, samples of the iris) of a Gaussian of a centre and a waist, in m."""
        field = np.exp(-(((self.places - centre) / waist) ** 2))
        summed = np.cumsum(self.waves * field, axis=1)
        ends = np.concatenate([np.zeros((len(summed), 1)), summed], axis=1)
        return np.asarray(np.abs(ends[:, self.last] - ends[:, self.first]).T ** 2)


def slits(
    scene: Scene, detector: Detector, bounds: list[tuple[Real, Real]]
) -> tuple[tuple[Slit, Slit], Real]:
    """The slits along x and y of frames with `bounds` (lowest, highest), and the iris's weights.

    Through a wide iris the power is the error function of a knife edge; a narrow one cuts off what
    the edges diffract, and the beam is separable: Goodman, Introduction to Fourier Optics, ch. 4.
    """
    u, v, weight = pinhole_rule(detector, scene.scale, scene.width)
    found = []
    for along, (low, high) in enumerate(bounds):
        pitch, begin = scene.whole.pitch_seen[along], scene.edges[along][0]
        first, last = (np.round((z - begin) / pitch).astype(np.intp) for z in (low, high))
        places = scene.axes[along]
        found.append(Slit(places, fourier_rows(places, (u, v)[along], scene.scale), first, last))
    return (found[0], found[1]), weight


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
    (across, up), weight = slits(scene, stack.detector, bounds)

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
            f"{bench.source}: [light] image: a measured beam; --update changes numbers of a "
            "Gaussian one only"
        )


def changed_offset(bench: Bench, stack: Stack, found: Results) -> Changes:
    _gaussian(bench)
    return {("light", "offset_mm"): [rounded(*found[f"offset {axis}"]) for axis in "xy"]}


def changed_beam(bench: Bench, stack: Stack, found: Results) -> Changes:
    """One waist where both are the same within their uncertainty and the bench has but one."""
    moved = changed_offset(bench, stack, found)
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
