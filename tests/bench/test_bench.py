"""The bench file: what loads, what is built from it, and that every mistake is one clear line."""

import json
import math
import pickle
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from maskforge import bench as benches
from maskforge.base.errors import BenchError
from maskforge.bench import Bench, files
from maskforge.bench.ready import guided_basis
from maskforge.bench.sections import SECTIONS
from maskforge.fiber import SILICA, germania_doped, germania_fraction, solve
from maskforge.launch import basis as fields
from maskforge.launch import light as optics
from maskforge.launch.fourier import axis as _axis_of

Edit = Callable[[dict[str, Any]], None]


def plain() -> dict[str, Any]:
    """A bench without presets, in dictionaries."""
    return {
        "light": {"wavelength_nm": 1550.0, "waist_mm": 1.8, "power_mw": 2.0},
        "modulator": {
            "pixels": [512, 512],
            "pitch_um": 15.0,
            "fill_factor": 0.92,
            "alphabet": "binary",
        },
        "lens": {"focal_length_mm": 16.0},
        "fiber": {"profile": "power-law", "core_radius_um": 25.0, "alpha": 2.0, "na": 0.2},
        "targets": {"labels": ["LP01", "LP21"], "orientations": 3},
        "design": {"method": "simple"},
    }


def made(folder: Path = Path(), /, **sections: dict[str, Any]) -> Bench:
    """The plain bench with keys of sections replaced; None takes a key away."""
    raw = plain()
    for name, keys in sections.items():
        raw[name] = raw.get(name, {}) | keys
    return benches.from_dict(raw, "bench.toml", folder)


def complaint(folder: Path = Path(), /, **sections: dict[str, Any]) -> str:
    """The one line that a mistake gives."""
    with pytest.raises(BenchError) as caught:
        made(folder, **sections)
    message = str(caught.value)
    assert len(message.splitlines()) == 1
    assert message.startswith("bench.toml: ")
    return message


# --- files and names -------------------------------------------------------------------------

TOML = """
[light]
wavelength_nm = 1550.0
waist_mm = 1.8
[modulator]
preset = "binary-512"
[lens]
focal_length_mm = 16.0
[fiber]
preset = "gi50"
"""


def test_a_toml_file_loads_and_is_named_after_its_stem(tmp_path: Path) -> None:
    """Common practice, no source."""
    path = tmp_path / "my bench.toml"
    path.write_text(TOML)
    for given_as in (path, str(path)):
        bench = benches.load(given_as)
        assert bench.name == "my bench"
        assert bench.modulator.phase_step_deg == 180.0


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("few-mode-131O", 'no preset "few-mode-131O"; did you mean "few-mode-1310"?'),
        ("xyz", 'no preset "xyz"; there are "few-mode-1310"'),
        ("gi50", 'gi50: a fiber preset; a bench uses it by preset = "gi50" under [fiber]'),
        ("missing.toml", "missing.toml: no such file"),
        ("a/b\nc.toml", "a/b c.toml: no such file"),
    ],
)
def test_an_unknown_bench_is_one_line(name: str, expected: str) -> None:
    """Common practice, no source."""
    with pytest.raises(BenchError) as caught:
        benches.load(name)
    assert str(caught.value).startswith(expected)
    assert len(str(caught.value).splitlines()) == 1


def test_an_unknown_name_tells_that_a_path_works() -> None:
    """Common practice, no source."""
    with pytest.raises(BenchError, match=r"a path to a \.toml file works too"):
        benches.load("few-mode")


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b"[light]\nwavelength_nm 1550\n", "line 2, column 15: not TOML"),
        (b"[light]\nwaist_mm = 1\nwaist_mm = 2\n", "line 3, column 13: not TOML: Cannot overwrite"),
        (b"[light]\na = [1,\n", "line 2 (the end): not TOML"),
        (b"[light]\xff\n", "not UTF-8 text (byte 7)"),
        (b"a = " + b"[" * 100000, "not a TOML file"),
        (b"", "[light]: missing; a bench needs this section"),
        (b"[fibre]\na = 1\n", "[fibre]: no such section; did you mean [fiber]?"),
        (b"[zzz]\na = 1\n", "[zzz]: no such section; there are [light], [modulator]"),
        (b"pitch_um = 8\n", "pitch_um = 8: outside a section; it belongs under [modulator]"),
        (b"light = 3\n", "light = 3: must be a section, [light]"),
    ],
)
def test_a_file_that_is_no_bench_is_one_line(tmp_path: Path, content: bytes, expected: str) -> None:
    """Common practice, no source."""
    path = tmp_path / "bad.toml"
    path.write_bytes(content)
    with pytest.raises(BenchError) as caught:
        benches.load(path)
    assert str(caught.value).startswith(f"{path}: {expected}")
    assert len(str(caught.value).splitlines()) == 1


def test_a_folder_is_not_a_bench(tmp_path: Path) -> None:
    """Common practice, no source."""
    with pytest.raises(BenchError, match="cannot be read"):
        benches.load(tmp_path)


# --- one line for each mistake ---------------------------------------------------------------

MISTAKES: list[tuple[str, dict[str, Any], str]] = [
    ("light", {"wavelength_nm": 1.55}, "wavelength_nm = 1.55: must be a number from 200 to 3000 "
     "nm; did you mean 1550 (nm)?"),
    ("light", {"wavelength_nm": 1.55e-6}, "did you mean 1550 (nm)?"),
    ("light", {"waist_mm": 1800}, "waist_mm = 1800: must be a number from 0.01 to 100 mm; "
     "did you mean 1.8 (mm)?"),
    ("light", {"waist_mm": 0.0018}, "did you mean 1.8 (mm)?"),
    ("light", {"offset_mm": [100, 0]}, "offset_mm = [100, 0]: must be [x, y], each a number from "
     "-50 to 50 mm; did you mean 0.1 (mm)?"),
    ("lens", {"focal_length_mm": 0.016}, "did you mean 16 (mm)?"),
    ("modulator", {"pitch_um": 0.015}, "did you mean 15 (um)?"),
    ("fiber", {"core_radius_um": 25e-6}, "did you mean 25 (um)?"),
    ("light", {"wavelength_nm": "1550"}, "from 200 to 3000 nm, without quotes"),
    ("light", {"wavelength_nm": True}, "wavelength_nm = true: must be a number"),
    ("light", {"wavelength_nm": math.nan}, "wavelength_nm = NaN: must be a number"),
    ("light", {"wavelength_nm": 10**400}, "must be a number from 200 to 3000 nm"),
    ("light", {"wavelength_nm": None}, "wavelength_nm: missing; it must be a number from 200 to"),
    ("light", {"waist_mm": None}, "waist_mm: missing; give it, or waist_x_mm with waist_y_mm, or"),
    ("light", {"waist_x_mm": 1.0}, "waist_x_mm = 1.0: goes with waist_y_mm, which is missing"),
    ("light", {"waist_x_mm": 1.0, "waist_y_mm": 1.0}, "waist_x_mm = 1.0: goes without waist_mm"),
    ("light", {"angle_deg": 3}, "angle_deg = 3.0: goes with waist_x_mm"),
    ("light", {"image_pixel_um": 3}, "image_pixel_um = 3.0: goes with image"),
    ("light", {"wavelenght_nm": 1550, "wavelength_nm": None}, "wavelenght_nm = 1550: no such key; "
     "did you mean wavelength_nm?"),
    ("light", {"pitch_um": 8}, "pitch_um = 8: no such key; it belongs under [modulator]"),
    ("light", {"zernike": {"1": 0.1}}, "Noll index from 2 to 231"),
    ("light", {"zernike": {"4": 11}}, 'RMS from -10 to 10 waves; that of "4" is 11'),
    ("light", {"zernike": 4}, "zernike = 4: must be like"),
    ("light", {"zernike_radius_mm": 4}, "zernike_radius_mm = 4.0: goes with zernike"),
    ("light", {"waist_mm": 0.02}, "at least 0.03 mm (2 pixels)"),
    ("light", {"waist_mm": 6.0}, "of the beam's power falls on the mask of 7.68 x 7.68 mm; "
     "at least 86.5 % must"),
    ("light", {"offset_mm": [3.8, 0]}, "of the beam's power falls on the mask"),
    ("modulator", {"levels": 16}, 'levels = 16: goes with alphabet = "levels", here it '
     'is "binary"'),
    ("modulator", {"alphabet": "levels", "phase_step_deg": 180}, 'goes with alphabet = "binary"'),
    ("modulator", {"alphabet": "levels", "levels": 2, "depth_deg": 720},
     "depth_deg = 720.0: all states of the panel do the same to light of 1550 nm; some must"),
    ("modulator", {"phase_wavelength_nm": 3000, "phase_step_deg": 186},
     "phase_step_deg = 186.0: all states of the panel do the same to light of 1550 nm; some must"),
    ("modulator", {"alphabet": "continuous", "phase_wavelength_nm": 1550},
     'phase_wavelength_nm = 1550.0: goes with alphabet = "binary" or "levels" or "table", here'),
    ("modulator", {"alphabet": "table"}, "table: missing; alphabet"),
    ("modulator", {"alphabet": "binery"}, 'must be one of "binary", "levels", "table", '
     '"continuous"; did you mean "binary"?'),
    ("modulator", {"alphabet": 3}, "alphabet = 3: must be one of"),
    ("modulator", {"pixels": [512]}, "pixels = [512]: must be [columns, rows], each a whole number "
     "from 8 to 8192 pixels"),
    ("modulator", {"pixels": [512, 512.5]}, "pixels = [512, 512.5]: must be [columns, rows]"),
    ("modulator", {"pixels": None}, "pixels: missing; it must be [columns, rows]"),
    ("modulator", {"panel": [256, 256]}, "does not fit on a panel of 256 x 256 pixels"),
    ("modulator", {"fill_factor": 92}, "fill_factor = 92: must be a number from 0.1 to 1"),
    ("modulator", {"preset": "binary-521"}, 'did you mean "binary-512"?'),
    ("modulator", {"preset": 3}, "preset = 3: no modulator preset of this name"),
    ("fiber", {"profile": "step"}, 'alpha = 2.0: goes with profile = "power-law" or "trench", here '
     'it is "step"'),
    ("fiber", {"core_radius_um": None}, 'core_radius_um: missing; profile = "power-law" needs it'),
    ("fiber", {"na": None}, "core_index: missing; give it, or na, or delta_percent"),
    ("fiber", {"delta_percent": 1.0}, "delta_percent = 1.0: goes without na"),
    ("fiber", {"na": 0.7}, "na = 0.7: glass: index"),
    ("fiber", {"core_index": 1.5}, "core_index = 1.5: the other keys give 1.457"),
    ("fiber", {"cladding_index": 1.44, "na_wavelength_nm": 850}, "na_wavelength_nm = 850.0: goes "
     "with glass"),
    ("fiber", {"na": None, "core_index": 1.44, "cladding_index": 1.45}, "core index 1.44 must be "
     "above the cladding index 1.45"),
    ("fiber", {"profile": "trench"}, 'trench_inner_um: missing; profile = "trench" needs it'),
    ("fiber", {"profile": "trench", "trench_inner_um": 20, "trench_outer_um": 30,
     "trench_delta_index": -0.005}, "trench_inner_um = 20.0: must be at least core_radius_um, 25"),
    ("fiber", {"profile": "trench", "trench_inner_um": 26, "trench_outer_um": 26,
     "trench_delta_index": -0.005}, "trench_outer_um = 26.0: must be above trench_inner_um, 26 um"),
    ("fiber", {"profile": "trench", "trench_inner_um": 26, "trench_outer_um": 30,
     "trench_delta_index": 0.005}, "trench_delta_index = 0.005: must be a number from -0.1 to"),
    ("fiber", {"groups": 0}, "groups = 0: must be a whole number from 1 to 200"),
    ("fiber", {"glass": "fluoride"}, 'glass = "fluoride": must be one of "silica"'),
    ("targets", {"labels": ["LP20"]}, '"LP20" is not an LP label'),
    ("targets", {"labels": ["LP01", "LP01"]}, '"LP01" is given twice'),
    ("targets", {"labels": []}, 'labels = []: must be "all" or a list of labels'),
    ("targets", {"labels": [1]}, "every label must be text in quotes"),
    ("targets", {"labels": "LP01"}, 'must be "all" or a list'),
    ("targets", {"family": "lg", "orientations": None}, "label LP01: an LG label is LG, p, signed"),
    ("targets", {"family": "lg"}, 'orientations = 3: goes with family = "lp", here it is "lg"'),
    ("targets", {"lg_waist_um": 5}, 'goes with family = "lg"'),
    ("targets", {"family": "superposition", "orientations": None}, "superpositions: missing"),
    ("targets", {"orientations": 2.5}, "must be a whole number from 1 to 360 orientations"),
    ("design", {"method": "itfa"}, 'did you mean "ifta"?'),
    ("design", {"purity": 1.0}, "purity = 1.0: must be a number between 0.5 and 1"),
    ("design", {"carrier_period_px": 1.5}, "carrier_period_px = 1.5: must be 0 (on the axis) or "
     "from 2 pixels on; the pixels cannot show it"),
    ("design", {"carrier_period_px": 2}, "must be longer than 2 pixels along each axis"),
    ("design", {"seed": -1}, "seed = -1: must be a whole number from 0 to 4294967295"),
    ("design", {"bad\nkey": "a\nb"}, "no such key"),
]  # fmt: skip


@pytest.mark.parametrize(("section", "keys", "expected"), MISTAKES)
def test_a_mistake_is_one_line_with_section_key_value_and_rule(
    section: str, keys: dict[str, Any], expected: str
) -> None:
    """Common practice, no source."""
    assert expected in complaint(**{section: keys})


def test_the_line_names_file_section_key_value_range_and_unit() -> None:
    """Common practice, no source."""
    assert complaint(light={"wavelength_nm": 1.55}) == (
        "bench.toml: [light] wavelength_nm = 1.55: must be a number from 200 to 3000 nm; "
        "did you mean 1550 (nm)?"
    )


def test_a_lens_too_short_for_the_core_tells_which_does() -> None:
    """The facet's unambiguous half width is lambda f / (2 pitch) (sampling theorem)."""
    wide = {"core_radius_um": 100.0}
    message = complaint(fiber=wide, lens={"focal_length_mm": 1.5})
    assert "focal_length_mm = 1.5: pixels of 15 um leave 77.5 um of the facet, less than" in message
    assert "at least 1.94 mm" in message
    made(fiber=wide, lens={"focal_length_mm": 1.94})
    tilted = {"carrier_period_px": 4.0}
    message = complaint(fiber=wide, lens={"focal_length_mm": 3.0}, design=tilted)
    assert "beside a carrier of 4 pixels" in message
    made(fiber=wide, lens={"focal_length_mm": 3.88}, design=tilted)


@pytest.mark.parametrize(
    ("entries", "expected"),
    [
        (3, "superpositions = 3: must be a list of tables"),
        ([3], "superpositions[0] = 3: must be a table"),
        ([{"name": "a"}], "superpositions[0].weights: missing"),
        ([{"nmae": "a", "weights": {"LP01": [1, 0]}}], "no such key; did you mean name?"),
        ([{"name": "a", "weights": {"LP11": [1, 0]}}], '"LP11" needs " cos" or " sin"'),
        ([{"name": "a", "weights": {"LP01 cos": [1, 0]}}], '"LP01" (l = 0) stands alone'),
        ([{"name": "a", "weights": {"LPx": [1, 0]}}], '"LPx" is not an LP label'),
        ([{"name": "a", "weights": {"LP01": 1}}], 'that of "LP01" is 1'),
        ([{"name": "a", "weights": {"LP01": [-1, 0]}}], 'that of "LP01" is [-1, 0]'),
        ([{"name": "a", "weights": {"LP01": [0, 0]}}], "all its amplitudes are 0"),
        ([{"name": "a\nb", "weights": {"LP01": [1, 0]}}], "must be text on one line"),
        ([{"name": "a", "weights": {"LP01": [1, 0]}}] * 2, '"a" is given twice'),
    ],
)
def test_a_mistake_in_a_superposition_is_one_line(entries: object, expected: str) -> None:
    """Common practice, no source."""
    targets = {"family": "superposition", "superpositions": entries, "orientations": None}
    assert expected in complaint(targets=targets | {"labels": "all"})


# --- data files ------------------------------------------------------------------------------


def test_a_beam_image_is_read_with_y_up(tmp_path: Path) -> None:
    """Row 0 of a picture is its top (TIFF 6.0, orientation 1)."""
    picture = np.zeros((20, 30), dtype=np.float32)
    picture[2, 7] = 5.0
    tifffile.imwrite(tmp_path / "beam.tif", picture)
    Image.fromarray((picture * 50).astype(np.uint8)).save(tmp_path / "beam.png")
    np.savetxt(tmp_path / "beam.csv", picture, delimiter=",")
    for name in ("beam.tif", "beam.png", "beam.csv"):
        bench = made(tmp_path, light={"waist_mm": None, "image": name, "image_pixel_um": 100})
        beam = benches.light(bench)
        assert beam.image is not None
        assert beam.image.shape == (20, 30)
        assert np.argmax(beam.image) == 17 * 30 + 7
        assert beam.image_pitch == pytest.approx(1e-4)


@pytest.mark.parametrize(
    ("name", "content", "expected"),
    [
        ("none.tif", None, 'image = "none.tif": no such file'),
        ("bad.tif", b"II*\0garbled", "not a picture that can be read"),
        ("bad.png", b"\x89PNG garbled", "not a picture that can be read"),
        ("empty.tif", b"", "not a picture that can be read"),
        ("bad.csv", b"1,2\n3,x\n", 'line 2: "x" is not a finite number'),
        ("long.csv", b"1,2\n3,4,5\n", "line 2: 3 values, the first has 2"),
        ("byte.csv", b"1,\xff\n", "not a CSV file"),
        ("empty.csv", b"", "it holds no pixels"),
        ("line.csv", b"1,2\n", "at least 2 x 2 pixels is needed, this is 1 x 2"),
        ("dark.csv", b"0,0\n0,0\n", "not negative and not dark"),
        ("negative.csv", b"0,-1\n0,0\n", "not negative and not dark"),
    ],
)
def test_an_unusable_image_is_one_line_at_once(
    tmp_path: Path,
    caplog: pytest.LogCaptureFixture,
    name: str,
    content: bytes | None,
    expected: str,
) -> None:
    """Common practice, no source."""
    if content is not None:
        (tmp_path / name).write_bytes(content)
    light = {"waist_mm": None, "image": name, "image_pixel_um": 50}
    message = complaint(tmp_path, light=light)
    assert f'[light] image = "{name}": ' in message
    assert expected in message
    assert not caplog.records


def test_groups_that_are_not_guided(tmp_path: Path) -> None:
    """The line has the file, the section and the key."""
    bench = made(tmp_path, fiber={"groups": 20})
    with pytest.raises(BenchError) as told:
        guided_basis(bench)
    assert str(told.value).startswith(f"{bench.source}: [fiber] groups = 20, but only ")


def test_a_picture_of_too_many_pixels_is_not_read(tmp_path: Path) -> None:
    """By its header: 400 million floats are never made.  Tags by TIFF 6.0, sec. 2."""
    tags = ((256, 4, 20000), (257, 4, 20000), (258, 3, 32), (259, 3, 1), (262, 3, 1))
    tags += ((273, 4, 8), (277, 3, 1), (278, 4, 20000), (279, 4, 16), (339, 3, 3))
    entries = b"".join(struct.pack("<HHII", tag, kind, 1, value) for tag, kind, value in tags)
    head = b"II*\0" + struct.pack("<I", 24) + bytes(16) + struct.pack("<H", len(tags))
    (tmp_path / "beam.tif").write_bytes(head + entries + bytes(4))
    light = {"waist_mm": None, "image": "beam.tif", "image_pixel_um": 5}
    message = complaint(tmp_path, light=light)
    assert "20000 x 20000 pixels; at most 67108864 can be read" in message


@pytest.mark.parametrize("text", ["a." * 50000 + "a = 1", '["a".' + "'b'." * 40 + "c]"])
def test_a_key_of_many_parts_is_not_parsed(tmp_path: Path, text: str) -> None:
    """The parser's memory goes with their square."""
    (tmp_path / "deep.toml").write_text(f"# a comment\n{text}\n", "utf-8")
    with pytest.raises(BenchError, match="line 2: a key of more than 32 parts"):
        benches.load(tmp_path / "deep.toml")


@pytest.mark.parametrize("value", [1e308, 5e-324, 1e200])
def test_an_image_beyond_all_measure(tmp_path: Path, value: float) -> None:
    """Its sum, or the square of it, is no number."""
    np.savetxt(tmp_path / "beam.csv", np.full((9, 9), value), delimiter=",", fmt="%.17g")
    light = {"waist_mm": None, "image": "beam.csv", "image_pixel_um": 500}
    message = complaint(tmp_path, light=light)
    assert f"the beam image's largest value is {value:.3g}: must be from 1e-100 to" in message


@pytest.mark.parametrize(
    ("name", "text", "expected"),
    [
        ("greys.csv", "0,0\n1,180\n2,1e308\n", "each of its phases must be a number from -3600 to"),
        ("fiber.csv", "0,1.46\n1e200,1.45\n2e200,1.44\n", "the last of its radii r_um must be a"),
        ("fiber.csv", "0,1.46\n1e-200,1.45\n2e-200,1.44\n", "must ascend from 0, by 1e-09 um or"),
        ("fiber.csv", "0,1.46\n5e-324,1.45\n9,1.44\n", "must ascend from 0, by 1e-09 um or more"),
    ],
)
def test_a_table_beyond_all_measure(tmp_path: Path, name: str, text: str, expected: str) -> None:
    """Numbers of which a part of a degree, or a quotient, is no number any more."""
    (tmp_path / name).write_text(text, "utf-8")
    table: dict[str, dict[str, Any]] = {
        "greys.csv": {"modulator": {"alphabet": "table", "table": name}},
        "fiber.csv": {"fiber": {"profile": "table", "table": name, "na": None, "alpha": None}},
    }
    assert expected in complaint(tmp_path, **table[name])


@pytest.mark.parametrize("limit", ["MOST_ROWS", "MOST_NUMBERS"])
def test_a_grid_of_many_numbers_is_not_read_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, limit: str
) -> None:
    monkeypatch.setattr(files, limit, 8)
    np.savetxt(tmp_path / "beam.csv", np.ones((9, 9)), delimiter=",")
    light = {"waist_mm": None, "image": "beam.csv", "image_pixel_um": 500}
    place = {"MOST_ROWS": 9, "MOST_NUMBERS": 1}[limit]
    assert f"line {place}: at most " in complaint(tmp_path, light=light)


def test_colour_pictures_and_image_stacks_are_refused(tmp_path: Path) -> None:
    """Common practice, no source."""
    Image.new("RGB", (20, 20)).save(tmp_path / "colour.png")
    tifffile.imwrite(tmp_path / "stack.tif", np.ones((3, 20, 20)), photometric="minisblack")
    light = {"waist_mm": None, "image_pixel_um": 50}
    assert "in colour (mode RGB)" in complaint(tmp_path, light=light | {"image": "colour.png"})
    assert "this is 3 x 20 x 20" in complaint(tmp_path, light=light | {"image": "stack.tif"})
    assert "must be the path" in complaint(tmp_path, light=light | {"image": 3})
    missing = complaint(tmp_path, light={"waist_mm": None, "image": "stack.tif"})
    assert "image" in missing


def test_two_states_have_the_greys_that_the_bench_says() -> None:
    """0 and 255 where it says none; a set of an earlier version, which told none, had 0 and 1."""
    binary = {"alphabet": "binary"}
    greys = [
        benches.modulator(one).alphabet.greys.tolist()
        for one in (
            made(modulator=binary),
            made(modulator=binary | {"greys": [300, 7]}),
            benches.from_written(
                plain() | {"modulator": plain()["modulator"] | binary}, "b", Path()
            ),
        )
    ]
    assert greys == [[0, 255], [300, 7], [0, 1]]
    assert "greys = [3, 3]: the two states must have different greys" in complaint(
        modulator=binary | {"greys": [3, 3]}
    )
    assert 'goes with alphabet = "binary", here it is "levels"' in complaint(
        modulator={"alphabet": "levels", "greys": [0, 1]}
    )


def test_a_grey_table_becomes_the_alphabet(tmp_path: Path) -> None:
    """Phase in degrees and amplitude of each grey; common practice, no source."""
    (tmp_path / "t.csv").write_text("grey,phase_deg,amplitude\n0,0,1\n100,90,0.5\n255,180,1\n")
    bench = made(tmp_path, modulator={"alphabet": "table", "table": "t.csv"})
    alphabet = benches.modulator(bench).alphabet
    assert alphabet.greys.tolist() == [0, 100, 255]
    assert alphabet.values == pytest.approx(np.array([1, 0.5j, -1]))


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (
            "grey,phase\n0,0\n1,2\n",
            'line 1: "grey" is not a finite number (columns grey, phase_deg',
        ),
        ("0,0\n", "1 rows of numbers; at least 2"),
        ("0\n1\n", "1 columns, separated by commas; needed are grey, phase_deg[, amplitude]"),
        ("0,0\n0,1\n", "a grey value is given twice"),
        ("0,0\n0.5,1\n", "whole numbers from 0 to 65535"),
        ("0,0,1\n1,1,1.5\n", "amplitudes must be from 0 to 1"),
        ("0,0\n1,inf\n", 'line 2: "inf" is not a finite number'),
    ],
)
def test_an_unusable_grey_table_is_one_line(tmp_path: Path, text: str, expected: str) -> None:
    """Common practice, no source."""
    (tmp_path / "t.csv").write_text(text)
    message = complaint(tmp_path, modulator={"alphabet": "table", "table": "t.csv"})
    assert '[modulator] table = "t.csv": ' in message
    assert expected in message


def test_a_flatness_map_of_the_panel_is_cut_to_the_mask(tmp_path: Path) -> None:
    """`at` counts from the panel's top left; rows of the map are turned so that y is up."""
    waves = np.arange(600 * 520, dtype=np.float32).reshape(600, 520) / 4e5
    tifffile.imwrite(tmp_path / "flat.tif", waves)
    where = {"panel": [520, 600], "at": [3, 10], "flatness": "flat.tif"}
    flatness = benches.modulator(made(tmp_path, modulator=where)).flatness
    assert flatness is not None
    assert flatness[::-1] == pytest.approx(waves[10:522, 3:515])


def test_a_flatness_map_that_does_not_fit_is_one_line(tmp_path: Path) -> None:
    """Common practice, no source."""
    tifffile.imwrite(tmp_path / "small.tif", np.zeros((20, 30), dtype=np.float32))
    tifffile.imwrite(tmp_path / "whole.tif", np.zeros((512, 512), dtype=np.uint8))
    assert "30 x 20 pixels; it must have those of the mask, 512 x 512" in complaint(
        tmp_path, modulator={"flatness": "small.tif"}
    )
    assert "must be in waves" in complaint(tmp_path, modulator={"flatness": "whole.tif"})


def test_an_index_table_becomes_the_fibre(tmp_path: Path) -> None:
    """A table of a parabola gives the index of the parabola; common practice, no source."""
    r = np.linspace(0, 25, 200)
    n = np.sqrt(1.444**2 + 0.2**2 * (1 - (r / 25) ** 2))
    np.savetxt(tmp_path / "n.csv", np.c_[r, n], delimiter=",", header="r_um,n", comments="")
    fiber = {"profile": "table", "table": "n.csv", "core_radius_um": None, "alpha": None}
    bench = made(tmp_path, fiber=fiber | {"na": None})
    built = benches.fiber(bench)
    assert built.na == pytest.approx(0.2)
    assert built.profile.core_radius == pytest.approx(25e-6)
    assert built.profile.at(10e-6) == pytest.approx(1 - 0.4**2, abs=1e-4)
    again = benches.from_dict(benches.resolved(bench), "again", tmp_path)
    assert benches.indices(again) == benches.indices(bench)
    (tmp_path / "n.csv").write_text("r_um,n\n1,1.45\n2,1.44\n")
    assert "r_um must ascend from 0" in complaint(tmp_path, fiber=fiber | {"na": None})


# --- what is built ---------------------------------------------------------------------------


def test_lab_units_become_si() -> None:
    """The units in the keys' names."""
    bench = made(
        light={"waist_mm": None, "waist_x_mm": 1.0, "waist_y_mm": 2.0, "angle_deg": 90.0}
        | {"offset_mm": [0.1, -0.2], "curvature_per_m": 0.5, "zernike": {"4": 0.05}},
        modulator={"incidence_deg": 60.0, "damage_mw_per_mm2": 3.0, "panel": [600, 520]},
        design={"carrier_period_px": 6.0, "carrier_angle_deg": 90.0},
    )
    beam, panel = benches.light(bench), benches.modulator(bench)
    assert beam.wavelength == pytest.approx(1550e-9)
    assert beam.waist == pytest.approx((1e-3, 2e-3))
    assert beam.angle == pytest.approx(math.pi / 2)
    assert beam.offset == pytest.approx((1e-4, -2e-4))
    assert beam.power == pytest.approx(2e-3)
    assert beam.zernike == ((4, 0.05),)
    assert beam.zernike_radius == pytest.approx(256 * 15e-6)
    assert panel.shape == (512, 512)
    assert panel.panel == (520, 600)
    assert panel.pitch_seen == pytest.approx((7.5e-6, 15e-6))
    assert benches.carrier(bench).frequency == pytest.approx((0.0, 1 / 6))
    assert benches.focal_length(bench) == pytest.approx(16e-3)


def test_pixels_are_columns_then_rows() -> None:
    """Section 9 of the design: columns, rows; arrays are rows, columns."""
    assert benches.modulator(made(modulator={"pixels": [600, 500]})).shape == (500, 600)


def test_silica_glass_gives_the_na_at_its_wavelength() -> None:
    """NA of the core glass against silica; Sellmeier sources are with the glass."""
    bench = made(fiber={"na_wavelength_nm": 850.0})
    glass = germania_doped(germania_fraction(850e-9, math.hypot(SILICA.index(850e-9), 0.2)))
    built = benches.fiber(bench)
    assert built.core_index == pytest.approx(glass.index(1550e-9), abs=1e-12)
    assert built.core_group_index == pytest.approx(glass.group_index(1550e-9), abs=1e-12)
    assert built.cladding_group_index == pytest.approx(SILICA.group_index(1550e-9), abs=1e-12)


def test_delta_is_the_share_of_the_core_index() -> None:
    """Delta = (n1^2 - n2^2) / (2 n1^2), the usual definition (Snyder and Love, 1983, ch. 1)."""
    fixed = {"na": None, "delta_percent": 1.0, "cladding_index": 1.444}
    built = benches.fiber(made(fiber=fixed))
    assert built.delta == pytest.approx(0.01, rel=1e-12)
    assert built.core_group_index == built.core_index
    doped = benches.fiber(made(fiber={"na": None, "delta_percent": 1.0}))
    assert doped.delta == pytest.approx(0.01, rel=1e-12)


def test_a_trench_is_below_the_cladding_by_its_index() -> None:
    """n of the ring = cladding index + trench_delta_index, by the key's name."""
    ring = {"trench_inner_um": 27.0, "trench_outer_um": 31.0, "trench_delta_index": -0.005}
    built = benches.fiber(made(fiber={"profile": "trench"} | ring))
    square = built.cladding_index**2 + built.na**2 * float(built.profile.at(29e-6))
    assert math.sqrt(square) == pytest.approx(built.cladding_index - 0.005, abs=1e-12)


def test_targets_of_all_families() -> None:
    """Orientations 0, 60, 120 deg / l of an LP label; the rest common practice, no source."""
    weights = {"LP11 cos": [1.0, 0.0], "LP11 sin": [1.0, 90.0]}
    mixed = {"family": "superposition", "superpositions": [{"name": "ring", "weights": weights}]}
    lp = made()
    lg = made(targets={"family": "lg", "labels": ["LG0+1"], "orientations": None})
    ring = made(targets=mixed | {"labels": ["ring"], "orientations": None})
    basis = fields.basis_of(solve(benches.fiber(lp), groups=3))
    found = [(t.name, t.orientation) for t in benches.targets(lp, basis)]
    assert found == [("LP01", 0.0), ("LP21", 0.0), ("LP21", 30.0), ("LP21", 60.0)]
    (vortex,), (same,) = benches.targets(lg, basis), benches.targets(ring, basis)
    assert abs(np.vdot(vortex.vector, same.vector)) == pytest.approx(1.0, abs=1e-12)
    with pytest.raises(BenchError, match=r"bench.toml: \[targets\] labels = .*no guided mode LP91"):
        benches.targets(made(targets={"labels": ["LP91"]}), basis)


def test_power_above_the_limit_is_told() -> None:
    """Peak of a Gaussian beam, 2 P / (pi w^2) (Siegman, Lasers, 1986, sec. 17.1)."""
    limit = {"damage_mw_per_mm2": 0.3}
    warning = benches.power_warning(made(modulator=limit))
    assert warning is not None
    assert f"{2 * 2.0 / (math.pi * 1.8**2):.3g} mW/mm2" in warning
    assert len(warning.splitlines()) == 1
    assert benches.power_warning(made(modulator={"damage_mw_per_mm2": 0.4})) is None
    assert benches.power_warning(made()) is None


def test_the_share_on_the_mask_is_that_of_the_pixels() -> None:
    """Against the sum over the pixels of the illumination, for a turned ellipse off the centre."""
    ellipse = {"waist_mm": None, "waist_x_mm": 1.5, "waist_y_mm": 3.0, "angle_deg": 30.0}
    bench = made(light=ellipse | {"offset_mm": [0.5, -0.7]})
    axis = _axis_of(512, 15e-6)
    power = np.sum(np.abs(optics.illumination(benches.light(bench), axis, axis)) ** 2)
    assert benches.share_on_mask(bench) == pytest.approx(power * 15e-6**2, abs=3e-3)


# --- presets under sections, overrides, writing out ------------------------------------------


def test_a_section_starts_from_its_preset_and_overrides_keys() -> None:
    """Section 9 of the design; what an override makes void goes."""
    preset = {"profile": None, "core_radius_um": None, "alpha": None, "na": None}
    bench = made(fiber=preset | {"preset": "gi50", "delta_percent": 1.0, "groups": 5})
    assert (bench.fiber.na, bench.fiber.core_radius_um) == (None, 25.0)
    fixed = made(fiber=preset | {"preset": "gi50", "cladding_index": 1.444})
    assert fixed.fiber.glass is None
    step = made(fiber=preset | {"preset": "gi50", "profile": "step"})
    assert step.fiber.alpha is None
    panel = {"pixels": None, "pitch_um": None, "fill_factor": None}
    grey = made(modulator=panel | {"preset": "grey-1080", "alphabet": "binary"})
    assert (grey.modulator.levels, grey.modulator.panel) == (None, (1920, 1080))


def test_an_unknown_fibre_preset_names_the_nearest() -> None:
    """Common practice, no source."""
    message = complaint(fiber={"preset": "g50"})
    assert '[fiber] preset = "g50": no fiber preset of this name' in message
    assert 'did you mean "gi50"?' in message


def test_overrides_are_checked_like_the_file() -> None:
    """Common practice, no source."""
    bench = benches.load("gi50-1550", method="simple", labels=["LP01"], orientations=2)
    assert (bench.design.method, bench.targets.labels) == ("simple", ("LP01",))
    changed = benches.override(bench, labels="all", orientations=4, purity=0.99)
    assert (changed.targets.labels, changed.targets.orientations) == ("all", 4)
    assert changed.design.method == "simple"
    with pytest.raises(BenchError, match=r"gi50-1550: \[design\] method = \"x\": must be one of"):
        benches.load("gi50-1550", method="x")
    with pytest.raises(BenchError, match=r"orientations = 0"):
        benches.override(bench, orientations=0)


def with_everything(folder: Path) -> Bench:
    """A bench that uses files, Zernike terms, a trench and superpositions."""
    np.savetxt(folder / "beam.csv", np.ones((8, 9)), delimiter=",")
    np.savetxt(folder / "flat.csv", np.full((512, 512), 0.1), delimiter=",")
    (folder / "t.csv").write_text("0,0\n1,170\n")
    ring = {"trench_inner_um": 27.0, "trench_outer_um": 31.0, "trench_delta_index": -0.005}
    sums = [{"name": "a", "weights": {"LP11 cos": [1, 0], "LP01": [0.5, 90]}}]
    return made(
        folder,
        light={"waist_mm": None, "image": "beam.csv", "image_pixel_um": 500, "zernike": {"5": 0.1}},
        modulator={"alphabet": "table", "table": "t.csv", "flatness": "flat.csv"},
        fiber={"profile": "trench", "na_wavelength_nm": 850} | ring,
        targets={"family": "superposition", "superpositions": sums, "labels": "all"}
        | {"orientations": None},
    )


def test_a_bench_with_everything_is_written_out_and_read_again(tmp_path: Path) -> None:
    """Round trip, group indices included; common practice, no source."""
    bench = with_everything(tmp_path)
    written = benches.resolved(bench)
    again = benches.from_dict(json.loads(json.dumps(written)), "bench.toml", tmp_path)
    assert benches.resolved(again) == written
    assert benches.indices(again) == benches.indices(bench)
    assert benches.light(again).zernike == benches.light(bench).zernike
    assert again.targets == bench.targets
    assert benches.override(bench, purity=0.9).light == bench.light


def test_paths_can_be_written_relative_to_another_folder(tmp_path: Path) -> None:
    """Common practice, no source."""
    (tmp_path / "data").mkdir()
    (tmp_path / "out").mkdir()
    bench = with_everything(tmp_path / "data")
    written = benches.resolved(bench, tmp_path / "out")
    assert written["light"]["image"] == "../data/beam.csv"
    again = benches.from_dict(written, "bench.toml", tmp_path / "out")
    assert benches.indices(again) == benches.indices(bench)


def test_fixed_indices_are_written_out_and_read_again() -> None:
    """Round trip; common practice, no source."""
    for fixed in ({"na": None, "core_index": 1.46}, {"cladding_index": 1.444}):
        bench = made(fiber=fixed)
        again = benches.from_dict(benches.resolved(bench), "again")
        assert benches.fiber(again) == benches.fiber(bench)
        assert benches.resolved(again) == benches.resolved(bench)


def test_a_bench_is_frozen_and_can_be_pickled(tmp_path: Path) -> None:
    """Common practice, no source."""
    bench = with_everything(tmp_path)
    assert pickle.loads(pickle.dumps(bench)) == bench
    with pytest.raises(ValueError, match="frozen"):
        bench.design.purity = 0.9


# --- properties ------------------------------------------------------------------------------

NUMBERS = [
    ("light", "wavelength_nm", 400.0, 2500.0),
    ("light", "waist_mm", 0.1, 4.0),
    ("light", "curvature_per_m", -1000.0, 1000.0),
    ("light", "power_mw", 1e-6, 1e5),
    ("modulator", "fill_factor", 0.1, 1.0),
    ("modulator", "gap_reflectance", 0.0, 1.0),
    ("modulator", "phase_step_deg", 1.0, 359.0),
    ("modulator", "crosstalk_px", 0.0, 10.0),
    ("lens", "focal_length_mm", 2.0, 2000.0),
    ("fiber", "core_radius_um", 0.5, 500.0),
    ("fiber", "alpha", 0.5, 1000.0),
    ("fiber", "na", 0.01, 0.6),
    ("fiber", "groups", 1, 200),
    ("targets", "orientations", 1, 360),
    ("design", "purity", 0.5001, 0.9999),
    ("design", "carrier_period_px", 3.0, 1e4),
    ("design", "window_factor", 1.0, 4.0),
    ("design", "iterations", 1, 100000),
    ("design", "seed", 0, 2**32 - 1),
]


@given(data=st.data(), row=st.sampled_from(NUMBERS))
@settings(max_examples=150, deadline=None)
def test_any_value_in_range_loads_and_keeps_its_value(
    data: st.DataObject, row: tuple[str, str, float, float]
) -> None:
    """Common practice, no source."""
    section, key, low, high = row
    whole = isinstance(low, int)
    value = data.draw(st.integers(int(low), int(high)) if whole else st.floats(low, high))
    # a long lens, so that no core is too large for the facet
    lens = {"focal_length_mm": 400.0} if key != "focal_length_mm" else {}
    bench = made(**{"lens": lens, section: (lens if section == "lens" else {}) | {key: value}})
    assert getattr(getattr(bench, section), key) == value


def nested(inner: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    return st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=2)


SIMPLE = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8)
ANYTHING = st.recursive(SIMPLE, nested, max_leaves=5)
KEYS = sorted(
    {(section, key) for section, model in SECTIONS.items() for key in model.model_fields}
    | {("fiber", "preset"), ("modulator", "preset"), ("design", "unknown")}
)


def line_or_bench(folder: Path = Path(), /, **sections: dict[str, Any]) -> str | None:
    """None where a bench is made, else the error, which must be one line."""
    try:
        made(folder, **sections)
    except BenchError as error:
        line = str(error)
    else:
        return None
    assert len(line.splitlines()) == 1
    return line


@given(value=ANYTHING, row=st.sampled_from(KEYS))
@settings(max_examples=400, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_whatever_is_written_gives_a_bench_or_one_line(value: Any, row: tuple[str, str]) -> None:
    """Common practice, no source."""
    section, key = row
    line = line_or_bench(**{section: {key: value}})
    assert line is None or line.startswith("bench.toml: ")


@given(content=st.binary(max_size=60) | st.text(max_size=60).map(lambda text: text.encode()))
@settings(max_examples=100, deadline=None,
          suppress_health_check=[HealthCheck.function_scoped_fixture])  # fmt: skip
def test_whatever_a_file_holds_gives_one_line(tmp_path: Path, content: bytes) -> None:
    """Common practice, no source."""
    for name in ("x.toml", "x.csv", "x.tif", "x.png"):
        (tmp_path / name).write_bytes(content)
    with pytest.raises(BenchError) as caught:
        benches.load(tmp_path / "x.toml")
    assert len(str(caught.value).splitlines()) == 1
    for name in ("x.csv", "x.tif", "x.png"):
        line_or_bench(tmp_path, light={"waist_mm": None, "image": name, "image_pixel_um": 500})
