"""Play lists: what is shown when."""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import chi2

from maskforge.base.ranges import BadValueError
from maskforge.playing.playlist import (
    MOST_STEPS,
    ORDERS,
    PlayedMask,
    Timing,
    entries,
    longest_between_references,
    reference_of,
)
from tests.sets.invented import frames

PLAIN = Timing()


def played(steps: Sequence[PlayedMask]) -> list[int]:
    """The masks without the references."""
    return [step.mask for step in steps if not step.reference]


# --- laws ------------------------------------------------------------------------------------


@given(
    counts=st.lists(st.integers(1, 5), min_size=1, max_size=6),
    order=st.sampled_from(ORDERS),
    seed=st.integers(0, 2**32 - 1),
    repeat=st.integers(1, 4),
    every=st.none() | st.integers(1, 40),
    pick=st.none() | st.integers(0, 29),
)
def test_every_mask_is_shown_as_often_as_asked(
    counts: list[int], order: str, seed: int, repeat: int, every: int | None, pick: int | None
) -> None:
    """References come on top: first, last, and with `every` masks between two, never more."""
    masks = frames(*counts)
    reference = None if pick is None else masks[pick % len(masks)]
    steps = entries(masks, order, seed, repeat, reference, every, PLAIN)
    assert Counter(played(steps)) == {mask.mask: repeat for mask in masks}
    assert [step.step for step in steps] == list(range(len(steps)))
    for step in steps:
        own = masks[step.mask]
        assert vars(own).items() <= vars(step).items()
    places = [step.step for step in steps if step.reference]
    if reference is None:
        assert places == []
        return
    assert {steps[place].mask for place in places} == {reference.mask}
    assert (places[0], places[-1]) == (0, len(steps) - 1)
    between = [later - one - 1 for one, later in pairwise(places)]
    most = repeat * len(masks) if every is None else every
    assert set(between[:-1]) <= {most}
    assert 0 < between[-1] <= most


@given(
    dwell=st.decimals("0.01", "1000000", places=3),
    settle=st.decimals("0", "1000000", places=3),
    rate=st.none() | st.decimals("0.1", "1000000", places=3),
    count=st.integers(2, 6),
)
def test_steps_take_the_fewest_whole_frame_periods(
    dwell: Any, settle: Any, rate: Any, count: int
) -> None:
    """Exact numbers beside the ones under test."""
    timing = Timing(float(dwell), float(settle), None if rate is None else float(rate))
    steps = entries(frames(count), "mode", None, 1, None, None, timing)
    needed = Fraction(dwell + settle) / 1000
    if rate is None:
        length = needed
    else:
        periods = timing.periods
        assert periods is not None
        assert periods - 1 < needed * Fraction(rate) <= periods
        length = periods / Fraction(rate)
    assert [step.time_s for step in steps] == [float(k * length) for k in range(count)]
    assert {step.dwell_ms for step in steps} == {float(dwell)}


@pytest.mark.parametrize(
    ("dwell", "settle", "rate", "periods"),
    [
        (20.0, 10.0, 60.0, 2),
        (20.0, 10.0, 100.0, 3),
        # 0.1 + 0.2 is 0.30000000000000004 in binary numbers, and three periods all the same
        (0.1, 0.2, 10000.0, 3),
        (0.3, 0.0, 10000.0, 3),
        (0.3001, 0.0, 10000.0, 4),
        (0.01, 0.0, 0.1, 1),
    ],
)
def test_rounding_costs_no_frame(dwell: float, settle: float, rate: float, periods: int) -> None:
    assert Timing(dwell, settle, rate).periods == periods


def test_a_small_list_by_hand() -> None:
    """15 ms + 25 ms at 60 Hz are 2.4, so 3 periods of 1/60 s: 50 ms a step.

    3 masks twice with a reference after every 2: R mm R mm R mm R, 10 steps, 0.5 s, and 3 steps
    from one reference to the next, 0.15 s.
    """
    masks = frames(1, 2)
    timing = Timing(dwell_ms=25, settle_ms=15, frame_rate_hz=60)
    steps = entries(masks, "mode", None, 2, masks[0], 2, timing)
    assert [step.reference for step in steps] == [k in (0, 3, 6, 9) for k in range(10)]
    assert [step.mask for step in steps] == [0, 0, 1, 0, 2, 0, 0, 1, 2, 0]
    assert [step.time_s for step in steps] == pytest.approx([0.05 * k for k in range(10)])
    assert len(steps) * timing.step == Fraction(1, 2)
    assert longest_between_references(steps) == pytest.approx(0.15)
    assert longest_between_references(entries(masks, "mode", 0, 1, None, None, timing)) is None


def test_orders() -> None:
    """Whatever the order of the set, a label stays together, or its orientations do."""
    one, two, three = "LP01", "LP11", "LP21"
    labels = [two, one, two, three, two, three]
    masks = [replace(frame, target=label) for frame, label in zip(frames(6), labels, strict=True)]
    steps = entries(masks, "mode", None, 2, None, None, PLAIN)
    assert played(steps) == 2 * [0, 2, 4, 1, 3, 5]
    steps = entries(masks, "orientation", None, 2, None, None, PLAIN)
    assert played(steps) == 2 * [0, 1, 3, 2, 5, 4]


# --- shuffled --------------------------------------------------------------------------------


def test_the_seed_alone_decides_the_order() -> None:
    """Neither timing nor references, nor how many passes follow; each pass is another one."""
    masks = frames(1, 4, 4)
    steps = entries(masks, "shuffled", 7, 3, None, None, PLAIN)
    assert steps == entries(masks, "shuffled", 7, 3, None, None, PLAIN)
    other = entries(masks, "shuffled", 7, 5, masks[2], 4, Timing(1, 0, 2000))
    assert played(other)[:27] == played(steps)
    assert played(entries(masks, "shuffled", 8, 3, None, None, PLAIN)) != played(steps)
    passes = [played(steps)[first : first + 9] for first in (0, 9, 18)]
    assert len({tuple(each) for each in passes}) == 3
    named = [replace(mask, target="LP01") for mask in masks]
    assert played(entries(named, "shuffled", 7, 3, None, None, PLAIN)) == played(steps)


def correlation(order: str, seed: int, repeat: int = 1) -> float:
    """Of azimuthal order and time, over 16 masks."""
    steps = entries(frames(4, 4, 4, 4), order, seed, repeat, None, None, PLAIN)
    l, time = np.array([[int(step.target[2]), step.time_s] for step in steps]).T
    return float(np.corrcoef(l, time)[0, 1])


@pytest.mark.parametrize("repeat", [1, 3])
def test_shuffling_leaves_no_drift_with_the_mode(repeat: int) -> None:
    """Over random orders of n the correlation has mean 0 and variance 1/(n - 1): Pitman, Suppl.
    J. R. Stat. Soc. 4, 225 (1937), citation from memory.  Passes of n each are independent: their
    slopes against time average out, and the steps between passes carry no label."""
    seeds = 600
    found = np.array([correlation("shuffled", seed, repeat) for seed in range(seeds)])
    assert abs(found.mean()) < 4 * found.std() / np.sqrt(seeds)
    if repeat == 1:
        # of a variance from 600 nearly normal values: sqrt(2/600) = 0.058
        assert found.var() == pytest.approx(1 / 15, rel=0.2)
    # what the check would see if nothing were shuffled
    assert correlation("mode", 0) > 0.9


def test_every_mask_comes_in_every_place() -> None:
    """Pearson's chi-square over 12 places and 12 masks: 11 * 11 degrees of freedom."""
    seeds, n = 600, 12
    count = np.zeros((n, n))
    for seed in range(seeds):
        order = played(entries(frames(3, 3, 3, 3), "shuffled", seed, 1, None, None, PLAIN))
        count[np.arange(n), order] += 1
    expected = seeds / n
    # places and masks of one permutation exclude each other: n/(n - 1) more spread in each cell
    statistic = float(np.sum((count - expected) ** 2) / expected) * (n - 1) / n
    low, high = chi2.ppf([1e-4, 1 - 1e-4], (n - 1) ** 2)
    assert low < statistic < high


# --- the reference, and what is refused ------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "index"),
    [
        ("LP01", 0),
        ("LP01@0", 0),
        ("LP11@90", 2),
        ("LP21@60.0", 5),
        # 6.666..., as a table shows it
        ("LP31@6.67", 7),
        ("LP31@6.66667", 7),
    ],
)
def test_a_reference_is_one_mask(text: str, index: int) -> None:
    assert reference_of(frames(1, 2, 3, 9), text).mask == index


def test_a_name_with_the_sign_in_it_is_a_name() -> None:
    """Superpositions have names of the user's choice."""
    names = ("a@", "a@1", "a")
    masks = [replace(mask, target=name) for mask, name in zip(frames(3), names, strict=True)]
    for text, index in (("a@", 0), ("a@1", 1), ("a", 2)):
        assert reference_of(masks, text).mask == index


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("LP11", "2 masks; say which, as in LP11@0, LP11@90"),
        (
            "LP31",
            "9 masks; say which, as in LP31@0, LP31@6.66667, LP31@13.3333, LP31@20, LP31@26.6667, "
            "LP31@33.3333 and 3 more",
        ),
        ("LP21@50", "no mask of this orientation; near it: LP21@60, LP21@30, LP21@0"),
        ("LP21@60.02", "no mask of this orientation; near it: LP21@60, LP21@30, LP21@0"),
        ("LP22@60", "no mask of this label; near it: LP21, LP31, LP11, LP01"),
        ("zebra", "no mask of this label; near it: LP01, LP11, LP21, LP31"),
        ("@", "no mask of this label; near it: LP01, LP11, LP21, LP31"),
        ("LP21@", "the orientation must be a number from -3600 to 3600 deg, as in LP21@0"),
        ("LP21@nan", "the orientation must be a number from -3600 to 3600 deg, as in LP21@0"),
    ],
)
def test_no_such_reference(text: str, line: str) -> None:
    with pytest.raises(BadValueError) as told:
        reference_of(frames(1, 2, 3, 9), text)
    assert (told.value.text, told.value.key, told.value.value) == (line, "reference", text)


@pytest.mark.parametrize(
    ("make", "key"),
    [
        (lambda: Timing(dwell_ms=0.009), "dwell_ms"),
        (lambda: Timing(dwell_ms=1.1e6), "dwell_ms"),
        (lambda: Timing(dwell_ms=float("nan")), "dwell_ms"),
        (lambda: Timing(settle_ms=-1), "settle_ms"),
        (lambda: Timing(frame_rate_hz=0), "frame_rate_hz"),
        (lambda: Timing(frame_rate_hz=float("inf")), "frame_rate_hz"),
        (lambda: entries(frames(2), "random", 1, 1, None, None, PLAIN), "order"),
        (lambda: entries(frames(2), "shuffled", None, 1, None, None, PLAIN), "seed"),
    ],
)
def test_what_cannot_be_is_named(make: Callable[[], object], key: str) -> None:
    with pytest.raises(BadValueError) as told:
        make()
    assert told.value.key == key


def test_a_list_has_an_end() -> None:
    """The last length that is made, and one step more."""
    masks = frames(1)
    # k masks with a reference after each are 2 k + 1 steps
    most = (MOST_STEPS - 1) // 2
    assert len(entries(masks, "mode", None, most, masks[0], 1, PLAIN)) == 2 * most + 1
    for repeat, reference in ((most + 1, masks[0]), (MOST_STEPS + 1, None)):
        with pytest.raises(BadValueError, match=f"more than {MOST_STEPS} steps") as told:
            entries(masks, "mode", None, repeat, reference, reference and 1, PLAIN)
        assert told.value.key == "repeat"
