"""The beam inside the pixels: what of it counts on the facet.

A pixel of state s sends s times the integral of the beam A(x) exp(-2 pi i k.x) over its square, k
the facet's place over lambda f.  With A in Legendre polynomials of the place within the pixel, the
sum of a_mn P_m(2 xi / w_x) P_n(2 eta / w_y), each has an envelope of its own,

    mean over the pixel of P_m(2 xi / w) exp(-2 pi i k xi) = (-i)^m j_m(pi w k)

(DLMF 10.54.2), j_0 being the well-known sinc.  All of it is linear in s, and every term takes a
transform of its own.  Two things leave ordinary benches with the first term alone.

Seen from the fibre's axis, k = t, a pixel sends a = sum of a_mn (-i)^(m+n) (j_m j_n / j_0 j_0)(t)
times the first envelope, whatever the beam is.  With a as the light of the first term, the others
only add a_mn times what their envelope is beside t.

What is left of the first order is as if a pixel's light sat beside its centre, nearer to the middle
of the beam.  In a Gaussian beam about the mask's middle that is one factor for all centres.
"""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.polynomial import legendre
from numpy.typing import NDArray

from maskforge.base.arrays import Array, as_complex, conj
from maskforge.launch.light import Complex, Light, Real, along_axes, illumination
from maskforge.launch.special import spherical_bessel

LEFT_OUT = 2e-6
"""What all terms that are left out may add to a coupling, which is right to 1e-5.  A term adds at
most the root of its light's power times its envelope (Cauchy-Schwarz, Parseval)."""

NONLINEAR = 0.5
"""Of that, what a factor of the centres may leave of the first order along its axis."""

ORDERS = 8
"""Orders that are looked at, and nodes along a pixel for it: at 2 pixels a waist, the fewest that a
bench may have, the eighth adds less than 1e-7."""

MEASURED, MEASURED_LEFT_OUT = 4, 5e-5
"""Orders, and what may be left out, of a measured beam: between the image's pixels it is
interpolated, and its noise and kinks, which have all orders, are none of the beam's."""

LOOKED_AT = 18
"""Pixels along each side on which that is done, at least: 3 a waist, where the sums of a Gaussian
times polynomials are exact to 1e-9 (Poisson's formula)."""

EXTENT = 3.0
"""Waists from the beam's middle that they take: 1e-7 of its power lies farther out."""

ACROSS = 9
"""Directions along each axis in which envelopes are compared."""

Pair = tuple[float, float]
Order = tuple[int, int]


@dataclass(frozen=True, eq=False)
class Term:
    """The beam's polynomial of an `order` (along x, along y) in the pixels.

    `light` (rows, columns): its coefficient; `size`: what it adds to a coupling, at most.
    """

    order: Order
    light: Complex
    size: float


@dataclass(frozen=True, eq=False)
class Beam:
    """The beam in squares of `width` (x, y) m about the pixels' centres, seen from `tilt` (1/m).

    `light` (rows, columns): mean amplitude as it is seen from there, the tilt taken out; the sum of
    its square is the share of the beam that the pixels catch, but for a part of the order of
    (pixel / waist)^2 of it.  All light sits at `nearer` (x, y) times the centres' places.
    """

    width: Pair
    tilt: Pair
    light: Complex
    nearer: Pair = (1.0, 1.0)
    terms: tuple[Term, ...] = ()

    def times(self, factors: NDArray[np.number]) -> "Beam":
        """The beam with factors (rows, columns) in its light."""
        terms = tuple(replace(term, light=term.light * factors) for term in self.terms)
        return replace(self, light=np.asarray(self.light * factors), terms=terms)

    def within(self, rows: slice, columns: slice) -> "Beam":
        """A copy of the beam on some of the pixels."""
        terms = tuple(replace(one, light=one.light[rows, columns].copy()) for one in self.terms)
        return replace(self, light=self.light[rows, columns].copy(), terms=terms)


@dataclass(frozen=True, eq=False)
class Layer:
    """What pixels send of a term: `field` times the transform of `light` (rows, columns).

    `envelope` (len(v), len(u)) is real; `turn`: what it is multiplied by, (-i)^(m + n).
    """

    light: Array
    envelope: Array
    turn: complex
    size: float

    @cached_property
    def light_back(self) -> Array:
        """The light's complex conjugate, for the way from the facet to the pixels."""
        return conj(self.light)

    @property
    def field(self) -> Array:
        """Envelope and turn together, real where they are."""
        return self.envelope if self.turn == 1 else self.turn * as_complex(self.envelope)


def layers_of(beam: Beam, area: float, scale: float, u: Real, v: Real) -> tuple[Layer, ...]:
    """What pixels of factors s send, layer by layer: the field on the facet in 1/m, but for -i, is
    the sum of field * transform(light * s), the centres at `nearer` times their places.

    `area` in m^2 of the cell for which the light stands; u, v in m from where the beam's tilt
    leads.  The first layer is that of `beam.light`, and its turn is 1.
    """
    unit = beam.width[0] * beam.width[1] / (np.sqrt(area) * scale)
    across, up = _sides(beam.width, beam.tilt, u / scale, v / scale)
    layers = [Layer(beam.light, unit * _product(across, up, 0, 0), 1, np.inf)]
    for term in beam.terms:
        m, n = term.order
        envelope = unit * _beside(across, up, m, n)
        layers.append(Layer(term.light, envelope, (-1j) ** (m + n), term.size))
    return tuple(layers)


# --- envelopes -----------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Side:
    """Envelopes of the polynomials along one axis of pixels of `width` m, in directions k (1/m)
    from the one at `tilt`."""

    width: float
    tilt: float
    k: Real

    def envelope(self, order: int | NDArray[np.intp]) -> Real:
        """j of the order; of several ones (orders,) all of them."""
        return spherical_bessel(order, np.pi * self.width * (self.tilt + self.k))

    @cached_property
    def shares(self) -> Real:
        """Envelopes of all orders over the first one, where the tilt leads."""
        seen = spherical_bessel(np.arange(ORDERS), np.array(np.pi * self.width * self.tilt))
        return np.asarray(seen / seen[0])

    @property
    def drift(self) -> float:
        """How j_1 / j_0 grows there; its derivative is 1 - 2 (j_1 / j_0) / z + (j_1 / j_0)^2
        (DLMF 10.51.2)."""
        z, share = np.pi * self.width * self.tilt, float(self.shares[1])
        return 1 / 3 + z**2 / 15 if abs(z) < 1e-3 else 1 - 2 * share / z + share**2

    def nearer(self, slope: float) -> float:
        """The factor of the centres' places where the first order is `slope` times place and mean:
        the light then sits drift * width / 2 * slope times the place beside them."""
        return 1 + self.drift * self.width * slope / 2


def inner_envelope(width: float, k: Real) -> Complex:
    """Mean over a pixel of `width` m of the place in it, in m, times exp(-2 pi i k place)."""
    return np.asarray(-0.5j * width * spherical_bessel(1, np.pi * width * k))


def _sides(width: Pair, tilt: Pair, u: Real, v: Real) -> tuple[_Side, _Side]:
    return _Side(width[0], tilt[0], u), _Side(width[1], tilt[1], v)


def _product(across: _Side, up: _Side, m: int, n: int) -> Real:
    return np.asarray(up.envelope(n)[:, None] * across.envelope(m))


def _beside(across: _Side, up: _Side, m: int, n: int) -> Real:
    """An envelope without the part of the first one that it has where the tilt leads."""
    part = across.shares[m] * up.shares[n]
    return np.asarray(_product(across, up, m, n) - part * _product(across, up, 0, 0))


# --- which terms count ---------------------------------------------------------------------------


def beam_within(
    light: Light,
    axes: tuple[Real, Real],
    pitch: Pair,
    width: Pair,
    tilt: Pair,
    reach: float,
    *,
    limit: float = LEFT_OUT,
    nearer: Pair | None = None,
) -> Beam:
    """The beam in pixels of `width` m about centres on `axes` (x, y), as far as it counts.

    `tilt` leads to the fibre's axis; `reach`: how far its modes extend from there, both in 1/m.
    Terms that are left out add less than `limit` to a coupling.  `nearer`: instead of the best.
    """
    limit = limit if light.image is None else max(limit, MEASURED_LEFT_OUT)
    around = np.linspace(-reach, reach, ACROSS)
    across, up = sides = _sides(width, tilt, around, around)
    x, y, stand_for = _looked_at(light, axes)
    found = _polynomials(light, x, y, width) * np.sqrt(np.prod(pitch) * stand_for)
    norms = _norms(light, found)
    slopes = []
    for axis, (side, place, order) in enumerate(((across, x, (1, 0)), (up, y[:, None], (0, 1)))):
        if nearer is None:
            slope = _slope(side, light, axis, place, found[0, 0], found[order], limit)
        else:
            slope = 2 * (nearer[axis] - 1) / (side.drift * side.width)
        found[order] -= slope * place * found[0, 0]
        slopes.append(slope)
    counted = _counted(across, up, _norms(light, found), limit)
    nodes = _nodes(across, up, norms, list(counted), limit)
    unit = float(np.sqrt(np.prod(pitch)))
    seen, *others = _fields(light, axes, sides, nodes, list(counted), slopes, unit)
    return Beam(
        width=width,
        tilt=tilt,
        light=seen,
        nearer=(across.nearer(slopes[0]), up.nearer(slopes[1])),
        terms=tuple(map(Term, counted, others, counted.values())),
    )


def _looked_at(light: Light, axes: tuple[Real, Real]) -> tuple[Real, Real, int]:
    """Some of the centres that the beam falls on, x and y, and how many each of them stands for."""
    if light.image is None:
        half = np.full(2, EXTENT * max(light.waist))
    else:
        assert light.image_pitch is not None
        half = np.array(light.image.shape[::-1]) * light.image_pitch / 2
    some, stand_for = [], 1
    for centres, middle, extent in zip(axes, light.offset, half, strict=True):
        lit = centres[np.abs(centres - middle) <= extent]
        lit = lit if lit.size else centres
        stride = -(-lit.size // LOOKED_AT)
        some.append(lit[(lit.size - 1) % stride // 2 :: stride])
        stand_for *= stride
    return some[0], some[1], stand_for


def _weights(nodes: int) -> tuple[Real, Real]:
    """Gauss-Legendre nodes (nodes,) on -1 .. 1, and what takes a function on them to its Legendre
    coefficients (orders, nodes)."""
    points, weights = legendre.leggauss(nodes)
    shapes = legendre.legvander(points, nodes - 1).T
    return points, shapes * weights * (np.arange(nodes) + 0.5)[:, None]


def _polynomials(light: Light, x: Real, y: Real, width: Pair) -> Complex:
    """Coefficients a (ORDERS of x, ORDERS of y, len(y), len(x)) of the beam in pixels at x, y."""
    points, weights = _weights(ORDERS)
    inside = [(z[:, None] + points * w / 2).ravel() for z, w in zip((x, y), width, strict=True)]
    beam = illumination(light, *inside).reshape(y.size, ORDERS, x.size, ORDERS)
    return np.asarray(np.einsum("ybxa,ma,nb->mnyx", beam, weights, weights, optimize=True))


def _norms(light: Light, found: Complex) -> Real:
    """Roots (ORDERS, ORDERS) of the powers in coefficients; noise of an image is not counted."""
    norms = np.asarray(np.sqrt(np.sum(np.abs(found) ** 2, axis=(2, 3))))
    if light.image is not None:
        norms[MEASURED:], norms[:, MEASURED:] = 0, 0
    return norms


def _slope(
    side: _Side, light: Light, axis: int, place: Real, mean: Complex, first: Complex, limit: float
) -> float:
    """The factor that makes place times mean most like the first order along an axis; 0 where to
    move the centres would not do for it."""
    far = place * mean
    if light.image is None:
        cos, sin = np.cos(light.angle), np.sin(light.angle)
        turns = (cos, sin) if axis == 0 else (sin, cos)
        # A'/A = -2 x/w^2 of a Gaussian, and the first order is half the width times A'
        slope = -side.width * float(np.sum((np.array(turns) / light.waist) ** 2))
    else:
        power = float(np.sum(np.abs(far) ** 2))
        slope = float(np.real(np.vdot(far, first))) / power if power else 0.0
    turn = side.drift * np.pi * side.width * side.k
    envelope, share = side.envelope(0), side.shares[1]
    bent = side.envelope(1) - (share + turn) * envelope
    most = float(np.abs(turn).max())
    rest = (
        np.linalg.norm(slope * far) * np.abs(bent).max()
        + np.linalg.norm(slope * place * first) * abs(share) * most
        + np.linalg.norm((slope * place) ** 2 * mean) * most**2 / 2
    )
    return slope if rest <= NONLINEAR * limit else 0.0


def _counted(across: _Side, up: _Side, norms: Real, limit: float) -> dict[Order, float]:
    """Orders and sizes of the terms that count.

    (m, n) and (n, m) stay or go together, or a symmetric bench would not have symmetric couplings.
    """
    orders = np.arange(ORDERS)
    products = up.envelope(orders)[:, :, None] * across.envelope(orders)[:, None, None, :]
    parts = np.outer(across.shares, up.shares)
    beside = np.abs(products - parts[:, :, None, None] * products[0, 0]).max(axis=(2, 3))
    sizes = {
        (m, n): float(norms[m, n] * beside[m, n]) for m, n in np.ndindex(norms.shape) if m or n
    }
    pairs = {(m, n): sizes[m, n] + sizes[n, m] * (m != n) for m, n in sizes if m >= n}
    smallest = sorted(pairs, key=lambda pair: pairs[pair])
    left_out = int(np.sum(np.cumsum([pairs[pair] for pair in smallest]) <= limit))
    kept = set(smallest[left_out:])
    return {one: size for one, size in sizes.items() if (max(one), min(one)) in kept}


def _nodes(across: _Side, up: _Side, norms: Real, orders: list[Order], limit: float) -> int:
    """Nodes a pixel that find the light as it is seen, and the terms that count.

    On n nodes P_n is not seen, and P_m beyond is taken for orders from 2 n - m on.
    """
    wanted = []
    for place, side in enumerate((across, up)):
        kept = np.isin(np.arange(ORDERS), [one[place] for one in orders])
        largest = np.abs(side.envelope(np.arange(ORDERS))).max(axis=1)
        wanted.append(np.maximum(np.abs(side.shares), largest * kept))

    def error(needs: Real, order: int, nodes: int) -> float:
        taken_for = needs[max(2 * nodes - order, 0) : nodes] if order > nodes else needs[:0]
        return float(max([needs[order], *taken_for]))

    for nodes in range(1 + max([0, *(max(one) for one in orders)]), ORDERS):
        along_x, along_y = ([error(way, m, nodes) for m in range(ORDERS)] for way in wanted)
        errors = norms * np.outer(along_x, along_y)
        if errors.sum() - errors[:nodes, :nodes].sum() <= limit:
            return nodes
    return ORDERS


def _fields(
    light: Light,
    axes: tuple[Real, Real],
    sides: tuple[_Side, _Side],
    nodes: int,
    orders: list[Order],
    slopes: list[float],
    unit: float,
) -> list[Complex]:
    """The light (rows, columns) as it is seen, times `unit`, and that of each of the orders."""
    (x, y), (across, up) = axes, sides
    points, weights = _weights(nodes)
    turns = (-1j) ** np.arange(nodes)
    seen = [(turns * side.shares[:nodes]) @ weights if side.tilt else weights[0] for side in sides]
    # the mean last, of which factors of the centres take a part of the first orders
    wanted = [seen, *([weights[m], weights[n]] for m, n in orders)]
    wanted += [[weights[0], weights[0]]] if orders else []
    besides, aboves = points * across.width / 2, points * up.width / 2
    fields: list[Complex]
    along = along_axes(light, x[:, None] + besides, y[:, None] + aboves)
    if along is not None:
        fields = [np.outer(unit * (along[1] @ b), along[0] @ a).astype(complex) for a, b in wanted]
    else:
        products = [unit * np.outer(b, a) for a, b in wanted]
        fields = [np.zeros((y.size, x.size), complex) for _ in wanted]
        for row, column in np.ndindex(nodes, nodes):
            beam = illumination(light, x + besides[column], y + aboves[row])
            for place, product in enumerate(products):
                fields[place] += product[row, column] * beam
    if orders:
        mean = fields.pop()
        far = slopes[0] * x * mean, slopes[1] * y[:, None] * mean
        for one, part in zip(((1, 0), (0, 1)), far, strict=True):
            if one in orders:
                fields[1 + orders.index(one)] -= part
    if across.tilt or up.tilt:
        turn_y, turn_x = (np.exp(-2j * np.pi * t * z) for t, z in ((up.tilt, y), (across.tilt, x)))
        fields = [field * turn_y[:, None] * turn_x for field in fields]
    return fields
