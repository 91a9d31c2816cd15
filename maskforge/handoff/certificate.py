"""The proofs of a set's bounds: `certificate.npz`, from which anyone can compute them again."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from maskforge.design.problem import Certificate
from maskforge.modulator import Complex


def certificate(
    proofs: Sequence[tuple[Complex, Certificate | None]],
) -> tuple[Complex, NDArray[np.float64], Complex]:
    """The arrays `multipliers`, `purity`, `targets` of certificate.npz.

    They come from each mask's unit target (K,) and, where it has one, its certificate.
    `multipliers` [mask, mode] complex128 and `purity` [mask], for which the bound holds (below
    what was asked where that is out of reach), are NaN for masks without a proof; `targets`
    [mask, mode] complex128.  Modes as in the manifest.  To check the bound of a mask, with its
    multipliers mu, target t, purity P and <a, b> = sum over modes of conj(a_k) b_k:

    1. kappa = sqrt(1/P - 1), nu = (|<t, mu>| - 1) / kappa and z = mu - t <t, mu>; |z| <= nu.
    2. With c_k = c0_k + sum over pixels x of w_k(x) a(x) s(x) the coupling of mode k, s(x) the
       pixel's state and c0 the light that the pixels cannot change,

           F = Re<mu, c0> + sum over x of max over states s of Re(conj(v(x)) s),
           v(x) = conj(a(x)) sum over k of mu_k conj(w_k(x)).

    3. The bound is F^2 (0 where F < 0).

    Why: F is at least Re<mu, c> for every mask.  Where <t, c> has the phase of <t, mu>, that is
    (1 + kappa nu) |<t, c>| + Re<z, c>; where the mask is also as pure as P, |c - t <t, c>| is at
    most kappa |<t, c>|, so that Re<z, c> >= -nu kappa |<t, c>| and F >= |<t, c>|.
    The phase is that of the overall turn which the design chose as the best one.  Crosstalk is
    left out: the states are the alphabet's.
    """
    targets = np.array([target for target, _ in proofs], dtype=np.complex128)
    multipliers = np.full(targets.shape, complex(np.nan, np.nan), dtype=np.complex128)
    purity = np.full(len(proofs), np.nan)
    for index, (_, proof) in enumerate(proofs):
        if proof is not None:
            multipliers[index], purity[index] = proof.multipliers, proof.purity
    return multipliers, purity, targets
