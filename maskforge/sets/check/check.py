"""A finished set checked from its files alone, as the software of a bench would read it."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import tifffile

from maskforge.base.errors import BenchError
from maskforge.base.wording import shown, some_of
from maskforge.bench.pictures import open_tiff
from maskforge.sets.check.claims import Claims, Complaint, claims_of, mask_name
from maskforge.sets.check.device import device_problems
from maskforge.sets.check.files import file_problems
from maskforge.sets.check.numbers import Deviations, Numbers, numbers_off
from maskforge.sets.check.page_damage import cause_of, launched, only_around
from maskforge.sets.check.robust import RobustClaims, robust_claims, robust_off
from maskforge.sets.check.tables import table_problems
from maskforge.sets.manifest import Record
from maskforge.sets.names import MANIFEST
from maskforge.sets.reading import WrittenSet
from maskforge.sets.rebuilding import read_states
from maskforge.sets.stack import Picture, pixel_hash


@dataclass(frozen=True)
class Finding:
    """What one step of the check found: of a mask, or of the set where `mask` is None."""

    mask: Record | None
    problems: tuple[Complaint, ...]
    deviations: Deviations = field(default_factory=Deviations)


@dataclass
class _Seen:
    """What the masks told so far that only all of them together explain."""

    pages: int = 0
    shifted: dict[int, int] = field(default_factory=dict)
    """Number of a mask -> that of the mask whose page it has."""
    foreign: int = 0
    """Masks whose checksums agree and neither couplings nor figures do."""
    robust: RobustClaims | None = None
    """What the set says of several scenarios."""


def checked(
    written: WrittenSet,
    pictures: Iterable[Picture],
    texts: Iterable[str] | None = None,
    *,
    more: Callable[[Claims], Iterable[str]] = lambda claims: (),
) -> Iterator[Finding]:
    """What a set's files say of each other and of the pixels, one finding a mask and some more.

    `pictures` are its pages, of its own stack or packed otherwise, `texts` their descriptions
    where they have any.  `more`: what else disagrees of the whole set.  Every coupling is computed
    again with the full model on the manifest's bench.  Only one page at a time is in memory.
    Raises BenchError where the bench in the manifest, or the very first page, cannot be used.
    """
    yield Finding(None, tuple(Complaint(None, text) for text in file_problems(written.folder)))
    claims, problems = claims_of(written)
    yield Finding(None, tuple(problems))
    for problem in table_problems(claims):
        yield Finding(problem.mask, (problem,))
    yield from (Finding(one.mask, (one,)) for one in device_problems(claims))
    robust, told = robust_claims(claims)
    yield Finding(None, tuple(Complaint(None, text) for text in [*told, *more(claims)]))
    seen, reader = _Seen(robust=robust), _readable(pictures)
    at_page = {mask.page: at for at, mask in enumerate(written.masks)}
    descriptions = None if texts is None else iter(texts)
    for picture in reader:
        if isinstance(picture, str):
            yield _damaged(claims, seen.pages, picture)
            break
        text = None if descriptions is None else next(descriptions, "")
        if seen.pages in at_page:
            yield _mask_finding(claims, at_page[seen.pages], picture, text, seen)
        seen.pages += 1
    else:
        for problem in _page_count(written, seen.pages):
            yield Finding(problem.mask, (problem,))
    yield Finding(None, tuple(_together(claims, seen)))


def page_texts(path: Path) -> Iterator[str]:
    """Descriptions of a stack's pages, in the file's order, as far as they can be read."""
    try:
        with open_tiff(path) as file:
            for page in file.pages:
                yield page.description if isinstance(page, tifffile.TiffPage) else ""
    except Exception:  # the reader of the pictures tells of a damaged file
        return


def _readable(pictures: Iterable[Picture]) -> Iterator[Picture | str]:
    """The pages, and at the end the reason where one cannot be read; the first one must be."""
    pages, count = iter(pictures), 0
    while True:
        try:
            picture = next(pages)
        except StopIteration:
            return
        except BenchError as error:
            if count == 0:
                raise
            yield str(error)
            return
        yield picture
        count += 1


# --- the set as a whole ----------------------------------------------------------------------


def _damaged(claims: Claims, page: int, reason: str) -> Finding:
    masks = claims.written.masks
    mask = next((one for one in masks if one.page == page), None)
    left = [mask_name(one) for one in masks if one.page > page]
    after = f"; not checked: {some_of(left)}" if left else ""
    problem = Complaint(mask, f"{reason}{after}", "the file is truncated or damaged")
    return Finding(mask, (problem,))


def _page_count(written: WrittenSet, pages: int) -> Iterator[Complaint]:
    masks = written.masks
    without = [mask for mask in masks if not 0 <= mask.page < pages]
    if pages != len(masks):
        cause = "the file is cut or incomplete" if without else ""
        yield Complaint(None, f"{pages} pages, {MANIFEST} has {len(masks)} masks", cause)
    for mask in without:
        yield Complaint(mask, f"there is no page {mask.page}")


def _together(claims: Claims, seen: _Seen) -> Iterator[Complaint]:
    """What only all masks together tell: the order of the pages, and whose bench it is."""
    count, moves = len(claims.written.masks), seen.shifted
    if len(moves) > 1:
        steps = {(shown - own) % count for own, shown in moves.items()}
        if all(shown == count - 1 - own for own, shown in moves.items()):
            yield Complaint(None, "the pages are in reversed order")
        elif len(steps) == 1:
            later = steps.pop()
            yield Complaint(None, f"pages hold the mask {later} further on in the play order")
    if seen.foreign and seen.foreign == seen.pages:
        yield Complaint(
            None,
            "all checksums agree and no mask's couplings do: the bench in the manifest does not "
            "belong to these pixels",
        )


# --- one mask --------------------------------------------------------------------------------


def _mask_finding(
    claims: Claims, at: int, picture: Picture, text: str | None, seen: _Seen
) -> Finding:
    """A page against its record; adds to `seen`."""
    mask = claims.written.masks[at]
    lines: list[tuple[str, str]] = []
    if text is not None and text != mask.name:
        told = f"page {mask.page} is described as {shown(text)}, not {shown(mask.name)}"
        lines.append((told, ""))
    try:
        found, unreadable = launched(claims, picture), ""
    except BenchError as error:
        found, unreadable = None, f"page {mask.page}: {error}"
    numbers = numbers_off(claims, at, found)
    digest = pixel_hash(picture)
    if digest == mask.sha256:
        cause = _why_other_numbers(numbers, seen)
        lines += [(line, cause if place == 0 else "") for place, line in enumerate(numbers.lines)]
    else:
        cause = _why_other_pixels(claims, at, picture, numbers, seen)
        told = f"sha256 {digest[:12]}... of page {mask.page}, {mask.sha256[:12]}... in {MANIFEST}"
        if cause and not numbers.fit and numbers.purity is not None:
            told += f"; purity {numbers.purity:.6g} by these pixels, {mask.purity:.6g} there"
        # what follows from a wrong page that is explained needs no lines of its own
        more = numbers.bounds if cause and not numbers.fit else numbers.lines
        lines += [(told, cause), *((line, "") for line in more)]
    if unreadable and not cause:
        lines.append((unreadable, _why_unreadable(claims, picture)))
    if numbers.fit and seen.robust is not None:
        states = read_states(claims.launch.modulator, picture)
        lines += [(line, "") for line in robust_off(claims, seen.robust, at, states)]
    problems = tuple(Complaint(mask, line, why) for line, why in lines)
    return Finding(mask, problems, numbers.deviations)


def _why_other_pixels(
    claims: Claims, at: int, picture: Picture, numbers: Numbers, seen: _Seen
) -> str:
    """Why a page has not the checksum of its mask."""
    mask = claims.written.masks[at]
    cause = cause_of(claims, mask, picture)
    if cause is None and numbers.fit:
        if only_around(claims, mask, picture):
            return "the panel around the mask was changed"
        return "these pixels launch what the set says: the checksum was changed"
    if cause is None:
        tried = "none of the set's pages, nor one of them turned, mirrored or with other greys"
        return "" if numbers.purity is None else tried
    if cause.shows is not mask:
        seen.shifted[mask.index] = cause.shows.index
    return cause.text


def _why_other_numbers(numbers: Numbers, seen: _Seen) -> str:
    """Why the numbers of a page disagree that is the one which the checksum names."""
    if not numbers.lines or (numbers.purity is None and not numbers.fit):
        return ""
    if numbers.couplings and not numbers.figures:
        return "the manifest's figures agree with the pixels: coupling.npz was changed"
    if numbers.fit:
        changed = "the couplings agree with the pixels: the manifest was changed"
        return changed if numbers.figures else numbers.why_bound
    seen.foreign += 1
    return ""


def _why_unreadable(claims: Claims, picture: Picture) -> str:
    """Why a page shows no states: pages of the right size have greys of another table."""
    modulator = claims.launch.modulator
    if picture.shape != modulator.panel:
        return ""
    greys = modulator.alphabet.greys
    return (
        f"wrong grey table: the bench's {modulator.alphabet.size} states have greys from "
        f"{greys.min()} to {greys.max()}"
    )
