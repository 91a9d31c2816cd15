"""The page of a set held against the one that its files give, pictures left out."""

import html
import math
import re
from collections.abc import Iterator
from dataclasses import replace

from maskforge.base.errors import BenchError
from maskforge.base.regular_files import read_regular
from maskforge.base.version import VERSION
from maskforge.base.wording import shown
from maskforge.report import PAGE
from maskforge.report.page.looks import Look
from maskforge.report.page.set_page import tolerance_of, written_page
from maskforge.report.page.thumbnails import Shot
from maskforge.sets.check.claims import Claims
from maskforge.sets.reading import WrittenSet

TITLE = re.compile("<title>(.*?) – set of masks</title>", re.DOTALL)

PICTURE = re.compile(
    r"data:image/png;base64,[A-Za-z0-9+/=]*|<span class=\"light\" role=\"img\".*?</span>", re.DOTALL
)

NUMBER = re.compile(r"(?<![A-Za-z0-9_.])[0-9]+(?:\.[0-9]+)?(?:e[+-]?[0-9]+)?")

LARGEST = 2**29
"""Bytes of a page: some 10 kB a mask, of sets of thousands."""

ROUNDED = 1e-9
"""Of a number: how far it may be from the one that this machine computes."""

AROUND = 20
"""Characters before and after a place that differs, to tell where that is."""


def page_problems(claims: Claims) -> Iterator[str]:
    """Where report.html does not say what the set's other files give.

    A page that another version of the program made may be written otherwise; it has its digest.
    """
    written, path = claims.written, claims.written.folder / PAGE
    if not path.exists() or not _is_own(written):
        return
    try:
        found = read_regular(path, LARGEST).decode("utf-8")
    except (OSError, ValueError) as error:
        yield f"{PAGE}: cannot be read ({getattr(error, 'strerror', None) or error})"
        return
    title = TITLE.search(found)
    if written.name is None and title:
        # called as a folder that may have been moved since
        written = replace(written, name=html.unescape(title[1]))
    blank = [Look(Shot("", "", "", ""))] * len(written.masks)
    try:
        # a table of tolerances may have come after the page
        tolerance = tolerance_of(written.folder)
        pages = [
            written_page(written, claims.bench, claims.launch, blank, table)
            for table in ([None] if tolerance is None else [None, tolerance])
        ]
    except BenchError:
        # what it is made from cannot be used, which other lines tell
        return
    differences = [_difference(_plain(found), _plain(page)) for page in pages]
    if all(differences):
        yield f"{PAGE}: is not the page of this set: {differences[-1]}"


def _is_own(written: WrittenSet) -> bool:
    made = written.made_with
    return isinstance(made, dict) and made.get("maskforge") == VERSION


def _plain(page: str) -> str:
    return PICTURE.sub("", page)


def _difference(found: str, expected: str) -> str:
    """The first place where two pages differ, in words; empty where there is none."""
    first, second = NUMBER.split(found), NUMBER.split(expected)
    ours, theirs = NUMBER.findall(found), NUMBER.findall(expected)
    for at, (one, other) in enumerate(zip(first, second, strict=False)):
        if one != other:
            place = next((k for k, (a, b) in enumerate(zip(one, other, strict=False)) if a != b), 0)
            start = max(place - AROUND, 0)
            end = place + AROUND
            return f"{shown(one[start:end])} where {shown(other[start:end])} is due"
        if at < min(len(ours), len(theirs)) and not _near(ours[at], theirs[at]):
            return f"{ours[at]} where {theirs[at]} is due, after {shown(one[-2 * AROUND :])}"
    return "" if len(first) == len(second) else "it is cut, or goes on after its end"


def _near(one: str, other: str) -> bool:
    # whole numbers are counts, or the beginning of a checksum
    decimal = "." in one and "." in other
    return one == other or (decimal and math.isclose(float(one), float(other), rel_tol=ROUNDED))
