"""The files of a set held against the digests in SHA256SUMS."""

from collections.abc import Iterator
from pathlib import Path

from maskforge.base.errors import BenchError
from maskforge.sets.digests import COVERED, digest_of, read_sums
from maskforge.sets.names import COUPLINGS, MANIFEST, STACK, SUMS, inputs_in

NEEDED = frozenset({MANIFEST, STACK, COUPLINGS, "masks.csv", "coupling.csv"})
"""Files that no set lacks."""


def file_problems(folder: Path) -> Iterator[str]:
    """Files that are not those that were written, whatever their numbers say, a line each."""
    try:
        sums = read_sums(folder)
    except BenchError as error:
        yield str(error)
        return
    inputs = inputs_in(folder)
    for name in sorted(COVERED | inputs | sums.keys()):
        if name in sums or (folder / name).exists():
            yield from _told(folder, name, sums.get(name))
    needed = NEEDED | inputs
    yield from (f"{name}: is missing in {SUMS}" for name in sorted(needed - sums.keys()))


def _told(folder: Path, name: str, stated: str | None) -> Iterator[str]:
    if stated is None:
        yield f"{name}: has no digest in {SUMS}: not of this set, or its line is gone"
        return
    try:
        found = digest_of(folder / name)
    except FileNotFoundError:
        yield f"{name}: no such file; {SUMS} has its digest"
    except OSError as error:
        yield f"{name}: cannot be read ({error.strerror})"
    else:
        if found != stated:
            yield (
                f"{name}: was damaged or changed after it was written: its sha256 is "
                f"{found[:12]}..., {stated[:12]}... in {SUMS}"
            )
