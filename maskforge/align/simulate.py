"""A simulated bench: what the detector of a stack would read on a bench known in all parts.

The pictures act as they are written, by the full model of `launch`.  All of it is invented data.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from maskforge.align.readings import COLUMNS, DARK, NO_PAGE, Readings
from maskforge.align.scene import Scene, pinhole_rule, scene_of
from maskforge.align.stack import Stack, pictures
from maskforge.base.csv_text import csv_text
from maskforge.base.safety import MARK
from maskforge.base.wording import one_line
from maskforge.bench import Bench
from maskforge.bench.build import named
from maskforge.launch.couplings import Launch, couplings, facet_at, gap_field
from maskforge.launch.light import Real
from maskforge.launch.modulator import Complex, emitted
from maskforge.launch.panel import check_size, states_of

DARKS = 10
"""Readings with the beam blocked, before and after the others."""

POWER = 1.0
"""mW of a beam whose bench gives no power."""


@dataclass(frozen=True)
class Mounting:
    """Where the detector really stands: `offset` (x, y) in m from its nominal place; `turn` in rad
    about the carrier's order."""

    offset: tuple[float, float] = (0.0, 0.0)
    turn: float = 0.0


@dataclass(frozen=True)
class BenchDisturbance:
    """What else a reading has in it.

    Relative to the power: `noise` (standard deviation), `drift` (linear, over all readings) and
    `wander` (a random walk's standard deviation at its end).  In mW: `floor` (standard deviation),
    `offset`, and `saturation`, the highest value (None: none).  Shares of the readings: `outliers`
    (times 0 to 3, by chance) and `dropped` (missing).
    """

    noise: float = 0.0
    drift: float = 0.0
    wander: float = 0.0
    floor: float = 0.0
    offset: float = 0.0
    outliers: float = 0.0
    dropped: float = 0.0
    saturation: float | None = None


def powers(stack: Stack, truth: Bench, mounting: Mounting | None = None) -> Real:
    """The detector's power (pages,) in mW on the true bench, without any disturbance.

    Raises BenchError where the true panel cannot show the pictures.
    """
    return np.array(list(page_powers(stack, truth, mounting)))


def page_powers(stack: Stack, truth: Bench, mounting: Mounting | None = None) -> Iterator[float]:
    """The same, a page at a time."""
    mounting = mounting or Mounting()
    scene = scene_of(truth)
    with named(truth, "modulator"):
        # before the true panel is made ready, which may be many times as large
        check_size(scene.whole, stack.bench.modulator.panel[::-1])
    place = _place(stack, scene, mounting)
    launch = scene.launch(scene.carrier_to(place), whole=True)
    power = _fiber(launch) if stack.detector.kind == "fiber" else _pinhole(stack, scene, launch)
    for picture in pictures(stack):
        with named(truth, "modulator"):
            states = states_of(scene.whole, picture)
        yield (truth.light.power_mw or POWER) * power(emitted(scene.whole, states))


def _place(stack: Stack, scene: Scene, mounting: Mounting) -> tuple[float, float]:
    """The detector's middle, from the zero order: on the true order, but for its mounting."""
    carrier = scene_of(stack.bench).carrier_to(stack.detector.order)
    x, y = scene.place_of(carrier)
    (across, up), (dx, dy) = stack.detector.aside, mounting.offset
    cos, sin = np.cos(mounting.turn), np.sin(mounting.turn)
    return x + dx + across * cos - up * sin, y + dy + across * sin + up * cos


def _fiber(launch: Launch) -> Callable[[Complex], float]:
    return lambda factors: float(np.sum(np.abs(couplings(launch, factors)) ** 2))


def _pinhole(stack: Stack, scene: Scene, launch: Launch) -> Callable[[Complex], float]:
    u, v, weight = pinhole_rule(stack.detector, scene.scale, scene.width)
    facet, dark = facet_at(launch, u, v), gap_field(launch, u, v)
    fixed = 0.0 if dark is None else dark
    return lambda factors: float(np.sum(weight * np.abs(facet.field(factors) + fixed) ** 2))


def disturbed(stack: Stack, clean: Real, disturbance: BenchDisturbance, seed: int) -> Readings:
    """Readings of the play list, the beam blocked before and after; the same for the same seed."""
    chance = np.random.default_rng(seed)
    dark = np.full(DARKS, NO_PAGE)
    page = np.concatenate([dark, np.array(stack.order, dtype=int), dark])
    count = page.size
    power = np.where(page == NO_PAGE, 0.0, clean[page])
    # all numbers are drawn whatever is asked, so that one disturbance does not change another
    noise, floor, steps = chance.standard_normal((3, count))
    luck, factor, fate = chance.random((3, count))
    walk = np.cumsum(steps) * disturbance.wander / np.sqrt(count)
    drift = disturbance.drift * np.linspace(-0.5, 0.5, count)
    power = power * (1 + drift + walk) * (1 + disturbance.noise * noise)
    power = np.where(luck < disturbance.outliers, 3 * factor * power, power)
    power = power + disturbance.offset + disturbance.floor * floor
    if disturbance.saturation is not None:
        power = np.minimum(power, disturbance.saturation)
    kept = fate >= disturbance.dropped
    return Readings((np.arange(count) * stack.seconds)[kept], page[kept], power[kept])


def readings_text(readings: Readings, about: str) -> str:
    """The readings as CSV; the first line says that they are invented, and `about` what they are
    of."""
    pages = [DARK if page == NO_PAGE else int(page) for page in readings.page]
    rows = zip(readings.time.tolist(), pages, readings.power.tolist(), strict=True)
    return f"{MARK}: {one_line(about)}\n" + csv_text(COLUMNS, [list(row) for row in rows])
