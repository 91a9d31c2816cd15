"""What a script gives to a function: checked, and told in one line where it cannot be used."""

import os
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from maskforge.base.errors import BenchError
from maskforge.base.ranges import BadValueError
from maskforge.base.wording import listed, one_line, shown

Rule = Callable[[object], float]
"""Gives a number back, or raises BadValueError, which says what is allowed."""


@contextmanager
def plain_errors() -> Iterator[None]:
    """A value that cannot be used as a BenchError, with its key."""
    try:
        yield
    except BadValueError as problem:
        named = f"{problem.key} = {shown(problem.value)}: " if problem.key else ""
        raise BenchError(one_line(f"{named}{problem.text}")) from None


def number(name: str, value: object, rule: Rule) -> float:
    """A number that a rule takes; NumPy's numbers are numbers.  BenchError names it."""
    plain = value.item() if hasattr(value, "item") and getattr(value, "ndim", 1) == 0 else value
    try:
        return rule(plain)
    except BadValueError as problem:
        raise BenchError(one_line(f"{name} = {shown(plain)}: {problem.text}")) from None


def numbers(name: str, values: object, rule: Rule) -> tuple[float, ...]:
    """Several, one at least, each once and ascending; one number by itself is one of them."""
    each = [values] if isinstance(values, int | float | str) or values is None else values
    if not isinstance(each, Iterable):
        raise BenchError(one_line(f"{name} = {shown(values)}: must be numbers"))
    found = {number(name, value, rule) for value in each}
    if not found:
        raise BenchError(f"{name}: at least one number is needed")
    return tuple(sorted(found))


def path_of(name: str, value: object) -> Path:
    """A path; BenchError for what is none."""
    if not isinstance(value, str | os.PathLike) or "\0" in os.fspath(value):
        raise BenchError(one_line(f"{name} = {shown(value)}: must be a path"))
    return Path(value)


def word(name: str, value: object, known: Iterable[str]) -> str:
    """One of some words; BenchError names it."""
    every = tuple(known)
    if not isinstance(value, str) or value not in every:
        raise BenchError(one_line(f"{name} = {shown(value)}: must be one of {listed(every)}"))
    return value


def words(name: str, values: object) -> tuple[str, ...]:
    """Some words, each once; BenchError names them."""
    if isinstance(values, str) or not isinstance(values, Iterable):
        raise BenchError(one_line(f"{name} = {shown(values)}: must be a list of words"))
    found = tuple(dict.fromkeys(values))
    if not found or not all(isinstance(one, str) for one in found):
        raise BenchError(one_line(f"{name} = {shown(list(found))}: must be words, one at least"))
    return found
