"""Speed-ups of `maskforge design` over processes, as whole commands on this machine.

    python benchmarks/cores.py [--labels N] [--quick] [--against CHECKOUT]

small  the 245 masks of gi50-1550
large  96 masks of 1920 x 1080 pixels, 256 levels, 45 modes, carrier 6 px at 45 deg

A row a number of processes: seconds of the whole command (start, masks, files, page) and the
speed-up over one process.  The masks' bytes must be the same in every row.  Some five minutes on 16
cores.
`--against`: another checkout, whose command is timed next to this one's on the small set.
"""

import argparse
import hashlib
import os
import platform
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).resolve().parent.parent

LARGE = """
[light]
wavelength_nm = 1550.0
waist_mm = 2.7
[modulator]
preset = "grey-1080"
pixels = [1920, 1080]
[lens]
focal_length_mm = 16.0
[fiber]
preset = "gi50"
groups = 9
[targets]
labels = [{labels}]
orientations = {orientations}
[design]
carrier_period_px = 6.0
carrier_angle_deg = 45.0
"""
LABELS = (
    *("LP01", "LP11", "LP21", "LP12", "LP31", "LP22", "LP41", "LP13", "LP32", "LP51"),
    *("LP23", "LP42", "LP61", "LP14", "LP33", "LP52", "LP71", "LP24", "LP43", "LP62"),
)
"""One without and 19 with orientations, all within nine groups."""

SETTINGS = "OPENBLAS_", "OMP_", "PYTHONDONTWRITE"
"""Of the environment; the last one has the program's text translated anew in every process."""

COUNTS = {"small": (1, 2, 4, 8, 16), "large": (1, 2, 8, 16)}
"""Of processes; those that exceed the cores are left out, but for the smallest two."""


@dataclass(frozen=True)
class Run:
    """Seconds of a command, and the SHA-256 of its masks.tif."""

    seconds: float
    masks: str


def run_of(bench: str, jobs: int, checkout: Path) -> Run:
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "-m", "maskforge", "design", bench]
        # a setting of the caller's is no part of what is measured
        kept = {k: v for k, v in os.environ.items() if not k.startswith(SETTINGS)}
        path = os.pathsep.join(filter(None, [str(checkout), os.environ.get("PYTHONPATH")]))
        start = time.perf_counter()
        done = subprocess.run(
            [*command, "--jobs", str(jobs), "--device", "cpu", "--out", f"{folder}/set"],
            env=kept | {"PYTHONPATH": path},
            cwd=folder,
            capture_output=True,
            text=True,
            check=False,
        )
        seconds = time.perf_counter() - start
        stack = Path(folder, "set", "masks.tif")
        # a mask that is less pure than asked ends with 1, too
        if not stack.is_file():
            raise SystemExit(f"{bench}, {jobs} processes: {done.stderr}")
        masks = hashlib.sha256(stack.read_bytes()).hexdigest()
    return Run(seconds, masks)


def table(name: str, bench: str, against: Path | None) -> None:
    cores = os.cpu_count() or 1
    other = "    of the other" if against else ""
    print(f"\n{name}\n  jobs         s   speed-up   masks{other}")
    one: Run | None = None
    for jobs in COUNTS[name]:
        if jobs > max(cores, 2):
            continue
        found = run_of(bench, jobs, HERE)
        one = one or found
        row = f"  {jobs:4d} {found.seconds:9.2f} {one.seconds / found.seconds:10.2f}"
        row += "   same" if found.masks == one.masks else "  OTHER"
        if against:
            row += f"{100 * found.seconds / run_of(bench, jobs, against).seconds:12.0f} %"
        print(row, flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--labels", type=int, default=len(LABELS), help="of the large panel")
    parser.add_argument("--quick", action="store_true", help="fewer masks of the large panel")
    parser.add_argument("--against", type=Path, help="another checkout to time on the small set")
    chosen = parser.parse_args()
    load = f"{os.getloadavg()[0]:.2f}" if hasattr(os, "getloadavg") else "unknown"
    print(f"{os.cpu_count()} cores, Python {platform.python_version()}, load before: {load}")
    # so that the first row does not translate the program's text
    run_of("few-mode-1310", 1, HERE)
    table("small", "gi50-1550", chosen.against and chosen.against.resolve())
    with tempfile.TemporaryDirectory() as folder:
        labels = LABELS[: 3 if chosen.quick else chosen.labels]
        text = LARGE.format(
            labels=", ".join(f'"{label}"' for label in labels),
            orientations=2 if chosen.quick else 5,
        )
        bench = Path(folder) / "large.toml"
        bench.write_text(text, "utf-8")
        table("large", str(bench), None)


if __name__ == "__main__":
    main()
