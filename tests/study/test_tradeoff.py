"""Purity against efficiency: points, their table and their figure."""

import io
from dataclasses import replace
from functools import cache
from itertools import combinations, pairwise
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image
from threadpoolctl import threadpool_limits

from maskforge import bench as benches
from maskforge.base.errors import BenchError
from maskforge.base.ranges import BadValueError
from maskforge.bench import Bench
from maskforge.bench.ready import Prepared, prepared
from maskforge.cli.option_values import words
from maskforge.cli.print_points import print_points
from maskforge.launch.couplings import predict
from maskforge.launch.modulator import Alphabet, binary, continuous, levels, table
from maskforge.methods.by_name import design
from maskforge.methods.problem import Problem
from maskforge.report import FORMATS
from maskforge.report.figures.style import COLOURS
from maskforge.report.figures.tradeoff import apart, tradeoff_figure
from maskforge.study import tradeoff
from maskforge.study.tradeoff import Point

ASKED = (0.8, 0.9, 0.99, 0.999)


def small(**changes: Any) -> Bench:
    """Six modes, 64 x 64 pixels, a carrier: the alphabets then differ."""
    sections: dict[str, dict[str, Any]] = {
        "light": {"wavelength_nm": 1310.0, "waist_mm": 0.6},
        "modulator": {"pixels": [64, 64], "pitch_um": 40.0, "alphabet": "binary"},
        "lens": {"focal_length_mm": 8.0},
        "fiber": {"preset": "six-mode-graded"},
        "targets": {},
        "design": {"carrier_period_px": 6.0, "carrier_angle_deg": 30.0},
    }
    return benches.from_dict({k: v | changes.get(k, {}) for k, v in sections.items()}, "small")


@cache
def ready() -> Prepared:
    return prepared(small())


@cache
def found() -> tuple[Point, ...]:
    launch = ready().launch
    target = tradeoff.target_of(ready().bench, launch.basis, "LP21", 30.0)
    choices = tradeoff.choices_of(["own", "4", "continuous"], launch.modulator.alphabet)
    return tradeoff.points(launch, target, choices, ASKED)


# --- points ----------------------------------------------------------------------------------


def test_every_alphabet_at_every_purity() -> None:
    names = [(point.alphabet, point.asked) for point in found()]
    assert names == [(name, p) for name in ("own", "4 levels", "continuous") for p in ASKED]


def test_less_purity_allows_more() -> None:
    """Fewer masks are as pure, so that the bound falls; 0.2 % for what the solver leaves open."""
    for name in ("own", "4 levels", "continuous"):
        bounds = [point.bound for point in found() if point.alphabet == name]
        for low, high in pairwise(bounds):
            assert high <= low * 1.002


def test_more_states_allow_more() -> None:
    """Two opposite states are among four, and those among all: the larger hull has more masks."""
    for asked in ASKED:
        two, four, every = (point.bound for point in found() if point.asked == asked)
        assert two <= four * 1.002
        assert four <= every * 1.002


def test_masks_stay_below_their_bound() -> None:
    for point in found():
        assert point.reached == (point.purity >= point.asked)
        assert not point.lowered
        assert point.bound_asked == point.bound
        assert point.gap == pytest.approx(1 - point.efficiency / point.bound, abs=1e-12)
        if point.reached:
            assert -1e-9 <= 1 - point.efficiency / point.bound < 0.1


def test_a_point_is_the_design_under_the_full_prediction() -> None:
    """The launch with another alphabet is the one of a bench that has it from the start."""
    bench = small(modulator={"alphabet": "levels", "levels": 4})
    launch = prepared(bench).launch
    target = tradeoff.target_of(bench, launch.basis, "LP21", 30.0)
    # one thread, as the trade-off does: the search ends a little elsewhere with another number
    with threadpool_limits(1):
        made = design(Problem(launch, target, 0.99), "dual")
    again = predict(launch, target, launch.modulator.alphabet.values[made.states])
    (point,) = (p for p in found() if (p.alphabet, p.asked) == ("4 levels", 0.99))
    assert point.bound == pytest.approx(made.bound, rel=1e-6)
    assert point.status == made.status
    assert point.efficiency == pytest.approx(again.efficiency, rel=1e-3)
    assert point.purity == pytest.approx(again.purity, abs=1e-3)


def test_with_crosstalk_too() -> None:
    """A bound of any phase, which sharper pixels come nearer to."""
    sharp, blurred = (
        tradeoff.points(
            (launch := prepared(bench := small(modulator={"crosstalk_px": pixels})).launch),
            tradeoff.target_of(bench, launch.basis, "LP21"),
            tradeoff.choices_of(["16"], launch.modulator.alphabet),
            (0.9,),
        )[0]
        for pixels in (0.0, 0.5)
    )
    assert blurred.efficiency < min(blurred.bound, sharp.efficiency)
    assert blurred.bound >= sharp.bound * (1 - 1e-6)


def test_what_is_out_of_reach_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    """States 40 deg apart on the axis: most of the light cannot be taken off LP01."""
    bench = small(modulator={"phase_step_deg": 40.0}, design={"carrier_period_px": 0.0})
    launch = prepared(bench).launch
    target = tradeoff.target_of(bench, launch.basis, "LP21")
    choices = tradeoff.choices_of(["own"], launch.modulator.alphabet)
    # the dual of a problem without a solution falls without end
    with np.errstate(over="ignore", invalid="ignore"):
        (point,) = tradeoff.points(launch, target, choices, (0.999,))
    assert not point.reached
    assert point.lowered
    assert point.bound_purity < 0.999
    assert point.bound_asked == 0
    print_points([point])
    lines = capsys.readouterr().out.splitlines()
    assert lines[3].split()[-1] == "!"
    assert lines[5] == "! 1 of 1 mask did not reach the asked purity:"
    assert lines[6].startswith(f"  own at 99.9 %: {point.status} (its bound: at ")
    assert lines[6].endswith("; no mask is 99.9 % pure)")


# --- what is asked for -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "own", "names"),
    [
        ("binary,4,continuous", binary(), ["binary", "4 levels", "continuous"]),
        ("binary,own", binary(), ["binary (own)"]),
        ("own,4,binary", binary(), ["binary (own)", "4 levels"]),
        ("own,binary", binary(3.0), ["own", "binary"]),
        ("2,binary, 16 ,16,", binary(), ["2 levels", "16 levels"]),
        ("own,8", table([9, 0, 1], [0.0, 2.0, 4.0]), ["own", "8 levels"]),
    ],
)
def test_alphabets(text: str, own: Alphabet, names: list[str]) -> None:
    """The same states are compared once, and named after both."""
    assert [choice.name for choice in tradeoff.choices_of(words(text), own)] == names


def test_alphabets_are_what_they_are_called() -> None:
    asked = ["binary", "5", "continuous", "own"]
    named = {c.name: c.alphabet for c in tradeoff.choices_of(asked, levels(7))}
    for name, made in {
        "binary": binary(),
        "5 levels": levels(5),
        "continuous": continuous(),
        "own": levels(7),
    }.items():
        np.testing.assert_array_equal(named[name].values, made.values)


@pytest.mark.parametrize("text", ["foo", "1", "0", "-4", "65537", "4.0", "²", "Binary", "9" * 40])
def test_unknown_alphabets(text: str) -> None:
    with pytest.raises(BadValueError, match=r"^must be binary, continuous, own or") as caught:
        tradeoff.choices_of(["4", text], binary())
    assert (caught.value.key, caught.value.value) == ("alphabets", text)


def test_targets_of_the_benchs_family() -> None:
    """DESIGN's word list: LP21 at 30 deg is cos(60 deg) of cos and sin(60 deg) of sin."""
    basis = ready().launch.basis
    target = tradeoff.target_of(ready().bench, basis, "LP21", 30.0)
    parts = {m.part: target.vector[m.index] for m in basis if m.label == "LP21"}
    assert parts["cos"] == pytest.approx(0.5)
    assert parts["sin"] == pytest.approx(np.sqrt(0.75))
    assert (target.name, target.orientation) == ("LP21", 30.0)
    bench = small(targets={"family": "lg"})
    assert tradeoff.target_of(bench, basis, "LG0+1").name == "LG0+1"
    with pytest.raises(BadValueError, match=r'^only LP modes .* family = "lg"$'):
        tradeoff.target_of(bench, basis, "LG0+1", 30.0)
    with pytest.raises(BenchError, match="no guided mode LP99"):
        tradeoff.target_of(ready().bench, basis, "LP99")
    with pytest.raises(BadValueError, match=r"^must be a number from -360 to 360 deg$"):
        tradeoff.target_of(ready().bench, basis, "LP21", 361.0)


# --- table and figure ------------------------------------------------------------------------


def test_the_table_has_the_numbers(capsys: pytest.CaptureFixture[str]) -> None:
    print_points(found())
    rows = [line.split() for line in capsys.readouterr().out.splitlines()[3 : 3 + len(found())]]
    for row, point in zip(rows, found(), strict=True):
        numbers = [float(cell) for cell in row[len(point.alphabet.split()) :] if cell != "!"]
        assert numbers[0] == pytest.approx(100 * point.asked)
        assert numbers[1] == pytest.approx(100 * point.bound, abs=0.501e-3)
        assert numbers[2] == pytest.approx(-10 * np.log10(point.bound), abs=0.501e-3)
        assert numbers[3] == pytest.approx(100 * point.purity, abs=0.501e-4)
        unwanted = -10 * np.log10(1 / point.purity - 1)
        assert numbers[4] == pytest.approx(unwanted, abs=0.501e-2)
        assert numbers[5] == pytest.approx(100 * point.efficiency, abs=0.501e-3)
        assert numbers[6] == pytest.approx(-10 * np.log10(point.efficiency), abs=0.501e-3)
        assert numbers[7] == pytest.approx(100 * (1 - point.efficiency / point.bound), abs=0.501e-4)


def picture(points: tuple[Point, ...]) -> NDArray[np.uint8]:
    with Image.open(io.BytesIO(tradeoff_figure(points, "LP21 30 deg on small", "png"))) as image:
        return np.asarray(image.convert("RGB"))


def coloured(image: NDArray[np.uint8], colour: str) -> int:
    """Pixels of exactly this colour."""
    wanted = [int(colour[k : k + 2], 16) for k in (1, 3, 5)]
    return int(np.all(image == wanted, axis=-1).sum())


def test_the_figure_shows_every_alphabet() -> None:
    """As many colours as alphabets, on a page for a column of text, nothing touching its edge."""
    image = picture(found())
    assert image.shape == (860, 1380, 3)
    assert [coloured(image, colour) > 100 for colour in COLOURS] == [True] * 3 + [False] * 3
    for edge in (image[0], image[-1], image[:, 0], image[:, -1]):
        assert np.all(edge == 255)


def test_missed_and_unproven_points_look_different() -> None:
    """No line where the bound is of a lower purity, hollow markers where the mask falls short."""
    full = tuple(replace(p, reached=True) for p in found() if p.alphabet == "own")
    missed = tuple(replace(p, reached=False) for p in full)
    lowered = tuple(replace(p, bound_purity=0.75) for p in missed)
    ink = [coloured(picture(points), COLOURS[0]) for points in (full, missed, lowered)]
    assert ink[0] > ink[1] > ink[2] > 0


@pytest.mark.parametrize("kind", FORMATS)
def test_one_point_and_odd_names_can_be_drawn(kind: str) -> None:
    """A dollar sign is no mathematics, a long name does not run over the legend."""
    title = "a $name$ & <more> " + 60 * "n"
    content = tradeoff_figure(found()[:1], title, kind)
    assert content == tradeoff_figure(found()[:1], title, kind)
    if kind == "svg":
        assert ElementTree.fromstring(content).tag.endswith("svg")


def test_nothing_to_launch_can_be_drawn() -> None:
    """All bounds of a lower purity, one of them 0."""
    point = replace(found()[0], bound=0.0, bound_purity=0.5, reached=False, efficiency=0.0)
    assert point.gap is None
    assert coloured(picture((point,)), COLOURS[0]) > 0


DICHROMATS = {
    "protanopia": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
                   [-0.003882, -0.048116, 1.051998]],
    "deuteranopia": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
                     [-0.011820, 0.042940, 0.968881]],
    "tritanopia": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602],
                   [0.004733, 0.691367, 0.303900]],
}  # fmt: skip
"""Linear RGB as seen; Machado, Oliveira and Fernandes, IEEE TVCG 15, 1291 (2009), severity 1."""


def lab(linear: NDArray[np.float64]) -> NDArray[np.float64]:
    """CIELAB of linear sRGB, white D65 (IEC 61966-2-1, ISO 11664-4)."""
    to_xyz = np.array(
        [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    )
    ratio = to_xyz @ np.clip(linear, 0, 1) / (to_xyz @ np.ones(3))
    x, y, z = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio * 841 / 108 + 4 / 29)
    return np.array([116 * y - 16, 500 * (x - y), 200 * (y - z)])


@pytest.mark.parametrize("seen", [np.eye(3), *map(np.array, DICHROMATS.values())])
def test_colours_can_be_told_apart(seen: NDArray[np.float64]) -> None:
    """20 in CIELAB is far: 2.3 is just noticeable (Mahy et al., Color Res. Appl. 19, 105, 1994)."""
    coded = np.array([[int(c[k : k + 2], 16) for k in (1, 3, 5)] for c in COLOURS]) / 255
    linear = np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)
    spots = [lab(seen @ colour) for colour in linear]
    assert min(float(np.linalg.norm(a - b)) for a, b in combinations(spots, 2)) > 20


def test_texts_on_an_axis_keep_apart() -> None:
    """As many as have room, from the last one back; what has room is all kept."""
    ticks = [(float(k), "99.99") for k in range(12)]
    assert apart(ticks, 11.0) == [ticks[1], ticks[3], ticks[5], ticks[7], ticks[9], ticks[11]]
    assert apart(ticks[::3], 11.0) == ticks[::3]
    assert apart(ticks[:1], 0.0) == ticks[:1]
