"""The fit of a stack's readings, whatever the step."""

from collections.abc import Callable, Mapping

import numpy as np
from threadpoolctl import threadpool_limits

from maskforge.align import beam_fits, flatness_fits, grey_fits
from maskforge.align import order_fits as view_fits
from maskforge.align.fit import Fit, FitResult, curves_of
from maskforge.align.readings import NO_PAGE, Readings, saturated
from maskforge.align.stack_file import Stack
from maskforge.base.errors import BenchError

FITS: Mapping[str, Callable[[Stack, Readings], FitResult]] = {
    "beam-square": beam_fits.beam_square,
    "beam-edge": beam_fits.beam_edge,
    "phase-depth": grey_fits.phase_depth,
    "grey-amplitude": grey_fits.grey_amplitude,
    "flatness": flatness_fits.flatness,
    "zernike-scan": view_fits.zernike_scan,
    "carrier-direction": view_fits.carrier_direction,
    "fiber-position": view_fits.fiber_position,
    "focus": view_fits.focus,
    "facet-waist": view_fits.facet_waist,
    "lp11-null": view_fits.lp11_null,
    "lp11-lobe": view_fits.lp11_lobe,
}
"""By step."""


def fitted(stack: Stack, readings: Readings, saturation: float | None = None) -> Fit:
    """Fits a stack's readings; `saturation` in mW: the detector's limit, found where not given.

    Raises BenchError where the readings are too few, or do not follow the frames.
    """
    full = saturated(readings, saturation)
    good = Readings(readings.time[~full], readings.page[~full], readings.power[~full])
    if not np.any(good.page != NO_PAGE):
        raise BenchError("no readings of the frames are left: all are dark or saturated")
    # the matrices are small: threads that wait for each other take longer than the work
    with threadpool_limits(1):
        found = FITS[stack.step.name](stack, good)
    solution = found.solution
    kept = solution.kept
    wild = int(np.count_nonzero(~kept))
    off = (good.power - solution.fitted)[kept]
    notes = found.notes
    if not np.any(good.page == NO_PAGE):
        notes += ("no readings with the beam blocked: the detector's offset is a guess of the fit",)
    light = readings.page != NO_PAGE
    return Fit(
        step=stack.step.name,
        values=found.values,
        residual=float(np.std(off) / np.max(solution.signal)),
        rows=len(readings),
        used=int(np.count_nonzero(kept)),
        left_out={"saturated": int(np.count_nonzero(full)), "outliers": wild},
        missing=max(0, len(stack.order) - int(np.count_nonzero(light))),
        unseen=len(stack.frames) - np.unique(readings.page[light]).size,
        notes=notes,
        curves=curves_of(stack, good, solution),
        table=found.table,
    )
