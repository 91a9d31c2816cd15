"""SHA256SUMS: the digests of a set's files, in the form that `sha256sum -c` reads.

A line is the SHA-256 of a file in hexadecimal, two spaces and its name; lines stand by name.  All
files of a set are covered, the data files of its bench and what is written into a finished set
later too, but not the user's own files in its folder.
"""

import hashlib
import re
from collections.abc import Mapping
from pathlib import Path

from maskforge.base.errors import BenchError
from maskforge.base.files import telling, write_text
from maskforge.base.regular_files import open_regular, read_regular
from maskforge.base.wording import one_line
from maskforge.sets.names import INPUTS, OWN, SET, SUMS, inputs_in

COVERED = OWN - {SUMS}
"""Files that have a digest, where they are there."""

LARGEST = 2**16
"""Bytes of SHA256SUMS: far more than all lines that it can have."""

LINE = re.compile(rf"([0-9a-f]{{64}})  ((?:{INPUTS}/)?[^/\n]+)")


def write_sums(folder: Path, shown: Path) -> None:
    """Writes the digests of the files that are there; OutputError names the folder `shown`."""
    with telling(shown / SUMS):
        covered = COVERED | inputs_in(folder)
        names = [name for name in sorted(covered) if (folder / name).is_file()]
        text = _text({name: digest_of(folder / name) for name in names})
        (folder / SUMS).write_text(text, encoding="utf-8", newline="")


def add_files(folder: Path, texts: Mapping[str, str]) -> None:
    """Writes files into a folder, each in one step; where it holds a set, their digests too.

    The digests of other files stay as they are: none is made of a file that was damaged since.
    Raises OutputError where one cannot be written.
    """
    for name, text in texts.items():
        write_text(folder / name, text)
    try:
        sums = read_sums(folder) if SET.holds(folder) else {}
    except (BenchError, OSError):
        # a set of an earlier version has none; of damaged ones `check` tells
        return
    if sums:
        new = {
            name: hashlib.sha256(text.encode()).hexdigest()
            for name, text in texts.items()
            if name in COVERED
        }
        write_text(folder / SUMS, _text(sums | new))


def read_sums(folder: Path) -> dict[str, str]:
    """Digests by name; BenchError, one line, where there are none or not as they are written."""
    path = folder / SUMS
    try:
        text = read_regular(path, LARGEST).decode("utf-8")
    except FileNotFoundError:
        raise BenchError(f"{path}: no such file; nothing tells whether files are damaged") from None
    except OSError as error:
        raise BenchError(f"{path}: cannot be read ({error.strerror})") from None
    except ValueError as error:
        raise BenchError(one_line(f"{path}: is not UTF-8 text ({error})")) from None
    found: dict[str, str] = {}
    for number, line in enumerate(text.split("\n")[:-1], 1):
        parts = LINE.fullmatch(line)
        if parts is None or not (parts[2] in COVERED or "/" in parts[2]):
            raise BenchError(f"{path}: line {number}: must be a digest and a file of a set")
        found[parts[2]] = parts[1]
    if text != _text(found):
        raise BenchError(f"{path}: must have a line for each file, by name, and end in a line end")
    return found


def digest_of(path: Path) -> str:
    """SHA-256 of a file's bytes in hexadecimal; OSError where it cannot be read."""
    with open_regular(path) as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _text(sums: Mapping[str, str]) -> str:
    return "".join(f"{digest}  {name}\n" for name, digest in sorted(sums.items()))
