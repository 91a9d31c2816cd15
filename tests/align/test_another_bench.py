"""The fits on readings that another program made: direct sums that know nothing of the package.

Every fit has in its model what the bench file says; what it states holds for benches with gaps,
crosstalk, turned beams and greys that differ in brightness.  All numbers are invented.
"""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from maskforge.align.alignment import fitted_in_order, update_of
from maskforge.align.fit import Fit, fitted
from maskforge.align.readings import Readings
from maskforge.align.stack import Stack
from maskforge.align.step import Choices
from maskforge.bench import Bench
from tests.align.another_bench import TrueBench, disturbed, powers
from tests.align.bench import lab, stack_of
from tests.align.cases import AMPLITUDES, GREYS, PHASES, table

Keys = dict[str, Any]

BARE: Keys = {"wavelength": 1310e-9, "focal_length": 4e-3, "pitch": 15e-6}
GAPS: Keys = {"fill_factor": 0.85, "gap_reflectance": 0.4}


def true_bench(bench: Bench, values: Any = None, **other: Any) -> TrueBench:
    """What the bench file says, number by number, and what is different in truth."""
    light, panel = bench.light, bench.modulator
    radius = light.zernike_radius_mm or 0.72
    waist = light.waist_mm
    both = (waist, waist) if waist else (light.waist_x_mm, light.waist_y_mm)
    keys: Keys = {
        **BARE,
        "waist": tuple(1e-3 * float(z) for z in both if z),
        "angle": np.deg2rad(light.angle_deg or 0.0),
        "offset": tuple(1e-3 * z for z in light.offset_mm),
        "zernike": dict(light.zernike),
        "zernike_radius": 1e-3 * radius,
        "fill": panel.fill_factor,
        "gaps": panel.gap_reflectance,
        "blur": panel.crosstalk_px,
        "values": np.exp(2j * np.pi * GREYS / 64) if values is None else values,
    }
    return TrueBench(**keys | other)


def share_of_hits(stack: Stack, true: TrueBench, wanted: tuple[float, ...], count: int) -> float:
    """Of all values' intervals in repeated readings, those that hold the truth."""
    clean = powers(stack.folder, true)
    found = [fitted(stack, Readings(*disturbed(stack.order, clean, k))) for k in range(count)]
    return float(np.mean([_hits(fit, wanted) for fit in found]))


def _hits(fit: Fit, wanted: tuple[float, ...]) -> list[bool]:
    return [
        abs(value.value - true) <= value.uncertainty
        for value, true in zip(fit.values, wanted, strict=True)
    ]


MEASURED = AMPLITUDES * np.exp(1j * np.deg2rad(PHASES))
TURNED: Keys = {"waist_mm": None, "waist_x_mm": 0.33, "waist_y_mm": 0.26, "angle_deg": 25.0}


def bright_and_dim(folder: Path) -> Keys:
    """A panel whose table has amplitudes."""
    found = table(folder, amplitudes=True)
    return GAPS | found | {"table": str(folder / found["table"])}


Panel = Callable[[Path], Keys]

PANELS: dict[str, tuple[str, Panel, Any, tuple[float, ...], Choices]] = {
    "gaps": (
        "grey-amplitude",
        lambda folder: GAPS,
        MEASURED,
        (PHASES[-1], AMPLITUDES[-1]),
        Choices(points=22),
    ),
    "crosstalk": (
        "phase-depth",
        lambda folder: GAPS | {"crosstalk_px": 0.7},
        np.exp(1j * np.deg2rad(PHASES)),
        (PHASES[-1],),
        Choices(points=17),
    ),
    "amplitudes": ("phase-depth", bright_and_dim, MEASURED, (PHASES[-1],), Choices(points=17)),
    "two states": (
        "phase-depth",
        lambda folder: GAPS | {"alphabet": "binary", "levels": None},
        np.array([1.0, *[0.0] * 254, 1.05 * np.exp(1j * np.deg2rad(140.0))]),
        (140.0, 1.05),
        Choices(),
    ),
    "two states, crosstalk": (
        "grey-amplitude",
        lambda folder: GAPS | {"alphabet": "binary", "levels": None, "crosstalk_px": 0.5},
        np.array([1.0, *[0.0] * 254, np.exp(1j * np.deg2rad(200.0))]),
        (200.0, 1.0),
        Choices(),
    ),
}


QUICK = ("gaps", "two states")


@pytest.mark.parametrize(
    "name",
    [pytest.param(name, marks=() if name in QUICK else pytest.mark.long) for name in PANELS],
)
def test_the_greys_of_panels_with_gaps_crosstalk_and_amplitudes(name: str, tmp_path: Path) -> None:
    """95 % intervals, 10 repetitions: 0.8 and more, which chance alone misses once in 90 times."""
    step, panel, values, wanted, choices = PANELS[name]
    keys = panel(tmp_path)
    light = {"light": {"zernike": {"4": 0.05, "7": -0.05}}}
    if name == "two states, crosstalk":
        keys |= {"phase_step_deg": 190.0}
    stack = stack_of(tmp_path, step, choices, modulator=keys, **light)
    assert share_of_hits(stack, true_bench(stack.bench, values), wanted, 10) >= 0.8


@pytest.mark.parametrize("crosstalk", [0.0, pytest.param(0.7, marks=pytest.mark.long)])
def test_the_edges_of_a_turned_beam(crosstalk: float, tmp_path: Path) -> None:
    """Centre and waists along x and y; crosstalk alone moves an edge by half a pixel."""
    panel = GAPS | {"crosstalk_px": crosstalk}
    light = TURNED | {"offset_mm": [0.0, 0.0]}
    stack = stack_of(tmp_path, "beam-edge", modulator=panel, light=light)
    true = true_bench(stack.bench, offset=(0.05e-3, -0.08e-3))
    cos, sin = np.cos(np.deg2rad(25.0)), np.sin(np.deg2rad(25.0))
    waists = np.hypot(0.33 * cos, 0.26 * sin), np.hypot(0.33 * sin, 0.26 * cos)
    assert share_of_hits(stack, true, (0.05, -0.08, *waists), 6) >= 0.8


@pytest.mark.long
@pytest.mark.parametrize("name", ["beam-square", "zernike-scan", "lp11-null", "lp11-lobe"])
def test_the_other_steps_of_a_turned_beam_with_gaps_and_crosstalk(
    name: str, tmp_path: Path
) -> None:
    panel = GAPS | {"crosstalk_px": 0.6}
    light = TURNED | {"offset_mm": [0.02, -0.03]}
    choices = {
        "beam-square": Choices(points=8),
        "zernike-scan": Choices(points=7, noll=(4, 5, 7, 11)),
        "lp11-null": Choices(points=11),
        "lp11-lobe": Choices(),
    }[name]
    stack = stack_of(tmp_path, name, choices, modulator=panel, light=light)
    cos, sin = np.cos(np.deg2rad(25.0)), np.sin(np.deg2rad(25.0))
    waists = np.hypot(0.33 * cos, 0.26 * sin), np.hypot(0.33 * sin, 0.26 * cos)
    bent = {4: 0.06, 5: -0.08, 7: 0.05, 11: 0.03}
    other, wanted = {
        "beam-square": ({}, (0.02, -0.03, *waists)),
        "zernike-scan": ({"zernike": bent}, tuple(bent.values())),
        "lp11-null": ({}, (0.02, -0.03)),
        "lp11-lobe": ({}, (0.0,)),
    }[name]
    assert share_of_hits(stack, true_bench(stack.bench, **other), wanted, 10) >= 0.85


@pytest.mark.long
@pytest.mark.parametrize("seed", range(4))
def test_benches_at_random_with_gaps(seed: int, tmp_path: Path) -> None:
    """The greys of panels drawn at random: fill, gaps, crosstalk, steps, a bent elliptical beam."""
    chance = np.random.default_rng(seed)
    panel: Keys = {
        "fill_factor": chance.uniform(0.6, 1.0),
        "gap_reflectance": chance.uniform(0.0, 1.0),
        "crosstalk_px": float(chance.choice([0.0, chance.uniform(0.2, 1.0)])),
    }
    light = TURNED | {"angle_deg": chance.uniform(-90, 90), "zernike": {"4": 0.1, "8": -0.05}}
    step = str(chance.choice(["phase-depth", "grey-amplitude"]))
    stack = stack_of(tmp_path, step, Choices(points=17), modulator=panel, light=light)
    turns = chance.uniform(0.8, 1.2) * (GREYS / 64) ** chance.uniform(0.85, 1.2)
    sizes = np.ones(64)
    if step == "grey-amplitude":
        sizes = 1 - chance.uniform(0, 0.25) * np.sin(GREYS / 63 * chance.uniform(1, 5)) ** 2
    wanted = (360 * turns[-1], sizes[-1])[: 1 if step == "phase-depth" else 2]
    true = true_bench(stack.bench, sizes * np.exp(2j * np.pi * turns))
    assert share_of_hits(stack, true, wanted, 12) >= 0.75


@pytest.mark.long
def test_steps_are_fitted_one_after_the_other(tmp_path: Path) -> None:
    """Given in any order: the beam, the greys and the wavefront of one bench go into its file."""
    names = ("zernike-scan", "phase-depth", "beam-edge")
    choices = {
        "zernike-scan": Choices(points=7, noll=(4, 7)),
        "phase-depth": Choices(points=17),
        "beam-edge": Choices(points=21),
    }
    panel: Keys = GAPS | {"crosstalk_px": 0.5}
    bent = {4: 0.08, 7: -0.06}
    parts = []
    for name in names:
        stack = stack_of(tmp_path, name, choices[name], modulator=panel)
        true = true_bench(
            stack.bench,
            np.exp(1j * np.deg2rad(PHASES)),
            waist=(0.33e-3, 0.33e-3),
            offset=(0.04e-3, -0.05e-3),
            zernike=bent,
        )
        clean = powers(stack.folder, true)
        parts.append((stack, Readings(*disturbed(stack.order, clean, 1, noise=0.003))))
    found = fitted_in_order(parts)
    assert [each.fit.step for each in found] == ["phase-depth", "beam-edge", "zernike-scan"]
    result = update_of(lab(modulator=panel), found, "greys.csv")
    assert result.left == ()
    light = result.bench.light
    assert light.waist_mm == pytest.approx(0.33, abs=0.003)
    assert light.offset_mm == pytest.approx((0.04, -0.05), abs=0.003)
    assert dict(light.zernike) == pytest.approx(bent, abs=0.004)
    assert result.changes["modulator", "table"] == "greys.csv"
    # the wavefront's fit knew the beam and the greys: on the bench as it was it is further off
    alone = fitted(*parts[0])
    off = [
        np.abs([fit.results[f"Noll {index}"][0] - rms for index, rms in bent.items()]).max()
        for fit in (found[-1].fit, alone)
    ]
    assert off[0] < off[1] / 2
