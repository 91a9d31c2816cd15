"""The files of a play list: of a set, of a pack, and read back."""

import csv
import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from PIL import Image

from maskforge import bench as benches
from maskforge.base.errors import BenchError, OutputError
from maskforge.base.ranges import BadValueError
from maskforge.bench.ready import prepared
from maskforge.launch.targets import described
from maskforge.playing.packing import write_pack
from maskforge.playing.playlist import PlayedMask, Timing
from maskforge.playing.playlist_file import (
    Playable,
    Playlist,
    playable,
    playlist_of,
    read_playlist,
    table_text,
    whole_text,
    write_playlist,
)
from maskforge.sets.designing import finished_masks
from maskforge.sets.reading import read_set
from maskforge.sets.writing import Head, write_set
from tests.sets.invented import frames

# --- of a set and of a pack ------------------------------------------------------------------


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A set of 5 masks: LP21 and LP11 in two orientations each, LP01 between them."""
    folder = tmp_path_factory.mktemp("sets") / "tiny"
    folder.mkdir()
    bench = benches.from_dict(
        {
            "light": {"wavelength_nm": 1310.0, "waist_mm": 1.16},
            "modulator": {"pixels": [32, 30], "pitch_um": 120.0, "alphabet": "binary"},
            "lens": {"focal_length_mm": 8.0},
            "fiber": {"preset": "six-mode-graded"},
            "targets": {"labels": ["LP21", "LP01", "LP11"], "orientations": 2},
            "design": {"method": "simple"},
        },
        "tiny",
    )
    ready = prepared(bench)
    head = Head(
        folder,
        benches.resolved(bench, start=folder),
        ready.launch.modulator,
        ready.launch.basis,
        len(ready.targets),
    )
    write_set(folder, head, finished_masks(ready))
    return folder


def test_a_step_shows_the_page_of_its_target(written: Path) -> None:
    """By the description of the page in the stack, and the numbers of the manifest."""
    made = playlist_of(playable(written), order="shuffled", seed=3, reference="LP11@90", every=2)
    content = (written / "manifest.json").read_bytes()
    assert made.plan is not None
    assert (made.plan.source, made.plan.sha256) == ("tiny", hashlib.sha256(content).hexdigest())
    masks = json.loads(content)["masks"]
    with tifffile.TiffFile(written / "masks.tif") as stack:
        for step in made.entries:
            assert (step.file, step.plane, step.page) == (
                "masks.tif",
                None,
                masks[step.mask]["page"],
            )
            page = stack.pages[step.page]
            assert isinstance(page, tifffile.TiffPage)
            assert page.description == described(step.target, step.orientation_deg)
            for key in ("target", "orientation_deg", "purity", "efficiency"):
                assert getattr(step, key) == masks[step.mask][key]


@pytest.mark.parametrize("kind", ["tiff", "png", "planes", "bits", "numpy"])
def test_a_pack_is_played(written: Path, tmp_path: Path, kind: str) -> None:
    """Each step finds the picture of its mask: read here by the files' own rules."""
    write_pack(tmp_path, tmp_path, read_set(written), kind)
    made = playlist_of(playable(tmp_path), order="orientation")
    assert made.plan is not None
    digest = hashlib.sha256((tmp_path / "pack.json").read_bytes()).hexdigest()
    assert made.plan.sha256 == digest
    assert [step.mask for step in made.entries] == [0, 2, 3, 1, 4]
    wanted = tifffile.imread(written / "masks.tif")
    for step in made.entries:
        page = wanted[step.mask] // (255 if kind in ("planes", "bits") else 1)
        np.testing.assert_array_equal(shown_by(tmp_path, step), page)


def shown_by(folder: Path, step: PlayedMask) -> Any:
    """The picture that a step points to."""
    path = folder / step.file
    if path.suffix == ".tif":
        return tifffile.imread(path, key=step.page)
    if path.suffix == ".npy":
        return np.load(path)[step.page]
    if path.suffix == ".bin":
        rows = np.frombuffer(path.read_bytes(), np.uint8).reshape(-1, 30, 4)
        return np.unpackbits(rows[step.mask], axis=1)
    with Image.open(path) as image:
        pixels = np.asarray(image).astype(int)
    if step.plane is None:
        return pixels
    return pixels[..., step.plane // 8] // 2 ** (step.plane % 8) % 2


@pytest.mark.parametrize(
    ("key", "value", "line"),
    [
        ("purity", float("nan"), "purity = NaN: must be a finite number"),
        ("efficiency", 1.5, "efficiency = 1.5: must be a number from 0 to 1"),
        ("page", -1, "page = -1: must be a whole number from 0 to 1000000000"),
        ("index", 0, "index = 0: must be 1: masks count from 0"),
        ("target", "a\nb", r'target = "a\nb": must be text on one line, 1 to 255 characters'),
        (
            "orientation_deg",
            1e300,
            "orientation_deg = 1e+300: must be a number from -3600 to 3600 deg",
        ),
    ],
)
def test_a_set_that_cannot_be_played(
    written: Path, tmp_path: Path, key: str, value: object, line: str
) -> None:
    content = json.loads((written / "manifest.json").read_bytes())
    content["masks"][1][key] = value
    path = tmp_path / "manifest.json"
    path.write_text(json.dumps(content), "utf-8")
    with pytest.raises(BenchError) as told:
        playable(tmp_path)
    assert str(told.value) == f"{path}: masks[1] {line}"


def test_a_set_without_masks_or_a_folder_without_a_set(written: Path, tmp_path: Path) -> None:
    with pytest.raises(BenchError, match=r"holds no manifest\.json; a set of masks is needed"):
        playable(tmp_path)
    content = json.loads((written / "manifest.json").read_bytes())
    (tmp_path / "manifest.json").write_text(json.dumps({**content, "masks": []}), "utf-8")
    with pytest.raises(BenchError, match="masks: holds no mask"):
        playable(tmp_path)


def test_rounding_above_a_share_of_1_is_played(written: Path, tmp_path: Path) -> None:
    """A pure mask may come out as 1.0000000000000002."""
    content = json.loads((written / "manifest.json").read_bytes())
    content["masks"][1]["purity"] = 1 + 2**-52
    (tmp_path / "manifest.json").write_text(json.dumps(content), "utf-8")
    write_playlist(tmp_path, playlist_of(playable(tmp_path)))
    assert read_playlist(tmp_path / "playlist.csv").entries[1].purity == 1 + 2**-52


@pytest.mark.parametrize(
    ("choice", "key"),
    [
        ({"order": "modes"}, "order"),
        ({"seed": 1}, "seed"),
        ({"order": "shuffled"}, "seed"),
        ({"order": "shuffled", "seed": -1}, "seed"),
        ({"order": "shuffled", "seed": 2**32}, "seed"),
        ({"repeat": 0}, "repeat"),
        ({"every": 2}, "every"),
        ({"every": 0, "reference": "LP01"}, "every"),
        ({"reference": " "}, "reference"),
        ({"reference": "LP02"}, "reference"),
    ],
)
def test_a_choice_that_cannot_be(written: Path, choice: dict[str, Any], key: str) -> None:
    with pytest.raises(BadValueError) as told:
        playlist_of(playable(written), **choice)
    assert told.value.key == key


# --- files -----------------------------------------------------------------------------------


def example(**choice: Any) -> Playlist:
    return playlist_of(Playable("süß", 64 * "a", frames(1, 2, 3)), **choice)


CHOICES: tuple[dict[str, Any], ...] = (
    {},
    {"order": "shuffled", "seed": 5, "repeat": 3, "reference": " LP11@90 ", "every": 4},
    {"order": "orientation", "timing": Timing(0.1, 0.2, 59.94), "reference": "LP01"},
)


@pytest.mark.parametrize("choice", CHOICES)
def test_both_files_read_back_the_same(tmp_path: Path, choice: dict[str, Any]) -> None:
    """Round trip, to the last digit; the table has no plan."""
    made = example(**choice)
    write_playlist(tmp_path, made)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["playlist.csv", "playlist.json"]
    assert read_playlist(tmp_path / "playlist.json") == made
    assert read_playlist(tmp_path / "playlist.csv") == Playlist(None, made.entries)


def test_the_files_by_other_readers(tmp_path: Path) -> None:
    """Keys and columns by name, values that agree in both."""
    write_playlist(tmp_path, example(**CHOICES[1]))
    content = json.loads(
        (tmp_path / "playlist.json").read_text("utf-8"), parse_constant=pytest.fail
    )
    steps = content.pop("entries")
    assert content == {
        "format": "maskforge-playlist",
        "version": 1,
        "source": "süß",
        "sha256": 64 * "a",
        "order": "shuffled",
        "seed": 5,
        "repeat": 3,
        "reference": "LP11@90",
        "every": 4,
        "dwell_ms": 20.0,
        "settle_ms": 10.0,
        "frame_rate_hz": None,
        "duration_s": 0.72,
    }
    assert len(steps) == 18 + 6
    rows = list(csv.DictReader((tmp_path / "playlist.csv").read_text("utf-8").splitlines()))
    assert list(rows[0]) == list(steps[0]) == [
        "step", "time_s", "dwell_ms", "file", "page", "plane", "mask", "target",
        "orientation_deg", "purity", "efficiency", "reference",
    ]  # fmt: skip
    words = {None: "", True: "yes", False: "no"}
    for row, step in zip(rows, steps, strict=True):
        plain = {
            k: words[v] if v is None or isinstance(v, bool) else str(v) for k, v in step.items()
        }
        assert row == plain


def test_the_same_list_gives_the_same_bytes() -> None:
    """Common practice (reproducible output), no source."""
    one, two = (example(**CHOICES[1]) for _ in range(2))
    assert whole_text(one) == whole_text(two)
    assert table_text(one.entries) == table_text(two.entries)


def test_a_table_from_a_spreadsheet_is_read(tmp_path: Path) -> None:
    """With a byte order mark and line ends of two characters; RFC 4180 has the latter."""
    made = example(**CHOICES[1])
    path = tmp_path / "mine.csv"
    text = table_text(made.entries).replace("\n", "\r\n").replace(",20.0,", ",2E+01,")
    path.write_bytes(b"\xef\xbb\xbf" + text.encode())
    assert read_playlist(path).entries == made.entries


Change = Callable[[dict[str, Any]], object]


@pytest.mark.parametrize(
    ("change", "line"),
    [
        (lambda c: c.update(format="maskforge-set"), 'must have format = "maskforge-playlist"'),
        (lambda c: c.update(version=2), "version = 2: this program reads 1"),
        (lambda c: c.pop("entries"), "entries: must be a JSON array"),
        (lambda c: c.update(entries=[]), "entries: holds no step"),
        (lambda c: c.pop("sha256"), "sha256: missing"),
        (
            lambda c: c.update(sha256="A" * 64),
            f'sha256 = "{"A" * 56}...: must be 64 hexadecimal digits in lower case',
        ),
        (lambda c: c.update(seeds=1), "seeds = 1: no such key; did you mean seed?"),
        (lambda c: c.update(repeat=0), "repeat = 0: must be a whole number from 1 to 999999"),
        (lambda c: c.update(order=["mode"]), 'order = ["mode"]: must be one of "mode", '
         '"orientation", "shuffled"'),
        (lambda c: c.update(frame_rate_hz="60"), 'frame_rate_hz = "60": must be a number from 0.1 '
         "to 1e+06 Hz, without quotes"),
        (lambda c: c["entries"].__setitem__(2, 7), "entries[2] = 7: must be a JSON object"),
        (lambda c: c["entries"][2].pop("page"), "entries[2] page: missing"),
        (lambda c: c["entries"][2].update(step=3), "entries[2] step = 3: must be 2: steps count "
         "from 0"),
        (lambda c: c["entries"][2].update(step=True), "entries[2] step = true: must be a whole "
         "number from 0 to 1000000000"),
        (lambda c: c["entries"][2].update(mask=10**400), f"entries[2] mask = 1{56 * '0'}...: "
         "must be a whole number from 0 to 1000000000"),
        (lambda c: c["entries"][2].update(plane=24), "entries[2] plane = 24: must be a whole "
         "number from 0 to 23"),
        (lambda c: c["entries"][2].update(time_s=0.03), "entries[2] time_s = 0.03: must be after "
         "the step before it, at 0.03 s"),
        (lambda c: c["entries"][2].update(time_s=float("nan")), "entries[2] time_s = NaN: must be "
         "a number from 0 to 1e+12 s"),
        (lambda c: c["entries"][5].update(time_s=9.0), "entries[5] time_s = 9.0: must be before "
         "the end, duration_s = 0.18"),
        (lambda c: c["entries"][2].update(dwell_ms=21), "entries[2] dwell_ms = 21.0: must be the "
         "play list's dwell_ms, 20"),
        (lambda c: c["entries"][2].update(reference="no"), 'entries[2] reference = "no": must be '
         "true or false"),
        (lambda c: c["entries"][2].update(reference=True), "entries[2] reference = true: the play "
         "list has no reference"),
    ],
)  # fmt: skip
def test_json_that_is_no_play_list(tmp_path: Path, change: Change, line: str) -> None:
    content = json.loads(whole_text(example()))
    change(content)
    path = tmp_path / "playlist.json"
    path.write_text(json.dumps(content), "utf-8")
    with pytest.raises(BenchError) as told:
        read_playlist(path)
    assert str(told.value) == f"{path}: {line}"


HEADER = table_text(()).strip()


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ("step,", "number,", f"the first line must be {HEADER}"),
        (HEADER, "", f"the first line must be {HEADER}"),
        (",no\n1,", ",no,no\n1,", "entries[0]: must have 12 cells, has 13"),
        ("0.06,20.0,", "0.06,", "entries[2]: must have 12 cells, has 11"),
        ("0.06,", "0.06 s,", 'entries[2] time_s = "0.06 s": must be a number from 0 to 1e+12 s, '
         "without quotes"),
        ("0.06,", '"0,06",', 'entries[2] time_s = "0,06": must be a number from 0 to 1e+12 s, '
         "without quotes"),
        ("0.06,", ",", "entries[2] time_s = null: must be a number from 0 to 1e+12 s"),
        ("0.06,", "1e999,", "entries[2] time_s = Infinity: must be a number from 0 to 1e+12 s"),
        ("0.06,", f"{'9' * 5000},", f'entries[2] time_s = "{"9" * 56}...: must be a number from 0 '
         "to 1e+12 s, without quotes"),
        ("0.5,no\n3,", "0.5,nein\n3,", 'entries[2] reference = "nein": must be true or false'),
        ('masks.tif', '"masks.tif', "is not CSV (',' expected after '\"')"),
    ],
)  # fmt: skip
def test_csv_that_is_no_play_list(tmp_path: Path, old: str, new: str, line: str) -> None:
    text = table_text(example().entries)
    assert old in text
    path = tmp_path / "playlist.csv"
    path.write_text(text.replace(old, new), "utf-8")
    with pytest.raises(BenchError) as told:
        read_playlist(path)
    assert str(told.value) == f"{path}: {line}"


@pytest.mark.parametrize("name", ["playlist.json", "playlist.csv"])
def test_files_cut_short_or_of_bytes_are_one_line(tmp_path: Path, name: str) -> None:
    """Wherever a file is cut, unless after a whole row of the table, one line tells."""
    write_playlist(tmp_path, example(reference="LP01"))
    path = tmp_path / name
    whole = path.read_bytes()
    for end in range(0, len(whole) - 1, 7):
        path.write_bytes(whole[:end])
        if (
            name.endswith("csv")
            and end > len(HEADER) + 9
            and whole[:end].rstrip().endswith((b",yes", b",no"))
        ):
            assert len(read_playlist(path).entries) < len(whole.splitlines())
            continue
        with pytest.raises(BenchError) as told:
            read_playlist(path)
        assert len(str(told.value).splitlines()) == 1
        assert str(path) in str(told.value)
    for content in (b"\xff\xfe", b"\0", b"[" * 100_000, b"[]"):
        path.write_bytes(content)
        with pytest.raises(BenchError, match="playlist"):
            read_playlist(path)


def test_no_file_a_folder_and_another_ending(tmp_path: Path) -> None:
    (tmp_path / "a.json").mkdir()
    for name, reason in (
        ("none.csv", r"cannot be read \(No such file or directory\)"),
        ("a.json", r"cannot be read \(Is a directory\)"),
        ("list.txt", r"must end in \.csv or \.json"),
    ):
        with pytest.raises(BenchError, match=reason):
            read_playlist(tmp_path / name)


def test_a_place_that_cannot_be_written_costs_nothing(tmp_path: Path) -> None:
    """The table's place is a folder: the other file stays as it was, too."""
    made = example()
    (tmp_path / "playlist.csv").mkdir()
    (tmp_path / "playlist.json").write_text("mine", "utf-8")
    with pytest.raises(OutputError, match=r"playlist\.csv: cannot be written \(Is a directory\)"):
        write_playlist(tmp_path, made)
    assert (tmp_path / "playlist.json").read_text("utf-8") == "mine"


def test_a_table_alone_is_not_written_as_a_whole() -> None:
    with pytest.raises(ValueError, match="table only"):
        whole_text(Playlist(None, example().entries))
