"""The methods side by side: one bound for all, and what the fibre keeps of the far field."""

from dataclasses import replace
from functools import cache
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
import pytest
from benches import MODE_WAIST, parabola
from scipy.special import eval_genlaguerre
from threadpoolctl import threadpool_limits

from maskforge import bench as benches
from maskforge.base.errors import BenchError
from maskforge.bench import Bench
from maskforge.bench.ready import Prepared
from maskforge.launch.basis import sampled
from maskforge.launch.couplings import facet_field, predict
from maskforge.launch.fourier import axis
from maskforge.launch.modulator import emitted
from maskforge.methods.by_name import design
from maskforge.methods.problem import Problem
from maskforge.study import comparison
from maskforge.study.comparison import ComparedMask
from tests.commands import SIX_MODES, changed

METHODS = ("simple", "ifta", "dual")


def tiny(name: str = "tiny", **changes: dict[str, Any]) -> Bench:
    return benches.from_dict(changed(SIX_MODES, **changes), name)


@cache
def ready() -> tuple[Prepared, ...]:
    return comparison.entrants([tiny()])


@cache
def entries() -> tuple[ComparedMask, ...]:
    """Of all methods, the first and the last target's masks kept."""
    found = comparison.compared(ready(), METHODS, {(0, 0), (0, 3)})
    return tuple(entry for target in found for entry in target)


# --- what the fibre keeps --------------------------------------------------------------------


def test_a_kept_mode_is_the_laguerre_gauss_field() -> None:
    """Of a deep parabola: Siegman, Lasers (1986), sec. 16.4, eq. 64, here written out."""
    _, basis = parabola(5)
    (mode,) = (m for m in basis if (m.label, m.part) == ("LP22", "sin"))
    u, v = np.linspace(-20e-6, 20e-6, 41), np.linspace(-15e-6, 18e-6, 37)
    couplings = np.zeros(len(basis), complex)
    couplings[mode.index] = 0.6j
    found = comparison.kept_field(basis, couplings, u, v)
    r, theta = np.hypot(u, v[:, None]), np.arctan2(v[:, None], u)
    x = 2 * r**2 / MODE_WAIST**2
    radial = 2 / MODE_WAIST * np.sqrt(1 / 6) * x * np.exp(-x / 2) * eval_genlaguerre(1, 2, x)
    shape = radial * np.sin(2 * theta) / np.sqrt(np.pi)
    sign = np.sign(np.sum(found.imag * shape))
    np.testing.assert_allclose(found, 0.6j * sign * shape, atol=1e-6 * np.abs(shape).max())


def test_what_is_kept_is_the_projection_of_the_far_field_on_the_guided_modes() -> None:
    """By sums over the facet: its overlap with every mode is the far field's, and its power what
    the couplings say; projected again it stays."""
    launch = ready()[0].launch
    (entry,) = (e for e in entries() if e.mask.method == "simple" and e.target.name == "LP01")
    assert entry.states is not None
    u = axis(241, 8 * launch.core_radius / 240)
    area = (u[1] - u[0]) ** 2
    far = facet_field(launch, emitted(launch.modulator, entry.states), u, u)
    kept = comparison.kept_field(launch.basis, entry.couplings, u, u)
    modes = sampled(launch.basis, u, u)
    of_far, of_kept = (area * np.tensordot(modes, field, axes=2) for field in (far, kept))
    np.testing.assert_allclose(of_far, entry.couplings, atol=2e-5)
    np.testing.assert_allclose(of_kept, entry.couplings, atol=2e-5)
    power = area * np.sum(np.abs(kept) ** 2)
    assert power == pytest.approx(np.sum(np.abs(entry.couplings) ** 2), rel=1e-5)
    assert power < area * np.sum(np.abs(far) ** 2) < 1
    again = comparison.kept_field(launch.basis, of_kept, u, u)
    np.testing.assert_allclose(again, kept, atol=1e-4 * np.abs(kept).max())


# --- entries ---------------------------------------------------------------------------------


def test_every_target_by_every_method_in_order() -> None:
    """One orientation each, whatever the bench asks for."""
    names = [
        (entry.target.name, entry.target.orientation, entry.mask.method) for entry in entries()
    ]
    labels = ("LP01", "LP11", "LP02", "LP21")
    assert names == [(label, 0.0, method) for label in labels for method in METHODS]
    assert {entry.bench for entry in entries()} == {"tiny"}


def test_an_entry_is_the_design_under_the_full_prediction() -> None:
    launch = ready()[0].launch
    for entry in entries():
        with threadpool_limits(1):
            made = design(Problem(launch, entry.target, 0.99), entry.mask.method)
        found = predict(launch, entry.target, emitted(launch.modulator, made.states))
        assert (entry.mask.purity, entry.mask.group_purity, entry.mask.efficiency) == pytest.approx(
            (found.purity, found.group_purity, found.efficiency), rel=1e-9
        )
        assert entry.mask.purity <= entry.mask.group_purity * (1 + 1e-12)
        assert (entry.mask.reached, entry.mask.status) == (made.reached, made.status)


def test_only_the_masks_to_be_shown_are_kept() -> None:
    for entry in entries():
        assert (entry.states is not None) == (entry.target.name in ("LP01", "LP21"))


def test_all_methods_are_held_against_one_bound() -> None:
    """No mask that is as pure as asked launches more, and a less pure one has no gap."""
    for label in ("LP01", "LP11", "LP02", "LP21"):
        own = [entry for entry in entries() if entry.target.name == label]
        assert len({(entry.mask.bound, entry.mask.bound_purity) for entry in own}) == 1
        for entry in own:
            assert entry.mask.bound is not None
            if entry.mask.purity < 0.99:
                assert entry.mask.gap is None
            else:
                assert entry.mask.gap == pytest.approx(
                    1 - entry.mask.efficiency / entry.mask.bound, abs=1e-12
                )
                assert entry.mask.gap >= -1e-9
    assert any(entry.mask.gap is None for entry in entries() if entry.mask.method == "simple")
    assert any(entry.mask.gap is not None for entry in entries() if entry.mask.method == "simple")


def test_the_bound_does_not_need_the_certified_method() -> None:
    """The quick bound lies a little above the design's (see `quick_bound`), and above every
    mask."""
    found = [e for target in comparison.compared(ready(), ("simple",)) for e in target]
    certified = {e.target.name: e.mask.bound for e in entries()}
    for entry in found:
        assert entry.mask.bound == pytest.approx(certified[entry.target.name], rel=0.01)
        assert entry.mask.gap is None or entry.mask.gap >= -1e-9


@pytest.mark.parametrize("methods", [("simple",), ("simple", "dual")])
def test_with_crosstalk_the_bound_holds(methods: tuple[str, ...]) -> None:
    """For blurred phases, which lie between the states' on the circle."""
    bench = tiny(modulator={"crosstalk_px": 0.3}, targets={"labels": ["LP11"]})
    (found,) = comparison.compared(comparison.entrants([bench]), methods)
    for entry in found:
        assert entry.mask.efficiency <= entry.mask.bound < 1
        assert entry.mask.gap is None or entry.mask.gap >= 0


def test_what_cannot_be_had_is_told_beside_what_is_designed() -> None:
    """States 40 deg apart on the axis: most of the light cannot be taken off LP01."""
    bench = tiny(modulator={"phase_step_deg": 40.0}, targets={"labels": ["LP21"]})
    (found,) = comparison.compared(comparison.entrants([bench]), ("simple", "dual"))
    for entry in found:
        assert entry.mask.bound_asked == 0
        assert entry.mask.bound_purity < 0.99
        assert entry.mask.bound > 0
    (alone,) = comparison.compared(comparison.entrants([bench]), ("simple",))
    assert (alone[0].mask.bound, alone[0].mask.bound_purity, alone[0].mask.gap) == (0, 0.99, None)


@pytest.mark.long
def test_any_number_of_processes_finds_the_same() -> None:
    """On two benches, bench after bench, to the last digit."""
    given = comparison.entrants(
        [
            tiny(targets={"labels": ["LP21", "LP01"]}),
            tiny("other", modulator={"alphabet": "levels", "levels": 4}, targets={"labels": "all"}),
        ]
    )
    alone = list(comparison.compared(given, ("simple", "dual"), {(1, 2)}, jobs=1))
    shared = list(comparison.compared(given, ("simple", "dual"), {(1, 2)}, jobs=2))
    assert [(own[0].bench, own[0].target.name) for own in alone] == [
        ("tiny", "LP21"),
        ("tiny", "LP01"),
        *(("other", label) for label in ("LP01", "LP11", "LP02", "LP21")),
    ]
    assert len(alone) == len(shared)
    for one, other in zip(sum(alone, ()), sum(shared, ()), strict=True):
        assert (one.bench, one.target.name) == (other.bench, other.target.name)
        assert one.couplings.tobytes() == other.couplings.tobytes()
        assert one.mask == other.mask
        assert (one.states is None) == (other.states is None)


# --- what is compared ------------------------------------------------------------------------


def test_a_bench_is_compared_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """By its file, whatever the path; files of the same name are told apart."""
    monkeypatch.chdir(tmp_path)
    text = benches.preset_text("few-mode-1310")
    for folder in ("a", "b"):
        Path(folder).mkdir()
        Path(folder, "x.toml").write_text(text)
    first, second = (benches.load(f"{folder}/x.toml") for folder in "ab")
    assert comparison.names_of(comparison.entrants([first, second])) == ("a/x.toml", "b/x.toml")
    assert comparison.names_of(comparison.entrants([first])) == ("x",)
    with pytest.raises(BenchError, match=r"^a/\.\./a/x\.toml: given twice"):
        comparison.entrants([first, second, benches.load("a/../a/x.toml")])


def test_a_preset_is_not_the_file_of_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("few-mode-1310.toml").write_text(benches.preset_text("few-mode-1310"))
    given = [benches.load(name) for name in ("few-mode-1310", "few-mode-1310.toml")]
    names = comparison.names_of(comparison.entrants(given))
    assert names == ("few-mode-1310", "few-mode-1310.toml")


def test_what_only_one_method_knows_of_is_left_out() -> None:
    """Several wavelengths, and places of the fibre: the middle one and the centre stay."""
    robust = tiny(
        light={"wavelength_nm": [1300.0, 1310.0, 1320.0]}, design={"fiber_offset_um": [0.5, 0.5]}
    )
    (found,) = comparison.entrants([robust])
    assert found.bench.light.wavelengths_nm == (1310.0,)
    assert found.bench.design.fiber_offset_um == (0.0, 0.0)
    plain = ready()[0]
    assert np.array_equal(found.launch.incident, plain.launch.incident)
    assert np.array_equal(found.launch.kernel, plain.launch.kernel)


def test_other_families_have_no_orientations() -> None:
    (found,) = comparison.entrants([tiny(targets={"family": "lg", "orientations": None})])
    assert {target.name for target in found.targets} >= {"LG0+1", "LG0-1"}


@pytest.mark.parametrize(
    ("count", "most", "kept"),
    [
        (4, 6, (0, 1, 2, 3)),
        (25, 3, (0, 12, 24)),
        (25, 6, (0, 5, 10, 14, 19, 24)),
        (7, 7, tuple(range(7))),
        (9, 1, (0,)),
        (1, 3, (0,)),
    ],
)
def test_spread(count: int, most: int, kept: tuple[int, ...]) -> None:
    assert comparison.evenly(count, most) == kept


# --- summary ---------------------------------------------------------------------------------


def test_standings() -> None:
    """Counted here once more from the entries."""
    found = comparison.standings(entries())
    assert [(one.bench, one.method) for one in found] == [("tiny", method) for method in METHODS]
    for one in found:
        own = [entry for entry in entries() if entry.mask.method == one.method]
        purities = np.array([entry.mask.purity for entry in own])
        assert one.count == 4
        assert one.worst == (own[int(purities.argmin())].target.name, purities.min())
        assert one.median == pytest.approx(np.median(purities))
        assert one.worst_group[1] == min(entry.mask.group_purity for entry in own)
        assert one.median_loss == pytest.approx(
            np.median([-10 * np.log10(entry.mask.efficiency) for entry in own])
        )
        assert one.pure == tuple(e.target.name for e in own if e.mask.purity >= 0.99)
        assert set(one.pure) <= set(one.group_pure)
        assert one.enough == bool(np.all(purities >= 0.99))
    simple, _, dual = found
    assert not simple.enough
    assert len(simple.pure) < len(dual.pure)
    gaps = [e.mask.gap for e in entries() if e.mask.method == "dual" and e.mask.gap is not None]
    assert dual.median_gap == pytest.approx(median(gaps))


def test_standings_of_benches_that_ask_for_different_purities() -> None:
    """Each by its own."""
    least = min(entry.mask.purity for entry in entries())
    other = [replace(entry, bench="b", asked=least) for entry in entries()]
    found = comparison.standings([*entries(), *other])
    assert [one.bench for one in found] == ["tiny"] * 3 + ["b"] * 3
    assert all(one.enough for one in found if one.bench == "b")
