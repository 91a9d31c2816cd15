"""Where the beam's power goes: a mask's noise budget.

What the panel sends is found on the panel, pixel by pixel, and is the power of the whole facet
field (Parseval); the parts of that field are integrated on the facet, and what remains went to
other orders.
"""

from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np

from maskforge.base.arrays import Array, flat, is_real, namespace
from maskforge.base.device import Device
from maskforge.launch.apertures import parted
from maskforge.launch.beam_in_pixels import Pair
from maskforge.launch.couplings import Launch, launched
from maskforge.launch.light import Complex, Real, powers_in_squares
from maskforge.launch.lit_panel import active_width, has_gaps, mask_axes, panel_axes
from maskforge.launch.panel import background_light, mask_window
from maskforge.launch.targets import Target
from maskforge.launch.unguided import (
    FINER,
    Discs,
    OwnOrder,
    detail_of,
    disc_axis,
    disc_weights,
    discs_about,
    own_order_of,
)

WINDOW = 1.5
"""Core radii: what is around the core; the signal window of `ifta`, if nothing else is said."""

SHARES = {
    "target": "target",
    "other_modes": "other modes",
    "core": "core",
    "window": "window",
    "zero_order": "zero order",
    "order": "own order",
    "other_orders": "other orders",
    "not_reflected": "not reflected",
    "edge": "edge",
}
"""What the shares of a `Budget` are called, in their order."""


@dataclass(frozen=True)
class Budget:
    """Shares of the beam's power before the modulator's edge clips it; their sum is 1.

    Guided: `target`, `other_modes`.  Not guided, by the place on the facet: `core`; `window`, from
    there to WINDOW core radii; `zero_order`, a disc of the core's size about the zero order, None
    where that lies in the core; `order`, the rest of the fibre's own order (see `own_order_of`),
    None where it is not told from the others; `other_orders`.  Not sent to the facet:
    `not_reflected` by gaps and states, and `edge`, what falls beside the panel.

    What several could claim is the core's, then the zero order's, then the window's.
    """

    target: float
    other_modes: float
    core: float
    window: float
    zero_order: float | None
    order: float | None
    other_orders: float
    not_reflected: float
    edge: float

    @property
    def sum(self) -> float:
        return sum(getattr(self, share) or 0.0 for share in SHARES)


@dataclass(frozen=True, eq=False)
class Ledger:
    """What the budgets of all masks on a bench have in common.

    `pixels` (rows, columns): the beam's power in the mask's active squares; `steady`: what the
    panel sends whatever the mask is; `caught`: what falls on it.  `near`: core and window; `zero`:
    the zero order's disc.  Made for factors on the host, and `on` a device for those there.
    """

    launch: Launch
    pixels: Array
    steady: float
    caught: float
    near: Discs
    zero: Discs | None

    def on(self, device: Device) -> "Ledger":
        """The same but for the own order on a device."""
        zero = None if self.zero is None else self.zero.on(device)
        return replace(self, pixels=device.put(self.pixels), near=self.near.on(device), zero=zero)

    @cached_property
    def own_order(self) -> OwnOrder:
        launch, at = self.launch, _zero_order(self.launch)
        zero = [] if at is None else [(at, launch.core_radius)]
        return own_order_of(launch, [((0.0, 0.0), WINDOW * launch.core_radius), *zero])


@dataclass(frozen=True, eq=False)
class Ledgers:
    """Those of two apertures, likewise."""

    launch: Launch
    each: tuple[Ledger, ...]

    def on(self, device: Device) -> "Ledgers":
        return replace(self, each=tuple(one.on(device) for one in self.each))


@lru_cache(maxsize=1)
def ledger_of(launch: Launch, kind: type = np.float64) -> Ledger | Ledgers:
    """The ledger of a bench, or of each of its apertures; its facet in numbers of a `kind`."""
    if launch.halves:
        return Ledgers(launch, tuple(_ledger_of(half, kind) for half in launch.halves))
    return _ledger_of(launch, kind)


def _ledger_of(launch: Launch, kind: type) -> Ledger:
    pixels, steady, caught = _on_the_panel(launch)
    radius, step = launch.core_radius, min(detail_of(launch)) / FINER
    zero, there = _zero_order(launch), None
    u = disc_axis(WINDOW * radius, step)
    core, window = disc_weights(u, u, radius, step), disc_weights(u, u, WINDOW * radius, step)
    around = window - core
    if zero is not None:
        w = disc_axis(radius, step)
        around *= 1 - _reaching(u, zero, radius, step)
        area = disc_weights(w, w, radius, step)
        area *= 1 - _reaching(w, (-zero[0], -zero[1]), radius, step)
        there = discs_about(launch, zero, w, [area], kind)
    near = discs_about(launch, (0.0, 0.0), u, [core, around], kind)
    return Ledger(launch, pixels, steady, caught, near, there)


def budget_of(
    ledger: Ledger | Ledgers,
    target: Target,
    factors: Array,
    found: Complex | None = None,
    *,
    by_order: bool = True,
) -> Budget:
    """Where the light of a mask's factors (rows, columns) goes.

    `found`: its couplings (K,), where they are known.  `by_order`: tells the own order from the
    others, which takes an FFT of the whole mask.
    """
    launch = ledger.launch
    found = launched(launch, factors + 0j) if found is None else found
    if isinstance(ledger, Ledgers):
        return _of_both(ledger, target, factors, found, by_order)
    guided = float(np.sum(np.abs(found) ** 2))
    wanted = float(np.abs(np.vdot(target.vector, found)) ** 2)
    xp, seen = namespace(factors), factors
    if launch.is_real and not is_real(factors) and not bool(xp.any(xp.imag(factors))):
        seen = xp.real(factors)
    sizes = xp.real(seen) ** 2 if is_real(seen) else xp.real(seen) ** 2 + xp.imag(seen) ** 2
    sent = ledger.steady + float(flat(sizes) @ flat(ledger.pixels))
    core, window = ledger.near.powers(seen, found)
    zero = None if ledger.zero is None else ledger.zero.powers(seen, found)[0]
    order = ledger.own_order.power(factors, found) if by_order else None
    return Budget(
        target=wanted,
        other_modes=guided - wanted,
        core=core,
        window=window,
        zero_order=zero,
        order=order,
        other_orders=sent - guided - core - window - (zero or 0.0) - (order or 0.0),
        not_reflected=ledger.caught - sent,
        edge=1 - ledger.caught,
    )


def _of_both(
    ledgers: Ledgers, target: Target, factors: Array, found: Complex, by_order: bool
) -> Budget:
    """The budget of two apertures: what each of them has of the light, but for the target."""
    launch, count = ledgers.launch, len(ledgers.each)
    own = np.split(found / launch.amplitudes, count)
    parts = np.split(target.vector, count)
    each = [
        budget_of(ledger, replace(target, vector=part), half, sent, by_order=by_order)
        for ledger, part, half, sent in zip(
            ledgers.each, parts, parted(factors, count), own, strict=True
        )
    ]
    light = [abs(one.amplitude) ** 2 for one in launch.setup.halves]

    def share(name: str) -> float | None:
        known = [getattr(one, name) for one in each]
        return None if None in known else float(np.dot(light, known))

    wanted = float(np.abs(np.vdot(target.vector, found)) ** 2)
    guided = {"target": wanted, "other_modes": float(np.sum(np.abs(found) ** 2)) - wanted}
    return Budget(**{name: share(name) for name in SHARES} | guided)  # type: ignore[arg-type]


def _zero_order(launch: Launch) -> Pair | None:
    """Where it lies, in m from the fibre's axis; None: in the core."""
    x, y = launch.centre
    return None if np.hypot(x, y) <= launch.core_radius else (-x, -y)


def _reaching(u: Real, middle: Pair, radius: float, step: float) -> Real:
    """Weights on samples u along both axes of a disc about `middle`; 0 where it is far off."""
    if np.hypot(*middle) > float(np.hypot(u[-1], u[-1])) + radius:
        return np.zeros((u.size, u.size))
    return disc_weights(u - middle[0], u - middle[1], radius, step)


def _on_the_panel(launch: Launch) -> tuple[Real, float, float]:
    """`pixels`, `steady` and `caught` of the ledger."""
    modulator, light = launch.modulator, launch.setup.light
    spills = launch.outside is not None
    axes = panel_axes(modulator) if spills else mask_axes(modulator)
    active = powers_in_squares(light, axes, active_width(modulator))
    cells = powers_in_squares(light, axes, modulator.pitch_seen)
    gaps = modulator.gap_reflectance if has_gaps(modulator) else 0.0
    steady, caught = gaps * float(np.sum(cells - active)), float(np.sum(cells))
    if not spills:
        return active, steady, caught
    steady += float(np.sum(np.abs(background_light(modulator)) ** 2 * active))
    return active[::-1][mask_window(modulator)][::-1], steady, caught
