"""maskforge bringup."""

from pathlib import Path
from typing import Annotated

import typer

from maskforge import bench as benches
from maskforge.align.catalogue import NAMES, STEPS, shots_of, step_of
from maskforge.align.scene import scene_of
from maskforge.align.stack_file import PASSES, WATCH, write_stack
from maskforge.align.step import Choices
from maskforge.base.errors import BenchError
from maskforge.base.ranges import Range
from maskforge.base.wording import counted, one_line
from maskforge.bench.elsewhere import refuse_device
from maskforge.cli.common import BenchName, interruptible, whole
from maskforge.cli.last_lines import say_caution, say_next, typed
from maskforge.cli.option_values import as_options
from maskforge.cli.terminal import print_table, say, table_of
from maskforge.playing.playlist import DWELL_MS, SETTLE_MS, Timing

NOLL = Range(2, 231, whole=True)


def step_names(incomplete: str) -> list[str]:
    return [name for name in NAMES if name.startswith(incomplete)]


def bringup(
    bench_name: BenchName,
    step: Annotated[
        str | None,
        typer.Option(help="What to measure; left out: list the steps.", autocompletion=step_names),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(help="Folder of the stack.", show_default="out/<name of the bench>-<step>"),
    ] = None,
    points: Annotated[
        int | None,
        typer.Option(
            metavar="N", help="Frames along a scan, greys, or squares.", parser=whole("--points")
        ),
    ] = None,
    span: Annotated[
        float | None,
        typer.Option(metavar="X", help="Of a scan from first to last, in the step's unit."),
    ] = None,
    period: Annotated[
        float | None,
        typer.Option(metavar="PX", help="Of the carrier or grating, instead of the bench's."),
    ] = None,
    noll: Annotated[
        str | None, typer.Option(metavar="LIST", help="Zernike indices to scan, as in 4,5,6.")
    ] = None,
    passes: Annotated[
        int,
        typer.Option(metavar="N", help="Times that each frame is shown.", parser=whole("--passes")),
    ] = PASSES,
    dwell_ms: Annotated[
        float, typer.Option(metavar="MS", help="How long the detector integrates.")
    ] = DWELL_MS,
    settle_ms: Annotated[
        float,
        typer.Option(metavar="MS", help="How long the modulator settles before the light counts."),
    ] = SETTLE_MS,
    frame_rate_hz: Annotated[
        float | None,
        typer.Option(
            metavar="HZ", help="Of a modulator that changes frames at multiples of its period only."
        ),
    ] = None,
) -> None:
    """Make the frames that align a bench, one step at a time.

    A stack is stack.tif, playlist.csv, bringup.json and WATCH.txt, which says what to watch and to
    do.  Play it, record time_s, page and power_mw, and let maskforge readings fit find what the
    bench is like.
    """
    bench = benches.load(bench_name)
    refuse_device(bench, "bringup")
    if step is None:
        _list_steps()
        say_next(f"{typed('bringup', bench_name, '--step', STEPS[0].name)}, then down the list")
        return
    with as_options():
        made = step_of(step)
        choices = Choices(points, span, period, None if noll is None else _indices(noll))
        timing = Timing(dwell_ms, settle_ms, frame_rate_hz)
    place = Path("out") / f"{bench.name}-{made.name}" if out is None else out
    with interruptible("interrupted; nothing is written"), as_options():
        scene = scene_of(bench)
        shots = shots_of(made, scene, choices)
        readings = write_stack(place, scene, made, shots, timing, passes)
    say(
        f"{made.name}: {made.purpose}\n{counted(len(shots.frames), 'frame')}, "
        f"{counted(readings, 'reading')} in {float(readings * timing.step):.4g} s\n"
        f"in {place}"
    )
    say_caution(benches.power_warning(bench))
    say_next(
        f"read {place / WATCH}, play the frames, then "
        f"{typed('readings', 'fit', place, 'readings.csv')}"
    )


def _list_steps() -> None:
    table = table_of(
        "step", "what it measures", "options", left=("step", "what it measures", "options")
    )
    for step in STEPS:
        options = ", ".join(f"--{name}" for name in step.allowed)
        unit = f" (--span in {step.unit})" if step.unit else ""
        table.add_row(step.name, step.purpose, options + unit)
    print_table(table)


def _indices(text: str) -> tuple[int, ...]:
    """Noll indices between commas; BenchError for anything else, or one given twice."""
    found: list[int] = []
    for part in (piece.strip() for piece in text.split(",")):
        good = part.isascii() and part.isdecimal() and NOLL.low <= int(part[:9]) <= NOLL.high
        if not good or int(part) in found:
            raise BenchError(
                one_line(
                    f"--noll = {text}: must be different whole numbers from {NOLL.low:g} to "
                    f"{NOLL.high:g}, with commas between"
                )
            )
        found.append(int(part))
    return tuple(found)
