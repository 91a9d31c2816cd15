"""Processes that work for this one and end with it; and who works for whom at all."""

import multiprocessing
import os
import signal
import sys
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import dataclass
from functools import partial
from multiprocessing.connection import Connection
from threading import Thread
from types import FunctionType
from typing import Any, TypeVar

from threadpoolctl import threadpool_limits

from maskforge.base.cluster import Cluster, workers
from maskforge.base.crew import AHEAD, Crew, in_order, nothing
from maskforge.base.ending import clear_up_beside
from maskforge.base.errors import LostProcessError
from maskforge.base.forked import FORKED, load_ahead, uninterrupted
from maskforge.base.memory import keep_freed_memory

Task = TypeVar("Task")
Result = TypeVar("Result")

Workers = int | Cluster
"""How many processes of this machine, or those of a cluster."""


@dataclass(frozen=True)
class Started:
    """Processes of this machine that have begun before what they are to do is known."""

    crew: Crew
    count: int


MOST = 61 if sys.platform == "win32" else 1024
"""Processes: Windows waits for no more at once (WaitForMultipleObjects)."""

LONGEST_END = 5.0
"""Seconds that processes have to end in: more than they take."""

_own: dict[str, Callable[..., Any]] = {}
"""Of a process that works for another: `start`, and `work` once that was called."""


def spread(
    start: Callable[[], Callable[[Task], Result]],
    here: Callable[[], Callable[[Task], Result]],
    tasks: Iterable[Task],
    jobs: Workers | Started,
    meanwhile: Callable[[], object] = nothing,
    *,
    count: int | None = None,
) -> Generator[Result, None, None]:
    """Results of `tasks` in their order, over `jobs` processes of one thread each, or in this one,
    or over a cluster; `count` says how many there are of tasks that are made one by one.

    `start` (which must pickle) and `here` give what works on a task, there and here; `meanwhile`
    as of `in_order`.
    """
    if isinstance(jobs, Cluster):
        return in_order(workers(jobs, start), tasks, meanwhile)
    if isinstance(jobs, Started):
        return in_order(nullcontext(jobs.crew), tasks, meanwhile)
    if count is None:
        tasks = list(tasks)
        count = len(tasks)
    if jobs > 1 and count > 1:
        return in_order(processes(start, min(jobs, count)), tasks, meanwhile)
    return in_order(_alone(here), tasks, meanwhile)


@contextmanager
def _alone(here: Callable[[], Callable[[Any], Any]]) -> Iterator[Crew]:
    """This process: a task is worked on where its result is taken."""
    keep_freed_memory()
    with threadpool_limits(1):
        yield Crew(submit=lambda task: task, full=bool, result=here())


@contextmanager
def started(start: Callable[[], Callable[[Any], Any]], count: int) -> Iterator[Started]:
    """`processes` that call `start` at once, for `spread`."""
    with processes(start, count, ahead=True) as crew:
        yield Started(crew, count)


@contextmanager
def processes(
    start: Callable[[], Callable[[Any], Any]], count: int, *, ahead: bool = False
) -> Iterator[Crew]:
    """`count` processes, each of which calls `start` (which must pickle) once, before its first
    task or `ahead` of any, and what it returns for every task.

    An interrupt from the terminal reaches this process alone; at the end of the block, or when this
    process is killed, the others end, whatever they are at.  Raises LostProcessError where a
    process was ended from outside.
    """
    load_ahead(*_modules_of(start))
    context = multiprocessing.get_context("forkserver" if FORKED else "spawn")
    # nobody ever writes: its closing, by us or by our death, is what the processes wait for
    theirs, ours = context.Pipe(duplex=False)
    pool = ProcessPoolExecutor(
        min(count, MOST), context, initializer=_begin, initargs=(theirs, start)
    )
    answers: Any = pool._result_queue
    working: set[int] = set()

    def submit(task: Any, work: Callable[[Any], Any] = _answer) -> Future[Any]:
        with uninterrupted():
            begun = pool.submit(work, task)
        working.add(id(begun))
        begun.add_done_callback(lambda ended: working.discard(id(ended)))
        return begun

    def begin() -> None:
        # it may be over by then; what else is wrong is told by the first task
        with suppress(Exception):
            for _ in range(count):
                submit(None, _get_ready)

    ended_well = False
    try:
        if ahead:
            # whoever they are copies of may not be ready itself
            Thread(target=begin, daemon=True).start()
        yield Crew(submit, lambda begun: len(begun) > AHEAD * count)
        ended_well = not working
    except BrokenProcessPool:
        raise LostProcessError(
            "a process was ended from outside, perhaps for lack of memory"
        ) from None
    finally:
        ours.close()
        # with no one left to write, what a process was telling when it ended is not waited for
        answers._writer.close()
        clearing = clear_up_beside(partial(pool.shutdown, cancel_futures=True))
        if not ended_well:
            # who has just begun reads what this process takes away at its end
            clearing.join(LONGEST_END)
        theirs.close()


def _modules_of(start: Callable[[], Any]) -> list[str]:
    """Where a function is from; of a partial one, also those among what it is given."""
    parts = [getattr(start, "func", start), *getattr(start, "args", ())]
    return [part.__module__ for part in parts if isinstance(part, FunctionType)]


# --- in the processes ------------------------------------------------------------------------


def _begin(lifeline: Connection, start: Callable[[], Callable[[Any], Any]]) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    Thread(target=_end_with, args=(lifeline,), daemon=True).start()
    threadpool_limits(1)
    keep_freed_memory()
    _own["start"] = start


def _end_with(lifeline: Connection) -> None:
    with suppress(EOFError, OSError):
        lifeline.recv_bytes()
    os._exit(1)


def _get_ready(_: None) -> None:
    # what is wrong is told by the first task
    with suppress(Exception):
        _work()


def _answer(task: Any) -> Any:
    return _work()(task)


def _work() -> Callable[[Any], Any]:
    # not at the beginning: its error is then told as a task's
    if "work" not in _own:
        _own["work"] = _own["start"]()
    return _own["work"]
