"""How time and memory grow with pixels, modes and masks, against the bare products of what is made.

    python benchmarks/growth.py [--quick]

Every case runs in a process of its own, on one thread, so that the peak memory is its own.  While a
mask is designed once more all transforms between pixels and facet and all products with the modes
are counted, as they are called, with the floating-point operations of their matrix products.  The
floor is the time of so many operations in a bare matrix product of the case's own shape and
precision, timed in the same process; all seconds are of the processor.  `dual` makes no FFT.  What
lies above the floor is Newton's method on the blocks, which is not counted, the bound for all
phases, and what is done pixel by pixel.
"""

import argparse
import json
import resource
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from typing import Any

import numpy as np
from ratios import BENCH, GRADED_62, changed
from threadpoolctl import threadpool_limits

from maskforge import bench as benches
from maskforge.bench import Bench
from maskforge.bench.ready import Prepared, prepared
from maskforge.launch import couplings, facet, mode_samples
from maskforge.launch.targets import lp_target
from maskforge.methods.draft import draft_of
from maskforge.methods.dual import dual
from maskforge.methods.problem import Problem
from maskforge.sets.designing import finished_masks

LABELS = ("LP01", "LP21", "LP11")
SINGLE, DOUBLE = "single", "double"

Counts = dict[str, float]


def cpu_seconds(work: Callable[[], object]) -> float:
    """Least CPU seconds of a call, of three at least and 0.3 s together, after one to warm up."""
    work()
    taken: list[float] = []
    while len(taken) < 3 or sum(taken) < 0.3:
        start = time.process_time()
        work()
        taken.append(time.process_time() - start)
    return min(taken)


def panel(count: int) -> Mapping[str, Any]:
    """So many pixels along a side, of the same panel."""
    return {"pixels": [count, count], "panel": [count, count], "pitch_um": 15 * 512 / count}


def case(kind: str, size: int) -> Bench:
    """A bench of so many pixels along a side, groups of modes, or orientations."""
    if kind == "pixels":
        return changed(GRADED_62, fiber={"preset": "gi50", "groups": 9}, modulator=panel(size))
    if kind == "groups":
        return changed(GRADED_62, fiber={"groups": size})
    return benches.load(BENCH, method="dual", orientations=size)


CASES: Mapping[str, tuple[int, ...]] = {
    "pixels": (256, 512, 1024),
    "groups": (3, 9, 17),
    "orientations": (1, 3, 12),
}
QUICK: Mapping[str, tuple[int, ...]] = {
    "pixels": (256, 512),
    "groups": (3, 9),
    "orientations": (1,),
}


@contextmanager
def counted() -> Iterator[Counts]:
    """Calls, and operations by precision, of all transforms and products with the modes."""
    found: Counts = {"transforms": 0, "products": 0, SINGLE: 0, DOUBLE: 0}

    def of_transform(field: Any, over_y: Any, over_x: Any, *, real: bool = False) -> float:
        """Two products by even and odd halves: a quarter of the whole each, for either half."""
        (v, y), (u, x) = over_y.samples, over_x.samples
        first, second = (v * y * x, v * x * u) if v < y else (u * x * y, u * y * v)
        return first * (1 if np.isrealobj(field) else 2) + second * (1 if real else 2)

    def counting(kind: str, whole: Callable[..., Any], cost: Callable[..., float]) -> Any:
        def work(*args: Any, **keys: Any) -> Any:
            found[kind] += 1
            single = any(getattr(one, "dtype", None) in (np.float32, np.complex64) for one in args)
            found[SINGLE if single else DOUBLE] += cost(*args, **keys)
            return whole(*args, **keys)

        return work

    def of_product(one: Any, other: Any) -> float:
        return 4.0 * max(one.size, other.size)

    wrapped = [(facet, "transform", "transforms", of_transform)]
    for module in (couplings, mode_samples):
        wrapped += [(module, name, "products", of_product) for name in ("real_times", "times_real")]
    with ExitStack() as after:
        for module, name, kind, cost in wrapped:
            whole = getattr(module, name)
            after.callback(setattr, module, name, whole)
            setattr(module, name, counting(kind, whole, cost))
        yield found


def rate(ready: Prepared, kind: type) -> float:
    """Operations a second of a bare product as wide as the draft's transform."""
    u, x = draft_of(ready.launch).facet.u.size // 2, ready.launch.x.size
    left, right = np.ones((u, x // 2), kind), np.ones((x // 2, x), kind)
    out = np.empty((u, x), kind)
    return 2 * u * (x // 2) * x / cpu_seconds(lambda: np.matmul(left, right, out=out))


def measured(kind: str, size: int) -> dict[str, float]:
    start = time.process_time()
    ready = prepared(case(kind, size))
    if kind == "orientations":
        count = sum(1 for _ in finished_masks(ready))
        taken = time.process_time() - start
        return {"masks": count, "seconds": taken, "each": taken / count}
    launch = ready.launch
    problems = [Problem(launch, lp_target(launch.basis, label), 0.999) for label in LABELS]
    for problem in problems:
        dual(problem)
    seconds = statistics.mean(cpu_seconds(lambda p=p: dual(p)) for p in problems)  # type: ignore[misc]
    with counted() as found:
        for problem in problems:
            dual(problem)
    floor = found[SINGLE] / rate(ready, np.float32) + found[DOUBLE] / rate(ready, np.float64)
    return {
        "pixels": float(np.prod(launch.modulator.shape)),
        "modes": len(launch.basis),
        "seconds": seconds,
        "transforms": found["transforms"] / len(problems),
        "operations": (found[SINGLE] + found[DOUBLE]) / len(problems),
        "floor": floor / len(problems),
    }


def one_case(kind: str, size: int) -> None:
    with threadpool_limits(1):
        found = measured(kind, size)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    found["MiB"] = peak / (2**20 if sys.platform == "darwin" else 2**10)
    print(json.dumps(found))


def rows(kind: str, sizes: tuple[int, ...]) -> list[dict[str, float]]:
    found = []
    for size in sizes:
        words = [sys.executable, __file__, "--case", kind, str(size)]
        done = subprocess.run(words, check=True, capture_output=True, text=True)
        found.append(json.loads(done.stdout))
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--quick", action="store_true", help="fewer and smaller cases")
    parser.add_argument("--case", nargs=2, help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.case:
        one_case(chosen.case[0], int(chosen.case[1]))
        return
    cases = QUICK if chosen.quick else CASES
    print(f"a mask of {', '.join(LABELS)} in the mean; purity 0.999, one thread")
    print("     pixels  modes   s a mask  transforms    Gflop  floor s  above floor  peak MiB")
    for kind in ("pixels", "groups"):
        for row in rows(kind, cases[kind]):
            print(
                f"  {row['pixels']:9.0f} {row['modes']:6.0f} {row['seconds']:10.3f} "
                f"{row['transforms']:11.0f} {row['operations'] / 1e9:8.2f} {row['floor']:8.3f} "
                f"{row['seconds'] / row['floor']:12.1f} {row['MiB']:9.0f}"
            )
    print(f"\n{BENCH} designed whole, with preparing\n      masks   CPU s   s a mask  peak MiB")
    for row in rows("orientations", cases["orientations"]):
        print(f"  {row['masks']:9.0f} {row['seconds']:7.1f} {row['each']:10.3f} {row['MiB']:9.0f}")


if __name__ == "__main__":
    main()
