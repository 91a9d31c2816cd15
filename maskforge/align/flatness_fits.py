"""The fit of sub-apertures that interfere: a phase at each place, then Zernike coefficients."""

from dataclasses import replace

import numpy as np

from maskforge.align.fit import FitResult, Wavefront, column
from maskforge.align.order_fits import WIDER, Case, case_of, zernike_signal, zernike_values
from maskforge.align.panel_steps import zernike_radius
from maskforge.align.readings import Readings
from maskforge.align.regression import solve
from maskforge.align.stack import Stack
from maskforge.base.errors import BenchError
from maskforge.launch.light import Real, zernike

NOLL = tuple(range(2, 12))
"""Tilt to spherical aberration."""

NEIGHBOURS = 4
"""Places already unwrapped that the next one is compared with."""

SPARE = 2
"""Places more than coefficients, at least; what is not sought spoils what is."""

MUCH = 0.1
"""Waves: of a coefficient."""


def flatness(stack: Stack, readings: Readings) -> FitResult:
    """Coefficients of the light from the phases of the sub-apertures."""
    case = case_of(stack, readings)
    x, y, phase, weight = phases(case)
    if phase.size < SPARE + 2:
        raise BenchError(
            f"{phase.size} places have readings of all their four frames; at least {SPARE + 2} are "
            "needed"
        )
    terms = NOLL[: phase.size - SPARE]
    turns = unwrapped(x, y, phase) / (2 * np.pi)
    start = _coefficients(case, x, y, turns, weight, terms)
    signal = zernike_signal(case, terms)
    scales = [*[MUCH] * len(terms), WIDER]
    solution = solve(readings, signal, [[*start, 0.0]], scales)
    values = zernike_values(case, solution, terms)
    notes = (
        "Noll 2 and 3 are the wave's tilt, which is the pinhole's place, and stay out of --update",
        f"{phase.size} places; a wavefront with more than Noll {terms[-1]} in it spoils the others",
    )
    seen = np.where(np.isfinite(case.means), solution.signal, np.nan)
    model = unwrapped(x, y, phases(replace(case, means=seen))[2]) / (2 * np.pi)
    # the same whole turns as the measured ones, place by place
    model += np.round(turns - model)
    wavefront = Wavefront(x, y, *flattened(x, y, turns, model, weight))
    return FitResult(values, solution, notes, wavefront=wavefront)


def flattened(x: Real, y: Real, turns: Real, model: Real, weight: Real) -> tuple[Real, Real]:
    """Measured and fitted phases without the fitted one's piston and tilt (least squares)."""
    columns = np.column_stack([np.ones(x.size), x, y])
    found = np.linalg.lstsq(columns * weight[:, None], model * weight, rcond=None)[0]
    plane = columns @ found
    return turns - plane, model - plane


def phases(case: Case) -> tuple[Real, Real, Real, Real]:
    """(x, y, phase in rad, amplitude of its fringes) of the places whose four frames were read.

    Four steps: tan(phase) = (I_270 - I_90) / (I_0 - I_180) (Creath, Progress in Optics 26, 349,
    1988); the phase of the place's light against that of the sub-aperture that stays, but for the
    bench's own wavefront.
    """
    xs, ys, shift = (column(case.stack, key) for key in ("x_mm", "y_mm", "shift_deg"))
    found: dict[tuple[float, float], dict[float, float]] = {}
    for x, y, step, power in zip(xs, ys, shift, case.means, strict=True):
        if np.isfinite(power):
            found.setdefault((x * 1e-3, y * 1e-3), {})[step] = power
    rows = [
        (x, y, four[270.0] - four[90.0], four[0.0] - four[180.0])
        for (x, y), four in found.items()
        if len(four) == 4
    ]
    table = np.array(rows).reshape(-1, 4)
    phase = np.arctan2(table[:, 2], table[:, 3])
    return table[:, 0], table[:, 1], phase, np.hypot(table[:, 2], table[:, 3])


def unwrapped(x: Real, y: Real, phase: Real) -> Real:
    """Phases without jumps: from the middle outwards, each next to its nearest ones done."""
    order = np.argsort(np.hypot(x - np.median(x), y - np.median(y)), kind="stable")
    out = np.array(phase, dtype=float)
    for count, place in enumerate(order):
        done = order[:count]
        if not done.size:
            continue
        near = done[np.argsort(np.hypot(x[done] - x[place], y[done] - y[place]))[:NEIGHBOURS]]
        guess = float(np.mean(out[near]))
        out[place] += 2 * np.pi * np.round((guess - out[place]) / (2 * np.pi))
    return out


def _coefficients(
    case: Case, x: Real, y: Real, turns: Real, weight: Real, terms: tuple[int, ...]
) -> Real:
    """Coefficients (waves RMS) of the polynomials, beside a constant, by weighted least squares."""
    radius, offset = zernike_radius(case.scene), case.scene.light.offset
    across, up = x - offset[0], y - offset[1]
    rho, theta = np.hypot(across, up) / radius, np.arctan2(up, across)
    columns = np.column_stack([np.ones(x.size), *(zernike(j, rho, theta) for j in terms)])
    found = np.linalg.lstsq(columns * weight[:, None], turns * weight, rcond=None)[0]
    return np.asarray(found[1:])
