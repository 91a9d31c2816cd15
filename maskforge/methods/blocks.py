"""A mask design on blocks of pixels, with a smooth stand-in for the alphabet: where to start from.

The back-propagated modes vary slowly, so that a block of pixels stands for its own.  A carrier
turns the alphabet from pixel to pixel, which leaves the mean of its support function over all
turns: a disc of the hull's mean width (its perimeter / (2 pi), Cauchy's formula).  Without a
carrier two states leave a line, and more of them a polygon, or a disc where that is nearly round.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maskforge.base.arrays import on_host
from maskforge.launch.apertures import sent_by_all
from maskforge.launch.couplings import Launch, couplings
from maskforge.launch.modulator import Alphabet, Complex
from maskforge.methods.draft import draft_of, sent_from
from maskforge.methods.dual_function import BlockModel, Real, real_of
from maskforge.methods.per_launch import kept
from maskforge.methods.polygon_blocks import CornerModel
from maskforge.methods.turns import directions

ROUND, MOST_CORNERS = 0.01, 16
"""Of the radius: a hull whose width varies by less is a disc.  Corners that a polygon keeps: of 16
on a circle the middle of a side lies 2 % inside."""

MOST_NUMBERS = 2**26
"""Of a model on single pixels: 256 MiB."""

BLOCKS = 64
"""Blocks along the mask's shorter side, about: the finest detail of a mode takes several."""

DIM = 1e-5
"""Blocks with less light than this share of the brightest are left out."""

Blocks = BlockModel | CornerModel

Lights = tuple[NDArray[np.complex128], NDArray[np.float64], NDArray[np.float64]]
"""Of blocks (blocks y, blocks x), and where their centres are, x and y in m."""

Sent = Callable[[Launch], NDArray[np.complex128]]
"""Of the launch of one aperture what its blocks send into the guided modes (K, blocks)."""


@dataclass(frozen=True, eq=False)
class Hull:
    """A stand-in for a hull: `middle` + a disc of `radius`, or + a line from -`half` to `half`,
    or + the polygon of `polygon_blocks`."""

    middle: complex
    radius: float
    half: complex | None = None
    corners: Complex | None = None


def hull_of(alphabet: Alphabet, *, carried: bool) -> Hull:
    """Steiner point and mean width of a hull, from its support function over all angles."""
    if alphabet.is_line and not carried:
        ends = alphabet.values[alphabet.hull]
        return Hull(complex(ends.mean()), 1.0, complex(ends[0] - ends[1]) / 2)
    turns = directions(3600)
    width = np.real(np.conj(turns) * alphabet.values[alphabet.support(turns)])
    middle, radius = complex(2 * np.mean(width * turns)), float(np.mean(width))
    centred = width - np.real(np.conj(turns) * middle)
    if carried or np.ptp(centred) < ROUND * radius:
        return Hull(middle, radius)
    corners = alphabet.values[alphabet.hull]
    if corners.size > MOST_CORNERS:
        corners = _fewer(corners)
    return Hull(middle, radius, None, corners - middle)


def _fewer(corners: Complex) -> Complex:
    """MOST_CORNERS of a polygon's corners, the ends of its longest side among them."""
    sides = np.abs(np.roll(corners, -1) - corners)
    open_at = int(np.argmax(sides)) + 1
    some = np.linspace(0, corners.size - 1, MOST_CORNERS).round().astype(np.intp)
    return np.asarray(np.roll(corners, -open_at)[some])


def model_of(launch: Launch) -> Blocks:
    """F on blocks of pixels, BLOCKS of them along the shorter side."""
    return coarse_of(launch, blocks_of(launch))


def begin(launch: Launch) -> None:
    """Makes what both of them need of the host, which they then find."""
    for stride in (blocks_of(launch), shorter_blocks_of(launch)):
        _own_blocks(launch, stride)


def shorter_of(launch: Launch) -> Blocks:
    """The same on blocks half as long, for second derivatives: from theirs the steps on all pixels
    are half as many."""
    return coarse_of(launch, shorter_blocks_of(launch))


def blocks_of(launch: Launch) -> int:
    """Pixels along a block's side."""
    return max(1, round(min(launch.modulator.shape) / BLOCKS))


def shorter_blocks_of(launch: Launch) -> int:
    """The same of the shorter ones."""
    return max(1, blocks_of(launch) // 2)


@lru_cache(maxsize=4)
def coarse_of(launch: Launch, stride: int) -> Blocks:
    """The dual's model of a launch on blocks of `stride` x `stride` pixels."""
    hull, back = _hull(launch, launch), _back(launch, partial(_sent_by_blocks, stride))
    return _model(launch, hull, [back], [_fixed(launch, hull)])


def disc_of(launch: Launch, stride: int) -> Blocks:
    """The same for all values on the disc of the largest amplitude."""
    hull = Hull(0.0, float(np.max(np.abs(launch.modulator.alphabet.values))))
    back = _back(launch, partial(_sent_by_blocks, stride))
    return _model(launch, hull, [back], [real_of(launch.gaps)])


@lru_cache(maxsize=1)
def fine_of(launch: Launch) -> tuple[Blocks, bool]:
    """The same on single pixels, carrier and all (True), or on the smallest blocks of MOST_NUMBERS
    (False)."""
    pixels = int(np.count_nonzero(_lit(launch.incident)))
    stride = math.ceil(math.sqrt(4 * len(launch.ends) * pixels / MOST_NUMBERS))
    if stride > 1:
        return coarse_of(launch, stride), False
    hull = hull_of(launch.modulator.alphabet, carried=False)
    return _model(launch, hull, [_back(launch, _sent_by_pixels)], [_fixed(launch, hull)]), True


def _sent_by_pixels(launch: Launch) -> NDArray[np.complex128]:
    """What single pixels that are lit send into the guided modes (K, pixels)."""
    lit, layers = _lit(launch.incident), draft_of(launch).facet.layers
    sent = [
        _sent(launch, on_host(one.light), launch.x, launch.y, lit, index)
        for index, one in enumerate(layers)
    ]
    return np.asarray(np.sum(sent, axis=0))


def _sent_by_blocks(stride: int, launch: Launch) -> NDArray[np.complex128]:
    """The same of blocks, without the carrier."""
    beam, x, y = _own_blocks(launch, stride)
    return _sent(launch, beam, x, y, _lit(beam))


def _own_blocks(launch: Launch, stride: int) -> Lights:
    """The launch's own blocks, made once."""
    known = _known_blocks(launch)
    if stride not in known:
        known[stride] = _blocks(launch, stride, launch)
    return known[stride]


@kept
def _known_blocks(launch: Launch) -> dict[int, Lights]:
    """Those that are made, by their stride."""
    return {}


def _sent_beside(
    stride: int,
    known: Mapping[Launch, tuple[Launch, NDArray[np.bool_]]],
    launch: Launch,
) -> NDArray[np.complex128]:
    """The same of another scenario's aperture, whose nominal launch and lit blocks are known."""
    nominal, lit = known[launch]
    return _sent(launch, *_blocks(launch, stride, nominal), lit)


def coarse_of_all(launches: Sequence[Launch], stride: int) -> Blocks:
    """The same of several scenarios of one mask, the first of them the nominal one.

    Where their alphabets differ, each is taken for the first one's times a factor, the best in the
    mean of its states (least squares).
    """
    first = launches[0]
    backs, fixed = [], []
    lit = [_lit(_blocks(one, stride, one)[0]) for one in first.apertures]
    for launch in launches:
        known = dict(zip(launch.apertures, zip(first.apertures, lit, strict=True), strict=True))
        factor = likeness(launch.modulator.alphabet, first.modulator.alphabet)
        backs.append(_back(launch, partial(_sent_beside, stride, known)) * np.conj(factor))
        fixed.append(_fixed(launch, _hull(launch, first)))
    return _model(first, _hull(first, first), backs, fixed)


def likeness(alphabet: Alphabet, first: Alphabet) -> complex:
    """The factor that makes the states of `first`, but for a constant, most like an alphabet's."""
    corners = first.hull
    ours, theirs = alphabet.values[corners], first.values[corners]
    ours, theirs = ours - ours.mean(), theirs - theirs.mean()
    return complex(np.vdot(theirs, ours) / np.vdot(theirs, theirs))


def _hull(launch: Launch, first: Launch) -> Hull:
    return hull_of(launch.modulator.alphabet, carried=first.centre != (0.0, 0.0))


def _lit(beam: NDArray[np.complex128]) -> NDArray[np.bool_]:
    return np.asarray(np.abs(beam) > DIM * np.abs(beam).max())


def _fixed(launch: Launch, hull: Hull) -> Real:
    return real_of(couplings(launch, np.full(launch.modulator.states_shape, hull.middle)))


def _back(launch: Launch, sent: Sent) -> NDArray[np.complex128]:
    """What blocks get of every multiplier (blocks, J), by what those of an aperture send."""
    passage = launch.setup.passage
    if launch.halves:
        found = np.conj(sent_by_all(launch.halves, launch.amplitudes, sent))
    else:
        found = np.conj(sent(launch))
    return np.asarray((found if passage is None else np.conj(passage.matrix) @ found).T)


def _sent(
    launch: Launch,
    beam: NDArray[Any],
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    lit: NDArray[np.bool_],
    layer: int = 0,
) -> NDArray[np.complex128]:
    """What the blocks that are `lit` send into the guided modes (K, blocks), by a layer's light."""
    modes = np.stack([mode[lit] for mode in sent_from(launch, x, y, layer)])
    return np.asarray(modes * beam[lit])


def _model(
    launch: Launch,
    hull: Hull,
    backs: Sequence[NDArray[np.complex128]],
    fixed: Sequence[Real],
) -> Blocks:
    """The model on the launch's device."""
    put = launch.setup.device.put
    if hull.half is not None:
        backs = [back * np.conj(hull.half) for back in backs]
    real = np.hstack([part for back in backs for part in (back.real, -back.imag)])
    imag = np.hstack([part for back in backs for part in (back.imag, back.real)])
    middle = np.concatenate(fixed)
    if hull.corners is not None:
        corners = hull.corners.astype(np.complex64)
        return CornerModel(
            put(real.astype(np.float32)), put(imag.astype(np.float32)), corners, middle
        )
    turned = None if hull.half is not None else put(imag.astype(np.float32))
    return BlockModel(put(real.astype(np.float32)), turned, hull.radius, middle)


def _blocks(launch: Launch, stride: int, first: Launch) -> Lights:
    """Light without the first launch's carrier (blocks y, blocks x), and their centres in m."""
    (rows, columns), pitch = launch.modulator.shape, launch.modulator.pitch_seen
    ny, nx = -(-rows // stride), -(-columns // stride)
    tilt_x = np.exp(2j * np.pi / first.scale * launch.x * first.centre[0])
    tilt_y = np.exp(2j * np.pi / first.scale * launch.y * first.centre[1])
    top, left = (ny * stride - rows) // 2, (nx * stride - columns) // 2
    # along one side and then, of fewer numbers, along the other
    strips = np.add.reduceat(launch.incident * tilt_y[:, None], _begins(ny, stride, top), axis=0)
    blocks = np.add.reduceat(strips * tilt_x, _begins(nx, stride, left), axis=1)
    x = launch.x[0] + (np.arange(nx) * stride - left + (stride - 1) / 2) * pitch[0]
    y = launch.y[0] + (np.arange(ny) * stride - top + (stride - 1) / 2) * pitch[1]
    return blocks, x, y


def _begins(count: int, stride: int, before: int) -> NDArray[np.intp]:
    """The first pixels of blocks, of which the first one begins `before` the first pixel."""
    return np.maximum(np.arange(count) * stride - before, 0)
