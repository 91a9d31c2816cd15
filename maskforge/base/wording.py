"""Words for what is printed: one line, shortened values, near names, lists, counts."""

import json
from collections.abc import Iterable, Sequence
from difflib import get_close_matches

LONGEST_VALUE = 60
"""Characters of a value that an error line repeats."""

SHOWN_NAMES = 6
"""Names of masks, modes or targets that a line has room for."""


def one_line(text: str) -> str:
    """Control characters and line ends replaced by spaces, runs of spaces joined."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def shown(value: object) -> str:
    """A value as the bench file would write it, on one line and shortened."""
    try:
        text = one_line(json.dumps(value, default=str, ensure_ascii=False))
    except (ValueError, TypeError, RecursionError):
        text = "a value that cannot be printed"
    return shortened(text)


def shortened(text: str) -> str:
    """A name or a value as an error line has room for it."""
    text = text if len(text) <= LONGEST_VALUE else text[: LONGEST_VALUE - 3] + "..."
    return one_line(text)


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word most like `word`, or None where none is like it."""
    found = get_close_matches(word.lower(), list(known), n=1, cutoff=0.5)
    return found[0] if found else None


def listed(words: Iterable[str]) -> str:
    return ", ".join(f'"{word}"' for word in words)


def some_of(names: Sequence[str]) -> str:
    """The first few names, and how many more there are."""
    more = len(names) - SHOWN_NAMES
    return ", ".join(names[:SHOWN_NAMES]) + (f" and {more} more" if more > 0 else "")


def rounded(value: float, digits: int) -> str:
    """The number with so many decimals; what rounds to nothing has no sign."""
    text = f"{value:.{digits}f}"
    return text if float(text) else text.lstrip("-")


def length_text(metres: float, digits: int = 3) -> str:
    """A length to so many digits, in the unit that takes few zeros: "31.2 µm", "1.19 m"."""
    for unit, name in ((1e-6, "µm"), (1e-3, "mm")):
        if abs(metres) < 999 * unit:
            return f"{metres / unit:.{digits}g} {name}"
    return f"{metres:.{digits}g} m"


def counted(number: int, thing: str) -> str:
    """ "1 mask", "2 masks"."""
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"
