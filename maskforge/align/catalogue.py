"""The steps of a bring-up by name, in the order in which a bench is aligned."""

from maskforge.align import (
    beam_fits,
    beam_steps,
    fiber_steps,
    flatness_fits,
    grey_fits,
    order_fits,
    panel_steps,
)
from maskforge.align.scene import Scene
from maskforge.align.step import LIMITS, Choices, Shots, Step
from maskforge.base.ranges import BadValueError
from maskforge.base.wording import listed, nearest, shown

STEPS = (
    Step(
        name="beam-square",
        purpose="find the beam on the panel",
        make=beam_steps.beam_square,
        fit=beam_fits.beam_square,
        changes=beam_fits.changed_beam,
        allowed=("points", "period"),
        unit="",
        scanned="x_mm",
        by="y_mm",
        after="beam-edge",
        left=beam_fits.beam_left,
    ),
    Step(
        name="beam-edge",
        purpose="the beam's centre and waist on the panel",
        make=beam_steps.beam_edge,
        fit=beam_fits.beam_edge,
        changes=beam_fits.changed_beam,
        allowed=("points", "span", "period"),
        unit="mm",
        scanned="edge_mm",
        by="axis",
        after="phase-depth",
        left=beam_fits.beam_left,
    ),
    Step(
        name="phase-depth",
        purpose="the phase of each grey level",
        make=panel_steps.phase_depth,
        fit=grey_fits.phase_depth,
        changes=grey_fits.changed_phase_step,
        allowed=("points", "period"),
        unit="",
        scanned="grey_b",
        by="grey_a",
        after="flatness; grey-amplitude where greys differ in brightness",
    ),
    Step(
        name="grey-amplitude",
        purpose="phase and amplitude of each grey level, in the zero order",
        make=panel_steps.grey_amplitude,
        fit=grey_fits.grey_amplitude,
        changes=grey_fits.changed_phase_step,
        allowed=("points", "period"),
        unit="",
        scanned="grey_b",
        by="grey_a",
        after="flatness",
    ),
    Step(
        name="flatness",
        purpose="the wavefront, by sub-apertures that interfere",
        make=panel_steps.flatness,
        fit=flatness_fits.flatness,
        changes=order_fits.changed_wavefront,
        allowed=("points", "period"),
        unit="",
        scanned="x_mm",
        by="y_mm",
        after="zernike-scan",
    ),
    Step(
        name="zernike-scan",
        purpose="the wavefront's Zernike coefficients, one after the other",
        make=panel_steps.zernike_scan,
        fit=order_fits.zernike_scan,
        changes=order_fits.changed_wavefront,
        allowed=("points", "span", "period", "noll"),
        unit="waves (RMS)",
        scanned="rms_waves",
        by="noll",
        after="carrier-direction, or fiber-position without a carrier",
    ),
    Step(
        name="carrier-direction",
        purpose="the direction in which the order leaves",
        make=fiber_steps.carrier_direction,
        fit=order_fits.carrier_direction,
        changes=order_fits.changed_direction,
        allowed=("points", "span", "period"),
        unit="degrees",
        scanned="angle_deg",
        by="",
        after="fiber-position",
    ),
    Step(
        name="fiber-position",
        purpose="where the fibre lies against the order",
        make=fiber_steps.fiber_position,
        fit=order_fits.fiber_position,
        changes=order_fits.changed_carrier,
        allowed=("points", "span", "period"),
        unit="um on the facet",
        scanned="place_um",
        by="axis",
        after="focus",
    ),
    Step(
        name="focus",
        purpose="how far the focus is from the facet",
        make=fiber_steps.focus,
        fit=order_fits.focus,
        changes=order_fits.changed_curvature,
        allowed=("points", "span", "period"),
        unit="1/m",
        scanned="curvature_per_m",
        by="",
        after="facet-waist",
    ),
    Step(
        name="facet-waist",
        purpose="the beam's waist at the facet against the fibre's mode",
        make=fiber_steps.facet_waist,
        fit=order_fits.facet_waist,
        changes=order_fits.changed_focal_length,
        allowed=("points", "span", "period"),
        unit="mm on the panel",
        scanned="diameter_mm",
        by="",
        after="lp11-null",
    ),
    Step(
        name="lp11-null",
        purpose="the beam's centre, by the null of an LP11 mask",
        make=beam_steps.lp11_null,
        fit=order_fits.lp11_null,
        changes=beam_fits.changed_offset,
        allowed=("points", "span", "period"),
        unit="mm",
        scanned="line_mm",
        by="axis",
        after="lp11-lobe",
    ),
    Step(
        name="lp11-lobe",
        purpose="the zero of the orientation, by a lobe of LP11",
        make=beam_steps.lp11_lobe,
        fit=order_fits.lp11_lobe,
        changes=None,
        allowed=("points", "period"),
        unit="",
        scanned="angle_deg",
        by="",
        after="maskforge design with the bench file that came out",
    ),
)
"""In the order of work."""

NAMES = tuple(step.name for step in STEPS)


def step_of(name: str) -> Step:
    """The step of a name; BadValueError where there is none."""
    for step in STEPS:
        if step.name == name:
            return step
    near = nearest(name, NAMES)
    hint = f'; did you mean "{near}"?' if near else ""
    raise BadValueError(f"must be one of {listed(NAMES)}{hint}", "step", shown(name))


def shots_of(step: Step, scene: Scene, choices: Choices) -> Shots:
    """The frames of a step.

    Raises BadValueError, which names the key, where a choice is not the step's, and BenchError
    where the bench cannot.
    """
    for key in (*LIMITS, "noll"):
        value = getattr(choices, key)
        if value is not None and key not in step.allowed:
            known = ", ".join(f"--{name}" for name in step.allowed)
            raise BadValueError(f"not for --step {step.name}, which takes {known}", key, value)
    return step.make(scene, choices)
