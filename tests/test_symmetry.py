"""Turned masks: the couplings follow the modes, and what is not symmetric is left alone."""

from typing import Any

import numpy as np
import pytest

from maskforge import bench as benches
from maskforge.design.dual import certified_bound
from maskforge.launch import couplings
from maskforge.modulator import emitted
from maskforge.run import Prepared, finished_masks, prepared
from maskforge.symmetry import TURNS, Turn, images, symmetries, turn_to

QUARTERS = {Turn(k, mirrored=False) for k in (1, 2, 3)}
FLIPS = {Turn(0, mirrored=True), Turn(2, mirrored=True), Turn(2, mirrored=False)}


def ready(**sections: dict[str, Any]) -> Prepared:
    data: dict[str, dict[str, Any]] = {
        "light": {"wavelength_nm": 1310.0, "waist_mm": 1.16},
        "modulator": {"pixels": [64, 64], "pitch_um": 60.0, "alphabet": "binary"},
        "lens": {"focal_length_mm": 8.0},
        "fiber": {"preset": "six-mode-graded"},
        "targets": {"orientations": 12},
        "design": {"method": "simple"},
    }
    for name, keys in sections.items():
        data[name] = {**data[name], **keys}
    return prepared(benches.from_dict(data, "square"))


@pytest.mark.parametrize("turn", TURNS)
def test_couplings_turn_with_the_mask(turn: Turn) -> None:
    """Any mask, not a symmetric one: the couplings of the turned mask are the turned couplings."""
    launch = ready().launch
    states = np.random.default_rng(3).integers(0, 2, launch.modulator.shape)
    plain = couplings(launch, emitted(launch.modulator, states))
    after = couplings(launch, emitted(launch.modulator, turn.mask(states)))
    np.testing.assert_allclose(after, turn.vector(launch.basis, plain), atol=1e-14)


@pytest.mark.parametrize(
    ("sections", "wanted"),
    [
        ({}, set(TURNS)),
        ({"modulator": {"pixels": [64, 60]}}, FLIPS),
        ({"modulator": {"incidence_deg": 10.0}}, FLIPS),
        ({"light": {"offset_mm": [0.1, 0.0]}}, {Turn(0, mirrored=True)}),
        ({"light": {"offset_mm": [0.1, 0.2]}}, set()),
        ({"light": {"offset_mm": [0.1, 0.1]}}, {Turn(1, mirrored=True)}),
        ({"design": {"carrier_period_px": 6.0}}, {Turn(0, mirrored=True)}),
        (
            {"design": {"carrier_period_px": 6.0, "carrier_angle_deg": 45.0}},
            {Turn(1, mirrored=True)},
        ),
        ({"design": {"carrier_period_px": 6.0, "carrier_angle_deg": 30.0}}, set()),
    ],
)
def test_what_leaves_a_bench_as_it_is(
    sections: dict[str, dict[str, Any]], wanted: set[Turn]
) -> None:
    found = set(symmetries(ready(**sections).launch))
    assert found == wanted


def test_a_set_is_designed_once_for_each_image() -> None:
    """On a square bench LP11 has 4 orientations of 12 that are no image of another, LP21 has 7."""
    bench = ready(design={"method": "dual", "purity": 0.99})
    launch, turns = bench.launch, symmetries(bench.launch)
    own: dict[str, list[Any]] = {}
    for target in bench.targets:
        before = own.setdefault(target.name, [])
        if all(turn_to(turns, vectors, target) is None for vectors in before):
            before.append(images(launch.basis, turns, target))
    assert {name: len(found) for name, found in own.items()} == {
        "LP01": 1,
        "LP11": 4,
        "LP21": 7,
        "LP02": 1,
    }
    for done in finished_masks(bench):
        assert done.design.reached
        assert done.prediction.purity >= 0.99
        assert done.design.certificate is not None
        bound = certified_bound(launch, done.design.certificate.multipliers) ** 2
        assert bound == pytest.approx(done.design.bound, rel=1e-12)
        assert done.design.certificate.target is done.target
