"""What many masks launch on disturbed benches, in single precision.

One F (see `frames`) serves all errors of the fibre's place, tilt and profile and of the focal
length, at the price of a small product; every other error takes a transform of each mask, and few
of its values do.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from maskforge.base.arrays import Array, contiguous, namespace, on_host
from maskforge.base.arrays import beside as beside_array
from maskforge.base.device import CPU
from maskforge.launch.basis import Basis, Counted, groups_of, sampled
from maskforge.launch.facet import slant_of
from maskforge.launch.light import Complex, Real
from maskforge.launch.setup import Setup
from maskforge.launch.targets import Target
from maskforge.study.tolerance.causes import Errors
from maskforge.study.tolerance.disturbed import (
    Nominal,
    carried_over,
    disturbed_factors,
    setup_of,
)
from maskforge.study.tolerance.frames import (
    Fast,
    Frame,
    beside,
    fits,
    frame_of,
    home,
    samples,
)

States = NDArray[np.unsignedinteger]

BLOCK = 16
"""Masks whose light on the facet is held at a time: 36 kB each for 45 modes, times the values."""

AT_ONCE = 2**25
"""Pixels of masks that are sent, and their light held, at once on a device: some 300 MB an array.
There few large steps are fast, on a processor what lies in the cache."""

SPANNED = 1e-6
"""Of the light: what is left when some views are taken for sums of others."""

PROBES, PROBED_STATES = 1024, 64
"""Pixels and states on which that is found out."""


@dataclass(frozen=True, eq=False)
class ResponseView:
    """A disturbed bench: `kernel` (K, n J J) and `slant` (n J J) take F of the frame's n lights to
    couplings, to which `gaps` (K,) adds.  `values`: those of the alphabet's states.  `kernel` and
    `slant` are on the bench's device."""

    errors: Errors
    frame: Frame
    values: Complex
    basis: Basis
    kernel: Array
    slant: Array | None
    gaps: Complex


LIGHT = (
    "defocus",
    "beam_offset_x",
    "beam_offset_y",
    "waist",
    "ellipticity",
    "wavelength",
    "flatness",
)
"""Errors that change the beam on the mask."""


# --- views -----------------------------------------------------------------------------------


def view_of(start: Nominal, errors: Errors) -> ResponseView:
    """The view of a disturbed bench; BenchError where the errors leave nothing to predict."""
    setup, frame = setup_of(start, errors), home(start)
    panel = setup.modulator
    same_light = not any(getattr(errors, name) for name in LIGHT) and (
        panel.alphabet is start.modulator.alphabet or panel.panel == panel.shape
    )
    place = beside(setup, frame)
    if not (same_light and fits(start, setup, frame, place)):
        place, frame = (0.0, 0.0), frame_of(setup, samples(start, setup, frame), frame)
    k, step = frame.k, setup.scale * (frame.k[1] - frame.k[0])
    modes = _modes(start, setup, frame, place) * (step**2 / setup.scale)
    slant = slant_of(setup.lens_offset, 1.0, k, k) if any(setup.lens_offset) else None
    gaps = np.zeros(len(modes), complex)
    if frame.dark is not None:
        dark = frame.dark if slant is None else frame.dark * slant
        gaps = -1j * np.tensordot(modes, dark, axes=2)
    kernels = [(modes * envelope).reshape(len(modes), k.size**2) for envelope in frame.envelopes]
    put, turned = setup.device.put, None
    if slant is not None:
        turned = put(np.tile(slant.ravel(), len(kernels)).astype(np.complex64))
    return ResponseView(
        errors=errors,
        frame=frame,
        values=panel.alphabet.values,
        basis=setup.basis,
        kernel=put(np.concatenate(kernels, axis=1).astype(np.float32)),
        slant=turned,
        gaps=gaps,
    )


def _modes(start: Nominal, setup: Setup, frame: Frame, place: tuple[float, float]) -> Real:
    """The modes (K, J, J) on a frame's samples; most errors leave them as they are."""
    same_scale = setup.scale == start.scale and not any(place)
    if same_scale and frame.k is home(start).k and setup.basis is start.basis:
        return _unmoved(start)
    u = setup.scale * frame.k
    return sampled(setup.basis, u - place[0], u - place[1])


@lru_cache(maxsize=2)
def _unmoved(start: Nominal) -> Real:
    """The modes on the samples of `home`."""
    u = start.scale * home(start).k
    return sampled(start.basis, u, u)


# --- masks -----------------------------------------------------------------------------------


def sent(start: Nominal, view: ResponseView, states: Array) -> Array:
    """F (..., n J J) of masks given by the states (..., rows, columns) of their pixels: of each of
    the n lights of the view's frame.  Several at once on a device alone."""
    factors = disturbed_factors(start, view.errors, states, np.float32)
    xp, many = namespace(factors), states.shape[:-2]
    parts = [xp.reshape(there, (*many, -1)) for there in view.frame.facet.sent(factors)]
    return xp.concat(parts, axis=-1)


def couplings_of(view: ResponseView, facets: Array) -> Complex:
    """c (M, K), on the host, of the light F (M, n J J) of masks."""
    if view.slant is not None:
        facets = facets * view.slant
    xp = namespace(facets)
    real, imaginary = (
        on_host(contiguous(part) @ view.kernel.T) for part in (xp.real(facets), xp.imag(facets))
    )
    found = real + 1j * imaginary
    return np.asarray(view.gaps - 1j * found)


def figures(start: Nominal, basis: Basis, targets: Sequence[Target], couplings: Complex) -> Real:
    """Purity, group purity and efficiency, (M, 3), of couplings (M, K) over a disturbed basis.

    As `prediction.judged` has them; a target that is no longer guided is launched with purity 0.
    Behind a device, of which no error changes the modes, they are those of its outputs.
    """
    own: Complex = np.array([target.vector for target in targets])
    if start.passage is not None:
        assert basis is start.basis
        return _figures(own, own, start.passage.through(couplings), _alike(start.passage.outputs))
    vectors = own if basis is start.basis else np.asarray(own @ carried_over(start, basis))
    return _figures(own, vectors, couplings, _alike(start.basis, basis))


def _alike(ends: Sequence[Counted], others: Sequence[Counted] | None = None) -> NDArray[np.bool_]:
    """Which of some modes or outputs are of the group of which others."""
    groups = groups_of(ends)
    return np.asarray(groups[:, None] == (groups if others is None else groups_of(others)))


def _figures(own: Complex, vectors: Complex, couplings: Complex, same: NDArray[np.bool_]) -> Real:
    """The same of targets' `own` vectors, and these over what the couplings are over."""
    power = np.abs(couplings) ** 2
    wanted = np.abs(np.sum(np.conj(vectors) * couplings, axis=1)) ** 2
    total = power.sum(axis=1)
    # of each target and mode, whether the target has modes of its group
    within = np.sum(power * ((np.abs(own) > 1e-9) @ same), axis=1)
    some = np.where(total > 0, total, 1.0)
    return np.stack([wanted / some, within / some, wanted], axis=1)


def responses(
    start: Nominal,
    targets: Sequence[Target],
    masks: Sequence[States] | States,
    errors: Sequence[Errors],
) -> Real:
    """Purity, group purity and efficiency (errors, masks, 3) of masks under each of some errors.

    `masks`: states (rows, columns) by index, of which one at a time is looked at.
    """
    views = [view_of(start, one) for one in errors]
    mixtures = _mixtures(start, views)
    out = np.empty((len(views), len(targets), 3))
    at_once = 1 if start.device == CPU else max(1, AT_ONCE // masks[0].size)
    block = max(BLOCK, at_once)
    for first in range(0, len(targets), block):
        some = slice(first, min(first + block, len(targets)))
        for mixture in mixtures:
            sources = [views[k] for k in mixture.sources]
            parts = _all_sent(start, sources, masks, some, at_once)
            for place, weights in zip(mixture.views, mixture.weights, strict=True):
                mixed = namespace(parts).tensordot(beside_array(weights, parts), parts, axes=1)
                found = couplings_of(views[place], mixed)
                out[place, some] = figures(start, views[place].basis, targets[some], found)
    return out


def _all_sent(
    start: Nominal,
    views: Sequence[ResponseView],
    masks: Sequence[States] | States,
    some: slice,
    count: int,
) -> Array:
    """F of some masks (views, masks, n J J), `count` at once."""
    indices, rows = range(some.start, some.stop), []
    for part in (indices[first : first + count] for first in range(0, len(indices), count)):
        if start.device == CPU:
            # numbers that index arrays as they are, for all views
            states = masks[part[0]].astype(np.intp)
        else:
            states = start.device.put(np.stack([masks[index] for index in part]))
        xp = namespace(states)
        found = xp.stack([sent(start, view, states) for view in views])
        rows.append(found[:, None, :] if found.ndim == 2 else found)
    return xp.concat(rows, axis=1)


@dataclass(frozen=True, eq=False)
class Mixture:
    """Views (places in a list) whose F are sums of those of `sources`, by `weights` (views,
    sources)."""

    views: tuple[int, ...]
    sources: tuple[int, ...]
    weights: Fast


def _mixtures(start: Nominal, views: Sequence[ResponseView]) -> list[Mixture]:
    """All views, each once.

    F is linear in what light and states are, and values of one error differ so smoothly that few
    of them span the rest.  Where neighbours' phases are blurred, their states have to be the same.
    """
    alike: dict[tuple[object, ...], list[int]] = {}
    for place, view in enumerate(views):
        blur = float(np.hypot(start.modulator.crosstalk, view.errors.crosstalk))
        table = view.values.tobytes() if blur else b""
        key = id(view.frame.k), view.frame.orders, blur, view.errors.dead_pixels, table
        alike.setdefault(key, []).append(place)
    return [_mixture(views, places) for places in alike.values()]


def _spanning(rows: NDArray[np.complex128]) -> list[int]:
    """The fewest rows that span all: the longest one, and what it leaves of the others likewise
    (Gram and Schmidt, with pivots; Golub and Van Loan, Matrix Computations, sec. 5.4.2)."""
    left, kept = rows.copy(), list[int]()
    longest = 0.0
    for _ in rows:
        sizes = np.linalg.norm(left, axis=1)
        best = int(np.argmax(sizes))
        longest = longest or float(sizes[best])
        if kept and not sizes[best] > SPANNED * longest:
            break
        kept.append(best)
        # all of them may be dark
        unit = left[best] / (sizes[best] or 1.0)
        left -= np.outer(left @ unit.conj(), unit)
    return kept


def _mixture(views: Sequence[ResponseView], places: Sequence[int]) -> Mixture:
    """The fewest of some views that span them all, by their light on some pixels in some states."""
    rng = np.random.default_rng(0)
    pixels = rng.integers(views[0].frame.lights[0].size, size=PROBES)
    states = np.unique(np.linspace(0, views[0].values.size - 1, PROBED_STATES).round().astype(int))
    light = np.array(
        [
            [np.outer(light.ravel()[pixels], view.values[states]) for light in view.frame.lights]
            for view in (views[place] for place in places)
        ]
    ).reshape(len(places), -1)
    kept = _spanning(light)
    weights = np.linalg.lstsq(light[kept].T, light.T, rcond=None)[0].T
    return Mixture(
        tuple(places), tuple(places[index] for index in kept), weights.astype(np.complex64)
    )
