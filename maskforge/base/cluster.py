"""Processes of other machines that work for this one, through a scheduler of Dask that is there.

What bulky inputs are made of goes to each worker once, as a task's result that the scheduler can
make again; each worker makes the inputs once.  A worker that is lost costs its tasks only: the
scheduler gives them to others.  A worker that comes later gets some.
"""

import itertools
import logging
import pickle
import re
import socket
import time
import uuid
import warnings
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import cache, partial
from threading import Lock
from typing import TYPE_CHECKING, Any

from threadpoolctl import threadpool_limits

from maskforge.base.crew import AHEAD, Crew
from maskforge.base.errors import ClusterError
from maskforge.base.wording import one_line

if TYPE_CHECKING:
    from distributed import Client, Future

ADDRESS = re.compile(r"(?:(?:tcp|tls)://)?(\[[0-9A-Fa-f:]+\]|[^\s/:\[\]]+):([0-9]{1,5})")

REACHED = 3.0
"""Seconds for a connection to be made."""

PATIENCE = 6.0
"""Seconds for a scheduler to answer, and for it to have a worker."""

LOST = ("cancelled", "lost")
"""What Dask calls a task whose scheduler is gone."""

LOOK = 2.0
"""Seconds between two looks at how many workers there are, and whether there is a scheduler."""


@dataclass(frozen=True)
class Cluster:
    """A scheduler, by its address such as "tcp://10.0.0.1:8786"."""

    address: str


@contextmanager
def workers(cluster: Cluster, start: Callable[[], Callable[[Any], Any]]) -> Iterator[Crew]:
    """Its workers, each of which calls `start` (which must pickle) once and what it returns for
    every task; however many there are, from one look to the next.

    Raises ClusterError, one line, where the scheduler is not there, goes away or has no worker,
    where a worker runs another program, or tasks are lost with every worker that gets them.
    """
    with _client(cluster) as client:
        own, run, place = _program(), uuid.uuid4().hex, itertools.count()
        with warnings.catch_warnings():
            # of much that is sent: it is sent once
            warnings.simplefilter("ignore")
            bulky = client.submit(_same, pickle.dumps(start), pure=False)
        seen, count = 0.0, 1

        def submit(task: Any) -> "Future":
            content, first = pickle.dumps(task), -next(place)
            return client.submit(_answer, run, own, bulky, content, pure=False, priority=first)

        def full(begun: "deque[Future]") -> bool:
            nonlocal seen, count
            if time.monotonic() - seen > LOOK:
                seen, count = time.monotonic(), max(1, len(client.nthreads()))
            return len(begun) > AHEAD * count

        def drop(begun: "deque[Future]") -> None:
            with suppress(Exception):
                client.cancel([*begun, bulky])

        yield Crew(submit, full, partial(_taken, cluster, client), drop)


def worker_count(cluster: Cluster) -> int:
    """How many workers it has now; raises ClusterError as `workers` does."""
    with _client(cluster) as client:
        return max(1, len(client.nthreads()))


def _check_address(cluster: Cluster) -> None:
    """ClusterError at once where nothing listens; Dask's own client tries for long."""
    where = f"--cluster = {cluster.address}"
    found = ADDRESS.fullmatch(cluster.address)
    if found is None:
        raise ClusterError(one_line(f"{where}: must be like tcp://host:8786"))
    try:
        socket.create_connection((found[1].strip("[]"), int(found[2])), REACHED).close()
    except (OSError, OverflowError, UnicodeError):
        raise ClusterError(one_line(f"{where}: no scheduler answers there")) from None


@contextmanager
def _client(cluster: Cluster) -> Iterator["Client"]:
    _check_address(cluster)
    try:
        from distributed import Client
    except ImportError:
        raise ClusterError(
            "--cluster needs Dask's distributed: pip install 'maskforge[cluster]'"
        ) from None
    # what it has to say of lost connections and workers is told in our own line, or made good
    for name in [*logging.root.manager.loggerDict]:
        if name.partition(".")[0] in ("distributed", "tornado", "asyncio"):
            logging.getLogger(name).setLevel(logging.CRITICAL + 1)
    where = f"--cluster = {cluster.address}"
    try:
        client = Client(cluster.address, timeout=PATIENCE, set_as_default=False)
    except Exception:  # of many kinds: an address that is none, no answer, another protocol
        raise ClusterError(one_line(f"{where}: no scheduler answers there")) from None
    try:
        deadline = time.monotonic() + PATIENCE
        while not client.nthreads():
            if time.monotonic() > deadline:
                raise ClusterError(f"{where}: the scheduler has no worker (dask worker ADDRESS)")
            time.sleep(0.1)
        yield client
    finally:
        with suppress(Exception):
            client.close(timeout=2)


def _taken(cluster: Cluster, client: "Client", future: "Future") -> Any:
    from distributed import KilledWorker

    where = f"--cluster = {cluster.address}"
    while True:
        try:
            return pickle.loads(future.result(timeout=LOOK))
        except TimeoutError:
            # it may have been finished since
            if client.status == "running" and future.status not in LOST:
                continue
            raise ClusterError(f"{where}: the scheduler went away") from None
        except KilledWorker:
            raise ClusterError(
                f"{where}: workers were lost, one after the other, with the same task, perhaps for "
                "lack of memory"
            ) from None
        except Exception:
            if future.status in LOST or client.status != "running":
                raise ClusterError(f"{where}: the scheduler went away") from None
            raise


# --- in the workers --------------------------------------------------------------------------

KEPT = 2
"""Runs whose inputs a worker keeps: those of a campaign's sets take turns."""

_own: dict[str, Callable[[Any], Any]] = {}
"""Of a worker: what works on tasks, of the last runs, the latest one last."""

_one = Lock()
"""What is kept with a launch is for one thread: a worker of several takes turns."""


@cache
def _program() -> list[str]:
    # the libraries that it asks take long to load
    from maskforge.base.program import program

    return program()


def _same(content: bytes) -> bytes:
    return content


def _answer(run: str, wanted: list[str], bulky: bytes, task: bytes) -> bytes:
    found = _program()
    if found != wanted:
        raise ClusterError(
            f"a worker runs another program: Python {found[0]}, maskforge {found[2]} (text "
            f"{found[1][:8]}), numpy {found[3]}, scipy {found[4]}; here it is Python {wanted[0]}, "
            f"maskforge {wanted[2]} (text {wanted[1][:8]}), numpy {wanted[3]}, scipy {wanted[4]}"
        )
    with _one, threadpool_limits(1):
        work = _own.pop(run, None)
        if work is None:
            while len(_own) >= KEPT:
                del _own[next(iter(_own))]
            work = pickle.loads(bulky)()
        _own[run] = work
        return pickle.dumps(work(pickle.loads(task)))
