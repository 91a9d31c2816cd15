"""The overall phases of a target at which most light can be had (see `zoo_attack`)."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from zoo_relaxed import Field, Point, Real, evaluated, least

PHASES, POLISHED = 24, 3
"""Of the grid, and the most that are looked at closer."""

SAMPLED, SAMPLED_WORK = (2000, 8000), 5e6
"""Pixels on which the phases are compared, fewest and most; and times the square of the modes."""

FEW_CORNERS, CORNERS = 32, 64
"""Of the alphabet, in the comparison and for the best phases."""

FIRST_WIDTHS, WIDTH, LAST_WIDTHS = (0.3, 0.1), 0.03, (0.02, 0.006, 0.002, 0.0007, 0.0002)
"""Smoothing, in the mean of the pixels' v."""

EXACT_WIDTH = 1e-6

WORTHLESS = 0.03
"""Of the simple mask's coupling: an efficiency of a thousandth of its."""

LOOSER = (1.0, 1.3, 2.0, 4.0)
"""Times kappa."""

POOR = 0.7
"""Of the best phase's coupling: phases below are not looked at closer."""

TURNS, SMALL_TURN, STILL = 4, 1e-3, 1e-3
"""The phase is turned to that of the relaxed mask's coupling until they agree, while the smoothing
is above the last: many pixels follow even a small turn where it is not."""


@dataclass(frozen=True, eq=False)
class Peak:
    """A phase at which much light can be had, z there, and the relaxed mask's coupling."""

    phase: float
    z: Real
    value: float


def scale_of(field: Field) -> float:
    """Mean length of the simple mask's v, brighter pixels counting for more."""
    v = np.abs(field.rows[:, 0])
    return float(np.sum(v**2) / np.sum(v))


def best_phases(field: Field, kappa: float, effort: float, rng: np.random.Generator) -> list[Peak]:
    """The best phases of a grid on some of the pixels, best first.

    Where the purity seems out of reach, which on some of the pixels says little, a lower one tells
    the phases.
    """
    modes = field.fixed.size
    count = int(np.clip(SAMPLED_WORK / modes**2, *SAMPLED))
    some = field.thinned(FEW_CORNERS).sampled(count, rng)
    for looser in LOOSER:
        peaks = list(scanned(some, looser * kappa, max(6, round(effort * PHASES))))
        values = np.array([peak.value for peak in peaks])
        top = (values >= np.roll(values, 1)) & (values >= np.roll(values, -1)) & (values > 0)
        if np.any(top):
            break
    best = [peak for peak, is_top in zip(peaks, top, strict=True) if is_top]
    best.sort(key=lambda peak: -peak.value)
    count = max(1, round(effort * POLISHED))
    return [peak for peak in best[:count] if peak.value > POOR * best[0].value]


def scanned(field: Field, kappa: float, count: int) -> Iterator[Peak]:
    """The relaxed problem at `count` phases around the turn, each begun from the one before."""
    scale, z = scale_of(field), np.zeros(2 * field.fixed.size - 2)
    floor = floor_of(field)
    for phase in 2 * np.pi * np.arange(count) / count:
        there = field.turned(phase)
        if not z.any():
            for width in FIRST_WIDTHS:
                z = least(there, kappa, z, width * scale, floor).z
        point = least(there, kappa, z, WIDTH * scale, floor)
        if point.value <= floor:
            yield Peak(float(phase), np.zeros_like(z), 0.0)
            z = np.zeros_like(z)
            continue
        z = point.z
        # F as it is bounds the sample's light, also where the smoothed one is not quite least
        value = evaluated(there, kappa, z, EXACT_WIDTH * scale).value
        yield Peak(float(phase), z, max(value, 0.0))


def floor_of(field: Field) -> float:
    """A coupling that is not worth having."""
    return WORTHLESS * float(np.sum(np.abs(field.rows[:, 0])))


def polished(field: Field, kappa: float, peak: Peak) -> Peak:
    """The peak on all pixels, its phase turned to where most light is."""
    whole = field.thinned(CORNERS)
    scale, floor, phase, z = scale_of(whole), floor_of(field), peak.phase, peak.z
    for width in LAST_WIDTHS:
        for _ in range(TURNS):
            there = whole.turned(phase)
            point = least(there, kappa, z, width * scale, floor)
            if point.value <= floor and width == LAST_WIDTHS[0]:
                # the phase is not the one yet: a lower purity tells where to turn
                z = np.zeros_like(z)
                point = least(there, LOOSER[1] * kappa, z, width * scale, floor)
            if point.value <= floor:
                return Peak(phase, np.zeros_like(z), 0.0)
            z, angle = point.z, float(np.angle(point.found[0]))
            if abs(angle) < SMALL_TURN or width <= STILL:
                break
            phase += angle
    return Peak(phase, z, wanted_of(point, kappa))


def wanted_of(point: Point, kappa: float) -> float:
    """The relaxed mask's coupling, less what the purity that it still lacks may cost."""
    rest, wanted = float(np.linalg.norm(point.found[1:])), float(np.abs(point.found[0]))
    price = 2 * (1 + float(np.linalg.norm(point.z)))
    return max(wanted - price * max(rest - kappa * wanted, 0.0), 0.0)
