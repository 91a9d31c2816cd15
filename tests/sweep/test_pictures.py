"""The pictures of a label on a sweep's page."""

import re

import numpy as np
import pytest
from numpy.typing import NDArray

from maskforge.report.page.sweep_pictures import HEIGHT, MOST_POINTS, WIDTH, pictures_of
from maskforge.sweep.labels import Course, figures_of
from maskforge.sweep.launched import Label


def course(passes: int, ports: int = 2) -> Course:
    """LP11 whose best orientation turns by 3.6 deg an hour while its power falls."""
    time = np.linspace(0, 3600, passes)
    level = np.linspace(1.0, 0.5, passes)[:, None] * np.array([1.0, 0.1])[:ports]
    swing = 0.3 * level * np.exp(2j * np.deg2rad(179 + 3.6 * time / 3600))[:, None]
    masks = np.array([0, 1, 2])
    label = Label("LP11", 1, 2, 2, masks, np.array([0.0, 60.0, 120.0]))
    return Course(label, time, level, swing, 3, 0)


def points(path: str) -> NDArray[np.float64]:
    return np.array([[float(z) for z in one.split()] for one in re.split("[ML]", path)[1:]])


@pytest.mark.parametrize("passes", [7, 1000])
def test_curves_end_where_the_readings_do(passes: int) -> None:
    """10 dB of the ports fill the height with the 3.01 dB of the fall; no jump at 180 deg."""
    found = pictures_of(figures_of(course(passes)))
    first, second = (points(path) for path in found.power.curves)
    assert len(first) == min(passes, MOST_POINTS)
    assert found.power.low in ("-13.01 dB", "-13.00 dB")
    within = 0.02 if passes > MOST_POINTS else 1e-9
    assert first[0] == pytest.approx([0, 0], abs=0.1 + within * WIDTH)
    assert second[-1] == pytest.approx([WIDTH, HEIGHT], abs=0.1 + within * WIDTH)
    assert found.turn is not None
    turned = points(found.turn.curves[0])
    assert np.all(np.diff(turned[:, 1]) <= 0)
    assert found.turn.low in ("179.00 °", "179.01 °")


def test_a_histogram_holds_every_pass() -> None:
    found = pictures_of(figures_of(course(50)))
    assert found.isolation is not None
    assert found.isolation.high == "50"
    assert pictures_of(figures_of(course(50, ports=1))).isolation is None


def test_a_single_pass_is_a_dot() -> None:
    found = pictures_of(figures_of(course(1)))
    assert all(path.endswith("h0.1") for path in found.power.curves)
