"""Sweeps, the error that costs a purity, and the command."""

import csv
import io
import math
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from maskforge import bench as benches
from maskforge.base.csv_text import csv_text
from maskforge.base.errors import BenchError
from maskforge.base.files import replacing
from maskforge.bench import Bench
from maskforge.bench.ready import prepared
from maskforge.cli.exits import SHORT
from maskforge.cli.main import main
from maskforge.cli.print_tolerance import CURVE_COLUMNS, curve_cells, print_curves
from maskforge.launch.targets import lp_target
from maskforge.methods.problem import Problem
from maskforge.methods.simple import simple
from maskforge.report import FORMATS
from maskforge.report.figures.tolerance import tolerance_figure
from maskforge.sets.designing import finished_masks
from maskforge.sets.names import SET
from maskforge.sets.reading import read_set
from maskforge.sets.writing import Head, write_set
from maskforge.study.tolerance.causes import (
    CAUSES,
    VALUES,
    Cause,
    Errors,
    cause_named,
    causes_of,
)
from maskforge.study.tolerance.mask_file import Study, stored, stored_set
from maskforge.study.tolerance.one_error import (
    ErrorCurve,
    Site,
    curve_of,
    ranked,
    site_of,
    swept,
)
from tests.benches import MODE_WAIST, WAVELENGTH
from tests.cli.errorbenches import bench_of, matched, small

LOST = 0.01


@cache
def gaussian_site() -> Site:
    """The blank mask of a matched beam on the deep parabola: Gaussian optics, all of it."""
    start = matched()
    states = np.zeros((1, *start.modulator.shape), np.uint16)
    return Site(start, (lp_target(start.basis, "LP01"),), states)


def poisson_offset() -> float:
    """s = d^2/w^2 at which LP01 has lost LOST of a purity of exp(-s): Saijonmaa 1980."""
    return math.sqrt(-math.log(1 - LOST))


KNOWN: dict[str, float] = {
    "fiber_offset_x": poisson_offset() * MODE_WAIST * 1e6,
    "fiber_tilt_y": math.degrees(poisson_offset() * WAVELENGTH / (math.pi * MODE_WAIST)),
    # LP01 keeps 1/(1 + (z/2 z_R)^2) of a Gaussian, all of which stays in circular modes
    "defocus": 2 * math.sqrt(LOST / (1 - LOST)) * math.pi * MODE_WAIST**2 / WAVELENGTH * 1e6,
}


@pytest.mark.parametrize(
    ("field", "reach"),
    [*(("defocus", reach) for reach in (60.0, 1.7, 0.4, 0.15)),
     ("fiber_offset_x", 60.0), ("fiber_offset_x", 0.4),
     ("fiber_tilt_y", 1.7), ("fiber_tilt_y", 0.15)],
)  # fmt: skip
def test_the_error_that_costs_a_purity_is_known(field: str, reach: float) -> None:
    """Far below the steps of the sweep, within it, and twice and eight times as far as it."""
    wanted = KNOWN[field]
    cause = replace(cause_named(field), half_range=reach * wanted)
    found = curve_of(gaussian_site(), cause, LOST).limit
    assert found.value is not None
    assert abs(found.value) == pytest.approx(wanted, rel=3e-3)
    assert found.both
    assert found.worst == 0
    if reach > 1:
        assert found.median == pytest.approx(wanted, rel=0.02)  # interpolated
    else:
        assert found.median is None


def test_an_error_that_costs_less() -> None:
    """Is not found, and it is said how far was looked."""
    cause = replace(cause_named("fiber_offset_x"), half_range=0.05)
    found = curve_of(gaussian_site(), cause, LOST).limit
    assert found.value is None
    assert found.searched == pytest.approx(8 * 0.05)


# --- a small set -----------------------------------------------------------------------------


@cache
def bench() -> Bench:
    return bench_of(small(modulator={"alphabet": "binary", "levels": None}))


def study_in(folder: Path) -> Study:
    ready = prepared(bench())
    masks = ((t, simple(Problem(ready.launch, t)).states) for t in ready.targets)
    return stored(folder, bench(), ready.launch.modulator, masks)


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    return study_in(tmp_path_factory.mktemp("study"))


@pytest.fixture(scope="module")
def curves(study: Study) -> list[ErrorCurve]:
    causes = (cause_named("fiber_offset_x"), cause_named("crosstalk"), cause_named("phase_depth"))
    return sorted(
        swept(study, causes), key=lambda c: [k.field for k in CAUSES].index(c.cause.field)
    )


def test_a_stored_study_is_what_was_put_in(study: Study) -> None:
    ready = prepared(bench())
    states = study.store.opened()
    assert states.dtype == np.uint8
    for target, own, kept in zip(ready.targets, study.targets, states, strict=True):
        assert own is target or own.name == target.name
        assert np.array_equal(kept, simple(Problem(ready.launch, target)).states)
    assert study.names[:2] == ("LP01 0 deg", "LP11 0 deg")


def test_curves(study: Study, curves: list[ErrorCurve]) -> None:
    assert [curve.cause.name for curve in curves] == ["fibre offset x", "phase depth", "crosstalk"]
    for curve in curves:
        assert curve.purity.shape == (VALUES, len(study.targets))
        assert curve.values[curve.unharmed] == 0
        assert np.all(curve.purity <= curve.group_purity + 1e-9)
        assert np.all(curve.efficiency <= 1)
    # the same masks without an error, whatever the cause
    plain = [curve.purity[curve.unharmed] for curve in curves]
    np.testing.assert_allclose(plain[1], plain[0], atol=1e-6)
    np.testing.assert_allclose(plain[2], plain[0], atol=1e-6)


def test_the_worst_mask_reaches_the_limit_first(study: Study, curves: list[ErrorCurve]) -> None:
    """At the error found it has lost just as much, and no other mask more."""
    site = site_of(study, 0)
    for curve in curves:
        limit = curve.limit
        if limit.value is None:
            continue
        masks = range(len(study.targets))
        before, after = site.figures(masks, [Errors(), curve.cause.errors(limit.value)])[..., 0]
        assert before[limit.worst] - after[limit.worst] == pytest.approx(0.01, rel=0.02)
        assert np.max(before - after) <= 0.0105


def test_a_search_ends_where_there_is_no_such_bench(study: Study) -> None:
    """alpha below 0.5 is refused: the search stops there, and goes on to the other side."""
    cause = replace(cause_named("alpha"), half_range=1.4)
    site = site_of(study, 0)
    with pytest.raises(BenchError):
        site.figures([0], [cause.errors(-2.8)])
    found = curve_of(site, cause, 1.5).limit  # more than there is to lose
    assert found.value is None
    assert found.searched == pytest.approx(1.4)


def test_a_range_that_leads_to_no_bench_is_halved(study: Study) -> None:
    cause = replace(cause_named("alpha"), half_range=2.4)
    curve = curve_of(site_of(study, 0), cause)
    assert curve.cause.half_range == 1.2
    assert curve.values[-1] == 1.2
    with pytest.raises(BenchError):
        curve_of(site_of(study, 0), replace(cause, half_range=1e4))


@pytest.mark.long
def test_the_same_on_any_number_of_processes(study: Study, curves: list[ErrorCurve]) -> None:
    again = {c.cause.field: c for c in swept(study, [curve.cause for curve in curves], jobs=2)}
    for curve in curves:
        other = again[curve.cause.field]
        assert np.array_equal(other.purity, curve.purity)
        assert other.limit == curve.limit


def test_ranked_by_what_they_lose(curves: list[ErrorCurve]) -> None:
    order = ranked(curves)
    lost = sum(np.mean(c.purity[c.unharmed] - c.purity, axis=0) for c in curves)
    assert sorted(order) == list(range(len(order)))
    assert np.all(np.diff(lost[order]) <= 0)


def test_a_finished_set_is_the_same_study(tmp_path: Path) -> None:
    ready = prepared(benches.override(bench(), method="simple"))
    head = Head(
        tmp_path / "set",
        benches.resolved(ready.bench, start=(tmp_path / "set").resolve()),
        ready.launch.modulator,
        ready.launch.basis,
        len(ready.targets),
    )
    with replacing(tmp_path / "set", SET) as folder:
        write_set(folder, head, finished_masks(ready))
    (tmp_path / "store").mkdir()
    (tmp_path / "other").mkdir()
    found = stored_set(tmp_path / "store", read_set(tmp_path / "set"))
    wanted = study_in(tmp_path / "other")
    assert np.array_equal(found.store.opened(), wanted.store.opened())
    assert found.names == wanted.names
    cause = cause_named("waist")
    (one,), (two,) = swept(found, [cause]), swept(wanted, [cause])
    np.testing.assert_allclose(one.purity, two.purity, atol=1e-6)


# --- what is printed and written -------------------------------------------------------------


def test_the_table_of_the_sweep(
    study: Study, curves: list[ErrorCurve], capsys: pytest.CaptureFixture[str]
) -> None:
    print_curves(curves, study.names, 0.01, {"alpha": "for a test"})
    lines = capsys.readouterr().out.splitlines()
    rows = [line for line in lines if line.startswith(tuple(c.cause.name for c in curves))]
    assert len(rows) == len(curves)
    for curve, row in zip(curves, rows, strict=True):
        assert study.names[curve.limit.worst] in row
        least = 100 * curve.purity[curve.ends].min()
        assert f"{least:.2f}" in row.split()
    assert "Left out: fibre alpha, for a test." in lines


def test_the_csv_of_the_sweep(study: Study, curves: list[ErrorCurve]) -> None:
    text = csv_text(CURVE_COLUMNS, list(curve_cells(curves, study.targets)))
    rows = list(csv.DictReader(io.StringIO(text)))
    assert len(rows) == len(study.targets) * len(curves) * VALUES
    last = rows[-1]
    assert last["mask"] == str(len(study.targets) - 1)
    assert last["cause"] == curves[-1].cause.field
    assert float(last["value"]) == curves[-1].values[-1]
    assert float(last["purity"]) == curves[-1].purity[-1, -1]
    assert float(last["efficiency"]) == curves[-1].efficiency[-1, -1]


@pytest.mark.parametrize(
    "kind", [FORMATS[0], *(pytest.param(kind, marks=pytest.mark.long) for kind in FORMATS[1:])]
)
def test_the_figure(study: Study, curves: list[ErrorCurve], kind: str) -> None:
    # all causes once, and fewer take the same way
    shown = curves if kind == "png" else curves[:3]
    drawn = tolerance_figure(shown, study.names, 0.01, "What $costs$ what", kind)
    assert drawn == tolerance_figure(shown, study.names, 0.01, "What $costs$ what", kind)
    if kind == "png":
        with Image.open(io.BytesIO(drawn)) as picture:
            assert picture.size[0] > 600


# --- the command -----------------------------------------------------------------------------

TOML = """
[light]
wavelength_nm = 1310.0
waist_mm = 0.9
[modulator]
pixels = [48, 40]
pitch_um = 70.0
alphabet = "binary"
[lens]
focal_length_mm = 8.0
[fiber]
preset = "six-mode-step"
[targets]
labels = ["LP01", "LP11"]
orientations = 2
[design]
method = "simple"
"""


@pytest.fixture
def file(tmp_path: Path) -> Path:
    (tmp_path / "bench.toml").write_text(TOML)
    return tmp_path / "bench.toml"


@pytest.mark.long
def test_the_command_on_a_bench_and_on_its_set(
    file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table, figure = file.parent / "sweep.csv", file.parent / "sweep.png"
    assert main(["tolerance", str(file), "--csv", str(table), "--figure", str(figure)]) == 0
    out = capsys.readouterr().out
    assert out.startswith("bench: 3 masks, without errors ")
    for cause in causes_of(benches.load(file)):
        assert cause.name in out
    assert 'Left out: fibre alpha, the profile "step" has none here.' in out
    assert len(table.read_text().splitlines()) == 1 + 3 * (len(CAUSES) - 1) * VALUES
    assert figure.read_bytes()[1:4] == b"PNG"
    place = file.parent / "set"
    assert main(["design", str(file), "--out", str(place)]) <= SHORT
    capsys.readouterr()
    again = ["--csv", str(file.parent / "again.csv"), "--figure", str(figure)]
    assert main(["tolerance", str(place), *again]) == 0
    of_set = capsys.readouterr().out.splitlines()
    assert of_set[0].startswith("set: 3 masks")
    assert (file.parent / "again.csv").read_bytes() == table.read_bytes()
    assert not (place / "tolerance.json").exists()


@pytest.mark.long
def test_the_sets_page_shows_what_was_kept(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Until the set is designed anew: the table is of those very masks."""
    place = file.parent / "kept"
    assert main(["design", str(file), "--out", str(place)]) <= SHORT
    assert main(["tolerance", str(place), "--keep"]) == 0
    assert main(["report", str(place)]) == 0
    page = (place / "report.html").read_text("utf-8")
    assert all(cause.name in page for cause in causes_of(benches.load(file)))
    assert main(["design", str(file), "--out", str(place)]) <= SHORT
    assert not (place / "tolerance.json").exists()
    assert "fibre tilt x" not in (place / "report.html").read_text("utf-8")
    capsys.readouterr()
    assert main(["tolerance", str(file), "--keep"]) == 2
    assert "--keep: goes with a set" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("options", "text"),
    [
        (["--limit", "2"], "--limit = 2: must be a number from 1e-05 to 0.5"),
        (["--limit", "nan"], "--limit = nan: must be"),
        (["--limit", "one"], "--limit = one: must be"),
        (["--seed", "-1"], "--seed = -1: must be a whole number from 0 to 4294967295"),
        (["--seed", "1.5"], "--seed = 1.5: must be a whole number"),
        (["--figure", "x.gif"], "--figure = x.gif: the name must end in"),
        (["--samples-figure", "x.png"], "--samples-figure = x.png: goes with --deviations"),
        (
            ["--samples-figure", "x.gif", "--deviations", "bench.toml"],
            "--samples-figure = x.gif: the name must end in",
        ),
        (["--monte-carlo", "64"], "--monte-carlo = 64: goes with --deviations"),
        (["--masks", "LP01"], "--masks = LP01: goes with --deviations"),
        (["--deviations", "none.toml"], "none.toml: no such file"),
        (["--csv", "none/x.csv"], "none/x.csv"),
        (["--csv", "x.png", "--figure", "x.png"], "must be different files"),
    ],
)
def test_what_cannot_be(
    file: Path,
    options: list[str],
    text: str,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(file.parent)
    assert main(["tolerance", "bench.toml", *options]) == 2
    error = capsys.readouterr().err
    assert text in error
    assert len(error.splitlines()) == 1
    assert {path.name for path in file.parent.iterdir()} == {"bench.toml"}


def test_sources_that_are_none(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for source in (str(tmp_path), "no-such-bench", str(tmp_path / "none.toml")):
        assert main(["tolerance", source]) == 2
        assert len(capsys.readouterr().err.splitlines()) == 1


def test_causes_have_keys_of_their_own() -> None:
    assert cause_named("fiber_offset_x").key == "fiber_offset_um"
    assert cause_named("fiber_offset_y").column == "fiber_offset_y_um"
    assert cause_named("grey_table").key == "grey_table_deg"
    assert cause_named("alpha").key == "alpha"
    assert len({cause.column for cause in CAUSES}) == len(CAUSES)
    with pytest.raises(BenchError):
        cause_named("colour")
    assert all(isinstance(cause, Cause) and 0 in cause.values(9) for cause in CAUSES)
