"""What modes near their cut-off have far from the core, on samples as wide apart as light allows.

Close samples serve what is narrow, the core and its edge.  Far out a mode is smooth, and two
samples do for the finest detail of the light, or for a core radius.  So such a mode's field is
parted in two, by a smooth weight that falls from 1 to 0 between the profile's last edge and the end
of the close samples.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from maskforge.base.wording import some_of
from maskforge.fiber.profile import Profile
from maskforge.launch.basis import Basis, Mode, sampled
from maskforge.launch.fourier import axis
from maskforge.launch.light import Real
from maskforge.launch.mode_samples import axis_within, farthest_reach
from maskforge.launch.special import erfc

TAIL_POWER = 1e-11
"""Power of a mode that may lie outside the facet samples: 3e-6 in amplitude."""

SAMPLES_PER_CORE_RADIUS = 12, 24
"""Where the index is smooth, and where it has a step; a coupling is then right to 2e-6."""

SMOOTH = 0.1
"""Of the index contrast: a profile that changes no more over a sample is smooth there."""

WHOLE = 2**22
"""Field values of all modes, 32 MiB, up to which modes are not parted."""

MISSED = 1e-6
"""Of a mode's power, from where on it is told: 1e-3 of its amplitude."""

DEEP = 5.0
"""Of the weight erfc(z)/2 where it is taken for 0 or 1: erfc(5) is 1.5e-12."""

WIDE = 1.1
"""What z = 1 is, in pairs of far samples.  The weight's spectrum, exp(-(pi WIDE k)^2) at k a pair,
is 2e-12 at k = 1.5, from where the samples repeat it in that of the light, below 1/2."""


@dataclass(frozen=True, eq=False)
class Tails:
    """Modes (k,) by their place in the basis, whose field beyond the close samples is held on
    others, `u` in m along both axes: `kernel` (k, len(u)^2), as `Launch.kernel`."""

    modes: NDArray[np.intp]
    u: Real
    kernel: Real


def held(
    basis: Basis, profile: Profile, detail: float, finest: float
) -> tuple[Real, Real, Tails | None]:
    """Samples u in m, and the kernel (K, len(u)^2) of the modes there, as `Launch` has them; and
    their tails, None where all is on these samples.

    `detail` in m is the finest one that the mask can form, `finest` that of all the light.  No mode
    has more than TAIL_POWER outside, as far as `axis_within` allows.
    """
    # half the finest detail: the sum over samples is then the integral for every mask
    step = min(_step(profile), detail / 2)
    reach, spacing = farthest_reach(basis, TAIL_POWER), min(finest, profile.core_radius) / 2
    whole = len(basis) * (2 * np.ceil(reach / step) + 1) ** 2
    width = WIDE * 2 * spacing
    middle = profile.edges[-1] + DEEP * width
    u = axis(2 * int(np.ceil((middle + DEEP * width) / step)) + 1, step)
    modes = np.array([k for k, one in enumerate(basis) if outside(one, u[-1]) > TAIL_POWER], int)
    far = axis_within(reach, spacing, max(1, modes.size))
    parted = len(basis) * u.size**2 + modes.size * far.size**2
    if whole <= max(WHOLE, 2 * parted):
        u = axis_within(reach, step, len(basis))
        return u, _kernel(basis, u), None
    kernel, beyond = _kernel(basis, u), _kernel([basis[k] for k in modes], far)
    kernel[modes] *= erfc((_radii(u) - middle) / width) / 2
    beyond *= erfc((middle - _radii(far)) / width) / 2
    return u, kernel, Tails(modes, far, beyond)


def _step(profile: Profile) -> float:
    """Facet samples in m that resolve the modes of a profile."""
    coarse, fine = (profile.core_radius / count for count in SAMPLES_PER_CORE_RADIUS)
    edges = np.array(profile.edges)
    change = np.abs(profile.at(edges + coarse / 2) - profile.at(np.maximum(edges - coarse / 2, 0)))
    return coarse if np.all(change < SMOOTH) else fine


def outside(mode: Mode, radius: float) -> float:
    """Share of a mode's power outside a radius in m."""
    return mode.radial.field.power_outside(radius)


def _radii(u: Real) -> Real:
    return np.hypot(u, u[:, None]).ravel()


def _kernel(modes: Basis | list[Mode], u: Real) -> Real:
    """The modes' fields (k, len(u)^2) times the samples' area."""
    fields = sampled(modes, u, u).reshape(len(modes), -1)
    fields *= (u[1] - u[0]) ** 2
    return fields


def left_out(basis: Basis, cladding_index: float, reach: float) -> str | None:
    """In words which modes have more than MISSED of their power farther than `reach` in m along the
    axes, where their light is left out of the couplings; None: none has."""
    shares = {mode.radial: outside(mode, reach) for mode in basis}
    cut = [one for one, share in shares.items() if share > MISSED]
    if not cut:
        return None
    worst = max(cut, key=lambda one: shares[one])
    names = [one.label for one in cut]
    own = "it" if len(set(names)) == 1 else f"that of {worst.label}"
    return (
        f"light of {some_of(names)}, so near to cut-off, is left out beyond {1e6 * reach:.0f} um "
        f"from the axis: {100 * shares[worst]:.2g} % of {own}, at an n_eff "
        f"{worst.n_eff - cladding_index:.1e} above the cladding's"
    )
