"""What the panel shows in a bring-up: gratings, regions of them, and masks that are tilted or bent.

States (rows, columns) of the whole panel, y up, unless said otherwise.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from maskforge.align.scene import Scene
from maskforge.launch.couplings import back_propagated
from maskforge.launch.fourier import axis
from maskforge.launch.light import Real, illumination, zernike
from maskforge.launch.modulator import Carrier, Complex, Levels
from maskforge.launch.panel import Picture, rendered
from maskforge.launch.targets import lp_target
from maskforge.methods.problem import overall_phase

Region = NDArray[np.bool_]


def tilted(scene: Scene, carrier: Carrier) -> Complex:
    """exp(i phase) of a carrier on the whole panel."""
    rows, columns = scene.whole.shape
    across, up = (
        np.exp(2j * np.pi * frequency * axis(count, 1.0))
        for frequency, count in zip(carrier.frequency, (columns, rows), strict=True)
    )
    return np.asarray(up[:, None] * across)


def shown(scene: Scene, wanted: Complex) -> Levels:
    """The states that lie furthest along the wanted phase factors: most light in their order."""
    return np.asarray(scene.whole.alphabet.support(wanted), dtype=np.uint16)


def picture(scene: Scene, states: NDArray[np.integer]) -> Picture:
    """The panel as a picture, row 0 on top."""
    return rendered(scene.whole, states)


def within(scene: Scene, region: Region, states: Levels) -> Picture:
    """The states in a region, state 0 around it."""
    return picture(scene, np.where(region, states, np.uint16(0)))


def box(scene: Scene, x: tuple[float, float], y: tuple[float, float]) -> Region:
    """Pixels whose centres lie between two x and two y."""
    across, up = scene.axes
    return np.asarray(((up > y[0]) & (up < y[1]))[:, None] & ((across > x[0]) & (across < x[1])))


def disc(scene: Scene, centre: tuple[float, float], diameter: float) -> Region:
    """Pixels whose centres lie in a disc."""
    across, up = scene.axes
    far = np.hypot(across - centre[0], (up - centre[1])[:, None])
    return np.asarray(far < diameter / 2)


def snapped(scene: Scene, along: int, place: float) -> float:
    """The border between pixels (along x: 0, y: 1) that is nearest to a place."""
    first, pitch = scene.edges[along][0], scene.modulator.pitch_seen[along]
    return first + round((place - first) / pitch) * pitch


def stripes(scene: Scene, first: int, second: int, period: int) -> Levels:
    """Two states in turn along x, half a period (even, in pixels) each."""
    rows, columns = scene.whole.shape
    line = np.where(np.arange(columns) // (period // 2) % 2 == 0, first, second)
    return np.broadcast_to(line.astype(np.uint16), (rows, columns))


def diagonal(scene: Scene, period: int, shift_deg: float) -> Levels:
    """A grating whose order lies at one fringe in `period` pixels along x and along y.

    Moved along by `shift_deg`, which turns the phase of its order by just that where it is a
    multiple of 360 / period: any alphabet then shows the same grating, moved by whole pixels.
    """
    rows, columns = scene.whole.shape
    place = np.add.outer(np.arange(rows), np.arange(columns)) % period
    # half a step beside the states' borders, so that rounding decides nothing
    turns = (np.arange(period) + 0.5) / period + shift_deg / 360
    return np.asarray(shown(scene, np.exp(2j * np.pi * turns))[place])


def diagonal_carrier(period: int) -> Carrier:
    """The carrier of `diagonal`."""
    return Carrier(period / float(np.sqrt(2)), float(np.pi / 4))


def wavefront(scene: Scene) -> Complex:
    """exp(i phase) of the nominal light and the panel's flatness map."""
    light = illumination(scene.light, *scene.axes)
    if scene.whole.flatness is not None:
        light = light * np.exp(2j * np.pi * scene.whole.flatness)
    return np.asarray(np.exp(1j * np.angle(light)))


def flat(scene: Scene, carrier: Carrier) -> Complex:
    """Phase factors that send the nominal light to a carrier's order as a flat wave."""
    return np.asarray(tilted(scene, carrier) * np.conj(wavefront(scene)))


def zernike_map(scene: Scene, index: int, radius: float) -> Real:
    """Noll's polynomial of unit RMS on a disc of `radius` m around the nominal beam."""
    across, up = (z - offset for z, offset in zip(scene.axes, scene.light.offset, strict=True))
    rho, theta = np.hypot(across, up[:, None]), np.arctan2(up[:, None], across)
    return zernike(index, rho / radius, theta)


def fundamental(scene: Scene, carrier: Carrier) -> Callable[[Complex], Picture]:
    """A maker of the panel's picture with the simple LP01 mask times phase factors of one's own.

    The factors (rows, columns) are those of the bench's mask; around it is the bench's background.
    """
    launch = scene.launch(carrier, whole=False)
    vector = lp_target(scene.basis, "LP01").vector
    back = back_propagated(launch, vector)
    back = back * overall_phase(launch, vector, back)

    def made(factors: Complex) -> Picture:
        states = scene.modulator.alphabet.support(back * factors)
        return rendered(scene.modulator, states)

    return made


def mask_axes(scene: Scene) -> tuple[Real, Real]:
    """x and y of the mask's pixels in m from its middle."""
    rows, columns = scene.modulator.shape
    pitch = scene.modulator.pitch_seen
    return axis(columns, pitch[0]), axis(rows, pitch[1])
