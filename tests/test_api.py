"""What scripts and notebooks import: names, figures, pictures, and the set they write."""

import base64
import re
import warnings
from dataclasses import replace
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

import maskforge as mf
from maskforge.bench import from_dict as bench_of
from maskforge.launch.couplings import predict
from maskforge.launch.modulator import emitted
from maskforge.sets.reading import pages, read_set

BENCH = {
    "light": {"wavelength_nm": 1310.0, "waist_mm": 1.16},
    "modulator": {"pixels": [64, 60], "pitch_um": 60.0, "alphabet": "binary"},
    "lens": {"focal_length_mm": 8.0},
    "fiber": {"preset": "six-mode-graded"},
    "targets": {"orientations": 2},
    "design": {"method": "simple", "purity": 0.99},
}


@pytest.fixture(scope="module")
def result() -> mf.Result:
    bench = bench_of(BENCH, "notebook")
    return mf.design(bench, labels=["LP21", "LP01"])


def test_the_names() -> None:
    for name in mf.__all__:
        assert getattr(mf, name) is not None
    assert mf.load("few-mode-1310").name == "few-mode-1310"
    assert [mode.label for mode in mf.modes("few-mode-1310")] == ["LP01", "LP11", "LP02", "LP21"]
    with pytest.raises(mf.BenchError, match='no preset "few-mode"'):
        mf.design("few-mode")


def test_figures_are_the_full_models(result: mf.Result) -> None:
    assert [mask.name for mask in result] == ["LP21 0 deg", "LP21 45 deg", "LP01 0 deg"]
    for mask in result.masks:
        found = predict(
            result.launch, mask.found.target, emitted(result.launch.modulator, mask.states)
        )
        assert mask.purity == found.purity
        assert mask.efficiency == found.efficiency
        assert mask.loss_db == pytest.approx(-10 * np.log10(mask.efficiency), abs=1e-12)
        assert mask.phase.shape == mask.states.shape == (60, 64)
        assert set(np.unique(mask.phase.round(9))) == {0.0, round(np.pi, 9)}
    assert result.matrix.shape == (3, len(result.modes)) == (3, 6)
    assert result.modes[0] == "LP01"


def test_bounds_and_their_purities(result: mf.Result) -> None:
    """None of a method that proves nothing; what is proven holds at a purity of its own."""
    plain = result.masks[0]
    assert (plain.bound, plain.bound_purity, plain.gap, plain.bound_asked) == (None,) * 4
    bench = bench_of(BENCH | {"design": {"method": "dual", "purity": 0.9}}, "notebook")
    (mask,) = mf.design(bench, labels=["LP01"]).masks
    assert mask.bound_purity == 0.9
    assert mask.bound is not None
    assert mask.gap == 1 - mask.efficiency / mask.bound
    proof = mask.found.design.certificate
    made = replace(mask.found.design, excluded=proof, bound_asked=0.0)
    lowered = replace(mask, found=replace(mask.found, design=made))
    assert (lowered.bound_purity, lowered.bound_asked) == (0.9, 0.0)


def test_where_the_light_of_a_mask_goes(result: mf.Result) -> None:
    """Its efficiency and the rest, which with it is all of the beam."""
    for mask in result:
        assert mask.budget.target == pytest.approx(mask.efficiency, abs=1e-12)
        assert mask.budget.sum == pytest.approx(1, abs=1e-12)
        assert mask.budget.zero_order is None  # no carrier


def test_the_facet_of_lp21(result: mf.Result) -> None:
    """Four lobes: the intensity is the same after a quarter turn, and dark in the middle."""
    field, u = result.masks[0].facet()
    power = np.abs(field) ** 2
    assert power[80, 80] < 0.02 * power.max()
    near = np.hypot(u, u[:, None]) < result.launch.core_radius
    turned = np.rot90(power)
    # 64 x 60 pixels are not quite a square, and pixels on a boundary fall either way
    assert np.corrcoef(power[near], turned[near])[0, 1] > 0.9


def test_a_mask_shows_itself(result: mf.Result) -> None:
    """Three pictures that a browser can decode; row 0 of them is the top."""
    text = result.masks[0]._repr_html_()
    found = re.findall(r'src="data:image/png;base64,([^"]+)"', text)
    pictures = [Image.open(BytesIO(base64.b64decode(one))) for one in found]
    assert [picture.size for picture in pictures] == [(64, 60), (161, 161), (161, 161)]
    colours = np.asarray(pictures[0].convert("L"))
    states = result.masks[0].states[::-1]
    assert len(np.unique(colours)) == 2
    assert np.ptp(colours[states == 0]) == np.ptp(colours[states == 1]) == 0
    assert "LP21 0 deg" in text
    assert result._repr_html_().count("<tr>") == 4


def test_it_writes_the_set(result: mf.Result, tmp_path: Path) -> None:
    result.write(tmp_path / "set")
    written = read_set(tmp_path / "set")
    assert [record.target for record in written.masks] == ["LP21", "LP21", "LP01"]
    assert [mask.record for mask in result] == list(written.masks)
    for mask, picture in zip(result, pages(written), strict=True):
        assert np.array_equal(picture, mask.picture)


def test_a_method_that_is_none() -> None:
    with pytest.raises(mf.BenchError, match="method"):
        mf.design("few-mode-1310", method="none")


def test_a_missed_purity_is_told() -> None:
    """A warning, or with `strict` an error that holds the masks; none where all are pure enough."""
    bench = bench_of(BENCH, "notebook")
    with pytest.warns(mf.PurityWarning, match=r'less pure than 0.99: "LP01 0 deg"'):
        told = mf.design(bench, labels=["LP01"])
    with pytest.raises(mf.PurityError, match=r'less pure than 0.99: "LP01 0 deg"') as raised:
        mf.design(bench, labels=["LP01"], strict=True)
    kept = raised.value.result
    assert isinstance(kept, mf.Result)
    assert kept.masks[0].purity == told.masks[0].purity < 0.99
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert mf.design(bench, labels=["LP01"], purity=0.51, strict=True).masks[0].reached
