"""Benches on which a bound of one overall phase was beaten, or that had none worth the name.

The efficiencies to stand above were found by searches of the mask alone at other phases of the
target, which share nothing with the proof; digits as they were reported then.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from maskforge import bench as benches
from maskforge.bench.ready import Prepared, prepared
from maskforge.launch.couplings import predict
from maskforge.launch.modulator import emitted
from maskforge.methods.cover import certified_bound
from maskforge.methods.dual import dual
from maskforge.methods.problem import Problem

BENCH = """
[light]
wavelength_nm = 1310.0
{light}
[modulator]
pixels = [256, 256]
pitch_um = 15.0
{modulator}
[lens]
focal_length_mm = 8.0
[fiber]
preset = "six-mode-graded"
[targets]
{targets}
[design]
purity = {purity}
carrier_period_px = 0.0
"""
SHORT = 'fill_factor = 0.92\nalphabet = "levels"\nlevels = 16\ndepth_deg = '
TWO = 'alphabet = "binary"\n'
SUM = 'family = "superposition"\nsuperpositions = [{ name = "sum", weights = { %s } }]'
LP11, QUADRATURE = '"LP11 cos" = [1.0, 0.0]', '"LP11 sin" = [1.0, 90.0]'
ROUND = "waist_mm = 1.16"
OBLIQUE = "waist_x_mm = 1.25\nwaist_y_mm = 0.9\nangle_deg = 30.0\noffset_mm = [0.25, -0.18]"


def ready(folder: Path, light: str, modulator: str, targets: str, purity: float) -> Prepared:
    path = folder / "bench.toml"
    text = BENCH.format(light=light, modulator=modulator, targets=targets, purity=purity)
    path.write_text(text, encoding="utf-8")
    return prepared(benches.load(path))


@pytest.mark.parametrize(
    ("light", "depth", "targets", "purity", "found"),
    [
        (ROUND, 250, SUM % f'{LP11}, "LP21 cos" = [1.0, 20.0]', 0.99, 0.6670),
        (ROUND, 200, 'labels = ["LP01"]', 0.98, 0.0),
        pytest.param(
            "waist_x_mm = 1.25\nwaist_y_mm = 1.0",
            250,
            'family = "lg"\nlabels = ["LG0-1"]\nlg_waist_um = 4.95',
            0.999,
            0.3709,
            marks=pytest.mark.long,
        ),
        pytest.param(
            *(OBLIQUE, 250, SUM % f"{LP11}, {QUADRATURE}", 0.999, 0.393), marks=pytest.mark.long
        ),
    ],
    ids=["superposition", "LP01", "vortex", "quadrature"],
)
def test_a_short_stroke(
    tmp_path: Path, light: str, depth: int, targets: str, purity: float, found: float
) -> None:
    bench = ready(tmp_path, light, SHORT + str(depth), targets, purity)
    problem = Problem(bench.launch, bench.targets[0], purity)
    design = dual(problem)
    assert design.reached
    assert design.bound is not None
    assert design.bound >= found
    assert design.prediction.efficiency >= 0.99 * design.bound
    # as much light from the target turned by any angle: the phase is nobody's choice
    turned = bench.targets[0].vector * np.exp(2.0j)
    again = dual(Problem(bench.launch, replace(bench.targets[0], vector=turned), purity))
    assert again.bound == pytest.approx(design.bound, rel=0.01)
    assert again.prediction.efficiency == pytest.approx(design.prediction.efficiency, rel=0.01)


@pytest.mark.parametrize(
    ("modulator", "targets", "purity"),
    [
        (
            TWO + "fill_factor = 0.85\ngap_reflectance = 0.4\nphase_step_deg = 165.0",
            'labels = ["LP21"]\norientations = 2',
            0.98,
        ),
        (TWO + "fill_factor = 0.92\nphase_step_deg = 90.0", 'labels = "all"', 0.99),
        (
            TWO + "fill_factor = 0.92",
            SUM % '"LP01" = [1.0, 0.0], "LP11 cos" = [1.0, 0.0]',
            0.99,
        ),
    ],
    ids=["gaps", "a quarter wave", "even and odd"],
)
def test_what_two_states_cannot_have(
    tmp_path: Path, modulator: str, targets: str, purity: float
) -> None:
    """The asked purity is excluded by a proof, and the lowered mask is next to its own bound."""
    bench = ready(tmp_path, ROUND, modulator, targets, purity)
    for target in bench.targets:
        design = dual(Problem(bench.launch, target, purity))
        assert not design.reached
        assert design.bound is not None
        assert design.certificate is not None
        assert design.excluded is not None
        assert design.excluded.purity == purity
        top = max(certified_bound(bench.launch, design.excluded), 0.0) ** 2
        assert top == pytest.approx(design.bound_asked, abs=1e-12)
        assert top < 0.06
        assert "proven" in design.status
        assert len(design.status.splitlines()) == 1
        found = predict(bench.launch, target, emitted(bench.launch.modulator, design.states))
        assert found.purity >= design.certificate.purity
        assert 0.97 * design.bound <= found.efficiency <= design.bound * (1 + 1e-9)


def test_reflecting_gaps_on_the_axis_are_monotone(tmp_path: Path) -> None:
    """LP01 with a fifth of the gaps' light: more purity never gives more light, and all is had."""
    light = []
    for purity in (0.9, 0.953, 0.99):
        modulator = TWO + "fill_factor = 0.92\ngap_reflectance = 0.2"
        bench = ready(tmp_path, ROUND, modulator, 'labels = ["LP01"]', purity)
        design = dual(Problem(bench.launch, bench.targets[0], purity))
        assert design.reached
        light.append(design.prediction.efficiency)
    assert light == sorted(light, reverse=True)
