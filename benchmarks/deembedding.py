"""How close a sweep comes to a device known in all parts: masks by `simple` and by `dual`.

The device is simulated, its data invented: a splitter of the mode groups of a patch cord, behind
the first six groups of a 50 um graded-index fibre.  Light that a `simple` mask launches into other
groups looks like a leak of the device; taking the known launch out of the readings (de-embedding)
corrects most of that, and pure masks need it hardly.

    python benchmarks/deembedding.py [deembedding.png]

prints the isolation of the ports for each group, and draws it beside the transmissions.
"""

import sys
import tempfile
from pathlib import Path

import numpy as np

from maskforge.cli import main as cli
from maskforge.launch.basis import groups_of
from maskforge.launch.light import Real
from maskforge.report.figures.sweep import SweepCurve, curve_of, groups_figure
from maskforge.sets.reading import read_set
from maskforge.sweep.answer import Answer, Question, answered
from maskforge.sweep.deembed import group_transmission
from maskforge.sweep.groups import isolations
from maskforge.sweep.labels import decibel
from maskforge.sweep.launched import launched_by, lookups
from maskforge.sweep.passes import read_sweep
from maskforge.sweep.simulate import DeviceDisturbance, Splitter, readings_text, splitter, swept
from maskforge.sweep.simulate import transmissions as passed

BENCH = """\
[light]
wavelength_nm = 1550.0
waist_mm = 1.2
power_mw = 1.0

[modulator]
alphabet = "binary"
pixels = [128, 128]
pitch_um = 30.0

[lens]
focal_length_mm = 8.0

[fiber]
preset = "gi50"
groups = 6

[targets]
orientations = 4

[design]
carrier_period_px = 0.0
"""

PASSES = 50


def answer_of(folder: Path, method: str) -> tuple[Answer, Splitter]:
    """Designs a set, sweeps it through the device, and reads the readings."""
    bench = folder / "bench.toml"
    bench.write_text(BENCH, "utf-8")
    place = folder / method
    if cli.main(["design", str(bench), "--method", method, "--out", str(place)]):
        raise SystemExit(1)
    written = read_set(place)
    launched = launched_by(written)
    device = splitter(launched.basis)
    shown = np.tile(np.arange(len(written.masks)), PASSES)
    times: Real = 0.03 * np.arange(shown.size)
    disturbance = DeviceDisturbance(turn=20.0, noise=1e-3, floor=1e-6)
    read = swept(device, launched, shown, times, disturbance, 1)
    path = folder / f"{method}.csv"
    path.write_text(readings_text(device, "page", shown, times, read), "utf-8")
    return answered(read_sweep(path, lookups(written, None)), launched, Question()), device


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        simple, device = answer_of(Path(folder), "simple")
        dual, _ = answer_of(Path(folder), "dual")
    groups, basis = simple.groups, simple.launched.basis
    truth = group_transmission(passed(device), groups_of(basis), np.ones(len(basis), int), groups)
    curves = (
        curve_of("simple, raw", simple.raw, 0),
        curve_of("simple, corrected", simple.corrected, 1),
        curve_of("dual, raw", dual.raw, 2),
        SweepCurve("truth", decibel(truth), isolations(truth, truth.argmax(axis=1)), 3),
    )
    print("\nisolation of the ports, dB; simulated, invented data")
    print("group             " + "".join(f"{group:8d}" for group in groups))
    for curve in curves:
        print(f"{curve.name:18s}" + "".join(f"{value:8.2f}" for value in curve.isolation))
    for path in sys.argv[1:]:
        title = "De-embedding, simulated, invented data"
        drawn = groups_figure(curves, (groups, simple.ports), title, Path(path).suffix[1:])
        Path(path).write_bytes(drawn)


if __name__ == "__main__":
    main()
