"""What a design run has finished, kept beside its set so that a killed run can be gone on with.

A journal is a hidden folder beside the target, `.<name>.unfinished`: run.json, which tells what
its masks are of, and a file a chain of masks (see `designing.chains_of`), `<first>-<last>.masks`.
Such a file is a SHA-256 of the journal's digest, its own name and what follows, then an npz
archive: whatever is damaged, half written or of another bench does not count.  A journal belongs
to the process that holds the lock on its file `lock`, which the system lets go when the process
ends.
"""

import hashlib
import json
import os
import re
import sys
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

from pydantic import BaseModel
from threadpoolctl import threadpool_info

from maskforge import bench as benches
from maskforge.base.errors import OutputError
from maskforge.base.files import write_bytes
from maskforge.base.json_text import json_of
from maskforge.base.program import program
from maskforge.base.regular_files import open_regular, read_regular
from maskforge.bench import Bench
from maskforge.bench.files import DataFile
from maskforge.launch.targets import Target
from maskforge.sets.designing import Finished
from maskforge.sets.journal_file import packed, unpacked

RUN = "run.json"
LOCK = "lock"
CHAIN = re.compile(r"(\d{6,})-(\d{6,})\.masks")

OURS = re.compile(rf"{re.escape(RUN)}|{LOCK}|{CHAIN.pattern}|\..*\.partial")
"""Names in a journal, those of files that were being written when the process was killed too."""

SUM_BYTES = 32
"""Of a SHA-256."""


@dataclass(frozen=True)
class Journal:
    """The `files` of a journal, and the `digest` of all that its masks depend on."""

    folder: Path
    digest: str


class Earlier(Enum):
    """What a run finds of an earlier one, in words."""

    NOTHING = "no unfinished run to go on from"
    SAME = "an unfinished run of the same masks"
    OTHER = "the bench or the program changed since the unfinished run"
    BUSY = "another run for it is not over, or what it keeps cannot be used"


def journal_of(target: Path, bench: Bench) -> Journal:
    """The journal of a bench's set in the folder `target`; touches nothing."""
    place = Path(os.path.realpath(target))
    return Journal(place.parent / f".{place.name}.unfinished", _digest(bench))


@contextmanager
def opened(journal: Journal, *, resume: bool) -> Iterator[Earlier]:
    """Makes the journal this process's own while the block runs; what is found in it.

    BUSY: it is another one's, or cannot be written; `keep` and `finished_chains` are not to be
    used then.  Chains of an earlier run stay where they are the SAME and it is to be gone on with.
    When the block is left by an exception, a journal without a chain is removed.
    """
    with _owned(journal.folder) as own:
        if not own:
            yield Earlier.BUSY
            return
        found = _earlier(journal) if resume else Earlier.NOTHING
        if found is not Earlier.SAME:
            _empty(journal.folder)
        with suppress(OutputError):
            text = json.dumps({"digest": journal.digest}, indent=1) + "\n"
            write_bytes(journal.folder / RUN, text.encode())
        try:
            yield found
        except BaseException:
            if not _chain_files(journal.folder):
                _remove(journal.folder)
            raise


def discard(journal: Journal) -> None:
    """Removes a journal of no more use, unless it is another process's or of other masks."""
    if not journal.folder.is_dir():
        return
    with _owned(journal.folder) as own:
        if own and _digest_in(journal.folder) in (None, journal.digest):
            _remove(journal.folder)


def kept_masks(journal: Journal) -> int:
    """How many masks a run could take from the journal, by its files' names."""
    if _digest_in(journal.folder) != journal.digest:
        return 0
    return sum(len(chain) for chain in _chain_files(journal.folder))


def _chain_files(folder: Path) -> dict[range, Path]:
    found = {}
    with suppress(OSError):
        for entry in folder.iterdir():
            name = CHAIN.fullmatch(entry.name)
            if name is not None:
                found[range(int(name[1]), int(name[2]) + 1)] = entry
    return found


def _earlier(journal: Journal) -> Earlier:
    if not _chain_files(journal.folder):
        return Earlier.NOTHING
    # without run.json, each chain's own sum tells
    same = _digest_in(journal.folder) in (None, journal.digest)
    return Earlier.SAME if same else Earlier.OTHER


def _digest_in(folder: Path) -> str | None:
    try:
        content = json_of(read_regular(folder / RUN))
    except (OSError, ValueError, RecursionError):
        return None
    return content.get("digest") if isinstance(content, dict) else None


def _empty(folder: Path) -> None:
    """Removes what is ours but for the lock, chains first: they are of what run.json says."""
    with suppress(OSError):
        for entry in sorted(folder.iterdir(), key=lambda entry: entry.name == RUN):
            if entry.name != LOCK and OURS.fullmatch(entry.name):
                entry.unlink()


def _remove(folder: Path) -> None:
    with suppress(OSError):
        _empty(folder)
        (folder / LOCK).unlink(missing_ok=True)
        folder.rmdir()


# --- whose it is -----------------------------------------------------------------------------


@contextmanager
def _owned(folder: Path) -> Iterator[bool]:
    """Whether this process has the folder, made if need be, for itself while the block runs."""
    handle = None
    try:
        try:
            folder.mkdir(exist_ok=True)
            handle = os.open(folder / LOCK, os.O_RDWR | os.O_CREAT, 0o666)
            _lock(handle)
            # it may have been removed by its last owner since it was opened
            own = os.path.samestat(os.fstat(handle), (folder / LOCK).stat())
        except OSError:
            own = False
        yield own
    finally:
        if handle is not None:
            os.close(handle)
        else:
            with suppress(OSError):
                folder.rmdir()


def _lock(handle: int) -> None:
    """Locks an open file at once or raises OSError; no other process can until it is closed."""
    if sys.platform == "win32":
        import msvcrt

        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
    else:
        import fcntl

        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)


# --- what masks depend on --------------------------------------------------------------------


def _digest(bench: Bench) -> str:
    """SHA-256 in hexadecimal of all that a bench's masks depend on."""
    # as they were read: the files may have changed since
    files = [
        (
            file.floating,
            file.data.shape,
            hashlib.sha256(file.data.tobytes()).hexdigest(),
            file.names,
        )
        for file in _files_in(bench)
    ]
    text = json.dumps([benches.resolved(bench), files, _program()], sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()


def _files_in(value: object) -> Iterator[DataFile]:
    """The data files that a bench, a section of it or a value names."""
    if isinstance(value, DataFile):
        yield value
    elif isinstance(value, BaseModel):
        for _, item in value:
            yield from _files_in(item)
    elif isinstance(value, tuple):
        for item in value:
            yield from _files_in(item)


def _program() -> list[object]:
    """Versions of what computes, and a hash of this program's text.

    The libraries' code for this processor is told too: on another machine it may round otherwise.
    """
    # not SciPy's own library, which this process may have loaded or not: its version tells it
    kernels = {
        (str(library["internal_api"]), str(library["version"]), str(library.get("architecture")))
        for library in threadpool_info()
        if library["user_api"] == "blas" and not _is_scipys(Path(library["filepath"]))
    }
    return [*program(), sorted(kernels)]


def _is_scipys(library: Path) -> bool:
    """Whether it lies in SciPy's folder, or beside it in scipy.libs."""
    return any(part.partition(".")[0] == "scipy" for part in library.parent.parts)


# --- the masks of a chain --------------------------------------------------------------------


def keep(journal: Journal, chain: range, masks: Sequence[Finished]) -> None:
    """Stores the masks of a chain in one step.

    A journal that cannot be written costs the run nothing: this chain will be designed again.
    """
    content = packed(masks)
    path = _path(journal, chain)
    with suppress(OutputError):
        # a power failure costs a chain, which its sum tells; the disk costs every one a wait
        write_bytes(path, _sum(journal, path, content) + content, lasting=False)


def finished_chains(journal: Journal, chains: Iterable[range]) -> frozenset[range]:
    """Those of `chains` that are in the journal and undamaged."""
    return frozenset(chain for chain in chains if _read(journal, chain) is not None)


def recalled(journal: Journal, targets: Sequence[Target], chain: range) -> Iterator[Finished]:
    """The masks of a chain as they were kept; OutputError where they are damaged or gone.

    `targets` are those of the whole set, in play order.
    """
    content = _read(journal, chain)
    if content is None:
        raise OutputError(f"{_path(journal, chain)}: was changed or removed during the run")
    return unpacked(content, chain, targets)


def _path(journal: Journal, chain: range) -> Path:
    return journal.folder / f"{chain[0]:06d}-{chain[-1]:06d}.masks"


def _sum(journal: Journal, path: Path, content: bytes) -> bytes:
    found = hashlib.sha256(f"{journal.digest} {path.name}\n".encode())
    found.update(content)
    return found.digest()


def _read(journal: Journal, chain: range) -> bytes | None:
    """The archive of a chain; None where there is none that is whole."""
    path = _path(journal, chain)
    try:
        with open_regular(path) as file:
            found = file.read()
    except OSError:
        return None
    content = found[SUM_BYTES:]
    return content if found[:SUM_BYTES] == _sum(journal, path, content) else None
