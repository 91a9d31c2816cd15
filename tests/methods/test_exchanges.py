"""Pairs of pixels changed at the end: held against every pair, one by one, in double precision.

Common practice, no source: every statement is the definition, done again by plain sums.
"""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from maskforge.methods.dual_function import FastReal, Real, Side, side_of
from maskforge.methods.exchanges import LITTLE, WITHIN, exchanged

FAST = 1e-5
"""Relative: lengths in single precision, some of them differences."""


def drawn(seed: int, modes: int, pure: bool) -> tuple[Side, Real, FastReal]:
    """A target, couplings that are pure enough or are not, and changes a tenth as long."""
    rng = np.random.default_rng(seed)
    target = rng.normal(size=modes) + 1j * rng.normal(size=modes)
    side = side_of(target / np.linalg.norm(target), 0.95)
    rest = rng.normal(size=2 * modes - 2)
    rest *= side.kappa * rng.uniform(0.2, 0.9 if pure else 3.0) / np.linalg.norm(rest)
    found = side.turned(rng.uniform(0, 6)).target + side.complement @ rest
    changes = 0.1 * side.kappa * rng.normal(size=(30, 2 * modes))
    return side, found, changes.astype(np.float32)


def judged(side: Side, found: Real) -> tuple[float, float]:
    """(unwanted coupling beyond what is allowed, the target's coupling)."""
    _, missed, wanted = side.split(found)
    return float(missed[0] - side.kappa * wanted[0]), float(wanted[0])


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 2**31), modes=st.integers(2, 8))
def test_what_is_pure_stays_pure_and_no_pair_has_more_light(seed: int, modes: int) -> None:
    side, found, changes = drawn(seed, modes, pure=True)
    made = exchanged(side, found, changes)
    after = found + changes[made].astype(np.float64).sum(axis=0)
    over, light = judged(side, after)
    assert over <= FAST * light
    assert light >= judged(side, found)[1] * (1 - FAST)
    # the target's coupling as it was before, whose phase the changes hardly turn
    along = side.turned(side.turn(found)).target
    allowed = side.kappa * (1 - WITHIN)
    signed = np.where(made, -1, 1)[:, None] * changes.astype(np.float64)
    for one in range(len(signed)):
        for other in range(one + 1):
            tried = after + (signed[one] + signed[other] if other < one else signed[one])
            rest, wanted = side.split(tried)[0], float(along @ tried)
            if np.linalg.norm(rest) < allowed * wanted * (1 - FAST):
                assert wanted <= float(along @ after) * (1 + LITTLE + FAST)


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 2**31), modes=st.integers(2, 8))
def test_what_is_not_pure_gets_no_further_from_it(seed: int, modes: int) -> None:
    side, found, changes = drawn(seed, modes, pure=False)
    made = exchanged(side, found, changes)
    over, _ = judged(side, found + changes[made].astype(np.float64).sum(axis=0))
    assert over <= max(judged(side, found)[0], 0.0) + 0.1 * side.kappa


def test_two_changes_do_what_neither_does_alone() -> None:
    """Each wins light and breaks the purity; their harm cancels."""
    side = side_of(np.array([1.0, 0.0], dtype=complex), 0.99)
    found = side.target + 0.99 * side.kappa * side.complement[:, 0]
    harm = 0.5 * side.complement[:, 1]
    changes = 0.01 * np.array([side.target + harm, side.target - harm])
    changes = (changes + 0.1 * np.array([harm, -harm])).astype(np.float32)
    assert exchanged(side, found, changes).tolist() == [True, True]
    assert not exchanged(side, found, changes[:1]).any()
