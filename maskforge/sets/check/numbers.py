"""The numbers that a set gives for a mask, held against what its pixels launch."""

from dataclasses import dataclass

import numpy as np

from maskforge.base.csv_text import finite
from maskforge.launch.basis import mode_name
from maskforge.launch.couplings import predicted
from maskforge.launch.modulator import Complex
from maskforge.launch.prediction import Prediction, unwanted_db
from maskforge.methods.problem import gap_of
from maskforge.sets.check.bounds import bounds_off, contradictions
from maskforge.sets.check.claims import Claims
from maskforge.sets.manifest import Record
from maskforge.sets.names import CERTIFICATE, COUPLINGS, MANIFEST

COUPLING = 1e-9
"""How far a coupling may be off, as a share of the unit beam's amplitude."""

FIGURE = 1e-9
"""How far purity, group purity and efficiency may be off; and what follows from them."""


@dataclass(frozen=True)
class Deviations:
    """The largest differences: of couplings, of figures, and of bounds as a share of the bound."""

    couplings: float = 0.0
    figures: float = 0.0
    bounds: float = 0.0

    def widened(self, other: "Deviations") -> "Deviations":
        """The larger of each."""
        return Deviations(
            max(self.couplings, other.couplings),
            max(self.figures, other.figures),
            max(self.bounds, other.bounds),
        )


@dataclass(frozen=True)
class Numbers:
    """What disagrees of a mask's numbers, a line each; `why_bound` explains those of its bound.

    `purity`: by the pixels, None where that is not known.  `fit`: whether the pixels launch what
    the set says, by its couplings or, where there are none, its figures.
    """

    purity: float | None
    fit: bool
    couplings: tuple[str, ...]
    figures: tuple[str, ...]
    bounds: tuple[str, ...]
    why_bound: str
    deviations: Deviations

    @property
    def lines(self) -> tuple[str, ...]:
        return self.couplings + self.figures + self.bounds


def numbers_off(claims: Claims, at: int, found: Complex | None) -> Numbers:
    """The mask `at` a place of the manifest, whose pixels have the couplings `found` (K,)."""
    mask = claims.written.masks[at]
    with np.errstate(all="ignore"):  # a damaged file may hold any number
        judgement = None if found is None else _judged(claims, mask, found)
        far, couplings = (0.0, ()) if found is None else _couplings_off(claims, at, found)
        wide, figures = _figures_off(mask, judgement)
        bounds = bounds_off(claims, at)
    if found is not None and judgement is None:
        figures = ["the manifest's bench has no such target, or its fibre does not guide it"]
    compared = claims.couplings is not None and claims.ours.size > 0
    fit = found is not None and not (couplings if compared else figures)
    figures += [
        _told(key, stated, derived, source)
        for key, stated, derived, source in (
            ("unwanted_db", mask.unwanted_db, finite(unwanted_db(mask.purity)), "purity"),
            ("gap", mask.gap, gap_of(mask.efficiency, mask.bound), "efficiency and bound"),
        )
        if not _equal(stated, derived)
    ]
    figures += contradictions(claims, at)
    why = ""
    if bounds.paired and _equal(mask.gap, gap_of(mask.efficiency, mask.bound)):
        why = f"the manifest's gap agrees with its bound: {CERTIFICATE} was changed"
    figures_line = ("; ".join(figures),) if figures else ()
    purity = None if judgement is None else judgement.purity
    off = Deviations(far, wide, bounds.deviation)
    return Numbers(purity, fit, couplings, figures_line, bounds.lines, why, off)


def _equal(stated: float | None, derived: float | None) -> bool:
    if stated is None or derived is None:
        return stated is derived
    return abs(stated - derived) <= FIGURE * max(1.0, abs(derived))


def _told(key: str, stated: float | None, found: float | None, source: str) -> str:
    first, second = ("null" if x is None else f"{x:.12g}" for x in (stated, found))
    return f"{key} {first} in {MANIFEST}, {second} by {source}"


def _difference(first: float, second: float) -> float:
    """Their distance; infinite where one is no number."""
    distance = abs(first - second)
    return distance if np.isfinite(distance) else float("inf")


def _couplings_off(claims: Claims, at: int, found: Complex) -> tuple[float, tuple[str, ...]]:
    if claims.couplings is None or claims.ours.size == 0:
        return 0.0, ()
    stated, own = claims.couplings[at, claims.ours], found[claims.theirs]
    distance = np.nan_to_num(np.abs(stated - own), nan=np.inf)
    worst = int(np.argmax(distance))
    far = float(distance[worst])
    if far <= COUPLING:
        return far, ()
    mode = mode_name(claims.launch.basis[int(claims.theirs[worst])])
    return far, (
        f"coupling to {mode} {stated[worst]:.6g} in {COUPLINGS}, {own[worst]:.6g} by the pixels "
        f"({np.count_nonzero(distance > COUPLING)} of {distance.size} modes disagree)",
    )


def _judged(claims: Claims, mask: Record, found: Complex) -> Prediction | None:
    """The figures of couplings, None where the bench has no such target."""
    target = claims.targets.get((mask.target, mask.orientation_deg))
    return None if target is None else predicted(claims.launch, target, found)


def _figures_off(mask: Record, found: Prediction | None) -> tuple[float, list[str]]:
    largest, lines = 0.0, []
    for key in ("purity", "group_purity", "efficiency") if found is not None else ():
        stated, own = getattr(mask, key), float(getattr(found, key))
        off = _difference(stated, own)
        largest = max(largest, off)
        if off > FIGURE:
            lines.append(_told(key, stated, own, "the pixels"))
    return largest, lines
