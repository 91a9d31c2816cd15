"""A second program that lights a bring-up's stack: direct sums over points of the panel.

Nothing of the package is in it but the files that a person gets: the pictures and bringup.json.
Conventions as in docs/bench-file.md.  Every pixel has POINTS by POINTS points on its active square
and as many on its whole one, for the light of the gaps; the lens's integral is a sum over them
(Goodman, Introduction to Fourier Optics, sec. 5.2), and a pinhole's power one over GRID by GRID
points of the facet.
"""

import json
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import tifffile
from numpy.typing import NDArray

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

POINTS = 3
GRID = 15


@dataclass(frozen=True)
class TrueBench:
    """What the bench is really like, in SI units; angles in rad, `zernike` in waves RMS."""

    wavelength: float
    focal_length: float
    pitch: float
    waist: tuple[float, float]
    angle: float = 0.0
    offset: tuple[float, float] = (0.0, 0.0)
    curvature: float = 0.0
    zernike: dict[int, float] = field(default_factory=dict)
    zernike_radius: float = 1.0
    fill: float = 1.0
    gaps: float = 0.0
    blur: float = 0.0
    values: Complex = field(default_factory=lambda: np.ones(1, complex))
    """By grey: what a pixel does to the light."""


def powers(folder: Path, true: TrueBench, moved: tuple[float, float] = (0.0, 0.0)) -> Real:
    """Power behind the pinhole (pages,), of a beam of power 1; `moved`: the pinhole, in m."""
    header = json.loads((folder / "bringup.json").read_text("utf-8"))
    hole = header["detector"]
    middle = [
        1e-6 * (hole[f"order_{axis}_um"] + hole[f"aside_{axis}_um"]) + shift
        for axis, shift in zip("xy", moved, strict=True)
    ]
    pages = tifffile.imread(folder / "stack.tif")
    pages = pages.reshape(-1, *pages.shape[-2:])[:, ::-1]
    panel = header["bench"]["modulator"]
    (columns, rows), (left, top) = panel["pixels"], panel["at"]
    # places are counted from the middle of the mask
    high = pages.shape[1]
    x = (np.arange(pages.shape[2]) - left - (columns - 1) / 2) * true.pitch
    y = (np.arange(high) - (high - top - rows) - (rows - 1) / 2) * true.pitch
    u, v, inside = _disc(1e-6 * hole["radius_um"])
    u, v = u + middle[0], v + middle[1]
    active, whole = (
        _layers(true, x, y, u, v, side) for side in (np.sqrt(true.fill) * true.pitch, true.pitch)
    )
    gap = np.sqrt(true.gaps)
    ones = np.ones(pages.shape[1:], complex)
    fixed = gap * (_sum(whole, ones) - _sum(active, ones))
    out = []
    for page in pages:
        light = _sum(active, _shown(true, page)) + fixed
        out.append(np.sum(np.abs(light) ** 2 * inside))
    return np.array(out)


def _disc(radius: float) -> tuple[Real, Real, Real]:
    """u, v and weights (v, u) of a disc: shares of small squares, each of 20 by 20 points."""
    step = 2 * radius / GRID
    u = (np.arange(GRID) - (GRID - 1) / 2) * step
    fine = (np.arange(20 * GRID) - (20 * GRID - 1) / 2) * step / 20
    within = (fine**2 + fine[:, None] ** 2 <= radius**2).astype(float)
    return u, u, within.reshape(GRID, 20, GRID, 20).mean(axis=(1, 3)) * step**2


Layers = list[tuple[Complex, Complex, Complex]]


def _layers(true: TrueBench, x: Real, y: Real, u: Real, v: Real, side: float) -> Layers:
    """The beam at one point of every pixel, and the lens's two kernels there, for every point."""
    nodes, weights = np.polynomial.legendre.leggauss(POINTS)
    scale = true.wavelength * true.focal_length
    found = []
    for down, one in zip(nodes, weights, strict=True):
        for along, two in zip(nodes, weights, strict=True):
            px, py = x + along * side / 2, y + down * side / 2
            light = _beam(true, px, py[:, None]) * (one * two * side**2 / 4 / scale)
            found.append(
                (
                    light,
                    np.exp(-2j * np.pi * np.outer(v, py) / scale),
                    np.exp(-2j * np.pi * np.outer(px, u) / scale),
                )
            )
    return found


def _sum(layers: Layers, shown: Complex) -> Complex:
    return np.asarray(sum(up @ (light * shown) @ across for light, up, across in layers))


def _shown(true: TrueBench, page: NDArray[np.integer]) -> Complex:
    """What the pixels do, their phases blurred by a Gaussian, summed out to 6 of its width."""
    values = true.values[page]
    if not true.blur:
        return values
    reach = int(np.ceil(6 * true.blur))
    weight = np.exp(-(np.arange(-reach, reach + 1) ** 2) / (2 * true.blur**2))
    weight /= weight.sum()
    phase = np.pad(np.angle(values) % (2 * np.pi), reach, mode="edge")
    rows, columns = values.shape
    phase = sum(w * phase[k : k + rows] for k, w in enumerate(weight))
    phase = sum(w * phase[:, k : k + columns] for k, w in enumerate(weight))
    return np.asarray(np.abs(values) * np.exp(1j * phase))


def _beam(true: TrueBench, x: Real, y: Real) -> Complex:
    x, y = x - true.offset[0], y - true.offset[1]
    cos, sin = np.cos(true.angle), np.sin(true.angle)
    first, second = (x * cos + y * sin) / true.waist[0], (y * cos - x * sin) / true.waist[1]
    size = np.sqrt(2 / (np.pi * true.waist[0] * true.waist[1]))
    waves = true.curvature * (x**2 + y**2) / (2 * true.wavelength)
    for noll, rms in true.zernike.items():
        waves = waves + rms * _polynomial(
            noll, np.hypot(x, y) / true.zernike_radius, np.arctan2(y, x)
        )
    return np.asarray(size * np.exp(-(first**2) - second**2 + 2j * np.pi * waves))


def _polynomial(noll: int, rho: Real, theta: Real) -> Real:
    """Noll, J. Opt. Soc. Am. 66, 207 (1976), table I, by hand up to spherical aberration."""
    root = np.sqrt
    return {
        4: lambda: root(3) * (2 * rho**2 - 1),
        5: lambda: root(6) * rho**2 * np.sin(2 * theta),
        6: lambda: root(6) * rho**2 * np.cos(2 * theta),
        7: lambda: root(8) * (3 * rho**3 - 2 * rho) * np.sin(theta),
        8: lambda: root(8) * (3 * rho**3 - 2 * rho) * np.cos(theta),
        11: lambda: root(5) * (6 * rho**4 - 6 * rho**2 + 1),
    }[noll]()


def disturbed(
    order: tuple[int, ...], clean: Real, seed: int, *, noise: float = 0.01, floor: float = 5e-4
) -> tuple[Real, NDArray[np.intp], Real]:
    """(times, pages, powers) with noise, floor, drift and offset; 10 dark readings at each end."""
    chance = np.random.default_rng([7, seed])
    page = np.concatenate([np.full(10, -1), np.array(order), np.full(10, -1)])
    top, count = clean.max(), page.size
    power = np.where(page < 0, 0.0, clean[page]) * (1 + noise * chance.standard_normal(count))
    power = power * (1 + 0.03 * np.linspace(-0.5, 0.5, count))
    power = power + top * (2e-3 + floor * chance.standard_normal(count))
    return np.arange(count) * 1.0, page, power
