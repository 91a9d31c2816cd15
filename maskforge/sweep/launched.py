"""What the masks of a set launch, as the set says it: labels, groups, couplings, delays."""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from maskforge.base.errors import BenchError
from maskforge.base.regular_files import read_regular
from maskforge.base.wording import one_line, shown
from maskforge.bench.elsewhere import refuse_device
from maskforge.bench.ready import guided_basis
from maskforge.launch.basis import Basis, groups_of
from maskforge.launch.light import Complex, Real
from maskforge.playing.playlist_file import Playlist
from maskforge.sets.names import MANIFEST
from maskforge.sets.reading import WrittenSet, couplings_of
from maskforge.sets.rebuilding import bench_of
from maskforge.sweep.readings import Lookups

LEAST_EFFICIENCY = 1e-9
"""Of a mask whose readings can be divided by it."""


@dataclass(frozen=True, eq=False)
class Label:
    """A target of the set: `masks` (N,) are its mask indices, `turns` (N,) 2 l times their
    orientations in rad (0 for what is not LP), `modes` how many modes share the label."""

    name: str
    l: int
    group: int
    modes: int
    masks: NDArray[np.intp]
    turns: Real


@dataclass(frozen=True, eq=False)
class Launched:
    """A set's launches: `couplings` (masks, modes) of amplitude relative to the beam, `efficiency`
    (masks,) of power into the target; `power_mw` of the beam, None where the bench does not say."""

    basis: Basis
    labels: tuple[Label, ...]
    couplings: Complex
    efficiency: Real
    power_mw: float | None

    @property
    def groups(self) -> tuple[int, ...]:
        """The groups that the set has targets of, rising."""
        return tuple(sorted({label.group for label in self.labels}))


def launched_by(written: WrittenSet) -> Launched:
    """What a set launches; BenchError where its files do not go with each other."""
    manifest = written.folder / MANIFEST
    if not written.masks:
        raise BenchError(one_line(f"{manifest}: masks: holds no mask"))
    bench = bench_of(written)
    refuse_device(bench, "a sweep")
    basis = guided_basis(bench)
    listed = [(m.get("label"), m.get("part")) if isinstance(m, dict) else m for m in written.modes]
    if listed != [(mode.label, mode.part) for mode in basis]:
        raise BenchError(
            one_line(f"{manifest}: modes: are not those of its bench's fibre (maskforge check)")
        )
    for place, mask in enumerate(written.masks):
        if mask.index != place:
            raise BenchError(
                one_line(f"{manifest}: masks[{place}] index = {mask.index}: must be {place}")
            )
        if mask.efficiency < LEAST_EFFICIENCY:
            raise BenchError(
                one_line(
                    f"{manifest}: masks[{place}] efficiency = {shown(mask.efficiency)}: a mask "
                    "that launches nothing cannot be swept"
                )
            )
    couplings = couplings_of(written)
    return Launched(
        basis=basis,
        labels=_labels(written, basis, couplings),
        couplings=couplings,
        efficiency=np.array([mask.efficiency for mask in written.masks]),
        power_mw=bench.light.power_mw,
    )


def _labels(written: WrittenSet, basis: Basis, couplings: Complex) -> tuple[Label, ...]:
    """The targets in play order; one that is no LP mode belongs to the group it launches most."""
    groups, powers = groups_of(basis), np.abs(couplings) ** 2
    order = {mode.label: mode for mode in basis}
    found = []
    for name in dict.fromkeys(mask.target for mask in written.masks):
        own = [mask for mask in written.masks if mask.target == name]
        masks = np.array([mask.index for mask in own])
        l = order[name].l if name in order else 0
        most = np.bincount(groups, powers[masks].sum(axis=0))
        found.append(
            Label(
                name=name,
                l=l,
                group=order[name].group if name in order else int(np.argmax(most)),
                modes=2 if l else 1,
                masks=masks,
                turns=2 * l * np.deg2rad([mask.orientation_deg for mask in own]),
            )
        )
    return tuple(found)


# --- what a number of the table shows --------------------------------------------------------


def lookups(written: WrittenSet, playlist: Playlist | None) -> Lookups:
    """The masks by step (with a play list), by page and by index."""
    pages = [mask.page for mask in written.masks]
    tables = {"page": _table(pages), "mask": _table(range(len(pages)))}
    if playlist is None:
        return tables
    steps = np.array([entry.mask for entry in playlist.entries], dtype=np.intp)
    return {"step": steps, **tables}


def _table(numbers: Sequence[int]) -> NDArray[np.intp]:
    found = np.full(max(numbers) + 1, -1, dtype=np.intp)
    found[list(numbers)] = np.arange(len(numbers))
    return found


def references_in(playlist: Playlist, written: WrittenSet, path: Path) -> tuple[int, ...]:
    """The masks that a play list of this set shows as references.

    Raises BenchError where the set has not the masks that the list shows.
    """
    masks = written.masks
    for entry in playlist.entries:
        known = entry.mask < len(masks)
        name = (entry.target, entry.orientation_deg)
        if known and name == (masks[entry.mask].target, masks[entry.mask].orientation_deg):
            continue
        raise BenchError(
            one_line(
                f"{path}: entries[{entry.step}] mask = {entry.mask}, {entry.target} "
                f"{entry.orientation_deg:g} deg: {written.folder} has no such mask"
            )
        )
    return tuple(sorted({entry.mask for entry in playlist.entries if entry.reference}))


def made_for_another(playlist: Playlist, written: WrittenSet) -> bool:
    """Whether a play list was made for other files than this set's: those of a pack of it, too."""
    own = hashlib.sha256(read_regular(written.folder / MANIFEST)).hexdigest()
    return playlist.plan is not None and playlist.plan.sha256 != own
