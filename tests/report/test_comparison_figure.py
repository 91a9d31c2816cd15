"""The figure of a comparison, and fields as colours."""

import io
from dataclasses import replace
from functools import cache
from itertools import combinations
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from maskforge import bench as benches
from maskforge.bench.ready import Prepared
from maskforge.launch.couplings import Launch
from maskforge.launch.modulator import emitted
from maskforge.report import FORMATS
from maskforge.report.figures import comparison as drawing
from maskforge.report.figures.comparison import Grid, comparison_figure, mask_colours, room
from maskforge.report.figures.field_colours import QUARTERS, field_colours, wheel
from maskforge.report.figures.layout import MOST_HEIGHT, MOST_WIDTH
from maskforge.report.notebook import phase_colours
from maskforge.study import comparison
from maskforge.study.comparison import ComparedMask
from tests.study.test_tradeoff import DICHROMATS, lab

# --- fields as colours -----------------------------------------------------------------------


def test_a_quarter_turn_is_the_next_colour() -> None:
    """0, 90, 180 and 270 deg at full strength; nothing is white, half as strong half as far."""
    turns = np.exp(0.5j * np.pi * np.arange(4))[None]
    assert np.array_equal(field_colours(2 * turns, 2.0)[0], QUARTERS)
    assert np.all(field_colours(np.zeros((2, 2)), 1.0) == 255)
    half = field_colours(turns, 2.0)[0].astype(float)
    np.testing.assert_allclose(half, (255 + QUARTERS) / 2, atol=1)


def test_a_real_field_has_the_colours_of_its_signs() -> None:
    found = field_colours(np.array([[1.0, -1.0, 5.0]]), 1.0)[0]
    assert np.array_equal(found, QUARTERS[[0, 2, 0]])


def test_the_hue_has_no_step() -> None:
    """Around the circle, across 360 deg too, a degree changes no channel by more than a few."""
    circle = np.exp(1j * np.deg2rad(np.arange(361)))[None]
    colours = field_colours(circle, 1.0)[0].astype(int)
    assert np.abs(np.diff(colours, axis=0)).max() <= 4


def test_a_dark_field_is_white() -> None:
    assert np.all(field_colours(np.zeros((3, 3), complex), 0.0) == 255)


def test_the_wheel_is_the_complex_plane() -> None:
    """Row 0 at the bottom: 0 deg right, 90 deg at the top, white in the middle and outside."""
    disc = wheel(201)
    ends = disc[100, 200], disc[200, 100], disc[100, 0], disc[0, 100]
    assert np.array_equal(ends, QUARTERS)
    assert np.all(disc[100, 100] == 255)
    assert np.all(disc[0, 0] == 255)


@pytest.mark.parametrize("seen", [np.eye(3), *map(np.array, DICHROMATS.values())])
def test_quarter_turns_can_be_told_apart(seen: NDArray[np.float64]) -> None:
    """20 in CIELAB is far: 2.3 is just noticeable (Mahy et al., Color Res. Appl. 19, 105, 1994)."""
    coded = QUARTERS / 255
    linear = np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)
    spots = [lab(seen @ colour) for colour in linear]
    assert min(float(np.linalg.norm(a - b)) for a, b in combinations(spots, 2)) > 20


# --- the page --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("given", "methods", "taken"),
    [
        (1, 3, (1, 6)),
        (2, 3, (2, 3)),
        (3, 3, (3, 3)),
        (4, 3, (3, 3)),
        (1, 2, (1, 9)),
        (1, 1, (1, 18)),
        (2, 1, (2, 9)),
        (20, 1, (9, 3)),
    ],
)
def test_room(given: int, methods: int, taken: tuple[int, int]) -> None:
    assert room(given, methods) == taken


@pytest.mark.parametrize("given", [1, 2, 3, 5])
@pytest.mark.parametrize("methods", [1, 2, 3])
def test_the_page_fits_on_a4(given: int, methods: int) -> None:
    """210 x 297 mm (ISO 216), with margins; no picture is too small to be seen."""
    count, most = room(given, methods)
    abreast = most // drawing.BANDS
    page = Grid(count * abreast, drawing.BANDS, methods)
    width, height = page.size
    assert width <= MOST_WIDTH + 1e-9 < 210 / 25.4
    assert height <= MOST_HEIGHT + 1e-9 < 297 / 25.4
    assert page.side >= 0.7


def small(**changes: Any) -> benches.Bench:
    sections: dict[str, dict[str, Any]] = {
        "light": {"wavelength_nm": 1310.0, "waist_mm": 1.16},
        "modulator": {"pixels": [64, 60], "pitch_um": 60.0, "alphabet": "binary"},
        "lens": {"focal_length_mm": 8.0},
        "fiber": {"preset": "six-mode-graded"},
        "targets": {"labels": ["LP01", "LP21"]},
        "design": {"purity": 0.99},
    }
    return benches.from_dict({k: v | changes.get(k, {}) for k, v in sections.items()}, "small")


@cache
def drawn() -> tuple[Prepared, tuple[ComparedMask, ...]]:
    (ready,) = comparison.entrants([small()])
    found = comparison.compared([ready], ("simple", "dual"), {(0, 0), (0, 1)})
    return ready, tuple(entry for target in found for entry in target)


def pixels(launches: dict[str, Launch], entries: tuple[ComparedMask, ...]) -> NDArray[np.uint8]:
    with Image.open(io.BytesIO(comparison_figure(launches, entries, "png"))) as image:
        return np.asarray(image.convert("RGB"))


def test_the_figure_touches_no_edge_and_has_both_signs() -> None:
    ready, entries = drawn()
    image = pixels({"small": ready.launch}, entries)
    for edge in (image[0], image[-1], image[:, 0], image[:, -1]):
        assert np.all(edge == 255)
    for colour in QUARTERS[[0, 2]]:
        near = np.abs(image.astype(int) - colour).max(axis=-1) < 24
        assert near.sum() > 200


def test_only_masks_that_were_kept_are_drawn() -> None:
    """One target instead of two: half as wide, or lower."""
    ready, entries = drawn()
    some = tuple(replace(e, states=None) if e.target.name == "LP01" else e for e in entries)
    both, one = (pixels({"small": ready.launch}, these) for these in (entries, some))
    assert one.size < both.size


@pytest.mark.parametrize("kind", FORMATS)
def test_the_same_masks_give_the_same_bytes(kind: str) -> None:
    """With a carrier and names that are no mathematics."""
    (ready,) = comparison.entrants(
        [small(modulator={"alphabet": "levels", "levels": 8}, design={"carrier_period_px": 6.0})]
    )
    (found, _) = comparison.compared([ready], ("simple",), {(0, 0)})
    entries = [replace(e, bench="a $name$ <x> " + 40 * "n") for e in found]
    launches = {entries[0].bench: ready.launch}
    content = comparison_figure(launches, entries, kind)
    assert content == comparison_figure(launches, entries, kind)
    if kind == "svg":
        assert ElementTree.fromstring(content).tag.endswith("svg")


def test_the_fields_are_turned_to_the_target() -> None:
    """What the fibre keeps of LP01 is positive on the axis, whatever the mask's overall phase."""
    ready, entries = drawn()
    u = np.linspace(-1e-6, 1e-6, 3)
    for entry in entries:
        shown = drawing._shown(ready.launch, entry, u)
        along = np.vdot(entry.target.vector, entry.couplings)
        turned = drawing._shown(ready.launch, replace(entry, couplings=1j * entry.couplings), u)
        np.testing.assert_allclose(turned.kept, shown.kept, atol=1e-9 * np.abs(shown.kept).max())
        if entry.target.name == "LP01":
            assert shown.kept[1, 1].real > 0
            assert abs(shown.kept[1, 1].imag) < 0.2 * shown.kept[1, 1].real
        assert abs(along) > 0


def test_a_mask_without_a_carrier_is_drawn_as_it_is() -> None:
    ready, entries = drawn()
    assert entries[0].states is not None
    factors = emitted(ready.launch.modulator, entries[0].states)
    assert np.array_equal(
        mask_colours(ready.launch, factors)[::-1], phase_colours(np.angle(factors))
    )


def test_a_carrier_is_taken_out() -> None:
    """A mask that is nothing but its carrier's fringes shows one phase."""
    (ready,) = comparison.entrants(
        [small(modulator={"alphabet": "continuous"}, design={"carrier_period_px": 6.0})]
    )
    launch = ready.launch
    across = launch.centre[0] / launch.scale * launch.modulator.pitch_seen[0]
    tilt = np.exp(2j * np.pi * across * np.arange(launch.modulator.shape[1]))
    fringes = np.broadcast_to(tilt, launch.modulator.shape)
    flat = mask_colours(launch, fringes)[8:-8, 8:-8].reshape(-1, 3)
    plain = phase_colours(np.angle(fringes)).reshape(-1, 3)
    assert len(np.unique(plain, axis=0)) >= 6
    assert np.ptp(flat.astype(int), axis=0).max() <= 12
