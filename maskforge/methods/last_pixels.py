"""The last pixels: which of the undecided ones change state, so that the couplings come out right.

A pixel is undecided where another state costs the design little: at a kink of the alphabet's
support function, where ties may not all fall one way, or where there is hardly any light.  Changing
it moves the couplings by a known small vector, so thousands of them are tried by products alone.
"""

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from maskforge.base.arrays import (
    Array,
    as_complex,
    beside,
    conj,
    constant,
    flat,
    is_real,
    namespace,
    on_host,
    picked,
    replaced,
    smallest,
)
from maskforge.base.strips import each_by_strips
from maskforge.launch.couplings import Launch
from maskforge.launch.modulator import Alphabet, Levels, values_of
from maskforge.methods.blurred_moves import moves
from maskforge.methods.dual_function import BlockModel, Conditions, FastReal, Real, newton
from maskforge.methods.flips import flipped
from maskforge.methods.single_pixels import pixel_couplings, table_of

FEW, MANY = 1 / 32, 1 / 4
"""Share of the pixels that may change: in a pass that flips single ones, in one that solves for
them all."""

MOST, MOST_NUMBERS = 65536, 2**24
"""Pixels, and pixels times 2 K: 64 MiB in single precision."""

PASSES = 12
"""Each begins with the full model's couplings, since single pixels are known to 1 % only."""

FEW_CORNERS = 8
"""With more corners the next state is too near to matter, and one further off is tried."""

LONG, TIE = 0.3, 0.03
"""A side of the hull that is as long as a move is worth; and rad from its normal: a tie."""

ASIDE = 0.4
"""rad: of many corners one that far aside moves more for what it costs than the opposite one."""

LARGE, MIDDLING = 1.5e-2, 5e-3
"""Of the target's coupling: to move the rest by more, thousands of pixels have to change, and they
are solved for; the smaller number where single flips have got stuck."""

FILLS, SHORT = 4, 1e-3
"""Passes for more light where the purity is got, and of the target's coupling: so much less than
the multipliers tell is little."""

SOLVES = 3
SLOW = 0.7
"""A pass that leaves more than this share of the residual is stuck; the next tries more pixels."""

TOO_STRONG, TOO_WEAK = 1 / 8, 1 / 800
"""Of the residual: a much larger change seldom shortens it in K dimensions, a smaller hardly."""

EXACT = 1 - 1e-10
"""Of the unwanted coupling allowed: what is as pure as that is so whichever way it is summed."""

MARGIN = 6e-4
"""Of the target's coupling: as much of the unwanted coupling allowed is left unused."""

LARGEST_MARGIN = 0.3
"""Of what is allowed."""

SETTLING = (1.0, 0.2)
"""Smoothing of the undecided pixels, in their median cost."""

PRECISE = 1e-8

TINY, LEAST_WIDTH = 1e-5, 1e-11
"""Of the largest |v|; and so that its cube is a number in single precision."""


@dataclass(frozen=True, eq=False)
class Undecided:
    """`pixels` (m,) that may go to the states `other`, which changes c by `change` (m, 2 K) and
    costs the relaxed problem `cost` (m,)."""

    pixels: Array
    other: Array
    change: Array
    cost: Array

    def tolls(self, multipliers: Real) -> FastReal:
        """Costs as a share of the most that changes of these sizes can cost; see `flipped`."""
        length = np.float32(np.linalg.norm(multipliers))
        return on_host(self.cost).astype(np.float32) / length


class Pixels(Protocol):
    """What refining needs to know of the launches; `back` is what the states follow there."""

    def found(self, states: Array) -> Real:
        """Couplings by the full model."""

    def undecided(
        self, back: Array, states: Array, count: int, residual: float, *, aside: bool = False
    ) -> Undecided:
        """The `count` pixels whose other state costs least for what it moves."""


def alternatives(alphabet: Alphabet, direction: Array, *, aside: bool = False) -> Array:
    """The state to take instead of the supporting one: the next, or the opposite, or one aside.

    The next one where it costs less than half of what the opposite costs, that is near a boundary
    of two states; in the middle of a state the next would all lie on one side.  Of many states only
    where it is a tie, else the opposite one, which moves most, or if `aside` one that moves less
    and costs less for it.
    """
    if alphabet.is_line:
        return alphabet.runner_up(direction)
    xp = namespace(direction)
    opposite = alphabet.support(-direction)
    values = constant(alphabet.values.astype(np.complex64), direction)
    best, following = alphabet.support(direction), alphabet.runner_up(direction)
    best_value, following_value = picked(values, best), picked(values, following)
    first = xp.real(conj(direction) * best_value)
    near = first - xp.real(conj(direction) * following_value)
    if len(alphabet.hull) > FEW_CORNERS:
        side = xp.abs(best_value - following_value)
        tied = (side > LONG) & (near <= TIE * xp.abs(direction) * side)
        if not aside:
            return xp.where(tied, following, opposite)
        turn = xp.sign(xp.imag(conj(best_value) * following_value))
        turned = direction * (math.cos(ASIDE) + as_complex(turn) * 1j * math.sin(ASIDE))
        beyond = alphabet.support(turned)
        return xp.where(tied | (beyond == best), following, beyond)
    far = first - xp.real(conj(direction) * picked(values, opposite))
    return xp.where(near < 0.499 * far, following, opposite)


def undecided(
    launch: Launch,
    back: Array,
    states: Array,
    count: int,
    residual: float,
    *,
    aside: bool = False,
) -> Undecided:
    """The `count` pixels whose other state costs least for what it moves; see `alternatives`.

    Where there is a choice, those whose change suits a `residual` of this length.
    """
    alphabet = launch.modulator.alphabet
    xp = namespace(back)
    values = constant(alphabet.values.astype(np.complex64), back)
    # where what the states follow is real, so are they
    values = xp.real(values) if is_real(back) else values

    def other_states(back: Array, states: Array, weight: Array) -> tuple[Array, Array, Array]:
        first = alphabet.support(back)
        other = xp.where(states == first, alternatives(alphabet, back, aside=aside), first)
        moved = values_of(values, other) - values_of(values, states)
        return other, -xp.real(conj(back) * moved), weight * (xp.abs(moved) / 2)

    weight = table_of(launch).weight
    other, cost, weight = each_by_strips(other_states, back, states, weight)
    pixels = cheapest(cost, weight, count, residual)
    others = picked(flat(other), pixels)
    change = changed(launch, states, pixels, others)
    return Undecided(pixels, others, change, picked(flat(cost), pixels))


def cheapest(cost: Array, weight: Array, count: int, residual: float) -> Array:
    """The `count` pixels of least cost for their weight, of those that suit a `residual`."""
    xp = namespace(cost)
    strongest = min(float(xp.max(weight)), TOO_STRONG * residual)
    fit = (weight <= strongest) & (weight > TOO_WEAK * strongest)
    rank = xp.where(fit, cost / xp.where(fit, weight, 1.0), xp.inf)
    count = min(count, int(xp.count_nonzero(fit)))
    return smallest(flat(rank), count)


def changed(launch: Launch, states: Array, pixels: Array, others: Array) -> Array:
    """What the couplings of a mask change by (m, 2 K) where pixels (m,) go to the states `others`,
    each by itself."""
    moved = moves(launch, states, pixels, others)
    change, xp = pixel_couplings(launch, pixels).T * moved, namespace(moved)
    return xp.concat([xp.real(change), xp.imag(change)]).T


def dithered(
    side: Conditions, point: Real, found: Real, open_pixels: Undecided, rng: np.random.Generator
) -> NDArray[np.bool_]:
    """Which changes to make where thousands are needed; `found` (2 K,): the couplings now.

    With every other pixel as it is, F is minimised again, so that the cheapest changes are found;
    what stays between two states is drawn with the share that each has.
    """
    half = 0.5 * open_pixels.change
    xp = namespace(half)

    def along(point: Real) -> Array:
        return half @ beside(side.multipliers(point).astype(np.float32), half)

    offset = -0.5 * open_pixels.cost - along(point)
    fixed = found + on_host(xp.sum(half, axis=0, dtype=xp.float64))
    model = BlockModel(half, None, 1.0, fixed, offset)
    # where all changes are free, their median cost would leave nothing to smooth with
    least = TINY * float(xp.max(xp.abs(offset)))
    middle = max(float(np.median(on_host(open_pixels.cost))) / 2, least, LEAST_WIDTH)
    for width in SETTLING:
        point = newton(model, side, point, width * middle, decrement=PRECISE)
    x = on_host(along(point) + offset)
    share = 0.5 + 0.5 * x / np.hypot(x, np.float32(SETTLING[-1] * middle))
    return np.asarray(rng.random(share.size) < share)


def refined(
    pixels: Pixels,
    side: Conditions,
    point: Real,
    back: Array,
    states: Array,
    *,
    spare_share: float = 0.0,
    patient: bool = True,
    seed: int = 0,
    thorough: bool = False,
) -> tuple[Levels, Real]:
    """States with undecided pixels changed until the full model finds the side's purity.

    Returns the states found that launch most of those pure enough, or else the purest ones, and
    their couplings.  `point` says where in the complement the
    rest that the purity allows should lie; `back` is what the states follow.
    At least `spare_share` of what is allowed is left unused.  Unless `patient`, it ends where
    cheap pixels no longer help, and costly ones would have to change; if `thorough`, where no
    number of pixels helps.
    """
    xp = namespace(states)
    states = xp.astype(states, xp.uint16, copy=True)
    rng = np.random.default_rng(seed)
    numbers = side.multipliers(point).size
    best: tuple[float, Array, Real] = np.inf, states, np.zeros(numbers)
    lightest: tuple[float, Array, Real] | None = None
    outward = side.outward(point)
    size = flat(states).shape[0]
    most = min(MOST, MOST_NUMBERS // numbers, size)
    few, many = (max(32, min(int(share * size), most)) for share in (FEW, MANY))
    before, count, solved, even, filled = np.inf, few, 0, False, 0
    for _ in range(PASSES):
        found = pixels.found(states)
        rest, missed, wanted = side.split(found)
        worst = float(np.max(missed / wanted))
        if worst < best[0]:
            best = worst, xp.asarray(states, copy=True), found
        allowed = side.kappa * wanted
        pure = bool(np.all(missed <= EXACT * allowed))
        if pure:
            if lightest is None or float(wanted[0]) > lightest[0]:
                lightest = float(wanted[0]), xp.asarray(states, copy=True), found
            # at ties the purity may be had with less light than there is
            lit = float(side.multipliers(point) @ found) * (1 - SHORT) <= wanted[0]
            if lit or len(side.blocks) > 1 or filled == FILLS:
                break
            filled += 1
        spare = np.maximum(
            np.minimum(MARGIN * wanted, LARGEST_MARGIN * allowed), spare_share * allowed
        )
        goal = _spread(side, allowed - spare, rest.size) * outward
        length = float(np.linalg.norm(rest - goal))
        stuck, before = length > SLOW * before, length
        scale = float(np.linalg.norm(wanted))
        large = length > (MIDDLING if stuck else LARGE) * scale and solved < SOLVES
        if stuck and not large and not patient:
            if count == most or not thorough:
                break
            count = min(4 * count, most)
            if count > many:
                many, solved = count, min(solved, SOLVES - 1)
        if large:
            some = pixels.undecided(back, states, many, np.inf)
            change, solved = dithered(side, point, found, some, rng), solved + 1
        else:
            count = min(4 * count, many) if stuck and even else count
            some = pixels.undecided(back, states, count, length)
            even = stuck and not even
            # what is pure already goes on as far as it can
            limit = np.zeros_like(allowed) if pure else allowed - spare / 4
            dear_last = count > few and not even and len(side.blocks) == 1
            change = flipped(
                rest,
                goal,
                side.reduced(some.change),
                limit,
                blocks=side.blocks,
                even=even,
                tolls=some.tolls(side.multipliers(point)) if dear_last else None,
            )
        states = with_changes(states, some, change)
    _, chosen, found = lightest if lightest is not None else best
    return on_host(chosen), found


def with_changes(states: Array, some: Undecided, made: NDArray[np.bool_]) -> Array:
    """The states after those changes; NumPy's and CuPy's are overwritten."""
    xp, (turned,) = namespace(states), np.nonzero(made)
    turned = beside(turned, states)
    others = xp.astype(picked(some.other, turned), xp.uint16)
    return xp.reshape(replaced(flat(states), picked(some.pixels, turned), others), states.shape)


def _spread(side: Conditions, values: Real, size: int) -> Real:
    """Of each scenario's number, one for each of its coordinates (size,)."""
    out = np.empty(size)
    for block, value in zip(side.blocks, values, strict=True):
        out[block] = value
    return out
