"""maskforge simulate-device."""

from pathlib import Path
from typing import Annotated

import numpy as np
import typer
from numpy.typing import NDArray

from maskforge.base.errors import BenchError
from maskforge.base.files import check_place, write_text
from maskforge.base.ranges import Range
from maskforge.base.wording import counted
from maskforge.bench.section import Seed
from maskforge.cli.common import SetFolder, whole
from maskforge.cli.last_lines import say_next, typed
from maskforge.cli.option_values import number
from maskforge.cli.terminal import say
from maskforge.launch.light import Real
from maskforge.playing.playlist import Timing
from maskforge.playing.playlist_file import read_playlist
from maskforge.sets.reading import WrittenSet, read_set
from maskforge.sweep import simulate as devices
from maskforge.sweep.launched import launched_by, references_in
from maskforge.sweep.simulate import DeviceDisturbance

MOST_READINGS = 2_000_000


def simulate_device(
    folder: SetFolder,
    out: Annotated[Path, typer.Option(help="CSV file of the readings.")],
    passes: Annotated[
        int,
        typer.Option(metavar="N", help="Through the set or play list.", parser=whole("--passes")),
    ] = 20,
    playlist: Annotated[
        Path | None, typer.Option(help="Play this list, not just the masks one after the other.")
    ] = None,
    turn: Annotated[
        float, typer.Option(metavar="DEG", help="Of the device about its axis, an hour.")
    ] = 5.0,
    fade: Annotated[
        float, typer.Option(metavar="%", help="That the light loses in an hour.")
    ] = 0.0,
    noise: Annotated[float, typer.Option(metavar="%", help="Of the power, each reading.")] = 0.1,
    floor: Annotated[float, typer.Option(metavar="MW", help="Noise without light.")] = 1e-6,
    seed: Annotated[int, typer.Option(metavar="N", help="Of the noise.")] = 0,
    truth: Annotated[
        Path | None, typer.Option(help="Write what the device really does to this CSV file.")
    ] = None,
) -> None:
    """Invent the readings of a sweep, behind a group splitter.

    The data are marked as invented.  Port A passes the low groups, port B the high ones, and each
    field of a label a little differently.  The masks launch what the set says.
    """
    disturbance = DeviceDisturbance(
        turn=number("--turn", turn, Range(-1e6, 1e6, "deg/h")),
        fade=number("--fade", fade, Range(-1e4, 1e4, "%/h")) / 100,
        noise=number("--noise", noise, Range(0, 100, "%")) / 100,
        floor=number("--floor", floor, Range(0, 1e6, "mW")),
    )
    seed = int(number("--seed", seed, Seed))
    for place in filter(None, (out, truth)):
        check_place(place)
    written = read_set(folder)
    launched = launched_by(written)
    masks, seconds = _round(written, playlist)
    if len(masks) * passes > MOST_READINGS:
        raise BenchError(
            f"--passes = {passes}: makes {len(masks) * passes} readings; at most {MOST_READINGS}"
        )
    shown = np.tile(masks, passes)
    times: Real = np.arange(shown.size, dtype=float) * seconds
    device = devices.splitter(launched.basis)
    read = devices.swept(device, launched, shown, times, disturbance, seed)
    key, numbers = "mask", shown
    if playlist is not None:
        key, numbers = "step", np.tile(np.arange(len(masks)), passes)
    write_text(out, devices.readings_text(device, key, numbers, times, read))
    if truth is not None:
        write_text(truth, devices.truth_text(device, launched.basis))
    say(f"{counted(shown.size, 'reading')} in {out}: simulated, invented data")
    played = () if playlist is None else ("--playlist", playlist)
    say_next(typed("readings", "sweep", folder, out, *played))


def _round(written: WrittenSet, playlist: Path | None) -> tuple[NDArray[np.intp], float]:
    """The masks of one round, and the seconds of a step."""
    if playlist is None:
        return np.arange(len(written.masks)), float(Timing().step)
    played = read_playlist(playlist)
    references_in(played, written, playlist)
    steps = played.entries
    apart = steps[1].time_s - steps[0].time_s if len(steps) > 1 else float(Timing().step)
    return np.array([step.mask for step in steps]), apart
