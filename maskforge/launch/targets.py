"""What masks are for: LP modes at orientations, Laguerre-Gauss modes, superpositions."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import factorial

import numpy as np

from maskforge.base.errors import BenchError
from maskforge.launch.basis import Basis, Complex, Real, labels_of


@dataclass(frozen=True, eq=False)
class Target:
    """A wanted launch: `vector` (K,) of unit length over the modes of a basis.

    `held` is the share of the wanted field's power that the basis can hold (1 for LP modes).
    `orientation` in degrees, counter-clockwise from +x.
    """

    name: str
    orientation: float
    vector: Complex
    held: float = 1.0


def orientations_of(l: int, count: int) -> Real:
    """`count` angles in degrees spaced 180 / (l count) from 0; one for l = 0."""
    return np.arange(count) * 180.0 / (l * count) if l else np.zeros(1)


def lp_target(basis: Basis, label: str, orientation: float = 0.0) -> Target:
    """cos(l (theta - orientation)) of the label; `orientation` in degrees.

    Raises BenchError where the basis has no such label.
    """
    vector: Complex = np.zeros(len(basis), dtype=complex)
    for mode in basis:
        if mode.label == label:
            turn = mode.l * np.deg2rad(orientation)
            vector[mode.index] = np.sin(turn) if mode.part == "sin" else np.cos(turn)
    if not vector.any():
        raise BenchError(f"no guided mode {label}; the basis holds {', '.join(labels_of(basis))}")
    return Target(label, orientation, vector)


def transferred(vector: Complex, basis: Basis, other: Basis) -> Complex:
    """The same sum of modes (K,) in another basis, which must hold those that are in it."""
    place = {(mode.label, mode.part): mode.index for mode in other}
    out: Complex = np.zeros(len(other), dtype=complex)
    for mode in basis:
        if vector[mode.index]:
            out[place[mode.label, mode.part]] = vector[mode.index]
    return out


def held_by(other: Basis, vector: Complex, basis: Basis) -> bool:
    """Whether another basis holds all modes that are in a sum of modes (K,) of a basis."""
    have = {(mode.label, mode.part) for mode in other}
    return all((mode.label, mode.part) in have for mode in basis if vector[mode.index])


def parse_lg(label: str) -> tuple[int, int]:
    """Radial index p and signed azimuthal index l of a label like LG0+1."""
    match = re.fullmatch(r"LG(\d+)([+-]\d+)", label)
    if match is None:
        raise BenchError(f"label {label}: an LG label is LG, p, signed l, as in LG0+1 or LG1-2")
    return int(match[1]), int(match[2])


def lg_label(p: int, l: int) -> str:
    return f"LG{p}{l:+d}"


def lg_radial(p: int, l: int, waist: float, r: Real) -> Real:
    """Radial part of an LG mode at its waist, the integral of its square times r being 1.

    Siegman, Lasers (1986), sec. 16.4, eq. 64.
    """
    from scipy.special import eval_genlaguerre

    k = abs(l)
    x = 2 * r**2 / waist**2
    norm = 2 / waist * np.sqrt(factorial(p) / factorial(p + k))
    return np.asarray(norm * x ** (k / 2) * np.exp(-x / 2) * eval_genlaguerre(p, k, x))


def lg_target(basis: Basis, label: str, waist: float) -> Target:
    """An LG mode of `waist` m: what the basis holds of it, and how much that is."""
    p, l = parse_lg(label)
    r, weight = _radial_rule(basis, waist * np.sqrt(2 * p + abs(l) + 1))
    wanted = lg_radial(p, l, waist, r)
    vector = np.zeros(len(basis), dtype=complex)
    for mode in basis:
        if mode.l != abs(l):
            continue
        overlap = np.sum(weight * wanted * mode.radial.field(r))
        turn = {None: 1.0, "cos": np.sqrt(0.5), "sin": 1j * np.sign(l) * np.sqrt(0.5)}[mode.part]
        vector[mode.index] = overlap * turn
    held = float(np.sum(np.abs(vector) ** 2))
    if held < 1e-3:
        raise BenchError(
            f"the fibre's basis holds {100 * held:.2g} % of {label}: nothing to launch"
        )
    return Target(label, 0.0, (vector / np.sqrt(held)).astype(complex), held)


def gaussian_waist(basis: Basis) -> float:
    """Waist in m of the Gaussian that couples best to LP01 (Marcuse, BSTJ 56, 703, 1977)."""
    first = basis[0].radial
    scale = first.second_moment_diameter / 2
    r, weight = _radial_rule(basis, 2 * scale)
    field = first.field(r) * weight

    def missed(waist: float) -> float:
        return -float(np.sum(field * lg_radial(0, 0, waist, r)))

    # as long to load as most commands take to run
    from scipy.optimize import minimize_scalar

    found = minimize_scalar(missed, bounds=(scale / 3, 3 * scale), options={"xatol": 1e-6 * scale})
    return float(found.x)


@lru_cache(maxsize=8)
def _extent(basis: Basis) -> float:
    """Radius in m outside of which no mode has more than 1e-12 of its power."""
    return max(mode.radial.field.radius_enclosing(1e-12) for mode in basis)


def _radial_rule(basis: Basis, reach: float) -> tuple[Real, Real]:
    """Gauss points and weights (r included) out to where the modes and `reach` have died."""
    end = max(6 * reach, _extent(basis))
    x, w = np.polynomial.legendre.leggauss(24)
    edges = np.linspace(0, end, 1 + int(np.ceil(8 * end / reach)))
    half = np.diff(edges)[:, None] / 2
    r = edges[:-1, None] + half * (x + 1)
    return r.ravel(), (half * w * r).ravel()


def superposition(
    basis: Basis, name: str, weights: Mapping[tuple[str, str | None], complex]
) -> Target:
    """Complex weights of (label, part) modes, scaled to unit power."""
    vector = np.zeros(len(basis), dtype=complex)
    place = {(mode.label, mode.part): mode.index for mode in basis}
    for key, weight in weights.items():
        if key not in place:
            known = ", ".join(label if part is None else f"{label} {part}" for label, part in place)
            wanted = key[0] if key[1] is None else f"{key[0]} {key[1]}"
            raise BenchError(f"{name}: no guided mode {wanted}; the basis holds {known}")
        vector[place[key]] += weight
    length = float(np.linalg.norm(vector))
    if length == 0:
        raise BenchError(f"{name}: its weights are all 0")
    return Target(name, 0.0, (vector / length).astype(complex))


def all_targets(
    basis: Basis, labels: Sequence[str] | None, orientations: int
) -> tuple[Target, ...]:
    """LP targets in play order: labels (None: all) in their order, each over its orientations."""
    order = {mode.label: mode.l for mode in basis}
    wanted = labels if labels is not None else tuple(order)
    return tuple(
        lp_target(basis, label, float(angle))
        for label in wanted
        for angle in orientations_of(order.get(label, 0), orientations)
    )


def all_lg_targets(basis: Basis, labels: Sequence[str] | None, waist: float) -> tuple[Target, ...]:
    """LG targets in play order; None: all of the basis's groups."""
    if labels is None:
        top = max(mode.group for mode in basis)
        labels = [
            lg_label((g - 1 - k) // 2, sign * k)
            for g in range(1, top + 1)
            for k in range(g - 1, -1, -2)
            for sign in ((1,) if k == 0 else (1, -1))
        ]
    return tuple(lg_target(basis, label, waist) for label in labels)


def target_field(fields: Real, target: Target) -> Complex:
    """The target's guided field (rows, columns) from the modes' fields (K, rows, columns)."""
    return np.asarray(np.tensordot(target.vector, fields, axes=1))


def described(name: str, orientation: float) -> str:
    """What a page shows: the target and its orientation in degrees, as in "LP21 30 deg"."""
    return f"{name} {orientation:g} deg"
