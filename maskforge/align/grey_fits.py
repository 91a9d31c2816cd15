"""Fits of the greys: phases, and amplitudes, from stripes of one against another.

In the first order a pair's power is K |v_a - v_b|^2, in the zero order K |v_a + v_b|^2 (stripes
equally wide: Goodman, Introduction to Fourier Optics, sec. 4.4, orders 0 and 1 of a square wave).
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from maskforge import bench as benches
from maskforge.align.fit import (
    Changes,
    FitResult,
    GreyTable,
    Results,
    Value,
    column,
    page_means,
    rounded,
)
from maskforge.align.readings import Readings
from maskforge.align.regression import Solution, solve
from maskforge.align.stack import Stack
from maskforge.base.errors import BenchError
from maskforge.bench import Bench
from maskforge.launch.light import Real

SCALES = (0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0, 1.05, 1.1, 1.2, 1.4, 1.8, 2.5, 4.0, 8.0)
"""K tried for starting values, in that of half a wave at the highest reading; below 1: that reading
may be a wild one."""

STARTS = 3
"""Of them, the best, that the fit starts from."""

SURE = 30.0
"""Degrees from 0 and 180 beyond which the phase of two states is told well."""


@dataclass(frozen=True, eq=False)
class Greys:
    """The pairs of a stack.

    `greys` (greys,) ascending, `nominal`: their phases (rad, unwrapped); `one`, `other` (pages,):
    places of each page's two in them; `sign`: -1 in the first order, +1 in the zero order.
    """

    greys: NDArray[np.intp]
    nominal: Real
    one: NDArray[np.intp]
    other: NDArray[np.intp]
    sign: int


def greys_of(stack: Stack) -> Greys:
    """BenchError where the bench has not the greys of the stack."""
    pair = [column(stack, key) for key in ("grey_a", "grey_b")]
    greys, places = np.unique(np.stack(pair), return_inverse=True)
    alphabet = benches.modulator(stack.bench).alphabet
    state_of = {int(grey): state for state, grey in reversed(list(enumerate(alphabet.greys)))}
    wrong = [grey for grey in greys if grey not in state_of]
    if wrong:
        raise BenchError(f"{stack.folder}: grey {wrong[0]:g} is none of the bench's")
    order = np.argsort(alphabet.greys, kind="stable")
    every = np.unwrap(np.angle(alphabet.values[order]))
    phases = dict(zip(alphabet.greys[order].tolist(), every.tolist(), strict=True))
    nominal = np.array([phases[int(grey)] for grey in greys])
    one, other = places.reshape(2, -1)
    sign = -1 if any(stack.detector.order) else 1
    return Greys(greys.astype(np.intp), nominal - nominal[0], one, other, sign)


def power_of(greys: Greys, values: NDArray[np.complexfloating]) -> Real:
    """|v_a + sign v_b|^2 of every page."""
    return np.asarray(np.abs(values[greys.one] + greys.sign * values[greys.other]) ** 2)


# --- three greys and more --------------------------------------------------------------------


def phase_depth(stack: Stack, readings: Readings) -> FitResult:
    """Phase of each grey; two greys: see `two_states`."""
    greys = greys_of(stack)
    if greys.greys.size == 2:
        return two_states(greys, stack, readings)

    def signal(theta: Real) -> Real:
        return power_of(greys, np.exp(1j * np.concatenate([[0.0], theta])))

    starts = [*_starts(greys, page_means(readings, len(stack.frames))), greys.nominal]
    count = greys.greys.size - 1
    solution = solve(readings, signal, [start[1:].tolist() for start in starts], [1.0] * count)
    return _found(greys, solution, None)


def grey_amplitude(stack: Stack, readings: Readings) -> FitResult:
    """Phase and amplitude of each grey; two greys: see `two_states`."""
    greys = greys_of(stack)
    if greys.greys.size == 2:
        return two_states(greys, stack, readings)
    count = greys.greys.size - 1
    means = page_means(readings, len(stack.frames))
    phases = _starts(greys, means)[0][1:]
    alone = _alone(greys, means)
    sizes = np.sqrt(alone[1:] / alone[0])

    def signal(theta: Real) -> Real:
        amplitude = np.concatenate([[1.0], theta[count:]])
        return power_of(greys, amplitude * np.exp(1j * np.concatenate([[0.0], theta[:count]])))

    start = np.concatenate([phases, sizes])
    solution = solve(readings, signal, [start.tolist()], [1.0] * start.size)
    return _found(greys, solution, np.abs(np.concatenate([[1.0], solution.theta[count:]])))


def _alone(greys: Greys, means: Real) -> Real:
    """Reading of each grey alone on the panel, between its neighbours' where it is missing."""
    out = np.full(greys.greys.size, np.nan)
    same = greys.one == greys.other
    out[greys.one[same]] = means[same]
    seen = np.isfinite(out) & (out > 0)
    if not np.any(seen):
        raise BenchError("no readings of one grey alone; amplitudes need them")
    return np.asarray(np.interp(greys.greys, greys.greys[seen], out[seen]))


def _starts(greys: Greys, means: Real) -> list[Real]:
    """Phases (greys,) from the pairs with the first grey, their signs from the other marks."""
    if greys.sign > 0:
        alone = _alone(greys, means)
        sizes = np.sqrt(alone)
        # a pair's K |v_a + v_b|^2 against those of its greys alone, 4 K |v|^2
        cosines = (4 * means - alone[greys.one] - alone[greys.other]) / (
            2 * sizes[greys.one] * sizes[greys.other]
        )
        return [_told(greys, cosines)[0]]
    least = np.nanmax(means) / 4
    tried = [(_told(greys, 1 - means / (2 * least * scale)), scale) for scale in SCALES]
    # the misfit in powers: in cosines a large K alone would make it small
    tried.sort(key=lambda found: found[0][1] * found[1])
    return [found[0] for found, _ in tried[:STARTS]]


def _told(greys: Greys, cosines: Real) -> tuple[Real, float]:
    """Phases (greys,) from cosines (pages,) of differences, and how badly they fit."""
    count = greys.greys.size
    table = np.full((count, count), np.nan)
    table[greys.one, greys.other] = cosines
    table[greys.other, greys.one] = cosines
    angle = np.arccos(np.clip(np.nan_to_num(table[0], nan=1.0), -1, 1))
    references = [int(place) for place in dict.fromkeys(greys.one.tolist()) if place]
    phases = np.zeros(count)
    known = [0]
    order = [*references, *(k for k in range(1, count) if k not in references)]
    for place in order:
        choices = angle[place] * np.array([1.0, -1.0])
        costs = [
            np.nansum([abs(np.cos(z - phases[k]) - table[k, place]) for k in known])
            for z in choices
        ]
        phases[place] = choices[int(np.argmin(costs))]
        if place in references:
            known.append(place)
    # absolute: a wild reading must not decide
    cost = np.nansum(np.abs(np.cos(phases[greys.one] - phases[greys.other]) - cosines))
    return _unfolded(greys, phases), float(cost)


def _unfolded(greys: Greys, phases: Real) -> Real:
    """Phases without jumps from grey to grey, turned over where that is nearer to the nominal.

    Powers tell differences but for their common sign.
    """
    own = np.unwrap(phases) - phases[0]
    slope = np.sum(np.diff(own) * np.diff(greys.nominal))
    return np.asarray(own if slope >= 0 else -own)


def _found(greys: Greys, solution: Solution, amplitude: Real | None) -> FitResult:
    count = greys.greys.size - 1
    phases = np.concatenate([[0.0], solution.theta[:count]])
    unfolded = np.rad2deg(_unfolded(greys, phases))
    wide = np.rad2deg(np.concatenate([[0.0], solution.half_widths[:count]]))
    values = [Value("phase of the last grey", float(unfolded[-1]), float(wide[-1]), "deg")]
    if amplitude is not None:
        # the dimmest or the brightest of many would be so by chance, too
        ratio = float(amplitude[-1] / amplitude[0])
        values.append(Value("amplitude, last to first", ratio, float(solution.half_widths[-1]), ""))
        amplitude = amplitude / amplitude.max()
    table = GreyTable(greys.greys, unfolded, wide, amplitude)
    back = np.diff(unfolded) * np.sign(unfolded[-1]) < 0
    notes = (
        ("the phase does not rise from each grey to the next; see the table",)
        if np.any(back & (np.abs(np.diff(unfolded)) > wide[1:]))
        else ()
    )
    return FitResult(tuple(values), solution, notes, table)


# --- two states ------------------------------------------------------------------------------


def two_states(greys: Greys, stack: Stack, readings: Readings) -> FitResult:
    """The phase between two states, and the second one's amplitude against the first one's.

    By the cosine of the phase: it stays well defined where the phase itself does not, at 180 deg.
    Whether the step is above 180 deg the readings do not tell; it is as the bench has it.
    """
    same = greys.one == greys.other

    def signal(theta: Real) -> Real:
        cosine, size = theta
        alone = np.where(greys.one == 0, 1.0, size**2)
        both = (1 + size**2 + 2 * size * cosine) / 4
        return np.asarray(np.where(same, alone, both))

    start = [float(np.cos(greys.nominal[1])), 1.0]
    solution = solve(readings, signal, [start], [1.0, 1.0])
    cosine, wide = float(solution.theta[0]), float(solution.half_widths[0])
    phase, low, high = (
        float(np.rad2deg(np.arccos(np.clip(z, -1, 1))))
        for z in (cosine, cosine + wide, cosine - wide)
    )
    error = max(high - phase, phase - low)
    first, second = benches.modulator(stack.bench).alphabet.values
    beyond = np.angle(second / first) < 0
    step = Value("phase step", 360 - phase if beyond else phase, error, "deg")
    size = Value(
        "amplitude, last to first", float(solution.theta[1]), float(solution.half_widths[1]), ""
    )
    notes: tuple[str, ...] = (
        f"near 0 and 180 deg the power hardly depends on the phase; {360 - step.value:.2f} deg "
        "explains the readings as well",
    )
    if SURE < phase < 180 - SURE:
        notes = ()
    return FitResult((step, size), solution, notes)


# --- for the bench file ----------------------------------------------------------------------


def filled(table: GreyTable, greys: NDArray[np.integer]) -> GreyTable:
    """The table at more greys, between those measured by monotone cubic pieces.

    Greys beyond the measured ones are left out.
    """
    inside = np.unique(greys[(greys >= table.greys[0]) & (greys <= table.greys[-1])])
    if np.array_equal(inside, table.greys):
        return table

    def at(values: Real) -> Real:
        return np.asarray(PchipInterpolator(table.greys, values)(inside))

    amplitude = None if table.amplitude is None else at(table.amplitude)
    return replace(
        table,
        greys=inside.astype(np.intp),
        phase_deg=at(table.phase_deg),
        uncertainty_deg=at(table.uncertainty_deg),
        amplitude=amplitude,
    )


# --- what changes in the bench file ------------------------------------------------------------


def changed_phase_step(bench: Bench, stack: Stack, found: Results) -> Changes:
    if bench.modulator.alphabet != "binary":
        raise BenchError(
            f'{bench.source}: [modulator] alphabet = "{bench.modulator.alphabet}": a phase step is '
            'for alphabet = "binary"'
        )
    step = {("modulator", "phase_step_deg"): rounded(*found["phase step"])}
    return step | measured_at(bench, stack)


def measured_at(bench: Bench, stack: Stack) -> Changes:
    """The wavelength of phases that a stack gave; none where it is the bench's own."""
    there = stack.bench.light.wavelength_nm
    own = there == bench.light.wavelength_nm
    return {("modulator", "phase_wavelength_nm"): None if own else there}
