"""The simulated bench and the fits' model, against the launch and against closed forms."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.special import dawsn, erf

from maskforge import bench as benches
from maskforge.align.beam_fits import slits
from maskforge.align.beam_steps import LOBE
from maskforge.align.block_model import lit, seen_by, signals, view_of
from maskforge.align.readings import NO_PAGE, Readings, read_readings, saturated
from maskforge.align.scene import Detector, scene_of
from maskforge.align.simulate import (
    DARKS,
    BenchDisturbance,
    Mounting,
    disturbed,
    powers,
    readings_text,
)
from maskforge.align.stack import pictures
from maskforge.align.step import Choices
from maskforge.base.errors import BenchError
from maskforge.base.safety import MARK
from maskforge.launch.light import Real
from maskforge.launch.targets import lp_target
from maskforge.methods.problem import Problem
from maskforge.methods.simple import simple
from tests.align.bench import lab, scene, stack_of

VIEWED = (
    "flatness",
    "zernike-scan",
    "carrier-direction",
    "fiber-position",
    "focus",
    "facet-waist",
    "lp11-null",
    "lp11-lobe",
)


# --- the full model --------------------------------------------------------------------------


def test_the_power_through_the_fibre_is_that_of_the_launch(tmp_path: Path) -> None:
    """Where the mask is the whole panel: page 0 is LP01's simple mask, which the designs know.

    At one of the target's phases that launch the most, between which rounding decides.
    """
    whole = {"modulator": {"panel": [96, 96]}, "light": {"power_mw": 3.0}}
    stack, here = stack_of(tmp_path, "focus", Choices(points=5), **whole), scene(**whole)
    launch = here.launch(benches.carrier(here.bench), whole=False)
    found = simple(Problem(launch, lp_target(here.basis, "LP01"))).prediction
    wanted = 3.0 * np.sum(np.abs(found.couplings) ** 2)
    assert powers(stack, stack.bench)[0] == pytest.approx(wanted, rel=1e-4)


def test_a_moved_fibre_sees_what_a_moved_focus_shows(tmp_path: Path) -> None:
    stack = stack_of(tmp_path, "fiber-position", Choices(points=7))
    places = [values["place_um"] for values in stack.frames]
    page = places.index(max(place for place in places[1:8] if place is not None and place < 10))
    shift = float(places[page] or 0) * 1e-6
    straight = powers(stack, stack.bench)
    moved = powers(stack, stack.bench, Mounting(offset=(shift, 0.0)))
    assert straight[0] > 1.3 * straight[page]
    # as much but for the pixels' envelope, which stays where it is
    assert moved[page] == pytest.approx(straight[0], rel=0.03)


def test_the_mask_in_a_larger_panel_lies_where_it_lies(tmp_path: Path) -> None:
    """Off the panel's middle, with a lens offset: the same light, mask and couplings."""
    aside = {"modulator": {"at": [11, 1]}, "lens": {"offset_mm": [0.05, -0.08]}}
    stack, here = stack_of(tmp_path, "focus", Choices(points=5), **aside), scene(**aside)
    launch = here.launch(benches.carrier(here.bench), whole=False)
    found = simple(Problem(launch, lp_target(here.basis, "LP01"))).prediction
    wanted = np.sum(np.abs(found.couplings) ** 2)
    # as above, and the facet is sampled for another width of the panel
    assert powers(stack, stack.bench)[0] == pytest.approx(wanted, rel=1e-4)


def test_a_panel_that_cannot_show_the_pictures(tmp_path: Path) -> None:
    stack = stack_of(tmp_path, "focus", Choices(points=5))
    with pytest.raises(BenchError, match=r"^lab.toml: \[modulator\] 112 x 100 pixels, the panel"):
        powers(stack, lab(modulator={"panel": [96, 96]}))
    with pytest.raises(BenchError, match="have a grey that is no state's"):
        powers(stack, lab(modulator={"levels": 8}))


# --- the fits' model -------------------------------------------------------------------------


@pytest.mark.parametrize("name", VIEWED)
def test_the_view_is_the_full_model_to_a_thousandth(name: str, tmp_path: Path) -> None:
    """On a beam that is not the nominal one, blocks of two pixels."""
    stack, here = stack_of(tmp_path, name, Choices(points=7)), scene()
    bent = {"zernike": {"4": 0.05, "7": 0.04}, "waist_mm": 0.32, "offset_mm": [0.03, -0.02]}
    for light in ({}, bent):
        truth = lab(light=light)
        wanted = powers(stack, truth)
        view = view_of(here, stack.detector, pictures(stack))
        assert view.size == 2
        found = signals(view, lit(view, benches.light(truth)), seen_by(view))
        scale = wanted @ found / (found @ found)
        assert np.max(np.abs(scale * found - wanted)) < 1e-3 * wanted.max()


def test_the_view_moves_its_detector(tmp_path: Path) -> None:
    stack, here = stack_of(tmp_path, "fiber-position", Choices(points=7)), scene()
    view = view_of(here, stack.detector, pictures(stack))
    shift = 3e-6, -2e-6
    wanted = powers(stack, stack.bench, Mounting(offset=shift))
    found = signals(view, lit(view, here.light), seen_by(view, shift=shift))
    scale = wanted @ found / (found @ found)
    assert np.max(np.abs(scale * found - wanted)) < 1e-3 * wanted.max()


def edges(count: int) -> tuple[tuple[Real, Real], tuple[Real, Real]]:
    """Edges along x from the left end, all of y."""
    (left, right), (low, high) = scene().edges
    places = left + np.round(np.linspace(0, 112, count)) * 15e-6
    assert places[-1] == pytest.approx(right)
    whole = np.full(count, low), np.full(count, high)
    return (np.full(count, left), places), whole


def test_a_wide_iris_sees_the_error_function_of_a_knife_edge() -> None:
    """(1 + erf(sqrt(2) (x - x0) / w)) / 2 of a Gaussian beam; common practice, no source."""
    here, centre, waist = scene(), 0.03e-3, 0.2e-3
    detector = Detector("pinhole", (0.0, 0.0), 0.4 * here.scale / 15e-6)
    bounds = edges(29)
    (x, y), weight = slits(here, detector, list(bounds))
    found = np.sum((y.spectra(0.0, waist) @ weight) * x.spectra(centre, waist), axis=1)
    wanted = (1 + erf(np.sqrt(2) * (bounds[0][1] - centre) / waist)) / 2
    assert found / found[-1] == pytest.approx(wanted, abs=2e-2)
    # what the edge diffracts beyond the iris, of radius R in 1/pixel: light a at the edge has the
    # spectrum a / (2 i sin(pi f)), and a^2 cot(pi R) / (2 pi) of its power lies between R and 1/2
    density = np.sqrt(2 / np.pi) / waist * np.exp(-2 * ((bounds[0][1] - centre) / waist) ** 2)
    beyond = 15e-6 * density / np.tan(0.4 * np.pi) / (2 * np.pi)
    assert found / found[-1] == pytest.approx(wanted - beyond, abs=5e-4)


def test_the_lobe_is_the_maximum_of_dawsons_integral() -> None:
    places = np.linspace(0.5, 1.5, 10001)
    assert places[np.argmax(dawsn(places))] == pytest.approx(LOBE, abs=1e-3)


# --- what is put in --------------------------------------------------------------------------


def test_the_same_seed_gives_the_same_readings(tmp_path: Path) -> None:
    stack = stack_of(tmp_path, "focus", Choices(points=5))
    clean = powers(stack, stack.bench)
    much = BenchDisturbance(0.01, 0.02, 0.01, 1e-4, 1e-3, 0.1, 0.1, 0.5)
    texts = {seed: readings_text(disturbed(stack, clean, much, seed), "x") for seed in (1, 2)}
    assert texts[1] == readings_text(disturbed(stack, clean, much, 1), "x")
    assert texts[1] != texts[2]
    assert texts[1].startswith(f"{MARK}: x\ntime_s,page,power_mw\n")
    assert "simulated, invented" in MARK


def test_each_disturbance_does_what_it_says(tmp_path: Path) -> None:
    stack = stack_of(tmp_path, "focus", Choices(points=5))
    clean = powers(stack, stack.bench)
    bare = disturbed(stack, clean, BenchDisturbance(), 0)
    shown = bare.page != NO_PAGE
    assert np.count_nonzero(~shown) == 2 * DARKS
    assert bare.page[shown].tolist() == list(stack.order)
    assert np.array_equal(bare.power[shown], clean[bare.page[shown]])
    assert np.all(bare.power[~shown] == 0)
    offset = disturbed(stack, clean, BenchDisturbance(offset=0.1), 0)
    assert offset.power == pytest.approx(bare.power + 0.1)
    drift = disturbed(stack, clean, BenchDisturbance(drift=0.2), 0)
    ratio = drift.power[shown] / bare.power[shown]
    assert np.all(np.diff(ratio) > 0)
    assert 0.1 < ratio[-1] - ratio[0] < 0.2
    assert disturbed(stack, clean, BenchDisturbance(saturation=0.3), 0).power.max() == 0.3
    fewer = disturbed(stack, clean, BenchDisturbance(dropped=0.5), 0)
    assert 0.3 < len(fewer) / len(bare) < 0.7
    noise = disturbed(stack, clean, BenchDisturbance(noise=0.01), 3)
    spread = np.std(noise.power[shown] / bare.power[shown] - 1)
    assert spread == pytest.approx(0.01, rel=0.4)
    wild = disturbed(stack, clean, BenchDisturbance(outliers=0.2), 0).power != bare.power
    assert 0.05 < np.mean(wild[shown]) < 0.4


def test_the_limit_of_a_detector_is_found() -> None:
    """A value that repeats at the top, but not on a meter of few digits."""
    chance = np.random.default_rng(0)
    power = chance.uniform(0, 1, 200)
    page, time = np.zeros(200, dtype=int), np.arange(200.0)
    clipped = Readings(time, page, np.minimum(power, 0.8))
    assert np.array_equal(saturated(clipped, None), power >= 0.8)
    assert not np.any(saturated(Readings(time, page, power), None))
    coarse = replace(clipped, power=np.round(power, 1))
    assert not np.any(saturated(coarse, None))
    assert np.array_equal(saturated(coarse, 0.75), coarse.power >= 0.75)


def test_readings_come_back_as_they_were_written(tmp_path: Path) -> None:
    stack = stack_of(tmp_path, "focus", Choices(points=5))
    given = disturbed(stack, powers(stack, stack.bench), BenchDisturbance(noise=0.01), 5)
    path = tmp_path / "r.csv"
    path.write_text(readings_text(given, "x"), "utf-8")
    back = read_readings(path, len(stack.frames))
    for one, other in ((given.time, back.time), (given.power, back.power)):
        assert np.array_equal(one, other)
    assert np.array_equal(given.page, back.page)


def test_decibels_and_other_columns(tmp_path: Path) -> None:
    path = tmp_path / "r.csv"
    path.write_text(
        "\ufeffPower_dBm, note, Page, time_s\n-10, x, 0, 1\n# y\n\n0,,DARK,2\n", "utf-8"
    )
    found = read_readings(path, 1)
    assert found.power == pytest.approx([0.1, 1.0])
    assert found.page.tolist() == [0, NO_PAGE]


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("", "holds no readings"),
        ("time_s,page\n1,0\n", "must name the columns time_s, page and one of power_mw or"),
        ("time_s,page,power_mw,power_dbm\n", "must name the columns"),
        ("time_s,page,page,power_mw\n", "column page is there twice"),
        ("time_s,page,power_mw\n", "holds no readings"),
        ("time_s,page,power_mw\n1,0,nan\n", 'line 2: power_mw = "nan": must be a finite number'),
        ("time_s,page,power_mw\n#\n\n1,9,1\n", 'line 4: page = "9": must be from 0 to 2, or dark'),
        ("time_s,page,power_mw\n1,-1,1\n", 'line 2: page = "-1"'),
        ("time_s,page,power_mw\nx,0,1\n", 'line 2: time_s = "x": must be a finite number'),
        ("time_s,page,power_mw\n1,0\n", "line 2: 2 values, the header has 3"),
        ("time_s,page,power_dbm\n1,0,-inf\n", "line 2: power_dbm"),
        ("time_s,page,power_dbm\n1,0,-999\n", "must be from -200 to 200 dBm"),
        (
            "time_s,page,power_mw\n1,0,a\n2,0,1\n3,0,b\n",
            'line 2: power_mw = "a": must be a finite number (2 rows cannot be read)',
        ),
    ],
)
def test_rows_that_cannot_be_read_are_named(tmp_path: Path, text: str, line: str) -> None:
    path = tmp_path / "r.csv"
    path.write_text(text, "utf-8")
    with pytest.raises(BenchError) as caught:
        read_readings(path, 3)
    assert line in str(caught.value)
    assert str(caught.value).startswith(f"{path}: ")


def test_files_that_are_none(tmp_path: Path) -> None:
    for path, text in ((tmp_path, "cannot be read"), (tmp_path / "none", "no such file")):
        with pytest.raises(BenchError, match=text):
            read_readings(path, 1)
    (tmp_path / "b").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(BenchError, match="cannot be read"):
        read_readings(tmp_path / "b", 1)


def test_a_scene_knows_a_measured_beam(tmp_path: Path) -> None:
    """1/e^2 radii of a Gaussian from its picture's second moments."""
    import tifffile

    x, y = np.meshgrid(np.arange(80) - 39.5, np.arange(60) - 29.5)
    picture = np.exp(-2 * (x / 20) ** 2 - 2 * (y / 12) ** 2)
    tifffile.imwrite(tmp_path / "beam.tif", picture.astype(np.float32))
    light = {"waist_mm": None, "image": "beam.tif", "image_pixel_um": 15.0}
    found = scene_of(lab(tmp_path, light=light)).waists
    assert found == pytest.approx((20 * 15e-6, 12 * 15e-6), rel=1e-3)
