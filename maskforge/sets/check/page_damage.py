"""Why a page is not what the set says: what may have happened to it, tried in turn."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from itertools import groupby

import numpy as np

from maskforge.launch.couplings import launched as launched_by
from maskforge.launch.modulator import Alphabet, Complex, emitted
from maskforge.launch.panel import rendered
from maskforge.sets.check.claims import Claims, mask_name
from maskforge.sets.manifest import Record
from maskforge.sets.rebuilding import read_states
from maskforge.sets.stack import Picture, pixel_hash

TURNS: Mapping[str, Callable[[Picture], Picture]] = {
    "": lambda page: page,
    "upside down": lambda page: page[::-1],
    "mirrored left to right": lambda page: page[:, ::-1],
    "turned by 180 deg": lambda page: page[::-1, ::-1],
    "transposed": lambda page: page.T,
    "turned by 90 deg counter-clockwise": lambda page: np.rot90(page, -1),
    "turned by 90 deg clockwise": lambda page: np.rot90(page, 1),
    "transposed about the other diagonal": lambda page: page[::-1, ::-1].T,
}
"""What was done to a page, and what undoes it."""


@dataclass(frozen=True)
class Damage:
    """What explains a page, in words; `shows`: the mask whose pixels it shows."""

    text: str
    shows: Record


def cause_of(claims: Claims, own: Record, picture: Picture) -> Damage | None:
    """The mask, and the change to its page, that gives this page's pixels exactly."""
    known = {mask.sha256: mask for mask in reversed(claims.written.masks)}
    undone = _undone(claims.launch.modulator.alphabet, picture)
    for _, pages in groupby(undone, key=lambda pair: len(pair[0])):
        # of equally simple causes that of the mask's own page first
        hashes = [(pixel_hash(page), changes) for changes, page in pages]
        for digest, changes in hashes:
            if digest == own.sha256:
                return _cause(own, own, changes)
        for digest, changes in hashes:
            if digest in known:
                return _cause(known[digest], own, changes)
    return None


def launched(claims: Claims, picture: Picture) -> Complex:
    """Couplings (K,) of a page on the set's bench; BenchError where it shows no mask."""
    modulator = claims.launch.modulator
    return launched_by(claims.launch, emitted(modulator, read_states(modulator, picture)))


def only_around(claims: Claims, own: Record, picture: Picture) -> bool:
    """Whether the page is the mask's but for the panel around it."""
    modulator = claims.launch.modulator
    return pixel_hash(rendered(modulator, read_states(modulator, picture))) == own.sha256


def _cause(shows: Record, own: Record, changes: tuple[str, ...]) -> Damage:
    if shows is own:
        return Damage(f"the page is its own, {', '.join(changes)}", own)
    return Damage(", ".join((f"the page is that of {mask_name(shows)}", *changes)), shows)


def _undone(alphabet: Alphabet, picture: Picture) -> Iterator[tuple[tuple[str, ...], Picture]]:
    """The page as it is and with every change undone, single changes before two at once."""
    greys = list(_greys_undone(alphabet, picture))
    pairs = [(grey, page, turn) for grey, page in greys for turn in TURNS]
    for grey, page, turn in sorted(pairs, key=lambda pair: bool(pair[0]) + bool(pair[2])):
        yield tuple(change for change in (turn, grey) if change), TURNS[turn](page)


def _greys_undone(alphabet: Alphabet, picture: Picture) -> Iterator[tuple[str, Picture]]:
    """The page, and what it was if its greys were written by another table than the bench's."""
    kind, most = np.dtype(f"u{alphabet.bits // 8}"), 2**alphabet.bits - 1
    own = np.unique(alphabet.greys)
    picture = picture.astype(np.uint8) if picture.dtype.kind == "b" else picture
    shown = np.unique(picture)
    fits = int(shown[-1]) <= most
    plain = "" if picture.dtype.itemsize == kind.itemsize else f"with {8 * picture.itemsize} bits"
    pages = {plain: picture.astype(kind)} if fits else {}
    if own.size == shown.size and not np.array_equal(own, shown):
        span = f"greys {shown[0]} to {shown[-1]} instead of {own[0]} to {own[-1]}"
        pages[f"wrong grey table, {span}"] = own[np.searchsorted(shown, picture)].astype(kind)
    factor = int(np.gcd.reduce(shown))
    if factor > 1 and int(shown[-1]) // factor <= int(own[-1]):
        pages.setdefault(
            f"wrong grey table, greys {factor} times too large", (picture // factor).astype(kind)
        )
    yield from pages.items()
    for name, page in pages.items():
        rank = np.minimum(np.searchsorted(own, page), own.size - 1)
        if not np.array_equal(own[rank], page):
            continue
        before = f"{name}, " if name else "wrong grey table, "
        yield f"{before}greys inverted", own[own.size - 1 - rank].astype(kind)
        if own.size > 2:
            yield f"{before}sign of the phase inverted", own[-rank % own.size].astype(kind)
