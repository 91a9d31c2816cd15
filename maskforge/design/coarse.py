"""A mask design on blocks of pixels, with a smooth stand-in for the alphabet: where to start from.

The back-propagated modes vary slowly, so that a block of pixels stands for its own.  A carrier
turns the alphabet from pixel to pixel, which leaves the mean of its support function over all
turns: a disc of the hull's mean width (its perimeter / (2 pi), Cauchy's formula).  Without a
carrier two states leave a line; more of them are taken for a disc too.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from maskforge.design.convex import Model, real_of
from maskforge.design.draft import draft_of
from maskforge.launch import Launch, couplings
from maskforge.modulator import Alphabet
from maskforge.optics import fourier_rows

DIM = 1e-5
"""Blocks with less light than this share of the brightest are left out."""


@dataclass(frozen=True, eq=False)
class Hull:
    """A stand-in for a hull: `middle` + a disc of `radius`, or + a line from -`half` to `half`."""

    middle: complex
    radius: float
    half: complex | None


def hull_of(alphabet: Alphabet, *, carried: bool) -> Hull:
    """Steiner point and mean width of a hull, from its support function over all angles."""
    if alphabet.is_line and not carried:
        ends = alphabet.values[alphabet.hull]
        return Hull(complex(ends.mean()), 1.0, complex(ends[0] - ends[1]) / 2)
    turns = np.exp(2j * np.pi * np.arange(3600) / 3600)
    width = np.real(np.conj(turns) * alphabet.values[alphabet.support(turns)])
    return Hull(complex(2 * np.mean(width * turns)), float(np.mean(width)), None)


@lru_cache(maxsize=4)
def coarse_of(launch: Launch, stride: int) -> Model:
    """The dual's model of a launch on blocks of `stride` x `stride` pixels."""
    alphabet = launch.modulator.alphabet
    hull = hull_of(alphabet, carried=launch.centre != (0.0, 0.0))
    beam, x, y = _blocks(launch, stride)
    draft = draft_of(launch)
    # with the offset the rows hold the slant, but for a phase of the whole
    across = fourier_rows(x + launch.lens_offset[0], draft.u, launch.scale).astype(np.complex64)
    up = fourier_rows(y + launch.lens_offset[1], draft.u, launch.scale).astype(np.complex64)
    lit = np.abs(beam) > DIM * np.abs(beam).max()
    fields = draft.kernel.reshape(len(launch.basis), draft.u.size, draft.u.size)
    modes = np.stack([(up.T @ (field @ across))[lit] for field in fields])
    back = np.conj(-1j * modes * beam[lit]).T
    fixed = couplings(launch, np.full(launch.modulator.shape, hull.middle))
    if hull.half is not None:
        back = back * np.conj(hull.half)
    real = np.hstack([back.real, -back.imag]).astype(np.float32)
    imag = None if hull.half is not None else np.hstack([back.imag, back.real]).astype(np.float32)
    return Model(real, imag, hull.radius, real_of(fixed))


def _blocks(
    launch: Launch, stride: int
) -> tuple[NDArray[np.complex128], NDArray[np.float64], NDArray[np.float64]]:
    """Light without the carrier's tilt (blocks y, blocks x), and the blocks' centres in m."""
    (rows, columns), pitch = launch.modulator.shape, launch.modulator.pitch_seen
    ny, nx = -(-rows // stride), -(-columns // stride)
    tilt_x = np.exp(2j * np.pi / launch.scale * launch.x * launch.centre[0])
    tilt_y = np.exp(2j * np.pi / launch.scale * launch.y * launch.centre[1])
    top, left = (ny * stride - rows) // 2, (nx * stride - columns) // 2
    beam = np.zeros((ny * stride, nx * stride), dtype=complex)
    beam[top : top + rows, left : left + columns] = launch.incident * tilt_y[:, None] * tilt_x
    blocks = beam.reshape(ny, stride, nx, stride).sum(axis=(1, 3))
    x = launch.x[0] + (np.arange(nx) * stride - left + (stride - 1) / 2) * pitch[0]
    y = launch.y[0] + (np.arange(ny) * stride - top + (stride - 1) / 2) * pitch[1]
    return blocks, x, y
