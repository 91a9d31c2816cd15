"""Packs of a set in open formats: round trips, other readers, and what is refused.

PNG and TIFF are read by Pillow, bit planes and packed bits by loops written here from the header's
own numbers.  Where a test names no source it is common practice.
"""

import hashlib
import json
import re
import shutil
import tracemalloc
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray
from PIL import Image

from maskforge import bench as benches
from maskforge.base.errors import BenchError
from maskforge.base.safety import BRIEF
from maskforge.bench import Bench
from maskforge.bench.ready import Prepared, prepared
from maskforge.launch.panel import mask_window
from maskforge.playing.formats import DEPTHS, PLANES, Layout, opened
from maskforge.playing.pack_header import PackHeader, read_pack
from maskforge.playing.packing import write_pack
from maskforge.playing.unpacking import pack_pictures
from maskforge.sets.designing import Finished, finished_masks
from maskforge.sets.reading import WrittenSet, pages, read_set
from maskforge.sets.writing import Head, write_set
from tests.commands import ran

Pixels = NDArray[np.unsignedinteger]

PANELS: dict[str, dict[str, Any]] = {
    "binary": {"alphabet": "binary", "panel": [151, 73]},
    "8 bits": {"alphabet": "levels", "levels": 200, "panel": [151, 73]},
    "16 bits": {"alphabet": "levels", "levels": 1000, "panel": [67, 64]},
    "whole panel": {"alphabet": "binary", "pixels": [61, 64]},
    "own greys": {"alphabet": "binary", "greys": [7, 3], "panel": [151, 73]},
}


def tiny(panel: str, *, at: tuple[int, int] | None = None, **targets: Any) -> Bench:
    """Three modes, about 64 x 64 pixels on a panel of odd width."""
    place = {} if at is None else {"at": list(at)}
    return benches.from_dict(
        {
            "light": {"wavelength_nm": 1310.0 if at is None else 1310.0 - at[0], "waist_mm": 1.16},
            "modulator": {"pixels": [64, 64], "pitch_um": 60.0, **PANELS[panel], **place},
            "lens": {"focal_length_mm": 8.0},
            "fiber": {"preset": "six-mode-graded", "groups": 2},
            "targets": {"labels": ["LP11"], "orientations": 2, **targets},
            "design": {"method": "simple", "carrier_period_px": 7.3, "carrier_angle_deg": 20.0},
        },
        "tiny",
    )


@cache
def designed(
    panel: str, orientations: int, at: tuple[int, int] | None = None
) -> tuple[Prepared, tuple[Finished, ...]]:
    ready = prepared(tiny(panel, at=at, orientations=orientations))
    return ready, tuple(finished_masks(ready))


def made(
    folder: Path, panel: str, orientations: int = 2, at: tuple[int, int] | None = None
) -> WrittenSet:
    """A finished set as a design run writes it."""
    ready, masks = designed(panel, orientations, at)
    folder.mkdir(parents=True)
    bench = benches.resolved(ready.bench, start=folder)
    launch = ready.launch
    write_set(folder, Head(folder, bench, launch.modulator, launch.basis, len(masks)), masks)
    return read_set(folder)


def packed(written: WrittenSet, kind: str, **more: Any) -> tuple[Path, PackHeader]:
    folder = written.folder.with_name(f"{written.folder.name}-{kind}")
    folder.mkdir()
    return folder, write_pack(folder, folder, written, kind, **more)


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


# --- other readers ---------------------------------------------------------------------------


def tiff_pages(folder: Path, header: dict[str, Any]) -> Iterator[Pixels]:
    for mask in header["masks"]:
        with Image.open(folder / mask["file"]) as image:
            image.seek(mask["page"])
            assert image.mode == {1: "1", 8: "L", 16: "I;16"}[header["bits"]]
            yield np.asarray(image).astype(np.uint16)


def png_files(folder: Path, header: dict[str, Any]) -> Iterator[Pixels]:
    for mask in header["masks"]:
        head = (folder / mask["file"]).read_bytes()[:26]
        # PNG, ISO/IEC 15948, 11.2.2: bit depth and colour type follow width and height
        assert list(head[24:26]) == [header["bits"], 0]
        with Image.open(folder / mask["file"]) as image:
            yield np.asarray(image).astype(np.uint16)


def bit_planes(folder: Path, header: dict[str, Any]) -> Iterator[Pixels]:
    order = header["order"]
    for mask in header["masks"]:
        with Image.open(folder / mask["file"]) as image:
            assert image.mode == "RGB"
            frame = np.asarray(image)
        channel = frame[:, :, order["channel_of_plane"][mask["plane"]]].astype(int)
        yield (channel // 2 ** order["bit_of_plane"][mask["plane"]] % 2).astype(np.uint16)


def packed_bits(folder: Path, header: dict[str, Any]) -> Iterator[Pixels]:
    columns, rows = header["pixels"]
    order = header["order"]
    for mask in header["masks"]:
        start = mask["offset_bytes"]
        content = (folder / mask["file"]).read_bytes()[start : start + order["mask_bytes"]]
        lines = np.frombuffer(content, np.uint8).reshape(rows, order["row_bytes"]).astype(int)
        step = 1 if order["first_pixel_bit"] == 0 else -1
        bits = order["first_pixel_bit"] + step * np.arange(8)
        every = (lines[:, :, None] // 2**bits % 2).reshape(rows, -1)
        assert not np.any(every[:, columns:])
        yield every[:, :columns].astype(np.uint16)


def array_rows(folder: Path, header: dict[str, Any]) -> Iterator[Pixels]:
    for mask in header["masks"]:
        table = np.load(folder / mask["file"])
        assert table.dtype == {8: np.uint8, 16: np.uint16}[header["bits"]]
        yield table[mask["page"]].astype(np.uint16)


OTHERS: dict[str, Callable[[Path, dict[str, Any]], Iterator[Pixels]]] = {
    "tiff": tiff_pages,
    "png": png_files,
    "planes": bit_planes,
    "bits": packed_bits,
    "numpy": array_rows,
}


def in_greys(header: dict[str, Any], pixels: Pixels) -> Pixels:
    """Where a pixel is one bit the header says which greys they are."""
    return pixels if header["greys"] is None else np.array(header["greys"])[pixels]


CASES = [
    (panel, kind, bits)
    for panel in PANELS
    for kind, depths in DEPTHS.items()
    for bits in (None, *depths)
    if not (panel in ("8 bits", "16 bits") and (bits == 1 or depths == (1,)))
    and not (panel == "16 bits" and bits == 8)
]


# --- round trips -----------------------------------------------------------------------------


@pytest.mark.parametrize(("panel", "kind", "bits"), CASES)
def test_a_pack_gives_the_pictures_back(
    tmp_path: Path, panel: str, kind: str, bits: int | None
) -> None:
    """By the reader here, by another one, and by the hash of the manifest."""
    written = made(tmp_path / "set", panel, 3)
    folder, header = packed(written, kind, bits=bits)
    content = json.loads((folder / "pack.json").read_text("utf-8"))
    expected = list(pages(written))
    found = list(pack_pictures(read_pack(folder)))
    other = [in_greys(content, one) for one in OTHERS[kind](folder, content)]
    assert len(found) == len(other) == len(expected) == 3
    for one, two, page, mask in zip(found, other, expected, content["masks"], strict=True):
        assert one.dtype == page.dtype == (np.uint16 if panel == "16 bits" else np.uint8)
        np.testing.assert_array_equal(one, page)
        np.testing.assert_array_equal(two, page)
        assert (
            hashlib.sha256(page.astype(page.dtype.newbyteorder("<")).tobytes()).hexdigest()
            == (mask["sha256"])
        )
    if bits is not None:
        assert content["bits"] == bits
    elif kind not in ("planes", "bits"):
        assert content["bits"] == 8 * expected[0].itemsize
    assert header.frames == (1 if kind == "planes" else 3)


@pytest.mark.parametrize("kind", DEPTHS)
def test_more_masks_than_a_frame_has_planes(tmp_path: Path, kind: str) -> None:
    """27 masks: two frames, and the planes that are left over are dark."""
    written = made(tmp_path / "set", "binary", 27)
    folder, header = packed(written, kind)
    content = json.loads((folder / "pack.json").read_text("utf-8"))
    others = OTHERS[kind](folder, content)
    for one, two, page in zip(
        pack_pictures(read_pack(folder)), others, pages(written), strict=True
    ):
        np.testing.assert_array_equal(one, page)
        np.testing.assert_array_equal(in_greys(content, two), page)
    if kind == "planes":
        assert header.frames == 2
        files = [mask.file for mask in header.masks]
        assert files == ["frame-0000.png"] * PLANES + ["frame-0001.png"] * 3
        with Image.open(folder / files[-1]) as image:
            frame = np.asarray(image)
        assert np.any(frame[..., 0])
        assert not np.any(frame[..., 0] >> 3)
        assert not np.any(frame[..., 1:])


@pytest.mark.parametrize("kind", DEPTHS)
def test_the_header_has_what_the_manifest_says(tmp_path: Path, kind: str) -> None:
    written = made(tmp_path / "set", "binary", 2)
    folder, header = packed(written, kind)
    content = json.loads((folder / "pack.json").read_text("utf-8"), parse_constant=pytest.fail)
    assert list(content)[:4] == ["format", "version", "as", "bits"]
    assert (content["format"], content["version"], content["as"]) == ("maskforge-pack", 1, kind)
    assert content["pixels"] == [151, 73]
    manifest = (written.folder / "manifest.json").read_bytes()
    assert content["source"] == {
        "folder": "set",
        "manifest_sha256": hashlib.sha256(manifest).hexdigest(),
    }
    for mask, record in zip(content["masks"], json.loads(manifest)["masks"], strict=True):
        for key in ("index", "target", "orientation_deg", "purity", "efficiency", "sha256"):
            assert mask[key] == record[key]
        assert (mask["page"] is None) == (kind not in ("tiff", "numpy"))
        assert (mask["plane"] is None) == (kind != "planes")
        assert (mask["offset_bytes"] is None) == (kind != "bits")
        assert (folder / mask["file"]).is_file()
    assert (content["order"] is None) == (kind not in ("planes", "bits"))
    assert vars(read_pack(folder).header) == vars(header)


@pytest.mark.parametrize("kind", DEPTHS)
def test_the_same_set_gives_the_same_bytes(tmp_path: Path, kind: str) -> None:
    """Whatever folder it lies in."""
    found = []
    for place in ("one", "two"):
        folder, _ = packed(made(tmp_path / place / "set", "binary", 2), kind)
        found.append(contents(folder))
    assert found[0] == found[1]
    assert len(found[0]) == {"png": 3}.get(kind, 2)


@pytest.mark.parametrize("count", [1, 3, 4])
@pytest.mark.parametrize("bits", DEPTHS["tiff"])
def test_pages_are_not_taken_for_colours(tmp_path: Path, count: int, bits: int) -> None:
    """Baseline TIFF 6.0: photometric interpretation 1 is BlackIsZero; 1 bit is the default."""
    written = made(tmp_path / "set", "binary", count)
    folder, _ = packed(written, "tiff", bits=bits)
    with tifffile.TiffFile(folder / "masks.tif") as file:
        assert not file.is_bigtiff
        assert len(file.pages) == count
        for page, record in zip(file.pages, written.masks, strict=True):
            assert isinstance(page, tifffile.TiffPage)
            assert page.tags["PhotometricInterpretation"].value == 1
            assert page.tags["SamplesPerPixel"].value == 1
            depth = page.tags.get("BitsPerSample")
            assert (1 if depth is None else depth.value) == bits
            assert page.tags["Compression"].value == 8
            assert page.tags["ImageDescription"].value == f"LP11 {record.orientation_deg:g} deg"


@pytest.mark.parametrize(("bits", "big"), [(1, False), (8, True), (16, True)])
def test_a_file_past_4_gib_has_wide_offsets(tmp_path: Path, bits: int, big: bool) -> None:
    """By the size that the pages will have; two of them are enough to see."""
    layout = Layout("tiff", bits, (73, 151), 2**32 // (73 * 151))
    with opened(tmp_path, layout, tmp_path) as append:
        for index in range(2):
            append(index, np.ones((73, 151), np.uint8), "LP01 0 deg")
    with tifffile.TiffFile(tmp_path / "masks.tif") as file:
        assert file.is_bigtiff == big
        assert np.all(file.pages[1].asarray() == 1)


def test_the_array_is_as_numpy_writes_it(tmp_path: Path) -> None:
    """Byte for byte what numpy's own writer makes of the whole array."""
    written = made(tmp_path / "set", "16 bits", 2)
    folder, _ = packed(written, "numpy")
    np.save(tmp_path / "whole.npy", np.array(list(pages(written)), dtype="<u2"))
    assert (folder / "masks.npy").read_bytes() == (tmp_path / "whole.npy").read_bytes()


@pytest.mark.parametrize("kind", DEPTHS)
def test_memory_does_not_grow_with_the_masks(tmp_path: Path, kind: str) -> None:
    """30 more pictures of 256 KiB would be 7.5 MiB."""
    peaks = []
    picture = np.zeros((512, 512), np.uint8)
    for count in (10, 40):
        folder = tmp_path / str(count)
        folder.mkdir()
        tracemalloc.start()
        try:
            layout = Layout(kind, DEPTHS[kind][0], picture.shape, count)
            with opened(folder, layout, folder) as append:
                for index in range(count):
                    append(index, picture, "LP01 0 deg")
            peaks.append(tracemalloc.get_traced_memory()[1])
        finally:
            tracemalloc.stop()
    assert peaks[1] - peaks[0] < 2**18


@pytest.mark.parametrize(
    ("name", "file"),
    [
        ("LP21 30 deg", "0007-LP21-30deg.png"),
        ("LP10,1 7.5 deg", "0007-LP10_1-7.5deg.png"),
        ("LG0+1 0 deg", "0007-LG0_1-0deg.png"),
        ("../s\u00fc\u00df*?: a\\b 0 deg", "0007-.._s_____-a_b-0deg.png"),
        ("x" * 90 + " 0 deg", f"0007-{'x' * 60}.png"),
    ],
)
def test_file_names_are_portable(tmp_path: Path, name: str, file: str) -> None:
    """Letters, digits, dot, underscore, hyphen: POSIX.1, portable filename character set."""
    with opened(tmp_path, Layout("png", 8, (9, 13), 8), tmp_path) as append:
        append(7, np.zeros((9, 13), np.uint8), name)
    assert [path.name for path in tmp_path.iterdir()] == [file]
    assert re.fullmatch(r"[A-Za-z0-9._-]+", file)


def test_ten_thousand_files_sort_in_play_order(tmp_path: Path) -> None:
    with opened(tmp_path, Layout("png", 8, (9, 13), 12000), tmp_path) as append:
        places = [append(i, np.zeros((9, 13), np.uint8), "a") for i in (2, 999, 11999)]
    names = [place.file for place in places]
    assert names == sorted(names)


# --- refused ---------------------------------------------------------------------------------


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize(
    ("arguments", "line"),
    [
        ("set", "error: Missing option '--as'."),
        ("none --as tiff", "error: none: no such folder; a set of masks is needed"),
        (
            "set --as tif",
            'error: --as = tif: must be one of "tiff", "png", "planes", "bits", "numpy"; '
            'did you mean "tiff"?',
        ),
        (
            "set --as ../x",
            'error: --as = ../x: must be one of "tiff", "png", "planes", "bits", "numpy"',
        ),
        (
            "set --as tiff --bits 12",
            "error: --bits = 12: must be 1 or 8 or 16 (bits a pixel) with --as tiff",
        ),
        (
            "set --as numpy --bits 1",
            "error: --bits = 1: must be 8 or 16 (bits a pixel) with --as numpy",
        ),
        ("set --as bits --bits 8", "error: --bits = 8: must be 1 (bits a pixel) with --as bits"),
        ("set --as tiff --bits nan", "error: --bits = nan: must be a whole number from 1"),
        (
            "set --as planes",
            "error: set/masks.tif: page 0: grey 199: must be 0 and 1 with --as planes and --bits 1",
        ),
        (
            "set --as png --bits 1",
            "error: set/masks.tif: page 0: grey 199: must be 0 and 1 with --as png and --bits 1",
        ),
        ("set --as tiff --out set", "error: --out = set: is the folder of a set; choose another"),
        ("set --as tiff --out set/../set", "error: --out = set/../set: is the folder of a set;"),
        ("set --as tiff --out mine", "error: mine: holds files but no pack of masks; choose an"),
        ("set --as tiff --out mine/note", "error: mine/note: is a file; a pack needs a folder"),
        ("set --as tiff --out .", "error: .: is, or holds, the current folder, and a pack's fold"),
        ("set --as tiff --beside none", "error: none: no such folder; a set of masks is needed"),
    ],
)
def test_bad_input(
    here: Path, capsys: pytest.CaptureFixture[str], arguments: str, line: str
) -> None:
    """One line, exit code 2, and nothing written."""
    made(here / "set", "8 bits", 1)
    (here / "mine").mkdir()
    (here / "mine" / "note").write_text("mine", "utf-8")
    before = sorted(here.rglob("*"))
    code, out, err = ran(capsys, f"pack {arguments}")
    assert (code, out) == (2, "")
    assert err.startswith(line)
    assert err.count("\n") == 1
    assert sorted(here.rglob("*")) == before


def test_sixteen_bits_do_not_fit_into_eight(tmp_path: Path) -> None:
    written = made(tmp_path / "set", "16 bits", 1)
    with pytest.raises(BenchError, match=r"page 0: grey \d+: must be 0 to 255 with --as numpy"):
        packed(written, "numpy", bits=8)


def rewritten(written: WrittenSet, pictures: list[Pixels]) -> None:
    with tifffile.TiffWriter(written.stack) as writer:
        for picture in pictures:
            writer.write(picture, photometric="minisblack", contiguous=False)


@pytest.mark.parametrize("kind", DEPTHS)
def test_a_changed_page_is_refused(
    here: Path, capsys: pytest.CaptureFixture[str], kind: str
) -> None:
    """One pixel of the last page; the line names the page and both hashes, an old pack stays."""
    written = made(here / "set", "binary", 3)
    assert ran(capsys, f"pack set --as {kind}")[0] == 0
    before = contents(here / f"set-{kind}")
    pictures = [page.copy() for page in pages(written)]
    pictures[2][72, 150] ^= 1
    rewritten(written, pictures)
    code, _, err = ran(capsys, f"pack set --as {kind}")
    found, listed = hashlib.sha256(pictures[2].tobytes()).hexdigest(), written.masks[2].sha256
    assert code == 2
    assert err == (
        "error: set/masks.tif: page 2: is not the page that manifest.json lists: its pixels have "
        f"sha256 {found}, the manifest says {listed}\n"
    )
    assert contents(here / f"set-{kind}") == before
    assert sorted(path.name for path in here.iterdir()) == ["set", f"set-{kind}"]


def changed(written: WrittenSet, place: int, values: dict[str, Any]) -> None:
    path = written.folder / "manifest.json"
    content = json.loads(path.read_text("utf-8"))
    content["masks"][place] |= values
    path.write_text(json.dumps(content), "utf-8")


@pytest.mark.parametrize(
    ("values", "line"),
    [
        ({"page": 0}, r"masks\[1\] page = 0: must be 1"),
        ({"index": 7}, r"masks\[1\] index = 7: must be 1"),
        ({"purity": float("nan")}, r"masks\[1\] purity = NaN: must be a finite number"),
        ({"efficiency": 1e400}, r"masks\[1\] efficiency = Infinity: must be a finite number"),
        ({"target": "\ud800"}, r"masks\[1\] target = .*: must be printable"),
        ({"sha256": "0\n"}, r"page 1: is not the page .* the manifest says 0$"),
    ],
)
def test_a_manifest_that_does_not_fit(tmp_path: Path, values: dict[str, Any], line: str) -> None:
    made_set = made(tmp_path / "set", "binary", 2)
    changed(made_set, 1, values)
    with pytest.raises(BenchError, match=line) as told:
        packed(read_set(made_set.folder), "png")
    assert "\n" not in str(told.value)


def test_pages_that_do_not_fit(tmp_path: Path) -> None:
    """Too many, too few, of another size, of another depth, damaged, none."""
    written = made(tmp_path / "set", "binary", 3)
    first, second, third = (page.copy() for page in pages(written))
    stack = written.stack
    for pictures, line in (
        ([first, second, third, first], "page 3: manifest.json lists 3 masks and pages only"),
        ([first, second], "has 2 pages, manifest.json lists 3 masks"),
        ([first, second.reshape(151, 73)], "page 1: size and bits a pixel must be those of page 0"),
        ([first, second.astype(np.uint16)], "page 1: size and bits a pixel must be those of"),
        ([first.astype(np.uint32)], "page 0: must be of 8 or 16 bits a pixel"),
    ):
        rewritten(written, pictures)
        with pytest.raises(BenchError, match=line):
            write_pack(tmp_path, tmp_path, written, "tiff")
    stack.write_bytes(stack.read_bytes()[:200])
    with pytest.raises(BenchError, match=r"masks\.tif: "):
        write_pack(tmp_path, tmp_path, written, "tiff")
    stack.unlink()
    with pytest.raises(BenchError, match=r"masks\.tif: no such file"):
        write_pack(tmp_path, tmp_path, written, "tiff")


def test_a_set_without_masks_is_refused(tmp_path: Path) -> None:
    written = made(tmp_path / "set", "binary", 1)
    empty = WrittenSet(written.folder, written.bench, written.modes, ())
    with pytest.raises(BenchError, match="masks: is empty"):
        packed(empty, "tiff")


# --- packs that are damaged ------------------------------------------------------------------


HEADERS: list[tuple[Callable[[dict[str, Any]], Any], str]] = [
    (lambda h: h.update(format="other"), "format = \"other\": must be 'maskforge-pack'"),
    (lambda h: h.update(version=2), "version = 2: must be 1"),
    (lambda h: h.update({"as": "film"}), 'as = "film": must be one of "tiff"'),
    (lambda h: h.update(bits=8), "bits = 8: must be 1"),
    (lambda h: h.update(bits=True), "bits = true: must be a valid integer"),
    (lambda h: h.update(picture_bits=12), "picture_bits = 12: must be 8 or 16"),
    (lambda h: h.update(pixels=[0, 73]), r"pixels\[0\] = 0: must be greater than or equal to 1"),
    (lambda h: h.update(pixels=[1e99, 73]), r"pixels\[0\] = 1e\+99: must be"),
    (
        lambda h: h.update(pixels=[150, 73]),
        "the header says 150 x 73|0: its pixels have sha256",
    ),
    (lambda h: h.update(order=None), "order: is not the one that version 1 has"),
    (lambda h: h.update(more=1), "more: no such key"),
    (lambda h: h.pop("source"), "source: missing"),
    (lambda h: h.update(masks=[]), r"masks = \[\]: "),
    (lambda h: h["masks"].reverse(), r"masks\[0\] index = 1: must be 0"),
    (lambda h: h["masks"][1].update(purity=float("nan")), r"masks\[1\].purity = NaN: must be"),
    (lambda h: h["masks"][1].update(file="../set/masks.tif"), "must be a name without a folder"),
    (lambda h: h["masks"][1].update(file="none"), "none: no such file"),
    (lambda h: h["masks"][1].update(sha256="0" * 64), "mask 1: its pixels have sha256"),
    (lambda h: h["masks"].pop(), ""),
]


@pytest.mark.parametrize("kind", ["planes", "bits"])
@pytest.mark.parametrize(("change", "line"), HEADERS)
def test_a_header_that_cannot_be(
    tmp_path: Path, kind: str, change: Callable[[dict[str, Any]], Any], line: str
) -> None:
    """One line that names the key; a mask fewer in the header is a smaller pack."""
    folder, _ = packed(made(tmp_path / "set", "binary", 2), kind)
    content = json.loads((folder / "pack.json").read_text("utf-8"))
    change(content)
    (folder / "pack.json").write_text(json.dumps(content), "utf-8")
    if not line:
        assert len(list(pack_pictures(read_pack(folder)))) == 1
        return
    with pytest.raises(BenchError, match=line) as told:
        list(pack_pictures(read_pack(folder)))
    assert "\n" not in str(told.value)


@pytest.mark.parametrize(
    ("content", "line"),
    [
        (b"", "is not JSON"),
        (b"{", "is not JSON"),
        (b"[]", r"header = \[\]: must be an object"),
        (b"\xff", "is not JSON"),
        (b"[" * 100000, "is not JSON"),
    ],
)
def test_a_header_that_is_none(tmp_path: Path, content: bytes, line: str) -> None:
    (tmp_path / "pack.json").write_bytes(content)
    with pytest.raises(BenchError, match=f"pack.json: {line}"):
        read_pack(tmp_path)
    with pytest.raises(BenchError, match="none: no such folder"):
        read_pack(tmp_path / "none")
    (tmp_path / "pack.json").unlink()
    with pytest.raises(BenchError, match=r"holds no pack\.json"):
        read_pack(tmp_path)


@pytest.mark.parametrize("kind", DEPTHS)
@pytest.mark.parametrize("damage", ["cut", "empty", "gone", "folder", "noise", "one bit"])
def test_a_damaged_file_is_told(tmp_path: Path, kind: str, damage: str) -> None:
    """Never a picture that is not the set's, never another error."""
    folder, header = packed(made(tmp_path / "set", "binary", 2), kind)
    path = folder / header.masks[-1].file
    content = path.read_bytes()
    path.unlink()
    if damage == "folder":
        path.mkdir()
    elif damage != "gone":
        noise = np.random.default_rng(3).bytes(len(content))
        middle = len(content) // 2
        flipped = content[:middle] + bytes([content[middle] ^ 16]) + content[middle + 1 :]
        path.write_bytes(
            {"cut": content[:-60], "empty": b"", "noise": noise, "one bit": flipped}[damage]
        )
    with pytest.raises(BenchError, match=re.escape(str(path))) as told:
        list(pack_pictures(read_pack(folder)))
    assert "\n" not in str(told.value)


def test_more_pages_than_listed_are_told(tmp_path: Path) -> None:
    folder, _ = packed(made(tmp_path / "set", "binary", 2), "tiff")
    content = json.loads((folder / "pack.json").read_text("utf-8"))
    del content["masks"][1]
    (folder / "pack.json").write_text(json.dumps(content), "utf-8")
    with pytest.raises(BenchError, match="mask 0: more pictures follow"):
        list(pack_pictures(read_pack(folder)))


# --- two sets --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("panel", "kind"),
    [("binary", kind) for kind in DEPTHS] + [("8 bits", kind) for kind in ("tiff", "png", "numpy")],
)
@pytest.mark.parametrize("others", [1, 3])
def test_two_masks_side_by_side(tmp_path: Path, panel: str, kind: str, others: int) -> None:
    """Every pixel comes from the set whose window it is in, around them from the first."""
    written = made(tmp_path / "set", panel, 3, (2, 4))
    other = made(tmp_path / "other", panel, others, (80, 9))
    folder, _ = packed(written, kind, other=other)
    content = json.loads((folder / "pack.json").read_text("utf-8"))
    own, beside = list(pages(written)), list(pages(other)) * (3 // others)
    records = other.masks * (3 // others)
    for index, picture in enumerate(pack_pictures(read_pack(folder))):
        assert not np.array_equal(picture, own[index])
        np.testing.assert_array_equal(picture[:, :80], own[index][:, :80])
        np.testing.assert_array_equal(picture[:, 144:], own[index][:, 144:])
        np.testing.assert_array_equal(picture[9:73, 80:144], beside[index][9:73, 80:144])
        np.testing.assert_array_equal(picture[:9], own[index][:9])
        mask = content["masks"][index]
        assert mask["sha256"] == hashlib.sha256(picture.tobytes()).hexdigest()
        assert mask["own_sha256"] == written.masks[index].sha256
        expected = ("target", "orientation_deg", "purity", "efficiency", "sha256")
        assert mask["beside"] == {key: getattr(records[index], key) for key in expected}
    assert [one["window"] for one in content["apertures"]] == [[2, 4, 64, 64], [80, 9, 64, 64]]
    assert [one["wavelength_nm"] for one in content["apertures"]] == [1308.0, 1230.0]
    assert [one["source"]["folder"] for one in content["apertures"]] == ["set", "other"]
    assert content["source"] == content["apertures"][0]["source"]


def test_windows_that_touch_do_not_overlap(tmp_path: Path) -> None:
    """Side by side without a gap is allowed, one shared column is not."""
    written = made(tmp_path / "set", "binary", 1, (2, 4))
    other = made(tmp_path / "touching", "binary", 1, (66, 4))
    window = mask_window(designed("binary", 1, (66, 4))[0].launch.modulator)
    assert window == (slice(4, 68), slice(66, 130))
    packed(written, "bits", other=other)
    overlapping = made(tmp_path / "over", "binary", 1, (65, 9))
    with pytest.raises(BenchError, match="must not overlap") as told:
        write_pack(tmp_path, tmp_path, written, "bits", other=overlapping)
    assert "columns 65 to 128 and rows 9 to 72" in str(told.value)
    assert "columns 2 to 65 and rows 4 to 67" in str(told.value)


@pytest.mark.parametrize(
    ("first", "second", "line"),
    [
        (("binary", 3), ("binary", 2), "2 masks beside 3 of .*; must be 3, or one mask"),
        (("binary", 1), ("binary", 2), "2 masks beside 1 of"),
        (("binary", 2), ("8 bits", 2), "greys of 8 bits; must be as those of .*, of 0 and 255"),
        (("binary", 2), ("16 bits", 2), "panel = 67 x 64 pixels; must be that of .*, 151 x 73"),
    ],
)
def test_sets_that_do_not_go_together(
    tmp_path: Path, first: tuple[str, int], second: tuple[str, int], line: str
) -> None:
    written = made(tmp_path / "set", *first, (2, 4))
    place = (80, 9) if second[0] != "16 bits" else (3, 0)
    other = made(tmp_path / "other", *second, place)
    with pytest.raises(BenchError, match=f"--beside .*{line}") as told:
        packed(written, "tiff", other=other)
    assert "\n" not in str(told.value)


@pytest.mark.parametrize("others", [1, 2])
def test_a_changed_page_of_the_other_set_is_refused(tmp_path: Path, others: int) -> None:
    written = made(tmp_path / "set", "binary", 2, (2, 4))
    other = made(tmp_path / "other", "binary", others, (80, 9))
    pictures = [page.copy() for page in pages(other)]
    pictures[-1][0, 0] ^= 1
    rewritten(other, pictures)
    with pytest.raises(BenchError, match=rf"other/masks\.tif: page {others - 1}: is not the page"):
        packed(written, "tiff", other=other)
    rewritten(other, [*list(pages(made(tmp_path / "x", "binary", others, (80, 9)))), pictures[0]])
    with pytest.raises(BenchError, match=rf"other/masks\.tif: page {others}: .* lists {others}"):
        write_pack(tmp_path, tmp_path, written, "tiff", other=other)


# --- the command -----------------------------------------------------------------------------


def test_the_command_packs_beside_the_set(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    made(here / "set", "binary", 27)
    code, out, err = ran(capsys, "pack set --as planes")
    assert (code, err) == (0, "")
    folder = here / "set-planes"
    assert sorted(contents(folder)) == ["frame-0000.png", "frame-0001.png", "pack.json"]
    size = sum(len(content) for content in contents(folder).values())
    cells = ["planes", "151", "x", "73", "1", "2", "3", str(size)]
    assert cells in [line.split() for line in out.splitlines()]
    assert "27 masks in set-planes" in out
    assert BRIEF in out
    first = "set-planes/frame-0000.png to frame-0001.png"
    assert out.endswith(
        f"\nNext: load {first} into the panel's player, then maskforge play set-planes\n"
    )


def test_the_set_may_be_the_current_folder(
    here: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    made(here / "set", "binary", 1)
    monkeypatch.chdir(here / "set")
    assert ran(capsys, "pack . --as bits")[0] == 0
    assert (here / "set-bits" / "masks.bin").is_file()


def test_an_earlier_pack_is_replaced_and_the_users_files_stay(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Files that only the earlier pack had are gone, whatever their format."""
    made(here / "set", "binary", 3)
    assert ran(capsys, "pack set --as png --out pack")[0] == 0
    (here / "pack" / "notes.txt").write_text("mine", "utf-8")
    (here / "pack" / "0000-mine.png").write_text("mine", "utf-8")
    assert len(contents(here / "pack")) == 6
    assert ran(capsys, "pack set --as tiff --bits 1 --out pack")[0] == 0
    assert sorted(contents(here / "pack")) == [
        "0000-mine.png", "masks.tif", "notes.txt", "pack.json",
    ]  # fmt: skip
    assert len(list(pack_pictures(read_pack(here / "pack")))) == 3


def test_a_pack_lies_nowhere_near_the_sets(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Neither of the two folders is written to; a set is no pack that may be replaced."""
    made(here / "set", "binary", 1, (2, 4))
    made(here / "other", "binary", 1, (80, 9))
    shutil.copytree(here / "set", here / "third")
    before = [contents(here / name) for name in ("set", "other", "third")]
    for out in ("set", "other", "third"):
        code, _, err = ran(capsys, f"pack set --as bits --beside other --out {out}")
        assert code == 2
        assert err.startswith(f"error: {'' if out == 'third' else '--out = '}{out}: ")
    code, out, _ = ran(capsys, "pack set --as bits --beside other")
    assert code == 0
    assert "2 to 65" in out
    assert "80 to 143" in out
    assert [contents(here / name) for name in ("set", "other", "third")] == before
