"""A simulated device behind the fibre, known in all parts: everything it gives is invented data.

A splitter of mode groups, as in a patch cord or connector under test: port A passes the low groups,
port B the high ones, and each field of a label a little differently.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import expm

from maskforge.base.csv_text import csv_text
from maskforge.base.safety import MARK
from maskforge.launch.basis import Basis, groups_of
from maskforge.launch.light import Complex, Real
from maskforge.sweep.launched import Launched

PORTS = ("A", "B")

LOSS = 0.8
"""Of what is launched, what arrives at all."""

STEEPNESS = 1.2
"""Groups over which the ports change places by a factor of 10."""

DEPENDENCE = 0.05
"""Of a label's transmission on the orientation, opposite at the two ports."""

MIXING = 0.005
"""Amplitude that the device moves from any mode to any other; standard deviation."""

ROWS = 4096
"""Readings computed at a time."""


@dataclass(frozen=True, eq=False)
class Splitter:
    """`response` (ports, K, K), real, symmetric, not negative: power at a port is c^H R c."""

    ports: tuple[str, ...]
    response: Real


@dataclass(frozen=True)
class DeviceDisturbance:
    """What else is in the readings.

    `turn` of the device in degrees an hour; `fade`, the share of the light lost in an hour;
    `noise`, relative standard deviation; `floor` in mW, standard deviation of the detector's own.
    """

    turn: float = 0.0
    fade: float = 0.0
    noise: float = 0.0
    floor: float = 0.0


def splitter(
    basis: Basis,
    *,
    middle: float | None = None,
    steepness: float = STEEPNESS,
    dependence: float = DEPENDENCE,
    mixing: float = MIXING,
    seed: int = 0,
) -> Splitter:
    """Port A passes groups below `middle` (None: that of all), port B those above it.

    `mixing`, by chance, also makes labels interfere, which no de-embedding by labels knows of.
    """
    groups = groups_of(basis)
    middle = (groups.min() + groups.max()) / 2 if middle is None else middle
    ratio = 10 ** ((groups - middle) / steepness)
    passed = LOSS * np.stack([1 / (1 + ratio), ratio / (1 + ratio)])
    response = np.stack([np.diag(one) for one in passed])
    sines = {mode.label: mode.index for mode in basis if mode.part == "sin"}
    for mode in basis:
        if mode.part != "cos":
            continue
        pair = [mode.index, sines[mode.label]]
        # each label has its own best orientation
        angle = 1.0 + mode.index
        lobe = np.array([[np.cos(angle), np.sin(angle)], [np.sin(angle), -np.cos(angle)]])
        for port, sign in enumerate((1, -1)):
            response[port][np.ix_(pair, pair)] += sign * dependence * passed[port][pair[0]] * lobe
    chance = np.random.default_rng(seed).standard_normal((len(basis), len(basis)))
    mixed = expm(mixing * (chance - chance.T) / np.sqrt(2))
    return Splitter(PORTS, mixed @ response @ mixed.T)


def transmissions(device: Splitter) -> Real:
    """Of each mode (K, ports): the share of it that arrives."""
    return np.diagonal(device.response, axis1=1, axis2=2).T


def powers(device: Splitter, couplings: Complex) -> Real:
    """Power (n, ports) of launches with `couplings` (n, K)."""
    return np.stack(
        [np.sum((couplings @ r) * couplings.conj(), axis=1).real for r in device.response], axis=1
    )


def turned(basis: Basis, couplings: Complex, angles: Real) -> Complex:
    """Couplings (n, K), each seen by a device that is turned by `angles` (n,) in rad."""
    out = couplings.copy()
    sines = {mode.label: mode.index for mode in basis if mode.part == "sin"}
    for mode in basis:
        if mode.part == "cos":
            one, other = mode.index, sines[mode.label]
            cos, sin = np.cos(mode.l * angles), np.sin(mode.l * angles)
            out[:, one] = cos * couplings[:, one] + sin * couplings[:, other]
            out[:, other] = cos * couplings[:, other] - sin * couplings[:, one]
    return out


def swept(
    device: Splitter,
    launched: Launched,
    shown: NDArray[np.intp],
    times: Real,
    disturbance: DeviceDisturbance,
    seed: int,
) -> Iterator[Real]:
    """Readings (n, ports) in mW, ROWS at a time, of the masks `shown` (n,) at `times` (n,) in s.

    The same seed gives the same; a reading that noise makes negative is 0.
    """
    chance = np.random.default_rng(seed)
    beam = launched.power_mw or 1.0
    for start in range(0, len(shown), ROWS):
        rows = slice(start, start + ROWS)
        hours = times[rows] / 3600
        angles = np.deg2rad(disturbance.turn * hours)
        seen = turned(launched.basis, launched.couplings[shown[rows]], angles)
        clean = beam * np.maximum(1 - disturbance.fade * hours, 0.0)[:, None]
        clean = clean * powers(device, seen)
        noise, floor = chance.standard_normal((2, *clean.shape))
        found = clean * (1 + disturbance.noise * noise) + disturbance.floor * floor
        yield np.maximum(found, 0.0)


def readings_text(
    device: Splitter, key: str, numbers: NDArray[np.intp], times: Real, read: Iterator[Real]
) -> str:
    """The readings as CSV; the first line says that they are invented.

    `key`: the column of the `numbers` (n,), as `table` reads it.
    """
    header = f"time_s,{key}," + ",".join(f"{port}_mw" for port in device.ports)
    lines = [f"{MARK}: a splitter of mode groups", header]
    start = 0
    for part in read:
        rows = zip(
            times[start : start + len(part)].tolist(),
            numbers[start : start + len(part)].tolist(),
            part.tolist(),
            strict=True,
        )
        lines += [
            f"{time:.9g},{number}," + ",".join(f"{power:.7g}" for power in line)
            for time, number, line in rows
        ]
        start += len(part)
    return "\n".join(lines) + "\n"


def truth_text(device: Splitter, basis: Basis) -> str:
    """What each label passes to each port, as CSV: the mean of its modes, a share of 1."""
    shares = transmissions(device)
    labels = dict.fromkeys(mode.label for mode in basis)
    rows = []
    for label in labels:
        own = [mode.index for mode in basis if mode.label == label]
        rows.append([label, basis[own[0]].group, *shares[own].mean(axis=0).tolist()])
    return f"{MARK}\n" + csv_text(["label", "group", *device.ports], rows)
