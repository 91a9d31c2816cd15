"""A folder that is replaced as a whole, or not at all.  Common practice, no source."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from maskforge.base import files as module
from maskforge.base.errors import OutputError
from maskforge.base.files import check_place, replacing, write_bytes, write_text
from maskforge.sets.names import SET

MARK = '{"format": "maskforge-set"}'


def contents(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): path.read_text("utf-8")
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def new_set(target: Path, text: str) -> None:
    with replacing(target, SET) as folder:
        (folder / "manifest.json").write_text(MARK, "utf-8")
        (folder / "masks.tif").write_text(text, "utf-8")


@pytest.fixture(params=["exchange", "two renames"])
def _way(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Both ways to put the new folder in place."""
    if request.param == "two renames":
        monkeypatch.setattr(module, "_exchange", lambda one, other: False)


@pytest.fixture
def earlier(tmp_path: Path) -> Path:
    """A set with files of the user's beside it."""
    target = tmp_path / "set"
    new_set(target, "old")
    (target / "report.html").write_text("of the old set", "utf-8")
    (target / "notes.txt").write_text("mine", "utf-8")
    (target / "photos").mkdir()
    (target / "photos" / "bench.txt").write_text("mine too", "utf-8")
    return target


def test_an_error_names_the_place_and_not_the_temporary_one(tmp_path: Path) -> None:
    place = tmp_path / "set"
    with pytest.raises(OutputError) as told, replacing(place, SET) as folder:
        raise OutputError(f"{folder / 'report.html'}: cannot be written (no space)")
    assert str(told.value) == f"{place}/report.html: cannot be written (no space)"


def test_a_new_folder_with_its_parents(tmp_path: Path) -> None:
    new_set(tmp_path / "a" / "b", "new")
    assert contents(tmp_path) == {"a/b/manifest.json": MARK, "a/b/masks.tif": "new"}


@pytest.mark.usefixtures("_way")
def test_the_set_is_replaced_and_the_users_files_stay(earlier: Path) -> None:
    """The report belongs to the masks that are gone: it goes with them."""
    (earlier / "link").symlink_to("notes.txt")
    new_set(earlier, "new")
    assert contents(earlier) == {
        "link": "mine",
        "manifest.json": MARK,
        "masks.tif": "new",
        "notes.txt": "mine",
        "photos/bench.txt": "mine too",
    }
    assert (earlier / "link").is_symlink()
    assert [path.name for path in earlier.parent.iterdir()] == ["set"]


@pytest.mark.usefixtures("_way")
@pytest.mark.parametrize("problem", [RuntimeError, KeyboardInterrupt, GeneratorExit])
def test_an_interrupted_run_leaves_all_as_it_was(
    earlier: Path, problem: type[BaseException]
) -> None:
    before = contents(earlier)

    def interrupted() -> None:
        with replacing(earlier, SET) as folder:
            (folder / "masks.tif").write_text("half", "utf-8")
            raise problem

    with pytest.raises(problem):
        interrupted()
    assert contents(earlier) == before
    assert [path.name for path in earlier.parent.iterdir()] == ["set"]


def test_an_interrupted_first_run_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(KeyboardInterrupt), replacing(tmp_path / "a" / "b", SET):
        raise KeyboardInterrupt
    assert list(tmp_path.iterdir()) == []


def test_a_swap_that_fails_leaves_all_as_it_was(
    earlier: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = contents(earlier)
    monkeypatch.setattr(module, "_exchange", lambda one, other: False)
    rename = Path.rename

    def failing(self: Path, to: Path) -> Path:
        if self.name.endswith(".partial"):
            raise OSError(5, "Input/output error")
        return rename(self, to)

    monkeypatch.setattr(Path, "rename", failing)
    with pytest.raises(OutputError, match=r"set: cannot be written \(Input/output error\)$"):
        new_set(earlier, "new")
    assert contents(earlier) == before
    assert [path.name for path in earlier.parent.iterdir()] == ["set"]


def test_the_set_is_whole_at_every_moment(earlier: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the system can exchange two folders there is no moment without a set."""
    if not sys.platform.startswith("linux"):
        pytest.skip("only Linux exchanges two folders in one step")
    monkeypatch.setattr(Path, "rename", lambda self, to: pytest.fail("a second step"))
    new_set(earlier, "new")
    assert (earlier / "masks.tif").read_text("utf-8") == "new"


@pytest.mark.parametrize("foreign", ["notes.txt", "manifest.json"])
def test_a_folder_of_something_else_is_refused(tmp_path: Path, foreign: str) -> None:
    """A manifest of another format is no set either."""
    (tmp_path / "x").mkdir()
    (tmp_path / "x" / foreign).write_text('{"format": "other"}', "utf-8")
    with (
        pytest.raises(OutputError, match="x: holds files but no set of masks; choose an empty"),
        replacing(tmp_path / "x", SET),
    ):
        pytest.fail("the work began")
    assert contents(tmp_path) == {f"x/{foreign}": '{"format": "other"}'}


def test_an_empty_folder_is_used(tmp_path: Path) -> None:
    (tmp_path / "x").mkdir()
    new_set(tmp_path / "x", "new")
    assert contents(tmp_path / "x")["masks.tif"] == "new"


@pytest.mark.parametrize(
    ("target", "line"),
    [
        ("file", "file: is a file; a set needs a folder"),
        ("file/x", "file is a file; a set needs a folder"),
        (".", ".: is, or holds, the current folder, and a set's folder is replaced as a whole"),
        ("n" * 300, r"cannot be written \(File name too long\)"),
        ("../ring/x", r"cannot be written \(Too many levels of symbolic links\)"),
    ],
)
def test_where_no_set_can_lie(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, target: str, line: str
) -> None:
    """Told before the work begins, on one line."""
    (tmp_path / "ring").symlink_to("ring")
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    Path("file").write_text("mine", "utf-8")
    with pytest.raises(OutputError, match=line) as told, replacing(Path(target), SET):
        pytest.fail("the work began")
    assert "\n" not in str(told.value)
    assert contents(tmp_path / "here") == {"file": "mine"}


def test_a_link_to_a_folder_stays_a_link(earlier: Path) -> None:
    link = earlier.parent / "link"
    link.symlink_to("set")
    new_set(link, "new")
    assert link.is_symlink()
    assert (earlier / "masks.tif").read_text("utf-8") == "new"


def test_access_rights_stay(earlier: Path) -> None:
    earlier.chmod(0o750)
    new_set(earlier, "new")
    assert earlier.stat().st_mode & 0o777 == 0o750


def dead_process() -> int:
    process = subprocess.Popen([sys.executable, "-c", ""])
    process.wait()
    return process.pid


def left_behind(target: Path, process: int, kind: str) -> Path:
    name = module._beside(target, kind).name.replace(f"-{os.getpid()}.", f"-{process}.")
    folder = target.parent / name
    folder.mkdir(parents=True)
    (folder / "masks.tif").write_text("left", "utf-8")
    return folder


def test_what_killed_runs_left_is_removed(earlier: Path) -> None:
    """Of the same target and of runs that are over, and nothing else."""
    stale = left_behind(earlier, dead_process(), "partial")
    own = left_behind(earlier, os.getpid(), "partial")
    live = left_behind(earlier, os.getppid(), "partial")
    other = left_behind(earlier.parent / "set2", dead_process(), "partial")
    new_set(earlier, "new")
    assert [path.exists() for path in (stale, own, live, other)] == [False, False, True, True]


def test_a_set_between_two_renames_is_found_again(tmp_path: Path) -> None:
    """Killed after the earlier set was moved away: the next run starts by moving it back."""
    target = tmp_path / "set"
    new_set(target, "old")
    stale = left_behind(target, dead_process(), "earlier")
    (stale / "masks.tif").unlink()
    stale.rmdir()
    target.rename(stale)
    with pytest.raises(KeyboardInterrupt), replacing(target, SET):
        raise KeyboardInterrupt
    assert contents(tmp_path) == {"set/manifest.json": MARK, "set/masks.tif": "old"}


def test_a_text_file_is_written_whole(tmp_path: Path) -> None:
    path = tmp_path / "table.csv"
    write_text(path, "one\n")
    write_text(path, "zwei ü\n")
    assert contents(tmp_path) == {"table.csv": "zwei ü\n"}


@pytest.mark.parametrize("name", ["", "none/table.csv"])
def test_a_text_file_that_cannot_be_written(tmp_path: Path, name: str) -> None:
    with pytest.raises(OutputError, match="cannot be written"):
        write_text(tmp_path / name, "text")
    with pytest.raises(OutputError, match="cannot be written"):
        check_place(tmp_path / name)
    assert list(tmp_path.iterdir()) == []


def test_a_place_that_will_do_is_left_alone(tmp_path: Path) -> None:
    """Neither made nor emptied by the look at it."""
    check_place(tmp_path / "new.png")
    (tmp_path / "old.png").write_bytes(b"old")
    check_place(tmp_path / "old.png")
    assert contents(tmp_path) == {"old.png": "old"}
    with pytest.raises(OutputError, match=r"cannot be written \(Not a directory\)"):
        check_place(tmp_path / "old.png" / "new.png")


def test_bytes_are_written_as_they_are(tmp_path: Path) -> None:
    path = tmp_path / "figure.png"
    write_bytes(path, b"one")
    write_bytes(path, bytes(range(256)))
    assert path.read_bytes() == bytes(range(256))
    assert [entry.name for entry in tmp_path.iterdir()] == ["figure.png"]


def test_a_device_is_not_replaced_by_a_file() -> None:
    if not Path(os.devnull).is_char_device():
        pytest.skip("no device to write to")
    write_text(Path(os.devnull), "text")
    assert Path(os.devnull).is_char_device()


NOTES = module.Kind(
    "notebook",
    lambda folder: (folder / "index").is_file(),
    lambda folder: frozenset((folder / "index").read_text("utf-8").split()) | {"index"},
)


def test_another_kind_of_folder_is_replaced_by_its_own_rules(tmp_path: Path) -> None:
    """Which files were ours is for the earlier folder to say."""
    target = tmp_path / "notes"
    for page in ("one", "two"):
        with replacing(target, NOTES) as folder:
            (folder / "index").write_text(page, "utf-8")
            (folder / page).write_text(page, "utf-8")
        (target / "mine").write_text("mine", "utf-8")
    assert contents(target) == {"index": "two", "mine": "mine", "two": "two"}


def test_one_kind_does_not_replace_another(earlier: Path, tmp_path: Path) -> None:
    """A set is no notebook, and a notebook no set."""
    before = contents(earlier)
    with (
        pytest.raises(OutputError, match="set: holds files but no notebook of masks"),
        replacing(earlier, NOTES),
    ):
        pytest.fail("the work began")
    assert contents(earlier) == before
    with replacing(tmp_path / "notes", NOTES) as folder:
        (folder / "index").write_text("", "utf-8")
    with pytest.raises(OutputError, match="notes: holds files but no set"):
        new_set(tmp_path / "notes", "new")
