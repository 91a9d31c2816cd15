"""The bench that a written set carries, built again; and the same at another wavelength."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from maskforge import bench as benches
from maskforge.base.errors import BenchError
from maskforge.bench import Bench
from maskforge.bench.ready import prepared
from maskforge.bench.sections import TargetsSection
from maskforge.fiber import glass
from maskforge.fiber.modes import solve
from maskforge.launch.basis import Basis
from maskforge.launch.couplings import Launch
from maskforge.launch.modulator import Levels, Modulator
from maskforge.launch.panel import Picture, states_of
from maskforge.launch.targets import Target
from maskforge.sets.names import MANIFEST
from maskforge.sets.reading import WrittenSet

Targets = Mapping[tuple[str, float], Target]
"""By name and orientation in degrees."""

LARGEST_GREY = 2**16 - 1


def bench_keys(written: WrittenSet) -> dict[str, Any]:
    """The sections of the manifest's bench without the indices that follow from other keys.

    `core_index` follows from na, delta_percent or a table, `cladding_index` from the glass.
    """
    data, fiber = dict(written.bench), written.bench.get("fiber")
    if not isinstance(fiber, dict):
        return data
    void = set()
    if any(fiber.get(key) is not None for key in ("na", "delta_percent", "table")):
        void.add("core_index")
    if fiber.get("glass") is not None:
        void.add("cladding_index")
    data["fiber"] = {key: value for key, value in fiber.items() if key not in void}
    return data


def bench_of(written: WrittenSet, keys: Mapping[str, Any] | None = None) -> Bench:
    """The bench of a set, or one of other `keys` in its place; BenchError where it is none."""
    name = f"{written.folder / MANIFEST}: bench"
    return benches.from_dict(bench_keys(written) if keys is None else keys, name, written.folder)


def bench_at(written: WrittenSet, wavelength_nm: float) -> Bench:
    """The set's bench with another light: the same glass, whose indices follow the wavelength.

    Everything else stays, phases of the panel and wavefronts in waves too.  Where the fibre guides
    fewer groups there than `groups` asks for, all that it guides count.  Raises BenchError where
    the bench does not work at this wavelength.
    """
    own, keys = bench_of(written), bench_keys(written)
    keys["light"] = {**keys["light"], "wavelength_nm": wavelength_nm}
    if own.fiber.glass is not None:
        keys["fiber"] = {**keys["fiber"], **_same_glass(own, wavelength_nm)}
    bench = bench_of(written, keys)
    guided = solve(benches.fiber(bench))
    if bench.fiber.groups is None or bench.fiber.groups <= max(mode.group for mode in guided):
        return bench
    return bench.model_copy(update={"fiber": bench.fiber.model_copy(update={"groups": None})})


def _same_glass(own: Bench, wavelength_nm: float) -> dict[str, float]:
    """The key that keeps the glass of the core as it is at another wavelength."""
    here = own.light.wavelength_nm
    if own.fiber.na is not None or own.fiber.delta_percent is not None:
        return {"na_wavelength_nm": own.fiber.na_wavelength_nm or here}
    core = glass.germania_doped(glass.germania_fraction(here * 1e-9, benches.indices(own)[0]))
    return {"core_index": core.index(wavelength_nm * 1e-9)}


def launch_of(bench: Bench) -> Launch:
    """The launch of a bench whose fibre need not guide the bench's own targets."""
    return prepared(bench.model_copy(update={"targets": TargetsSection()})).launch


def targets_in(bench: Bench, basis: Basis) -> Targets:
    """Those of a bench's targets that a basis (which may be another fibre's) has."""
    part = bench.targets
    names = None if part.labels == "all" else part.labels
    if names is None and part.family == "superposition":
        names = tuple(entry.name for entry in part.superpositions or ())
    found: list[Target] = []
    for labels in ["all"] if names is None else [(name,) for name in names]:
        single = bench.model_copy(update={"targets": part.model_copy(update={"labels": labels})})
        try:
            found += benches.targets(single, basis)
        except BenchError:
            continue
    return {(target.name, float(target.orientation)): target for target in found}


def read_states(modulator: Modulator, picture: Picture) -> Levels:
    """`panel.states_of` of a page of any width of pixels; BenchError where it is no mask's."""
    if picture.dtype.itemsize > 2 and picture.max() > LARGEST_GREY:
        raise BenchError(f"a grey of {picture.max()}; a panel has at most {LARGEST_GREY}")
    # a page of one bit comes as truth values, which would pick pixels instead of greys
    return states_of(modulator, picture.astype(np.uint16))
