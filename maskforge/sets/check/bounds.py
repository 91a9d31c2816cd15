"""The bounds of a set, proven again from its certificate.npz on its own bench."""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from maskforge.base.wording import shown
from maskforge.methods.at_edge import EDGE
from maskforge.methods.cover import certified_bound
from maskforge.methods.one_mask import SAME
from maskforge.methods.problem import Certificate, efficiency_of
from maskforge.sets.check.claims import Claims
from maskforge.sets.manifest import Record
from maskforge.sets.names import CERTIFICATE, MANIFEST
from maskforge.sets.proofs import PURITY, left_out, row_faults

BOUND = 1e-9
"""Of a bound: how far the one that its proof gives may be off."""

FIGURE = 1e-9
"""How far the purity of a mask may be from what is called reached."""

SAME_TARGET = 1e-9
"""How far an entry of a target's unit vector may be from the bench's."""

LEAST = 1e-12
"""Bounds are compared to BOUND of themselves, or of this where they are less."""

Stated = tuple[str, float, float]
"""A bound of the manifest: its key, its value, and the purity for which it holds."""


@dataclass(frozen=True)
class Bounds:
    """What disagrees of a mask's bounds, a line each, and how far the farthest is off.

    `paired`: whether the manifest has a bound for every proof and the other way round.
    """

    deviation: float
    lines: tuple[str, ...]
    paired: bool


def bounds_off(claims: Claims, at: int) -> Bounds:
    """A mask's bounds against those that their proofs give.

    The conditions are those of `certificate`.  Comparisons fail where a number is none.
    """
    mask, proofs, asked = claims.written.masks[at], claims.proofs, claims.asked_of(at)
    if proofs is None or not claims.same_modes:
        return Bounds(0.0, (), paired=True)
    lines = list(row_faults(proofs, at, asked))
    largest = float("inf") if lines else 0.0
    target = claims.targets.get((mask.target, mask.orientation_deg))
    if target is None:
        return Bounds(largest, tuple(lines), paired=True)
    if not np.max(np.abs(proofs.targets[at] - target.vector)) <= SAME_TARGET:
        lines.append(f"targets in {CERTIFICATE} are not the vector of {mask.target}")
    if np.isinf(largest):
        return Bounds(largest, tuple(lines), paired=True)
    stated, covers = _stated(mask, asked), proofs.covers(target, at)
    pairs = [(one, other) for one in stated for other in covers if _same(one[2], other.purity)]
    if not len(pairs) == len(stated) == len(covers):
        return Bounds(0.0, (*lines, *_unmatched(stated, covers)), paired=False)
    for claim, cover in pairs:
        off, wrong = _bound_off(claims, mask, claim, cover)
        largest = max(largest, off)
        lines += wrong
    return Bounds(largest, tuple(lines), paired=True)


def _stated(mask: Record, asked: float) -> list[Stated]:
    """The bounds that the manifest has of a mask, by purity."""
    found: list[Stated] = []
    if mask.bound is not None and mask.bound_purity is not None:
        found.append(("bound", mask.bound, mask.bound_purity))
    if mask.bound_asked is not None:
        found.append(("bound_asked", mask.bound_asked, asked))
    return found


def contradictions(claims: Claims, at: int) -> Iterator[str]:
    """Where the manifest's bounds, purities, `reached` and `method` are at odds with each other."""
    mask, asked, method = claims.written.masks[at], claims.asked_of(at), claims.bench.design.method
    if mask.method != method:
        yield f"method {shown(mask.method)} in {MANIFEST}, the bench's is {shown(method)}"
    if (mask.bound is None) != (mask.bound_purity is None):
        words = ["null" if x is None else f"{x:.12g}" for x in (mask.bound, mask.bound_purity)]
        yield f"bound {words[0]} and bound_purity {words[1]} in {MANIFEST}: both or none"
    if mask.bound_purity is not None and not 0 < mask.bound_purity <= asked + PURITY:
        yield (
            f"bound_purity {mask.bound_purity:.12g} in {MANIFEST}, the bench asks for {asked:.12g}"
        )
    elif mask.bound_asked is not None and _same(mask.bound_purity or 0.0, asked):
        yield f"bound_asked {mask.bound_asked:.12g} in {MANIFEST}, where bound is for that purity"
    if method == "dual" and not claims.is_robust:
        yield from _bounds_lacking(mask, asked)
    purity, asked = _purity_asked_of(claims, at)
    is_pure = purity >= asked
    # a robust mask may miss the purity in another scenario
    sure = abs(purity - asked) > FIGURE and not (is_pure and claims.is_robust)
    if mask.reached != is_pure and (sure or not math.isfinite(purity)):
        yield reached_told(mask, purity, asked)


def _purity_asked_of(claims: Claims, at: int) -> tuple[float, float]:
    """(the purity of a mask that is to be as asked, the asked one): its own, or at an edge of a
    device's errors."""
    edge, bands = claims.bench.device.purity_at, claims.written.bands
    asked = claims.bench.design.purity
    if edge not in EDGE or not bands:
        return claims.written.masks[at].purity, asked
    return (bands[at].low, bands[at].median)[EDGE[edge]], asked


def reached_told(mask: Record, purity: float, asked: float) -> str:
    """The line of a mask whose `reached` is not what its purity says."""
    what = "reached" if mask.reached else "not reached"
    return (
        f"{what} in {MANIFEST}, with a purity of {purity:.12g} where the bench asks for "
        f"{asked:.12g}"
    )


def _bounds_lacking(mask: Record, asked: float) -> Iterator[str]:
    """Bounds that the method `dual` proves for every mask, and the manifest has not."""
    if mask.bound is None and mask.bound_purity is None:
        yield f"bound null in {MANIFEST}, where the method proves one for every mask"
    elif (mask.bound_purity or 0.0) < SAME * asked - PURITY and mask.bound_asked is None:
        yield (
            f"bound_asked null in {MANIFEST}, where bound is for a lower purity than the asked "
            f"{asked:.12g}"
        )


def _unmatched(stated: list[Stated], covers: tuple[Certificate, ...]) -> Iterator[str]:
    """Bounds without a proof for their purity, proofs without a bound, or several for one."""
    for key, value, purity in stated:
        proofs = sum(_same(purity, cover.purity) for cover in covers)
        if proofs != 1:
            yield (
                f"{MANIFEST} has a {key} of {value:.6g} at purity {purity:.12g} and {CERTIFICATE} "
                f"{proofs or 'no'} proof{'s' if proofs else ''}"
            )
    for cover in covers:
        bounds = sum(_same(purity, cover.purity) for _, _, purity in stated)
        if bounds != 1:
            yield (
                f"{MANIFEST} has {bounds or 'no'} bound{'s' if bounds else ''} at purity "
                f"{cover.purity:.12g} and {CERTIFICATE} a proof"
            )


def _same(first: float, second: float) -> bool:
    return abs(first - second) <= PURITY


def _bound_off(
    claims: Claims, mask: Record, claim: Stated, cover: Certificate
) -> tuple[float, list[str]]:
    key, stated, purity = claim
    lines: list[str] = []
    gap = left_out(cover)
    if gap:
        return float("inf"), [f"spans in {CERTIFICATE} leave out the phases {gap}, for {key}"]
    amplitude = certified_bound(claims.launch, cover)
    if not amplitude < np.inf:
        return float("inf"), [f"multipliers in {CERTIFICATE} prove nothing, for {key}"]
    proved = efficiency_of(amplitude)
    off = abs(stated - proved) / max(proved, LEAST)
    if not off <= BOUND:
        lines.append(f"{key} {stated:.12g} in {MANIFEST}, {proved:.12g} by {CERTIFICATE}")
    if mask.purity >= purity and not mask.efficiency <= stated * (1 + BOUND):
        lines.append(
            f"efficiency {mask.efficiency:.12g} is above the {key} {stated:.12g}, at a purity of "
            f"{purity:.12g}"
        )
    return off if np.isfinite(off) else float("inf"), lines
