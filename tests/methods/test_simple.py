"""The simple mask: the most light in the target, and how pure that is."""

import itertools
from functools import lru_cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from maskforge import bench as benches
from maskforge.base.errors import BenchError
from maskforge.bench.ready import Prepared, prepared
from maskforge.launch.couplings import Launch, back_propagated, couplings, predict
from maskforge.launch.modulator import Alphabet, binary, continuous, emitted, levels, table
from maskforge.launch.targets import Target, lg_target, lp_target, superposition
from maskforge.methods.by_name import design
from maskforge.methods.problem import Problem
from maskforge.methods.simple import simple
from tests.benches import MASK_WAIST, MODE_WAIST, beam, on_parabola

ALPHABETS = {
    "binary": binary(),
    "binary 160 deg": binary(2.8),
    "3 levels": levels(3),
    "4 levels": levels(4),
    "16 levels": levels(16),
    "continuous": continuous(),
    "table": table([0, 1, 2, 3], [0.0, 1.4, 2.9, 4.4], [1.0, 0.7, 0.9, 0.8]),
}


@lru_cache(maxsize=2)
def bench_of(name: str) -> Prepared:
    return prepared(benches.load(name, orientations=1))


@lru_cache(maxsize=8)
def launch_of(name: str) -> Launch:
    return on_parabola(
        beam(1.4),
        shape=(40, 44),
        pitch=MASK_WAIST / 7,
        alphabet=ALPHABETS[name],
        fill_factor=0.9,
    )


def targets(launch: Launch) -> dict[str, Target]:
    return {
        "LP01": lp_target(launch.basis, "LP01"),
        "LP11 at 20 deg": lp_target(launch.basis, "LP11", 20.0),
        "LP21 at 30 deg": lp_target(launch.basis, "LP21", 30.0),
        "LG0+1": lg_target(launch.basis, "LG0+1", MODE_WAIST),
        "mix": superposition(launch.basis, "mix", {("LP01", None): 1, ("LP11", "cos"): 0.7 + 0.4j}),
    }


@settings(max_examples=25, deadline=None)
@given(name=st.sampled_from(list(ALPHABETS)), seed=st.integers(0, 2**31), share=st.floats(0, 1))
def test_no_random_mask_adds_more(name: str, seed: int, share: float) -> None:
    """Pixel by pixel the state that adds most to Re<t, c>, t with the phase that was chosen for it.

    Tried: masks of which a share of the pixels is at random, from single pixels to all.
    """
    launch = launch_of(name)
    rng = np.random.default_rng(seed)
    for target in targets(launch).values():
        best = launch.modulator.alphabet.values[simple(Problem(launch, target)).states]
        back = back_propagated(launch, target.vector)
        # at the phase that simple ends with: that of its own coupling
        back = back * np.exp(1j * np.angle(np.vdot(target.vector, couplings(launch, best))))
        other = rng.choice(launch.modulator.alphabet.values, best.shape)
        mask = np.where(rng.random(best.shape) <= share**4, other, best)
        gains = [float(np.real(np.vdot(back, s))) for s in (best, mask)]
        assert gains[1] <= gains[0] * (1 + 1e-12)


def every_mask(launch: Launch, target: Target) -> float:
    """The largest efficiency of all masks, one by one."""
    back = back_propagated(launch, target.vector).ravel()
    values = launch.modulator.alphabet.values
    states = np.array(list(itertools.product(range(values.size), repeat=back.size)))
    return float((np.abs(values[states] @ back.conj()) ** 2).max())


@pytest.mark.parametrize("target", ["LP01", "LP11 at 20 deg", "LP21 at 30 deg", "LG0+1", "mix"])
@pytest.mark.parametrize(
    ("alphabet", "shape"),
    [
        (binary(), (3, 4)),
        (binary(2.8), (3, 4)),
        (binary(2.0), (4, 3)),
        (levels(3), (2, 4)),
        (levels(4), (3, 3)),
    ],
    ids=["binary", "binary 160 deg", "binary 115 deg", "3 levels", "4 levels"],
)
def test_no_mask_at_all_launches_more(
    alphabet: Alphabet, shape: tuple[int, int], target: str
) -> None:
    """What the design's own first line promises, against all masks of a dozen pixels."""
    launch = on_parabola(
        beam(0.5, offset=(8e-5, 5e-5)),
        shape=shape,
        pitch=MASK_WAIST / 3.6,
        alphabet=alphabet,
        fill_factor=0.9,
    )
    wanted = targets(launch)[target]
    found = simple(Problem(launch, wanted))
    efficiency = predict(launch, wanted, alphabet.values[found.states]).efficiency
    assert efficiency == pytest.approx(every_mask(launch, wanted), rel=1e-9)


def purity_of_simple(bench: str, label: str) -> float:
    ready = bench_of(bench)
    target = next(t for t in ready.targets if t.name == label)
    made = simple(Problem(ready.launch, target, 0.999))
    found = predict(ready.launch, target, emitted(ready.launch.modulator, made.states))
    assert made.reached == (found.purity >= 0.999)
    assert len(made.status.splitlines()) == 1
    return found.purity


def test_the_simple_mask_on_45_modes_is_impure() -> None:
    """LP21 below 80 % on the 50 um fibre, which is why the other methods are there.

    DESIGN's first experiment had 63 % with a beam three times the matched one; the trade's
    experience: common practice, no source.
    """
    assert purity_of_simple("gi50-1550", "LP21") < 0.80


@pytest.mark.parametrize("label", ["LP11", "LP21"])
def test_the_simple_mask_does_far_better_on_six_modes(label: str) -> None:
    """Few modes hold little of what two-state masks scatter; common practice, no source."""
    few, many = purity_of_simple("few-mode-1310", label), purity_of_simple("gi50-1550", label)
    assert few > 0.99
    assert 1 - few < 0.1 * (1 - many)


def test_what_cannot_be_asked() -> None:
    launch = launch_of("binary")
    target = lp_target(launch.basis, "LP11")
    with pytest.raises(BenchError, match=r"method = magic: one of .*simple"):
        design(Problem(launch, target), "magic")
    for purity in (0.5, 1.0, -1.0, float("nan")):
        with pytest.raises(BenchError, match=r"above 0\.5 and below 1"):
            Problem(launch, target, purity)
    assert design(Problem(launch, target), "simple").method == "simple"
