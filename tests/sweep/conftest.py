"""Two sets of a 50 um fibre, designed once: their launches are all that is kept."""

import shutil

import pytest

from maskforge.cli import main as cli
from maskforge.cli.exits import SHORT
from maskforge.sets.reading import read_set
from maskforge.sweep.launched import Launched, launched_by

BENCH = """\
[light]
wavelength_nm = 1550.0
waist_mm = 1.2
power_mw = 1.0

[modulator]
alphabet = "binary"
pixels = [128, 128]
pitch_um = 30.0
fill_factor = 0.92

[lens]
focal_length_mm = 8.0

[fiber]
preset = "gi50"
groups = 6

[targets]
orientations = 3

[design]
purity = 0.999
carrier_period_px = 0.0
"""


@pytest.fixture(scope="session")
def sets(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Launched]:
    folder = tmp_path_factory.mktemp("sets")
    bench = folder / "gi50.toml"
    bench.write_text(BENCH, "utf-8")
    found = {}
    for method in ("simple", "dual"):
        command = ["design", str(bench), "--method", method, "--out", str(folder / method)]
        assert cli.main([*command, "--jobs", "1"]) <= SHORT
        found[method] = launched_by(read_set(folder / method))
    shutil.rmtree(folder)
    return found
