"""Launches and readings of no set; invented figures."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from maskforge.launch.basis import Basis
from maskforge.launch.light import Real
from maskforge.launch.targets import all_targets
from maskforge.sweep.launched import Label, Launched
from maskforge.sweep.passes import SweepReadings, pass_numbers
from maskforge.sweep.simulate import DeviceDisturbance, Splitter, swept
from tests.benches import parabola


def launches(groups: int, orientations: int, unwanted: float = 0.0, seed: int = 0) -> Launched:
    """Every label of a parabola's first groups in so many orientations, efficiencies 0.2 to 0.6;
    beside the target a share `unwanted` of the power in all modes by chance."""
    _, basis = parabola(groups)
    targets = all_targets(basis, None, orientations)
    chance = np.random.default_rng(seed)
    shape = len(targets), len(basis)
    other = chance.standard_normal(shape) + 1j * chance.standard_normal(shape)
    wanted = np.array([target.vector for target in targets])
    other -= wanted * np.sum(other * wanted, axis=1, keepdims=True)
    other *= np.sqrt(unwanted) / np.maximum(np.linalg.norm(other, axis=1, keepdims=True), 1e-9)
    efficiency = chance.uniform(0.2, 0.6, len(targets))
    return Launched(
        basis=basis,
        labels=_labels(basis, orientations),
        couplings=np.sqrt(efficiency)[:, None] * (wanted + other),
        efficiency=efficiency,
        power_mw=1.0,
    )


def _labels(basis: Basis, orientations: int) -> tuple[Label, ...]:
    found, first = [], 0
    for mode in basis:
        if mode.part == "sin":
            continue
        count = orientations if mode.l else 1
        masks = np.arange(first, first + count)
        turns = 2 * np.pi * np.arange(count) / count
        modes = 2 if mode.l else 1
        found.append(Label(mode.label, mode.l, mode.group, modes, masks, turns))
        first += count
    return tuple(found)


def diagonal(basis: Basis, shares: Sequence[Sequence[float]]) -> Splitter:
    """A device that passes group g by `shares[port][g - 1]`, and mixes nothing."""
    rows = [np.diag([row[mode.group - 1] for mode in basis]) for row in shares]
    return Splitter(("A", "B")[: len(rows)], np.array(rows))


def readings(
    device: Splitter,
    launched: Launched,
    passes: int,
    *,
    apart: float = 0.03,
    disturbance: DeviceDisturbance | None = None,
) -> SweepReadings:
    """A sweep of the masks in their order, `apart` s from one to the next."""
    count = len(launched.efficiency)
    shown = np.tile(np.arange(count), passes)
    times = np.arange(shown.size) * apart
    power = np.concatenate(
        list(swept(device, launched, shown, times, disturbance or DeviceDisturbance(), 1))
    )
    return gathered(shown, times, power, device.ports)


def gathered(
    shown: np.ndarray, times: Real, power: Real, ports: Sequence[str] = ("A", "B")
) -> SweepReadings:
    mask = shown.astype(np.int32)
    return SweepReadings(
        path=Path("invented.csv"),
        ports=tuple(ports),
        time=times,
        mask=mask,
        run=pass_numbers(mask, np.zeros(mask.size, dtype=bool)),
        power=power,
        rows=mask.size,
        bad=0,
        named=(),
        ignored=(),
        against="",
        invented=True,
    )
