"""The text of a bench file with some keys changed: comments and all else stay."""

import json
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.container import OutOfOrderTableProxy
from tomlkit.exceptions import TOMLKitError

from maskforge import bench as benches
from maskforge.base.errors import BenchError
from maskforge.base.wording import one_line
from maskforge.bench import Bench
from maskforge.bench.files import files_in, parsed
from maskforge.bench.sections import SECTIONS


def with_keys(
    text: str, changes: Mapping[tuple[str, str], object], shown_as: str = "bench file"
) -> str:
    """TOML text with keys (section, key) set, or taken away where the value is None.

    Comments and all else stay.  Raises BenchError where what has a section's name is no section.
    """
    wanted = parsed(text, shown_as)
    end = "\r\n" if "\r\n" in text else "\n"
    for (section, key), value in changes.items():
        inside = wanted.get(section, {})
        if not isinstance(inside, dict):
            raise BenchError(one_line(f"{shown_as}: {section}: must be a section, [{section}]"))
        inside.pop(key, None)
        if value is None:
            continue
        if section not in wanted:
            start = text if not text or text.endswith("\n") else text + end
            text, wanted[section] = f"{start}{end}[{section}]{end}", inside
        inside[key] = value
    names = ", ".join(f"[{section}] {key}" for section, key in changes)
    refusal = BenchError(one_line(f"{shown_as}: {names}: cannot be changed"))
    try:
        text = _edited(text, changes, end)
    except TOMLKitError:
        raise refusal from None
    # a section that is written in several places may take a key where it does not belong
    if _plain(tomllib.loads(text)) != _plain(wanted):
        raise refusal
    return text


def _edited(text: str, changes: Mapping[tuple[str, str], object], end: str) -> str:
    """The text, which has each section, with the keys set or taken away."""
    document = tomlkit.parse(text)
    for (section, key), value in changes.items():
        if value is not None:
            _set(document[section], key, value, end)
        elif key in document.get(section, {}):
            del document[section][key]
    return tomlkit.dumps(document)


def _set(section: Any, key: str, value: object, end: str) -> None:
    """Sets a key, a new one after the last; a comment stays in its column where it can."""
    new = tomlkit.value(toml_value(value))
    if isinstance(section, OutOfOrderTableProxy):
        section[key] = new
    elif key in section:
        old = section.item(key)
        section[key] = new
        if old.trivia.comment:
            widths = [len(item.as_string().rpartition("\n")[2]) for item in (old, new)]
            spaces = len(old.trivia.comment_ws) + widths[0] - widths[1]
            new.trivia.comment_ws = " " * max(1, spaces)
    else:
        body, below = section.value.body, []
        # comments above the next section are that one's
        while body and body[-1][0] is None:
            below.append(body.pop())
        section.append(key, new)
        new.trivia.trail = end
        body.extend(reversed(below))


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
        if files_in(getattr(getattr(bench, section), key))
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


def _plain(value: object) -> object:
    """Tuples as lists, keys as text: what TOML gives back."""
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    return [_plain(item) for item in value] if isinstance(value, list | tuple) else value
