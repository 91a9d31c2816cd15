"""A set written and read back by other means than those that wrote it."""

import csv
import hashlib
import json
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image

from maskforge import bench as benches
from maskforge.base.errors import OutputError
from maskforge.fiber.modes import solve
from maskforge.launch.basis import Basis, basis_of
from maskforge.launch.modulator import Alphabet, Modulator, levels
from maskforge.launch.prediction import Prediction, judged
from maskforge.launch.targets import Target, lp_target
from maskforge.methods.problem import Design
from maskforge.sets.designing import Finished
from maskforge.sets.manifest import Record
from maskforge.sets.writing import Head, write_set

BENCH = benches.load("few-mode-1310")
BASIS: Basis = basis_of(solve(benches.fiber(BENCH)))
TWO = Alphabet("binary", np.array([1, -1], complex), np.array([7, 250], np.uint16))


def panel(alphabet: Alphabet = TWO) -> Modulator:
    """5 x 8 pixels on a panel of 9 x 12, off centre."""
    return Modulator((5, 8), 15e-6, alphabet, panel_shape=(9, 12), at=(3, 1))


def made(
    count: int, *, size: int = 2, bound: float | None = None, shape: tuple[int, int] = (5, 8)
) -> Iterator[Finished]:
    """Masks of noise with couplings of noise, the same at every call."""
    noise = np.random.default_rng(1)
    for index in range(count):
        target = lp_target(BASIS, "LP21", 7.5 * index)
        states = noise.integers(0, size, shape).astype(np.uint16)
        noisy = noise.normal(size=len(BASIS)) + 1j * noise.normal(size=len(BASIS))
        couplings = (0.2 * noisy).astype(complex)
        found = judged(BASIS, target, couplings)
        design = Design(states, found, "simple", True, "done", bound=bound)
        yield Finished(index, target, design)


def head(out: Path, count: int, modulator: Modulator | None = None) -> Head:
    return Head(out, benches.resolved(BENCH, start=out), modulator or panel(), BASIS, count)


def written(folder: Path, count: int, **more: float) -> tuple[Record, ...]:
    folder.mkdir(exist_ok=True)
    return write_set(folder, head(folder, count), made(count, **more))  # type: ignore[arg-type]


def test_pages_are_the_panel_in_play_order(tmp_path: Path) -> None:
    """Read by tifffile; the mask's top row is the last of states, whose y points up."""
    written(tmp_path, 5)
    with tifffile.TiffFile(tmp_path / "masks.tif") as file:
        assert not file.is_bigtiff
        assert len(file.pages) == 5
        for index, (page, mask) in enumerate(zip(file.pages, made(5), strict=True)):
            found = page.asarray()
            assert found.dtype == np.uint8
            assert found.shape == (9, 12)
            expected = np.where(mask.design.states[::-1] == 1, 250, 7)
            np.testing.assert_array_equal(found[1:6, 3:11], expected)
            assert np.all(np.delete(found, np.s_[1:6], axis=0) == 7)
            assert isinstance(page, tifffile.TiffPage)
            assert page.tags["ImageDescription"].value == f"LP21 {7.5 * index:g} deg"
            assert page.tags["Compression"].value == 8
            assert "DateTime" not in page.tags


@pytest.mark.parametrize("count", [1, 3, 4])
def test_pages_are_not_taken_for_colours(tmp_path: Path, count: int) -> None:
    """Baseline TIFF 6.0: PhotometricInterpretation 1 is BlackIsZero; one sample a pixel."""
    written(tmp_path, count)
    with tifffile.TiffFile(tmp_path / "masks.tif") as file:
        assert len(file.pages) == count
        for page in file.pages:
            assert isinstance(page, tifffile.TiffPage)
            assert page.tags["PhotometricInterpretation"].value == 1
            assert page.tags["SamplesPerPixel"].value == 1
    assert np.squeeze(tifffile.imread(tmp_path / "masks.tif")).shape[-2:] == (9, 12)
    with Image.open(tmp_path / "masks.tif") as image:
        assert (image.n_frames, image.mode, image.size) == (count, "L", (12, 9))  # type: ignore[attr-defined]
        image.seek(count - 1)
        last = np.asarray(image)
    np.testing.assert_array_equal(last, tifffile.imread(tmp_path / "masks.tif", key=count - 1))


def test_sixteen_bit_pages(tmp_path: Path) -> None:
    """More than 256 grey values take 16 bit; the hash is of little-endian pixels."""
    modulator = panel(levels(1000))
    write_set(tmp_path, head(tmp_path, 2, modulator), made(2, size=1000))
    pages = tifffile.imread(tmp_path / "masks.tif")
    assert pages.dtype == np.uint16
    assert pages.max() > 255
    records = json.loads((tmp_path / "manifest.json").read_text("utf-8"))["masks"]
    for page, record in zip(pages, records, strict=True):
        assert hashlib.sha256(page.astype("<u2").tobytes()).hexdigest() == record["sha256"]


def test_a_file_past_4_gib_has_wide_offsets(tmp_path: Path) -> None:
    """BigTIFF by the size that was announced; two of its pages are enough to see."""
    write_set(tmp_path, head(tmp_path, 2**32 // (9 * 12)), made(2))
    with tifffile.TiffFile(tmp_path / "masks.tif") as file:
        assert file.is_bigtiff
        assert len(file.pages) == 2


def test_manifest(tmp_path: Path) -> None:
    """Keys of DESIGN section 5; the numbers by their definitions in its word list."""
    written(tmp_path, 4, bound=0.5)
    content = json.loads(
        (tmp_path / "manifest.json").read_text("utf-8"), parse_constant=pytest.fail
    )
    assert (content["format"], content["version"]) == ("maskforge-set", 2)
    assert set(content["made_with"]) == {"maskforge", "python", "numpy", "scipy"}
    assert [mode["label"] for mode in content["modes"]] == [mode.label for mode in BASIS]
    assert [mode["part"] for mode in content["modes"]] == [None, "cos", "sin", None, "cos", "sin"]
    assert list(content["modes"][0]) == ["index", "label", "l", "p", "part", "group", "n_eff"]
    pages = tifffile.imread(tmp_path / "masks.tif")
    for index, (record, mask) in enumerate(zip(content["masks"], made(4), strict=True)):
        assert (record["index"], record["page"]) == (index, index)
        assert hashlib.sha256(pages[index].tobytes()).hexdigest() == record["sha256"]
        assert (record["target"], record["orientation_deg"]) == ("LP21", 7.5 * index)
        power = np.abs(mask.prediction.couplings) ** 2
        wanted = abs(np.vdot(mask.target.vector, mask.prediction.couplings)) ** 2
        purity = wanted / power.sum()
        assert record["purity"] == pytest.approx(purity, rel=1e-12)
        assert record["efficiency"] == pytest.approx(wanted, rel=1e-12)
        assert record["bound"] == 0.5
        assert record["gap"] == pytest.approx(1 - wanted / 0.5, rel=1e-12)
        assert record["unwanted_db"] == pytest.approx(-10 * np.log10((1 - purity) / purity))


def test_the_written_bench_loads(tmp_path: Path) -> None:
    """Round trip; common practice, no source."""
    written(tmp_path, 1)
    content = json.loads((tmp_path / "manifest.json").read_text("utf-8"))
    again = benches.from_dict(content["bench"], "again", tmp_path)
    assert benches.resolved(again, start=tmp_path) == content["bench"]
    assert benches.indices(again) == pytest.approx(benches.indices(BENCH), abs=1e-12)


def test_what_is_not_known_or_not_finite_is_null(tmp_path: Path) -> None:
    """RFC 8259 has no infinity; a pure mask has no finite unwanted power."""
    target = lp_target(BASIS, "LP01")
    states = np.zeros((5, 8), np.uint16)
    found = Prediction(target.vector, 1.0, 1.0, 1.0)
    pure = Finished(0, target, Design(states, found, "simple", True, "done"))
    write_set(tmp_path, head(tmp_path, 1), [pure])
    (record,) = json.loads(
        (tmp_path / "manifest.json").read_text("utf-8"), parse_constant=pytest.fail
    )["masks"]
    assert (record["bound"], record["gap"], record["unwanted_db"]) == (None, None, None)
    (row,) = csv.DictReader((tmp_path / "masks.csv").read_text("utf-8").splitlines())
    assert (row["bound"], row["gap"], row["unwanted_db"]) == ("", "", "")


def test_tables_and_couplings_agree(tmp_path: Path) -> None:
    """Every number is written in full: it reads back the same."""
    records = written(tmp_path, 3, bound=0.5)
    with np.load(tmp_path / "coupling.npz") as file:
        couplings = file["couplings"]
    np.testing.assert_array_equal(couplings, [mask.prediction.couplings for mask in made(3)])
    rows = list(csv.reader((tmp_path / "coupling.csv").read_text("utf-8").splitlines()))
    assert rows[0] == [
        "mask", "target", "orientation_deg",
        "LP01", "LP11 cos", "LP11 sin", "LP02", "LP21 cos", "LP21 sin",
    ]  # fmt: skip
    assert [row[:3] for row in rows[1:]] == [
        ["0", "LP21", "0.0"],
        ["1", "LP21", "7.5"],
        ["2", "LP21", "15.0"],
    ]
    powers = np.array([row[3:] for row in rows[1:]], dtype=float)
    np.testing.assert_array_equal(powers, np.abs(couplings) ** 2)
    masks = json.loads((tmp_path / "manifest.json").read_text("utf-8"))["masks"]
    table = list(csv.DictReader((tmp_path / "masks.csv").read_text("utf-8").splitlines()))
    assert [list(row) for row in table] == [list(mask) for mask in masks]
    assert [float(row["purity"]) for row in table] == [record.purity for record in records]


def test_the_same_masks_give_the_same_bytes(tmp_path: Path) -> None:
    """Common practice (reproducible output), no source."""
    one, two = tmp_path / "one", tmp_path / "two"
    written(one, 4)
    written(two, 4)
    names = sorted(path.name for path in one.iterdir())
    own = ["SHA256SUMS", "coupling.csv", "coupling.npz", "manifest.json", "masks.csv", "masks.tif"]
    assert names == own
    for name in names:
        assert (one / name).read_bytes() == (two / name).read_bytes()


def test_a_name_that_is_not_ascii(tmp_path: Path) -> None:
    """Superpositions have names of the user's choice; common practice, no source."""
    (mask,) = made(1)
    named = Finished(0, Target("süß", 0.0, mask.target.vector), mask.design)
    write_set(tmp_path, head(tmp_path, 1), [named])
    with tifffile.TiffFile(tmp_path / "masks.tif") as file:
        assert file.pages.first.tags["ImageDescription"].value == "süß 0 deg"
    assert '"süß"' in (tmp_path / "manifest.json").read_text("utf-8")


def test_a_folder_that_is_gone_is_told(tmp_path: Path) -> None:
    """The line names the place where the set would lie; common practice, no source."""
    gone = tmp_path / "gone"
    with pytest.raises(OutputError) as told:
        write_set(gone, head(Path("out/set"), 1), made(1))
    expected = f"{Path('out/set/masks.tif')}: cannot be written (No such file or directory)"
    assert str(told.value) == expected


def test_a_problem_of_the_masks_is_not_taken_for_one_of_the_file(tmp_path: Path) -> None:
    """Common practice, no source."""

    def broken() -> Iterator[Finished]:
        yield from made(1)
        raise OSError("no more processes")

    with pytest.raises(OSError, match=r"^no more processes$"):
        write_set(tmp_path, head(tmp_path, 2), broken())
