"""A pack held against the sets that it was made of."""

import hashlib
from collections.abc import Iterable, Iterator

import numpy as np

from maskforge import bench as benches
from maskforge.base.errors import BenchError
from maskforge.base.regular_files import read_regular
from maskforge.launch.modulator import Modulator
from maskforge.launch.panel import background_states, mask_window
from maskforge.launch.targets import described
from maskforge.playing.pack_header import PACK, WrittenPack
from maskforge.playing.unpacking import pack_pictures
from maskforge.sets.check.claims import Complaint
from maskforge.sets.names import MANIFEST
from maskforge.sets.reading import WrittenSet
from maskforge.sets.rebuilding import bench_of
from maskforge.sets.stack import Picture, pixel_hash


def header_problems(pack: WrittenPack, written: WrittenSet) -> Iterator[Complaint]:
    """Where pack.json is not of the set."""
    header, masks = pack.header, written.masks
    digest = hashlib.sha256(read_regular(written.folder / MANIFEST)).hexdigest()
    if header.source.manifest_sha256 != digest:
        yield Complaint(
            None,
            f"{PACK}: made from a {MANIFEST} with sha256 {header.source.manifest_sha256[:12]}..., "
            f"that of {written.folder} has {digest[:12]}...",
            "the set was changed after it was packed, or is another one",
        )
    for mask, packed in zip(masks, header.masks, strict=False):
        for key in ("purity", "efficiency"):
            stated, own = getattr(packed, key), getattr(mask, key)
            if stated != own:
                yield Complaint(mask, f"{key} {stated:.12g} in {PACK}, {own:.12g} in {MANIFEST}")


def packed_names(pack: WrittenPack) -> Iterator[str]:
    """What the header says that the pack's pictures show, in play order."""
    return (described(mask.target, mask.orientation_deg) for mask in pack.header.masks)


def own_pictures(
    pack: WrittenPack, written: WrittenSet, other: WrittenSet | None
) -> Iterator[Picture]:
    """The pictures that the set itself has: those of the pack without the other set's mask."""
    pictures = pack_pictures(pack)
    return pictures if other is None else _replaced(pictures, _panel(written), _panel(other))


def other_pictures(pack: WrittenPack, other: WrittenSet) -> Iterator[Picture]:
    """The other set's pictures: its masks from the pack, on its own background.

    Where it has one mask for all pictures that one comes once, and again where it changes.
    """
    modulator, shown = _panel(other), ""
    for picture in pack_pictures(pack):
        _check_panel(picture, modulator)
        page = _background(modulator).astype(picture.dtype)
        page[mask_window(modulator)] = picture[mask_window(modulator)]
        digest = pixel_hash(page)
        if len(other.masks) > 1 or digest != shown:
            yield page
        shown = digest


def _replaced(pictures: Iterable[Picture], own: Modulator, other: Modulator) -> Iterator[Picture]:
    window, background = mask_window(other), _background(own)
    for picture in pictures:
        _check_panel(picture, own)
        page = picture.copy()
        page[window] = background[window]
        yield page


def _panel(written: WrittenSet) -> Modulator:
    return benches.modulator(bench_of(written))


def _background(modulator: Modulator) -> Picture:
    return np.asarray(modulator.alphabet.greys[background_states(modulator)])


def _check_panel(picture: Picture, modulator: Modulator) -> None:
    if picture.shape != modulator.panel:
        rows, columns = modulator.panel
        raise BenchError(
            f"{PACK}: {picture.shape[1]} x {picture.shape[0]} pixels, the set's panel has "
            f"{columns} x {rows}"
        )
