"""maskforge pack."""

from pathlib import Path
from typing import Annotated

import typer

from maskforge.base.files import replacing
from maskforge.base.wording import counted
from maskforge.cli.common import interruptible, whole
from maskforge.cli.last_lines import say_caution, say_next, typed
from maskforge.cli.option_values import as_options
from maskforge.cli.terminal import print_table, say, table_of
from maskforge.playing.formats import DEPTHS, check_format
from maskforge.playing.handed_over import check_apart
from maskforge.playing.pack_header import PACK, PACK_FOLDER, PackHeader
from maskforge.playing.packing import write_pack
from maskforge.sets.reading import read_set


def pack(
    set_folder: Annotated[
        Path, typer.Argument(metavar="SET", help="The folder of a finished set of masks.")
    ],
    kind: Annotated[
        str, typer.Option("--as", metavar="FORMAT", help=f"{', '.join(DEPTHS)}; see above.")
    ],
    bits: Annotated[
        int | None,
        typer.Option(
            metavar="N",
            help="Bits a pixel in the files, 1, 8 or 16; those of the set if left out and the "
            "format has them.",
            parser=whole("--bits"),
        ),
    ] = None,
    beside: Annotated[
        Path | None,
        typer.Option(
            metavar="OTHER",
            help="A second set, whose masks lie elsewhere on the same panel: mask by mask, or its "
            "only one with all.",
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(help="Folder of the pack.", show_default="SET-FORMAT, beside the set"),
    ] = None,
) -> None:
    """Pack a finished set into an open format, for the panel.

    tiff: pages of one file.  png: a file a mask.  planes: masks of two greys as the 24 bit planes
    of RGB frames (PNG).  bits: masks of two greys, eight pixels a byte.  numpy: an array
    [mask, row, column].  Greys are kept as they are; what a bit stands for, what lies where and the
    hash of every picture are in pack.json beside them.

    Every page is checked against the set's manifest first.  An earlier pack in the folder is
    replaced once the new one is whole; other files there are kept.
    """
    check_format(kind, bits)
    written = read_set(set_folder)
    other = None if beside is None else read_set(beside)
    place = _beside(set_folder, kind) if out is None else out
    with as_options():
        check_apart(place, *filter(None, (set_folder, beside)))
    with (
        interruptible("interrupted; an earlier pack is untouched"),
        replacing(place, PACK_FOLDER) as folder,
    ):
        header = write_pack(folder, place, written, kind, bits=bits, other=other)
        sizes = [file.stat().st_size for file in folder.iterdir()]
    _print(header, sizes)
    say(f"\n{counted(len(header.masks), 'mask')} in {place} (what lies where in {PACK})")
    say_caution(*header.warnings)
    say_next(f"load {_named(place, header)} into the panel's player, then {typed('play', place)}")


def _beside(set_folder: Path, kind: str) -> Path:
    # "." and ".." have a name only once they are resolved
    named = set_folder if set_folder.name not in ("", "..") else set_folder.resolve()
    return named.with_name(f"{named.name}-{kind}")


def _named(place: Path, header: PackHeader) -> str:
    """The files to load, the first and the last one of many."""
    files = list(dict.fromkeys(mask.file for mask in header.masks))
    return f"{place / files[0]}" + (f" to {files[-1]}" if len(files) > 1 else "")


def _print(header: PackHeader, sizes: list[int]) -> None:
    columns, rows = header.pixels
    table = table_of("format", "pixels", "bits", "frames", "files", "bytes", left=("format",))
    table.add_row(
        header.kind,
        f"{columns} x {rows}",
        str(header.bits),
        str(header.frames),
        str(len(sizes)),
        str(sum(sizes)),
    )
    print_table(table)
    if header.apertures is None:
        return
    windows = table_of("set", "columns", "rows", "wavelength\nnm", left=("set",))
    for one in header.apertures:
        column, row, wide, high = one.window
        windows.add_row(
            one.source.folder,
            f"{column} to {column + wide - 1}",
            f"{row} to {row + high - 1}",
            f"{one.wavelength_nm:g}",
        )
    say("")
    print_table(windows)
    say("Purity and efficiency are those of each mask by itself, on its own light.")
