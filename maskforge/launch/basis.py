"""The modes of the basis, and targets: LP and LG fields, orientations, superpositions."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from maskforge.fiber.modes import RadialMode

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]


class Counted(Protocol):
    """What a coupling is counted for: a guided mode, or an output of a device behind them."""

    @property
    def group(self) -> int: ...


@dataclass(frozen=True)
class Mode:
    """One guided field: radial(r) times cos(l theta), sin(l theta) or 1, of unit power.

    `polarisation`: x or y where both count; None: light has one.
    """

    index: int
    part: str | None
    radial: RadialMode
    polarisation: str | None = None

    @property
    def label(self) -> str:
        return self.radial.label

    @property
    def l(self) -> int:  # noqa: E743 - the field's letter
        return self.radial.l

    @property
    def p(self) -> int:
        return self.radial.p

    @property
    def group(self) -> int:
        return self.radial.group

    @property
    def n_eff(self) -> float:
        return self.radial.n_eff


Basis = tuple[Mode, ...]


def basis_of(radial: Sequence[RadialMode]) -> Basis:
    """The modes of radial solutions in their order, cos before sin."""
    kinds = [
        (part, mode) for mode in radial for part in ((None,) if mode.l == 0 else ("cos", "sin"))
    ]
    return tuple(Mode(index, part, mode) for index, (part, mode) in enumerate(kinds))


POLARISATIONS = ("x", "y")


def polarised(basis: Basis) -> Basis:
    """All modes of a basis in x, then all in y."""
    both = [replace(mode, polarisation=one) for one in POLARISATIONS for mode in basis]
    return tuple(replace(mode, index=index) for index, mode in enumerate(both))


def unpolarised(basis: Basis) -> Basis:
    """The modes of one polarisation of such a basis, as fields."""
    own = [mode for mode in basis if mode.polarisation in (None, POLARISATIONS[0])]
    return tuple(replace(mode, polarisation=None) for mode in own)


def groups_of(ends: Sequence[Counted]) -> NDArray[np.intp]:
    """The group of each of them."""
    return np.array([one.group for one in ends])


def sampled(basis: Sequence[Mode], u: Real, v: Real, kind: type = np.float64) -> Real:
    """Fields (K, len(v), len(u)) in 1/m: the integral of each one's square over the plane is 1.

    Of any modes, in their order; kept as numbers of a `kind`.
    """
    angle = np.arctan2(v[:, None], u)
    out: Real = np.empty((len(basis), v.size, u.size), kind)
    radii, place_of = _radii(u, v)
    # in this order a shape, and an angular factor, is made once and serves all that have it
    order = sorted(range(len(basis)), key=lambda k: (basis[k].l, basis[k].part or "", k))
    shapes: dict[int, Real] = {}
    turned, made = angle, (0, "")
    for at, place in enumerate(order):
        mode = basis[place]
        if mode.l != basis[order[at - 1]].l:
            shapes = {}
        found = shapes.get(id(mode.radial))
        if found is None:
            found = shapes[id(mode.radial)] = mode.radial.field(radii)
        shape = np.take(found, place_of)
        if mode.part is None:
            out[place] = shape / np.sqrt(2 * np.pi)
            continue
        if made != (mode.l, mode.part):
            made = mode.l, mode.part
            turned = (np.sin if mode.part == "sin" else np.cos)(mode.l * angle)
        out[place] = shape * turned / np.sqrt(np.pi)
    return out


def _radii(u: Real, v: Real) -> tuple[Real, NDArray[np.intp]]:
    """Radii of which each, where the samples allow, stands for those on both sides of the axes and
    of the diagonals, and which of them the samples (len(v), len(u)) have."""
    (right, along), (up, across) = (np.unique(np.abs(z), return_inverse=True) for z in (u, v))
    quarter = np.hypot(right, up[:, None])
    if not np.array_equal(right, up):
        places = np.arange(quarter.size).reshape(quarter.shape)
        return quarter.ravel(), places[np.ix_(across, along)]
    upper = np.triu_indices(right.size)
    places = np.zeros(quarter.shape, np.intp)
    places[upper] = np.arange(upper[0].size)
    # the diagonal stands in both halves
    places += np.triu(places, 1).T
    return quarter[upper], places[np.ix_(across, along)]


def labels_of(basis: Basis) -> tuple[str, ...]:
    """The basis's labels, each once, in order."""
    return tuple(dict.fromkeys(mode.label for mode in basis))


def rotated(basis: Basis, vector: Complex, angle: float) -> Complex:
    """The vector (K,) of a field turned by `angle` degrees, counter-clockwise."""
    out = np.array(vector, dtype=complex)
    sines = {mode.label: mode.index for mode in basis if mode.part == "sin"}
    for mode in basis:
        if mode.part == "cos":
            first, second = mode.index, sines[mode.label]
            turn = mode.l * np.deg2rad(angle)
            cos, sin = np.cos(turn), np.sin(turn)
            out[first] = cos * vector[first] - sin * vector[second]
            out[second] = sin * vector[first] + cos * vector[second]
    return out


def mode_name(mode: Mode) -> str:
    """ "LP21 cos", or "LP01" where the label is one mode; "LP21 cos x" where both polarisations
    count."""
    return joined_name(mode.label, mode.part, mode.polarisation)


def joined_name(*parts: str | None) -> str:
    """A mode's name of its label, part and polarisation, those that it has."""
    return " ".join(filter(None, parts))
