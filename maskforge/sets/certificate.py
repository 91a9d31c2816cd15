"""The proofs of a set's bounds: `certificate.npz`, from which anyone can compute them again.

A row is one vector of multipliers mu and the phases of <t, c> for which it speaks; rows of one mask
and one purity are a cover of all phases.  Rows stand by mask in play order, then by purity.

multipliers  [row, mode] complex128, the modes as in the manifest
mask         [row] int64, the mask's number in play order, from 0
purity       [row] float64, P, for which the bound holds: the manifest's `bound_purity`, and where
             that is lower than what was asked also the asked one, of `bound_asked`
spans        [row, 2] int64, from and to, of the phase of <t, c> in steps of 0.05 degrees; those of
             a cover go once around, and one may go on past the full turn of 7200 steps
targets      [mask, mode] complex128, t, the unit vectors of the targets

To check a bound, with <a, b> = sum over modes of conj(a_k) b_k, for the rows of a mask and purity:

1. kappa = sqrt(1/P - 1), a = <t, mu>, z = mu - t a.
2. With c_k = c0_k + sum over pixels x of w_k(x) a(x) s(x) the coupling of mode k, s(x) the pixel's
   state and c0 the light that the pixels cannot change,

       v(x) = conj(a(x)) sum over k of mu_k conj(w_k(x)),
       H(w) = max over states s of Re(exp(-i w) s),
       F(d) = Re(exp(-i d) <mu, c0>) + sum over x of |v(x)| H(arg v(x) + d).

   F is wanted at the 7200 turns d = 0, 0.05, ... degrees.  Split each v between its two neighbours
   of the 7200 directions (v = p e1 + q e2, p and q >= 0), add p and q up direction by direction,
   and the sum over x is at all turns at once a circular correlation with H, by FFT.  The split can
   only make F larger, since h(v) = |v| H(arg v) is sublinear.
   With crosstalk H is the largest |s| at every w: a blurred phase leaves the states' hull, but not
   the disc of the largest amplitude.
3. For the step from phase n to n + 1 (in steps, as all angles here) of a row's span, the lesser of

       turned      F(d) / (|a| cos(0.1 degrees) - kappa |z|), d = n - floor(arg a) steps,
       not turned  F(0) / (|a| cos(x) - kappa |z|), x from arg a to the farther end of the step,

   each where its denominator is positive; else it proves nothing.
4. The largest of these over all steps of all spans, squared, is the bound; where it is negative, no
   mask is so pure, and the bound is 0.

Why: for every mask F(d) >= Re<exp(i d) mu, c> (weak duality).  With y the angle between <t, c> and
exp(i d) a that is at least |a| |<t, c>| cos y - |z| |c - t <t, c>|; where the mask is as pure as P,
|c - t <t, c>| <= kappa |<t, c>|, so that (|a| cos y - kappa |z|) |<t, c>| <= F(d).  mu turned by d
has its phase less than two steps from any in its step, so that cos y >= cos(0.1 degrees).  Every
mask has some phase of <t, c>, and a span that speaks for it.

The scale of mu is free; it is near 1 here, and `check` wants it to be (see `proofs.SIZES`).
"""

from collections.abc import Sequence
from typing import Any

import numpy as np

from maskforge.launch.targets import Target
from maskforge.methods.problem import Certificate, Design

Proven = tuple[Target, tuple[Certificate, ...]]
"""A mask's target, and the proofs of its design by purity."""


def proofs_of(target: Target, made: Design) -> Proven:
    """The proofs of a design: of its bound, and of that at the asked purity if that was lowered."""
    return target, tuple(one for one in (made.certificate, made.excluded) if one is not None)


def certificate(proven: Sequence[Proven]) -> dict[str, Any]:
    """The arrays of certificate.npz, by name, from the masks' proofs in play order."""
    modes = len(proven[0][0].vector)
    covers = [(index, one) for index, (_, own) in enumerate(proven) for one in own]
    counts = [len(one.multipliers) for _, one in covers]
    return {
        "multipliers": np.array(
            [row for _, one in covers for row in one.multipliers], dtype=np.complex128
        ).reshape(-1, modes),
        "mask": np.repeat(np.array([index for index, _ in covers], dtype=np.int64), counts),
        "purity": np.repeat(np.array([one.purity for _, one in covers], dtype=np.float64), counts),
        "spans": np.array([row for _, one in covers for row in one.spans], dtype=np.int64).reshape(
            -1, 2
        ),
        "targets": np.array([target.vector for target, _ in proven], dtype=np.complex128),
    }
