"""The page of a set: its pictures against the full model, its text, and what it must not hold."""

import base64
import csv
import json
import re
from collections.abc import Iterator
from dataclasses import replace
from html.parser import HTMLParser
from io import BytesIO
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
import pytest
from PIL import Image

import maskforge as mf
from maskforge import bench as benches
from maskforge.base.errors import BenchError
from maskforge.cli import main as cli
from maskforge.launch.basis import sampled
from maskforge.launch.couplings import couplings, facet_field, prepare
from maskforge.launch.fourier import axis
from maskforge.launch.light import Light
from maskforge.launch.modulator import (
    Background,
    Carrier,
    Modulator,
    binary,
    continuous,
    emitted,
    levels,
)
from maskforge.launch.setup import Setup
from maskforge.report.figures.style import INTENSITY, PHASE
from maskforge.report.page.bench_sketch import bar_of, beam_axes, facet, mask_plane
from maskforge.report.page.colour_maps import STEPS
from maskforge.report.page.light_bar import NAMES
from maskforge.report.page.page import css_text
from maskforge.report.page.palette_png import (
    BRIGHT,
    CYCLE,
    SIGNED,
    bright,
    cycle,
    png,
    signed,
)
from maskforge.report.page.purity_by_group import group_rows, groups_in, name_of, strip_of
from maskforge.report.page.set_page import page_of_set
from maskforge.report.page.thumbnails import (
    Camera,
    averages,
    averages_of,
    camera_of,
    facet_samples,
    factors_of,
    field_seen,
    mask_picture,
    mode_shots,
    shot_of,
)
from maskforge.sets.reading import read_set
from tests.benches import FOCAL_LENGTH, MASK_WAIST, beam, parabola

NONE = np.zeros(6, dtype=np.complex128)
"""Couplings of a mask whose kept field is not looked at."""

BENCH: dict[str, dict[str, Any]] = {
    "light": {"wavelength_nm": 1310.0, "waist_mm": 1.16},
    "modulator": {"pixels": [64, 60], "pitch_um": 60.0, "alphabet": "binary"},
    "lens": {"focal_length_mm": 8.0},
    "fiber": {"preset": "six-mode-graded"},
    "targets": {"orientations": 2},
    "design": {"method": "simple", "purity": 0.9},
}

HOSTILE = "<script>alert(1)</script>"


def designed(folder: Path, **sections: dict[str, Any]) -> mf.Result:
    """Designs the masks of BENCH with some sections replaced, and writes them as a set."""
    bench = benches.from_dict(BENCH | sections, "page")
    result = mf.design(bench)
    result.write(folder)
    return result


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[mf.Result, Path]:
    folder = tmp_path_factory.mktemp("sets") / "six modes"
    return designed(folder), folder


@pytest.fixture
def result(made: tuple[mf.Result, Path]) -> mf.Result:
    return made[0]


@pytest.fixture
def folder(made: tuple[mf.Result, Path]) -> Path:
    return made[1]


class Reader(HTMLParser):
    """Tags with their attributes, the text of each element kind, and the rows of #list."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text: dict[str, str] = {}
        self.rows: list[list[str]] = []
        self.open: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self.open.append(tag)
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th") and self.rows:
            self.rows[-1].append("")

    def handle_endtag(self, tag: str) -> None:
        while self.open and self.open.pop() != tag:
            pass

    def handle_data(self, data: str) -> None:
        inside = self.open[-1] if self.open else ""
        self.text[inside] = self.text.get(inside, "") + data
        if {"td", "th"} & set(self.open) and self.rows and self.rows[-1]:
            self.rows[-1][-1] += data

    def values(self, key: str) -> Iterator[str]:
        """Values of an attribute, wherever it is."""
        for _, attributes in self.tags:
            if attributes.get(key):
                yield attributes[key] or ""


def read(content: str) -> Image.Image:
    """A data URL's picture."""
    kind, data = content.split(",")
    assert kind == "data:image/png;base64"
    return Image.open(BytesIO(base64.b64decode(data)))


def indices(content: str) -> np.ndarray[Any, Any]:
    """Indices into the palette, row 0 on top."""
    return np.asarray(read(content))


# --- pictures --------------------------------------------------------------------------------


def test_the_palettes_are_those_of_the_figures() -> None:
    """The plotting library's own colours, at the places of the steps."""
    power, turn = np.linspace(0, 1, STEPS), np.arange(STEPS) / STEPS
    for name, places, palette in ((INTENSITY, power, BRIGHT), (PHASE, turn, CYCLE)):
        wanted = mpl.colormaps[name](places, bytes=True)
        np.testing.assert_array_equal(palette.colours[-STEPS:], wanted)


@pytest.mark.parametrize("palette", [BRIGHT, CYCLE, SIGNED])
def test_a_picture_read_back_by_another_program(palette: Any) -> None:
    noise = np.random.default_rng(1).integers(0, len(palette.colours), (13, 7)).astype(np.uint8)
    found = Image.open(BytesIO(png(noise, palette)))
    assert found.mode == "P"
    np.testing.assert_array_equal(np.asarray(found), noise)
    np.testing.assert_array_equal(np.asarray(found.convert("RGBA")), palette.colours[noise])
    assert png(noise, palette) == png(noise, palette)


def test_steps_of_the_colours() -> None:
    np.testing.assert_array_equal(bright(np.array([-1.0, 0, 1, 2])), [0, 0, STEPS - 1, STEPS - 1])
    assert cycle(np.array(0.0)) == cycle(np.array(2 * np.pi)) == cycle(np.array(-1e-9)) == 1
    np.testing.assert_array_equal(cycle(np.array([np.pi, -np.pi])), 1 + STEPS // 2)
    np.testing.assert_array_equal(signed(np.array([-1.0, 0, 1])), [0, STEPS, 2 * STEPS])
    assert SIGNED.colours[STEPS, 3] == 0
    assert CYCLE.colours[0, 3] == 0


def carried(**changes: Any) -> Camera:
    return camera_of(launched(**changes))


def launched(
    light: Light | None = None,
    carrier: Carrier | None = None,
    lens_offset: tuple[float, float] = (0.0, 0.0),
    **modulator: Any,
) -> Any:
    """A bench with pixels that are seen as such."""
    fiber, basis = parabola(3)
    given: dict[str, Any] = {"shape": (60, 64), "pitch": MASK_WAIST / 12, "alphabet": levels(16)}
    return prepare(
        Setup(
            light or beam(1.5),
            Modulator(**(given | {"fill_factor": 0.8} | modulator)),
            carrier or Carrier(),
            FOCAL_LENGTH,
            fiber,
            basis,
            lens_offset,
        )
    )


CASES: list[dict[str, Any]] = [
    {},
    {"alphabet": binary()},
    {"carrier": Carrier(5.0, 0.7), "gap_reflectance": 0.3},
    {"lens_offset": (4e-4, -2e-4), "crosstalk": 0.4},
    {
        "panel_shape": (90, 100),
        "at": (3, 20),
        "background": Background("checkerboard"),
        "light": beam(2.5, offset=(2e-4, 0.0)),
        "gap_reflectance": 0.2,
    },
]


@pytest.mark.parametrize("case", CASES)
def test_the_facet_is_that_of_the_full_model(case: dict[str, Any]) -> None:
    """Against `couplings.facet_field`, in double precision."""
    launch = launched(**case)
    camera, u = camera_of(launch), facet_samples(launch)
    states = np.random.default_rng(2).integers(0, launch.modulator.alphabet.size, (60, 64))
    factors = emitted(launch.modulator, states)
    expected = facet_field(launch, factors, u, u)
    single = factors.real.astype(np.float32) if launch.is_real else factors.astype(np.complex64)
    found = field_seen(camera, single)
    assert np.max(np.abs(found - expected)) < 3e-6 * np.max(np.abs(expected))
    power = np.abs(expected) ** 2
    share = power / power[np.hypot(u, u[:, None]) <= launch.core_radius].max()
    seen = couplings(launch, factors)
    shot = shot_of(camera, factors_of(camera, states.astype(np.uint16)), seen)
    wanted = np.clip(share, 0, 1)[::-1] * (STEPS - 1)
    assert np.max(np.abs(indices(shot.intensity) - wanted)) < 0.51
    kept = sum(c * mode for c, mode in zip(seen, sampled(launch.basis, u, u), strict=True))
    power = np.abs(kept) ** 2
    share = power / power[np.hypot(u, u[:, None]) <= launch.core_radius].max()
    wanted = np.clip(share, 0, 1)[::-1] * (STEPS - 1)
    assert np.max(np.abs(indices(shot.kept) - wanted)) < 0.51


def test_pictures_show_what_is_up_on_top() -> None:
    """A tilt that sends the light to +x and +y: bright in the right upper quarter."""
    launch = launched(alphabet=continuous(), fill_factor=1.0)
    step = launch.scale / (64 * launch.modulator.pitch)
    turns = 3 * step * (launch.x / launch.scale + 2 * launch.y[:, None] / launch.scale)
    states = launch.modulator.alphabet.nearest(np.exp(2j * np.pi * turns)).astype(np.uint16)
    camera = camera_of(launch)
    picture = indices(shot_of(camera, factors_of(camera, states), NONE).intensity)
    row, column = np.unravel_index(int(picture.argmax()), picture.shape)
    u = facet_samples(launch)
    assert u[column] == pytest.approx(3 * step, abs=u[1] - u[0])
    assert u[::-1][row] == pytest.approx(6 * step, abs=u[1] - u[0])


def test_faint_places_have_no_phase() -> None:
    shot = shot_of(carried(), np.ones((60, 64), dtype=np.float32), NONE)
    power, phase = indices(shot.intensity), indices(shot.phase)
    assert np.all(phase[power >= 2] > 0)
    assert np.all(phase[:3, :3] == 0)


@pytest.mark.parametrize("frequency", [0.0, 0.2, -0.13])
@pytest.mark.parametrize(("count", "block"), [(64, 1.0), (256, 2.0), (1080, 8.4375), (60, 1.0)])
def test_averages_take_a_tilt_out(count: int, block: float, frequency: float) -> None:
    """A tilt becomes 1 everywhere; what another order sends averages out over a fringe."""
    found = averages(count, block, frequency, smooth=True)
    pixels = axis(count, 1.0)
    tilt = np.exp(2j * np.pi * frequency * pixels)
    assert found.shape == (round(count / block), count)
    np.testing.assert_allclose(found @ tilt, 1, atol=1e-5)
    if frequency:
        inside = np.abs(axis(round(count / block), block)) < count / 2 - 1 / abs(frequency) - block
        for order in (-2, -1, 0):
            assert np.max(np.abs(found @ tilt**order)[inside]) < 0.12
    values = np.random.default_rng(1).standard_normal((count, 5))
    np.testing.assert_allclose(averages_of(found) @ values, found @ values, atol=1e-6)


@pytest.mark.parametrize("alphabet", [binary(), levels(256)])
def test_a_mask_is_shown_without_its_carrier(alphabet: Any) -> None:
    """Half of the mask at phase 0 and half at 180 deg, each with the carrier on it."""
    launch = launched(
        alphabet=alphabet, carrier=Carrier(5.0, 0.4), shape=(120, 128), pitch=MASK_WAIST / 24
    )
    u, v = Carrier(5.0, 0.4).frequency
    turns = u * axis(128, 1.0) + v * axis(120, 1.0)[:, None]
    wanted = np.exp(2j * np.pi * turns) * np.where(np.arange(128) < 64, 1, -1)
    states = alphabet.nearest(wanted)
    found = mask_picture(camera_of(launch), alphabet.values[states].astype(np.complex64))
    assert found.shape == (120, 128)
    left, right = found[8:-8, 8:56], found[8:-8, 72:-8]
    one, other = (np.exp(2j * np.pi * part.astype(float) / STEPS) for part in (left, right))
    assert abs(one.mean()) > 0.97
    assert abs(other.mean()) > 0.97
    assert abs(np.angle(-other.mean() / one.mean())) < np.deg2rad(5)


def test_pixels_without_a_common_phase_are_clear() -> None:
    """4 x 4 pixels an average: noise of 256 phases has none, one phase is seen."""
    launch = launched(alphabet=levels(256), shape=(512, 512), pitch=MASK_WAIST / 96)
    states = np.random.default_rng(3).integers(0, 256, (512, 512))
    states[256:] = 64
    found = mask_picture(camera_of(launch), launch.modulator.alphabet.values[states])
    assert found.shape == (128, 128)
    np.testing.assert_array_equal(found[:64], 1 + STEPS // 4)
    assert np.mean(found[64:] == 0) > 0.7


def test_modes_are_their_fields() -> None:
    fiber, basis = parabola(3)
    u = axis(49, 2 * 1.6 * fiber.profile.core_radius / 48)
    fields = sampled(basis, u, u)
    for field, content in zip(fields, mode_shots(basis, fiber.profile.core_radius), strict=True):
        found = (indices(content).astype(float) - STEPS)[::-1] / STEPS
        assert np.max(np.abs(found - field / np.max(np.abs(field)))) < 0.51 / STEPS


# --- sketch ----------------------------------------------------------------------------------


def test_the_modulator_is_to_scale() -> None:
    """Distances of the drawing over those of the bench are the same number everywhere."""
    light = beam(1.0, offset=(1e-4, -2e-4))
    launch = launched(light, panel_shape=(200, 150), at=(10, 120))
    found, pitch = mask_plane(launch, light), MASK_WAIST / 12
    scale = found.panel.width / (150 * pitch)
    assert found.panel.height / (200 * pitch) == pytest.approx(scale)
    assert found.masks[0].width / (64 * pitch) == pytest.approx(scale)
    assert found.masks[0].height / (60 * pitch) == pytest.approx(scale)
    assert (found.masks[0].x - found.panel.x) / (10 * pitch) == pytest.approx(scale)
    assert (found.masks[0].y - found.panel.y) / (120 * pitch) == pytest.approx(scale)
    assert found.beams[0].rx / light.waist[0] == pytest.approx(scale)
    middle = (
        found.masks[0].x + found.masks[0].width / 2,
        found.masks[0].y + found.masks[0].height / 2,
    )
    assert (found.beams[0].x - middle[0]) / 1e-4 == pytest.approx(scale)
    assert (found.beams[0].y - middle[1]) / 2e-4 == pytest.approx(scale)
    length, unit = found.bar.text.split()
    assert unit == "mm"
    assert found.bar.width / (float(length) * 1e-3) == pytest.approx(scale)
    assert not found.alone


def test_the_facet_is_to_scale() -> None:
    """lambda f/pitch wide, the order +1 at lambda f/(period pitch), a spot of lambda f/(pi w)."""
    light, pitch = beam(1.5), MASK_WAIST / 12
    launch = launched(light, Carrier(2.5, np.deg2rad(30)))
    found, scale_m = facet(launch, light), launch.scale
    scale = found.field.width / (scale_m / pitch)
    away = scale_m / (2.5 * pitch)
    assert (found.plus.x - found.zero.x) / (away * np.cos(np.pi / 6)) == pytest.approx(scale)
    assert (found.zero.y - found.plus.y) / (away * 0.5) == pytest.approx(scale)
    assert found.zero.x - found.minus.x == pytest.approx(found.plus.x - found.zero.x)
    assert found.zero.rx / (scale_m / (np.pi * light.waist[0])) == pytest.approx(scale)
    assert found.core.rx / launch.core_radius == pytest.approx(scale)
    assert found.carried
    assert found.zero_in_view is None
    assert facet(launched(light), light).zero_in_view is not None


def test_a_measured_beam_by_its_moments() -> None:
    """The picture of an ellipse turned by 30 deg gives its own radii, angle and centre."""
    x = axis(201, 0.02)
    cos, sin = np.cos(np.pi / 6), np.sin(np.pi / 6)
    across, up = x - 0.3, (x - 0.1)[:, None]
    first, second = (across * cos + up * sin) / 1.0, (up * cos - across * sin) / 0.6
    picture = np.exp(-2 * (first**2 + second**2))
    light = Light(1e-6, image=picture, image_pitch=0.02e-3, offset=(1e-3, 0.0))
    one, other, angle, centre = beam_axes(light)
    assert (one, other) == pytest.approx((1e-3, 0.6e-3), rel=1e-3)
    assert angle % np.pi == pytest.approx(np.pi / 6, abs=1e-3)
    assert centre == pytest.approx((1.3e-3, 0.1e-3), rel=1e-3)


@pytest.mark.parametrize("per_metre", [3.0e4, 1.7e5, 9.9e5])
def test_bars_are_round_lengths(per_metre: float) -> None:
    found = bar_of(per_metre, 1e-3, "mm")
    assert re.fullmatch(r"0*\.?0*[125]0* mm", found.text)
    assert 25 < found.width < 80


# --- groups ----------------------------------------------------------------------------------


def test_groups_of_targets(result: mf.Result) -> None:
    found = [groups_in(result.launch.basis, target) for target in result.ready.targets]
    assert found == [(1,), (2,), (2,), (3,), (3,), (3,)]
    assert name_of((1, 3)) == "1 + 3"
    assert name_of(()) == "?"


def test_rows_of_groups(result: mf.Result, folder: Path) -> None:
    records = read_set(folder).masks
    rows = group_rows(records, [(1,), (2,), (2,), (3,), (3,), (3,)])
    assert [(row.groups, row.count) for row in rows] == [((1,), 1), ((2,), 2), ((3,), 3)]
    third = sorted(mask.purity for mask in result.masks[3:])
    assert rows[2].purity == (third[0], third[1])
    assert rows[2].loss[0] == max(mask.loss_db for mask in result.masks[3:])
    strip = strip_of(records, [(1,), (2,), (2,), (3,), (3,), (3,)], 0.9)
    assert [dot.index for dot in strip.dots] == list(range(6))
    order = np.argsort([-mask.purity for mask in result.masks], kind="stable")
    heights = [strip.dots[index].y for index in order]
    assert heights == sorted(heights)


# --- the page --------------------------------------------------------------------------------


def test_the_table_is_the_manifests(result: mf.Result, folder: Path) -> None:
    """Every mask's figures, rounded."""
    page = Reader(page_of_set(read_set(folder)))
    rows = [row for row in page.rows if len(row) == 9 and row[0] == ""]
    assert len(rows) == len(result.masks) == 6
    for row, mask in zip(rows, result.masks, strict=True):
        assert row[1:4] == [str(mask.found.index), mask.label, f"{mask.orientation:g}"]
        assert float(row[5].rstrip(" !")) == pytest.approx(100 * mask.purity, abs=5.1e-5)
        assert row[5].endswith("!") == (not mask.reached)
        assert float(row[6]) == pytest.approx(100 * mask.group_purity, abs=5.1e-5)
        assert float(row[8]) == pytest.approx(mask.loss_db, abs=5.1e-4)


def test_where_the_light_goes(result: mf.Result, folder: Path) -> None:
    """Under each mask's pictures its budget: own and other orders in one, small shares left out."""
    text = page_of_set(read_set(folder))
    bars = re.findall(r'<span class="light".*?</span>', text, re.DOTALL)
    for bar, mask in zip(bars, result.masks, strict=True):
        parts = dict(re.findall(r'class="to-(\w+)" style="width:([\d.]+)%"', bar))
        budget = mask.budget
        assert budget.order is not None
        shares = {name: getattr(budget, name) or 0.0 for name in NAMES}
        shares["other_orders"] += budget.order
        for name, share in shares.items():
            assert float(parts.get(name, 0)) == pytest.approx(100 * share, abs=0.06), name
        assert f"target {100 * budget.target:.1f} %" in bar


def test_the_launch_matrix_is_coupling_csv(folder: Path) -> None:
    data = json.loads(script(page_of_set(read_set(folder))))
    with (folder / "coupling.csv").open(newline="") as file:
        rows = list(csv.reader(file))
    assert data["modes"] == rows[0][3:]
    shares = np.array([[float(cell) for cell in row[3:]] for row in rows[1:]])
    expected = 10 * np.log10(np.maximum(shares, 1e-12))
    assert np.max(np.abs(np.array(data["table"]) - expected)) < 0.0501
    assert data["groups"] == [1, 2, 2, 3, 3, 3]


def script(text: str) -> str:
    """The block of data."""
    found = re.search(r'<script type="application/json" id="data">(.*?)</script>', text, re.DOTALL)
    assert found is not None
    return found[1]


def test_nothing_is_fetched(folder: Path) -> None:
    """No address outside the page, in tags, styles or script; every picture is one."""
    text = page_of_set(read_set(folder))
    page = Reader(text)
    pictures = [*page.values("src"), *(link for link in page.values("href") if link[0] != "#")]
    assert len(pictures) == 6 + 4 * 6 + 1
    for content in pictures:
        read(content).load()
    # two slashes in a picture are no address
    rest = re.sub(r"data:image/png;base64,[A-Za-z0-9+/=]*", "", text).replace("http-equiv", "")
    assert not re.search(r"https?:|//[a-z]|@import|url\((?!#)", rest)
    assert next(page.values("http-equiv")) == "Content-Security-Policy"
    assert next(page.values("content")).startswith("default-src 'none'; img-src data:")


def test_the_same_set_gives_the_same_bytes(result: mf.Result, folder: Path) -> None:
    """From its files alone, with the bench that it was designed on, and again."""
    first = page_of_set(read_set(folder))
    assert first == page_of_set(read_set(folder))
    assert first == page_of_set(read_set(folder), result.ready)
    assert "<title>page – set of masks</title>" in first
    assert str(folder.parent) not in first


def test_text_is_only_text(tmp_path: Path) -> None:
    """Names of targets, of the set and cells of a table: shown, never run."""
    weights = {"LP01": [1.0, 0.0], "LP21 sin": [1.0, 90.0]}
    targets = {
        "family": "superposition",
        "superpositions": [
            {"name": HOSTILE, "weights": weights},
            {"name": "b", "weights": weights},
        ],
    }
    designed(tmp_path / "set", targets=targets)
    rows = [[HOSTILE, '"><img src=x onerror=alert(1)>']]
    table = json.dumps({"columns": [HOSTILE, "b"], "rows": rows})
    (tmp_path / "set" / "tolerance.json").write_text(table, "utf-8")
    text = page_of_set(replace(read_set(tmp_path / "set"), name=f'{HOSTILE}*/}}"\\'))
    assert HOSTILE not in text
    assert "onerror=alert(1)>" not in text.replace("onerror=alert(1)&gt;", "")
    page = Reader(text)
    assert [tag for tag, _ in page.tags].count("script") == 2
    assert HOSTILE in page.text["title"]
    assert HOSTILE in page.text["h1"]
    assert sum(HOSTILE in cell for row in page.rows for cell in row) == 3
    data = json.loads(script(text))
    assert data["masks"][0][1] == HOSTILE
    assert [mask[2] for mask in data["masks"]] == ["1 + 3", "1 + 3"]


def test_text_in_a_style_sheet() -> None:
    """Every character but letters and digits as its code point."""
    assert css_text('a"\\\n</style>é') == r"a\000022\00005c\00000a\00003c\00002fstyle\00003e\0000e9"


def test_masks_that_fell_short_are_told(folder: Path, result: mf.Result) -> None:
    missed = [mask for mask in result.masks if not mask.reached]
    assert 0 < len(missed) < 6
    text = page_of_set(read_set(folder))
    assert f"{len(missed)} of 6 masks did not reach the purity asked for" in text
    assert "Short of the purity asked for" in text
    assert "No carrier: the launch lies on the axis" in text


def test_what_the_bounds_hold_for_is_told(folder: Path, tmp_path: Path) -> None:
    """With crosstalk they are against the disc; without a bound nothing is said of it."""
    words = "the bounds are against the disc of the largest amplitude"
    blurred = BENCH["modulator"] | {"crosstalk_px": 0.3}
    aims = {"labels": ["LP01"]}
    designed(tmp_path / "dual", modulator=blurred, targets=aims, design={"purity": 0.9})
    designed(tmp_path / "simple", modulator=blurred, targets=aims)
    text = page_of_set(read_set(tmp_path / "dual"))
    assert words in text
    assert "with the asked purity loses less, whatever the overall phase" in text
    for other in (tmp_path / "simple", folder):
        text = page_of_set(read_set(other))
        assert words not in text
        assert "least loss" not in text


def test_the_cautions_are_on_it(folder: Path, tmp_path: Path) -> None:
    assert "IEC 60825-1" in page_of_set(read_set(folder))
    light = BENCH["light"] | {"power_mw": 500.0}
    panel = BENCH["modulator"] | {"damage_mw_per_mm2": 20.0}
    designed(tmp_path / "strong", light=light, modulator=panel)
    text = page_of_set(read_set(tmp_path / "strong"))
    assert "above damage_mw_per_mm2 = 20" in text
    assert "500 mW, at its peak " in text


def test_a_table_of_tolerances_beside_the_set(folder: Path, tmp_path: Path) -> None:
    assert "Tolerances" not in page_of_set(read_set(folder))
    place = copied(folder, tmp_path)
    table = {"columns": ["error", "sigma"], "rows": [["focus", 0.25], ["tilt", None]]}
    (place / "tolerance.json").write_text(json.dumps(table), "utf-8")
    page = Reader(page_of_set(read_set(place)))
    assert ["focus", "0.25"] in page.rows
    assert ["tilt", "–"] in page.rows


def copied(folder: Path, to: Path) -> Path:
    place = to / "set"
    place.mkdir()
    for file in folder.iterdir():
        (place / file.name).write_bytes(file.read_bytes())
    return place


@pytest.mark.parametrize(
    ("content", "told"),
    [
        ("null", 'must be {"columns"'),
        ("[1, 2]", 'must be {"columns"'),
        ('{"columns": [], "rows": []}', 'must be {"columns"'),
        ('{"columns": ["a"], "rows": 3}', 'must be {"columns"'),
        ('{"columns": ["a"], "rows": [["x", "y"]]}', r"rows\[0\] = .*: must be a list of 1"),
        ('{"columns": ["a"], "rows": [[{}]]}', r"rows\[0\]"),
        ('{"columns": ["a"', "is not JSON"),
        ("[" * 100_000, "is not JSON"),
        (" " * 2_000_000, r"cannot be read \(2000000 bytes; at most 1048576 are read\)"),
    ],
)
def test_a_bad_table_of_tolerances(folder: Path, tmp_path: Path, content: str, told: str) -> None:
    place = copied(folder, tmp_path)
    (place / "tolerance.json").write_text(content, "utf-8")
    with pytest.raises(BenchError, match=rf"tolerance\.json: {told}") as caught:
        page_of_set(read_set(place))
    assert "\n" not in str(caught.value)


def test_files_that_do_not_go_together(folder: Path, tmp_path: Path) -> None:
    place = copied(folder, tmp_path)
    whole = (place / "masks.tif").read_bytes()
    (place / "masks.tif").write_bytes(whole[: len(whole) // 2])
    with pytest.raises(BenchError, match=r"masks\.tif"):
        page_of_set(read_set(place))
    (place / "masks.tif").write_bytes(whole)
    np.savez(place / "coupling.npz", couplings=np.zeros((5, 6), complex))
    with pytest.raises(BenchError, match=r"coupling\.npz: .* shape \(6, 6\)"):
        page_of_set(read_set(place))
    np.savez(place / "coupling.npz", couplings=np.full((6, 6), complex(np.nan)))
    with pytest.raises(BenchError, match=r"coupling\.npz: .* finite"):
        page_of_set(read_set(place))
    (place / "coupling.npz").write_bytes(b"PK")
    with pytest.raises(BenchError, match=r"coupling\.npz: cannot be read"):
        page_of_set(read_set(place))
    (place / "coupling.npz").unlink()
    with pytest.raises(BenchError, match=r"coupling\.npz: no such file"):
        page_of_set(read_set(place))
    content = json.loads((place / "manifest.json").read_text("utf-8"))
    content["modes"].pop()
    (place / "manifest.json").write_text(json.dumps(content), "utf-8")
    with pytest.raises(BenchError, match=r"manifest\.json: modes: are not the 6"):
        page_of_set(read_set(place))


def test_a_mask_that_launches_nothing(folder: Path, tmp_path: Path) -> None:
    """Its loss has no number, and the script's data stay JSON."""
    place = copied(folder, tmp_path)
    content = json.loads((place / "manifest.json").read_text("utf-8"))
    content["masks"][1] |= {"efficiency": 0.0, "purity": 0.0, "bound": 0.0, "group_purity": 0.0}
    (place / "manifest.json").write_text(json.dumps(content), "utf-8")
    text = page_of_set(read_set(place))

    def never(word: str) -> float:
        raise AssertionError(word)

    data = json.loads(script(text), parse_constant=never)
    assert data["masks"][1][6:8] == [None, None]
    row = next(row for row in Reader(text).rows if row[:3] == ["", "1", "LP11"])
    assert row[5:9] == ["0.0000 !" if row[5].endswith("!") else "0.0000", "0.0000", "−inf", "–"]


def test_245_masks_make_a_small_page(folder: Path) -> None:
    """What each mask takes, 245 times, leaves 3.5 MB room for the rest."""
    text = page_of_set(read_set(folder))
    row = re.search(r'<tr id="m0".*?</tr>', text, re.DOTALL)
    assert row is not None
    assert 245 * len(row[0]) < 3e6
    whole = sum(len(row) for row in re.findall(r'<tr id="m.*?</tr>', text, re.DOTALL))
    assert len(text) - whole < 2e5


def test_the_command(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: Any
) -> None:
    place = copied(folder, tmp_path)
    monkeypatch.chdir(tmp_path)
    assert cli.main(["report", "set"]) == 0
    said = capsys.readouterr().out
    assert re.match(r"6 masks, 0\.0\d+ MB: set/report\.html\n\nNext: ", said)
    text = (place / "report.html").read_text("utf-8")
    assert text == page_of_set(read_set(place))
    assert cli.main(["report", "set", "--out", "lab book.html"]) == 0
    assert (tmp_path / "lab book.html").read_text("utf-8") == text
    assert cli.main(["report", "set", "--out", "nowhere/page.html"]) == 2
    assert "nowhere/page.html: cannot be written" in capsys.readouterr().err
    assert cli.main(["report", "nothing"]) == 2
    assert "nothing: no such folder" in capsys.readouterr().err
    (place / "coupling.npz").unlink()
    assert cli.main(["report", "set"]) == 2
    assert (place / "report.html").read_text("utf-8") == text
