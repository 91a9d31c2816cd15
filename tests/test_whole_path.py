"""From a bench of one's own to what a device does, command by command, as a person goes.

Common practice, no source.
"""

import json
from pathlib import Path

import pytest

from maskforge import bench as benches
from maskforge.cli.main import main

OWN = """
[light]
wavelength_nm = 1310.0
waist_mm = 0.3
power_mw = 1.0

[modulator]
pixels = [96, 96]
pitch_um = 15.0
fill_factor = 0.92
alphabet = "levels"
levels = 16

[lens]
focal_length_mm = 4.0

[fiber]
preset = "six-mode-graded"
groups = 2

[targets]
orientations = 2

[design]
purity = 0.99
carrier_period_px = 6.0
carrier_angle_deg = 45.0
"""

REAL = OWN.replace("waist_mm = 0.3\n", "waist_mm = 0.32\noffset_mm = [0.03, -0.04]\n")
"""What the bench is really like."""

LIST = "--order shuffled --reference LP01 --every 2"

PATH = f"""
modes own.toml
plan own.toml --focal 3.5,4 --waist 0.3,0.35 --write planned.toml --jobs 1
design planned.toml --out first
check first
pack first --as png
check first-png --of first
play first-png {LIST}
bringup planned.toml --step beam-edge --points 21 --out edge
simulate-bench edge --truth real.toml --out edge.csv
readings fit edge edge.csv --update planned.toml --write aligned.toml
design aligned.toml --out second
compare first second
play second {LIST}
simulate-device second --playlist second/playlist.json --out sweep.csv --passes 3
readings sweep second sweep.csv --playlist second/playlist.json --csv answer
"""


@pytest.mark.long
def test_the_whole_path(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every command ends well, without a complaint, and says what is next."""
    monkeypatch.chdir(tmp_path)
    Path("own.toml").write_text(OWN, "utf-8")
    Path("real.toml").write_text(REAL, "utf-8")
    for line in PATH.strip().splitlines():
        assert main(line.split()) == 0, line
        out, err = capsys.readouterr()
        assert err == "", line
        assert out.splitlines()[-1].startswith("Next: "), line
        assert not [row for row in out.splitlines() if row.startswith("!")], (line, out)
    aligned = benches.load("aligned.toml").light
    assert aligned.waist_mm == pytest.approx(0.32, abs=0.003)
    assert aligned.offset_mm == pytest.approx((0.03, -0.04), abs=0.003)
    masks = json.loads(Path("second/manifest.json").read_text("utf-8"))["masks"]
    assert [mask["target"] for mask in masks] == ["LP01", "LP11", "LP11"]
    assert all(mask["reached"] for mask in masks)
    assert Path("answer/groups.csv").is_file()
