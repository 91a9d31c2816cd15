"""A complex field as one picture: hue for its phase, strength of the colour for its amplitude."""

import numpy as np
from numpy.typing import NDArray

from maskforge.launch.light import Complex, Real
from maskforge.report.page.palette_png import SIGNED_COLOURS

QUARTERS = np.array([SIGNED_COLOURS[1], (0xD8, 0x00, 0x48), SIGNED_COLOURS[0], (0x18, 0xC0, 0xA8)])
"""Colours of the phases 0, 90, 180 and 270 deg, those between being mixed.  All four are told apart
with red-, green- and blue-blindness too: tests/test_comparison_figure.py measures it."""

PAPER = 255.0


def field_colours(field: Complex | Real, strongest: float) -> NDArray[np.uint8]:
    """RGB picture (rows, columns, 3) of a field (rows, columns) on white, rows in its order.

    `strongest`: the amplitude of full colour; what is stronger has it too.
    """
    quarter = np.mod(np.angle(field) / (np.pi / 2), 4)
    first = np.floor(quarter)
    share = (quarter - first)[..., None]
    at = first.astype(int) % 4
    hue = QUARTERS[at] * (1 - share) + QUARTERS[(at + 1) % 4] * share
    strength = np.clip(np.abs(field) / max(strongest, 1e-300), 0, 1)[..., None]
    return np.asarray(np.rint(PAPER + (hue - PAPER) * strength), dtype=np.uint8)


def wheel(samples: int) -> NDArray[np.uint8]:
    """RGB picture (samples, samples, 3) of the unit disc in the complex plane, y up."""
    x = np.linspace(-1, 1, samples)
    plane = x + 1j * x[:, None]
    return field_colours(np.where(np.abs(plane) <= 1, plane, 0), 1.0)
