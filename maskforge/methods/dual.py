"""The certified design: the best mask by convex duality, and the proof of how good any could be.

The multipliers of the dual problem (see `dual_function`) are found on blocks of pixels, at the
overall phase of the target at which the bound is highest (see `best_phase`), then corrected on all
of them; every pixel takes the state that supports its multiplier, and the undecided ones are
settled last (see `last_pixels`).  F at any multipliers is an upper bound for every mask of this
modulator at the asked purity (weak duality), and turned through all phases it needs no trust in
the search (see
`cover`, `proving`).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from maskforge.launch.basis import rotated
from maskforge.launch.couplings import Launch, predict
from maskforge.launch.modulator import emitted
from maskforge.launch.targets import Target
from maskforge.methods.attempts import OwnLaunch, begun
from maskforge.methods.best_phase import Ground, Solved, solved_at_phases, solved_near
from maskforge.methods.blocks import blocks_of, disc_of, fine_of, model_of
from maskforge.methods.coupling_matrix import matrix_of
from maskforge.methods.cover import STEP
from maskforge.methods.dual_function import Complex, Side, complex_of, kappa_of, real_of, side_of
from maskforge.methods.one_mask import SAME, MadeMask, mask_at, simple_mask
from maskforge.methods.problem import Design, Problem, Settings, efficiency_of
from maskforge.methods.proving import Proven, certified, proven
from maskforge.methods.search import FINER, corrected
from maskforge.methods.shortfall import least_worth, lowered, status_of

AGAIN = 3
"""Searches from other phases at most, where the cover finds one that is better."""

FEW_PHASES = 5
"""Of a problem on single pixels: the cover of all phases asks for others where it needs them."""

TIGHT = 8e-3
"""Of the bound: a mask that falls short of it by more is searched again on single pixels."""

LOW = 0.85
"""Of what a mask launches: a bound that low at another phase leaves room for its neighbours."""

LOOSE = 5e-3
"""Relative: as near as blocks tell the bound of a disc."""


@dataclass(frozen=True, eq=False)
class _Start:
    """Where the search of a mask begins: solutions on blocks, the best first, at the asked
    purity or a lower one, and what else is `known` to bound it.

    `asked`: multipliers which bound the asked purity, where it was lowered.
    """

    solved: list[Solved]
    known: tuple[Complex, ...] = ()
    asked: tuple[Complex, ...] = ()


def dual(
    problem: Problem, settings: Settings | None = None, previous: Design | None = None
) -> Design:
    """The certified mask of a problem; `previous`: of another orientation, to start from.

    Where the asked purity cannot be had it is lowered to what can, and the status says so.
    """
    search = _Search(problem, settings or Settings(), Ground(model_of(problem.launch)))
    start = search.nearby(previous)
    if start is None:
        side, simple = begun(problem)
        made = simple_mask(search.view, side, simple, problem.purity)
        if made is not None:
            return search.finished(made, search.proven(made, (), problem.purity), None)
        start = search.start(search.solved_at_phases(side))
    made = mask_at(search.ground, search.view, start.solved[0])
    best = search.found(start, made) if made.is_pure or search.is_blurred else None
    is_tight = best is not None and search.is_tight(*best)
    if best is not None and is_tight and best[1].purity >= SAME * problem.purity:
        return search.finished(*best, None)
    fine = replace(search, ground=Ground(*fine_of(problem.launch), FINER, FEW_PHASES))
    if best is None or not is_tight:
        coarse, start = start, fine.start_near(start)
        other = fine.found(start)
        if best is None and made.worth(problem.purity) > other[0].worth(problem.purity):
            best = search.found(coarse, made)
        best = other if best is None else fine.better(best, other)
    limit, worth = None, True
    if best[1].purity < SAME * problem.purity:
        if start.asked:
            limit = fine.at_asked(start)
        else:
            # it is worth having, and the pixels did not do
            limit = fine.covered(best[1].multipliers, problem.purity, best[1].bound)
        if start.asked and limit.open_phase is not None:
            # there is a phase at which the asked purity can be had after all
            best = fine.better(best, fine.found(fine.start_at(limit)))
            limit = fine.at_asked(replace(start, asked=limit.multipliers))
        worth = not start.asked or limit.open_phase is not None
    return search.finished(*best, limit, worth=worth)


@dataclass(frozen=True, eq=False)
class _Search:
    """One problem on its way to a mask."""

    problem: Problem
    settings: Settings
    ground: Ground

    @property
    def launch(self) -> Launch:
        return self.problem.launch

    @property
    def target(self) -> Target:
        return self.problem.target

    @property
    def is_blurred(self) -> bool:
        """With crosstalk: the bound is another problem's, and single pixels are no better known
        than blocks of them."""
        return self.launch.modulator.crosstalk > 0

    @property
    def view(self) -> OwnLaunch:
        return OwnLaunch(self.launch, self.target)

    def solved_at_phases(self, side: Side, known: Sequence[Solved] = ()) -> list[Solved]:
        side = side.with_kappa(kappa_of(self.problem.purity))
        return solved_at_phases(self.ground, side, known)

    def start(self, solved: list[Solved], near: Sequence[Solved] = ()) -> _Start:
        """From the best of solutions at the asked purity, or at what is worth having."""
        choice = self.settings.on_shortfall
        if solved[0].value > least_worth(self.ground, solved[0].side, choice):
            return _Start(solved)
        lower = lowered(self.ground, solved, choice, near)
        return _Start(lower, asked=_multipliers(solved))

    def start_near(self, start: _Start) -> _Start:
        """The same from a start on coarser blocks."""
        known = start.solved
        side = known[0].side.with_kappa(kappa_of(self.problem.purity))
        worth = least_worth(self.ground, side, self.settings.on_shortfall)
        solved = solved_at_phases(self.ground, side, known, enough=worth)
        was_lowered = known[0].side.kappa > side.kappa * (1 + 1e-9)
        made = self.start(solved, known if was_lowered else ())
        return replace(made, known=(*_multipliers(known), *start.known))

    def nearby(self, previous: Design | None) -> _Start | None:
        """The end of another orientation of the same label, turned to this one; None without."""
        target = self.target
        if previous is None or previous.certificate is None:
            return None
        before = previous.certificate
        if before.target.name != target.name or self.problem.purity != previous.asked:
            return None
        angle = target.orientation - before.target.orientation

        def here(multipliers: Complex) -> tuple[Complex, ...]:
            basis = self.launch.basis
            return tuple(rotated(basis, one, angle) for one in multipliers)

        known = here(before.multipliers)
        phase = np.angle(np.vdot(before.target.vector, previous.prediction.couplings))
        place = int(np.floor(np.mod(phase, 2 * np.pi) / STEP))
        inside = [(place - a) % round(2 * np.pi / STEP) < b - a for a, b in before.spans]
        own = known[int(np.argmax(inside))]
        along = float(np.angle(np.vdot(target.vector, own)))
        side = side_of(target.vector * np.exp(1j * along), before.purity)
        point = side.point(real_of(own))
        # turned to the phase at which the other one was found
        one = Solved(side.turned(phase - along), point, 0.0)
        asked = () if previous.excluded is None else here(previous.excluded.multipliers)
        return _Start([one], known, asked)

    def start_at(self, limit: Proven) -> _Start:
        """From the phase at which a bound of the asked purity stays open."""
        assert limit.open_phase is not None
        kappa = kappa_of(self.problem.purity)
        near = limit.nearest(limit.open_phase)
        return _Start([self.solved(limit.open_phase, kappa, near)], limit.multipliers)

    def at_asked(self, start: _Start) -> Proven:
        """The bound at the asked purity, where it is not worth having; open where it is."""
        side = start.solved[0].side
        known = start.asked
        reach = least_worth(self.ground, side, self.settings.on_shortfall)
        return self.covered(known, self.problem.purity, reach)

    def found(self, start: _Start, made: MadeMask | None = None) -> tuple[MadeMask, Proven]:
        """The mask from a start, if it is not `made`, and the bound over all phases; from another
        phase where better."""
        best = made or mask_at(self.ground, self.view, start.solved[0])
        known = (*start.known, *_multipliers(start.solved))
        proof = self.proven(best, known, best.held(self.problem.purity))
        for _ in range(AGAIN):
            if proof.open_phase is None or not self.is_for_its_phase(best, proof):
                break
            near = proof.nearest(proof.open_phase)
            there = self.solved(proof.open_phase, best.side.kappa, near)
            other = mask_at(self.ground, self.view, there)
            known = proof.multipliers
            if other.worth(best.purity) <= best.worth(best.purity):
                break
            best = other
            proof = self.proven(best, known, best.held(self.problem.purity))
        return best, proof

    def is_for_its_phase(self, made: MadeMask, proof: Proven) -> bool:
        """Whether more of what a mask lacks is for its phase than for the pixels there."""
        own = proof.limit(float(np.angle(np.vdot(self.target.vector, made.multipliers))))
        return proof.bound - own > own - math.sqrt(made.prediction.efficiency)

    def is_tight(self, made: MadeMask, proof: Proven) -> bool:
        """Whether the mask is as pure as was aimed at, and next to the bound."""
        if self.is_blurred:
            return True
        if not made.is_pure:
            return False
        light = made.prediction.efficiency
        return light > (1 - TIGHT) * efficiency_of(proof.bound)

    def better(
        self, first: tuple[MadeMask, Proven], second: tuple[MadeMask, Proven]
    ) -> tuple[MadeMask, Proven]:
        """What is worth more at the asked purity."""
        return max(first, second, key=lambda one: one[0].worth(self.problem.purity))

    def proven(self, made: MadeMask, known: tuple[Complex, ...], purity: float) -> Proven:
        """The bound over all phases at a purity that a mask has."""
        reach = math.sqrt(made.prediction.efficiency)
        return self.covered((made.multipliers, *known), purity, reach)

    def covered(self, known: tuple[Complex, ...], purity: float, reach: float) -> Proven:
        """The bound over all phases from what is `known`, and more where it is above `reach`."""
        kappa = kappa_of(purity)
        coarse = replace(self, ground=Ground(model_of(self.launch)))
        if self.is_blurred:
            return coarse.covered_by_disc(purity)

        def solve(phase: float, near: Complex, fully: bool) -> Complex:
            # where the bound is that low, it need not be the least
            ground = self if fully else coarse
            there = ground.solved(phase, kappa, near, floor=LOW * reach)
            side, point = there.side, there.point
            if fully and not self.ground.is_exact:
                inverse = self.ground.inverse(self.launch, side, point)
                side, lowest, _ = corrected(self.view, side, point, inverse, turns=1)
                point = lowest.point
            return complex_of(side.certificate(point))

        return proven(self.launch, self.target, purity, known, solve, reach=reach)

    def covered_by_disc(self, purity: float) -> Proven:
        """The bound for values on the disc of the largest amplitude, which crosstalk stays on."""
        target, kappa = self.target, kappa_of(purity)
        search = replace(self, ground=Ground(disc_of(self.launch, blocks_of(self.launch))))
        solved = solved_at_phases(search.ground, side_of(target.vector, purity))

        def solve(phase: float, near: Complex, fully: bool) -> Complex:
            there = search.solved(phase, kappa, near)
            return complex_of(there.side.certificate(there.point))

        reach = (1 + LOOSE) * max(solved[0].value, 0.0)
        return proven(self.launch, target, purity, _multipliers(solved), solve, reach=reach)

    def solved(self, phase: float, kappa: float, near: Complex, *, floor: float = np.inf) -> Solved:
        """The solution at a phase (rad), from multipliers of another one."""
        purity = 1 / (1 + kappa**2)
        return solved_near(self.ground, self.target.vector, purity, phase, near, floor=floor)

    def finished(
        self, made: MadeMask, proof: Proven, limit: Proven | None, *, worth: bool = True
    ) -> Design:
        """The design of a mask; `limit`: the bound at the asked purity, where that was not got,
        and whether it was `worth` having."""
        launch, problem = self.launch, self.problem
        prediction = made.prediction
        if matrix_of(launch) is not None:
            # by the full model itself, whatever the search took for it
            prediction = predict(launch, self.target, emitted(launch.modulator, made.states))
        certificate, bound = certified(launch, self.target, proof)
        excluded, top = None, None
        if limit is not None:
            excluded, top = certified(launch, self.target, limit)
        return Design(
            made.states,
            prediction,
            "dual",
            prediction.purity >= problem.purity,
            status_of(problem, prediction.purity, certificate.purity, top, worth=worth),
            bound=efficiency_of(bound),
            certificate=certificate,
            asked=problem.purity,
            excluded=excluded,
            bound_asked=None if top is None else efficiency_of(top),
        )


def _multipliers(solved: Sequence[Solved]) -> tuple[Complex, ...]:
    return tuple(complex_of(one.side.certificate(one.point)) for one in solved)
