"""The steps: what their pictures do by known laws, what is written, and what cannot be done."""

import csv
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from maskforge.align import patterns
from maskforge.align.catalogue import NAMES, shots_of, step_of
from maskforge.align.scene import Detector, pinhole_rule
from maskforge.align.stack import PICTURES, pictures
from maskforge.align.stack_file import PLAYLIST, WATCH, read_stack
from maskforge.align.step import Choices, Shots
from maskforge.base.errors import BenchError
from maskforge.base.safety import CAUTION
from maskforge.cli.option_values import as_options
from maskforge.launch.couplings import facet_field
from maskforge.launch.fourier import axis
from maskforge.launch.light import Real
from maskforge.launch.modulator import Carrier, Complex, emitted
from maskforge.launch.panel import Picture, states_of
from tests.align.bench import BINARY, scene, stack_of

CONTINUOUS: dict[str, dict[str, Any]] = {
    "modulator": {"alphabet": "continuous", "levels": None, "fill_factor": 1.0}
}


def made(name: str, choices: Choices | None = None, **sections: dict[str, Any]) -> Shots:
    return shots_of(step_of(name), scene(**sections), choices or Choices())


def far_field(picture: Picture, order: tuple[float, float], **sections: dict[str, Any]) -> Complex:
    """The field around an order, on `SPAN`."""
    here = scene(**sections)
    launch = here.launch(here.carrier_to(order), whole=True)
    factors = emitted(here.whole, states_of(here.whole, picture))
    return facet_field(launch, factors, SPAN, SPAN)


SPAN: Real = axis(81, 0.6e-6)
"""m around an order."""


def middle(field: Complex) -> tuple[float, float]:
    """Centroid (x, y) of the power."""
    power = np.abs(field) ** 2
    whole = power.sum()
    return float(np.sum(power * SPAN) / whole), float(np.sum(power * SPAN[:, None]) / whole)


# --- laws ------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["fiber-position", "carrier-direction"])
def test_the_focus_moves_by_the_grating_equation(name: str) -> None:
    """sin(angle) = wavelength / period (Goodman, Introduction to Fourier Optics, sec. 4.4)."""
    shots, here = made(name, **CONTINUOUS), scene(**CONTINUOUS)
    pitch, focal, wavelength = 15e-6, 4e-3, 1.31e-6
    x0, y0 = shots.detector.order
    assert np.hypot(x0, y0) == pytest.approx(wavelength * focal / (6 * pitch))
    start = middle(far_field(shots.picture(shots.frames[0]), shots.detector.order, **CONTINUOUS))
    for page in (5, 8, 14):
        values = shots.frames[page]
        field = far_field(shots.picture(values), shots.detector.order, **CONTINUOUS)
        found = np.subtract(middle(field), start)
        if name == "fiber-position":
            wanted = (float(values["place_um"] or 0) * 1e-6, 0.0)
        else:
            angle = np.deg2rad(float(values["angle_deg"] or 0))
            far = wavelength * focal / (6 * pitch)
            wanted = (far * np.cos(angle) - x0, far * np.sin(angle) - y0)
        # the sinc of the pixels and the tails beyond the samples move a centroid a little
        assert found == pytest.approx(wanted, abs=0.02 * np.hypot(*wanted) + 0.05e-6)
    assert here.place_of(here.carrier_to((1e-5, -2e-5))) == pytest.approx((1e-5, -2e-5))


def test_the_bend_moves_the_focus_as_a_gaussian_beams() -> None:
    """On the axis 1 / (1 + (z / z_R)^2) with z = c f^2 (Kogelnik and Li, Appl. Opt. 5, 1550, 1966).

    z_R = pi w_f^2 / wavelength with w_f = wavelength f / (pi w): z / z_R = pi c w^2 / wavelength.
    """
    shots = made("focus", **CONTINUOUS)
    peaks = []
    bends = [float(values["curvature_per_m"] or 0) for values in shots.frames]
    for values in shots.frames[:14]:
        field = far_field(shots.picture(values), shots.detector.order, **CONTINUOUS)
        peaks.append(np.abs(field[40, 40]) ** 2)
    wanted = 1 / (1 + (np.pi * np.array(bends[:14]) * 0.3e-3**2 / 1.31e-6) ** 2)
    # the mask ends at 2.4 waists: the beam's edge is 3e-3 of its middle
    assert np.array(peaks) / peaks[0] == pytest.approx(wanted, abs=4e-3)
    assert wanted.min() < 0.2


@pytest.mark.parametrize("grey", [8, 16, 32, 50])
def test_stripes_send_light_as_a_square_phase_grating(grey: int) -> None:
    """Order 0: cos^2(phase / 2), order 1: ((2 / pi) sin(phase / 2))^2; Goodman, sec. 4.4."""
    full = {"modulator": {"fill_factor": 1.0}}
    here, phase = scene(**full), 2 * np.pi * grey / 64
    order = here.place_of(Carrier(8.0, 0.0))
    plain = patterns.picture(here, patterns.stripes(here, 0, 0, 8))
    striped = patterns.picture(here, patterns.stripes(here, 0, grey, 8))
    whole = np.abs(far_field(plain, (0.0, 0.0), **full)[40, 40]) ** 2
    zero = np.abs(far_field(striped, (0.0, 0.0), **full)[40, 40]) ** 2
    one = np.abs(far_field(striped, order, **full)[40, 40]) ** 2
    assert zero / whole == pytest.approx(np.cos(phase / 2) ** 2, abs=1e-6)
    # the panel cuts the beam where it is exp(-2.5^2) of its middle; the tails of that reach here
    assert one / whole == pytest.approx((2 / np.pi * np.sin(phase / 2)) ** 2, rel=1e-4)


@pytest.mark.parametrize("sections", [{}, BINARY])
def test_a_moved_grating_turns_its_order_by_just_so_much(sections: dict[str, Any]) -> None:
    """The shift theorem; any alphabet, since the grating moves by whole pixels."""
    here = scene(**sections)
    tilt = patterns.tilted(here, patterns.diagonal_carrier(8))
    values = here.whole.alphabet.values
    sums = [
        # whole periods along both axes
        np.sum((values[patterns.diagonal(here, 8, shift)] * np.conj(tilt))[:96, :112])
        for shift in (0.0, 90.0, 180.0, 270.0)
    ]
    assert np.array(sums[1:]) / sums[0] == pytest.approx(np.array([1j, -1, -1j]), abs=1e-12)


def test_the_wide_hole_is_the_disc_and_the_small_one_exact_to_degree_five() -> None:
    """Integrals of x^2 y^2 and of 1 over a disc: pi r^6 / 24 and pi r^2."""
    for radius, close in ((1e-7, 1e-12), (40e-6, 2e-3)):
        u, v, weight = pinhole_rule(Detector("pinhole", (0.0, 0.0), radius), 5.24e-9, 1.7e-3)
        square = np.sum(weight * u**2 * (v**2)[:, None])
        assert np.sum(weight) == pytest.approx(np.pi * radius**2, rel=close)
        if radius > 1e-6:
            assert square == pytest.approx(np.pi * radius**6 / 24, rel=1e-2)
        assert np.sum(weight * u**2) == pytest.approx(np.pi * radius**4 / 4, rel=close)
        assert np.sum(weight * u**4) == pytest.approx(
            np.pi * radius**6 / 8, rel=5e-3 if close > 1e-9 else 0.4
        )


# --- what is written -------------------------------------------------------------------------


@pytest.mark.parametrize("name", NAMES)
def test_a_stack_is_whole(name: str, tmp_path: Path) -> None:
    stack = stack_of(tmp_path, name, Choices(points=5))
    shots = made(name, Choices(points=5))
    assert stack.step.name == name
    assert stack.frames == shots.frames
    assert replace(stack.detector, order=(0, 0), aside=(0, 0), radius=0) == replace(
        shots.detector, order=(0, 0), aside=(0, 0), radius=0
    )
    assert stack.detector.place == pytest.approx(shots.detector.place, abs=1e-12)
    for values, page in zip(shots.frames, pictures(stack), strict=True):
        assert np.array_equal(page, shots.picture(values))
    with (stack.folder / PLAYLIST).open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert [int(row["page"]) for row in rows] == list(stack.order)
    assert {row["file"] for row in rows} == {PICTURES}
    assert sorted(set(stack.order)) == list(range(len(stack.frames)))
    assert stack.order[0] == stack.order[-1] == 0
    text = (stack.folder / WATCH).read_text("utf-8")
    assert "Good:" in text
    assert " ".join(CAUTION.split()) in " ".join(text.split())
    assert " ".join(stack.step.after.split()) in " ".join(text.split())


@pytest.mark.parametrize("name", NAMES)
def test_a_panel_of_two_states_shows_every_step(name: str) -> None:
    shots = made(name, Choices(points=5), **BINARY)
    pages = [shots.picture(values) for values in (shots.frames[0], shots.frames[-1])]
    assert {int(grey) for page in pages for grey in np.unique(page)} <= {0, 255}


@pytest.mark.parametrize("name", ["fiber-position", "focus", "carrier-direction", "facet-waist"])
def test_two_states_on_the_axis_show_a_bend_with_its_opposite(name: str) -> None:
    bare = BINARY | {"design": {"carrier_period_px": 0.0}}
    with pytest.raises(BenchError, match=f"--step {name} needs a carrier on a panel of two states"):
        made(name, **bare)
    assert made(name, Choices(points=5, period=6.0), **bare).detector.kind == "fiber"


def test_an_earlier_stack_is_replaced_and_other_files_stay(tmp_path: Path) -> None:
    stack = stack_of(tmp_path, "focus", Choices(points=5))
    (stack.folder / "readings.csv").write_text("mine", "utf-8")
    assert len(stack_of(tmp_path, "focus", Choices(points=7)).frames) == 8
    assert (stack.folder / "readings.csv").read_text("utf-8") == "mine"


# --- what cannot be --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "choices", "text"),
    [
        ("focus", {"noll": (4,)}, "--noll = [4]: not for --step focus, which takes --points, "),
        ("beam-square", {"span": 1.0}, "--span = 1.0: not for --step beam-square"),
        ("phase-depth", {"period": 6.0}, "--period = 6: must be a multiple of 4 pixels"),
        ("flatness", {"period": 64.0}, "the beam covers"),
        ("fiber-position", {"span": 500.0}, "--span = 500: the scan leaves the field"),
    ],
)
def test_a_choice_that_cannot_be(name: str, choices: dict[str, Any], text: str) -> None:
    with pytest.raises(BenchError) as caught, as_options():
        made(name, Choices(**choices))
    assert text in str(caught.value)
    assert len(str(caught.value).splitlines()) == 1


@pytest.mark.parametrize(
    ("key", "value"),
    [("points", 4), ("points", 10**6), ("span", 0.0), ("span", float("nan")), ("period", 2.0)],
)
def test_a_number_that_cannot_be(key: str, value: float) -> None:
    with pytest.raises(BenchError, match=f"--{key} = .*: must be a"), as_options():
        Choices(**{key: value})


def test_a_name_that_is_no_step() -> None:
    with pytest.raises(BenchError) as caught, as_options():
        step_of("beamedge")
    assert str(caught.value).startswith('--step = "beamedge": must be one of ')
    assert str(caught.value).endswith('; did you mean "beam-edge"?')


@pytest.mark.parametrize(
    ("path", "value", "text"),
    [
        (("format",), "other", 'must have format = "maskforge-bringup"'),
        (("version",), 2, "version = 2: this program reads 1"),
        (("step",), "paint", 'step = "paint": must be one of'),
        (("frames",), [], "frames: holds no frame"),
        (("frames", 1, "page"), 7, "frames[1] page = 7: must be 1"),
        (("frames", 1, "curvature_per_m"), float("inf"), "must be a finite number"),
        (("frames", 1, "more"), 1.0, "frames[1]: must have the keys of frames[0]"),
        (("frames", 0, "sha256"), None, "frames[0] sha256: must be text"),
        (("detector", "kind"), "eye", 'must be "fiber" or "pinhole"'),
        (("detector", "order_x_um"), "far", "detector order_x_um"),
        (("played", "pages"), [99], "played pages: must be an array of pages from 0 to"),
        (("played", "seconds_a_step"), -1, "must be above 0 s"),
        (("bench", "light", "waist_mm"), -1, "[light] waist_mm = -1"),
    ],
)
def test_a_header_that_cannot_be(
    tmp_path: Path, path: tuple[str | int, ...], value: object, text: str
) -> None:
    folder = stack_of(tmp_path, "focus", Choices(points=5)).folder
    content = json.loads((folder / "bringup.json").read_text("utf-8"))
    place = content
    for key in path[:-1]:
        place = place[key]
    place[path[-1]] = value
    (folder / "bringup.json").write_text(json.dumps(content), "utf-8")
    with pytest.raises(BenchError) as caught:
        read_stack(folder)
    assert text in str(caught.value)
    assert str(folder / "bringup.json") in str(caught.value)


def test_pictures_that_are_not_those_of_the_header(tmp_path: Path) -> None:
    one = stack_of(tmp_path, "focus", Choices(points=5))
    other = stack_of(tmp_path, "facet-waist", Choices(points=5))
    (one.folder / PICTURES).write_bytes((other.folder / PICTURES).read_bytes())
    with pytest.raises(BenchError, match=r"page 0 is not the picture that bringup\.json tells of"):
        list(pictures(one))
    (one.folder / PICTURES).write_bytes(b"II*\0")
    with pytest.raises(BenchError, match=r"stack\.tif"):
        list(pictures(one))
    (one.folder / PICTURES).unlink()
    with pytest.raises(BenchError, match="no such file"):
        list(pictures(one))
