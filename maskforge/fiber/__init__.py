"""Fibre glass, index profile and guided modes."""

from maskforge.fiber.glass import GERMANIA, SILICA, Glass, germania_doped, germania_fraction
from maskforge.fiber.modes import NEAR_CUTOFF, RadialField, RadialMode, solve
from maskforge.fiber.profile import (
    Fiber,
    Profile,
    fiber_of_indices,
    power_law,
    shape_from_index,
    step,
    table,
    trench,
    trench_depth,
)

__all__ = [
    "GERMANIA",
    "NEAR_CUTOFF",
    "SILICA",
    "Fiber",
    "Glass",
    "Profile",
    "RadialField",
    "RadialMode",
    "fiber_of_indices",
    "germania_doped",
    "germania_fraction",
    "power_law",
    "shape_from_index",
    "solve",
    "step",
    "table",
    "trench",
    "trench_depth",
]
