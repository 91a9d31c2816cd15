"""Which key of a set's bench was another one when its pixels were made."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from maskforge.errors import BenchError
from maskforge.handoff.claims import Claims, mode_keys
from maskforge.handoff.rebuilding import bench_keys, bench_of, launch_of
from maskforge.handoff.suspicion import SAME
from maskforge.launch import couplings
from maskforge.modulator import Complex, Levels, emitted
from maskforge.run import guided_basis

SCANNED = (("light", "wavelength_nm"), ("lens", "focal_length_mm"), ("light", "waist_mm"))

REACH, GRID = 0.2, 11
"""The scan's values: a fifth up and down, 4 % apart.  The nearest one is within 2 %, which moves
the edge of a core, some 10 finest details of a mask wide, by a fifth of a detail."""

STEPS, GAIN = 10, 0.7
"""Gauss-Newton steps from the best value.  They converge quadratically where the key is the right
one; where what is missed does not shrink to GAIN of it at a step, it is not."""

SLOPE_STEP = 1e-6
"""Relative step of the difference quotient: rounding and curvature both cost some 1e-6 of it."""


@dataclass(frozen=True, eq=False)
class Sample:
    """A mask's states, and the couplings (the manifest's modes) that the set says it has."""

    states: Levels
    stated: Complex


def edited_key(claims: Claims, samples: Sequence[Sample]) -> str | None:
    """The key, its value now and the value at which the samples launch what the set says."""
    keys = bench_keys(claims.written)
    for section, key in SCANNED:
        value = keys.get(section, {}).get(key)
        if not isinstance(value, int | float):
            continue
        found = _exact(claims, samples, (section, key), float(value))
        if found is not None:
            return f"[{section}] {key} = {found:.6g} instead of {value:.9g}"
    return None


def _exact(
    claims: Claims, samples: Sequence[Sample], at: tuple[str, str], value: float
) -> float | None:
    """The value of one key at which all couplings agree within SAME."""
    grid = np.linspace(1 - REACH, 1 + REACH, GRID)
    misses = [_size(_missed(claims, samples, at, value * share)) for share in grid]
    share, before = float(grid[int(np.argmin(misses))]), np.inf
    for _ in range(STEPS):
        here = _missed(claims, samples, at, value * share)
        if here is not None and np.max(np.abs(here)) <= SAME:
            return value * share
        if here is None or not _size(here) < GAIN * before:
            break
        beside = _missed(claims, samples, at, value * (share + SLOPE_STEP))
        if beside is None:
            break
        slope, before = (beside - here) / SLOPE_STEP, _size(here)
        step = -float(np.real(np.vdot(slope, here)) / np.real(np.vdot(slope, slope)))
        share = float(np.clip(share + step, 1 - REACH, 1 + REACH))
    return None


def _size(missed: Complex | None) -> float:
    return np.inf if missed is None else float(np.linalg.norm(missed))


def _missed(
    claims: Claims, samples: Sequence[Sample], at: tuple[str, str], value: float
) -> Complex | None:
    """Couplings of the samples less the stated ones; None where the bench has other modes."""
    section, key = at
    keys: Mapping[str, Any] = bench_keys(claims.written)
    try:
        bench = bench_of(claims.written, {**keys, section: {**keys[section], key: value}})
        place_of = {(mode.label, mode.part): mode.index for mode in guided_basis(bench)}
        names = mode_keys(claims.written)
        if set(names) != set(place_of):
            return None
        launch = launch_of(bench)
    except BenchError:
        return None
    order = [place_of[name] for name in names]
    return np.concatenate(
        [
            couplings(launch, emitted(launch.modulator, one.states))[order] - one.stated
            for one in samples
        ]
    )
