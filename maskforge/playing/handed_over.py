"""A set packed and listed for the player: what `maskforge pack` and `play` do, for scripts."""

import os
import shutil
from pathlib import Path

from maskforge.base.arguments import path_of, plain_errors
from maskforge.base.errors import BenchError, OutputError
from maskforge.base.files import replacing, telling, without_links
from maskforge.base.ranges import BadValueError
from maskforge.base.wording import one_line
from maskforge.playing.earlier_list import PlaySettings, earlier_settings, playlist_after
from maskforge.playing.formats import DEPTHS, check_format
from maskforge.playing.pack_header import PACK_FOLDER, PackHeader
from maskforge.playing.packing import write_pack
from maskforge.playing.playlist_file import WHOLE, Playlist, playable, write_playlist
from maskforge.sets.opened import Folder, opened


def pack(
    folder: Folder,
    kind: str,
    out: str | Path,
    *,
    bits: int | None = None,
    beside: Folder | None = None,
) -> PackHeader:
    """Packs a finished set into an open format: `tiff`, `png`, `planes`, `bits` or `numpy`.

    `out`: the folder of the pack; `bits` a pixel; `beside`: a second set on the same panel.  Gives
    what pack.json says.  Raises BenchError, one line, or OutputError.
    """
    if not isinstance(kind, str) or kind not in DEPTHS:
        raise BenchError(f"kind: must be one of {', '.join(DEPTHS)}")
    check_format(kind, bits)
    written, place = opened(folder), path_of("out", out)
    other = None if beside is None else opened(beside)
    with plain_errors():
        check_apart(place, *(one.folder for one in (written, other) if one is not None))
    with plain_errors(), replacing(place, PACK_FOLDER) as new:
        return write_pack(new, place, written, kind, bits=bits, other=other)


def check_apart(place: Path, *sets: Path) -> None:
    """BadValueError where a pack's folder is that of a set."""
    if any(without_links(place) == without_links(folder) for folder in sets):
        raise BadValueError("is the folder of a set; choose another one", "out", str(place))


def play(
    folder: str | os.PathLike[str],
    out: str | Path | None = None,
    *,
    anew: bool = False,
    **settings: object,
) -> Playlist:
    """Writes the play list of a set or a pack, into its own folder if `out` is left out.

    `settings`: `order` (`mode`, `orientation`, `shuffled`), `seed`, `repeat`, `reference`,
    `every`, `dwell_ms`, `settle_ms`, `frame_rate_hz`; what is left out is as in an earlier play
    list there, but for `anew`.  Raises BenchError, one line, or OutputError.
    """
    known = PlaySettings.__dataclass_fields__
    for name in settings:
        if name not in known:
            raise BenchError(f"{name}: no such setting; there are {', '.join(known)}")
    if not isinstance(settings.get("reference"), str | None):
        raise BenchError('reference: must be a mask\'s name, as in "LP11@15"')
    source = path_of("folder", folder)
    played = playable(source)
    place = source if out is None else path_of("out", out)
    earlier = None if anew else earlier_settings(place)
    with plain_errors():
        made = playlist_after(played, settings, earlier or PlaySettings(), place / WHOLE)
    write_listed(place, made)
    return made


def write_listed(place: Path, made: Playlist) -> None:
    """Writes a play list's files; makes the folder where there is none, and takes it back in
    failure.  Raises OutputError."""
    if place.exists() and not place.is_dir():
        raise OutputError(one_line(f"{place}: is a file; a play list needs a folder"))
    new = not place.exists()
    if new:
        with telling(place):
            place.mkdir()
    try:
        write_playlist(place, made)
    except BaseException:
        if new:
            shutil.rmtree(place, ignore_errors=True)
        raise
