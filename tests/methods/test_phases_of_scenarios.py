"""The bound of several scenarios whatever their phases, against F evaluated at any phases."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from maskforge.launch.modulator import Alphabet, binary, levels, table
from maskforge.methods.mean_of_scenarios import Several, certified_mean, certified_sum, near_bound
from maskforge.methods.phases_of_scenarios import form_of, shape_of, weighed
from maskforge.methods.problem import NEAR_PHASES, Alone, Joint, Robust
from maskforge.methods.states_for_all import Palette
from tests.methods.test_robust import (
    BENCHES,
    figures,
    made,
    problem_of,
    scenes,
    start_of,
    target_in,
)

Complex = NDArray[np.complex128]

ALPHABETS: dict[str, Alphabet] = {
    "0/pi": binary(np.pi),
    "2 states 130 deg": binary(np.radians(130)),
    "3 levels": levels(3),
    "4 levels": levels(4),
    "8 levels": levels(8),
    "64 levels": levels(64),
    "stroke": table(list(range(9)), list(1.2 * np.pi * np.arange(9) / 8)),
    "amplitudes": table([0, 1, 2, 3], [0.0, 1.5, 3.0, 4.6], [1.0, 0.7, 0.9, 0.5]),
}


def whole_of(backs: Complex, gaps: Complex, values: Complex, phases: NDArray[np.float64]) -> float:
    """F at phases (n,), pixel by pixel."""
    turn = np.exp(-1j * phases)
    gains = np.real(np.einsum("n,np,ns->sp", turn, np.conj(backs), values))
    return float(gains.max(axis=0).sum() + np.real(np.sum(turn * gaps)))


@settings(max_examples=60, deadline=None)
@given(
    name=st.sampled_from(sorted(ALPHABETS)),
    count=st.integers(1, 4),
    spread=st.sampled_from([0.0, 0.02]),
    width=st.sampled_from([np.pi, np.pi / 2, 0.3, 0.05]),
    seed=st.integers(0, 2**31),
)
def test_no_phases_have_more(name: str, count: int, spread: float, width: float, seed: int) -> None:
    """Whatever the states, the gaps' light and the phases in the sector: never above the form."""
    rng = np.random.default_rng(seed)
    alphabet = ALPHABETS[name]
    ratios = 1 + spread * rng.uniform(-1, 1, count) * (np.arange(count) > 0)
    own = np.abs(alphabet.values) * np.exp(1j * np.outer(ratios, np.angle(alphabet.values)))
    palette = Palette(alphabet, own if spread else alphabet.values[None])
    values = np.broadcast_to(palette.values, (count, alphabet.size))
    common = rng.normal(size=(1, 90)) + 1j * rng.normal(size=(1, 90))
    noise = rng.normal(size=(count, 90)) + 1j * rng.normal(size=(count, 90))
    backs = np.asarray(common + rng.choice([0.1, 1.0]) * noise)
    gaps = np.asarray(5 * (rng.normal(size=count) + 1j * rng.normal(size=count)))
    middle = float(rng.uniform(0, 2 * np.pi))
    shape = shape_of(palette, count)
    assert shape is not None
    form = form_of(list(backs), gaps, shape, middle, width)
    bound = form.bound(weighed(form))
    # weights that nobody looked for are a bound as well
    assert form.bound(rng.uniform(0, 50, count + 3)) >= bound * (1 - 1e-4)
    for _ in range(40):
        phases = middle + rng.choice([0.1, 3.0]) * rng.normal(size=count)
        off = np.angle(np.exp(1j * phases).sum()) - middle
        if abs(np.angle(np.exp(1j * off))) > width:
            phases -= off
        assert whole_of(backs, gaps, values, phases) <= bound * (1 + 1e-9)


def test_strokes_are_the_polygon() -> None:
    """Of even levels the shape's reach in any direction is the states'; else it is more."""
    turns = np.exp(2j * np.pi * np.arange(720) / 720)
    for name, alphabet in ALPHABETS.items():
        shape = shape_of(Palette(alphabet, alphabet.values[None]), 1)
        assert shape is not None
        reach = np.real(np.conj(turns) * shape.centre[0])
        along = np.conj(turns)[:, None] * shape.strokes[:, 0]
        reach += (np.abs(along) if shape.is_disc else np.abs(along.real)).sum(axis=1)
        own = np.real(np.conj(turns)[:, None] * alphabet.values).max(axis=1)
        assert np.all(reach >= own - 1e-12)
        if name in ("0/pi", "2 states 130 deg", "4 levels", "8 levels"):
            assert np.allclose(reach, own, atol=1e-12)


# --- designs -----------------------------------------------------------------------------------


def several_of(bench: tuple[str, str, str]) -> Several:
    launches = tuple(one.launch for one in scenes(*bench))
    return Several(launches, tuple(target_in(one) for one in scenes(*bench)))


def known_of(bench: tuple[str, str, str]) -> Robust:
    known = made(bench).robust
    assert known is not None
    return known


@pytest.mark.parametrize(
    "bench",
    [
        BENCHES[0],
        pytest.param(BENCHES[2], marks=pytest.mark.long),
        pytest.param(BENCHES[3], marks=pytest.mark.long),
        BENCHES[6],
    ],
)
def test_the_proof_gives_the_bound(bench: tuple[str, str, str]) -> None:
    """Of all phases at least F at the multipliers' own, and what each scenario allows at most."""
    known, several = known_of(bench), several_of(bench)
    assert known.bound is not None
    assert certified_mean(several, known.proof) ** 2 == pytest.approx(known.bound, rel=1e-9)
    single = certified_mean(several, replace(known.proof, sectors=np.zeros((0, 2))))
    assert known.bound <= single**2 * (1 + 1e-9)
    _, amplitudes = figures(bench, made(bench).states)
    assert np.mean(amplitudes) ** 2 <= known.bound * (1 + 1e-9)


@pytest.mark.parametrize("bench", [BENCHES[0], BENCHES[2], BENCHES[3], BENCHES[6]])
def test_turned_multipliers_prove_no_less(bench: tuple[str, str, str]) -> None:
    """F at other phases, from the same multipliers turned there, is below the bound of all."""
    known, several = known_of(bench), several_of(bench)
    joint = certified_mean(several, replace(known.proof, alone=()))
    rng = np.random.default_rng(3)
    for _ in range(20):
        turns = np.exp(1j * (rng.uniform(0, 7) + rng.choice([0.1, 1]) * rng.normal(size=5)))
        own = [mu * turn for mu, turn in zip(known.multipliers, turns, strict=False)]
        value = certified_sum(several.launches, several.palette, own) / len(own)
        assert value <= joint * (1 + 1e-9)


def test_the_bound_of_near_phases() -> None:
    """Above F by the cosine; not known where a phase is far from that of the multipliers."""
    bench = BENCHES[0]
    known, several = known_of(bench), several_of(bench)
    own = [
        np.angle(np.vdot(t, mu)) for t, mu in zip(several.vectors, known.multipliers, strict=True)
    ]
    whole = certified_sum(several.launches, several.palette, known.multipliers) / len(own)
    near = near_bound(several, known.proof, own)
    assert near is not None
    assert whole / np.cos(np.radians(NEAR_PHASES)) <= near * (1 + 1e-12)
    assert near < 1.03 * whole
    assert near_bound(several, known.proof, [own[0] + 1.6, *own[1:]]) is None


@pytest.mark.parametrize(
    "change",
    [
        {"purity": np.nan},
        {"purity": 1.5},
        {"sectors": np.array([[0.0, 0.1]])},
        {"sectors": np.array([[0.0, np.nan]])},
        {"sectors": np.zeros((0, 2))},
        {"weights": np.full((24, 8), np.nan)},
        {"weights": np.full((24, 8), -1.0)},
        {"weights": np.zeros((24, 8))},
        {"multipliers": np.nan},
        {"multipliers": 1e300},
        {"multipliers": 0.0},
    ],
)
def test_a_forged_proof_proves_nothing_more(change: dict[str, object]) -> None:
    known, several = known_of(BENCHES[0]), several_of(BENCHES[0])
    bound = certified_mean(several, replace(known.proof, alone=()))
    if "multipliers" in change:
        first, *rest = known.multipliers
        change = {"multipliers": (first * change["multipliers"], *rest)}
    if isinstance(change.get("weights"), np.ndarray):
        change = {"weights": np.broadcast_to(change["weights"][0, 0], known.proof.weights.shape)}
    with np.errstate(all="ignore"):
        forged = certified_mean(several, replace(known.proof, alone=(), **change))  # type: ignore[arg-type]
    assert forged > bound * (1 + 1e-6)


def test_a_forged_proof_of_one_scenario_proves_nothing() -> None:
    known, several = known_of(BENCHES[3]), several_of(BENCHES[3])
    assert known.proof.alone
    bare = replace(known.proof, sectors=np.zeros((0, 2)))
    assert np.isfinite(certified_mean(several, bare))
    first, *rest = known.proof.alone

    def with_first(alone: Alone) -> Joint:
        return replace(bare, alone=(alone, *rest))

    assert certified_mean(several, replace(bare, alone=tuple(rest))) == np.inf
    for forged in (
        replace(first, purity=np.nan),
        replace(first, purity=0.9999),
        replace(first, multipliers=first.multipliers * np.nan),
        replace(first, spans=first.spans + np.array([0, -1])),
    ):
        assert certified_mean(several, with_first(forged)) == np.inf


@pytest.mark.long
def test_masks_of_other_searches_stay_below() -> None:
    """Pure enough everywhere, whatever they were made for."""
    for bench in BENCHES:
        known = known_of(bench)
        assert known.bound is not None
        for kind in ("nominal", "simple", "robust"):
            purities, amplitudes = figures(bench, start_of(bench, kind))
            if min(purities) >= known.bound_purity:
                assert np.mean(amplitudes) ** 2 <= known.bound * (1 + 1e-9)
    assert problem_of(BENCHES[0]).purity == 0.93
