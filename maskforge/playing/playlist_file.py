"""Play lists as files: `playlist.csv`, the steps alone, and `playlist.json`, with how they came."""

import csv
import hashlib
import io
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, astuple, dataclass
from pathlib import Path
from typing import Any

from maskforge.base.csv_text import csv_text
from maskforge.base.errors import BenchError
from maskforge.base.files import check_place, write_text
from maskforge.base.ranges import BadValueError, Choice, Range, Text
from maskforge.base.wording import nearest, one_line, shown
from maskforge.bench.section import Seed
from maskforge.playing.pack_header import PACK, PackedMask, read_pack
from maskforge.playing.playlist import (
    ANGLE,
    ORDERS,
    TIMES,
    PlayedFrame,
    PlayedMask,
    Timing,
    entries,
    reference_of,
)
from maskforge.sets.manifest import Record
from maskforge.sets.names import MANIFEST, STACK
from maskforge.sets.reading import read_set

FORMAT = "maskforge-playlist"
VERSION = 1
TABLE, WHOLE = "playlist.csv", "playlist.json"


@dataclass(frozen=True)
class Playable:
    """What is played: the folder's name, the SHA-256 of its manifest.json or pack.json, and the
    frames, one a mask, in play order."""

    source: str
    sha256: str
    frames: tuple[PlayedFrame, ...]


@dataclass(frozen=True)
class PlayPlan:
    """How a play list came about; keys of `playlist.json`, in its order.

    `source` and `sha256`: see `Playable`.  None: `seed` where nothing is shuffled, `reference` (a
    label, or label@degrees) and `every` where there is none, `frame_rate_hz` where frames may
    change at any time.  `duration_s`: to the end of the last step.
    """

    source: str
    sha256: str
    order: str
    seed: int | None
    repeat: int
    reference: str | None
    every: int | None
    dwell_ms: float
    settle_ms: float
    frame_rate_hz: float | None
    duration_s: float


@dataclass(frozen=True)
class Playlist:
    """The steps, and how they came about: None where only the table was read."""

    plan: PlayPlan | None
    entries: tuple[PlayedMask, ...]


# --- what the keys may hold ------------------------------------------------------------------

Rule = Callable[[object], Any]
"""Takes a value, gives it back as it is kept, or raises BadValueError."""


def _optional(rule: Rule) -> Rule:
    return lambda value: None if value is None else rule(value)


def _flag(value: object) -> bool:
    if not isinstance(value, bool):
        raise BadValueError("must be true or false")
    return value


def _share(value: object) -> float:
    if isinstance(value, float) and 1 < value < 1 + 1e-9:
        return value  # rounding may leave a pure mask a few digits above
    return Range(0, 1)(value)


def _digest(value: object) -> str:
    if not isinstance(value, str) or len(value) != 64 or set(value) - set("0123456789abcdef"):
        raise BadValueError("must be 64 hexadecimal digits in lower case")
    return value


NUMBER = Range(0, 10**9, whole=True)
COUNT = Range(1, 999_999, whole=True)
NAME = Text(255)

FRAME_RULES: Mapping[str, Rule] = {
    "file": NAME,
    "page": _optional(NUMBER),
    "plane": _optional(Range(0, 23, whole=True)),
    "mask": NUMBER,
    "target": NAME,
    "orientation_deg": ANGLE,
    "purity": _share,
    "efficiency": _share,
}

ENTRY_RULES: Mapping[str, Rule] = {
    "step": NUMBER,
    "time_s": Range(0, 1e12, "s"),
    "dwell_ms": TIMES["dwell_ms"],
    **FRAME_RULES,
    "reference": _flag,
}

CHOICE_RULES: Mapping[str, Rule] = {
    "order": Choice(ORDERS),
    "seed": _optional(Seed),
    "repeat": COUNT,
    "reference": _optional(NAME),
    "every": _optional(COUNT),
}

PLAN_RULES: Mapping[str, Rule] = {
    "source": NAME,
    "sha256": _digest,
    **CHOICE_RULES,
    "dwell_ms": TIMES["dwell_ms"],
    "settle_ms": TIMES["settle_ms"],
    "frame_rate_hz": _optional(TIMES["frame_rate_hz"]),
    "duration_s": Range(0, 1e12, "s"),
}


def _checked(rules: Mapping[str, Rule], values: Mapping[str, object]) -> dict[str, Any]:
    """The values of exactly the rules' keys, or BadValueError, which names the key."""
    for key in values:
        if key not in rules:
            near = nearest(key, rules)
            hint = f"; did you mean {near}?" if near else ""
            raise BadValueError(f"no such key{hint}", key, values[key])
    found = {}
    for key, rule in rules.items():
        if key not in values:
            raise BadValueError("missing", key)
        try:
            found[key] = rule(values[key])
        except BadValueError as problem:
            raise BadValueError(problem.text, key, values[key]) from None
    return found


def _located(where: str, problem: BadValueError) -> BenchError:
    """The problem as one line: where, key, value, what is allowed."""
    given = problem.text == "missing" or problem.key is None
    value = "" if given else f" = {shown(problem.value)}"
    return BenchError(one_line(f"{where} {problem.key or ''}{value}: {problem.text}"))


# --- from a set to a play list ---------------------------------------------------------------


def playable(folder: Path) -> Playable:
    """The masks of a set's or a pack's folder; BenchError where it is neither, or holds none."""
    path, masks = _listed(folder)
    if not masks:
        raise BenchError(one_line(f"{path}: masks: holds no mask"))
    frames = []
    for place, mask in enumerate(masks):
        try:
            frames.append(_frame(mask, place))
        except BadValueError as problem:
            raise _located(f"{path}: masks[{place}]", problem) from None
    # a name that is not text in this system's encoding must not cost the file
    name = one_line(folder.resolve().name) or folder.anchor
    return Playable(name, hashlib.sha256(path.read_bytes()).hexdigest(), tuple(frames))


def _listed(folder: Path) -> tuple[Path, Sequence[Record | PackedMask]]:
    """The file that lists a folder's masks, and the masks."""
    if (folder / PACK).is_file():
        return folder / PACK, read_pack(folder).header.masks
    return folder / MANIFEST, read_set(folder).masks


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
    return PlayedFrame(**_checked(FRAME_RULES, values))


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
    chosen = _checked(
        CHOICE_RULES,
        {"order": order, "seed": seed, "repeat": repeat, "reference": reference, "every": every},
    )
    if seed is not None and order != "shuffled":
        raise BadValueError('goes with the order "shuffled" only', "seed", seed)
    if every is not None and reference is None:
        raise BadValueError("needs a reference", "every", every)
    mask = None if reference is None else reference_of(played.frames, reference)
    steps = entries(played.frames, order, seed, repeat, mask, every, timing)
    plan = PlayPlan(
        source=played.source,
        sha256=played.sha256,
        **chosen,
        **asdict(timing),
        duration_s=float(len(steps) * timing.step),
    )
    return Playlist(plan, steps)


# --- written ---------------------------------------------------------------------------------


def table_text(steps: tuple[PlayedMask, ...]) -> str:
    """The steps as CSV, a row a step; the reference flag is yes or no, None an empty cell."""
    rows = [[*astuple(step)[:-1], "yes" if step.reference else "no"] for step in steps]
    return csv_text(list(ENTRY_RULES), rows)


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
    for name, text in texts.items():
        write_text(folder / name, text)


# --- read ------------------------------------------------------------------------------------


def read_playlist(path: Path) -> Playlist:
    """The play list in a .json or .csv file; the latter has no plan.

    Raises BenchError, one line with file, entry and key, for what is not one.
    """
    if path.suffix not in (".csv", ".json"):
        raise BenchError(one_line(f"{path}: the name of a play list must end in .csv or .json"))
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise BenchError(one_line(f"{path}: cannot be read ({error.strerror})")) from error
    except ValueError as error:
        raise BenchError(one_line(f"{path}: is not UTF-8 text ({error})")) from error
    return _whole(path, text) if path.suffix == ".json" else Playlist(None, _table(path, text))


def _whole(path: Path, text: str) -> Playlist:
    try:
        content = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise BenchError(one_line(f"{path}: is not JSON ({error})")) from error
    if not isinstance(content, dict) or content.pop("format", None) != FORMAT:
        raise BenchError(one_line(f'{path}: must have format = "{FORMAT}"'))
    version = content.pop("version", None)
    if version != VERSION:
        raise BenchError(
            one_line(f"{path}: version = {shown(version)}: this program reads {VERSION}")
        )
    listed = content.pop("entries", None)
    if not isinstance(listed, list):
        raise BenchError(one_line(f"{path}: entries: must be a JSON array"))
    try:
        plan = PlayPlan(**_checked(PLAN_RULES, content))
    except BadValueError as problem:
        raise _located(f"{path}:", problem) from None
    return Playlist(plan, _steps(path, listed, plan))


def _table(path: Path, text: str) -> tuple[PlayedMask, ...]:
    header = list(ENTRY_RULES)
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), strict=True))
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
            step = PlayedMask(**_checked(ENTRY_RULES, values))
            _check_step(step, steps[-1] if steps else None, plan)
        except BadValueError as problem:
            raise _located(where, problem) from None
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
