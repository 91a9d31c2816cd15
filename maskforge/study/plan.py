"""Which lens, which beam, which carrier: what any mask could launch, over a grid of them.

At every point the dual's bound is computed for each target, one orientation a label, without a
mask: it holds for every mask of this modulator at the bench's purity, which behind a device is that
of its outputs.  On large panels it is estimated on blocks of pixels, and proven for the best beam
of each lens and carrier.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np

from maskforge import bench as benches
from maskforge.base.arguments import Rule
from maskforge.base.device import CPU, Device, device_of
from maskforge.base.errors import BenchError
from maskforge.bench import Bench
from maskforge.bench.power import largest_share
from maskforge.bench.ready import guided_basis
from maskforge.bench.sections import LensSection, keys_by_section
from maskforge.fiber import Fiber
from maskforge.launch.basis import Basis
from maskforge.launch.couplings import Launch, prepare
from maskforge.launch.power_density import peak_density
from maskforge.launch.targets import Target, gaussian_waist
from maskforge.methods.problem import Problem
from maskforge.methods.quick_bound import on_blocks, quick_bound

FOCAL: Rule = LensSection.model_fields["focal_length_mm"].metadata[0].func
"""Focal lengths in mm, as a bench file has them."""

FOCAL_FACTORS = tuple(2.0 ** (k / 3) for k in range(-3, 4))
"""Focal lengths that are looked at unless some are given, in the bench's own."""

WAIST_FACTORS = tuple(0.7 * (4 / 0.7) ** (k / 9) for k in range(10))
"""Waists likewise, in the one that the lens images onto LP01."""

CRITERIA = ("worst", "mean")
"""What a bench is judged by: the bound of its worst target, or the mean of all."""

EQUAL = 0.005
"""Relative: a quick bound lies up to so much above the least one; closer ones are equal."""

LIKELY = 70
"""Settings of a plan, for the choice of a device: 7 lenses and 10 waists, unless some are given."""


@dataclass(frozen=True)
class PlannedSetting:
    """A choice: lens and waists (along the beam's axes) in mm, carrier period in pixels (0: none).

    Without waists the beam is the measured one.
    """

    focal_length_mm: float
    waists_mm: tuple[float, float] | None
    carrier_period_px: float

    @property
    def row(self) -> tuple[float, float]:
        """What cannot be turned at the bench: the lens and the carrier."""
        return self.focal_length_mm, self.carrier_period_px


@dataclass(frozen=True)
class Refused:
    """A setting that the bench's model does not allow, and why."""

    setting: PlannedSetting
    reason: str


@dataclass(frozen=True)
class PlannedBounds:
    """What a setting gives.

    `bounds`: of the efficiency (share of the beam), by target.  `faint`: targets whose bound is so
    low that a design would give up purity.  `fringe`: pixels on which the light of a point at the
    core's edge turns by 2 pi, which is also how many core radii away the pixels repeat the launch.
    `zero_order`, `conjugate`: distance of these orders from the core's axis in core radii.
    `density`: peak on the modulator in 1/m^2, of a beam of 1 W.  `share`: of the beam on the mask.
    `certified`: whether the bounds are proven, or estimated.
    """

    setting: PlannedSetting
    bounds: tuple[tuple[str, float], ...]
    faint: tuple[str, ...]
    fringe: float
    zero_order: float
    conjugate: float
    density: float
    share: float
    certified: bool = True

    @property
    def worst(self) -> tuple[str, float]:
        """The target that gets least, and its bound."""
        return min(self.bounds, key=lambda pair: pair[1])

    @property
    def mean(self) -> float:
        return float(np.mean([bound for _, bound in self.bounds]))

    def merit(self, by: str) -> float:
        """By one of CRITERIA."""
        return self.worst[1] if by == "worst" else self.mean


Outcome = PlannedBounds | Refused


@dataclass(frozen=True, eq=False)
class Fixed:
    """What is the same over the grid; the bench has one orientation a label and no crosstalk."""

    bench: Bench
    fiber: Fiber
    basis: Basis
    targets: tuple[Target, ...]
    device: Device = CPU


def fixed_of(bench: Bench, device: str = "cpu") -> Fixed:
    """Solves the fibre; BenchError where it or the targets do not fit.

    The bounds are worked out on the `device` of that name, see `device.device_of`, which raises
    BadValueError.

    The bound is proven for pixels without crosstalk, so that it is left out.
    """
    raw = _keys(bench)
    raw["modulator"].pop("crosstalk_px", None)
    if bench.targets.family == "lp":
        raw["targets"]["orientations"] = 1
    one = benches.from_dict(raw, bench.source, bench.folder)
    basis = guided_basis(one)
    targets = benches.targets(one, basis)
    there = device_of(device, math.prod(one.modulator.pixels), len(targets) * LIKELY)
    return Fixed(one, benches.fiber(one), basis, targets, there)


# --- settings --------------------------------------------------------------------------------


def setting_of(bench: Bench) -> PlannedSetting:
    """The bench as it is."""
    part = bench.light
    waists = None
    if part.waist_mm is not None:
        waists = part.waist_mm, part.waist_mm
    if part.waist_x_mm is not None and part.waist_y_mm is not None:
        waists = part.waist_x_mm, part.waist_y_mm
    return PlannedSetting(bench.lens.focal_length_mm, waists, bench.design.carrier_period_px)


def changes(bench: Bench, setting: PlannedSetting) -> dict[tuple[str, str], float]:
    """(section, key) and value of the bench file where a setting is not the bench's own."""
    wanted = {
        ("lens", "focal_length_mm"): setting.focal_length_mm,
        ("design", "carrier_period_px"): setting.carrier_period_px,
    }
    if setting.waists_mm is not None:
        first, second = setting.waists_mm
        round_beam = {("light", "waist_mm"): first}
        oval = {("light", "waist_x_mm"): first, ("light", "waist_y_mm"): second}
        wanted |= round_beam if bench.light.waist_mm is not None else oval
    return {
        (section, key): value
        for (section, key), value in wanted.items()
        if getattr(getattr(bench, section), key) != value
    }


def with_setting(bench: Bench, setting: PlannedSetting) -> Bench:
    """The bench set up so; BenchError where its model does not allow it."""
    raw = _keys(bench)
    for (section, key), value in changes(bench, setting).items():
        raw[section][key] = value
    return benches.from_dict(raw, bench.source, bench.folder)


def _keys(bench: Bench) -> dict[str, dict[str, Any]]:
    return keys_by_section(bench)


def rows_of(
    fixed: Fixed,
    focal: Sequence[float] | None = None,
    waist: Sequence[float] | None = None,
    carrier: Sequence[float] | None = None,
) -> tuple[tuple[PlannedSetting, ...], ...]:
    """The grid, of each lens and carrier the waists, ascending as given; None: the defaults.

    In mm, mm and pixels.  A waist is that along the beam's first axis; the second keeps its ratio
    to it.  BenchError where waists are given for a measured beam.
    """
    own = setting_of(fixed.bench)
    if own.waists_mm is None and waist:
        raise BenchError(f"--waist: {fixed.bench.source} has a measured beam, whose width is given")
    length = own.focal_length_mm
    focals = focal or [length if f == 1 else rounded_mm(length * f) for f in FOCAL_FACTORS]
    rows = []
    for period in carrier or [own.carrier_period_px]:
        for length in focals:
            widths: Sequence[float | None] = waist or _default_waists(fixed, own, length)
            rows.append(
                tuple(PlannedSetting(length, waists_like(own, width), period) for width in widths)
            )
    return tuple(rows)


def _default_waists(
    fixed: Fixed, own: PlannedSetting, focal_length_mm: float
) -> list[float | None]:
    if own.waists_mm is None:
        return [None]
    x, y = own.waists_mm
    first = matched_waist_mm(fixed, focal_length_mm) * math.sqrt(x / y)
    return [rounded_mm(first * factor) for factor in WAIST_FACTORS]


def matched_waist_mm(fixed: Fixed, focal_length_mm: float) -> float:
    """Waist on the modulator that the lens images onto LP01: lambda f / (pi w).

    Kogelnik and Li, Appl. Opt. 5, 1550 (1966).
    """
    wavelength = fixed.fiber.wavelength
    return wavelength * focal_length_mm / (math.pi * gaussian_waist(fixed.basis))


def waists_like(own: PlannedSetting, first: float | None) -> tuple[float, float] | None:
    """Waists in mm of which the first axis has `first`, in the ratio that `own` has."""
    if first is None or own.waists_mm is None:
        return None
    x, y = own.waists_mm
    return first, first if x == y else rounded_mm(first * y / x, 4)


def rounded_mm(value: float, digits: int = 3) -> float:
    """What the bench file will say is what is judged."""
    return float(f"{value:.{digits}g}")


# --- one setting -----------------------------------------------------------------------------


def evaluated(fixed: Fixed, setting: PlannedSetting, *, certified: bool = True) -> Outcome:
    """The bounds of all targets at a setting, proven or estimated, and what else it decides."""
    try:
        bench = with_setting(fixed.bench, setting)
        setup = benches.setup(bench, fixed.basis)
        setup = replace(setup, fiber=fixed.fiber, device=fixed.device)
        light, panel, launch = setup.light, setup.modulator, prepare(setup)
    except BenchError as error:
        return Refused(setting, str(error))
    hot = benches.power_warning(bench)
    if hot is not None:
        return Refused(setting, hot)
    problems = [Problem(launch, target, bench.design.purity) for target in fixed.targets]
    work = _proven if certified else on_blocks
    limits = [fixed.device.holding(partial(work, one)) for one in problems]
    names = [target.name for target in fixed.targets]
    zero_order, conjugate = order_distances(launch, benches.carrier(bench).frequency)
    density = peak_density(replace(light, power=largest_share(bench)), panel)
    assert density is not None
    return PlannedBounds(
        setting=setting,
        bounds=tuple((n, limit) for n, (limit, _) in zip(names, limits, strict=True)),
        faint=tuple(n for n, (_, worth) in zip(names, limits, strict=True) if not worth),
        fringe=launch.scale / (launch.core_radius * max(panel.pitch_seen)),
        zero_order=zero_order,
        conjugate=conjugate,
        density=density,
        share=benches.share_on_mask(bench),
        certified=certified,
    )


def _proven(problem: Problem) -> tuple[float, bool]:
    limit = quick_bound(problem)
    return limit.efficiency, limit.worthwhile


def order_distances(launch: Launch, frequency: tuple[float, float]) -> tuple[float, float]:
    """Distance of the zero order and of the conjugate (order -1) from the core, in core radii.

    Grating equation: order m of a carrier of `frequency` fringes a pixel lies at m lambda f /
    (period pitch), and once more for every turn that the pixels cannot tell; the nearest counts.
    """
    found = []
    for order in (0, -1):
        steps = (order - 1) * np.array(frequency)
        steps -= np.round(steps)
        apart = launch.scale * steps / np.array(launch.modulator.pitch_seen)
        found.append(float(np.hypot(*apart)) / launch.core_radius)
    return found[0], found[1]


# --- the grid --------------------------------------------------------------------------------


@dataclass(frozen=True)
class Row:
    """One lens and carrier: what the grid's waists give, and those tried between them.

    `proven`: the best of them and its neighbours again, where they are estimated.
    """

    grid: tuple[Outcome, ...]
    between: tuple[Outcome, ...] = ()
    proven: tuple[Outcome, ...] = ()

    @property
    def key(self) -> tuple[float, float]:
        return self.grid[0].setting.row


@dataclass(frozen=True)
class Plan:
    """The rows, the bench as it is, and by which of CRITERIA they are judged.

    `fine`: whether other waists than the grid's may be chosen, such as the bench's own.
    """

    rows: tuple[Row, ...]
    own: Outcome
    by: str
    fine: bool = True

    def best(self, row: Row) -> PlannedBounds | None:
        """A row's waist of most merit, its bounds proven; None: all are refused."""
        own = [self.own] if self._has_own(row) else []
        asked = [*row.grid, *row.between, *row.proven, *own]
        found = [one for one in asked if isinstance(one, PlannedBounds) and one.certified]
        return max(found, key=lambda one: one.merit(self.by), default=None)

    def choice(self) -> PlannedBounds:
        """The best of all rows; those within EQUAL of it are equal.

        Of equal ones that with the lowest peak density on the modulator wins, then the one with
        the most pixels a fringe, but none with less than the bench as it is, where that is a
        choice.  BenchError where every setting is refused.
        """
        rows = [found for found in map(self.best, self.rows) if found is not None]
        if not rows:
            refused = [one for row in self.rows for one in row.grid if isinstance(one, Refused)]
            raise BenchError(f"nothing can be planned: {refused[0].reason}")
        floor = (1 - EQUAL) * max(found.merit(self.by) for found in rows)
        if isinstance(self.own, PlannedBounds) and any(map(self._has_own, self.rows)):
            floor = max(floor, self.own.merit(self.by))
        equal = [found for found in rows if found.merit(self.by) >= floor]
        return min(equal, key=lambda found: (found.density, -found.fringe))

    def _has_own(self, row: Row) -> bool:
        """Whether the bench as it is is one of a row's choices."""
        waists = [one.setting.waists_mm for one in row.grid]
        fits = self.fine or self.own.setting.waists_mm in waists
        return fits and self.own.setting.row == row.key
