"""What the files of a set say beside its pixels, and the bench to hold it against."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from maskforge import bench as benches
from maskforge.base.errors import BenchError
from maskforge.base.wording import one_line, shortened, shown, some_of
from maskforge.bench import Bench
from maskforge.bench.section import PURITIES
from maskforge.launch.basis import Basis, Mode, mode_name
from maskforge.launch.couplings import Launch
from maskforge.launch.modulator import Complex
from maskforge.launch.targets import described
from maskforge.sets.check.bench_keys import key_problems, safety_problems
from maskforge.sets.manifest import Record, output_entries
from maskforge.sets.names import COUPLINGS, MANIFEST
from maskforge.sets.proofs import Proofs, arrays, read_proofs
from maskforge.sets.reading import WrittenSet
from maskforge.sets.rebuilding import Targets, bench_of, launch_of, targets_in

LONGEST_LABEL = 20
"""Characters, as those of LP1000000,1000000."""

MODE_KEYS = ("index", "label", "l", "p", "part", "group", "n_eff")
"""Of an entry of the manifest's modes, in its order."""

INDEX = 1e-9
"""How far an effective or refractive index of the manifest may be from the bench's."""


@dataclass(frozen=True)
class Complaint:
    """One thing that disagrees, with both values; `mask` is None where it is the whole set's.

    `why`: what explains it, where that can be told.
    """

    mask: Record | None
    text: str
    why: str = ""

    @property
    def line(self) -> str:
        where = "" if self.mask is None else f"{mask_name(self.mask)}: "
        cause = f"; likely cause: {self.why}" if self.why else ""
        return one_line(f"{where}{self.text}{cause}")


@dataclass(frozen=True, eq=False)
class Claims:
    """A set and its bench, built from the manifest.

    `ours`, `theirs`: columns of the manifest's modes and places in the bench's basis of the modes
    that both have.  `couplings` (masks, the manifest's modes) and `proofs` are None where there
    are none or they cannot be used.
    """

    written: WrittenSet
    bench: Bench
    launch: Launch
    targets: Targets
    ours: NDArray[np.intp]
    theirs: NDArray[np.intp]
    couplings: Complex | None
    proofs: Proofs | None

    @property
    def same_modes(self) -> bool:
        """Whether the manifest's modes are the basis, and its outputs the device's, in order."""
        whole = list(range(len(self.launch.basis)))
        same = len(self.written.modes) == len(whole) and self.theirs.tolist() == whole
        return same and list(self.written.outputs) == self.outputs

    @property
    def outputs(self) -> list[dict[str, object]]:
        """What the manifest must have of the bench's device."""
        passage = self.launch.setup.passage
        return [] if passage is None else output_entries(passage.outputs)

    def asked_of(self, at: int) -> float:
        """The purity by a device's matrix as measured that a mask was designed for; without one
        the bench's."""
        asked, bands = self.bench.design.purity, self.written.bands
        if self.bench.device.purity_at == PURITIES[0] or not bands:
            return asked
        return bands[at].designed_for

    @property
    def is_robust(self) -> bool:
        """Whether its masks are for several scenarios."""
        part = self.bench.design
        return len(self.bench.light.wavelengths_nm) > 1 or any(part.fiber_offset_um)


def mask_name(mask: Record) -> str:
    """How a line calls a mask: number, target and orientation."""
    return f"mask {mask.index} ({shortened(mask.name)})"


def claims_of(written: WrittenSet) -> tuple[Claims, list[Complaint]]:
    """The set's claims, and what in them disagrees before any page is looked at.

    Raises BenchError where the manifest's bench or modes cannot be used at all.
    """
    bench = bench_of(written)
    launch = launch_of(bench)
    names = mode_keys(written)
    place_of = {(mode.label, mode.part, mode.polarisation): mode.index for mode in launch.basis}
    both = [(at, place_of[name]) for at, name in enumerate(names) if name in place_of]
    ours, theirs = np.array(both, dtype=np.intp).reshape(-1, 2).T
    targets = targets_in(bench, launch.basis)
    couplings, no_couplings = _couplings(written)
    proofs, no_proofs = _proofs(written)
    claims = Claims(written, bench, launch, targets, ours, theirs, couplings, proofs)
    problems = [
        *key_problems(written, bench),
        *safety_problems(written, bench),
        *_index_problems(claims),
        *_mode_problems(claims),
        *_order_problems(claims),
    ]
    return claims, [Complaint(None, text) for text in [*problems, *no_couplings, *no_proofs]]


def mode_keys(written: WrittenSet) -> list[tuple[str, str | None, str | None]]:
    """Label, part and polarisation of the manifest's modes, in its order; BenchError where one has
    no label."""
    found: list[tuple[str, str | None, str | None]] = []
    for at, mode in enumerate(written.modes):
        label = mode.get("label") if isinstance(mode, Mapping) else None
        if not isinstance(label, str) or len(label) > LONGEST_LABEL:
            raise BenchError(
                f"{written.folder / MANIFEST}: modes[{at}] = {shown(mode)}: must be an object with "
                f"a label of at most {LONGEST_LABEL} characters"
            )
        part, polarisation = (
            value if isinstance(value := mode.get(key), str) else None
            for key in ("part", "polarisation")
        )
        found.append((label, part, polarisation))
    return found


# --- the manifest against its own bench ------------------------------------------------------


def _index_problems(claims: Claims) -> Iterator[str]:
    fiber = claims.written.bench["fiber"]
    core, cladding, _, _ = benches.indices(claims.bench)
    for key, found in (("core_index", core), ("cladding_index", cladding)):
        # a missing one is told with the other keys
        if key in fiber and not _near(fiber[key], found, INDEX):
            yield (
                f"{MANIFEST}: bench [fiber] {key} = {shown(fiber[key])}, its other keys give "
                f"{found:.9f}: the bench was edited after the set was written"
            )


def _near(stated: object, found: float, tolerance: float) -> bool:
    number = isinstance(stated, int | float) and not isinstance(stated, bool)
    # a whole number may be too large for a float, but not to be compared with one
    return number and found - tolerance <= stated <= found + tolerance  # type: ignore[operator]


def _mode_problems(claims: Claims) -> Iterator[str]:
    """Modes that only one side has; those of both against each other."""
    basis, listed = claims.launch.basis, claims.written.modes
    alone = (
        ("lists modes that its bench's fibre does not guide", _unmatched(listed, claims.ours)),
        ("lacks modes that its bench's fibre guides", _left_out(basis, claims.theirs)),
    )
    yield from (f"{MANIFEST}: modes: {what}: {some_of(names)}" for what, names in alone if names)
    if not any(names for _, names in alone) and not claims.same_modes:
        yield f"{MANIFEST}: modes: are not in the order of the bench's basis"
    far: list[str] = []
    for at, place in zip(claims.ours.tolist(), claims.theirs.tolist(), strict=True):
        mode, own = listed[at], basis[place]
        keys = MODE_KEYS if own.polarisation is None else (*MODE_KEYS, "polarisation")
        if mode.keys() != set(keys):
            yield f"{MANIFEST}: modes[{at}]: its keys must be {', '.join(keys)}"
        for key in ("index", "l", "p", "group"):
            if mode.get(key) != getattr(own, key):
                yield (
                    f"{MANIFEST}: modes[{at}] {key} = {shown(mode.get(key))}, the bench's "
                    f"{mode_name(own)} has {getattr(own, key)}"
                )
        if not _near(mode.get("n_eff"), own.n_eff, INDEX):
            far.append(
                f"{mode_name(own)} {shown(mode.get('n_eff'))} in the manifest, {own.n_eff:.12f} "
                "by the bench"
            )
    if far:
        yield (
            f"{MANIFEST}: modes: n_eff of {len(far)} of {len(listed)} disagree, first that of "
            f"{far[0]}"
        )


def _unmatched(listed: Sequence[Mapping[str, object]], matched: NDArray[np.intp]) -> list[str]:
    known = set(matched.tolist())
    return [str(mode.get("label")) for at, mode in enumerate(listed) if at not in known]


def _left_out(basis: Basis, matched: NDArray[np.intp]) -> list[str]:
    known = set(matched.tolist())
    left: list[Mode] = [mode for mode in basis if mode.index not in known]
    return [mode_name(mode) for mode in left]


def _order_problems(claims: Claims) -> Iterator[str]:
    """The masks against the bench's targets in play order, their numbers and pages."""
    masks = claims.written.masks
    listed = [(mask.target, mask.orientation_deg) for mask in masks]
    wanted = list(claims.targets)
    missing = [described(*key) for key in wanted if key not in set(listed)]
    if missing:
        yield f"{MANIFEST}: masks of the bench's targets are missing: {some_of(missing)}"
    elif len(listed) == len(wanted) and listed != wanted:
        first = next(at for at, pair in enumerate(listed) if pair != wanted[at])
        yield (
            f"{MANIFEST}: masks are not in the play order of the bench's targets, from "
            f"masks[{first}] on, {described(*listed[first])} instead of {described(*wanted[first])}"
        )
    for at, mask in enumerate(masks):
        if mask.index != at:
            yield f"{MANIFEST}: masks[{at}] index = {mask.index}: must be {at}"
    taken: set[int] = set()
    for at, mask in enumerate(masks):
        if mask.page in taken:
            yield f"{MANIFEST}: masks[{at}] page = {mask.page}: another mask has it too"
        taken.add(mask.page)


# --- arrays ----------------------------------------------------------------------------------


def _couplings(written: WrittenSet) -> tuple[Complex | None, list[str]]:
    shape = len(written.masks), len(written.modes)
    try:
        found = arrays(written.folder / COUPLINGS, {"couplings": ("c", shape)})
    except BenchError as error:
        return None, [str(error)]
    return found["couplings"].astype(complex, copy=False), []


def _proofs(written: WrittenSet) -> tuple[Proofs | None, list[str]]:
    try:
        return read_proofs(written), []
    except BenchError as error:
        return None, [str(error)]
