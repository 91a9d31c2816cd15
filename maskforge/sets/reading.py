"""A finished set read back from its files: the manifest, the bench in it, and the pages."""

import math
from collections.abc import Generator, Iterator, Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from types import NoneType, UnionType
from typing import TYPE_CHECKING, Any, TypeVar, get_args

import numpy as np
from numpy.typing import NDArray

from maskforge.base.errors import BenchError
from maskforge.base.json_text import json_of
from maskforge.base.npz import read_arrays
from maskforge.base.regular_files import read_regular
from maskforge.base.wording import nearest, one_line, shortened, shown
from maskforge.bench import Safety
from maskforge.bench.pictures import check_pixels, open_tiff
from maskforge.launch.light import Complex
from maskforge.sets.manifest import (
    LaunchFigures,
    PurityBand,
    Record,
    RobustFigures,
    ScenarioFigures,
)
from maskforge.sets.names import COUPLINGS, FORMAT, MANIFEST, STACK, VERSION
from maskforge.sets.stack import Picture, pixel_hash

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

Entry = TypeVar("Entry", bound="DataclassInstance")

LONGEST_TEXT = 4096
"""Characters of a text in the manifest; the longest are how designs ended."""

MOST_COUPLED = 1e6
"""Of a coupling: that of all light into one mode is 1; far beyond, its square is no number."""

LARGEST_WHOLE = 2**53
"""Whole numbers from here on are not all numbers of a float, and no mask or page has such a one."""

LARGEST = 2**1000
"""Whole numbers from here on are no numbers of a float."""

WORDS: Mapping[type, str] = {
    int: "a whole number",
    float: "a finite number",
    str: "text",
    bool: "true or false",
}


@dataclass(frozen=True, eq=False)
class WrittenSet:
    """A set in `files`: `bench` as `bench.from_dict` takes it, its paths starting at the folder;
    `modes` and `masks` as in the manifest, in play order."""

    folder: Path
    bench: Mapping[str, Any]
    modes: tuple[Mapping[str, Any], ...]
    masks: tuple[Record, ...]
    robust: tuple[Mapping[str, Any], ...] = ()
    """Of masks for several scenarios, as it stands there; `robust_in` reads it."""
    made_with: object = None
    """The versions that made it, as they stand there."""
    name: str | None = None
    """Of the bench that it was made for; None where an earlier version made it."""
    safety: Safety | None = None
    """None where the bench does not say its power, or an earlier version made the set."""
    outputs: tuple[Mapping[str, Any], ...] = ()
    """Of a device behind the fibre, which the figures of the masks are for."""
    launches: tuple[LaunchFigures, ...] = ()
    """The launch's own figures, of each mask in play order, of such a bench."""
    bands: tuple[PurityBand, ...] = ()
    """How sure their purity is, where the device's matrix has standard errors."""

    @property
    def title(self) -> str:
        """What the set is called where it is shown."""
        return self.folder.resolve().name if self.name is None else self.name

    @property
    def stack(self) -> Path:
        return self.folder / STACK


def read_set(folder: Path) -> WrittenSet:
    """The set in a folder; BenchError, one line with file and key, where there is none."""
    path = folder / MANIFEST
    content = read_header(path, "a set of masks", FORMAT, VERSION)
    for key, kind, word in (
        ("bench", dict, "object"),
        ("modes", list, "array"),
        ("masks", list, "array"),
    ):
        if not isinstance(content.get(key), kind):
            raise BenchError(f"{path}: {key}: must be a JSON {word}")
    masks = tuple(
        entry_of(f"{path}: masks[{place}]", entry, Record)
        for place, entry in enumerate(content["masks"])
    )
    robust = content.get("robust", [])
    if not isinstance(robust, list) or not all(isinstance(one, dict) for one in robust):
        raise BenchError(f"{path}: robust: must be a JSON array of objects")
    name = content.get("name")
    if name is not None and not isinstance(name, str):
        raise BenchError(one_line(f"{path}: name = {shown(name)}: must be text"))
    safety = content.get("safety")
    outputs = content.get("outputs", [])
    if not isinstance(outputs, list) or not all(isinstance(one, dict) for one in outputs):
        raise BenchError(f"{path}: outputs: must be a JSON array of objects")
    return WrittenSet(
        folder,
        content["bench"],
        tuple(content["modes"]),
        masks,
        tuple(robust),
        content.get("made_with"),
        name,
        None if safety is None else entry_of(f"{path}: safety", safety, Safety),
        tuple(outputs),
        _of_masks(path, content, "launches", len(masks), LaunchFigures),
        _of_masks(path, content, "purity_bands", len(masks), PurityBand),
    )


def _of_masks(
    path: Path, content: Mapping[str, Any], key: str, count: int, kind: type[Entry]
) -> tuple[Entry, ...]:
    """What the manifest has of each mask under a key; none where it has nothing."""
    found = content.get(key, [])
    if not isinstance(found, list) or len(found) not in (0, count):
        raise BenchError(f"{path}: {key}: must be a JSON array with an object for each mask")
    return tuple(
        entry_of(f"{path}: {key}[{place}]", entry, kind) for place, entry in enumerate(found)
    )


def read_header(path: Path, what: str, form: str, version: int) -> dict[str, Any]:
    """The JSON object at `path`, whose folder must hold `what`, of this format and version.

    Raises BenchError, one line, where it is none.
    """
    if not path.parent.is_dir():
        raise BenchError(one_line(f"{path.parent}: no such folder; {what} is needed"))
    if not path.is_file():
        raise BenchError(one_line(f"{path.parent}: holds no {path.name}; {what} is needed"))
    try:
        text = read_regular(path)
    except OSError as error:
        raise BenchError(f"{path}: cannot be read ({error.strerror})") from error
    return header_in(path, text, form, version)


def header_in(path: Path, text: str | bytes, form: str, version: int) -> dict[str, Any]:
    """The JSON object in a file's text; BenchError where it is not of this format and version."""
    try:
        content = json_of(text)
    except (ValueError, RecursionError) as error:
        raise BenchError(one_line(f"{path}: is not JSON ({error})")) from error
    if not isinstance(content, dict) or content.get("format") != form:
        raise BenchError(f'{path}: must have format = "{form}"')
    if content.get("version") != version:
        got = shown(content.get("version"))
        raise BenchError(f"{path}: version = {got}: this program reads {version}")
    return content


def entry_of(where: str, entry: object, kind: type[Entry], **done: Any) -> Entry:
    """An entry of the manifest, each key of the type that the dataclass `kind` gives it.

    `done`: values of keys that are read already.  Raises BenchError, one line that begins with
    `where`, for an unknown or a missing key and for a value of another type.
    """
    if not isinstance(entry, dict):
        raise BenchError(f"{where} = {shown(entry)}: must be a JSON object")
    known = {field.name: field.type for field in fields(kind) if field.name not in done}
    for key in entry:
        if key not in known and key not in done:
            near = nearest(key, known)
            raise BenchError(
                f"{where} {shortened(key)}: no such key"
                + (f"; did you mean {near}?" if near else "")
            )
    values = done
    for key, own in known.items():
        kinds = get_args(own) if isinstance(own, UnionType) else (own,)
        value = entry.get(key)
        if float in kinds and isinstance(value, int) and not isinstance(value, bool):
            value = float(value) if abs(value) < LARGEST else math.inf
        wrong = type(value) not in kinds or (NoneType in kinds and key not in entry)
        if isinstance(value, str) and len(value) > LONGEST_TEXT:
            raise BenchError(
                f"{where} {key} = {shown(value)}: must be text of at most {LONGEST_TEXT} characters"
            )
        wrong = wrong or (isinstance(value, int) and abs(value) >= LARGEST_WHOLE)
        if wrong or (isinstance(value, float) and not math.isfinite(value)):
            words = " or ".join("null" if k is NoneType else WORDS[k] for k in kinds)
            raise BenchError(one_line(f"{where} {key} = {shown(entry.get(key))}: must be {words}"))
        values[key] = value
    return kind(**values)


def robust_in(written: WrittenSet) -> tuple[RobustFigures, ...]:
    """The entries of a set; BenchError, one line with file and key, where one is damaged."""
    return tuple(_robust(written))


def _robust(written: WrittenSet) -> Iterator[RobustFigures]:
    for at, one in enumerate(written.robust):
        where = f"{written.folder / MANIFEST}: robust[{at}]"
        listed = one.get("scenarios")
        if not isinstance(listed, list) or not listed:
            raise BenchError(f"{where} scenarios: must be a JSON array of objects")
        scenarios = tuple(
            entry_of(f"{where} scenarios[{k}]", each, ScenarioFigures)
            for k, each in enumerate(listed)
        )
        found = entry_of(where, one, RobustFigures, scenarios=scenarios)
        if not 0 <= found.index < len(written.masks):
            raise BenchError(f"{where} index = {found.index}: must be that of a mask")
        yield found


def pages(written: WrittenSet) -> Iterator[Picture]:
    """The pictures of the stack, one at a time, in the order of the file's pages.

    Raises BenchError, which names the file, where a page cannot be read; how many pages there are
    is for the caller to compare.
    """
    yield from stack_pages(written.stack)


def stack_pages(path: Path) -> Iterator[Picture]:
    """The same of any greyscale TIFF stack."""
    place = 0
    try:
        with open_tiff(path) as file:
            for page in file.pages:
                check_pixels(page.shape)
                picture: NDArray[Any] = np.asarray(page.asarray())
                if picture.ndim != 2 or picture.dtype.kind not in "ub":
                    raise BenchError(f"{path}: page {place}: must be greyscale, whole numbers")
                yield picture
                place += 1
    except FileNotFoundError as error:
        raise BenchError(f"{path}: no such file") from error
    except BenchError:
        raise
    except Exception as error:  # tifffile and the codecs raise many kinds for a damaged file
        reason = getattr(error, "strerror", None) or error or type(error).__name__
        raise BenchError(one_line(f"{path}: page {place} cannot be read ({reason})")) from error


def checked_pages(written: WrittenSet) -> Generator[Picture, None, None]:
    """The set's pictures, uint8 or uint16, each against the manifest's hash, in play order.

    Raises BenchError where pages and manifest differ.
    """
    count, place, shape = len(written.masks), 0, None
    if not count:
        raise BenchError(f"{written.folder / MANIFEST}: masks: is empty; a set has at least one")
    for picture in pages(written):
        where = f"{written.stack}: page {place}"
        if place == count:
            raise BenchError(f"{where}: {MANIFEST} lists {count} masks and pages only")
        _check_record(written, place)
        if picture.dtype.kind != "u" or picture.itemsize > 2:
            raise BenchError(f"{where}: must be of 8 or 16 bits a pixel")
        shape = shape or (picture.shape, picture.itemsize)
        if (picture.shape, picture.itemsize) != shape:
            raise BenchError(f"{where}: size and bits a pixel must be those of page 0")
        found, expected = pixel_hash(picture), written.masks[place].sha256
        if found != expected:
            raise BenchError(
                one_line(
                    f"{where}: is not the page that {MANIFEST} lists: its pixels have sha256 "
                    f"{found}, the manifest says {expected}"
                )
            )
        yield picture.astype(picture.dtype.newbyteorder("="), copy=False)
        place += 1
    if place < count:
        raise BenchError(f"{written.stack}: has {place} pages, {MANIFEST} lists {count} masks")


def couplings_of(written: WrittenSet, key: str = "couplings") -> Complex:
    """The couplings (masks, modes), or what arrives in a device's `outputs` (masks, outputs);
    BenchError where they are not there or not the set's."""
    ends = written.modes if key == "couplings" else written.outputs
    path, shape = written.folder / COUPLINGS, (len(written.masks), len(ends))

    def wrong(what: str) -> BenchError:
        return BenchError(
            one_line(
                f"{path}: {key} is {what}: must be finite complex numbers below "
                f"{MOST_COUPLED:g} of shape {shape}, as the manifest has masks and modes"
            )
        )

    def check(name: str, dtype: np.dtype[Any], found: tuple[int, ...]) -> None:
        if dtype.kind != "c" or found != shape:
            raise wrong(f"{dtype} of shape {found}")

    found = read_arrays(path, [key], check)[key]
    # not finite ones are none of these
    sane = (np.abs(found.real) < MOST_COUPLED) & (np.abs(found.imag) < MOST_COUPLED)
    if not np.all(sane):
        raise wrong(f"{found.dtype} of shape {found.shape}")
    return found.astype(complex, copy=False)


def check_records(written: WrittenSet) -> None:
    """BenchError where a mask's entry would not do in a header or on a page."""
    for place in range(len(written.masks)):
        _check_record(written, place)


def _check_record(written: WrittenSet, place: int) -> None:
    """BenchError where a mask's entry would not do in a header."""
    record, where = written.masks[place], f"{written.folder / MANIFEST}: masks[{place}]"
    for key in ("index", "page"):
        if getattr(record, key) != place:
            raise BenchError(f"{where} {key} = {getattr(record, key)}: must be {place}")
    if not record.target.isprintable():
        raise BenchError(f"{where} target = {shown(record.target)}: must be printable")
