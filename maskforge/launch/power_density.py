"""How much light a piece of the panel gets, for its maker's limit."""

import numpy as np
from numpy.typing import NDArray

from maskforge.launch.fourier import axis
from maskforge.launch.light import Light
from maskforge.launch.lit_panel import panel_axes
from maskforge.launch.modulator import Modulator


def peak_density(light: Light, modulator: Modulator) -> float | None:
    """Highest power per area in the light on the panel, W/m^2, or None without a given power.

    It never comes out too low.  The area is the beam's own, across it: at an angle a piece of the
    panel's surface gets only `surface_share` of it, but in the panel's layers, where refraction
    turns the beam upright, it is between the two.  Of a Gaussian it is that of its centre,
    2 P / (pi w_x w_y) (Siegman, Lasers, 1986, sec. 17.1), on the panel or not; of a measured beam
    that of the hottest pixel that reaches the panel.  What the panel's edge clips stays a part of
    the power, and takes nothing from the peak.
    """
    if light.power is None:
        return None
    if light.image is None:
        return 2 * light.power / (np.pi * light.waist[0] * light.waist[1])
    assert light.image_pitch is not None
    hottest = np.max(light.image, where=_reaching(light, light.image_pitch, modulator), initial=0)
    return float(light.power * hottest / (np.sum(light.image) * light.image_pitch**2))


def surface_share(modulator: Modulator) -> float:
    """Power on a piece of the panel's surface over that on as large a piece across the beam.

    At an angle the pitch is seen shortened: cos(incidence).
    """
    return modulator.pitch_seen[0] / modulator.pitch


def _reaching(light: Light, image_pitch: float, modulator: Modulator) -> NDArray[np.bool_]:
    """Which pixels (rows, columns) of the beam's image give light to the panel.

    Between its pixels the light is linear, so that each reaches as far as the next one.
    """
    assert light.image is not None
    on = []
    sides = zip(
        panel_axes(modulator),
        modulator.pitch_seen,
        light.offset,
        light.image.shape[::-1],
        strict=True,
    )
    for pixels, pitch, offset, count in sides:
        place, reach = axis(count, image_pitch) + offset, pitch / 2 + image_pitch
        on.append((place > pixels[0] - reach) & (place < pixels[-1] + reach))
    return np.asarray(on[1][:, None] & on[0])
