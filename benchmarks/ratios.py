"""Side-by-side timings, printed as ratios: all numbers of a table are measured in the same run.

    python benchmarks/ratios.py [--quick]

set     the 245 masks of gi50-1550 as the command line makes them, against the plain loop
mask    dual and ifta per mask, against each other and against the bare products or FFTs they need
growth  with modes, pixels and masks
large   a megapixel phase panel; a fibre of several hundred modes, with its peak memory

Seconds are those of this machine at this moment; the ratios are what to compare.  Take BLAS and
OpenMP settings out of the environment first, or they are part of what is measured.
"""

import argparse
import os
import platform
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import plain_loop
import pyfftw
from threadpoolctl import threadpool_info, threadpool_limits

from maskforge import bench as benches
from maskforge.base.files import replacing
from maskforge.bench import Bench
from maskforge.bench.ready import prepared
from maskforge.launch.couplings import Launch, predict
from maskforge.launch.fourier import fourier_rows
from maskforge.launch.modulator import emitted
from maskforge.launch.prediction import Prediction
from maskforge.launch.targets import Target, lp_target
from maskforge.methods.attempts import attempt
from maskforge.methods.draft import draft_of
from maskforge.methods.dual import dual
from maskforge.methods.ifta import ifta
from maskforge.methods.problem import Design, Problem, gap_of
from maskforge.sets.designing import Finished, finished_masks
from maskforge.sets.writing import head_of, write_set

BENCH = "gi50-1550"
JOBS = 2

LABELS = ("LP01", "LP21", "LP33", "LP81")
"""Timed one by one: low and high, round and not."""

GRADED_62: Mapping[str, Mapping[str, Any]] = {
    "light": {"wavelength_nm": 1550.0, "waist_mm": 2.7},
    "modulator": {"preset": "binary-512"},
    "lens": {"focal_length_mm": 16.0},
    "fiber": {"preset": "gi62"},
    "design": {"purity": 0.999},
}
"""17 groups, so that the same fibre serves for all numbers of modes."""

LARGE: Mapping[str, Mapping[str, Mapping[str, Any]]] = {
    "45 modes, 1550 nm": {
        "light": {"wavelength_nm": 1550.0, "waist_mm": 2.7},
        "modulator": {"preset": "grey-1080", "pixels": [1920, 1080]},
        "lens": {"focal_length_mm": 16.0},
        "fiber": {"preset": "gi50", "groups": 9},
        "design": {"carrier_period_px": 6.0, "carrier_angle_deg": 45.0},
    },
    "62.5 um, 850 nm": {
        "light": {"wavelength_nm": 850.0, "waist_mm": 2.3},
        "modulator": {"preset": "grey-1080"},
        "lens": {"focal_length_mm": 25.0},
        "fiber": {"preset": "gi62"},
        "design": {"carrier_period_px": 6.0, "carrier_angle_deg": 45.0},
    },
}


LONG = 10.0
"""Seconds: what takes longer is timed once."""


def seconds_of(work: Callable[[], object], before: float | None = None) -> float:
    """Median seconds of one call, of three at least and 0.3 s together, after one to warm up.

    `before`: seconds that a call took just before, which then was the one to warm up.
    """
    if before is None:
        work()
    taken: list[float] = []
    while not taken or (taken[0] < LONG and (sum(taken) < 0.3 or len(taken) < 3)):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return statistics.median(taken)


@contextmanager
def counted(owner: Any, name: str) -> Iterator[list[int]]:
    """Counts the calls of a function or method while the block runs."""
    whole, count = getattr(owner, name), [0]

    def counting(*args: Any, **kwargs: Any) -> Any:
        count[0] += 1
        return whole(*args, **kwargs)

    setattr(owner, name, counting)
    try:
        yield count
    finally:
        setattr(owner, name, whole)


@contextmanager
def clocked(owner: Any, *names: str) -> Iterator[list[float]]:
    """Adds up the seconds within functions of a module, none of which calls another of them."""
    wholes, seconds = [getattr(owner, name) for name in names], [0.0]

    def of(whole: Callable[..., Any]) -> Callable[..., Any]:
        def clocking(*args: Any, **kwargs: Any) -> Any:
            start = time.perf_counter()
            try:
                return whole(*args, **kwargs)
            finally:
                seconds[0] += time.perf_counter() - start

        return clocking

    for name, whole in zip(names, wholes, strict=True):
        setattr(owner, name, of(whole))
    try:
        yield seconds
    finally:
        for name, whole in zip(names, wholes, strict=True):
            setattr(owner, name, whole)


def shown(launch: Launch, target: Target, made: Design) -> Prediction:
    return predict(launch, target, emitted(launch.modulator, made.states))


# --- the machine -----------------------------------------------------------------------------


def print_machine() -> None:
    pools = {
        f"{p['internal_api']} {p['version']}, {p['num_threads']} threads" for p in threadpool_info()
    }
    left = [f"{k}={v}" for k, v in os.environ.items() if k.startswith(("OPENBLAS_", "OMP_"))]
    print(
        f"{os.cpu_count()} cores ({platform.machine()}), Python {platform.python_version()}, "
        f"numpy {np.__version__}, pyfftw {pyfftw.__version__}"
    )
    print(f"{'; '.join(sorted(pools))}; environment: {' '.join(left) or 'nothing set'}")
    print(f"load before the run: {os.getloadavg()[0]:.2f}")


# --- the whole set ---------------------------------------------------------------------------


def designed(bench: Bench, out: Path, jobs: int) -> list[Finished]:
    """A set designed, predicted and written, as the command line does it."""
    masks: list[Finished] = []

    def noted(found: Iterator[Finished]) -> Iterator[Finished]:
        for mask in found:
            masks.append(replace(mask, design=replace(mask.design, states=mask.design.states[:0])))
            yield mask

    with replacing(out) as folder:
        ready = prepared(bench)
        head = head_of(ready, out)
        write_set(folder, head, noted(finished_masks(ready, jobs=jobs)))
    return masks


def whole_set(quick: bool) -> None:
    orientations = 2 if quick else 12
    bench = benches.load(BENCH, method="dual", orientations=orientations)
    with tempfile.TemporaryDirectory() as folder:
        start = time.perf_counter()
        masks = designed(bench, Path(folder) / "set", JOBS)
        ours = time.perf_counter() - start
    start = time.perf_counter()
    plain_loop.scene(BENCH)
    ready = time.perf_counter() - start
    plain = [plain_loop.judged(BENCH, label, 0.0) for label in LABELS]
    each = statistics.median(seconds for seconds, _ in plain)
    theirs = ready + len(masks) * each
    purity = sorted(mask.prediction.purity for mask in masks)
    gaps = sorted(gap_of(mask.prediction.efficiency, mask.design.bound) or 0.0 for mask in masks)
    print(f"\nset: {BENCH}, {len(masks)} masks, purity asked {bench.design.purity:g}")
    print(f"  dual, {JOBS} processes, designed, predicted and written   {ours:8.1f} s")
    print(
        f"  plain loop, {each:.2f} s a mask (median of {len(plain)}), one process   {theirs:8.1f} s"
    )
    print(
        f"  plain loop / dual: {theirs / ours:.1f}; were it spread over {JOBS} processes "
        f"without loss: {theirs / ours / JOBS:.1f}"
    )
    print(
        f"  dual: purity from {purity[0]:.6f}, median {statistics.median(purity):.6f}, "
        f"{sum(mask.design.reached for mask in masks)} of {len(masks)} reached; "
        f"gap median {100 * statistics.median(gaps):.3f} %, largest {100 * gaps[-1]:.3f} %"
    )
    for label, (_, found) in zip(LABELS, plain, strict=True):
        same = next(mask for mask in masks if mask.target.name == label)
        print(
            f"  {label}: plain loop {found.purity:.5f} pure at {100 * found.efficiency:.1f} %, "
            f"dual {same.prediction.purity:.5f} at {100 * same.prediction.efficiency:.1f} %"
        )


# --- mask by mask, and the floors ------------------------------------------------------------


def products(launch: Launch) -> float:
    """Seconds of the bare products of one attempt: back to the pixels, and to the couplings.

    Whole complex ones; the designs save some of them, by symmetry and where all is real.
    """
    draft = draft_of(launch)
    rng = np.random.default_rng(1)
    field = rng.normal(size=launch.modulator.shape).astype(np.complex64)
    vector = rng.normal(size=len(launch.basis)).astype(np.complex64)
    u, kernel = draft.facet.u, draft.kernels[0].parts[0].values
    rows_y = fourier_rows(launch.y, u, launch.scale).astype(np.complex64)
    rows_x = fourier_rows(launch.x, u, launch.scale).astype(np.complex64)
    facet = np.empty((u.size, u.size), dtype=np.complex64)
    half = np.empty((u.size, launch.x.size), dtype=np.complex64)
    adjoint_y = np.ascontiguousarray(rows_y.conj().T)
    across, conjugate = np.ascontiguousarray(rows_x.T), rows_x.conj()

    def bare() -> None:
        there = (vector @ kernel).reshape(facet.shape)
        np.matmul(there, conjugate, out=half)
        np.matmul(adjoint_y, half, out=field)
        np.matmul(rows_y, field, out=half)
        np.matmul(half, across, out=facet)
        _ = kernel @ facet.ravel()

    return seconds_of(bare)


def bare_fft(shape: tuple[int, int], kind: str) -> float:
    """Seconds of a planned FFT there and back, in place, on one thread."""
    buffer = pyfftw.empty_aligned(shape, dtype=kind)
    effort = ("FFTW_MEASURE",)
    there = pyfftw.FFTW(buffer, buffer, axes=(0, 1), flags=effort, threads=1)
    back = pyfftw.FFTW(
        buffer, buffer, axes=(0, 1), flags=effort, threads=1, direction="FFTW_BACKWARD"
    )
    buffer[:] = 1

    def both() -> None:
        there.execute()
        back.execute()
        buffer[:] = 1

    def rest() -> None:
        buffer[:] = 1

    return seconds_of(both) - seconds_of(rest)


def mask_by_mask(quick: bool) -> None:
    launch = prepared(benches.load(BENCH, orientations=1)).launch
    dual_module, ifta_module = sys.modules[dual.__module__], sys.modules[ifta.__module__]
    attempts_module = sys.modules[attempt.__module__]
    rows, columns = launch.modulator.shape
    floor = products(launch)
    ffts = {
        (name, kind): bare_fft(shape, kind)
        for name, shape in (("padded", (2 * rows, 2 * columns)), ("unpadded", (rows, columns)))
        for kind in ("complex64", "complex128")
    }
    print(
        f"\nmask: {BENCH}, one thread, purity 0.999; one attempt's bare products "
        f"{1e3 * floor:.2f} ms; bare FFT pair "
        + ", ".join(f"{name} {kind} {1e3 * s:.1f} ms" for (name, kind), s in ffts.items())
    )
    print(
        "  mask      dual s  attempts  dual / bare  cover %   warm s   ifta s  iterations  "
        "ifta / dual  ifta / bare FFT (padded c64, c128, unpadded c64, c128)"
    )
    for label in LABELS[: 2 if quick else None]:
        target = lp_target(launch.basis, label)
        problem = Problem(launch, target, 0.999)
        made = dual(problem)
        with counted(attempts_module, "attempt") as attempts:
            dual(problem)
        with clocked(dual_module, "proven", "certified") as cover:
            start = time.perf_counter()
            dual(problem)
            covered = cover[0] / (time.perf_counter() - start)
        ours = seconds_of(lambda p=problem: dual(p))  # type: ignore[misc]
        turned = Problem(launch, lp_target(launch.basis, label, 7.0), 0.999)
        warm = seconds_of(lambda p=turned, m=made: dual(p, None, m))  # type: ignore[misc]
        ifta(problem)
        with counted(ifta_module.Window, "change") as steps:
            start = time.perf_counter()
            ifta(problem)
            theirs = time.perf_counter() - start
        against = "  ".join(f"{theirs / steps[0] / s:.2f}" for s in ffts.values())
        print(
            f"  {label:<8} {ours:7.3f} {attempts[0]:9d} {ours / attempts[0] / floor:12.2f} "
            f"{100 * covered:8.1f} {warm:8.3f} {theirs:8.2f} {steps[0]:11d} {theirs / ours:12.1f}  "
            f"{against}"
        )
    print(
        "  (dual / bare: whole time over attempts times bare products; cover: its share of that "
        "time, the bound for all phases, in double precision at the end)"
    )


# --- growth ----------------------------------------------------------------------------------


def changed(base: Mapping[str, Mapping[str, Any]], **sections: Mapping[str, Any]) -> Bench:
    data = {
        name: dict(base.get(name, {})) | dict(sections.get(name, {})) for name in {*base, *sections}
    }
    return benches.from_dict(data, "benchmark")


def timed(bench: Bench, label: str = "LP21") -> tuple[float, float, Launch, Design, Prediction]:
    """(seconds to prepare and first mask, seconds of a further mask, launch, mask, prediction)."""
    start = time.perf_counter()
    launch = prepared(bench).launch
    problem = Problem(launch, lp_target(launch.basis, label), bench.design.purity)
    made = dual(problem)
    first = time.perf_counter() - start
    again = seconds_of(lambda: dual(problem), first)
    return first, again, launch, made, shown(launch, problem.target, made)


def print_growth(name: str, rows: list[tuple[str, float, float, Design, Prediction]]) -> None:
    print(
        f"\ngrowth with {name} (LP21)\n"
        "  what             s a mask   ratio  first mask with preparing s  reached   purity    gap"
    )
    for what, first, again, made, found in rows:
        gap = gap_of(found.efficiency, made.bound) or 0.0
        print(
            f"  {what:<16} {again:8.3f} {again / rows[0][2]:7.2f} {first:28.2f} "
            f"{made.reached!s:>8} {found.purity:.6f} {100 * gap:.3f} %"
        )


def growth(quick: bool) -> None:
    rows = []
    for groups in (3, 9) if quick else (3, 5, 9, 13, 17):
        first, again, launch, made, found = timed(changed(GRADED_62, fiber={"groups": groups}))
        rows.append((f"{len(launch.basis)} modes", first, again, made, found))
    print_growth("modes, 62.5 um fibre, 512 x 512 pixels", rows)
    rows = []
    for count in (256, 512) if quick else (256, 512, 1024):
        panel = {"pixels": [count, count], "panel": [count, count], "pitch_um": 15 * 512 / count}
        bench = changed(GRADED_62, fiber={"preset": "gi50", "groups": 9}, modulator=panel)
        first, again, _, made, found = timed(bench)
        rows.append((f"{count} x {count}", first, again, made, found))
    print_growth("pixels, 45 modes, the same field of view", rows)
    print("\ngrowth with masks, all 25 labels, one process\n  masks        s   s a mask   ratio")
    one = 0.0
    for orientations in (1, 2) if quick else (1, 3, 12):
        ready = prepared(benches.load(BENCH, method="dual", orientations=orientations))
        start = time.perf_counter()
        count = sum(1 for _ in finished_masks(ready))
        each = (time.perf_counter() - start) / count
        one = one or each
        print(f"  {count:5d} {each * count:8.1f} {each:10.3f} {each / one:7.2f}")


# --- large panels and fibres -----------------------------------------------------------------


def one_large(name: str) -> None:
    """In a process of its own, so that the peak memory is this mask's."""
    with threadpool_limits(1):
        first, again, launch, made, found = timed(changed(LARGE[name]))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    peak_mib = peak / 2**20 if sys.platform == "darwin" else peak / 2**10
    rows, columns = launch.modulator.shape
    gap = gap_of(found.efficiency, made.bound) or 0.0
    print(
        f"  {name:<18} {columns} x {rows}, {launch.modulator.alphabet.size} levels, "
        f"{len(launch.basis)} modes: {again:.2f} s a mask, first with preparing {first:.2f} s, "
        f"peak {peak_mib:.0f} MiB; reached {made.reached}, purity {found.purity:.6f}, "
        f"gap {100 * gap:.3f} %"
    )


def large() -> None:
    print("\nlarge, one thread each, LP21", flush=True)
    for name in LARGE:
        subprocess.run([sys.executable, __file__, "--large", name], check=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--quick", action="store_true", help="fewer masks and sizes")
    parser.add_argument("--large", choices=list(LARGE), help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.large:
        one_large(chosen.large)
        return
    print_machine()
    whole_set(chosen.quick)
    with threadpool_limits(1):
        mask_by_mask(chosen.quick)
        growth(chosen.quick)
    if not chosen.quick:
        large()


if __name__ == "__main__":
    main()
