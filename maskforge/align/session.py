"""A bring-up in calls: frames made, readings fitted, the bench changed: for scripts."""

from collections.abc import Iterable, Sequence
from pathlib import Path

from maskforge.align.alignment import StepFit, Update, fitted_in_order, update_of
from maskforge.align.catalogue import shots_of, step_of
from maskforge.align.new_bench import write_bench
from maskforge.align.readings import Readings, read_readings
from maskforge.align.scene import scene_of
from maskforge.align.stack import Stack
from maskforge.align.stack_file import PASSES, read_stack, write_stack
from maskforge.align.step import Choices
from maskforge.base.arguments import number, path_of, plain_errors
from maskforge.base.errors import BenchError
from maskforge.base.ranges import Range
from maskforge.bench import Bench
from maskforge.bench.elsewhere import refuse_device
from maskforge.bench.given import bench_given
from maskforge.playing.playlist import DWELL_MS, SETTLE_MS, Timing

LIMIT = Range(1e-12, 1e6, "mW")


def bringup(
    bench: "Bench | str | Path",
    step: str,
    out: str | Path,
    *,
    points: int | None = None,
    span: float | None = None,
    period: float | None = None,
    noll: Sequence[int] | None = None,
    passes: int = PASSES,
    dwell_ms: float = DWELL_MS,
    settle_ms: float = SETTLE_MS,
    frame_rate_hz: float | None = None,
) -> Stack:
    """Writes the frames of a step that aligns a bench into a folder, as `maskforge bringup`.

    Raises BenchError, one line, or OutputError.
    """
    place = path_of("out", out)
    loaded = bench_given(bench)
    refuse_device(loaded, "bringup")
    if not isinstance(step, str):
        raise BenchError("step: must be a step's name")
    rounds = int(number("passes", passes, Range(1, 1000, whole=True)))
    terms = None if noll is None else _terms(noll)
    with plain_errors():
        made = step_of(step)
        choices, timing = (
            Choices(points, span, period, terms),
            Timing(dwell_ms, settle_ms, frame_rate_hz),
        )
        scene = scene_of(loaded)
        shots = shots_of(made, scene, choices)
        write_stack(place, scene, made, shots, timing, rounds)
    return read_stack(place)


def _terms(noll: Sequence[int]) -> tuple[int, ...]:
    if not isinstance(noll, Iterable):
        raise BenchError("noll: must be a list of indices")
    found = tuple(int(number("noll", one, Range(2, 231, whole=True))) for one in noll)
    if not found or len(set(found)) < len(found):
        raise BenchError("noll: must be different indices, one at least")
    return found


def fit(
    *parts: "tuple[Stack | str | Path, Readings | str | Path]", saturation_mw: float | None = None
) -> tuple[StepFit, ...]:
    """Fits the readings of steps, each (stack, readings), as `maskforge readings fit`.

    They are fitted in the order in which they depend on each other, each on the bench that those
    before it found.  Of each: `.fit.values`, `.fit.curves`.  Raises BenchError, one line.
    """
    if not parts:
        raise BenchError("fit: at least one (stack, readings) is needed")
    limit = None if saturation_mw is None else number("saturation_mw", saturation_mw, LIMIT)
    read = []
    for part in parts:
        if not isinstance(part, tuple | list) or len(part) != 2:
            raise BenchError("fit: each must be a pair (stack, readings)")
        one, other = part
        stack = one if isinstance(one, Stack) else read_stack(path_of("stack", one))
        rows = other
        if not isinstance(rows, Readings):
            rows = read_readings(path_of("readings", rows), len(stack.frames))
        read.append((stack, rows))
    return fitted_in_order(read, limit)


def updated(found: Sequence[StepFit], bench: "Bench | str | Path") -> Update:
    """The bench with what steps found, in memory: `.bench`; `.left`: what no key of it holds."""
    loaded = bench_given(bench)
    place = "greys.csv" if any(each.fit.table is not None for each in found) else None
    return update_of(loaded, found, place)


def write_update(found: Sequence[StepFit], bench: str | Path, new: str | Path) -> tuple[str, ...]:
    """Writes a bench file's text with what steps found to a new file; what to know, in lines."""
    return write_bench(found, str(path_of("bench", bench)), path_of("new", new))
