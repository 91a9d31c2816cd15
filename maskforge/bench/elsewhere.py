"""The launch away from where it was aligned: at another wavelength, and with the fibre moved.

The fibre stays where it was aligned for the bench's own wavelength, or is aligned again.  Glass
disperses; a phase of the panel, of its flatness map or of the beam's wavefront is a path, which
counts for less at a longer wavelength than where it was measured; the lens and what makes the beam
stay.
"""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import partial
from itertools import product

from maskforge import bench as benches
from maskforge.base.errors import BenchError
from maskforge.bench import Bench
from maskforge.bench.build import named, passage, phase_wavelength_nm, with_second
from maskforge.bench.device_section import DeviceSection
from maskforge.bench.section import PURITIES
from maskforge.bench.sections import FiberSection, ModulatorSection
from maskforge.bench.values import fail
from maskforge.fiber import glass
from maskforge.fiber.modes import solve
from maskforge.launch.basis import Basis, basis_of, labels_of, polarised
from maskforge.launch.couplings import Launch, Scenario, moved, prepare
from maskforge.launch.modulator import CONTINUOUS_LEVELS


def at_wavelength(bench: Bench, nm: float, *, realign: bool = False) -> Launch:
    """The launch of a bench in light of another wavelength (nm).

    The fibre's axis stays where the bench's own wavelength puts the carrier's order; `realign`: it
    follows the order (grating equation).  All modes guided there count, of the first `groups` where
    the bench limits them, be they fewer than the bench's own.  Raises BenchError where the glass's
    dispersion is not known, or no mode is guided.
    """
    there, limit = lit_at(bench, nm), bench.fiber.groups
    guided = solve(benches.fiber(there))
    basis = basis_of([mode for mode in guided if limit is None or mode.group <= limit])
    basis = polarised(basis) if bench.device.is_polarised else basis
    own = benches.setup(without_device(bench), basis)
    setup = replace(benches.setup(there, basis), passage=passage(bench, basis, nm))
    setup = with_second(setup, there, bench.device)
    alphabet = replace(setup.modulator.alphabet, drawn_by=own.modulator.alphabet)
    setup = setup.with_panel(alphabet=alphabet)
    return prepare(replace(setup, fiber_at=None if realign else own.place))


def scenarios(bench: Bench, *, threads: int = 1) -> tuple[Scenario, ...]:
    """What a robust design keeps pure beside the bench as it is aligned; none: no robust design.

    Every wavelength, and the four corners of the box of fibre offsets (two where one side is 0) at
    every wavelength.  Raises BenchError where a mode of the bench's own is not guided at one.
    Corners are prepared on so many `threads`.
    """
    own = bench.light.wavelength_nm
    several = len(bench.light.wavelengths_nm) > 1
    sides = [sorted({0.0 - half, half}) for half in bench.design.fiber_offset_um]
    corners = list(product(*sides)) if any(bench.design.fiber_offset_um) else []
    found: list[Callable[[], Scenario]] = []
    for nm in bench.light.wavelengths_nm:
        if nm == own and not corners:
            continue
        name = f"{nm:g} nm" if several else ""
        launch = at_wavelength(bench, nm)
        if nm != own:
            _check_guided(bench, nm, launch.basis)
            found.append(partial(Scenario, name, launch))
        for x, y in corners:
            place = f"{x:+g}, {y:+g} um"
            found.append(partial(_beside, f"{name}, {place}" if name else place, launch, x, y))
    if threads == 1:
        return tuple(make() for make in found)
    with ThreadPoolExecutor(threads) as pool:
        return tuple(pool.map(lambda make: make(), found))


def _beside(name: str, launch: Launch, x: float, y: float) -> Scenario:
    """The scenario of a fibre that is (x, y) um off."""
    return Scenario(name, moved(launch, x * 1e-6, y * 1e-6))


# --- the same parts at another wavelength ----------------------------------------------------


def lit_at(bench: Bench, nm: float) -> Bench:
    """The bench in light of `nm` alone, everything that depends on it changed; not checked.

    Without its device, which is known at some wavelengths only.
    """
    bench = without_device(bench)
    if nm == bench.light.wavelength_nm:
        return bench.model_copy(update={"light": bench.light.at(nm)})
    ratio = bench.light.wavelength_nm / nm
    wavefront = tuple((index, waves * ratio) for index, waves in bench.light.zernike)
    return bench.model_copy(
        update={
            "light": bench.light.at(nm, zernike=wavefront),
            "modulator": _panel_at(bench, ratio),
            "fiber": _fiber_at(bench, nm),
        }
    )


def without_device(bench: Bench) -> Bench:
    """The bench up to the fibre."""
    return bench.model_copy(update={"device": DeviceSection()})


def device_at(bench: Bench, nm: float) -> DeviceSection:
    """The device at one of the bench's wavelengths alone, its matrix taken as it was measured."""
    several = bench.device.matrices
    own = several[bench.light.wavelengths_nm.index(nm)] if several else None
    return bench.device.model_copy(update={"matrix": own, "purity_at": PURITIES[0]})


def refuse_device(bench: Bench, command: str) -> None:
    """BenchError where a bench has a device, of which a command knows nothing."""
    if bench.device.matrices:
        text = f"{command} knows no device; without [device] it speaks of the launch"
        fail(bench.source, "device", "matrix", bench.device.matrix, text)


def refuse_second(bench: Bench, what: str) -> None:
    """BenchError where a bench has a second aperture, of which something knows nothing."""
    if bench.device.is_polarised:
        text = f"{what} knows no second aperture; design, check, predict, band and pack do"
        fail(bench.source, "device", "second_at", bench.device.second_at, text)


def _check_guided(bench: Bench, nm: float, there: Basis) -> None:
    """BenchError where the basis at `nm` has not all of the bench's own modes."""
    own, have = solve(benches.fiber(bench), groups=bench.fiber.groups), set(labels_of(there))
    lost = [mode.label for mode in own if mode.label not in have]
    if lost:
        raise not_guided(bench, lost[0], nm)


def not_guided(bench: Bench, what: str, nm: float) -> BenchError:
    """That a mode or target of the bench is lost at a wavelength, in one line."""
    return BenchError(
        f"{bench.source}: [light] wavelength_nm: the fibre guides {what} at "
        f"{bench.light.wavelength_nm:g} nm but not at {nm:g} nm"
    )


def _panel_at(bench: Bench, ratio: float) -> ModulatorSection:
    """The section with its phases as they were measured, and its map of waves `ratio` times."""
    part = bench.modulator
    changes: dict[str, object] = {"phase_wavelength_nm": phase_wavelength_nm(bench)}
    if part.alphabet == "continuous":
        changes |= {"alphabet": "levels", "levels": CONTINUOUS_LEVELS, "depth_deg": 360.0}
    if part.flatness is not None:
        changes["flatness"] = replace(part.flatness, data=part.flatness.data * ratio)
    return part.model_copy(update=changes)


def _fiber_at(bench: Bench, nm: float) -> FiberSection:
    """The section with indices that the glass has there; indices given as numbers stay."""
    part = bench.fiber
    if part.glass is None:
        return part
    own = benches.indices(bench)[0]
    here = bench.light.wavelength_nm * 1e-9
    with named(bench, "fiber"):
        core = glass.germania_doped(glass.germania_fraction(here, own)).index(nm * 1e-9)
    void = dict.fromkeys(("na", "delta_percent", "na_wavelength_nm", "cladding_index"))
    return part.model_copy(update={**void, "core_index": core})
