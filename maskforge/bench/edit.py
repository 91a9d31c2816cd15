"""The text of a bench file with some keys changed: comments and all else stay."""

import json
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path

from maskforge import bench as benches
from maskforge.base.errors import BenchError
from maskforge.base.wording import one_line
from maskforge.bench import Bench
from maskforge.bench.files import DataFile, parsed
from maskforge.bench.sections import SECTIONS

HEADER = re.compile(r"\s*\[+\s*([\w.\"'-]+)\s*\]+\s*(#.*)?")


def with_keys(
    text: str, changes: Mapping[tuple[str, str], object], shown_as: str = "bench file"
) -> str:
    """TOML text with keys (section, key) set, or taken away where the value is None.

    Comments and all else stay.  Raises BenchError where the text does not hold its sections as
    [section] with a key a line: nothing is guessed.
    """
    wanted = parsed(text, shown_as)
    for (section, key), value in changes.items():
        if value is None and section not in wanted:
            continue
        inside = wanted.setdefault(section, {})
        if not isinstance(inside, dict):
            raise BenchError(one_line(f"{shown_as}: {section}: must be a section, [{section}]"))
        inside.pop(key, None)
        if value is not None:
            inside[key] = value
        text = _with_key(text, section, key, None if value is None else toml_value(value))
    # text within a text may look like a section or a key
    if not _holds(text, wanted):
        names = ", ".join(f"[{section}] {key}" for section, key in changes)
        raise BenchError(
            one_line(
                f"{shown_as}: {names}: cannot be changed; write sections as [section], and each "
                "key on a line of its own"
            )
        )
    return text


def moved_paths(bench: Bench, folder: Path) -> dict[tuple[str, str], object]:
    """Paths of a bench's data files for a bench file in another folder; none in its own."""
    start = folder.resolve()
    if start == bench.folder.resolve():
        return {}
    written = benches.resolved(bench, start)
    return {
        (section, key): written[section][key]
        for section, model in SECTIONS.items()
        for key in model.model_fields
        if isinstance(getattr(getattr(bench, section), key), DataFile)
    }


def toml_value(value: object) -> str:
    """A value of the bench file as TOML: text, number, boolean, list or table."""
    if isinstance(value, Mapping):
        inside = ", ".join(f"{toml_value(str(k))} = {toml_value(v)}" for k, v in value.items())
        return f"{{ {inside} }}"
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(toml_value, value))}]"
    if isinstance(value, str):
        # JSON leaves DEL as it is, TOML does not take it
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    return json.dumps(value) if isinstance(value, bool) else repr(value)


def _holds(text: str, wanted: Mapping[str, object]) -> bool:
    return _is_toml(text) and _plain(tomllib.loads(text)) == _plain(wanted)


def _plain(value: object) -> object:
    """Tuples as lists, keys as text: what TOML gives back."""
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    return [_plain(item) for item in value] if isinstance(value, list | tuple) else value


def _with_key(text: str, section: str, key: str, value: str | None) -> str:
    """The text with one key set or taken away; None: taken away."""
    lines = text.splitlines(keepends=True)
    end_of_line = "\r\n" if text.count("\r\n") else "\n"
    heads = [
        (place, m[1]) for place, line in enumerate(lines) if (m := HEADER.fullmatch(line.rstrip()))
    ]
    first = next((place + 1 for place, name in heads if name == section), None)
    if first is None:
        if value is None:
            return text
        start = text if not text or text.endswith("\n") else text + end_of_line
        return f"{start}{end_of_line}[{section}]{end_of_line}{key} = {value}{end_of_line}"
    last = next((place for place, _ in heads if place >= first), len(lines))
    own = re.compile(rf"\s*[\"']?{re.escape(key)}[\"']?\s*=")
    for place in range(first, last):
        if own.match(lines[place]):
            after, rest = _value_end(lines, place, last)
            lines[place:after] = [] if value is None else [_set(lines[place], value, rest)]
            return "".join(lines)
    if value is None:
        return text
    while last > first and not lines[last - 1].partition("#")[0].strip():
        last -= 1
    if not lines[last - 1].endswith("\n"):
        lines[last - 1] += end_of_line
    return "".join([*lines[:last], f"{key} = {value}{end_of_line}", *lines[last:]])


def _value_end(lines: list[str], first: int, last: int) -> tuple[int, str]:
    """Where the value that begins on a line ends: the next line, and the comment after it."""
    for after in range(first + 1, last + 1):
        whole = "".join(lines[first:after])
        if not _is_toml(whole):
            continue
        start = len(whole) - len(lines[after - 1])
        marks = [m.start() for m in re.finditer("#", whole) if m.start() >= start]
        cut = next((mark for mark in marks if _is_toml(whole[:mark])), None)
        return after, "" if cut is None else whole[cut:].rstrip("\r\n")
    return first + 1, ""


def _is_toml(text: str) -> bool:
    try:
        tomllib.loads(text)
    except (ValueError, RecursionError):
        return False
    return True


def _set(line: str, value: str, comment: str) -> str:
    """The line of a key with another value; a comment stays in its column where it can."""
    name = line[: line.index("=") + 1]
    bare = line.rstrip("\r\n")
    end_of_line = line[len(bare) :]
    new = f"{name} {value}"
    if not comment:
        return new + end_of_line
    column = len(bare) - len(comment) if bare.endswith(comment) else 0
    return f"{new.ljust(column - 1)} {comment}{end_of_line}"
