"""Fits of the greys: phases, and amplitudes, from stripes of one against another.

What a pair's power is says `stripes`.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
from scipy.optimize import minimize_scalar

from maskforge import bench as benches
from maskforge.align.fit import (
    Changes,
    FitResult,
    GreyTable,
    Results,
    Value,
    page_means,
    rounded,
)
from maskforge.align.readings import Readings
from maskforge.align.regression import Solution, solve
from maskforge.align.stack import Stack
from maskforge.align.stripes import Greys, greys_of, power_of, scaled
from maskforge.base.errors import BenchError
from maskforge.bench import Bench
from maskforge.launch.light import Real

SCALES = (0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0, 1.05, 1.1, 1.2, 1.4, 1.8, 2.5, 4.0, 8.0)
"""K tried for starting values, in that of half a wave at the highest reading; below 1: that reading
may be a wild one."""

STARTS = 3
"""Of them, the best, that the fit starts from."""

SAME = 1e-9
"""Amplitudes of a panel that differ by less are one."""

SURE = 30.0
"""Degrees from the phase of two states at which stripes are darkest, and from half a wave beside
it, beyond which the phase is told well."""

NEARLY = 0.999
"""A cosine of nearly 1, for a tangent there."""


# --- three greys and more --------------------------------------------------------------------


def phase_depth(stack: Stack, readings: Readings) -> FitResult:
    """Phase of each grey, the amplitudes as the bench has them; two greys: see `two_states`."""
    greys = greys_of(stack)
    if greys.greys.size == 2:
        return two_states(greys, stack, readings)

    def signal(theta: Real) -> Real:
        return power_of(greys, greys.amplitude, _phases(greys, theta))

    starts = [*_starts(greys, page_means(readings, len(stack.frames))), greys.nominal]
    count = greys.greys.size - 1
    tried = [(start[1:] - start[0]).tolist() for start in starts]
    return _found(greys, solve(readings, signal, tried, [1.0] * count), None)


def grey_amplitude(stack: Stack, readings: Readings) -> FitResult:
    """Phase and amplitude of each grey; two greys: see `two_states`."""
    greys = greys_of(stack)
    if greys.greys.size == 2:
        return two_states(greys, stack, readings)
    count = greys.greys.size - 1
    means = page_means(readings, len(stack.frames))
    alone = _alone(greys, means)
    # with the gaps' light, which is in every reading, and then without
    begun = np.sqrt(alone / alone[0]) * np.exp(1j * _starts(greys, means)[0])
    first = greys.amplitude.max() * np.exp(1j * greys.nominal[0])
    values = begun * (first + greys.gap) - greys.gap
    phases = np.unwrap(np.angle(values))

    def signal(theta: Real) -> Real:
        sizes = scaled(greys, np.concatenate([[1.0], np.abs(theta[count:])]))
        return power_of(greys, sizes, _phases(greys, theta[:count]))

    starts = [
        np.concatenate([phases[1:] - phases[0], np.abs(values[1:] / values[0])]).tolist(),
        # where neighbours blur the stripes much, these tell little by themselves
        np.concatenate([greys.nominal[1:] - greys.nominal[0], np.ones(count)]).tolist(),
    ]
    solution = solve(readings, signal, starts, [1.0] * (2 * count))
    return _found(greys, solution, np.abs(np.concatenate([[1.0], solution.theta[count:]])))


def _phases(greys: Greys, beyond: Real) -> Real:
    """Phases (greys,) of those beyond the first one's, which is as the bench has it."""
    return np.asarray(np.concatenate([[0.0], beyond]) + greys.nominal[0])


def _alone(greys: Greys, means: Real) -> Real:
    """Reading of each grey alone on the panel, between its neighbours' where it is missing."""
    out = np.full(greys.greys.size, np.nan)
    out[greys.one[greys.same]] = means[greys.same]
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
    one, other = greys.amplitude[greys.one], greys.amplitude[greys.other]
    half_wave = np.nanmax(means) / np.max(one + other) ** 2
    squares = (one**2 + other**2) / (2 * one * other)
    tried = [
        (_told(greys, squares - means / (2 * half_wave * scale * one * other)), scale)
        for scale in SCALES
    ]
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
    own = _unfolded(greys, phases) if greys.turns_alike else np.unwrap(phases)
    unfolded = np.rad2deg(own)
    wide = np.rad2deg(np.concatenate([[0.0], solution.half_widths[:count]]))
    values = [Value("phase of the last grey", float(unfolded[-1]), float(wide[-1]), "deg")]
    notes: tuple[str, ...] = ()
    if amplitude is not None:
        # the dimmest or the brightest of many would be so by chance, too
        ratio = float(amplitude[-1] / amplitude[0])
        values.append(Value("amplitude, last to first", ratio, float(solution.half_widths[-1]), ""))
        amplitude = scaled(greys, amplitude)
    elif np.ptp(greys.amplitude) > SAME:
        notes = ("the amplitudes are those of the bench's table, not measured here",)
    table = GreyTable(greys.greys, unfolded + np.rad2deg(greys.nominal[0]), wide, amplitude)
    back = np.diff(unfolded) * np.sign(unfolded[-1]) < 0
    if np.any(back & (np.abs(np.diff(unfolded)) > wide[1:])):
        notes += ("the phase does not rise from each grey to the next; see the table",)
    return FitResult(tuple(values), solution, notes, table)


# --- two states ------------------------------------------------------------------------------


def two_states(greys: Greys, stack: Stack, readings: Readings) -> FitResult:
    """The phase between two states, and the second one's amplitude against the first one's.

    By the cosine of the phase beyond the one at which stripes are darkest (180 deg, or near it
    where neighbours blur the phase): it stays well defined where the phase itself does not.  Which
    side of that the phase is on the readings do not tell; it is as the bench has it.
    """
    step = float(greys.nominal[1] - greys.nominal[0]) % (2 * np.pi)
    darkest = _darkest(greys)
    side = 1.0 if step > darkest else -1.0

    def phase_of(cosine: float) -> float:
        return darkest + side * float(np.arccos(np.clip(cosine, -1, 1)))

    def signal(theta: Real) -> Real:
        sizes = greys.amplitude[0] * np.array([1.0, abs(theta[1])])
        cosine = float(theta[0])

        def power(phase: float) -> Real:
            return power_of(greys, sizes, _phases(greys, np.array([phase])))

        if cosine <= 1:
            return power(phase_of(cosine))
        # noise may lead beyond: on along the tangent
        here, near = power(darkest), power(phase_of(NEARLY))
        return here + (near - here) * (cosine - 1) / (NEARLY - 1)

    start = [float(np.cos(step - darkest)), 1.0]
    solution = solve(readings, signal, [start], [1.0, 1.0])
    found, wide = float(solution.theta[0]), float(solution.half_widths[0])
    phase, *ends = (float(np.rad2deg(phase_of(z))) for z in (found, found + wide, found - wide))
    error = max(abs(end - phase) for end in ends)
    return _of_two(greys, stack, solution, phase, error, float(np.rad2deg(darkest)))


def _darkest(greys: Greys) -> float:
    """Phase between two greys, equally bright, at which their stripes are darkest."""
    page = int(np.flatnonzero(~greys.same)[0])

    def power(phase: float) -> float:
        return float(power_of(greys, greys.amplitude, _phases(greys, np.array([phase])))[page])

    found = minimize_scalar(power, bounds=(np.pi / 2, 3 * np.pi / 2), method="bounded")
    return float(found.x)


def _of_two(
    greys: Greys, stack: Stack, solution: Solution, phase: float, error: float, darkest: float
) -> FitResult:
    """The result of two greys; `phase` from the lower to the higher, in deg as all angles."""
    alphabet = benches.modulator(stack.bench).alphabet
    binary = stack.bench.modulator.alphabet == "binary"
    up = -1 if binary and alphabet.greys[0] > alphabet.greys[1] else 1
    ratio, wide = abs(float(solution.theta[1])), float(solution.half_widths[1])
    values = (
        Value("phase step", up * phase % 360, error, "deg"),
        Value("amplitude, last to first", ratio, wide, ""),
    )
    notes: tuple[str, ...] = ()
    beside = abs(phase - darkest)
    if not SURE < beside < 180 - SURE:
        notes = (
            f"near {darkest % 360:.3g} deg and half a wave beside the power hardly depends on the "
            f"phase; {up * (2 * darkest - phase) % 360:.2f} deg explains the readings as well",
        )
    if binary:
        if abs(ratio - 1) > wide:
            notes += (
                'the two states differ in brightness, which alphabet = "binary" does not hold; '
                'alphabet = "table" does',
            )
        return FitResult(values, solution, notes)
    phases = np.rad2deg(greys.nominal[0]) + np.array([0.0, phase])
    sizes = scaled(greys, np.array([1.0, ratio]))
    table = GreyTable(greys.greys, phases, np.array([0.0, error]), sizes)
    return FitResult(values, solution, notes, table)


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
