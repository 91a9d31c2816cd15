"""The data files of a set's bench, which go into the set: it needs nothing that lies elsewhere."""

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from maskforge.base.errors import BenchError
from maskforge.base.regular_files import read_regular
from maskforge.base.wording import one_line, shown
from maskforge.bench import Bench, resolved
from maskforge.bench.files import LARGEST_FILE, DataFile, files_in
from maskforge.bench.sections import SECTIONS
from maskforge.sets.names import INPUTS


@dataclass(frozen=True)
class Input:
    """A data file: the key of the bench that names it, its place in the set, and its bytes.

    `at`: its place in the key's list, None where that has no list.
    """

    section: str
    key: str
    name: str
    content: bytes
    at: int | None = None


def inputs_of(bench: Bench) -> tuple[Input, ...]:
    """The data files of a bench, as they were when it was read.

    Raises BenchError, which names the key, where one is gone or was changed since.
    """
    found: list[Input] = []
    for section, key, at, file in _files(bench):
        content = _content(bench, section, key, file)
        name = _name(found, section, key, at, file, content)
        found.append(Input(section, key, name, content, at))
    return tuple(found)


def bench_with(bench: Bench, inputs: tuple[Input, ...], start: Path) -> dict[str, dict[str, Any]]:
    """The bench written out for a set in the folder `start`, which holds its data files."""
    out = resolved(bench, start=start)
    for one in inputs:
        if one.at is None:
            out[one.section][one.key] = one.name
        else:
            out[one.section][one.key][one.at] = one.name
    return out


def _files(bench: Bench) -> Iterator[tuple[str, str, int | None, DataFile]]:
    for section, model in SECTIONS.items():
        for key in model.model_fields:
            value = getattr(getattr(bench, section), key)
            for at, file in enumerate(files_in(value)):
                yield section, key, at if isinstance(value, tuple) else None, file


def _content(bench: Bench, section: str, key: str, file: DataFile) -> bytes:
    where = f"{bench.source}: [{section}] {key} = {shown(file.path)}"
    try:
        content = read_regular(bench.folder / file.path, LARGEST_FILE)
    except OSError as error:
        raise BenchError(one_line(f"{where}: cannot be read ({error.strerror})")) from None
    if hashlib.sha256(content).hexdigest() != file.sha256:
        raise BenchError(one_line(f"{where}: was changed after the bench was read; start anew"))
    return content


def _name(
    before: list[Input], section: str, key: str, at: int | None, file: DataFile, content: bytes
) -> str:
    """The file's own name, with the key before it where another file has it."""
    plain = Path(file.path).name
    printable = "".join(letter if letter.isprintable() else "_" for letter in plain)
    taken = {one.name.casefold() for one in before if one.content != content}
    name = f"{INPUTS}/{printable}"
    own = key if at is None else f"{key}-{at + 1}"
    return f"{INPUTS}/{section}-{own}-{printable}" if name.casefold() in taken else name
