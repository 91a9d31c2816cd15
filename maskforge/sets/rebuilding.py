"""The bench that a written set carries, built again."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from maskforge import bench as benches
from maskforge.base.errors import BenchError
from maskforge.base.wording import one_line
from maskforge.bench import Bench
from maskforge.bench.ready import prepared
from maskforge.bench.sections import TargetsSection
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


def _bench_keys(written: WrittenSet) -> dict[str, Any]:
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


def bench_of(written: WrittenSet) -> Bench:
    """The bench of a set; BenchError where it is none."""
    name = f"{written.folder / MANIFEST}: bench"
    return benches.from_written(_bench_keys(written), name, written.folder)


def power_warnings(*sets: WrittenSet) -> tuple[str, ...]:
    """Which sets' beams are too strong for the panel, a line each, and where that is not known."""
    found: list[str | None] = []
    for written in sets:
        name = one_line(written.folder.resolve().name)
        try:
            bench = bench_of(written).model_copy(update={"source": name})
        except BenchError as problem:
            found.append(f"{name}: the power on the modulator is not checked: {problem}")
        else:
            found.append(benches.power_warning(bench))
    return tuple(filter(None, found))


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
