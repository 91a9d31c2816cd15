"""The header of a pack, `pack.json`: what the files beside it hold, for readers in any language."""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, ClassVar, Final, Literal

from pydantic import ConfigDict, Field, FiniteFloat, TypeAdapter, ValidationError

from maskforge.base.errors import BenchError
from maskforge.base.files import Kind
from maskforge.base.json_text import check_values, json_of
from maskforge.base.regular_files import read_regular
from maskforge.base.wording import listed, one_line, shortened, shown
from maskforge.playing.formats import DEPTHS, PLANES, Layout, Order, order_of
from maskforge.sets.names import PLAYLISTS

PACK = "pack.json"
PACK_FORMAT: Final = "maskforge-pack"
PACK_VERSION: Final = 1

LARGEST_SIDE = 65535
"""Pixels along a side of a panel; the bench allows far fewer."""

Count = Annotated[int, Field(ge=0)]
Grey = Annotated[int, Field(ge=0, lt=2**16)]
Side = Annotated[int, Field(ge=1, le=LARGEST_SIDE)]
Hash = Annotated[str, Field(pattern="^[0-9a-f]{64}$")]


@dataclass(frozen=True)
class PackedFrom:
    """A set: the name of its folder and the SHA-256 of its manifest's bytes."""

    folder: str
    manifest_sha256: Hash
    __pydantic_config__: ClassVar[ConfigDict] = ConfigDict(extra="forbid")


@dataclass(frozen=True)
class Aperture:
    """One of two masks on a panel: its window [column, row, columns, rows], from the top left."""

    window: tuple[Count, Count, Side, Side]
    wavelength_nm: FiniteFloat
    source: PackedFrom
    __pydantic_config__: ClassVar[ConfigDict] = ConfigDict(extra="forbid")


@dataclass(frozen=True)
class Beside:
    """The other set's mask in a picture; `sha256` is of its full picture, as in its manifest."""

    target: str
    orientation_deg: FiniteFloat
    purity: FiniteFloat
    efficiency: FiniteFloat
    sha256: Hash
    __pydantic_config__: ClassVar[ConfigDict] = ConfigDict(extra="forbid")


@dataclass(frozen=True)
class PackedMask:
    """A picture in the pack: its place (see `formats.Place`) and what it is for.

    `sha256` is of the unpacked picture (`stack.pixel_hash`, `PackHeader.picture_bits` a pixel).
    With another set beside it, `own_sha256` is that of the set's own picture; else None.
    Purity and efficiency are those of each mask by itself.
    """

    index: Count
    file: str
    page: Count | None
    plane: Annotated[int, Field(ge=0, lt=PLANES)] | None
    offset_bytes: Count | None
    target: str
    orientation_deg: FiniteFloat
    purity: FiniteFloat
    efficiency: FiniteFloat
    sha256: Hash
    own_sha256: Hash | None
    beside: Beside | None
    __pydantic_config__: ClassVar[ConfigDict] = ConfigDict(extra="forbid")


@dataclass(frozen=True, eq=False)
class PackHeader:
    """What `pack.json` says.

    `kind` (key `as`): the format; `bits` a pixel in the files; `pixels` (columns, rows) of the
    panel; `picture_bits`: bits a pixel of the unpacked pictures, 8 or 16, as in the set;
    `order`: see `formats.order_of`; `apertures`: the set's and the other's, None without another;
    `greys`: those of the pictures that bits 0 and 1 stand for, where `bits` is 1 (None: 0 and 1);
    `warnings`: lines for the person who plays it.
    """

    format: Literal["maskforge-pack"]
    version: Literal[1]
    kind: Annotated[str, Field(alias="as")]
    bits: int
    picture_bits: int
    pixels: tuple[Side, Side]
    order: Order | None
    source: PackedFrom
    apertures: tuple[Aperture, Aperture] | None
    masks: Annotated[tuple[PackedMask, ...], Field(min_length=1, fail_fast=True)]
    greys: tuple[Grey, Grey] | None = None
    warnings: tuple[str, ...] = ()
    __pydantic_config__: ClassVar[ConfigDict] = ConfigDict(extra="forbid")

    @property
    def layout(self) -> Layout:
        columns, rows = self.pixels
        greys = self.greys or (0, 1) if self.bits == 1 else None
        return Layout(self.kind, self.bits, (rows, columns), len(self.masks), greys)

    @property
    def frames(self) -> int:
        """Pictures to be shown one after another: of bit planes 24 masks make one."""
        return len({mask.file for mask in self.masks}) if self.kind == "planes" else len(self.masks)


@dataclass(frozen=True, eq=False)
class WrittenPack:
    """A pack in `files` and what its header says."""

    folder: Path
    header: PackHeader


_HEADER = TypeAdapter(PackHeader)


def header_text(header: PackHeader) -> str:
    """The header as JSON text."""
    content = _HEADER.dump_python(header, mode="json", by_alias=True)
    return json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def read_pack(folder: Path) -> WrittenPack:
    """The pack in a folder; BenchError, one line with file and key, where there is none.

    Only the header is read; `unpacking.pack_pictures` reads the pictures.
    """
    path = folder / PACK
    if not folder.is_dir():
        raise BenchError(one_line(f"{folder}: no such folder; a pack of masks is needed"))
    if not path.is_file():
        raise BenchError(one_line(f"{folder}: holds no {PACK}; a pack of masks is needed"))
    try:
        text = read_regular(path)
        check_values(text)
        header = _HEADER.validate_json(text, strict=True)
    except OSError as error:
        raise BenchError(f"{path}: cannot be read ({error.strerror})") from error
    except ValidationError as error:
        raise BenchError(one_line(f"{path}: {_first_problem(error)}")) from None
    except ValueError as error:
        raise BenchError(f"{path}: is not JSON ({error})") from None
    _check(path, header)
    return WrittenPack(folder, header)


def _first_problem(error: ValidationError) -> str:
    problem = error.errors(include_url=False)[0]
    key = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in problem["loc"])
    if problem["type"] == "json_invalid":
        return f"is not JSON ({problem['msg'].removeprefix('Invalid JSON: ')})"
    texts = {"missing": "missing", "unexpected_keyword_argument": "no such key"}
    if problem["type"] in texts:
        return f"{shortened(key[1:])}: {texts[problem['type']]}"
    text = problem["msg"].replace("Input should", "must")
    return f"{key[1:] or 'header'} = {shown(problem['input'])}: {text}"


NEEDED = {
    "tiff": "page",
    "png": None,
    "planes": "plane",
    "bits": "offset_bytes",
    "numpy": "page",
}
"""What a mask's place needs beside its file, by format."""


def _check(path: Path, header: PackHeader) -> None:
    """BenchError where keys contradict each other, or a file would lie elsewhere."""
    if header.kind not in DEPTHS:
        raise BenchError(f"{path}: as = {shown(header.kind)}: must be one of {listed(DEPTHS)}")
    for key, allowed in (("bits", DEPTHS[header.kind]), ("picture_bits", (8, 16))):
        if getattr(header, key) not in allowed:
            words = " or ".join(map(str, allowed))
            raise BenchError(f"{path}: {key} = {getattr(header, key)}: must be {words}")
    if header.greys is not None and max(header.greys) >= 2**header.picture_bits:
        raise BenchError(
            f"{path}: greys = {shown(header.greys)}: must fit {header.picture_bits} bits"
        )
    if header.order != order_of(header.layout):
        raise BenchError(f"{path}: order: is not the one that version {PACK_VERSION} has")
    for index, mask in enumerate(header.masks):
        where = f"{path}: masks[{index}]"
        if mask.index != index:
            raise BenchError(f"{where} index = {mask.index}: must be {index}")
        if Path(mask.file).name != mask.file or "\\" in mask.file or "\0" in mask.file:
            raise BenchError(f"{where} file = {shown(mask.file)}: must be a name without a folder")
        needed = NEEDED[header.kind]
        if needed is not None and getattr(mask, needed) is None:
            raise BenchError(f"{where} {needed} = null: must be a number for {header.kind}")


# --- the folder of a pack --------------------------------------------------------------------


def _content(folder: Path) -> dict[str, Any]:
    """A header as it stands, which may be of any version; empty where there is none."""
    path = folder / PACK
    try:
        content = json_of(read_regular(path)) if path.is_file() else None
    except (ValueError, RecursionError):
        return {}
    return content if isinstance(content, dict) else {}


def _own(folder: Path) -> frozenset[str]:
    masks = _content(folder).get("masks")
    files = [m.get("file") for m in masks if isinstance(m, dict)] if isinstance(masks, list) else []
    return PLAYLISTS | {PACK, *(file for file in files if isinstance(file, str))}


PACK_FOLDER = Kind("pack", lambda folder: _content(folder).get("format") == PACK_FORMAT, _own)
"""For `files.replacing`: an earlier pack's files are those that its header names."""
