"""A set of two apertures for two polarisations: its pages, its files, and what refuses it."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from spoiling import Check, edit

import maskforge as mf
from maskforge.base.errors import BenchError
from maskforge.bench import from_dict
from maskforge.bench.power import safety
from maskforge.bench.ready import prepared
from maskforge.launch.basis import sampled, unpolarised
from maskforge.launch.modulator import emitted
from maskforge.launch.panel import background_states, mask_windows, rendered, states_of
from maskforge.sets.reading import couplings_of, read_set
from tests.commands import ran, toml_text
from tests.methods.test_two_apertures import AT, BOTH, SECOND, keys_of, random_states, rotation, two

WINDOWS = [(slice(row, row + 64), slice(column, column + 64)) for column, row in (AT, SECOND)]

DEVICE = {"second_phase_deg": 40.0, "second_share": 0.4}


@pytest.fixture(scope="module")
def bench_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("bench")
    np.savez(folder / "M.npz", matrix=rotation(30.0), input=BOTH, output=BOTH)
    keys = keys_of(
        light={"power_mw": 2.0},
        modulator={"background": "checkerboard"},
        device={"matrix": "M.npz", "second_at": list(SECOND), **DEVICE},
        targets={"family": "output", "labels": ["LP01 x", "LP11 cos y"]},
    )
    (folder / "two.toml").write_text(toml_text(keys), "utf-8")
    return folder / "two.toml"


@pytest.fixture(scope="module")
def result(bench_file: Path) -> mf.Result:
    return mf.design(bench_file)


@pytest.fixture(scope="module")
def good(result: mf.Result, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return result.write(tmp_path_factory.mktemp("good") / "set")


def test_a_page_is_the_panel_with_both_masks(bench_file: Path) -> None:
    launch = prepared(mf.load(bench_file)).launch
    panel, states = launch.modulator, random_states(launch)
    picture = rendered(panel, states)
    assert picture.shape == (72, 136)
    assert list(mask_windows(panel)) == WINDOWS
    for window, own in zip(WINDOWS, (states[:64], states[64:]), strict=True):
        np.testing.assert_array_equal(picture[window], panel.alphabet.greys[own[::-1]])
    around = np.ones(picture.shape, bool)
    for window in WINDOWS:
        around[window] = False
    shown = panel.alphabet.greys[background_states(panel)]
    np.testing.assert_array_equal(picture[around], shown[around])
    np.testing.assert_array_equal(states_of(panel, picture), states)


@pytest.mark.long
def test_the_files_name_both_polarisations(result: mf.Result, good: Path) -> None:
    written = read_set(good)
    pages = tifffile.imread(good / "masks.tif")
    for page, mask in zip(pages, result.masks, strict=True):
        np.testing.assert_array_equal(page, mask.picture)
    modes = json.loads((good / "manifest.json").read_text("utf-8"))["modes"]
    assert [mode["polarisation"] for mode in modes] == ["x"] * 3 + ["y"] * 3
    assert [mode["index"] for mode in modes] == list(range(6))
    assert (good / "coupling.csv").read_text("utf-8").split("\n")[0].endswith(",".join(BOTH))
    assert mf.read(good).modes == BOTH == result.modes
    arrives = couplings_of(written, "outputs")
    launched = couplings_of(written)
    np.testing.assert_allclose(arrives, launched @ rotation(30.0).T, atol=1e-15)
    for mask, found in zip(written.masks, arrives, strict=True):
        wanted = np.abs(found[BOTH.index(mask.target)]) ** 2
        assert mask.purity == pytest.approx(wanted / np.sum(np.abs(found) ** 2))
        assert mask.purity >= 0.98
        assert mask.efficiency == pytest.approx(wanted)


@pytest.mark.long
def test_a_good_one_agrees(good: Path, check: Check) -> None:
    code, told = check(good)
    assert code == 0, told


def swapped(folder: Path) -> None:
    """The two masks of a page in each other's place."""
    pages = tifffile.imread(folder / "masks.tif")
    first, second = WINDOWS
    pages[0][first], pages[0][second] = pages[0][second].copy(), pages[0][first].copy()
    names = [mask.name for mask in read_set(folder).masks]
    with tifffile.TiffWriter(folder / "masks.tif") as file:
        for page, name in zip(pages, names, strict=True):
            file.write(page, description=name, contiguous=False, metadata=None)


def one_polarisation(content: dict[str, Any]) -> None:
    content["modes"][4]["polarisation"] = "x"


def other_phase(content: dict[str, Any]) -> None:
    content["bench"]["device"]["second_phase_deg"] = 130.0


@pytest.mark.long
@pytest.mark.parametrize(
    ("spoil", "line"),
    [
        (swapped, "page 0, "),
        (lambda folder: edit(folder, one_polarisation), "lacks modes that its bench's fibre"),
        (lambda folder: edit(folder, other_phase), "coupling to LP"),
    ],
)
def test_what_is_spoilt_is_seen(
    spoilt: Path, check: Check, spoil: Callable[[Path], None], line: str
) -> None:
    spoil(spoilt)
    code, told = check(spoilt)
    assert code == 1
    assert line in told


@pytest.mark.long
def test_commands_take_it_or_refuse_it_in_one_line(
    good: Path, bench_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = ran(capsys, "predict", good, "--bench", bench_file)
    assert (code, err) == (0, "")
    assert "+0.0000" in out
    assert ran(capsys, "predict", good, "--receive")[0] == 0
    assert ran(capsys, "report", good)[0] == 0
    page = (good / "report.html").read_text("utf-8")
    assert "x 60 %, y 40 %" in page
    assert "LP11 sin y" in page
    assert ran(capsys, "plan", bench_file, "--focal", "8", "--waist", "1.1")[0] == 0
    assert ran(capsys, "pack", good, "--as", "png", "--out", tmp_path / "pack")[0] == 0
    assert ran(capsys, "check", tmp_path / "pack", "--of", good)[0] == 0
    for command in (
        ["tolerance", good],
        ["tolerance", bench_file],
        ["pack", good, "--as", "png", "--beside", good, "--out", tmp_path / "both"],
        ["compare", bench_file, "--figure", tmp_path / "f.png"],
    ):
        code, out, err = ran(capsys, *command)
        assert code == 2
        assert err.count("\n") == 1
        assert "knows no second aperture" in err


@pytest.mark.long
def test_the_field_of_each_polarisation(result: mf.Result) -> None:
    mask = result.masks[0]
    for place, polarisation in enumerate(("x", "y")):
        field, u = mask.facet(polarisation)
        modes = sampled(unpolarised(result.launch.basis), u, u)
        overlaps = np.sum(modes * field, axis=(1, 2)) * (u[1] - u[0]) ** 2
        own = mask.couplings[3 * place : 3 * (place + 1)]
        np.testing.assert_allclose(overlaps, own, atol=1e-3)
    with pytest.raises(BenchError, match='polarisation = "z": must be one of'):
        mask.facet("z")
    assert mask.budget.sum == pytest.approx(1.0)


def test_the_density_on_the_panel_is_that_of_the_stronger_beam(bench_file: Path) -> None:
    # 2 P / (pi w^2) of 60 % of 2 mW (Siegman, Lasers, 1986, sec. 17.1)
    found = safety(mf.load(bench_file))
    assert found is not None
    assert found.peak_mw_per_mm2 == pytest.approx(2 * 0.6 * 2.0 / (np.pi * 1.1**2))


WRONG = {
    "no place of the first": (
        {"modulator": {"at": None}},
        r"\[modulator\] at: beside a second aperture it must say where the first one lies",
    ),
    "outside": (
        {"device": {"second_at": [100, 2]}},
        r"\[device\] second_at = \[100, 2\]: a mask of 64 x 64 pixels there does not fit",
    ),
    "overlap": (
        {"device": {"second_at": [40, 2]}},
        r"second_at = \[40, 2\]: the apertures overlap: the first one takes 64 x 64 pixels from",
    ),
    "phase alone": (
        {"device": {"second_at": None, "second_phase_deg": 3.0}},
        r"second_phase_deg = 3.0: goes with second_at, which is missing",
    ),
    "share": (
        {"device": {"second_share": 1.0}},
        r"second_share = 1.0: must be a number between 0 and 1",
    ),
    "method": ({"design": {"method": "ifta"}}, r'method = "ifta": knows no second aperture'),
}


@pytest.mark.parametrize("name", WRONG)
def test_what_cannot_be_is_one_line(bench_file: Path, name: str) -> None:
    changes, line = WRONG[name]
    device = {"matrix": "M.npz", "second_at": list(SECOND), **changes.get("device", {})}
    keys = keys_of(
        targets={"family": "output"},
        device=device,
        **{section: part for section, part in changes.items() if section != "device"},
    )
    with pytest.raises(BenchError, match=line):
        from_dict(keys, "two", bench_file.parent)


def test_inputs_have_a_polarisation_or_not(tmp_path: Path) -> None:
    np.savez(tmp_path / "M.npz", matrix=np.eye(6), input=BOTH, output=BOTH)
    keys = keys_of(targets={"family": "output"}, device={"matrix": "M.npz"})
    with pytest.raises(
        BenchError, match=r'input "LP01 x" has a polarisation: .* second_at must say'
    ):
        prepared(from_dict(keys, "two", tmp_path))
    names = [one.removesuffix(" x") for one in BOTH[:3]]
    np.savez(tmp_path / "M.npz", matrix=np.eye(3), input=names, output=names)
    keys["device"]["second_at"] = list(SECOND)
    with pytest.raises(BenchError, match='its inputs need a polarisation, as in "LP01 x"'):
        prepared(from_dict(keys, "two", tmp_path))


def test_crosstalk_stays_within_a_mask(tmp_path: Path) -> None:
    launch = two(tmp_path, rotation(0.0), modulator={"crosstalk_px": 1.5}).launch
    states = random_states(launch)
    changed = states.copy()
    changed[64:] = 3
    one, other = (emitted(launch.modulator, some) for some in (states, changed))
    np.testing.assert_array_equal(one[:64], other[:64])
