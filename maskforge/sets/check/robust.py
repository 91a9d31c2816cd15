"""What a set says of its masks for several scenarios, held against its pixels and its proofs."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maskforge.base.errors import BenchError
from maskforge.base.wording import shown
from maskforge.bench.elsewhere import scenarios
from maskforge.launch.couplings import Scenario, couplings, wanted_in
from maskforge.launch.modulator import Complex, Levels, emitted
from maskforge.methods.mean_of_scenarios import Several, certified_mean, near_bound
from maskforge.methods.problem import NEAR_PHASES, NOMINAL, Joint
from maskforge.sets.check.bounds import reached_told
from maskforge.sets.check.claims import Claims
from maskforge.sets.manifest import Record, RobustFigures, ScenarioFigures
from maskforge.sets.names import MANIFEST, ROBUST
from maskforge.sets.proofs import size_faults
from maskforge.sets.reading import LARGEST
from maskforge.sets.robust_proofs import proofs_of, read_proofs

FIGURE = 1e-9
"""How far purities and efficiencies may be off; and what follows from them."""

BOUND = 1e-9
"""Of a bound: how far the one that its proof gives may be off."""

ALL_KEYS = tuple(field.name for field in fields(RobustFigures))
KEYS = ALL_KEYS[2:]
"""All but the mask's index and its scenarios."""

SCENARIO_KEYS = tuple(field.name for field in fields(ScenarioFigures))


@dataclass(frozen=True, eq=False)
class RobustClaims:
    """The scenarios beside the bench as it is aligned, the manifest's records by the mask's number,
    and the arrays of robust.npz; None: there are none that can be used."""

    others: tuple[Scenario, ...]
    records: Mapping[int, Mapping[str, Any]]
    arrays: Mapping[str, NDArray[Any]] | None


def robust_claims(claims: Claims) -> tuple[RobustClaims | None, list[str]]:
    """(None where the set has nothing for several scenarios, what disagrees before any page)."""
    written = claims.written
    path = written.folder / ROBUST
    try:
        others = scenarios(claims.bench)
    except BenchError as error:
        return None, [str(error)]
    if not others:
        stray = [MANIFEST] if written.robust else []
        stray += [ROBUST] if path.exists() else []
        return None, [f"{name} tells of several scenarios, its bench has one" for name in stray]
    lines: list[str] = []
    records: dict[int, Mapping[str, Any]] = {}
    for at, one in enumerate(written.robust):
        index = one.get("index")
        if type(index) is not int or index in records:
            lines.append(f"{MANIFEST}: robust[{at}] index = {shown(index)}: must be a mask's own")
        else:
            records[index] = one
    arrays = None
    try:
        arrays = read_proofs(path)
    except BenchError as error:
        lines.append(str(error))
    return RobustClaims(others, records, arrays), lines


def robust_off(claims: Claims, robust: RobustClaims, at: int, states: Levels) -> list[str]:
    """What disagrees of a mask in its scenarios, a line each."""
    mask = claims.written.masks[at]
    target = claims.targets.get((mask.target, mask.orientation_deg))
    if target is None or mask.method != "dual":
        return []
    record = robust.records.get(mask.index)
    if record is None:
        return [f"{MANIFEST}: robust: has nothing of this mask"]
    launches = (claims.launch, *(one.launch for one in robust.others))
    vectors = tuple(wanted_in(target, claims.launch, one) for one in launches)
    found = [couplings(one, emitted(one.modulator, states)) for one in launches]
    names = [NOMINAL, *(one.name for one in robust.others)]
    for keys, parts in ((ALL_KEYS, [record]), (SCENARIO_KEYS, _listed(record))):
        if any(part.keys() != set(keys) for part in parts):
            return [f"{MANIFEST}: robust: its keys must be {', '.join(keys)}"]
    with np.errstate(all="ignore"):  # a damaged file may hold any number
        try:
            said = {key: _number(record, key) for key in KEYS}
            lines = list(_scenarios_off(record, names, vectors, found))
        except BenchError as error:
            return [str(error)]
        several = Several(launches, vectors)
        asked, worst = claims.bench.design.purity, min(_purities(vectors, found))
        if mask.reached != (worst >= asked) and abs(worst - asked) > FIGURE:
            lines.append(reached_told(mask, worst, asked))
        return [*lines, *_bounds_off(claims, robust, mask, said, several, found)]


def _number(record: Mapping[str, Any], key: str) -> float | None:
    value = record.get(key)
    if value is None and key in record:
        return None
    if type(value) not in (int, float) or not abs(value) < LARGEST:  # type: ignore[arg-type]
        raise BenchError(f"{MANIFEST}: robust: {key} = {shown(value)}: must be a number or null")
    return float(value)  # type: ignore[arg-type]


def _told(key: str, stated: float | None, found: float | None, source: str) -> Iterator[str]:
    if stated is None or found is None:
        same = stated is found
    else:
        same = abs(stated - found) <= max(FIGURE, BOUND * abs(found))
    if not same:
        first, second = ("null" if x is None else f"{x:.12g}" for x in (stated, found))
        yield f"robust: {key} {first} in {MANIFEST}, {second} by {source}"


def _listed(record: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """A record's scenarios, as far as they are any."""
    listed = record.get("scenarios")
    return [one for one in listed if isinstance(one, dict)] if isinstance(listed, list) else []


def _scenarios_off(
    record: Mapping[str, Any],
    names: Sequence[str],
    vectors: Sequence[Complex],
    found: Sequence[Complex],
) -> Iterator[str]:
    listed = _listed(record)
    if record.get("scenarios") != listed or [one.get("name") for one in listed] != list(names):
        yield f"{MANIFEST}: robust: scenarios are not the {len(found)} of the bench"
        return
    amplitudes, purities = [], _purities(vectors, found)
    for one, vector, c, purity in zip(listed, vectors, found, purities, strict=True):
        wanted = float(abs(np.vdot(vector, c)) ** 2)
        amplitudes.append(math.sqrt(wanted))
        # the mask for the nominal scenario alone is not in the set
        before = _number(one, "purity_before")
        if before is None or not 0 <= before <= 1 + FIGURE:
            yield f"robust: purity_before in {one.get('name')} = {before}: must be a share"
        for key, own in (("purity", purity), ("efficiency", wanted)):
            yield from _told(f"{key} in {one.get('name')}", _number(one, key), own, "the pixels")
    yield from _told("mean", _number(record, "mean"), float(np.mean(amplitudes)) ** 2, "the pixels")


def _bounds_off(
    claims: Claims,
    robust: RobustClaims,
    mask: Record,
    said: Mapping[str, float | None],
    several: Several,
    found: Sequence[Complex],
) -> Iterator[str]:
    """The bounds against their proofs, and what follows from them."""
    mean = said["mean"] or 0.0
    for key, bound in (("gap", said["bound"]), ("gap_near", said["bound_near"])):
        yield from _told(key, said[key], 1 - mean / bound if bound else None, "mean and bound")
    yield from _told("near_deg", said["near_deg"], NEAR_PHASES, "this program")
    if robust.arrays is None:
        return
    sizes = [vector.size for vector in several.vectors]
    proof, asked = proofs_of(robust.arrays, mask.index, sizes)
    if proof is None:
        yield f"{ROBUST} has no proof of this mask that fits its scenarios"
        return
    rows = [*proof.multipliers, *(row for one in proof.alone for row in one.multipliers)]
    faults = [line for row in rows for line in size_faults(row[None], ROBUST)]
    if faults:
        yield faults[0]
        return
    wanted = claims.bench.design.purity
    if not 0 < proof.purity <= wanted + FIGURE:
        yield f"purity {proof.purity:.12g} in {ROBUST}, the bench asks for {wanted:.12g}"
        return
    yield from _told("bound_purity", said["bound_purity"], proof.purity, ROBUST)
    bound = _squared(several, proof)
    yield from _told("bound", said["bound"], bound, ROBUST)
    phases = [float(np.angle(np.vdot(t, c))) for t, c in zip(several.vectors, found, strict=True)]
    near = near_bound(several, proof, phases)
    yield from _told("bound_near", said["bound_near"], None if near is None else near**2, ROBUST)
    if asked is not None and not abs(asked.purity - wanted) <= FIGURE:
        yield f"asked purity {asked.purity:.12g} in {ROBUST}, {wanted:.12g} in the bench"
        return
    limit = None if asked is None else _squared(several, asked)
    if asked is not None:
        lower = [one for one in (limit, bound) if one is not None]
        limit = min(lower, default=None)
    yield from _told("bound_asked", said["bound_asked"], limit, ROBUST)
    yield from _above(said, several, found, proof)


def _purities(vectors: Sequence[Complex], found: Sequence[Complex]) -> list[float]:
    """In each scenario, of its couplings."""
    return [
        float(abs(np.vdot(t, c)) ** 2) / max(float(np.sum(np.abs(c) ** 2)), 1e-300)
        for t, c in zip(vectors, found, strict=True)
    ]


def _squared(several: Several, proof: Joint) -> float | None:
    bound = certified_mean(several, proof)
    return bound**2 if math.isfinite(bound) else None


def _above(
    said: Mapping[str, float | None], several: Several, found: Sequence[Complex], proof: Joint
) -> Iterator[str]:
    """A mask that is pure enough and better than its bound."""
    pairs = zip(several.vectors, found, strict=True)
    purities = _purities(several.vectors, found)
    mean = float(np.mean([abs(np.vdot(t, c)) for t, c in pairs])) ** 2
    bound = said["bound"]
    if bound is not None and min(purities) >= proof.purity and not mean <= bound * (1 + BOUND):
        yield f"robust: mean {mean:.12g} is above the bound {bound:.12g}"
