"""Threads in turn (common practice, no source)."""

import threading
from collections.abc import Iterator

import pytest

from maskforge.base.crew import in_order
from maskforge.base.threads import threads


def test_results_come_in_the_order_of_their_tasks() -> None:
    gates = [threading.Event() for _ in range(8)]

    def work(task: int) -> int:
        # every second one waits for the next
        if task % 2 == 0:
            gates[task + 1].wait(5)
        gates[task].set()
        return task * task

    assert list(in_order(threads(work, 4), range(8))) == [task * task for task in range(8)]


def test_few_tasks_wait_and_errors_are_told() -> None:
    taken: list[int] = []

    def tasks() -> Iterator[int]:
        for task in range(100):
            taken.append(task)
            yield task

    def work(task: int) -> int:
        if task == 5:
            raise ValueError("the fifth")
        return task

    with pytest.raises(ValueError, match="the fifth"):
        list(in_order(threads(work, 2), tasks()))
    assert len(taken) < 12


def test_so_many_tasks_wait_for_the_first_and_no_more() -> None:
    held, taken = threading.Event(), []

    def tasks() -> Iterator[int]:
        for task in range(20):
            if task == 7:
                held.set()
            taken.append(task)
            yield task

    def work(task: int) -> int:
        assert held.wait(5)
        return task

    found = in_order(threads(work, 1, 6), tasks())
    assert next(found) == 0
    assert len(taken) == 8
    assert list(found) == list(range(1, 20))
