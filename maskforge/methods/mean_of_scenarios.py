"""The bound of the mean amplitude over several scenarios, whatever their phases: made and checked.

Three proofs, of which the lowest counts:

- the multipliers of all scenarios together, turned through all phases at once (see
  `phases_of_scenarios`);
- each scenario by itself (see `cover`): the mean of their bounds;
- a scenario in which no mask is so pure excludes all masks.

A fourth number holds for masks with phases near those of the design alone: where <t_i, c_i> is no
more than x away from the phase of a_i = <t_i, mu_i>, Re<mu_i, c_i> is at least
(|a_i| cos x - kappa |z_i|) |<t_i, c_i>|.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from heapq import heappop, heappush

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from maskforge.base.arrays import on_host
from maskforge.launch.couplings import Launch
from maskforge.launch.modulator import Complex
from maskforge.launch.targets import Target
from maskforge.methods.best_phase import Ground, Solved, solved_at_phases, solved_near
from maskforge.methods.blocks import blocks_of, disc_of, model_of
from maskforge.methods.coupling_matrix import quick_back
from maskforge.methods.cover import LARGEST, SMALLEST, certified_bound
from maskforge.methods.dual_function import complex_of, kappa_of, real_of, side_of
from maskforge.methods.phases_of_scenarios import Form, Shape, form_of, shape_of, weighed
from maskforge.methods.problem import NEAR_PHASES, Alone, Certificate, Joint
from maskforge.methods.proving import certified, proven
from maskforge.methods.states_for_all import Palette, palette_of

CLOSED = 1e-3
"""Relative, of the mean amplitude: a bound that is no higher above F is good enough."""

AS_BLOCKS_TELL = 2e-3
"""Relative: as near as blocks tell the least F of all pixels."""

HALF_WIDTHS = np.pi, np.pi / 8, np.pi / 24, np.pi / 72
"""Of the sectors, rad: all phases, then 22.5 degrees, down to the 2.5 degrees that strokes need."""

FAIR = 2.0
"""Times F: strokes cost up to 1.3 before their sectors are narrow."""

PHASES = 8
"""Solutions at most for the proof of one scenario alone."""

TOUCHING = 1e-9
"""rad: sectors that are no farther apart leave nothing between them that counts."""

FINEST_TURN = 64
"""States up to which a turn is looked for that leaves them as they are."""


@dataclass(frozen=True, eq=False)
class Several:
    """All scenarios of a target, the nominal one first; `vectors`: the target in each basis."""

    launches: tuple[Launch, ...]
    vectors: tuple[Complex, ...]

    @cached_property
    def palette(self) -> Palette:
        return palette_of(self.launches)

    @cached_property
    def shape(self) -> Shape | None:
        blurred = any(launch.modulator.crosstalk > 0 for launch in self.launches)
        return shape_of(self.palette, len(self.launches), blurred=blurred)

    @cached_property
    def period(self) -> float:
        """Common turn, rad, that leaves all F as they are: of the states, without fixed light."""
        if any(np.any(launch.gaps) for launch in self.launches) or not self.palette.is_shared:
            return 2 * np.pi
        values = self.palette.values[0]
        nearest = cKDTree(np.c_[values.real, values.imag])
        for count in range(min(values.size, FINEST_TURN), 1, -1):
            turned = values * np.exp(2j * np.pi / count)
            away, _ = nearest.query(np.c_[turned.real, turned.imag])
            if np.all(away < 1e-12):
                return 2 * np.pi / count
        return 2 * np.pi


def certified_mean(several: Several, joint: Joint) -> float:
    """The largest mean of |<t_i, c_i>| of any mask at the purity of a proof; 0: no mask is so pure.

    In double precision; infinite where the proof proves nothing.
    """
    if not _can_prove(joint):
        return np.inf
    return max(min(_together(several, joint), _by_themselves(several, joint)), 0.0)


def _can_prove(joint: Joint) -> bool:
    """Whether its numbers can be reckoned with: NaN fails each of the comparisons."""
    sizes = [float(np.max(np.abs(one))) for one in joint.multipliers]
    return bool(0 < joint.purity < 1 and all(SMALLEST < size < LARGEST for size in sizes))


def near_bound(several: Several, joint: Joint, phases: Sequence[float]) -> float | None:
    """The same for masks whose <t_i, c_i> have phases within NEAR_PHASES of `phases` (rad).

    None: not known, as with crosstalk, which leaves a pixel no certain states.
    """
    if any(launch.modulator.crosstalk > 0 for launch in several.launches):
        return None
    if not _can_prove(joint):
        return None
    shares = []
    for (along, lost), phase in zip(_parts(several, joint), phases, strict=True):
        away = abs(float(np.angle(np.exp(1j * phase) * np.conj(along)))) + np.radians(NEAR_PHASES)
        shares.append(abs(along) * np.cos(min(away, np.pi / 2)) - lost)
    if not min(shares) > 0:
        return None
    whole = certified_sum(several.launches, several.palette, joint.multipliers)
    return max(float(whole / min(shares)) / len(shares), 0.0)


def certified_sum(
    launches: Sequence[Launch], palette: Palette, multipliers: Sequence[Complex]
) -> float:
    """F in double precision: no mask has a larger sum of Re<mu_i, c_i> (weak duality)."""
    pairs = list(zip(launches, multipliers, strict=True))
    pixels = palette.highest([on_host(quick_back(launch, mu)) for launch, mu in pairs])
    return pixels + sum(float(np.real(np.vdot(mu, launch.gaps))) for launch, mu in pairs)


def proven_joint(several: Several, purity: float, multipliers: tuple[Complex, ...]) -> Joint:
    """The proof that multipliers give at all phases, without any scenario's own."""
    count = len(multipliers)
    none = Joint(purity, multipliers, np.zeros((0, 2)), np.zeros((0, count + 3)))
    forms = _Forms.of(several, none)
    if forms is None:
        return none
    enough = (1 + CLOSED) * certified_sum(several.launches, several.palette, multipliers)
    # what a disc adds to the states is the same in all sectors
    levels = HALF_WIDTHS[:1] if forms.shape.is_disc else HALF_WIDTHS
    closed, weights = [], []
    waiting = [(0.0, 0, 0.0, HALF_WIDTHS[0])]
    while waiting:
        # the highest first, since only the highest of all counts
        _, level, middle, width = heappop(waiting)
        form = forms.at(middle, width)
        found = weighed(form)
        bound = form.bound(found)
        # multipliers that say so little far from their own phases are no better in sectors
        fair = bound <= FAIR * abs(enough)
        if bound > enough and fair and level + 1 < len(levels):
            whole = (several.period / 2, several.period / 2)
            parts = _split(*(whole if level == 0 else (middle, width)), levels[level + 1])
            for part in parts:
                heappush(waiting, (-bound, level + 1, *part))
            continue
        enough = max(enough, bound)
        closed.append((middle, width))
        weights.append(found)
    return replace(none, sectors=np.array(closed), weights=np.array(weights))


def alone_of(certificate: Certificate) -> Alone:
    return Alone(certificate.purity, certificate.multipliers, certificate.spans)


def proven_alone(launch: Launch, vector: Complex, purity: float, known: Complex) -> Alone:
    """The proof of one scenario, from `known` multipliers (K,) of it, solved for on blocks."""
    blurred = launch.modulator.crosstalk > 0
    ground = Ground(
        disc_of(launch, blocks_of(launch)) if blurred else model_of(launch), most=PHASES
    )
    along = float(np.angle(np.vdot(vector, known)))
    side = side_of(vector * np.exp(1j * along), purity)
    side = replace(side, angle=along)
    solved = solved_at_phases(ground, side, [Solved(side, side.point(real_of(known)), 0.0)])

    def solve(phase: float, near: Complex, _: bool) -> Complex:
        there = solved_near(ground, vector, purity, phase, near)
        return complex_of(there.side.certificate(there.point))

    # the last one bounds masks of any purity: where none is so pure others may say less
    first = (known, *(complex_of(one.side.certificate(one.point)) for one in solved), vector)
    finite = [one for one in first if np.all(np.isfinite(one))]
    target = Target("", 0.0, vector)
    reach = (1 + AS_BLOCKS_TELL) * max(solved[0].value, 0.0)
    proof = proven(launch, target, purity, finite, solve, reach=reach)
    return alone_of(certified(launch, target, proof)[0])


# --- parts of the proof ----------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Forms:
    """The forms of multipliers at all sectors."""

    backs: list[Complex]
    gaps: Complex
    shape: Shape

    @staticmethod
    def of(several: Several, joint: Joint) -> "_Forms | None":
        """None where multipliers or states are such that nothing is proven."""
        shares = [abs(along) - lost for along, lost in _parts(several, joint)]
        if several.shape is None or not min(shares) > 0:
            return None
        # so that a sum of Re<mu_i, c_i> is at least that of |<t_i, c_i>|
        own = [mu / share for mu, share in zip(joint.multipliers, shares, strict=True)]
        pairs = list(zip(several.launches, own, strict=True))
        backs = [on_host(quick_back(launch, mu)) for launch, mu in pairs]
        gaps = np.array([np.vdot(mu, launch.gaps) for launch, mu in pairs])
        if not all(np.all(np.isfinite(back)) for back in backs):
            return None
        return _Forms(backs, gaps, several.shape)

    def at(self, middle: float, width: float) -> Form:
        return form_of(self.backs, self.gaps, self.shape, middle, width)


def _parts(several: Several, joint: Joint) -> Iterator[tuple[complex, float]]:
    """(a, kappa |z|) of each scenario's multipliers."""
    kappa = kappa_of(joint.purity)
    for vector, mu in zip(several.vectors, joint.multipliers, strict=True):
        along = complex(np.vdot(vector, mu))
        yield along, float(kappa * np.linalg.norm(mu - along * vector))


def _together(several: Several, joint: Joint) -> float:
    """The bound of the mean by all multipliers at once."""
    if not _is_covered(joint.sectors, several.period):
        return np.inf
    forms = _Forms.of(several, joint)
    if forms is None:
        return np.inf
    pairs = zip(joint.sectors.tolist(), joint.weights, strict=True)
    bounds = [forms.at(*sector).bound(weights) for sector, weights in pairs]
    return max(bounds) / len(several.launches)


def _by_themselves(several: Several, joint: Joint) -> float:
    """The mean of the scenarios' own bounds; below 0 where one excludes all masks."""
    if len(joint.alone) != len(several.launches):
        return np.inf
    bounds = []
    for launch, vector, one in zip(several.launches, several.vectors, joint.alone, strict=True):
        # a proof for less pure masks holds for purer ones
        if not 0 < one.purity <= joint.purity:
            return np.inf
        target = Target("", 0.0, vector)
        proof = Certificate(target, one.purity, one.multipliers, one.spans)
        bounds.append(certified_bound(launch, proof))
    return -np.inf if min(bounds) < 0 else float(np.mean(bounds))


def _is_covered(sectors: NDArray[np.float64], period: float) -> bool:
    """Whether sectors (m, 2) leave no common phase of a period out."""
    if len(sectors) == 0 or not np.all(np.isfinite(sectors)) or np.any(sectors[:, 1] <= 0):
        return False
    if np.any(sectors[:, 1] >= np.pi):
        return True
    if np.any(sectors[:, 1] > np.pi / 2):
        return False
    reached = 0.0
    for start, end in sorted((m - w, m + w) for m, w in sectors.tolist()):
        if start > reached + TOUCHING:
            return False
        reached = max(reached, end)
    return bool(reached >= period - TOUCHING)


def _split(middle: float, reach: float, width: float) -> list[tuple[float, float]]:
    """Sectors of about this half width that cover `reach` about a middle."""
    count = max(1, round(reach / width))
    half = reach / count
    return [(middle - reach + (2 * k + 1) * half, half) for k in range(count)]
