"""A design run: play order, and the same masks however many processes work."""

import itertools
import time
from typing import Any

import array_api_strict
import numpy as np
import pytest

from maskforge import bench as benches
from maskforge.base.device import CPU, Device
from maskforge.base.errors import BenchError
from maskforge.base.processes import Started
from maskforge.bench import Bench
from maskforge.bench.ready import Prepared, guided_basis, outlined, prepared, prepared_from
from maskforge.launch.couplings import predict
from maskforge.launch.modulator import emitted
from maskforge.methods.problem import Design, Problem
from maskforge.sets import chain as sets_chain
from maskforge.sets import designing
from maskforge.sets.designing import (
    LONGEST_CHAIN,
    PARTS,
    SHORTEST_PART,
    Finished,
    Make,
    Memory,
    as_taken,
    chains_of,
    designed_in,
    designers,
    finished_masks,
    keeping_beside,
    made_of_masks,
)


def tiny(**design: Any) -> Bench:
    """Six modes, 64 x 60 pixels."""
    return benches.from_dict(
        {
            "light": {"wavelength_nm": 1310.0, "waist_mm": 1.16},
            "modulator": {"pixels": [64, 60], "pitch_um": 60.0, "alphabet": "binary"},
            "lens": {"focal_length_mm": 8.0},
            "fiber": {"preset": "six-mode-graded"},
            "targets": {"labels": ["LP21", "LP01", "LP11"], "orientations": 2},
            "design": {"method": "ifta", "purity": 0.99, "seed": 5, **design},
        },
        "tiny",
    )


def test_any_number_of_processes_makes_the_same_set() -> None:
    """Byte for byte, in play order."""
    ready = prepared(tiny())
    alone = list(finished_masks(ready, jobs=1))
    shared = list(finished_masks(ready, jobs=2))
    assert [done.index for done in alone] == list(range(5))
    order = [(done.target.name, done.target.orientation) for done in alone]
    assert order == [("LP21", 0), ("LP21", 45), ("LP01", 0), ("LP11", 0), ("LP11", 90)]
    for one, other in zip(alone, shared, strict=True):
        assert one.design.states.dtype == other.design.states.dtype
        assert one.design.states.tobytes() == other.design.states.tobytes()
        assert (one.index, one.target.name) == (other.index, other.target.name)
        assert one.prediction.couplings.tobytes() == other.prediction.couplings.tobytes()
        assert one.design.status == other.design.status
    assert len({done.design.states.tobytes() for done in alone}) == 5


def test_processes_begin_before_the_bench_is_ready_and_no_more_than_have_a_chain() -> None:
    """Common practice, no source."""
    outline = outlined(tiny(method="simple"))
    with designers(outline, all_of, 16, None) as crew:
        assert isinstance(crew, Started)
        assert crew.count == 3
        ready = prepared_from(outline)
        made = list(made_of_masks(ready, all_of, jobs=crew))
    for one, other in zip(made, finished_masks(ready), strict=True):
        assert one.design.states.tobytes() == other.design.states.tobytes()
    data = benches.resolved(tiny(method="simple"))
    data["targets"]["labels"] = ["LP01"]
    with designers(outlined(benches.from_dict(data, "one")), all_of, 16, None) as alone:
        assert alone == 16


def all_of(_: Prepared) -> Make[Finished]:
    return itertools.chain.from_iterable


@pytest.mark.parametrize(
    ("labels", "order"),
    [
        ("all", ["LG0+0", "LG0+1", "LG0-1", "LG0+2", "LG0-2", "LG1+0"]),
        (["LG0-1", "LG1+0", "LG0+1"], ["LG0-1", "LG1+0", "LG0+1"]),
    ],
)
def test_vortices_are_played_by_groups(labels: str | list[str], order: list[str]) -> None:
    """Groups rising (2p + abs(l) + 1), the larger l of a group first, + before -; or as asked."""
    data = benches.resolved(tiny(method="simple"))
    data["targets"] = {"family": "lg", "labels": labels}
    ready = prepared(benches.from_dict(data, "vortices"))
    made = list(finished_masks(ready))
    assert [done.target.name for done in made] == order
    assert [done.index for done in made] == list(range(len(order)))


def test_the_prediction_is_the_full_models() -> None:
    ready = prepared(tiny(method="simple"))
    for done in finished_masks(ready):
        factors = emitted(ready.launch.modulator, done.design.states)
        again = predict(ready.launch, done.target, factors)
        assert np.array_equal(done.prediction.couplings, again.couplings)
        assert done.design.method == "simple"


def test_the_benchs_settings_arrive() -> None:
    """Another seed gives another mask, a given amplitude the efficiency that belongs to it."""
    first = next(iter(finished_masks(prepared(tiny()))))
    other = next(iter(finished_masks(prepared(tiny(seed=6)))))
    assert not np.array_equal(first.design.states, other.design.states)
    strong, weak = (
        next(iter(finished_masks(prepared(tiny(amplitude=amplitude))))).prediction.efficiency
        for amplitude in (0.8, 0.4)
    )
    # the search ends when it stagnates, with the field some 10 % off in amplitude, 20 % in power
    assert weak / strong == pytest.approx(0.25, rel=0.2)


def test_the_basis_of_a_bench() -> None:
    """The six-mode fibre guides 6 fields in 4 labels; DESIGN's word list."""
    basis = guided_basis(tiny())
    assert len(basis) == 6
    assert {mode.label for mode in basis} == {"LP01", "LP11", "LP21", "LP02"}


def chains(offset: list[float], orientations: int, labels: list[str]) -> list[range]:
    data = benches.resolved(tiny(method="simple"))
    data["light"] |= {"offset_mm": offset}
    data["targets"] = {"labels": labels, "orientations": orientations}
    return chains_of(prepared(benches.from_dict(data, "chains")))


@pytest.mark.parametrize("orientations", [1, 2, 15, 20, 41])
def test_a_long_run_ends_with_short_chains(orientations: int) -> None:
    """In play order and of one label each; a twelfth at most of what is left, or three."""
    labels = ["LP21", "LP01", "LP11", "LP02"]
    found = chains([0.1, 0.2], orientations, labels)
    total = 2 + 2 * orientations
    assert [index for chain in found for index in chain] == list(range(total))
    starts = {0, orientations, orientations + 1, 2 * orientations + 1}
    assert starts <= {chain[0] for chain in found}
    for chain in found:
        left = total - max(start for start in starts if start <= chain[0])
        most = max(SHORTEST_PART, -(-left // PARTS)) if total > 40 else LONGEST_CHAIN
        assert len(chain) <= min(most, LONGEST_CHAIN)
    # a first mask is dear: none stands alone that need not
    assert total <= 40 or all(len(chain) > 1 or chain[0] in starts for chain in found)


def test_what_symmetry_copies_stays_together() -> None:
    found = chains([0.0, 0.0], 24, ["LP21", "LP11"])
    assert [len(chain) for chain in found] == [12, 12, 12, 12]


def square(orientations: int, labels: list[str]) -> Prepared:
    """A bench that quarter turns and mirrors leave as it is."""
    data = benches.resolved(tiny(method="simple"))
    data["modulator"] |= {"pixels": [64, 64], "panel": [64, 64]}
    data["targets"] = {"labels": labels, "orientations": orientations}
    return prepared(benches.from_dict(data, "square"))


def test_as_many_masks_of_a_chain_are_designed_as_are_told(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Eight of LP11, 22.5 deg apart, are three and images; of LP21, 11.25 deg apart, five.

    Counted by hand from the symmetries of a square.
    """
    ready, made = square(8, ["LP11", "LP21", "LP01"]), list[str]()
    whole = sets_chain._design

    def seen(ready: Prepared, problem: Problem, *more: Any) -> Design:
        made.append(problem.target.name)
        return whole(ready, problem, *more)

    monkeypatch.setattr(sets_chain, "_design", seen)
    assert len(list(finished_masks(ready))) == 17
    told = [designed_in(ready, chain) for chain in chains_of(ready)]
    assert told == [made.count("LP11"), made.count("LP21"), made.count("LP01")] == [3, 5, 1]


@pytest.mark.parametrize("jobs", [1, 2, 8])
def test_of_the_last_chains_processes_take_the_longest_first(jobs: int) -> None:
    """Common practice, no source."""
    ready = square(8, ["LP01", "LP11", "LP02", "LP21"])
    whole = 3 * chains_of(ready)
    taken = list(as_taken(ready, whole, jobs))
    assert taken[:8] == whole[:8]
    assert [designed_in(ready, chain) for chain in taken[8:]] == [5, 3, 1, 1]
    assert list(as_taken(ready, whole[:2], jobs)) == whole[:2]


def test_what_processes_take_in_another_order_is_played_as_asked(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    ready = square(4, ["LP01", "LP11", "LP02", "LP21"])
    monkeypatch.setattr(designing, "as_taken", lambda ready, chains, jobs: [*reversed(chains)])
    shared = list(finished_masks(ready, jobs=2))
    assert [done.index for done in shared] == list(range(10))
    for one, other in zip(finished_masks(ready), shared, strict=True):
        np.testing.assert_array_equal(one.design.states, other.design.states)


def test_what_a_journal_knows_stands_between_what_is_made_on_a_gpu(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """With arrays of the standard for the GPU's, common practice, no source."""
    strict = Device("strict", array_api_strict)
    monkeypatch.setattr("maskforge.bench.ready.device_of", lambda *_: strict)
    ready = prepared(tiny(method="dual"))
    whole, kept = list(finished_masks(ready)), list[range]()
    assert [mask.index for mask in whole] == list(range(5))
    first, known, last = chains_of(ready)
    memory = Memory(
        frozenset([known]),
        lambda chain: whole[chain[0] : chain[-1] + 1],
        lambda *one: kept.append(one[0]),
    )
    again = list(finished_masks(ready, memory=memory))
    assert kept == [first, last]
    for mask, other in zip(again, whole, strict=True):
        assert mask.index == other.index
        np.testing.assert_array_equal(mask.design.states, other.design.states)


@pytest.mark.parametrize("jobs", [0, -3])
def test_no_process_makes_nothing(jobs: int) -> None:
    with pytest.raises(BenchError, match=f"^jobs = {jobs}: at least 1"):
        list(finished_masks(prepared(tiny(method="simple")), jobs=jobs))


@pytest.mark.parametrize("device", [CPU, Device("strict", None)])
def test_chains_are_kept_when_the_block_ends(device: Device) -> None:
    """Common practice, no source."""
    kept: list[range] = []

    def keep(chain: range, masks: object) -> None:
        time.sleep(0.02)
        kept.append(chain)

    with keeping_beside(device, keep) as own:
        assert own is not None
        own(range(3), [])
        own(range(3, 5), [])
    assert kept == [range(3), range(3, 5)]
    with keeping_beside(device, None) as nothing:
        assert nothing is None
