"""Numbers and words in the text of an option; errors name the option and the text received."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager

import numpy as np

from maskforge.base.arguments import Rule
from maskforge.base.errors import BenchError
from maskforge.base.ranges import BadValueError, Range
from maskforge.base.wording import one_line, shown


def number(option: str, given: str | float, rule: Rule) -> float:
    """The number of an option; BenchError, which names it, for one that the rule forbids."""
    try:
        return rule(_read(given) if isinstance(given, str) else given)
    except BadValueError as problem:
        text = given if isinstance(given, str) else f"{given:g}"
        raise BenchError(one_line(f"{option} = {text}: {problem.text}")) from None


def _read(text: str) -> float:
    """What no rule allows, where the text is no number."""
    try:
        return float(text)
    except ValueError:
        return float("nan")


def numbers(
    option: str, text: str, rule: Rule, needed: str = "at least one number"
) -> tuple[float, ...]:
    """Numbers between commas, each once, ascending; BenchError names the option."""
    found = {number(option, word, rule) for word in words(text)}
    if not found:
        raise BenchError(f"{option}: {needed}")
    return tuple(sorted(found))


def pair(option: str, text: str, each: Range) -> tuple[float, float]:
    """Two numbers X,Y of one range; BenchError names the option."""
    try:
        x, y = (each(_read(part)) for part in text.split(","))
    except ValueError:
        rule = f"must be X,Y, each {each.phrase().removeprefix('must be ')}"
        raise BenchError(one_line(f"{option} = {text}: {rule}")) from None
    return x, y


def spaced(option: str, text: str, each: Range, count: Range, example: str) -> tuple[float, ...]:
    """Evenly spaced numbers of FIRST:LAST:COUNT, FIRST below LAST; BenchError names the option."""
    rule = f"must be FIRST:LAST:COUNT in {each.unit}, as in {example}"
    try:
        start, end, many = text.split(":")
        first, last, steps = each(float(start)), each(float(end)), int(count(int(many)))
    except BadValueError as problem:
        raise BenchError(f"{option} = {text}: {problem.text}; {rule}") from None
    except ValueError:
        raise BenchError(f"{option} = {text}: {rule}") from None
    if not first < last:
        raise BenchError(f"{option} = {text}: {rule}, FIRST below LAST")
    return tuple(np.linspace(first, last, steps).tolist())


def words(text: str) -> list[str]:
    """What stands between commas, if anything does."""
    return [word for word in (piece.strip() for piece in text.split(",")) if word]


def some_words(option: str, text: str, known: Sequence[str]) -> list[str]:
    """What stands between commas; BenchError, which names the option and what is known, if none."""
    found = words(text)
    if not found:
        raise BenchError(f"{option}: at least one of {', '.join(known)}")
    return found


@contextmanager
def as_options() -> Iterator[None]:
    """Tells of a bad value by the option that it was given with: the key, with hyphens."""
    try:
        yield
    except BadValueError as problem:
        if problem.key is None:
            raise
        option = f"--{problem.key}".replace("_", "-")
        value = problem.value if isinstance(problem.value, str) else shown(problem.value)
        raise BenchError(one_line(f"{option} = {value}: {problem.text}")) from None
