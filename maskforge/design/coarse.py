"""The dual of a mask design on blocks of pixels, with a smooth stand-in for the alphabet.

With D_x = conj(a_x) conj(w_kx) the dual is convex in K complex multipliers mu,

    F(z) = Re<mu, c0> + sum over pixels of h_S(D_x mu),    mu = (1 + kappa |z|) t - z,  z _|_ t,

(the `nu` of the design page is |z| at the optimum, since F grows with it), and its gradient in z is
kappa Re<t, c> z/|z| - (c - t<t, c>): at the minimum the asked purity is met with equality.  D varies
slowly, so a block of pixels stands for its own; a carrier turns the alphabet from pixel to pixel,
which leaves the mean over all turns: a disc of the hull's mean width (its perimeter / 2 pi, Cauchy).
Without a carrier two states leave a line, more of them nearly a disc.  The kink at 0 is smoothed by
h = r sqrt(v^2 + d^2), d shrinking, and Newton steps follow the minimum.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from maskforge.design.draft import FastReal, draft_of
from maskforge.launch import Launch, couplings
from maskforge.modulator import Alphabet
from maskforge.optics import axis, fourier_rows

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]


@dataclass(frozen=True, eq=False)
class Support:
    """A hull's stand-in: `middle` + a disc of `radius`, or + a line from -`half` to `half`."""

    middle: complex
    radius: float
    half: complex | None


def support_of(alphabet: Alphabet, *, carried: bool) -> Support:
    """Middle (Steiner point) and mean width of a hull, from its support function over all angles."""
    if alphabet.is_line and not carried:
        ends = alphabet.values[alphabet.hull]
        return Support(complex(ends.mean()), 0.0, complex(ends[0] - ends[1]) / 2)
    turns = np.exp(2j * np.pi * np.arange(3600) / 3600)
    width = np.real(np.conj(turns) * alphabet.values[alphabet.support(turns)])
    return Support(complex(2 * np.mean(width * turns)), float(np.mean(width)), None)


@dataclass(frozen=True, eq=False)
class Coarse:
    """`rows` (blocks, 2 K) float32: Re v = rows[:, :] . (Re mu, Im mu), and `turned`: Im v.

    With a line both are of v / half, and only Re counts.  `fixed` (K,): couplings of what no pixel
    can change, the gaps and the alphabet's middle.
    """

    real: FastReal
    imag: FastReal
    support: Support
    fixed: Complex


@lru_cache(maxsize=4)
def coarse_of(launch: Launch, stride: int) -> Coarse:
    """Blocks of `stride` x `stride` pixels of a launch."""
    modulator, draft = launch.modulator, draft_of(launch)
    rows, columns = modulator.shape
    support = support_of(modulator.alphabet, carried=launch.centre != (0.0, 0.0))
    ny, nx = -(-rows // stride), -(-columns // stride)
    tilt = np.exp(
        2j * np.pi / launch.scale
        * (launch.y[:, None] * launch.centre[1] + launch.x * launch.centre[0])
    )
    beam = np.zeros((ny * stride, nx * stride), dtype=complex)
    top, left = (ny * stride - rows) // 2, (nx * stride - columns) // 2
    beam[top : top + rows, left : left + columns] = launch.incident * tilt
    beam = beam.reshape(ny, stride, nx, stride).sum(axis=(1, 3))
    # the blocks' centres follow from the padding, which may be uneven by one pixel
    x = launch.x[0] + (np.arange(nx) * stride - left + (stride - 1) / 2) * modulator.pitch_seen[0]
    y = launch.y[0] + (np.arange(ny) * stride - top + (stride - 1) / 2) * modulator.pitch_seen[1]
    across = fourier_rows(x, draft.u, launch.scale).astype(np.complex64)
    up = fourier_rows(y, draft.u, launch.scale).astype(np.complex64)
    kernel = draft.kernel.reshape(len(launch.basis), draft.u.size, draft.u.size)
    weights = np.stack([up.T @ (field @ across) for field in kernel])
    lit = np.abs(beam) > 1e-5 * np.abs(beam).max()
    back = np.conj(-1j * weights[:, lit] * beam[lit]).T
    if support.half is not None:
        back *= np.conj(support.half)
    ones = np.full(modulator.shape, support.middle)
    return Coarse(
        real=np.ascontiguousarray(np.hstack([back.real, -back.imag]), dtype=np.float32),
        imag=np.ascontiguousarray(np.hstack([back.imag, back.real]), dtype=np.float32),
        support=support,
        fixed=couplings(launch, ones),
    )
