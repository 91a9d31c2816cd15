"""A bench file with some keys changed: only they change.  Common practice, no source."""

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from hypothesis import example, given
from hypothesis import strategies as st

from maskforge import bench as benches
from maskforge.base.errors import BenchError
from maskforge.bench.edit import moved_paths, toml_value, with_keys

TEXT = """\
# a bench

[light]
wavelength_nm = 1310.0
waist_mm = 1.16   # measured # twice
offset_mm = [0.0,   # x
  0.1]  # y

# about the panel
[modulator]  # the new one
preset = "a#b" # not a comment
"pitch_um" = 15.0
[lens]
focal_length_mm = 8.0"""

Changes = dict[tuple[str, str], Any]


def test_values_change_in_place_and_comments_stay() -> None:
    changes: Changes = {
        ("light", "waist_mm"): 2.0,
        ("light", "offset_mm"): [0.5, -0.25],
        ("modulator", "preset"): "c",
        ("modulator", "pitch_um"): 12.5,
        ("lens", "focal_length_mm"): 9.0,
    }
    wanted = (
        TEXT.replace("1.16   #", "2.0    #")
        .replace("[0.0,   # x\n  0.1]  # y", "[0.5, -0.25] # y")
        .replace('"a#b" #', '"c"   #')
        .replace("15.0", "12.5")
        .replace("8.0", "9.0")
    )
    assert with_keys(TEXT, changes) == wanted


def test_keys_come_and_go() -> None:
    changes: Changes = {
        ("light", "waist_mm"): None,
        ("light", "waist_x_mm"): 1.5,
        ("lens", "offset_mm"): (1, 2),
        ("design", "carrier_period_px"): 6.0,
        ("targets", "labels"): None,
    }
    wanted = (
        TEXT.replace("waist_mm = 1.16   # measured # twice\n", "")
        .replace("# y\n", "# y\nwaist_x_mm = 1.5\n")
        .replace("focal_length_mm = 8.0", "focal_length_mm = 8.0\noffset_mm = [1, 2]\n")
    )
    assert with_keys(TEXT, changes) == wanted + "\n[design]\ncarrier_period_px = 6.0\n"


def test_line_ends_stay() -> None:
    found = with_keys(TEXT.replace("\n", "\r\n"), {("light", "waist_mm"): 2, ("light", "a"): 1})
    assert found.count("\n") == found.count("\r\n") == TEXT.count("\n") + 1


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("light = { waist_mm = 1.0, a = 1 } # x\n", "light = { waist_mm = 2.0, a = 1 } # x\n"),
        ("light.waist_mm = 1.0 # x\n", "light.waist_mm = 2.0 # x\n"),
        (
            'note = """\n[light]\nwaist_mm = 5\n"""\n[light]\nwaist_mm = 1.0\n',
            'note = """\n[light]\nwaist_mm = 5\n"""\n[light]\nwaist_mm = 2.0\n',
        ),
        ("[light]\nwaist_mm.x = 1.0\n", "[light]\nwaist_mm = 2.0\n"),
        (
            "[light.b]\nc = 4\n[light]\nwaist_mm = 1\n",
            "[light.b]\nc = 4\n[light]\nwaist_mm = 2.0\n",
        ),
    ],
)
def test_a_key_is_found_however_it_is_written(text: str, wanted: str) -> None:
    assert with_keys(text, {("light", "waist_mm"): 2.0}) == wanted


@pytest.mark.parametrize("text", ["[[light]]\nwaist_mm = 1.0\n", "light = 3\n"])
def test_what_is_no_section_is_not_changed(text: str) -> None:
    with pytest.raises(BenchError, match=r"^lab\.toml: light: must be a section, \[light\]$"):
        with_keys(text, {("light", "waist_mm"): 2.0}, "lab.toml")


def test_text_that_is_no_toml() -> None:
    with pytest.raises(BenchError, match=r"lab\.toml: line 1.*not TOML"):
        with_keys("[light", {("light", "waist_mm"): 2.0}, "lab.toml")


KEYS = st.sampled_from([("light", "waist_mm"), ("light", "new"), ("lens", "x"), ("fresh", "y")])
VALUES = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(10**9), 10**9),
    st.floats(-1e300, 1e300),
    st.text(st.characters(exclude_categories=["Cs"]), max_size=8),
    st.lists(st.floats(-1e6, 1e6), max_size=3),
    st.dictionaries(st.sampled_from(["4", "11", "a b"]), st.floats(-1, 1), max_size=3),
)


@given(st.dictionaries(KEYS, VALUES, max_size=4))
@example({("light", "waist_mm"): "\x7f"})
def test_the_new_text_says_what_was_asked(changes: Changes) -> None:
    wanted = tomllib.loads(TEXT)
    for (section, key), value in changes.items():
        if value is None:
            wanted.get(section, {}).pop(key, None)
        else:
            wanted.setdefault(section, {})[key] = value
    found = with_keys(TEXT, changes)
    assert tomllib.loads(found) == wanted
    # no line of another key is another one
    names = [f"{key} =" for _, key in changes]
    lines = filter(None, TEXT.splitlines())
    kept = [line for line in lines if not any(name in line for name in names)]
    assert [line for line in found.splitlines() if line in kept] == kept


def test_tables_are_written_on_one_line() -> None:
    assert toml_value({4: 0.05, "11": -1.0}) == '{ "4" = 0.05, "11" = -1.0 }'


def test_paths_follow_to_another_folder(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    tifffile.imwrite(tmp_path / "a" / "beam.tif", np.ones((8, 8), dtype=np.float32))
    raw = {
        "light": {"wavelength_nm": 1310.0, "image": "beam.tif", "image_pixel_um": 10.0},
        "modulator": {"pixels": [64, 64], "pitch_um": 15.0, "alphabet": "binary"},
        "lens": {"focal_length_mm": 4.0},
        "fiber": {"preset": "six-mode-graded"},
    }
    bench = benches.from_dict(raw, "lab.toml", tmp_path / "a")
    assert moved_paths(bench, tmp_path / "a") == {}
    assert moved_paths(bench, tmp_path / "b") == {("light", "image"): "../a/beam.tif"}
