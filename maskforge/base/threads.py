"""Threads that finish what this one begins: results in order, few of them waiting."""

from collections import deque
from collections.abc import Callable, Generator, Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

Task = TypeVar("Task")
Result = TypeVar("Result")


def in_turn(
    work: Callable[[Task], Result], tasks: Iterable[Task], count: int
) -> Generator[Result, None, None]:
    """Results of `tasks` in their order, worked on by `count` threads while the next ones come.

    Of work that leaves the interpreter to others: large arrays, compression, files.
    """
    waiting: deque[Future[Result]] = deque()
    threads = ThreadPoolExecutor(count)
    try:
        for task in tasks:
            waiting.append(threads.submit(work, task))
            while waiting and (len(waiting) > count or waiting[0].done()):
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
    finally:
        threads.shutdown(cancel_futures=True)
