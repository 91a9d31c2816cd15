"""Steps with a true bench each, and what the fits must find.  All numbers are invented."""

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from maskforge.align.simulate import BenchDisturbance, Mounting, powers
from maskforge.align.stack import Stack
from maskforge.align.step import Choices
from maskforge.launch.light import Real
from tests.align.bench import BINARY, lab, stack_of

NORMAL = BenchDisturbance(
    noise=0.01, drift=0.03, wander=0.005, floor=5e-4, offset=2e-3, outliers=0.02, dropped=0.05
)
"""Floor and offset as shares of the highest power."""

GREYS = np.arange(64)
PHASES = 360 * 1.15 * (GREYS / 64) ** 1.2
AMPLITUDES = 1 - 0.2 * np.sin(GREYS / 20) ** 2


def table(folder: Path, *, amplitudes: bool = False) -> dict[str, Any]:
    """[modulator] of a panel whose greys are not as the bench file says."""
    columns = [GREYS, PHASES, AMPLITUDES] if amplitudes else [GREYS, PHASES]
    header = "grey,phase_deg,amplitude" if amplitudes else "grey,phase_deg"
    np.savetxt(folder / "t.csv", np.column_stack(columns), "%.9g", ",", header=header, comments="")
    return {"alphabet": "table", "table": "t.csv", "levels": None}


@dataclass(frozen=True)
class Case:
    """A step, the true bench and the detector's true place, and what the fit must find."""

    step: str
    truth: Callable[[Path], dict[str, dict[str, Any]]]
    wanted: tuple[float, ...]
    choices: Choices = field(default_factory=Choices)
    mounting: Mounting = field(default_factory=Mounting)
    nominal: dict[str, dict[str, Any]] = field(default_factory=dict)

    def made(self, folder: Path) -> tuple[Stack, Real]:
        """The stack and the powers without disturbance."""
        stack = stack_of(folder, self.step, self.choices, **self.nominal)
        both = {name: dict(keys) for name, keys in self.nominal.items()}
        for name, keys in self.truth(folder).items():
            both[name] = both.get(name, {}) | keys
        return stack, powers(stack, lab(folder, **both), self.mounting)


def light(**keys: Any) -> Callable[[Path], dict[str, dict[str, Any]]]:
    return lambda folder: {"light": keys}


def same(folder: Path) -> dict[str, dict[str, Any]]:
    return {}


OVAL = light(waist_mm=None, waist_x_mm=0.32, waist_y_mm=0.27, offset_mm=[0.05, -0.08])
BENT = light(zernike={"4": 0.06, "5": -0.08, "7": 0.05, "11": 0.03}, waist_mm=0.31)

QUICK = (
    Case("beam-square", OVAL, (0.05, -0.08, 0.32, 0.27), Choices(points=8)),
    Case("beam-edge", OVAL, (0.05, -0.08, 0.32, 0.27)),
    Case(
        "phase-depth",
        lambda folder: {"modulator": table(folder)},
        (PHASES[-1],),
        Choices(points=17),
    ),
    Case(
        "grey-amplitude",
        lambda folder: {"modulator": table(folder, amplitudes=True)},
        (PHASES[-1], AMPLITUDES[-1]),
        Choices(points=22),
    ),
    Case(
        "phase-depth",
        lambda folder: {"modulator": {"phase_step_deg": 140.0}},
        (140.0, 1.0),
        nominal=BINARY,
    ),
    Case("focus", light(curvature_per_m=2.0), (2.0, 0.032), Choices(points=15)),
    Case("lp11-lobe", same, (12.0,), mounting=Mounting(turn=float(np.deg2rad(12)))),
)

SLOW = (
    Case("fiber-position", same, (3.0, -2.0), Choices(points=9), Mounting(offset=(3e-6, -2e-6))),
    Case(
        "carrier-direction",
        same,
        (45 + np.rad2deg(np.arctan2(3.0, 58.2217)),),
        Choices(points=9),
        Mounting(offset=(-3e-6 / np.sqrt(2), 3e-6 / np.sqrt(2))),
    ),
    Case("zernike-scan", BENT, (0.06, -0.08, 0.05, 0.03), Choices(points=7, noll=(4, 5, 7, 11))),
    Case(
        "facet-waist",
        lambda folder: {"lens": {"focal_length_mm": 4.2}},
        (4.2, 1.31e3 * 4.2 / (np.pi * 300)),
        Choices(points=9),
    ),
    Case("lp11-null", light(offset_mm=[0.04, -0.03]), (0.04, -0.03), Choices(points=11)),
)


def name_of(case: Case) -> str:
    return case.step + ("-binary" if case.nominal else "")


EDGE = QUICK[1]
