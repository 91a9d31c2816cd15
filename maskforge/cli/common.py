"""What the commands share: arguments, progress, and what an interrupt says."""

import re
import sys
from collections.abc import Callable, Generator, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TypeVar

import typer

from maskforge.base.errors import BenchError
from maskforge.base.files import check_place
from maskforge.cli.exits import INTERRUPTED, failed

if TYPE_CHECKING:
    from rich.progress import Progress

    from maskforge.base.processes import Workers


@contextmanager
def interruptible(text: str) -> Iterator[None]:
    """Tells of an interrupt; the parser would end on it without a word."""
    try:
        yield
    except KeyboardInterrupt:
        raise typer.Exit(failed(text, INTERRUPTED)) from None


def bench_names(incomplete: str) -> list[str]:
    """Presets and bench files that begin with what is typed, for the shell."""
    from maskforge import bench as benches

    presets = [name for kind, name, _ in benches.preset_names() if kind == "bench"]
    folder, _, start = incomplete.rpartition("/")
    here = Path(folder or ("/" if incomplete.startswith("/") else "."))
    try:
        entries = [e for e in here.iterdir() if e.name.startswith(start)]
        files = [f"{e}/" if e.is_dir() else str(e) for e in entries if _may_lead(e)]
    except OSError:
        files = []
    return [name for name in presets if name.startswith(incomplete)] + sorted(files)


def _may_lead(entry: Path) -> bool:
    hidden = entry.name.startswith(".")
    return entry.suffix == ".toml" or (entry.is_dir() and not hidden)


BenchName = Annotated[
    str,
    typer.Argument(
        metavar="BENCH",
        help="A preset's name (see maskforge presets) or a TOML file.",
        autocompletion=bench_names,
    ),
]

BenchNames = Annotated[
    list[str],
    typer.Argument(
        metavar="BENCH...",
        help="Presets' names (see maskforge presets), TOML files, or folders of them.",
        autocompletion=bench_names,
    ),
]

SetFolder = Annotated[Path, typer.Argument(metavar="SET", help="Folder of a finished set.")]

TableFile = Annotated[
    Path | None, typer.Option(help="Write the table to this CSV file, in full precision.")
]

FigureFile = Annotated[
    Path | None, typer.Option(help="Draw it into this file: .png, .svg or .pdf.")
]


def whole(option: str) -> Callable[[str], int]:
    """A parser of whole numbers from 1; BenchError, which names the option, for anything else."""

    def parse(text: str) -> int:
        # a default comes as the number itself
        if not re.fullmatch(r"0*[1-9][0-9]{0,5}", str(text)):
            raise BenchError(f"{option} = {text}: must be a whole number from 1")
        return int(text)

    return parse


def label_list(text: str) -> str | list[str]:
    """Labels between commas; the comma of a label like LP10,1 is its own."""
    if text.strip() == "all":
        return "all"
    found: list[str] = []
    for part in (piece.strip() for piece in text.split(",")):
        if part.isdecimal() and found and re.fullmatch(r"LP\d+", found[-1]):
            found[-1] += f",{part}"
        elif part:
            found.append(part)
    return found


def progress_bar(doing: str = "designing", *more: str) -> "Progress":
    """A bar that goes away when done, and is not there where nobody looks.

    `doing` stands before it, `more` behind; both may name fields of a task, as rich writes them.
    """
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeElapsedColumn,
        TimeRemainingColumn,
    )

    from maskforge.cli.terminal import plain_console

    return Progress(
        TextColumn(doing),
        BarColumn(),
        MofNCompleteColumn(),
        # what counts up shows that a first, long mask is being worked on
        TextColumn("after"),
        TimeElapsedColumn(),
        TextColumn("left"),
        TimeRemainingColumn(),
        *map(TextColumn, more),
        console=plain_console(stderr=True),
        transient=True,
        disable=not sys.stderr.isatty(),
    )


Made = TypeVar("Made")


def closable(masks: Iterator[Made]) -> Generator[Made, None, None]:
    """The iterator as one that can be closed, so that its processes end with it."""
    yield from masks


DeviceName = Annotated[
    str,
    typer.Option(
        "--device",
        metavar="NAME",
        help="Where pixels are worked on: cpu, cuda (a GPU), or auto: cuda for large masks.",
    ),
]


Jobs = Annotated[
    int | None,
    typer.Option(
        metavar="N",
        help="Processes; one a core if left out and there is enough to do.",
        parser=whole("--jobs"),
    ),
]


ClusterAddress = Annotated[
    str | None,
    typer.Option(
        "--cluster",
        metavar="ADDRESS",
        help="Work with the workers of this Dask scheduler instead, as in tcp://host:8786.",
    ),
]


def workers(jobs: int | None, cluster: str | None) -> "Workers | None":
    """What --jobs and --cluster ask for; BenchError for both."""
    if cluster is None:
        return jobs
    if jobs is not None:
        raise BenchError(f"--jobs = {jobs}: goes without --cluster, which has workers of its own")
    from maskforge.base.cluster import Cluster

    return Cluster(cluster)


def check_files(options: str, *paths: Path | None) -> None:
    """OutputError where a file cannot be written, BenchError where two are the same one."""
    places = [path for path in paths if path is not None]
    for path in places:
        check_place(path)
    if len({path.resolve() for path in places}) < len(places):
        raise BenchError(f"{options}: must be different files")
