"""Masks from a cluster: a scheduler and workers as processes of their own on the loopback address.

The bytes are those of one machine; workers are killed and come later; a scheduler goes away.
"""

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest
from unfinished import contents, ran, write, write_small

from maskforge.base.cluster import ADDRESS
from maskforge.cli.exits import SHORT

pytest.importorskip("distributed")

Started = Callable[..., "subprocess.Popen[str]"]


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


@contextmanager
def processes() -> Iterator[Started]:
    """What starts programs of Dask and of maskforge; they are ended with the block."""
    made: list[subprocess.Popen[str]] = []

    def start(*words: object) -> "subprocess.Popen[str]":
        made.append(
            subprocess.Popen(
                [sys.executable, "-m", *map(str, words)],
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE if words[0] == "maskforge" else subprocess.DEVNULL,
                text=True,
                env=os.environ | {"OPENBLAS_NUM_THREADS": "1"},
            )
        )
        return made[-1]

    try:
        yield start
    finally:
        for one in made:
            one.kill()
            with suppress(subprocess.TimeoutExpired):
                one.communicate(timeout=20)


@pytest.fixture
def start(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Started]:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parents[2]))
    with processes() as found:
        yield found


def scheduler(start: Started) -> tuple[str, "subprocess.Popen[str]"]:
    port = free_port()
    made = start(
        "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", port, "--no-dashboard"
    )
    until(lambda: listens(port))
    return f"tcp://127.0.0.1:{port}", made


def worker(start: Started, address: str) -> "subprocess.Popen[str]":
    options = ("--nthreads", 1, "--no-nanny", "--no-dashboard", "--local-directory", "dask")
    return start("distributed.cli.dask_worker", address, *options)


def listens(port: int) -> bool:
    with suppress(OSError):
        socket.create_connection(("127.0.0.1", port), 1).close()
        return True
    return False


def until(true: Callable[[], bool]) -> None:
    end = time.monotonic() + 60
    while not true():
        assert time.monotonic() < end
        time.sleep(0.05)


def chains() -> list[Path]:
    return list(Path("out/.slow.unfinished").glob("*.masks"))


def kept() -> bool:
    return bool(chains())


@pytest.mark.long
def test_a_cluster_gives_the_bytes_of_one_machine(
    start: Started, capsys: pytest.CaptureFixture[str]
) -> None:
    write_small()
    assert ran(capsys, "--out", "here")[0] == SHORT
    address, _ = scheduler(start)
    for _ in range(2):
        worker(start, address)
    assert ran(capsys, "--out", "there", "--cluster", address)[0] == SHORT
    assert contents(Path("here")) == contents(Path("there"))


@pytest.mark.long
def test_sets_side_by_side_on_a_cluster_are_those_of_one_machine(
    start: Started, capsys: pytest.CaptureFixture[str]
) -> None:
    """A killed worker among them; more sets than are worked on at once."""
    write_small()
    vary = ("--vary", "light.waist_mm=1.1,1.12,1.14,1.16,1.18")
    assert ran(capsys, *vary, "--out", "here/all", "--jobs", "1")[0] == SHORT
    address, _ = scheduler(start)
    first = worker(start, address)
    worker(start, address)
    run = start(
        "maskforge", "design", "small.toml", *vary, "--out", "there/all", "--cluster", address
    )
    until(lambda: any(Path("there/all").glob("*/manifest.json")) or run.poll() is not None)
    first.send_signal(signal.SIGKILL)
    _, err = run.communicate(timeout=120)
    assert (run.returncode, err) == (SHORT, "")
    assert contents(Path("here/all")) == contents(Path("there/all"))


@pytest.mark.long
def test_tolerances_from_a_cluster_are_those_of_one_machine(start: Started) -> None:
    """All that is printed and written, of a set, whose masks are sent, and of a bench."""
    write_small()
    Path("by.toml").write_text("[deviations]\nfiber_offset_um = 0.3\nwaist_percent = 2\n", "utf-8")
    write("few.toml", orientations=1, method="simple")
    some = ("--labels", "LP01,LP11", "--orientations", 2)
    start("maskforge", "design", "small.toml", "--out", "set", *some).communicate()
    address, _ = scheduler(start)
    for _ in range(2):
        worker(start, address)
    found = []
    for source, draws in (("set", True), ("few.toml", False)):
        for place in (("--jobs", 1), ("--cluster", address)):
            options = ("--deviations", "by.toml", "--monte-carlo", 8, "--samples", "b.csv") * draws
            run = start("maskforge", "tolerance", source, "--csv", "a.csv", *options, *place)
            out, err = run.communicate(timeout=120)
            assert (run.returncode, err) == (0, "")
            texts = [Path(name).read_bytes() for name in ("a.csv", "b.csv") if Path(name).exists()]
            found.append((out, texts))
    assert found[0] == found[1]
    assert found[2] == found[3]


@pytest.mark.long
def test_workers_that_are_killed_and_come_later(start: Started) -> None:
    write_small()
    write("slow.toml", orientations=20, method="ifta")
    address, _ = scheduler(start)
    first, second = (worker(start, address) for _ in range(2))
    run = start("maskforge", "design", "slow.toml", "--cluster", address)
    until(kept)
    first.send_signal(signal.SIGKILL)
    worker(start, address)
    until(lambda: len(chains()) > 1 or run.poll() is not None)
    second.send_signal(signal.SIGKILL)
    _, err = run.communicate(timeout=120)
    assert (run.returncode in (0, SHORT), err) == (True, "")
    start("maskforge", "design", "slow.toml", "--jobs", "1", "--out", "one").communicate()
    assert contents(Path("out/slow")) == contents(Path("one"))


@pytest.mark.long
def test_a_scheduler_that_goes_away_is_one_line_and_gone_on_with(start: Started) -> None:
    write_small()
    write("slow.toml", orientations=20, method="ifta")
    address, lost = scheduler(start)
    worker(start, address)
    run = start("maskforge", "design", "slow.toml", "--cluster", address)
    until(kept)
    lost.send_signal(signal.SIGKILL)
    _, err = run.communicate(timeout=60)
    assert run.returncode == 2
    assert err.startswith(f"error: --cluster = {address}: the scheduler went away; --resume goes")
    assert err.count("\n") == 1
    address, _ = scheduler(start)
    worker(start, address)
    again = start("maskforge", "design", "slow.toml", "--cluster", address, "--resume")
    out, err = again.communicate(timeout=120)
    assert (again.returncode in (0, SHORT), err) == (True, "")
    assert " from the earlier run" in out


@pytest.mark.parametrize(
    ("address", "line"),
    [
        ("nonsense", "must be like tcp://host:8786"),
        ("tcp://127.0.0.1:port", "must be like tcp://host:8786"),
        ("tcp://127.0.0.1:99999", "no scheduler answers there"),
        ("tcp://127.0.0.1:{free}", "no scheduler answers there"),
    ],
)
def test_a_wrong_address_is_one_line(
    start: Started, capsys: pytest.CaptureFixture[str], address: str, line: str
) -> None:
    write_small()
    address = address.format(free=free_port())
    found = ran(capsys, "--cluster", address)
    assert found == (2, "", f"error: --cluster = {address}: {line}\n")
    assert not Path("out").exists()


def test_jobs_are_not_for_a_cluster(start: Started, capsys: pytest.CaptureFixture[str]) -> None:
    write_small()
    code, _, err = ran(capsys, "--cluster", "tcp://127.0.0.1:1", "--jobs", "2")
    assert (code, err) == (
        2,
        "error: --jobs = 2: goes without --cluster, which has workers of its own\n",
    )


def test_addresses() -> None:
    for text in ("tcp://10.0.0.1:8786", "tls://node-3.lab:1", "localhost:8786", "tcp://[::1]:8786"):
        assert ADDRESS.fullmatch(text)
