"""Processes that work for this one and end with it: results in order, few of them waiting."""

import multiprocessing
import signal
import traceback
from collections import deque
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from functools import partial
from multiprocessing import resource_tracker
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from queue import SimpleQueue
from typing import Any, TypeVar

from threadpoolctl import threadpool_limits

from maskforge.base.errors import LostProcessError

Task = TypeVar("Task")
Result = TypeVar("Result")

AHEAD = 2
"""Tasks a process that are begun before the results of earlier ones are taken."""


def spread(
    start: Callable[[], Callable[[Task], Result]],
    here: Callable[[], Callable[[Task], Result]],
    tasks: Sequence[Task],
    jobs: int,
) -> Generator[Result, None, None]:
    """Results of `tasks` in their order, over `jobs` processes of one thread each, or in this one.

    `start` (which must pickle) and `here` give what works on a task, there and here.
    """
    if jobs > 1 and len(tasks) > 1:
        yield from in_order(partial(_on_one_thread, start), tasks, min(jobs, len(tasks)))
        return
    with threadpool_limits(1):
        work = here()
        for task in tasks:
            yield work(task)


def _on_one_thread(start: Callable[[], Callable[[Task], Result]]) -> Callable[[Task], Result]:
    threadpool_limits(1)
    return start()


def in_order(
    start: Callable[[], Callable[[Task], Result]], tasks: Sequence[Task], count: int
) -> Generator[Result, None, None]:
    """Results of `tasks` in their order, from `count` processes.

    Each process calls `start` (which must pickle) once and what it returns for every task.
    An interrupt from the terminal reaches this process alone; when the generator is closed the
    processes are killed, whatever they are at, and a process whose parent is killed ends after its
    task.  Raises what a task raised, and LostProcessError where a process was ended from outside.
    """
    free: SimpleQueue[Connection] = SimpleQueue()
    crew: list[BaseProcess] = []
    threads = ThreadPoolExecutor(count)  # one waits for each process
    waiting: deque[Future[Result]] = deque()
    try:
        for _ in range(count):
            process, connection = _started(start)
            crew.append(process)
            free.put(connection)
        for task in tasks:
            waiting.append(threads.submit(_asked, free, task))
            if len(waiting) > AHEAD * count:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
    finally:
        for process in crew:
            process.kill()
        threads.shutdown(cancel_futures=True)
        for process in crew:
            process.join()


def _asked(free: "SimpleQueue[Connection]", task: object) -> Any:
    connection = free.get()
    try:
        connection.send(task)
        result, error = connection.recv()
    except (EOFError, OSError):
        raise LostProcessError(
            "a process was ended from outside, perhaps for lack of memory"
        ) from None
    finally:
        free.put(connection)
    if error is not None:
        raise error
    return result


def _started(start: Callable[[], Callable[[Task], Result]]) -> tuple[BaseProcess, Connection]:
    # spawn: a forked child would share locks of threaded libraries in an unknown state
    context = multiprocessing.get_context("spawn")
    # a pipe each: nothing is shared, so that the death of one cannot block the others
    ours, theirs = context.Pipe()
    process = context.Process(target=_serve, args=(start, theirs), daemon=True)
    with _uninterrupted():
        process.start()
    theirs.close()
    return process, ours


@contextmanager
def _uninterrupted() -> Iterator[None]:
    """What is started here never sees the terminal's interrupt, from its first moment on."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    # started on its own: its start would lift the mask
    resource_tracker.ensure_running()
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _serve(start: Callable[[], Callable[[Task], Result]], connection: Connection) -> None:
    """What a process does: answers tasks with (result, None) or (None, error)."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    work: Callable[[Task], Result] | None = None
    while True:
        try:
            task = connection.recv()
        except EOFError:
            return
        reply: tuple[Result | None, Exception | None]
        try:
            work = work or start()
            reply = work(task), None
        except Exception as error:
            error.add_note(traceback.format_exc())
            reply = None, error
        try:
            connection.send(reply)
        except BrokenPipeError:
            return
