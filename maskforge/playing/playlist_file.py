"""Play lists as files: `playlist.csv`, the steps alone, and `playlist.json`, with how they came."""

import csv
import hashlib
import io
import json
from collections.abc import Sequence
from dataclasses import asdict, astuple, dataclass, fields, replace
from itertools import islice
from pathlib import Path
from typing import Annotated

from pydantic import PlainValidator

from maskforge.base.csv_text import MOST_LINES, csv_text
from maskforge.base.errors import BenchError
from maskforge.base.files import check_place
from maskforge.base.ranges import BadValueError, Choice, Range
from maskforge.base.regular_files import read_regular
from maskforge.base.wording import one_line, shown
from maskforge.bench.section import Seed
from maskforge.playing.pack_header import PACK, PackedMask, read_pack
from maskforge.playing.playlist import (
    ORDERS,
    TIMES,
    DwellTime,
    Name,
    PlayedFrame,
    PlayedMask,
    Seconds,
    Timing,
    entries,
    reference_of,
)
from maskforge.sets.digests import add_files
from maskforge.sets.json_record import checked, located
from maskforge.sets.manifest import Record
from maskforge.sets.names import MANIFEST, STACK
from maskforge.sets.reading import header_in, read_set
from maskforge.sets.rebuilding import power_warnings

FORMAT = "maskforge-playlist"
VERSION = 1
TABLE, WHOLE = "playlist.csv", "playlist.json"
COLUMNS = [field.name for field in fields(PlayedMask)]
"""Header of the table."""


@dataclass(frozen=True)
class Playable:
    """What is played: the folder's name, the SHA-256 of its manifest.json or pack.json, the
    frames, one a mask, in play order, and warnings for the person who plays them."""

    source: str
    sha256: str
    frames: tuple[PlayedFrame, ...]
    warnings: tuple[str, ...] = ()


def _digest(value: object) -> str:
    if not isinstance(value, str) or len(value) != 64 or set(value) - set("0123456789abcdef"):
        raise BadValueError("must be 64 hexadecimal digits in lower case")
    return value


Count = Annotated[int, PlainValidator(Range(1, 999_999, whole=True))]


@dataclass(frozen=True)
class PlayPlan:
    """How a play list came about; keys of `playlist.json`, in its order.

    `source` and `sha256`: see `Playable`.  None: `seed` where nothing is shuffled, `reference` (a
    label, or label@degrees) and `every` where there is none, `frame_rate_hz` where frames may
    change at any time.  `duration_s`: to the end of the last step.
    """

    source: Name
    sha256: Annotated[str, PlainValidator(_digest)]
    order: Annotated[str, PlainValidator(Choice(ORDERS))]
    seed: Annotated[int, PlainValidator(Seed)] | None
    repeat: Count
    reference: Name | None
    every: Count | None
    dwell_ms: DwellTime
    settle_ms: Annotated[float, PlainValidator(TIMES["settle_ms"])]
    frame_rate_hz: Annotated[float, PlainValidator(TIMES["frame_rate_hz"])] | None
    duration_s: Seconds


@dataclass(frozen=True)
class Playlist:
    """The steps, and how they came about: None where only the table was read."""

    plan: PlayPlan | None
    entries: tuple[PlayedMask, ...]


# --- from a set to a play list ---------------------------------------------------------------


def playable(folder: Path) -> Playable:
    """The masks of a set's or a pack's folder; BenchError where it is neither, or holds none."""
    path, masks, warnings = _listed(folder)
    if not masks:
        raise BenchError(one_line(f"{path}: masks: holds no mask"))
    frames = []
    for place, mask in enumerate(masks):
        try:
            frames.append(_frame(mask, place))
        except BadValueError as problem:
            raise located(f"{path}: masks[{place}]", problem) from None
    # a name that is not text in this system's encoding must not cost the file
    name = one_line(folder.resolve().name) or folder.anchor
    digest = hashlib.sha256(read_regular(path)).hexdigest()
    return Playable(name, digest, tuple(frames), warnings)


def _listed(folder: Path) -> tuple[Path, Sequence[Record | PackedMask], tuple[str, ...]]:
    """The file that lists a folder's masks, the masks, and warnings."""
    if (folder / PACK).is_file():
        header = read_pack(folder).header
        return folder / PACK, header.masks, header.warnings
    written = read_set(folder)
    return folder / MANIFEST, written.masks, power_warnings(written)


def _frame(mask: Record | PackedMask, place: int) -> PlayedFrame:
    """Where a mask lies and what it is for; BadValueError where a value cannot be."""
    if mask.index != place:
        raise BadValueError(f"must be {place}: masks count from 0", "index", mask.index)
    file, plane = (mask.file, mask.plane) if isinstance(mask, PackedMask) else (STACK, None)
    values = {
        "file": file,
        "page": mask.page,
        "plane": plane,
        "mask": mask.index,
        "target": mask.target,
        "orientation_deg": mask.orientation_deg,
        "purity": mask.purity,
        "efficiency": mask.efficiency,
    }
    return checked(PlayedFrame, values)


def playlist_of(
    played: Playable,
    *,
    order: str = ORDERS[0],
    seed: int | None = None,
    repeat: int = 1,
    reference: str | None = None,
    every: int | None = None,
    timing: Timing | None = None,
) -> Playlist:
    """The play list of a set or a pack; see `entries` and `reference_of`.

    Raises BadValueError, which names the key, for a choice that cannot be.
    """
    timing = timing or Timing()
    reference = None if reference is None else reference.strip()
    choices = {"order": order, "seed": seed, "repeat": repeat, "reference": reference}
    own = {"source": played.source, "sha256": played.sha256, **choices, "every": every}
    # how long it takes shows once its steps are made
    plan = checked(PlayPlan, {**own, **asdict(timing), "duration_s": 0})
    if seed is not None and order != "shuffled":
        raise BadValueError('goes with the order "shuffled" only', "seed", seed)
    if every is not None and reference is None:
        raise BadValueError("needs a reference", "every", every)
    mask = None if reference is None else reference_of(played.frames, reference)
    steps = entries(played.frames, order, seed, repeat, mask, every, timing)
    return Playlist(replace(plan, duration_s=float(len(steps) * timing.step)), steps)


# --- written ---------------------------------------------------------------------------------


def table_text(steps: tuple[PlayedMask, ...]) -> str:
    """The steps as CSV, a row a step; the reference flag is yes or no, None an empty cell."""
    rows = [[*astuple(step)[:-1], "yes" if step.reference else "no"] for step in steps]
    return csv_text(COLUMNS, rows)


def whole_text(made: Playlist) -> str:
    """Plan and steps as JSON; ValueError without a plan."""
    if made.plan is None:
        raise ValueError("a play list without its plan is a table only")
    content = {
        "format": FORMAT,
        "version": VERSION,
        **asdict(made.plan),
        "entries": [asdict(step) for step in made.entries],
    }
    return json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def write_playlist(folder: Path, made: Playlist) -> None:
    """Writes both files into a folder, each in one step; OutputError where one cannot be."""
    texts = {WHOLE: whole_text(made), TABLE: table_text(made.entries)}
    for name in texts:
        check_place(folder / name)
    # the larger one first: a full disk then leaves both as they were
    add_files(folder, texts)


# --- read ------------------------------------------------------------------------------------


def read_playlist(path: Path) -> Playlist:
    """The play list in a .json or .csv file; the latter has no plan.

    Raises BenchError, one line with file, entry and key, for what is not one.
    """
    if path.suffix not in (".csv", ".json"):
        raise BenchError(one_line(f"{path}: the name of a play list must end in .csv or .json"))
    try:
        text = read_regular(path).decode("utf-8-sig")
    except OSError as error:
        raise BenchError(one_line(f"{path}: cannot be read ({error.strerror})")) from error
    except ValueError as error:
        raise BenchError(one_line(f"{path}: is not UTF-8 text ({error})")) from error
    return _whole(path, text) if path.suffix == ".json" else Playlist(None, _table(path, text))


def _whole(path: Path, text: str) -> Playlist:
    content = header_in(path, text, FORMAT, VERSION)
    del content["format"], content["version"]
    listed = content.pop("entries", None)
    if not isinstance(listed, list):
        raise BenchError(one_line(f"{path}: entries: must be a JSON array"))
    try:
        plan = checked(PlayPlan, content)
    except BadValueError as problem:
        raise located(f"{path}:", problem) from None
    return Playlist(plan, _steps(path, listed, plan))


def _table(path: Path, text: str) -> tuple[PlayedMask, ...]:
    header = COLUMNS
    try:
        rows = list(islice(csv.reader(io.StringIO(text, newline=""), strict=True), MOST_LINES + 1))
        if len(rows) > MOST_LINES:
            raise csv.Error(f"more than {MOST_LINES} lines")
    except csv.Error as error:
        raise BenchError(one_line(f"{path}: is not CSV ({error})")) from error
    if not rows or rows[0] != header:
        raise BenchError(one_line(f"{path}: the first line must be {','.join(header)}"))
    listed: list[object] = []
    for place, row in enumerate(rows[1:]):
        if len(row) != len(header):
            raise BenchError(
                one_line(f"{path}: entries[{place}]: must have {len(header)} cells, has {len(row)}")
            )
        listed.append({key: _cell(key, cell) for key, cell in zip(header, row, strict=True)})
    return _steps(path, listed, None)


def _cell(key: str, cell: str) -> object:
    """The value of a cell; what is none is left to the key's rule."""
    if key in ("file", "target"):
        return cell
    if key == "reference":
        return {"yes": True, "no": False}.get(cell, cell)
    try:
        return json.loads(cell) if cell else None
    except (ValueError, RecursionError):
        return cell


def _steps(path: Path, listed: list[object], plan: PlayPlan | None) -> tuple[PlayedMask, ...]:
    """The entries, each checked by itself, against the one before it and against the plan."""
    steps: list[PlayedMask] = []
    for place, values in enumerate(listed):
        where = f"{path}: entries[{place}]"
        if not isinstance(values, dict):
            raise BenchError(one_line(f"{where} = {shown(values)}: must be a JSON object"))
        try:
            step = checked(PlayedMask, values)
            _check_step(step, steps[-1] if steps else None, plan)
        except BadValueError as problem:
            raise located(where, problem) from None
        steps.append(step)
    if not steps:
        raise BenchError(one_line(f"{path}: entries: holds no step"))
    return tuple(steps)


def _check_step(step: PlayedMask, before: PlayedMask | None, plan: PlayPlan | None) -> None:
    """BadValueError where a step does not go with the one before it or with the plan."""
    number = 0 if before is None else before.step + 1
    if step.step != number:
        raise BadValueError(f"must be {number}: steps count from 0", "step", step.step)
    if before is not None and step.time_s <= before.time_s:
        raise BadValueError(
            f"must be after the step before it, at {before.time_s:g} s", "time_s", step.time_s
        )
    if plan is None:
        return
    if step.time_s >= plan.duration_s:
        raise BadValueError(
            f"must be before the end, duration_s = {plan.duration_s:g}", "time_s", step.time_s
        )
    if step.dwell_ms != plan.dwell_ms:
        raise BadValueError(
            f"must be the play list's dwell_ms, {plan.dwell_ms:g}", "dwell_ms", step.dwell_ms
        )
    if step.reference and plan.reference is None:
        raise BadValueError("the play list has no reference", "reference", step.reference)
