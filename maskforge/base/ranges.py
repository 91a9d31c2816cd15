"""What a key of the bench file may hold: ranges with their unit, choices, pairs, in plain words."""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from maskforge.base.wording import listed, nearest, shown

METRIC = ("nm", "um", "mm", "mW", "mW/mm2", "1/m")
"""Units that people mistake for their thousandth or thousandfold."""

SLIPS = (1e3, 1e-3, 1e6, 1e-6, 1e9, 1e-9)
"""Factors between m, mm, um and nm, the likeliest first."""


class BadValueError(ValueError):
    """A value that cannot be used: what is allowed, and the key where it is not the one at hand."""

    def __init__(self, text: str, key: str | None = None, value: object = None) -> None:
        super().__init__(text)
        self.text, self.key, self.value = text, key, value


@dataclass(frozen=True)
class Range:
    """A number from `low` to `high` (both excluded if `open`) in `unit`."""

    low: float
    high: float
    unit: str = ""
    whole: bool = False
    open: bool = False

    def phrase(self) -> str:
        """What is allowed, in words."""
        kind = "a whole number" if self.whole else "a number"
        low, high = (str(int(x)) if self.whole else f"{x:g}" for x in (self.low, self.high))
        span = f"between {low} and {high}" if self.open else f"from {low} to {high}"
        return f"must be {kind} {span} {self.unit}".rstrip()

    def __call__(self, value: object) -> float:
        """The number, or BadValueError."""
        if isinstance(value, str):
            raise BadValueError(f"{self.phrase()}, without quotes")
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise BadValueError(self.phrase())
        try:
            number = float(value)
        except OverflowError:
            raise BadValueError(self.phrase()) from None
        if not self._holds(number) or (self.whole and not number.is_integer()):
            raise BadValueError(self.phrase() + self._hint(number))
        return int(value) if self.whole else number

    def _holds(self, number: float) -> bool:
        if not math.isfinite(number):
            return False
        return self.low < number < self.high if self.open else self.low <= number <= self.high

    def _hint(self, number: float) -> str:
        if self.unit not in METRIC or not math.isfinite(number) or number == 0.0:
            return ""
        meant = next((number * slip for slip in SLIPS if self._holds(number * slip)), None)
        return "" if meant is None else f"; did you mean {meant:g} ({self.unit})?"


@dataclass(frozen=True)
class Pair:
    """Two numbers of one range, [first, second]."""

    each: Range
    first: str
    second: str

    def phrase(self) -> str:
        rule = self.each.phrase().removeprefix("must be ")
        return f"must be [{self.first}, {self.second}], each {rule}"

    def __call__(self, value: object) -> tuple[float, float]:
        """The two numbers, or BadValueError."""
        if not isinstance(value, list | tuple) or len(value) != 2:
            raise BadValueError(self.phrase())
        try:
            return self.each(value[0]), self.each(value[1])
        except BadValueError as problem:
            raise BadValueError(
                self.phrase() + problem.text.removeprefix(self.each.phrase())
            ) from None


@dataclass(frozen=True)
class Choice:
    """One of some words."""

    words: tuple[str, ...]

    def phrase(self) -> str:
        return f"must be one of {listed(self.words)}"

    def __call__(self, value: object) -> str:
        """The word, or BadValueError."""
        if isinstance(value, str) and value in self.words:
            return value
        near = nearest(value, self.words) if isinstance(value, str) else None
        raise BadValueError(self.phrase() + (f'; did you mean "{near}"?' if near else ""))


@dataclass(frozen=True)
class Text:
    """A short line of text."""

    longest: int = 80

    def phrase(self) -> str:
        return f"must be text on one line, 1 to {self.longest} characters"

    def __call__(self, value: object) -> str:
        """The text, or BadValueError."""
        if not isinstance(value, str) or not 0 < len(value) <= self.longest:
            raise BadValueError(self.phrase())
        if not value.isprintable() or not value.strip():
            raise BadValueError(self.phrase())
        return value


LP_LABEL = re.compile(r"LP(?:(\d)([1-9])|(\d+),([1-9]\d*))")


def lp_order(label: str) -> int:
    """Azimuthal order l of a label LP21 (LP10,1 from two digits on), or BadValueError."""
    match = LP_LABEL.fullmatch(label)
    if match is None:
        raise BadValueError(
            f'{shown(label)} is not an LP label: LP, l from 0, p from 1, as in "LP21" or "LP10,1"'
        )
    return int(match[1] or match[3] or 0)


def distinct(words: Sequence[str]) -> None:
    """BadValueError where a word is given twice."""
    seen: set[str] = set()
    for word in words:
        if word in seen:
            raise BadValueError(f"{shown(word)} is given twice")
        seen.add(word)
