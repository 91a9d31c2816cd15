"""The power on a bench's panel, against what its maker allows."""

from dataclasses import dataclass

from maskforge.bench.build import light, modulator
from maskforge.bench.sections import Bench
from maskforge.launch.power_density import peak_density, surface_share


@dataclass(frozen=True)
class Safety:
    """Power of the light and its highest density on the panel, for a bench that says its power.

    `peak_mw_per_mm2`, across the beam, is what is compared with the maker's limit (None: not
    given): see `peak_density`.  `surface_mw_per_mm2` is what as large a piece of the panel's
    surface gets of it.
    """

    power_mw: float
    peak_mw_per_mm2: float
    surface_mw_per_mm2: float
    damage_mw_per_mm2: float | None

    @property
    def is_too_strong(self) -> bool:
        return self.damage_mw_per_mm2 is not None and self.peak_mw_per_mm2 > self.damage_mw_per_mm2

    @property
    def text(self) -> str:
        """ "2 mW, at its peak 0.393 mW/mm2"."""
        found = f"{self.power_mw:g} mW, at its peak {self.peak_mw_per_mm2:.3g} mW/mm2"
        if self.surface_mw_per_mm2 < self.peak_mw_per_mm2:
            found += f" across the beam, {self.surface_mw_per_mm2:.3g} mW/mm2 on the surface"
        return found


def largest_share(bench: Bench) -> float:
    """Of all light the share in one beam: of two apertures each has its own."""
    amplitudes = bench.device.amplitudes if bench.device.is_polarised else (1.0,)
    return max(abs(one) ** 2 for one in amplitudes)


def safety(bench: Bench) -> Safety | None:
    """The safety figures of a bench; None where it does not say its power."""
    power, panel = bench.light.power_mw, modulator(bench)
    peak = peak_density(light(bench), panel)
    if power is None or peak is None:
        return None
    peak_mw = peak * 1e-3 * largest_share(bench)
    return Safety(power, peak_mw, peak_mw * surface_share(panel), bench.modulator.damage_mw_per_mm2)


def power_warning(bench: Bench) -> str | None:
    """One line where the peak power density on the modulator is above its limit, else None."""
    found = safety(bench)
    if found is None or found.damage_mw_per_mm2 is None or not found.is_too_strong:
        return None
    peak, limit = found.peak_mw_per_mm2, found.damage_mw_per_mm2
    return (
        f"{bench.source}: [light] power_mw = {found.power_mw:g}: the peak on the modulator is "
        f"{peak:.3g} mW/mm2, above damage_mw_per_mm2 = {limit:g}; at most "
        f"{found.power_mw * limit / peak:.3g} mW with this beam"
    )
