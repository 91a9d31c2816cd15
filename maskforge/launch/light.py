"""Light on the modulator, the lens, and the two transforms from the mask to the facet.

Arrays are indexed [row = y, column = x], y up, samples symmetric about the axis.  The lens forms
E(u) = (1 / (i lambda f)) * integral of E(x) exp(-2 pi i x.u / (lambda f)) dx (Goodman,
Introduction to Fourier Optics, sec. 5.2, the mask in the front focal plane).
"""

from dataclasses import dataclass
from math import factorial

import numpy as np
from numpy.polynomial import legendre
from numpy.typing import NDArray

from maskforge.base.errors import BenchError

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]
Side = NDArray[np.float64] | NDArray[np.complex128]

NODES = 4
"""Of Gauss and Legendre along a pixel, exact to degree 7: 1e-6 at 2 pixels a waist."""

DIMMEST, BRIGHTEST = 1e-100, 1e100
"""Of the largest value of a beam image: beyond, sums and squares of its pixels are no numbers."""


@dataclass(frozen=True, eq=False)
class Light:
    """The beam on the modulator, power 1 before the modulator's edge clips it.

    `waist` 1/e^2 intensity radii in m along axes turned by `angle` (rad); `offset` (x, y) of its
    centre in m; `curvature` of the wavefront in 1/m (> 0: diverging).  `zernike`: (Noll index, RMS
    waves) pairs on a disc of `zernike_radius` m around the beam's offset.  `image` (rows, columns,
    y up): a measured intensity with square pixels of `image_pitch` m; it replaces the Gaussian.
    """

    wavelength: float
    waist: tuple[float, float] = (1e-3, 1e-3)
    angle: float = 0.0
    offset: tuple[float, float] = (0.0, 0.0)
    curvature: float = 0.0
    zernike: tuple[tuple[int, float], ...] = ()
    zernike_radius: float | None = None
    image: Real | None = None
    image_pitch: float | None = None
    power: float | None = None
    """W, for `power_density` only."""

    def __post_init__(self) -> None:
        if self.zernike and self.zernike_radius is None:
            raise BenchError("Zernike coefficients need the radius of their disc")
        if self.image is not None:
            if self.image_pitch is None:
                raise BenchError("a beam image needs the size of its pixels")
            if not np.all(np.isfinite(self.image)) or np.min(self.image) < 0:
                raise BenchError("a beam image must be finite and not negative")
            if not np.any(self.image):
                raise BenchError("the beam image is dark: its sum is 0")
            if not (DIMMEST < np.max(self.image) < BRIGHTEST):
                raise BenchError(
                    f"the beam image's largest value is {np.max(self.image):.3g}: must be from "
                    f"{DIMMEST:g} to {BRIGHTEST:g}"
                )


def noll_to_nm(index: int) -> tuple[int, int]:
    """Radial order n and azimuthal order m (< 0: sine) of an index of Noll's.

    Noll, J. Opt. Soc. Am. 66, 207 (1976), table I.
    """
    if index < 1:
        raise BenchError(f"Noll index {index}: from 1")
    n = int((np.sqrt(8 * index - 7) - 1) // 2)
    place = index - n * (n + 1) // 2
    m = 2 * (place // 2) if n % 2 == 0 else 2 * ((place - 1) // 2) + 1
    return n, -m if m and index % 2 else m


def zernike(index: int, rho: Real, theta: Real) -> Real:
    """Noll's Zernike polynomial of unit RMS on the unit disc (Noll 1976, eqs. 1 and 2)."""
    n, m = noll_to_nm(index)
    k = abs(m)
    radial = sum(
        (-1) ** s
        * factorial(n - s)
        / (factorial(s) * factorial((n + k) // 2 - s) * factorial((n - k) // 2 - s))
        * rho ** (n - 2 * s)
        for s in range((n - k) // 2 + 1)
    )
    if m == 0:
        return np.asarray(np.sqrt(n + 1) * radial)
    turn = np.cos(k * theta) if m > 0 else np.sin(k * theta)
    return np.asarray(np.sqrt(2 * (n + 1)) * radial * turn)


def illumination(light: Light, x: Real, y: Real) -> Complex:
    """Complex amplitude (len(y), len(x)) in 1/m of the beam, the integral of its square being 1."""
    sides = along_axes(light, x, y)
    if sides is not None:
        return np.outer(sides[1], sides[0]).astype(complex)
    across, up = x - light.offset[0], (y - light.offset[1])[:, None]
    amplitude = _amplitude(light, x, y)
    if not light.curvature and not light.zernike:
        return amplitude.astype(complex)
    wave = np.zeros(amplitude.shape)
    if light.curvature:
        wave += light.curvature * (across**2 + up**2) / (2 * light.wavelength)
    if light.zernike:
        rho = np.hypot(across, up) / light.zernike_radius
        theta = np.arctan2(up, across)
        for index, rms in light.zernike:
            wave += rms * zernike(index, rho, theta)
    return np.asarray(amplitude * np.exp(2j * np.pi * wave))


def along_axes(light: Light, x: Real, y: Real) -> tuple[Side, Side] | None:
    """The beam in 1/sqrt(m) at x and at y, of any shape, whose products are `illumination`; None
    where it has no such."""
    sides = _sides(light, x, y)
    if sides is None or light.zernike:
        return None
    if not light.curvature:
        return sides
    bent = np.pi * light.curvature / light.wavelength
    along_x, along_y = (
        side * np.exp(1j * bent * (z - middle) ** 2)
        for side, z, middle in zip(sides, (x, y), light.offset, strict=True)
    )
    return along_x, along_y


def powers_in_squares(light: Light, axes: tuple[Real, Real], width: tuple[float, float]) -> Real:
    """The beam's power (len(y), len(x)) in squares of `width` m about centres on `axes` (x, y)."""
    points, weights = legendre.leggauss(NODES)
    nodes_x, nodes_y = (z[:, None] + points * side / 2 for z, side in zip(axes, width, strict=True))
    sides = _sides(light, nodes_x, nodes_y)
    if sides is not None:
        along_x, along_y = (
            (side**2 @ weights) * wide / 2 for side, wide in zip(sides, width, strict=True)
        )
        return np.outer(along_y, along_x)
    power = np.zeros((len(nodes_y), len(nodes_x)))
    for y, tall in zip(nodes_y.T, weights, strict=True):
        for x, wide in zip(nodes_x.T, weights, strict=True):
            power += tall * wide / 4 * _amplitude(light, x, y) ** 2
    return np.asarray(power * width[0] * width[1])


def _amplitude(light: Light, x: Real, y: Real) -> Real:
    """The real amplitude (len(y), len(x)) of the beam."""
    sides = _sides(light, x, y)
    if sides is not None:
        return np.outer(sides[1], sides[0])
    across, up = x - light.offset[0], (y - light.offset[1])[:, None]
    if light.image is not None:
        return _measured(light, across, up)
    cos, sin = np.cos(light.angle), np.sin(light.angle)
    first = (across * cos + up * sin) / light.waist[0]
    second = (up * cos - across * sin) / light.waist[1]
    peak = np.sqrt(2 / (np.pi * light.waist[0] * light.waist[1]))
    return np.asarray(peak * np.exp(-(first**2) - second**2))


def _sides(light: Light, x: Real, y: Real) -> tuple[Real, Real] | None:
    """Amplitudes in 1/sqrt(m) at x and at y, whose products are the beam's; None where it has no
    such."""
    if light.image is not None or light.angle != 0.0:
        return None
    along_x, along_y = (
        np.sqrt(np.sqrt(2 / np.pi) / waist) * np.exp(-(((z - middle) / waist) ** 2))
        for z, middle, waist in zip((x, y), light.offset, light.waist, strict=True)
    )
    return along_x, along_y


def _measured(light: Light, across: Real, up: Real) -> Real:
    # what few benches need is loaded where they do
    from scipy.ndimage import map_coordinates

    assert light.image is not None
    assert light.image_pitch is not None
    rows, columns = light.image.shape
    place_x = np.broadcast_to(
        across / light.image_pitch + (columns - 1) / 2, (up.size, across.size)
    )
    place_y = np.broadcast_to(up / light.image_pitch + (rows - 1) / 2, place_x.shape)
    seen = map_coordinates(light.image, [place_y, place_x], order=1, mode="constant")
    power = float(np.sum(light.image)) * light.image_pitch**2
    return np.asarray(np.sqrt(seen / power))


def pixel_envelope(width: float, coordinate: Real, scale: float) -> Real:
    """Far field sinc(width u / (lambda f)) of a pixel of `width` m; `scale` = lambda f in m^2."""
    return np.asarray(np.sinc(width * coordinate / scale))
