"""The figure of a fibre's modes, and the command that writes it."""

import io
from functools import cache
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from benches import graded_50
from PIL import Image

from maskforge import bench as benches
from maskforge.cli import main as cli
from maskforge.fiber.modes import RadialMode, solve
from maskforge.report import FORMATS
from maskforge.report.figures.layout import MOST_HEIGHT, MOST_WIDTH
from maskforge.report.figures.modes import (
    LARGEST,
    LEAST,
    TAIL,
    groups_of_modes,
    modes_figure,
    setting_of,
    window_of,
)

TITLE = ("a $name$", "modes")


@cache
def guided(bench: str) -> tuple[RadialMode, ...]:
    loaded = benches.load(bench)
    return solve(benches.fiber(loaded), groups=loaded.fiber.groups)


@pytest.mark.parametrize("bench", ["few-mode-1310", "gi50-1550", "gi50-850-phase"])
def test_every_mode_once_in_its_group(bench: str) -> None:
    """Group g of a graded fibre holds the labels with l + 2p - 1 = g; all on a page of A4."""
    modes = guided(bench)
    groups = groups_of_modes(modes)
    assert [mode for group in groups for mode in group] == list(modes)
    for g, group in enumerate(groups, start=1):
        assert {mode.l + 2 * mode.p - 1 for mode in group} == {g}
        assert len(group) == (g + 1) // 2
    setting = setting_of(groups)
    assert [group for line in setting.lines for group in line] == list(groups)
    assert setting.size[0] <= MOST_WIDTH + 1e-9
    assert setting.size[1] <= MOST_HEIGHT + 1e-9
    assert LEAST <= setting.side <= LARGEST


def test_few_modes_stand_in_one_line() -> None:
    setting = setting_of(groups_of_modes(guided("few-mode-1310")))
    assert (len(setting.lines), setting.side) == (1, LARGEST)


def test_very_many_modes_keep_readable_text() -> None:
    """More groups than a page holds: it gets longer, not smaller."""
    group = groups_of_modes(guided("few-mode-1310"))[-1]
    setting = setting_of([group * 3] * 60)
    assert setting.side == LEAST
    assert setting.size[0] <= MOST_WIDTH + 1e-9
    assert setting.size[1] > MOST_HEIGHT


def test_the_window_holds_the_modes() -> None:
    modes = guided("few-mode-1310")
    window = window_of(modes, 9e-6)
    reach = window.view * window.core_radius
    assert max(mode.field.power_outside(reach) for mode in modes) == pytest.approx(TAIL, rel=1e-6)
    fiber, basis = graded_50(9)
    radial = [mode.radial for mode in basis]
    assert 1.1 < window_of(radial, fiber.profile.core_radius).view < 1.6


@pytest.mark.parametrize("kind", FORMATS)
def test_the_same_bytes_twice(kind: str) -> None:
    content = modes_figure(guided("few-mode-1310"), 9e-6, TITLE, kind)
    assert content == modes_figure(guided("few-mode-1310"), 9e-6, TITLE, kind)
    if kind == "svg":
        text = content.decode()
        assert ElementTree.fromstring(text).tag.endswith("svg")
        assert text.count("<image") == 4


def test_nothing_touches_the_edge() -> None:
    content = modes_figure(guided("gi50-1550"), 25e-6, ("n" * 80, "modes"), "png")
    with Image.open(io.BytesIO(content)) as image:
        pixels = np.asarray(image.convert("RGB"))
    for edge in (pixels[0], pixels[-1], pixels[:, 0], pixels[:, -1]):
        assert np.all(edge == 255)


# --- the command -----------------------------------------------------------------------------


def test_the_command_writes_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Beside the table, which is as without it."""
    monkeypatch.chdir(tmp_path)
    assert cli.main(["modes", "few-mode-1310"]) == 0
    plain = capsys.readouterr().out
    words = ["modes", "few-mode-1310", "--figure", "m.pdf", "--csv", "m.csv"]
    assert cli.main(words) == 0
    assert capsys.readouterr().out == plain
    assert Path("m.pdf").read_bytes().startswith(b"%PDF")
    assert len(Path("m.csv").read_text().splitlines()) == 5


@pytest.mark.parametrize(
    ("figure", "line"),
    [
        ("m.txt", "--figure = m.txt: the name must end in .png or .svg or .pdf"),
        ("no/m.png", "no/m.png: cannot be written (No such file or directory)"),
    ],
)
def test_bad_places(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    figure: str,
    line: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    assert cli.main(["modes", "few-mode-1310", "--figure", figure, "--csv", "m.csv"]) == 2
    assert capsys.readouterr() == ("", f"error: {line}\n")
    assert list(tmp_path.iterdir()) == []
