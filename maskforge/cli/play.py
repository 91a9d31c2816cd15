"""maskforge play."""

import shlex
from dataclasses import fields
from pathlib import Path
from typing import Annotated

import typer

from maskforge.base.wording import counted
from maskforge.cli.common import whole
from maskforge.cli.last_lines import say_caution, say_next, typed
from maskforge.cli.option_values import as_options
from maskforge.cli.terminal import say
from maskforge.playing import playlist_file as playfile
from maskforge.playing.earlier_list import (
    PlaySettings,
    earlier_settings,
    playlist_after,
    settings_in,
)
from maskforge.playing.handed_over import write_listed
from maskforge.playing.pack_header import PACK
from maskforge.playing.playlist import SEED, PlayedMask, Timing, longest_between_references


def play(
    folder: Annotated[
        Path, typer.Argument(metavar="SET", help="Folder of a finished set, or of a pack.")
    ],
    order: Annotated[
        str | None,
        typer.Option(
            help="mode: label after label; orientation: all labels in one orientation, then in "
            "the next; shuffled: by chance, each pass anew, so that drift does not pass for an "
            "effect of the mode.",
            show_default=PlaySettings.order,
        ),
    ] = None,
    seed: Annotated[
        int | None,
        typer.Option(metavar="N", help="Of the order shuffled.", show_default=str(SEED)),
    ] = None,
    repeat: Annotated[
        int | None,
        typer.Option(
            metavar="N",
            help="Passes through all masks.",
            parser=whole("--repeat"),
            show_default=f"{PlaySettings.repeat}",
        ),
    ] = None,
    reference: Annotated[
        str | None,
        typer.Option(
            metavar="MASK",
            help="One mask of the set, as in LP01 or LP11@15 (degrees), shown first and last, so "
            "that drift can be interpolated.",
        ),
    ] = None,
    every: Annotated[
        int | None,
        typer.Option(
            metavar="N",
            help="Show the reference after every N frames of the masks, too.",
            parser=whole("--every"),
        ),
    ] = None,
    dwell_ms: Annotated[
        float | None,
        typer.Option(
            metavar="MS",
            help="How long the detector integrates (common practice, no source).",
            show_default=f"{PlaySettings.dwell_ms:g}",
        ),
    ] = None,
    settle_ms: Annotated[
        float | None,
        typer.Option(
            metavar="MS",
            help="How long the modulator settles before the light counts (common practice, no "
            "source).",
            show_default=f"{PlaySettings.settle_ms:g}",
        ),
    ] = None,
    frame_rate_hz: Annotated[
        float | None,
        typer.Option(
            metavar="HZ",
            help="Of a modulator that changes frames at multiples of its period only: steps "
            "become whole periods.",
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(help="Folder of the two files.", show_default="that of the set"),
    ] = None,
    anew: Annotated[
        bool,
        typer.Option("--anew", help="Take nothing from an earlier play list in the folder."),
    ] = False,
) -> None:
    """Write a play list: which mask of a set is shown when.

    The list is playlist.csv and playlist.json.  Every step shows one mask from time_s on: the
    modulator settles, then the detector integrates.  The list belongs to this very set: after a new
    design, play again.  An earlier play list in the folder is replaced; an option that is left out
    is then as it was there.
    """
    played = playfile.playable(folder)
    given = {
        "order": order,
        "seed": seed,
        "repeat": repeat,
        "reference": reference,
        "every": every,
        "dwell_ms": dwell_ms,
        "settle_ms": settle_ms,
        "frame_rate_hz": frame_rate_hz,
    }
    place = folder if out is None else out
    replaced = any((place / name).is_file() for name in (playfile.TABLE, playfile.WHOLE))
    earlier = None if anew else earlier_settings(place)
    with as_options():
        made = playlist_after(played, given, earlier or PlaySettings(), place / playfile.WHOLE)
    write_listed(place, made)
    assert made.plan is not None
    now = settings_in(made.plan)
    _tell(made.entries, now.timing)
    if replaced:
        _tell_replaced(earlier, now)
    say(f"{playfile.TABLE} and {playfile.WHOLE} in {place}")
    say_caution(*played.warnings)
    listed = typed("readings", "sweep", _set_of(folder), "readings.csv", "--playlist")
    say_next(
        f"show the pictures by {place / playfile.TABLE}, write down time_s, step and the powers; "
        f"then {listed} {shlex.quote(str(place / playfile.WHOLE))}"
    )


def _set_of(folder: Path) -> str:
    """The set that readings belong to, as far as the folder tells."""
    return "SET" if (folder / PACK).is_file() else str(folder)


def _tell_replaced(earlier: PlaySettings | None, now: PlaySettings) -> None:
    """What became of an earlier play list, as options that make it again."""
    if earlier is None:
        say(f"the earlier play list is replaced, nothing is taken from it; now {options_of(now)}")
    elif earlier == now:
        say(f"the earlier play list is replaced, its settings kept: {options_of(now)}")
    else:
        say(
            f"the earlier play list is replaced: it had {options_of(earlier)}; "
            f"now {options_of(now)}"
        )


def options_of(settings: PlaySettings) -> str:
    """The options that are not as if left out, as they are typed."""
    texts = [
        f"--{field.name.replace('_', '-')} {getattr(settings, field.name)}"
        for field in fields(PlaySettings)
        if getattr(settings, field.name) != field.default
    ]
    return " ".join(texts) or "no options"


def _tell(steps: tuple[PlayedMask, ...], timing: Timing) -> None:
    """Counts, duration, and how far the references are apart."""
    references = sum(step.reference for step in steps)
    longest = longest_between_references(steps)
    duration = float(len(steps) * timing.step)
    periods = "" if timing.periods is None else f" ({counted(timing.periods, 'frame period')})"
    shows = counted(len(steps) - references, "frame")
    say(f"{shows} of masks and {counted(references, 'reference')}: {counted(len(steps), 'step')}")
    say(f"{1e3 * float(timing.step):.6g} ms a step{periods}, {clock(duration)} in all")
    if longest is None:
        say("no references: drift of the bench will not show (--reference)")
    else:
        say(f"at most {clock(longest)} from one reference to the next")


def clock(seconds: float) -> str:
    """ "1 h 2 min 3.4 s"; four digits below a minute."""
    if round(seconds, 1) < 60:
        return f"{seconds:.4g} s"
    minutes, rest = divmod(round(10 * seconds), 600)
    hours, minutes = divmod(minutes, 60)
    return (f"{hours} h " if hours else "") + f"{minutes} min {rest / 10:g} s"
