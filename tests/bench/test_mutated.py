"""A bench file changed anywhere, in any way, is a bench or one line that names it.

Common practice, no source: the files are good ones with lines changed, added, doubled, moved and
taken away, read as every command reads them.
"""

import json
import os
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from maskforge import bench as benches
from maskforge.base.errors import MaskforgeError
from maskforge.bench import Bench
from maskforge.bench.sections import SECTIONS

PRESETS = sorted((Path(__file__).parents[2] / "presets/benches").glob("*.toml"))

WHOLE: dict[str, dict[str, Any]] = {
    "light": {
        "wavelength_nm": [1290.0, 1310.0],
        "waist_x_mm": 0.9,
        "waist_y_mm": 0.8,
        "angle_deg": 20.0,
        "offset_mm": [0.1, 0.05],
        "curvature_per_m": 0.2,
        "power_mw": 2.0,
    },
    "modulator": {
        "pixels": [64, 48],
        "panel": [80, 60],
        "at": [3, 7],
        "pitch_um": 40.0,
        "fill_factor": 0.85,
        "gap_reflectance": 0.3,
        "incidence_deg": 10.0,
        "crosstalk_px": 0.2,
        "alphabet": "levels",
        "levels": 16,
        "depth_deg": 400.0,
    },
    "lens": {"focal_length_mm": 8.0, "offset_mm": [0.3, -0.2]},
    "fiber": {
        "profile": "trench",
        "core_radius_um": 5.0,
        "alpha": 2.0,
        "na": 0.14,
        "trench_inner_um": 7.0,
        "trench_outer_um": 10.0,
        "trench_delta_index": -0.004,
    },
    "targets": {"family": "lp", "labels": ["LP01"], "orientations": 2},
    "design": {"method": "dual", "purity": 0.9, "fiber_offset_um": [0.1, 0.1]},
}


def written(keys: dict[str, dict[str, Any]]) -> list[str]:
    """Lines of a bench file; numbers, words and lists are TOML as they are JSON."""
    out = []
    for section, values in keys.items():
        out += [f"[{section}]", *(f"{key} = {json.dumps(one)}" for key, one in values.items())]
    return [*out, "[light.zernike]", "4 = 0.05"]


GOOD = [written(WHOLE), *(path.read_text("utf-8").splitlines() for path in PRESETS)]

NAMES = sorted({key for model in SECTIONS.values() for key in model.model_fields} | {"preset"})

NUMBERS = [
    "0", "-0.0", "1", "-1", "2", "3", "0.5", "1e-6", "1e6", "1e16", "1e29", "1e154", "1e200",
    "1e308", "-1e308", "5e-324", "1e400", "nan", "-nan", "inf", "-inf", "4096", "8192", "65535",
    "65536", "0b1", "9223372036854775807", "9223372036854775808", "1" + "0" * 400,
    "0x7fffffffffffffff", "+1",
]  # fmt: skip

WORDS = [
    '""', '"x"', "'x'", '"' + "a" * 3000 + '"', r'"\u0000"', r'"\u202e\n x"', r'"\ud800"', '"é"',
    '"../../etc/passwd"', '"/dev/zero"', '"."', '"~"', '"lp"', '"LP01"', '"all"', '"dual"',
    '"gi50"', '"binary"', '"1e308"', '"nan"', '"NaN"', '"' + "LP" * 900 + '"',
    '"LP99999999999999999999,1"',
    '"""\n\n"""',
]  # fmt: skip

OTHERS = [
    "true", "false", "[]", "{}", "[[]]", "[{}]", "{a = 1}", "{a.b.c = 1}", "1979-05-27T07:32:00Z",
    "07:32:00", "[" * 400 + "]" * 400, '{"" = 1}', "{1 = nan}", "{4 = 1e308}", "{4 = 0.1, 5 = -2}",
    "{99999999999999999999 = 1}",
]  # fmt: skip

BROKEN = ["", "=", "[1", "[" * 400, "{" * 400, "#", "null", "{4 = 0.1, 4 = 0.2}", '"', "007", "1."]

TABLES = [
    "[light]", "[[light]]", "[x]", "[[x]]", "[light.zernike]", "[light.x]", "[a.b.c.d]", '[""]',
    "[", "[]", "[light", '["light"]', "[ light ]", "[fiber.preset]", "[" + "a." * 500 + "a]", "[é]",
    "['\\']", "[" + "x" * 5000 + "]", "[deviations]", "[device]",
]  # fmt: skip

PLAIN = st.sampled_from(NUMBERS + WORDS + OTHERS)
VALUE = st.one_of(
    PLAIN,
    st.sampled_from(NUMBERS),
    st.sampled_from(["0.9", "1.5", "2", "3", "8", "16", "0.02", "64", "[64, 64]", "[0.1, 0.2]"]),
    st.lists(PLAIN, max_size=4).map(lambda some: f"[{', '.join(some)}]"),
    st.floats().map(repr),
    st.integers().map(str),
    st.text(max_size=20).map(json.dumps),
    st.sampled_from(BROKEN) | st.text(max_size=12),
)
KEY = st.one_of(
    st.sampled_from(NAMES),
    st.sampled_from(["x" * 2500, '"a b"', "a.b", "zernike.4", "''", "é", "_", "a." * 300 + "a"]),
    st.text(max_size=8),
)
CHANGE = st.tuples(
    st.sampled_from(
        ["value"] * 12 + ["key", "add", "add", "table", "drop", "double", "cut", "move"]
    ),
    st.sampled_from([k / 97 for k in range(97)]),
    KEY,
    VALUE,
    st.sampled_from(TABLES),
)


def changed(lines: list[str], how: tuple[str, float, str, str, str]) -> list[str]:
    """The lines after one change at a place, 0 to 1."""
    kind, place, key, value, table = how
    if not lines:
        return lines
    at = int(place * len(lines))
    rest = [k for k, line in enumerate(lines) if "=" in line and not line.startswith("#")]
    if kind in ("value", "key", "double") and rest:
        at = rest[int(place * len(rest))]
    name, _, old = lines[at].partition("=")
    new = {
        "value": [f"{name}= {value}"],
        "key": [f"{key} ={old}"],
        "add": [lines[at], f"{key} = {value}"],
        "table": [lines[at], table],
        "drop": [],
        "double": [lines[at], lines[at]],
        "cut": [lines[at][: int(place * 40)]],
        "move": [],
    }[kind]
    moved = [lines[at]] if kind == "move" else []
    return [*moved, *lines[:at], *new, *lines[at + 1 :]]


MUTATED = st.builds(
    lambda lines, changes: "\n".join(_after(lines, changes)) + "\n",
    st.sampled_from(GOOD),
    st.lists(CHANGE, min_size=1, max_size=2),
)


def _after(lines: list[str], changes: list[tuple[str, float, str, str, str]]) -> list[str]:
    for change in changes:
        lines = changed(lines, change)
    return lines


def bench_or_line(path: Path, text: str) -> None:
    """Any other exception, and any warning, is a failure by itself."""
    path.write_bytes(text.encode("utf-8", "surrogatepass"))
    try:
        bench = benches.load(path)
    except MaskforgeError as error:
        line = str(error)
        assert len(line.splitlines()) == 1
        assert line.isprintable()
        assert line.startswith(f"{path}: ")
        assert len(line) < len(str(path)) + LONGEST
    else:
        assert isinstance(bench, Bench)
        assert benches.resolved(bench)


LONGEST = 600
"""Characters of a line beside the file's name."""


def run(folder: Path, examples: int) -> None:
    here = os.environ.get("MUTATED_EXAMPLES")

    @settings(
        max_examples=int(here or examples),
        deadline=None,
        derandomize=here is None,
        database=None,
        phases=[Phase.generate] if here is None else [Phase.generate, Phase.shrink],
        suppress_health_check=list(HealthCheck),
    )
    @given(text=MUTATED)
    def each(text: str) -> None:
        bench_or_line(folder / "my bench.toml", text)

    each()


def test_the_files_are_good(tmp_path: Path) -> None:
    for lines in GOOD:
        (tmp_path / "good.toml").write_text("\n".join(lines), "utf-8")
        assert benches.load(tmp_path / "good.toml").name == "good"


def test_a_changed_file_is_a_bench_or_one_line(tmp_path: Path) -> None:
    run(tmp_path, 40)


@pytest.mark.long
def test_many_changed_files(tmp_path: Path) -> None:
    run(tmp_path, 400)
