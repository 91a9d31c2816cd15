"""A GPU against one core of the same machine, on the same benches.

    python benchmarks/gpu.py [set] [small] [robust] [modes] [tolerance]

set        96 masks of 1920 x 1080 pixels, 45 modes, 256 levels
small      the 245 masks of gi50-1550
robust     a mask for 9 scenarios beside the nominal one, 1080 x 1080 pixels, 15 modes
modes      a mask of 1080 x 1080 pixels for a fibre of 496 modes
tolerance  the sweep of the 245 masks of gi50-1550

Seconds a mask in one process, on one core (of some of the masks) and on the GPU, twice: what CuPy
has not compiled on this machine before it compiles in the first run.  Then whole commands,
their start and files in them, on the GPU and, of many masks, on as many cores as they take by
themselves.
"""

import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import tomlkit

from maskforge import bench as benches
from maskforge.bench import Bench
from maskforge.bench.ready import prepared
from maskforge.sets.designing import finished_masks

Sections = Mapping[str, Mapping[str, Any]]

CARRIED = {"purity": 0.999, "carrier_period_px": 6.0, "carrier_angle_deg": 45.0}
PANEL = {"preset": "grey-1080", "pixels": [1920, 1080]}
LABELS = ["LP11", "LP21", "LP31", "LP12", "LP41", "LP22", "LP51", "LP32"]

BENCHES: Mapping[str, tuple[Sections, int]] = {
    "set": (
        {
            "light": {"wavelength_nm": 1550.0, "waist_mm": 2.7},
            "modulator": PANEL,
            "lens": {"focal_length_mm": 16.0},
            "fiber": {"preset": "gi50", "groups": 9},
            "targets": {"labels": LABELS, "orientations": 12},
            "design": CARRIED,
        },
        4,
    ),
    "small": (
        {
            "light": {"wavelength_nm": 1550.0, "waist_mm": 2.7},
            "modulator": {"preset": "binary-512"},
            "lens": {"focal_length_mm": 16.0},
            "fiber": {"preset": "gi50", "groups": 9},
            "targets": {"labels": "all", "orientations": 12},
            "design": {"purity": 0.999},
        },
        24,
    ),
    "robust": (
        {
            "light": {"wavelength_nm": 1550.0, "waist_mm": 2.7},
            "modulator": {**PANEL, "pixels": [1080, 1080]},
            "lens": {"focal_length_mm": 16.0},
            "fiber": {"preset": "gi50", "groups": 5},
            "targets": {"labels": ["LP11"], "orientations": 1},
            "design": {**CARRIED, "purity": 0.99, "fiber_offset_um": [0.3, 0.3]},
        },
        1,
    ),
    "modes": (
        {
            "light": {"wavelength_nm": 850.0, "waist_mm": 2.3},
            "modulator": {"preset": "grey-1080"},
            "lens": {"focal_length_mm": 25.0},
            "fiber": {"preset": "gi62", "groups": 31},
            "targets": {"labels": ["LP21"], "orientations": 1},
            "design": CARRIED,
        },
        1,
    ),
}
"""By name its sections, and how many masks one core makes."""


def sections_of(name: str) -> dict[str, dict[str, Any]]:
    """The sections of one of BENCHES; the robust one at two wavelengths."""
    sections = {key: dict(part) for key, part in BENCHES[name][0].items()}
    if name == "robust":
        sections["light"]["wavelength_nm"] = [1550.0, 1545.0]
    return sections


def bench_of(name: str) -> Bench:
    return benches.from_dict(sections_of(name), name)


def seconds_each(bench: Bench, device: str, count: int) -> tuple[float, int, float]:
    """(seconds to prepare, masks, seconds a mask) in this process, on one thread."""
    start = time.perf_counter()
    ready = prepared(bench, device)
    begun = time.perf_counter()
    made = 0
    for made, _ in enumerate(finished_masks(ready), start=1):
        if made == count:
            break
    return begun - start, made, (time.perf_counter() - begun) / made


def command(words: Sequence[str], *options: str) -> float:
    """Seconds of a command of maskforge."""
    start = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-m", "maskforge", *words, *options],
        capture_output=True,
        text=True,
        check=False,
    )
    # a mask that is less pure than asked is a result, too
    if done.returncode not in (0, 1):
        raise RuntimeError(done.stderr)
    return time.perf_counter() - start


def compared(name: str) -> None:
    """Prints the lines of one bench."""
    bench, count = bench_of(name), BENCHES[name][1]
    ready, made, core = seconds_each(bench, "cpu", count)
    print(
        f"{name}: one core: {ready:.2f} s to prepare, {made} masks, {core:.3f} s each", flush=True
    )
    for run in ("first", "again"):
        ready, made, gpu = seconds_each(bench, "cuda", 10**6)
        print(
            f"  GPU, {run}: {ready:.2f} s to prepare, {made} masks, {1e3 * gpu:.1f} ms each: ",
            end="",
        )
        print(f"{core / gpu:.1f} times as fast, {60 / gpu:.0f} a minute", flush=True)
    with tempfile.TemporaryDirectory() as folder:
        file = written(name, Path(folder))
        one = len(bench.targets.labels) * bench.targets.orientations == 1
        for options in [["cuda"]] if one else [["cuda", "--jobs", "1"], ["cuda"], ["cpu"]]:
            words = ["design", str(file), "--out", f"{folder}/set"]
            whole = command(words, "--device", *options)
            print(f"  command, --device {' '.join(options)}: {whole:.2f} s", flush=True)


def swept() -> None:
    """Prints the lines of the tolerances."""
    with tempfile.TemporaryDirectory() as folder:
        command(["design", "gi50-1550", "--out", f"{folder}/set"])
        for device in ("cuda", "cpu"):
            whole = command(["tolerance", f"{folder}/set"], "--device", device)
            print(f"tolerance, --device {device}: {whole:.2f} s", flush=True)


def written(name: str, folder: Path) -> Path:
    """The bench file of one of BENCHES in a folder."""
    file = folder / "bench.toml"
    file.write_text(tomlkit.dumps(sections_of(name)), encoding="utf-8")
    return file


if __name__ == "__main__":
    import cupy

    print(cupy.cuda.runtime.getDeviceProperties(0)["name"].decode())
    for name in sys.argv[1:] or [*BENCHES, "tolerance"]:
        if name == "tolerance":
            swept()
        else:
            compared(name)
