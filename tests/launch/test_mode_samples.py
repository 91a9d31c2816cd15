"""Modes held in parts are the modes, but for what lies beyond their reach."""

import numpy as np
import pytest

from maskforge import bench as benches
from maskforge.bench.ready import guided_basis
from maskforge.launch import mode_samples as module
from maskforge.launch.basis import Basis, sampled
from maskforge.launch.mode_samples import facet_axis, farthest_reach, mode_samples

TAIL = 1e-7


def basis_and_samples() -> tuple[Basis, np.ndarray]:
    basis = guided_basis(benches.load("gi50-1550"))
    return basis, facet_axis(basis, 2e-6, TAIL)


@pytest.mark.parametrize(("worth", "parts"), [(0.5, 1), (1.0, 2)])
def test_sums_over_modes_and_over_samples(
    worth: float, parts: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each mode lacks the root of TAIL of its length at most, and the sums with it."""
    monkeypatch.setattr(module, "WORTH", worth)
    basis, u = basis_and_samples()
    held = mode_samples(basis, u, TAIL)
    assert len(held.parts) == parts
    whole = sampled(basis, u, u)
    step = u[1] - u[0]
    for (inner, values), mode in zip(held.each(), whole, strict=True):
        assert np.array_equal(values, mode[inner])
        missing = np.sum(mode**2) - np.sum(values**2)
        assert missing * step**2 < 2 * TAIL
    rng = np.random.default_rng(1)
    field = rng.normal(size=whole.shape[1:]) + 1j * rng.normal(size=whole.shape[1:])
    vector = rng.normal(size=len(basis)) + 1j * rng.normal(size=len(basis))
    found, mixed = held.overlaps(field), held.mixed(vector)
    assert np.vdot(vector, found) == pytest.approx(np.vdot(mixed, field), rel=1e-12)
    longest = np.sqrt(2 * TAIL) / step if parts > 1 else 1e-9
    assert np.all(np.abs(found - np.tensordot(whole, field, axes=2)) < 6 * longest)
    apart = np.linalg.norm(mixed - np.tensordot(vector, whole, axes=1))
    assert apart < longest * np.abs(vector).sum()


def test_the_farthest_reach_is_the_largest_of_all() -> None:
    """Of each mode by itself, from fibres of few and of many modes."""
    for name in ("few-mode-1310", "gi50-1550"):
        basis = guided_basis(benches.load(name))
        for tail in (1e-11, 1e-7, 1e-3):
            every = [mode.radial.field.radius_enclosing(tail) for mode in basis]
            assert farthest_reach(basis, tail) == pytest.approx(max(every), rel=1e-11)
