"""The one way to have others work: tasks are handed out, results taken in order, few of them wait.

Who works is a Crew: this process, threads, processes or a cluster's workers, the last three through
an executor of the standard's kind.
"""

from collections import deque
from collections.abc import Callable, Generator, Iterable
from concurrent.futures import Future
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Any

AHEAD = 3
"""Tasks a worker, or process, that are begun before the results of earlier ones are taken."""


def result_of(begun: Future[Any]) -> Any:
    """What a task has given, or raised."""
    return begun.result()


@dataclass(frozen=True)
class Crew:
    """`submit` begins a task and gives what stands for it, `result` waits for what that gives.

    `full`: whether, of what is begun in its order, the first result is taken before another task is
    begun; `drop`: what is done with those whose results nobody takes.
    """

    submit: Callable[[Any], Any]
    full: Callable[[deque[Any]], bool]
    result: Callable[[Any], Any] = result_of
    drop: Callable[[deque[Any]], object] = lambda begun: None


def nothing() -> None:
    """What is done while others work, where nothing is."""


def in_order(
    crew: AbstractContextManager[Crew],
    tasks: Iterable[Any],
    meanwhile: Callable[[], object] = nothing,
) -> Generator[Any, None, None]:
    """Results of `tasks` in their order, from a crew that is there until the last one is taken or
    the generator is closed.  Raises what a task raised.

    `meanwhile` is done once the first tasks are begun, before a result is waited for.
    """
    with crew as one:
        first = True
        begun: deque[Any] = deque()
        try:
            for task in tasks:
                begun.append(one.submit(task))
                while begun and one.full(begun):
                    if first:
                        first = False
                        meanwhile()
                    yield one.result(begun.popleft())
            if first:
                meanwhile()
            while begun:
                yield one.result(begun.popleft())
        finally:
            one.drop(begun)
