"""maskforge simulate-bench."""

from pathlib import Path
from typing import Annotated

import numpy as np
import typer

from maskforge import bench as benches
from maskforge.align.simulate import (
    BenchDisturbance,
    Mounting,
    disturbed,
    page_powers,
    readings_text,
)
from maskforge.align.stack_file import read_stack
from maskforge.base.files import check_place, write_text
from maskforge.base.ranges import Range
from maskforge.base.wording import counted
from maskforge.bench.elsewhere import refuse_device
from maskforge.bench.section import Seed
from maskforge.cli.common import interruptible, progress_bar
from maskforge.cli.last_lines import say_next, typed
from maskforge.cli.option_values import number, pair
from maskforge.cli.terminal import say

LIMITS = {
    "--noise": Range(0, 100, "%"),
    "--drift": Range(-100, 100, "%"),
    "--wander": Range(0, 100, "%"),
    "--floor": Range(0, 1e6, "mW"),
    "--offset": Range(-1e6, 1e6, "mW"),
    "--outliers": Range(0, 100, "%"),
    "--dropped": Range(0, 99, "%"),
    "--saturation": Range(1e-12, 1e6, "mW"),
    "--turn": Range(-180, 180, "deg"),
    "--seed": Seed,
}
SHIFT = Range(-10000, 10000, "um")


def simulate_bench(
    folder: Annotated[Path, typer.Argument(metavar="STACK", help="Folder of a bring-up stack.")],
    out: Annotated[Path, typer.Option(metavar="CSV", help="Where the readings go.")],
    truth: Annotated[
        str | None,
        typer.Option(
            metavar="BENCH", help="The bench as it really is.", show_default="that of the stack"
        ),
    ] = None,
    shift_um: Annotated[
        str, typer.Option(metavar="X,Y", help="Of the detector (fibre or hole) from its place, um.")
    ] = "0,0",
    turn: Annotated[
        float, typer.Option(metavar="DEG", help="Of a detector beside the order, about it.")
    ] = 0.0,
    noise: Annotated[float, typer.Option(metavar="%", help="Of the power, each reading.")] = 0.5,
    floor: Annotated[float, typer.Option(metavar="MW", help="Noise without light.")] = 0.0,
    offset: Annotated[float, typer.Option(metavar="MW", help="Reading without light.")] = 0.0,
    drift: Annotated[float, typer.Option(metavar="%", help="Over all readings, linear.")] = 1.0,
    wander: Annotated[
        float, typer.Option(metavar="%", help="A random walk's deviation at its end.")
    ] = 0.3,
    outliers: Annotated[float, typer.Option(metavar="%", help="Wild readings.")] = 0.0,
    dropped: Annotated[float, typer.Option(metavar="%", help="Missing readings.")] = 0.0,
    saturation: Annotated[
        float | None, typer.Option(metavar="MW", help="The detector's limit.")
    ] = None,
    seed: Annotated[int, typer.Option(metavar="N", help="Of the chance.")] = 0,
) -> None:
    """Invent the readings of a bring-up, on a known bench.

    The data are marked as invented.  The written pictures act on the true bench by the full model;
    then come noise, drift, offset, wild and missing readings.  What the fit finds can so be
    compared with what is true.
    """
    given = {
        "--noise": noise,
        "--drift": drift,
        "--wander": wander,
        "--floor": floor,
        "--offset": offset,
        "--outliers": outliers,
        "--dropped": dropped,
        "--saturation": saturation,
        "--turn": turn,
        "--seed": seed,
    }
    for option, value in given.items():
        if value is not None:
            number(option, value, LIMITS[option])
    disturbance = BenchDisturbance(
        noise=noise / 100,
        drift=drift / 100,
        wander=wander / 100,
        floor=floor,
        offset=offset,
        outliers=outliers / 100,
        dropped=dropped / 100,
        saturation=saturation,
    )
    x, y = pair("--shift-um", shift_um, SHIFT)
    mounting = Mounting((x * 1e-6, y * 1e-6), float(np.deg2rad(turn)))
    check_place(out)
    stack = read_stack(folder)
    true = stack.bench if truth is None else benches.load(truth)
    refuse_device(true, "simulate")
    with interruptible("interrupted; nothing is written"):
        with progress_bar("simulating") as progress:
            pages = page_powers(stack, true, mounting)
            clean = np.array(list(progress.track(pages, total=len(stack.frames))))
        readings = disturbed(stack, clean, disturbance, seed)
    told = ", ".join(
        f"{option.removeprefix('--')} {value:g}" for option, value in given.items() if value
    )
    name = "the stack's bench" if truth is None else true.name
    about = f"maskforge simulate-bench, {stack.step.name} on {name}, shift_um {shift_um}, {told}"
    write_text(out, readings_text(readings, about))
    say(f"{counted(len(readings), 'invented reading')} in {out}")
    say_next(typed("readings", "fit", folder, out))
