"""maskforge readings sweep."""

import csv as csv_files
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from maskforge.base.csv_text import csv_text
from maskforge.base.errors import BenchError
from maskforge.base.files import Kind, check_place, replacing, telling, write_bytes, write_text
from maskforge.base.ranges import Range
from maskforge.bench.section import Seed
from maskforge.cli.common import interruptible
from maskforge.cli.last_lines import say_next
from maskforge.cli.option_values import number
from maskforge.cli.terminal import print_table, say, table_of
from maskforge.playing.playlist_file import read_playlist
from maskforge.report import format_of
from maskforge.sets.reading import read_set
from maskforge.sweep import tables as sweep_tables
from maskforge.sweep.answer import ISOLATION_DB, Answer, Question, answered
from maskforge.sweep.deembed import DRAWS, SEED, TRUST, WAYS
from maskforge.sweep.launched import launched_by, lookups, made_for_another, references_in
from maskforge.sweep.passes import MOST_BAD, read_sweep
from maskforge.sweep.together import BETWEEN

TABLES = {
    "labels.csv": sweep_tables.label_cells,
    "groups.csv": sweep_tables.group_cells,
    "deembedded.csv": sweep_tables.deembedded_cells,
    "pairs.csv": sweep_tables.pair_cells,
    "histogram.csv": sweep_tables.histogram_cells,
}

TIMES = "times.csv"

OWN = frozenset({*TABLES, TIMES})

SWEEP = Kind(
    "sweep", lambda folder: all((folder / name).is_file() for name in OWN), lambda folder: OWN
)
"""A folder with a sweep's tables."""


def sweep(
    folder: Annotated[
        Path, typer.Argument(metavar="SET", help="Folder of the set that was played.")
    ],
    path: Annotated[
        Path,
        typer.Argument(
            metavar="READINGS",
            help="CSV (or .parquet): time_s, page (or mask, or step of a play list), and a column "
            "a port, its name ending in _mw or _dbm; reference_mw for the power before the fibre.",
        ),
    ],
    playlist: Annotated[
        Path | None,
        typer.Option(
            help="The play list that was played, .json or .csv: tells the references, whose drift "
            "is divided out, and what a step is."
        ),
    ] = None,
    isolation_db: Annotated[
        float, typer.Option(metavar="DB", help="What two channels need.")
    ] = ISOLATION_DB,
    length_m: Annotated[
        float | None,
        typer.Option(metavar="M", help="Of the fibre, for the delay between channels."),
    ] = None,
    by: Annotated[
        str | None,
        typer.Option(
            metavar="WORD",
            help=f"What is de-embedded: each {' or '.join(WAYS)}.",
            show_default="label where the set has all, else group",
        ),
    ] = None,
    beam_mw: Annotated[
        float | None,
        typer.Option(
            metavar="MW",
            help="Power of the beam before the modulator.",
            show_default="the bench's power_mw",
        ),
    ] = None,
    per_launched: Annotated[
        bool,
        typer.Option(
            "--per-launched/--as-read",
            help="Powers of labels as shares of what the masks launch, or in dBm.",
        ),
    ] = True,
    strict: Annotated[
        bool,
        typer.Option(
            "--strict",
            help=f"A bad row is an error; without it, more than {100 * MOST_BAD:g} % of them are.",
        ),
    ] = False,
    trust_percent: Annotated[
        float,
        typer.Option(
            metavar="PERCENT",
            help="Standard deviation of the predicted powers (common practice, no source).",
        ),
    ] = 100 * TRUST,
    mixing_percent: Annotated[
        float,
        typer.Option(
            metavar="PERCENT",
            help="Power that may go from a mode to other groups on its way; widens the intervals "
            "(common practice, no source).",
        ),
    ] = 100 * BETWEEN,
    draws: Annotated[int, typer.Option(metavar="N", help="Of the bootstrap.")] = DRAWS,
    seed: Annotated[int, typer.Option(metavar="N", help="Of the bootstrap.")] = SEED,
    csv: Annotated[
        Path | None, typer.Option(help="Write the tables into this folder, in full precision.")
    ] = None,
    figure: Annotated[
        Path | None, typer.Option(help="Draw the groups into this file: .png, .svg or .pdf.")
    ] = None,
    page: Annotated[Path | None, typer.Option(help="Write all of it as one HTML page.")] = None,
) -> None:
    """Tell from a sweep what a device does to each mode group.

    Of each label: power at each port, isolation of the ports (median, 5 % and 95 % over the
    passes), the orientation that gets most light at its own port (the stronger one) and its drift,
    and whether the next port goes with it or against it (polarity).  A mask seen again starts the
    next pass.  What is uncertain has its 95 % interval.  Of each group: raw, as if every mask
    launched its target alone, and corrected, with what the masks launch beside it taken out.  Then
    each port's roll-off, the groups that no port separates, and the pairs of groups for two
    channels, the least loss first.
    """
    question = _question(isolation_db, by, beam_mw, per_launched, (draws, seed), trust_percent)
    between = number("--mixing-percent", mixing_percent, Range(0, 100, "%")) / 100
    question = replace(question, mixing=replace(question.mixing, between=between))
    length = None if length_m is None else number("--length-m", length_m, Range(0.001, 1e7, "m"))
    kind = None if figure is None else format_of(figure)
    for place in filter(None, (figure, page)):
        check_place(place)
    with interruptible("interrupted; nothing is written"):
        written = read_set(folder)
        launched = launched_by(written)
        played = None if playlist is None else read_playlist(playlist)
        references = (
            () if played is None or playlist is None else references_in(played, written, playlist)
        )
        readings = read_sweep(path, lookups(written, played), references, strict=strict)
        answer = answered(readings, launched, question)
    picture = text = None
    if kind is not None:
        # the plotting library takes longer to load than most commands take to run
        from maskforge.report.figures.sweep import sweep_figure

        picture = sweep_figure(answer, folder.resolve().name, kind)
    if page is not None:
        from maskforge.report.page.sweep_page import sweep_page

        text = sweep_page(answer, folder.resolve().name, length)
    if csv is not None:
        _write_tables(csv, answer)
    if figure is not None and picture is not None:
        write_bytes(figure, picture)
    if page is not None and text is not None:
        write_text(page, text)
    _print(answer, length)
    if played is not None and made_for_another(played, written):
        say(f"! {playlist} was made for other files than {folder}: for a pack of it?")
    say_next(
        "the same with --page FILE for the lab book, --csv FOLDER for the tables"
        if page is None
        else f"open {page} in a browser"
    )


def _question(
    isolation: float,
    by: str | None,
    beam: float | None,
    per_launched: bool,
    bootstrap: tuple[int, int],
    trust: float,
) -> Question:
    if by is not None and by not in WAYS:
        raise BenchError(f"--by = {by}: must be {' or '.join(WAYS)}")
    return Question(
        isolation=number("--isolation-db", isolation, Range(0, 100, "dB")),
        way=by,
        beam_mw=None if beam is None else number("--beam-mw", beam, Range(1e-9, 1e6, "mW")),
        per_launched=per_launched,
        draws=int(number("--draws", bootstrap[0], Range(1, 10_000, whole=True))),
        seed=int(number("--seed", bootstrap[1], Seed)),
        trust=number("--trust-percent", trust, Range(0, 100, "%")) / 100,
    )


def _write_tables(folder: Path, answer: Answer) -> None:
    with replacing(folder, SWEEP) as new:
        for name, cells in TABLES.items():
            with telling(folder / name):
                (new / name).write_text(csv_text(*cells(answer)), "utf-8", newline="")
        header, rows = sweep_tables.time_cells(answer)
        with telling(folder / TIMES), (new / TIMES).open("w", encoding="utf-8", newline="") as file:
            writer = csv_files.writer(file, lineterminator="\n")
            writer.writerow(header)
            writer.writerows(rows)


def _print(answer: Answer, length: float | None) -> None:
    _print_rows(sweep_tables.label_rows(answer), ("label", "polarity"))
    say("")
    _print_rows(sweep_tables.group_rows(answer), ("guard",))
    say("")
    for line in sweep_tables.device_lines(answer):
        say(line)
    if answer.pairs:
        say("")
        _print_rows(sweep_tables.pair_rows(answer, length), ("channels",))
    say("")
    for line in sweep_tables.note_lines(answer):
        say(line)


def _print_rows(table: sweep_tables.Rows, left: Sequence[str]) -> None:
    header, rows = table
    drawn = table_of(*header, left=left)
    for row in rows:
        drawn.add_row(*row)
    print_table(drawn)
