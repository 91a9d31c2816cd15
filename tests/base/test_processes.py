"""Work over processes: in order, and nothing left of it.  Common practice, no source."""

import os
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import closing
from functools import partial
from pathlib import Path

import pytest

import maskforge
from maskforge.base.crew import AHEAD, in_order
from maskforge.base.errors import BenchError, LostProcessError, MaskforgeError
from maskforge.base.processes import LONGEST_END, processes


def starting(task: Callable[[int], object]) -> Callable[[int], object]:
    return task


def waited(place: int) -> tuple[int, int]:
    """The first one is the last to be done."""
    time.sleep(0.3 if place == 0 else 0.0)
    return place, os.getpid()


def refused(place: int) -> int:
    if place == 1:
        raise BenchError("[light] waist_mm: too small")
    return place


def ended(place: int) -> int:
    if place == 1:
        os._exit(9)
    return place


def endless(place: int) -> int:
    time.sleep(600 if place else 0)
    return os.getpid()


def large(place: int) -> bytes:
    return bytes(20_000_000)


def broken() -> Callable[[int], int]:
    raise MaskforgeError("nothing to work with")


def test_results_come_in_order_from_all_processes() -> None:
    found = list(in_order(processes(partial(starting, waited), 2), range(9)))
    assert [place for place, _ in found] == list(range(9))
    makers = {process for _, process in found}
    assert len(makers) == 2
    assert os.getpid() not in makers


@pytest.mark.parametrize("seconds", [0.0, 0.01, 0.02, 0.05])
def test_a_block_that_is_left_does_not_wait_for_the_rest_of_a_result(seconds: float) -> None:
    """Whoever ends while it tells one would leave the other waiting for ever."""
    with processes(partial(starting, large), 2) as crew:
        crew.submit(0).result()
        crew.submit(0)
        time.sleep(seconds)
        begun = time.perf_counter()
    assert time.perf_counter() - begun < LONGEST_END / 2


def test_modules_are_not_those_of_the_current_folder(tmp_path: Path) -> None:
    """Such as the program's text in a clone, beside which another version is installed.  Nothing
    is left in the environment."""
    (tmp_path / "maskforge").mkdir()
    (tmp_path / "maskforge" / "__init__.py").write_text("raise SystemExit('another one')", "utf-8")
    program = (
        "import os, sys; sys.path.remove(''); before = dict(os.environ)\n"
        "from maskforge.base.forked import load_ahead\n"
        "from maskforge.base.processes import spread\n"
        "if __name__ == '__main__':\n"
        "    from tests.base.test_processes import places\n"
        "    load_ahead('maskforge.base.wording')\n"
        "    print(*spread(places, places, [0, 1], 2), sep='\\n')\n"
        "    print(os.environ == before)\n"
    )
    root = Path(__file__).parents[2]
    done = subprocess.run(
        [sys.executable, "-c", program],
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": str(root)},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    own = str(Path(maskforge.__file__).resolve())
    assert (done.stdout.splitlines(), done.stderr) == ([own, own, "True"], "")


def places() -> Callable[[int], str]:
    return lambda task: str(Path(maskforge.__file__).resolve())


def test_few_results_wait() -> None:
    """Tasks are not even looked at before there is room for their results."""
    asked = []

    class Noted(list[int]):
        def __getitem__(self, place: int) -> int:  # type: ignore[override]
            asked.append(place)
            return super().__getitem__(place)

        def __iter__(self):  # type: ignore[no-untyped-def]
            return (self[place] for place in range(len(self)))

    with closing(in_order(processes(partial(starting, waited), 1), Noted(range(50)))) as results:
        next(results)
        assert len(asked) == AHEAD + 1
        next(results)
        assert len(asked) == AHEAD + 2


def test_an_error_arrives_as_it_was_raised() -> None:
    """The one of a task, and that of the start, and where it came from."""
    results = in_order(processes(partial(starting, refused), 2), range(3))
    assert next(results) == 0
    with pytest.raises(BenchError) as told:
        next(results)
    assert str(told.value) == "[light] waist_mm: too small"
    assert "in refused" in str(told.value.__cause__)
    with pytest.raises(MaskforgeError, match="nothing to work with"):
        list(in_order(processes(broken, 1), range(3)))


def test_a_process_ended_from_outside_is_told() -> None:
    results = in_order(processes(partial(starting, ended), 2), range(3))
    with pytest.raises(LostProcessError, match=r"^a process was ended from outside"):
        list(results)


def test_closing_kills_what_still_works() -> None:
    results = in_order(processes(partial(starting, endless), 2), range(9))
    process = next(results)
    begun = time.monotonic()
    results.close()
    assert time.monotonic() - begun < 60
    with pytest.raises(ProcessLookupError):
        os.kill(process, 0)


KILLED = """
import os
from functools import partial
from maskforge.base.crew import in_order
from maskforge.base.processes import processes
from test_processes import endless, starting

if __name__ == "__main__":
    next(in_order(processes(partial(starting, endless), 2), range(9)))
    os.kill(os.getpid(), 9)
"""


@pytest.mark.skipif(os.name != "posix", reason="kills a process")
def test_none_outlives_the_one_it_works_for(tmp_path: Path) -> None:
    """The pipe of the standard output is open for as long as one of them lives."""
    script = tmp_path / "killed.py"
    script.write_text(KILLED, "utf-8")
    paths = os.pathsep.join([str(Path(__file__).parent), *sys.path])
    done = subprocess.run(
        [sys.executable, script],
        env=os.environ | {"PYTHONPATH": paths},
        capture_output=True,
        check=False,
        timeout=60,
    )
    assert (done.returncode, done.stdout, done.stderr) == (-9, b"", b"")
