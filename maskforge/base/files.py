"""A folder of results that is replaced as a whole: complete and old, or complete and new."""

import ctypes
import errno
import os
import re
import shutil
import socket
import stat
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from maskforge.base.errors import OutputError


@dataclass(frozen=True)
class Kind:
    """What a folder of results holds.

    `word`: what error lines call it.  `holds`: whether a folder holds one, which may be replaced.
    `own`: names of the files in such a folder that are ours, as in "inputs/a.csv" where they lie in
    a folder of it; everything else is the user's.  Both
    raise OSError where the folder cannot be read.
    """

    word: str
    holds: Callable[[Path], bool]
    own: Callable[[Path], frozenset[str]]


AT_FDCWD = -100
RENAME_EXCHANGE = 2
"""From <fcntl.h> and <linux/fs.h>; see renameat2(2)."""

NO_EXCHANGE = (errno.ENOSYS, errno.EINVAL, errno.ENOTSUP)
"""What renameat2 answers where the kernel or the file system cannot exchange."""


@contextmanager
def telling(path: Path) -> Iterator[None]:
    """Turns an OSError into an OutputError of one line that names `path`."""
    try:
        yield
    except OSError as error:
        reason = error.strerror or str(error) or type(error).__name__
        raise OutputError(f"{path}: cannot be written ({reason})") from error


@contextmanager
def replacing(target: Path, kind: Kind) -> Iterator[Path]:
    """A new folder beside `target` that takes its place when the block ends well.

    When the block is left by an exception, an interrupt included, the new folder is removed and
    `target` is as it was.  Files beside an earlier set (or what else `kind` says) that maskforge
    did not write are carried over.  Raises OutputError, before the block, where `target` is a file,
    holds something else than `kind`, or cannot be written; after it, where the new folder cannot
    take its place.
    """
    made: list[Path] = []
    temporary = None
    try:
        with telling(target):
            place = without_links(target)
            _remove_stale(place)
            _check(place, target, kind)
            for folder in [*reversed(place.parent.parents), place.parent]:
                if not folder.exists():
                    folder.mkdir(exist_ok=True)
                    made.append(folder)
                elif not folder.is_dir():
                    raise OutputError(f"{target}: {folder} is a file; a {kind.word} needs a folder")
            temporary = _beside(place, "partial")
            temporary.mkdir()
        yield temporary
        with telling(target):
            _sync(temporary)
            _carry(place, temporary, kind)
            _sync_folder(temporary)
            earlier = _swap(temporary, place)
            _sync_folder(place.parent)
    except BaseException as error:
        if temporary is not None:
            shutil.rmtree(temporary, ignore_errors=True)
        _remove_empty(made)
        if temporary is not None and isinstance(error, OutputError):
            # where the file would have been, not where it was made
            raise OutputError(str(error).replace(str(temporary), str(target))) from error
        raise
    if earlier is not None:
        shutil.rmtree(earlier, ignore_errors=True)


def check_replaceable(target: Path, kind: Kind) -> None:
    """OutputError where `replacing` could not put its folder: before long work, not after it."""
    with telling(target):
        _check(without_links(target), target, kind)


def without_links(path: Path) -> Path:
    """The absolute path with all links followed; OSError where they lead round in a ring."""
    try:
        return path.resolve()
    except RuntimeError:  # before Python 3.13
        raise OSError(errno.ELOOP, os.strerror(errno.ELOOP), str(path)) from None


def check_place(path: Path) -> None:
    """OutputError where no file can be at `path`: before long work, not after it."""
    with telling(path):
        place = without_links(path)
        if place.is_dir():
            raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR))
        place.parent.stat()
        if not place.parent.is_dir():
            raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR))


def write_text(path: Path, text: str) -> None:
    """Writes a file in one step: old or new, never half; OutputError where it cannot be."""
    write_bytes(path, text.encode("utf-8"))


def write_bytes(path: Path, content: bytes, *, lasting: bool = True) -> None:
    """The same for bytes; if `lasting`, also should the power fail right after it."""
    check_place(path)
    with telling(path):
        place = without_links(path)
        if place.exists() and not place.is_file():
            # a pipe or a device is written to, not replaced by a file
            place.write_bytes(content)
            return
        temporary = _beside(place, "partial")
        try:
            with temporary.open("wb") as file:
                file.write(content)
                file.flush()
                if lasting:
                    os.fsync(file.fileno())
            if place.exists():
                shutil.copymode(place, temporary)
            temporary.replace(place)
        finally:
            temporary.unlink(missing_ok=True)


# --- what may be replaced --------------------------------------------------------------------


def _check(place: Path, shown: Path, kind: Kind) -> None:
    """OutputError where `place` cannot be, or must not be, replaced by a new one of `kind`."""
    if place.exists() and not place.is_dir():
        raise OutputError(f"{shown}: is a file; a {kind.word} needs a folder")
    if not place.is_dir():
        return
    if Path.cwd().resolve().is_relative_to(place):
        raise OutputError(
            f"{shown}: is, or holds, the current folder, and a {kind.word}'s folder is replaced as "
            "a whole; choose a folder in it"
        )
    if place.is_mount():
        raise OutputError(f"{shown}: is a mount point; choose a folder in it")
    if any(place.iterdir()) and not kind.holds(place):
        raise OutputError(
            f"{shown}: holds files but no {kind.word} of masks; choose an empty or a new folder"
        )


# --- temporary folders -----------------------------------------------------------------------


def _host() -> str:
    """This machine's name, letters and digits only: process numbers mean something on it alone."""
    return re.sub(r"[^A-Za-z0-9]", "", socket.gethostname())[:20]


def _beside(place: Path, kind: str) -> Path:
    """A hidden name beside `place` that tells whose it is."""
    return place.parent / f".{place.name}.{_host()}-{os.getpid()}.{kind}"


def _remove_stale(place: Path) -> None:
    """Clears up after runs for `place` that were killed; those that still run are left alone."""
    pattern = re.compile(rf"\.{re.escape(place.name)}\.{_host()}-(\d{{1,9}})\.(partial|earlier)")
    if not place.parent.is_dir():
        return
    for entry in sorted(place.parent.iterdir()):
        found = pattern.fullmatch(entry.name)
        if found is None or _is_running(int(found[1])):
            continue
        if found[2] == "earlier" and not place.exists():
            # killed between two renames: the earlier set is whole, under this name
            entry.rename(place)
        elif entry.is_dir():
            shutil.rmtree(entry, ignore_errors=True)


def _is_running(process: int) -> bool:
    """Whether another process of this number runs on this machine (True where unknown)."""
    if process == os.getpid():
        return False
    if os.name != "posix":
        return True
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True


def _remove_empty(folders: list[Path]) -> None:
    for folder in reversed(folders):
        try:
            folder.rmdir()
        except OSError:
            return


# --- into place ------------------------------------------------------------------------------


def _carry(place: Path, new: Path, kind: Kind) -> None:
    """Takes the user's files of an earlier folder, and its access rights, into the new one."""
    if not place.is_dir():
        return
    _carry_into(new, place, kind.own(place))
    new.chmod(stat.S_IMODE(place.stat().st_mode))


def _carry_into(new: Path, place: Path, own: Iterable[str]) -> None:
    """`own`: names of ours in `place`, those in its folders with "/" between."""
    names = set(own)
    for entry in place.iterdir():
        to = new / entry.name
        inside = [name.partition("/")[2] for name in names if name.startswith(f"{entry.name}/")]
        if inside and entry.is_dir() and not entry.is_symlink():
            _carry_folder(to, entry, inside)
        elif entry.name in names or os.path.lexists(to):
            continue
        elif entry.is_symlink():
            to.symlink_to(entry.readlink())
        elif entry.is_dir():
            shutil.copytree(entry, to, symlinks=True, copy_function=_linked)
        else:
            _linked(str(entry), str(to))


def _carry_folder(to: Path, entry: Path, own: Iterable[str]) -> None:
    """What the user has in a folder of ours; no new folder where that is nothing."""
    made = not os.path.lexists(to)
    if made:
        to.mkdir()
    _carry_into(to, entry, own)
    if made:
        _remove_empty([to])


def _linked(source: str, to: str) -> None:
    """The same file under a second name; a copy where the file system has no links."""
    try:
        os.link(source, to, follow_symlinks=False)
    except (OSError, NotImplementedError):
        shutil.copy2(source, to)


def _sync(folder: Path) -> None:
    """Has the new files on the disk before they take the place of others."""
    for entry in folder.rglob("*"):
        if entry.is_file():
            with entry.open("rb+") as file:
                os.fsync(file.fileno())


def _sync_folder(folder: Path) -> None:
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _swap(new: Path, place: Path) -> Path | None:
    """Puts `new` in `place`; the path under which what was there lies now, None if nothing was."""
    if not place.exists():
        new.rename(place)
        return None
    if _exchange(new, place):
        return new
    earlier = _beside(place, "earlier")
    place.rename(earlier)
    try:
        new.rename(place)
    except BaseException:
        if not place.exists():
            earlier.rename(place)
        raise
    return earlier


def _exchange(one: Path, other: Path) -> bool:
    """Swaps two names in one step; False where the system cannot."""
    if not sys.platform.startswith("linux"):
        return False
    try:
        call = ctypes.CDLL(None, use_errno=True).renameat2
    except (OSError, AttributeError):
        return False
    call.argtypes = [ctypes.c_int, ctypes.c_char_p, ctypes.c_int, ctypes.c_char_p, ctypes.c_uint]
    if call(AT_FDCWD, os.fsencode(one), AT_FDCWD, os.fsencode(other), RENAME_EXCHANGE) == 0:
        return True
    problem = ctypes.get_errno()
    if problem in NO_EXCHANGE:
        return False
    raise OSError(problem, os.strerror(problem))
