"""A finished set, or two side by side on one panel, packed into one of the open formats."""

import hashlib
from collections.abc import Generator, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from itertools import chain, repeat
from pathlib import Path

import numpy as np

from maskforge import bench as benches
from maskforge.base.errors import BenchError
from maskforge.base.files import telling
from maskforge.base.regular_files import read_regular
from maskforge.bench.elsewhere import refuse_second
from maskforge.launch.modulator import Modulator
from maskforge.launch.panel import mask_window
from maskforge.playing.formats import Layout, Place, check_format, depth_of, opened, order_of
from maskforge.playing.pack_header import (
    PACK,
    PACK_FORMAT,
    PACK_VERSION,
    Aperture,
    Beside,
    PackedFrom,
    PackedMask,
    PackHeader,
    header_text,
)
from maskforge.sets.manifest import Record
from maskforge.sets.names import MANIFEST
from maskforge.sets.reading import WrittenSet, checked_pages
from maskforge.sets.rebuilding import bench_of, power_warnings
from maskforge.sets.stack import Picture, pixel_hash


@dataclass(frozen=True, eq=False)
class Composed:
    """A picture of the panel, the mask that it is for and, if any, the one beside it."""

    picture: Picture
    mask: Record
    other: Record | None


@dataclass(frozen=True, eq=False)
class Paired:
    """The other set on a panel (rows, columns) of `bits` a pixel; `window`: where its mask lies."""

    other: WrittenSet
    apertures: tuple[Aperture, Aperture]
    window: tuple[slice, slice]
    panel: tuple[int, int]
    bits: int


def write_pack(
    folder: Path,
    out: Path,
    written: WrittenSet,
    kind: str,
    *,
    bits: int | None = None,
    other: WrittenSet | None = None,
) -> PackHeader:
    """Packs a set into the empty `files`, to lie at `out`, a picture at a time; the header.

    `kind` and `bits` (None: the set's own depth, where the format has it): see `formats.DEPTHS`.
    With `other`, its mask windows are copied into the pictures.  Raises BenchError where pages are
    not those of the manifest, greys do not fit, or the two sets do not; OutputError where a file
    cannot be written.
    """
    check_format(kind, bits)
    paired = None if other is None else _paired(written, other)
    packed: list[PackedMask] = []
    with closing(_composed(written, paired)) as pictures:
        first = next(pictures)
        own = 8 * first.picture.itemsize
        rows, columns = first.picture.shape
        depth = depth_of(kind, bits, own)
        greys = _two_greys(written) if depth == 1 else None
        layout = Layout(kind, depth, (rows, columns), len(written.masks), greys)
        with opened(folder, layout, out) as append:
            for one in chain((first,), pictures):
                _check_greys(written, one, layout)
                place = append(one.mask.index, one.picture, _name(one))
                packed.append(_packed(one, place))
    header = PackHeader(
        format=PACK_FORMAT,
        version=PACK_VERSION,
        kind=kind,
        bits=layout.bits,
        picture_bits=own,
        pixels=(columns, rows),
        greys=layout.greys,
        order=order_of(layout),
        source=_source(written),
        apertures=None if paired is None else paired.apertures,
        masks=tuple(packed),
        warnings=power_warnings(written, *(() if other is None else (other,))),
    )
    with telling(out / PACK):
        (folder / PACK).write_text(header_text(header), encoding="utf-8", newline="")
    return header


# --- one set ---------------------------------------------------------------------------------


def _two_greys(written: WrittenSet) -> tuple[int, int]:
    """Those of the panel's two states; 0 and 1 where it has more."""
    first, *others = benches.modulator(bench_of(written)).alphabet.greys.tolist()
    return (first, others[0]) if len(others) == 1 else (0, 1)


def _check_greys(written: WrittenSet, one: Composed, layout: Layout) -> None:
    if layout.greys is None:
        fits, allowed = one.picture < 2**layout.bits, f"0 to {2**layout.bits - 1}"
    else:
        fits, allowed = np.isin(one.picture, layout.greys), _words_of(layout.greys)
    if np.all(fits):
        return
    raise BenchError(
        f"{written.stack}: page {one.mask.page}: grey {one.picture[~fits].max()}: must be "
        f"{allowed} with --as {layout.kind} and --bits {layout.bits}"
    )


def _words_of(greys: Sequence[int]) -> str:
    return " and ".join(map(str, greys))


def _source(written: WrittenSet) -> PackedFrom:
    name = written.folder.resolve().name.encode("utf-8", "replace").decode()
    content = read_regular(written.folder / MANIFEST)
    return PackedFrom(name, hashlib.sha256(content).hexdigest())


def _name(one: Composed) -> str:
    return one.mask.name if one.other is None else f"{one.mask.name} beside {one.other.name}"


def _packed(one: Composed, place: Place) -> PackedMask:
    mask, other = one.mask, one.other
    return PackedMask(
        index=mask.index,
        file=place.file,
        page=place.page,
        plane=place.plane,
        offset_bytes=place.offset_bytes,
        target=mask.target,
        orientation_deg=mask.orientation_deg,
        purity=mask.purity,
        efficiency=mask.efficiency,
        sha256=pixel_hash(one.picture),
        own_sha256=None if other is None else mask.sha256,
        beside=None
        if other is None
        else Beside(
            other.target, other.orientation_deg, other.purity, other.efficiency, other.sha256
        ),
    )


# --- two sets --------------------------------------------------------------------------------


def _composed(written: WrittenSet, paired: Paired | None) -> Generator[Composed, None, None]:
    """The pictures to pack: the set's, with the other set's mask windows copied into them."""
    masks = zip(checked_pages(written), written.masks, strict=True)
    if paired is None:
        for picture, mask in masks:
            yield Composed(picture, mask, None)
        return
    partners = _partners(paired.other, len(written.masks))
    for (picture, mask), (neighbour, beside) in zip(masks, partners, strict=True):
        _check_panel(paired, written, picture)
        _check_panel(paired, paired.other, neighbour)
        both = picture.copy()
        both[paired.window] = neighbour[paired.window]
        yield Composed(both, mask, beside)


def _partners(other: WrittenSet, count: int) -> Iterator[tuple[Picture, Record]]:
    """The other set's masks in play order; its only one `count` times."""
    if len(other.masks) == 1:
        (picture,) = checked_pages(other)
        return repeat((picture, other.masks[0]), count)
    return zip(checked_pages(other), other.masks, strict=True)


def _check_panel(paired: Paired, written: WrittenSet, picture: Picture) -> None:
    if (picture.shape, 8 * picture.itemsize) != (paired.panel, paired.bits):
        rows, columns = paired.panel
        raise BenchError(
            f"{written.stack}: {picture.shape[1]} x {picture.shape[0]} pixels of "
            f"{8 * picture.itemsize} bits; the panel of its bench has {columns} x {rows} of "
            f"{paired.bits}"
        )


def _paired(written: WrittenSet, other: WrittenSet) -> Paired:
    """What two sets on one panel share; BenchError where they cannot be on one."""
    for each in (written, other):
        refuse_second(bench_of(each), "pack --beside")
    counts = len(written.masks), len(other.masks)
    if counts[1] not in (1, counts[0]):
        raise BenchError(
            f"--beside {other.folder}: {counts[1]} masks beside {counts[0]} of {written.folder}; "
            f"must be {counts[0]}, or one mask that is shown with all"
        )
    (own, first), (beside, second) = (_aperture(each) for each in (written, other))
    if first.panel != second.panel:
        sizes = [f"{m.panel[1]} x {m.panel[0]}" for m in (second, first)]
        raise BenchError(
            f"--beside {other.folder}: [modulator] panel = {sizes[0]} pixels; must be that of "
            f"{written.folder}, {sizes[1]}"
        )
    if _grey_kind(first) != _grey_kind(second):
        raise BenchError(
            f"--beside {other.folder}: [modulator] greys of {_grey_kind(second)}; must be as those "
            f"of {written.folder}, of {_grey_kind(first)}"
        )
    if _overlap(mask_window(first), mask_window(second)):
        raise BenchError(
            f"--beside {other.folder}: its mask lies on {_words(second)} of the panel, that of "
            f"{written.folder} on {_words(first)}; they must not overlap: [modulator] at moves them"
        )
    return Paired(other, (own, beside), mask_window(second), second.panel, second.alphabet.bits)


def _aperture(written: WrittenSet) -> tuple[Aperture, Modulator]:
    bench = bench_of(written)
    modulator = benches.modulator(bench)
    (row, column), (rows, columns) = modulator.corner, modulator.shape
    window = (column, row, columns, rows)
    return Aperture(window, bench.light.wavelength_nm, _source(written)), modulator


def _grey_kind(modulator: Modulator) -> str:
    alphabet = modulator.alphabet
    return _words_of(alphabet.greys.tolist()) if alphabet.size == 2 else f"{alphabet.bits} bits"


def _overlap(one: tuple[slice, slice], other: tuple[slice, slice]) -> bool:
    return all(a.start < b.stop and b.start < a.stop for a, b in zip(one, other, strict=True))


def _words(modulator: Modulator) -> str:
    rows, columns = mask_window(modulator)
    return f"columns {columns.start} to {columns.stop - 1} and rows {rows.start} to {rows.stop - 1}"
