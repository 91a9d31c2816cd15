"""Threads that finish what this one begins."""

from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from typing import Any

from maskforge.base.crew import Crew


@contextmanager
def threads(work: Callable[[Any], Any], count: int, waiting: int = 0) -> Iterator[Crew]:
    """`count` threads that work on tasks while the next ones come; a result is taken once it is
    there.  So many tasks may be `waiting` for them.

    Of work that leaves the interpreter to others: large arrays, compression, files.
    """

    def full(begun: deque[Future[Any]]) -> bool:
        return len(begun) > count + waiting or begun[0].done()

    pool = ThreadPoolExecutor(count)
    try:
        yield Crew(lambda task: pool.submit(work, task), full)
    finally:
        pool.shutdown(cancel_futures=True)
