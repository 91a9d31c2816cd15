"""Random but sensible benches, one a seed, over all keys of a bench file (see `zoo.py`).

The fibre comes first, since its modes say how large the far fields on the mask are; lens, beam and
pixels are drawn around them.  What the package refuses is drawn again, so that the benches left
are those that a user could run.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from zoo_files import Draw, Keys, beam_image, flatness, grey_table, index_table

from maskforge import bench as benches
from maskforge.base.errors import MaskforgeError
from maskforge.bench.ready import Prepared, guided_basis, prepared
from maskforge.fiber.glass import SILICA
from maskforge.launch.basis import Basis, labels_of, mode_name, polarised
from maskforge.launch.tails import TAIL_POWER
from maskforge.launch.targets import gaussian_waist, lg_label

Data = dict[str, Keys]

MODES, SMALL_MODES = (3, 60), (3, 12)
"""Guided modes of a fibre, and of the small zoo's."""

PURITIES = (0.9, 0.95, 0.98, 0.99, 0.999, 0.9999)
SIDES, SMALL_SIDES = (128, 160, 192, 224, 256, 320), (96, 112, 128, 144, 160)
"""Pixels along a mask's side."""

SPREAD = 5.0
"""Half the mask's shorter side is at most so many waists: light on fewer pixels is not sensible."""

TRIES = 200
"""Draws for one seed; about one in three is refused, most for the number of modes."""

WIDEST = 25.0
"""Core radii that hold every mode: one just above its cut-off takes half a GiB of facet samples."""


class UnfitError(Exception):
    """A draw that the zoo itself does not want."""


@dataclass(frozen=True)
class Drawn:
    """A bench's keys, its prepared launch, and why earlier draws of the seed were given up."""

    data: Data
    ready: Prepared
    refused: Sequence[str]


def bench_of(seed: int, folder: Path, small: bool = False) -> Data:
    """The keys of the seed's bench; its data files are written into `files`."""
    return drawn(seed, folder, small).data


def drawn(seed: int, folder: Path, small: bool = False, *, behind: bool = False) -> Drawn:
    """The seed's bench, ready to design; `behind`: with a random device behind its fibre."""
    refused: list[str] = []
    for attempt in range(TRIES):
        draw = Draw(np.random.default_rng([seed, attempt]), folder, small)
        try:
            data = _data(draw)
            ready = prepared(loaded(data, folder, f"zoo-{seed}"))
            if behind:
                more = (
                    Draw(np.random.default_rng([seed, attempt, k]), folder, small) for k in (1, 2)
                )
                device, aperture = more
                second = _second(aperture, data["modulator"])
                data |= {"modulator": data["modulator"] | second.pop("modulator", {})}
                data |= _device(device, ready, second)
                ready = prepared(loaded(data, folder, f"zoo-{seed}"))
            return Drawn(data, ready, tuple(refused))
        except (MaskforgeError, UnfitError) as error:
            refused.append(f"{type(error).__name__}: {error}")
    raise UnfitError(f"seed {seed}: nothing fits in {TRIES} draws; the last: {refused[-1]}")


def loaded(data: Mapping[str, Mapping[str, Any]], folder: Path, name: str) -> benches.Bench:
    """The bench by way of a bench file in `files`, which stays there."""
    path = folder / f"{name}.toml"
    path.write_text(toml_of(data), "utf-8")
    return benches.load(path)


def toml_of(data: Mapping[str, Mapping[str, Any]]) -> str:
    lines = []
    for section, keys in data.items():
        lines += [f"[{section}]", *(f"{key} = {_toml(value)}" for key, value in keys.items()), ""]
    return "\n".join(lines)


def _toml(value: Any) -> str:
    if isinstance(value, Mapping):
        inner = ", ".join(f"{json.dumps(key)} = {_toml(item)}" for key, item in value.items())
        return "{ " + inner + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    return json.dumps(value)


# --- the fibre -------------------------------------------------------------------------------


def _data(draw: Draw) -> Data:
    wavelength = draw.one_of((850.0, 1310.0, 1550.0, draw.within(780, 1620, 1)))
    fiber = _fiber(draw, wavelength)
    basis = _basis(draw, wavelength, fiber)
    top = max(mode.group for mode in basis)
    if top > 2 and draw.chance(0.2):
        fiber["groups"] = int(draw.rng.integers(2, top))
        basis = tuple(mode for mode in basis if mode.group <= fiber["groups"])
    panel = _pixels(draw)
    matched, focal = _lens(draw, basis, panel, wavelength)
    panel |= _alphabet(draw) | _surface(draw, panel)
    light = _light(draw, panel, matched, wavelength)
    half = min(panel["pixels"]) * panel["pitch_um"] * 5e-4
    lens: Keys = {"focal_length_mm": round(focal, 4)}
    if draw.chance(0.1):
        lens["offset_mm"] = [draw.within(-half / 2, half / 2), draw.within(-half / 2, half / 2)]
    design: Keys = {"purity": draw.one_of(PURITIES)}
    if draw.chance(0.5):
        angle = draw.one_of((0.0, 45.0, 90.0, draw.within(-180, 180, 2)), (1, 1, 1, 3))
        period = draw.one_of((float(draw.rng.integers(3, 13)), draw.within(3, 12, 3)))
        design |= {"carrier_period_px": period, "carrier_angle_deg": angle}
    if draw.chance(0.05):
        _robust(draw, light, design)
    targets = _targets(draw, basis)
    return {
        "light": light,
        "modulator": panel,
        "lens": lens,
        "fiber": fiber,
        "targets": targets,
        "design": design,
    }


def _fiber(draw: Draw, wavelength: float) -> Keys:
    kind = draw.one_of(("step", "power-law", "trench", "table"), (3, 4, 2, 1))
    alpha = draw.one_of((2.0, draw.within(1.8, 2.2), draw.between(1.2, 12.0)), (2, 4, 1))
    alpha = round(alpha, 3) if kind in ("power-law", "table") or draw.chance(0.8) else 1e3
    share = 1.0 if kind == "step" else alpha / (alpha + 2)
    low, high = SMALL_MODES if draw.small else MODES
    count = draw.between(low, high if draw.chance(0.15) else high / 2)
    # a fibre guides about V^2/4 fields, times alpha/(alpha + 2) (Gloge and Marcatili 1973)
    v = 2 * np.sqrt(count / share)
    na = draw.within(0.1, 0.24)
    radius = round(float(v * wavelength * 1e-3 / (2 * np.pi * na)), 3)
    if kind == "table":
        return {"profile": "table", "table": index_table(draw, radius, na, alpha)}
    keys: Keys = {"profile": kind, "core_radius_um": radius} | _contrast(draw, na, wavelength)
    if kind == "power-law" or (kind == "trench" and alpha < 1e3):
        keys["alpha"] = alpha
    if kind == "trench":
        inner = round(radius * draw.one_of((1.0, draw.within(1.02, 1.3))), 3)
        keys |= {
            "trench_inner_um": inner,
            "trench_outer_um": round(inner + draw.within(2, 7), 3),
            "trench_delta_index": draw.within(-0.006, -0.001, 5),
        }
    return keys


def _contrast(draw: Draw, na: float, wavelength: float) -> Keys:
    cladding = round(float(SILICA.index(wavelength * 1e-9)), 6)
    core = float(np.hypot(cladding, na))
    ways: tuple[Keys, ...] = (
        {"na": na},
        {"delta_percent": round(50 * (na / core) ** 2, 4)},
        {"core_index": round(core, 6), "cladding_index": cladding},
        {"na": na, "na_wavelength_nm": round(wavelength * draw.within(0.95, 1.05), 1)},
    )
    return draw.one_of(ways, (6, 2, 1, 1))


def _basis(draw: Draw, wavelength: float, fiber: Keys) -> Basis:
    """The guided modes, on a bench that asks nothing else."""
    plain: Data = {
        "light": {"wavelength_nm": wavelength, "waist_mm": 1.0},
        "modulator": {"alphabet": "binary", "pixels": [256, 256], "pitch_um": 20.0},
        "lens": {"focal_length_mm": 1000.0},
        "fiber": fiber,
    }
    bench = benches.from_dict(plain, "fibre", draw.folder)
    basis = guided_basis(bench)
    low, high = SMALL_MODES if draw.small else MODES
    if not low <= len(basis) <= high:
        raise UnfitError(f"{len(basis)} guided modes")
    core = benches.fiber(bench).profile.core_radius
    widest = max(mode.radial.field.radius_enclosing(TAIL_POWER) for mode in basis)
    if widest > WIDEST * core:
        raise UnfitError(f"a mode at its cut-off reaches {widest / core:.0f} core radii")
    return basis


# --- panel, lens, light ----------------------------------------------------------------------


def _pixels(draw: Draw) -> Keys:
    sides = SMALL_SIDES if draw.small else SIDES
    columns = int(draw.one_of(sides))
    rows = columns if draw.chance(0.5) else int(draw.one_of(sides))
    if draw.chance(0.15):
        columns, rows = columns + 1, rows + int(draw.rng.integers(0, 2))
    pitch = draw.one_of((8.0, 9.2, 12.5, 15.0, 20.0, draw.within(8, 20, 2)))
    return {"pixels": [columns, rows], "pitch_um": pitch}


def _lens(draw: Draw, basis: Basis, panel: Keys, wavelength: float) -> tuple[float, float]:
    """(waist in mm of LP01's far field on the mask, focal length in mm).

    The far field of group g reaches sqrt(g) times as far as LP01's, and the mask a little farther.
    One in eight uses few pixels of its mask, so that the facet's window is a few cores wide only.
    """
    half = min(panel["pixels"]) / 2
    reach = np.sqrt(max(mode.group for mode in basis)) * draw.between(1.15, 2.2)
    if draw.chance(0.125):
        reach *= draw.between(1.5, 4.0)
    matched = max(half / reach, 4.0) * panel["pitch_um"] * 1e-3
    facet = gaussian_waist(basis) * 1e6
    return matched, float(np.pi * facet * matched / (wavelength * 1e-3))


def _alphabet(draw: Draw) -> Keys:
    kind = draw.one_of(("binary", "levels", "table", "continuous"), (5, 5, 2, 1))
    if kind == "binary":
        step = draw.one_of((180.0, draw.within(120, 180, 1)), (3, 2))
        return {"alphabet": kind, "phase_step_deg": step}
    if kind == "levels":
        depth = draw.one_of((360.0, draw.within(270, 400, 1)), (3, 2))
        count = draw.one_of((int(draw.rng.integers(3, 17)), 256), (3, 1))
        return {"alphabet": kind, "levels": count, "depth_deg": depth}
    if kind == "table":
        return {"alphabet": kind, "table": grey_table(draw)}
    return {"alphabet": kind}


def _surface(draw: Draw, panel: Keys) -> Keys:
    keys: Keys = {"fill_factor": 1.0 if draw.chance(0.25) else draw.within(0.8, 1.0, 3)}
    if draw.chance(0.4):
        keys["gap_reflectance"] = draw.within(0.02, 0.5, 3)
    if draw.chance(0.25):
        keys["incidence_deg"] = draw.within(0.5, 15, 1)
    if draw.chance(0.1):
        keys["crosstalk_px"] = draw.within(0.15, 0.8, 2)
    columns, rows = panel["pixels"]
    if draw.chance(0.3):
        more = [int(n) for n in draw.rng.integers(10, 200, 2)]
        keys["panel"] = [columns + more[0], rows + more[1]]
        if draw.chance(0.3):
            keys["at"] = [int(draw.rng.integers(0, n + 1)) for n in more]
        keys |= _background(draw)
    if draw.chance(0.15):
        keys["flatness"] = flatness(draw, rows, columns)
    return keys


def _background(draw: Draw) -> Keys:
    kind = draw.one_of(("flat", "checkerboard", "carrier"))
    if kind == "checkerboard":
        return {"background": kind, "background_cell_px": int(draw.rng.integers(1, 5))}
    if kind == "carrier":
        return {
            "background": kind,
            "background_period_px": draw.within(2, 6, 2),
            "background_angle_deg": draw.within(-180, 180, 1),
        }
    return {"background": kind}


def _light(draw: Draw, panel: Keys, matched: float, wavelength: float) -> Keys:
    pitch = panel["pitch_um"] * 1e-3
    half = min(panel["pixels"]) * pitch / 2
    waist = float(np.clip(matched * draw.between(0.6, 2.0), half / SPREAD, half / 1.15))
    keys: Keys = {"wavelength_nm": wavelength}
    shape = draw.one_of(("round", "ellipse", "image"), (6, 3, 1))
    if shape == "round":
        keys["waist_mm"] = round(waist, 4)
    elif shape == "ellipse":
        ratio = draw.between(0.75, 1.3)
        first, second = waist * np.sqrt(ratio), waist / np.sqrt(ratio)
        keys |= {"waist_x_mm": round(first, 4), "waist_y_mm": round(second, 4)}
        keys["angle_deg"] = draw.within(-90, 90, 1)
    else:
        keys |= beam_image(draw, waist)
    if draw.chance(0.4):
        keys["offset_mm"] = [round(float(n), 4) for n in draw.rng.normal(size=2) * waist / 8]
    if draw.chance(0.15):
        # waves at the waist: curvature w^2 / (2 lambda)
        waves = draw.within(-0.5, 0.5)
        keys["curvature_per_m"] = round(2 * wavelength * 1e-9 * waves / (waist * 1e-3) ** 2, 4)
    if draw.chance(0.15):
        terms = draw.rng.choice(np.arange(4, 12), int(draw.rng.integers(1, 4)), replace=False)
        keys["zernike"] = {str(term): draw.within(-0.1, 0.1) for term in terms}
        if draw.chance(0.5):
            keys["zernike_radius_mm"] = round(half * draw.within(0.8, 1.2), 3)
    return keys


# --- targets ---------------------------------------------------------------------------------


def _robust(draw: Draw, light: Keys, design: Keys) -> None:
    """Makes the bench one for several wavelengths or a box of fibre offsets."""
    if draw.chance(0.5):
        spread = draw.within(0.001, 0.006)
        middle = light["wavelength_nm"]
        light["wavelength_nm"] = [round(middle * (1 + k * spread), 2) for k in (-1, 0, 1)]
    else:
        design["fiber_offset_um"] = [draw.within(0.05, 0.4, 2), draw.within(0.05, 0.4, 2)]


def _targets(draw: Draw, basis: Basis) -> Keys:
    family = draw.one_of(("lp", "lg", "superposition"), (5, 2, 3))
    if family == "lp":
        labels = labels_of(basis)
        count = min(len(labels), 2 if draw.small else 3)
        chosen = draw.rng.choice(len(labels), count, replace=False)
        turns = int(draw.rng.integers(1, 3 if draw.small else 5))
        return {"labels": [labels[k] for k in chosen], "orientations": turns}
    if family == "lg":
        top = max(mode.group for mode in basis)
        known = [
            lg_label((g - 1 - l) // 2, sign * l)
            for g in range(1, top + 1)
            for l in range(g - 1, -1, -2)
            for sign in ((1,) if l == 0 else (1, -1))
        ]
        chosen = draw.rng.choice(len(known), min(len(known), 2), replace=False)
        keys: Keys = {"family": family, "labels": [known[k] for k in chosen]}
        if draw.chance(0.4):
            waist = gaussian_waist(basis) * 1e6 * draw.within(0.8, 1.2)
            keys["lg_waist_um"] = round(waist, 3)
        return keys
    entries = [
        {"name": f"sum {k + 1}", "weights": _weights(draw, basis)}
        for k in range(int(draw.rng.integers(1, 3)))
    ]
    return {"family": family, "superpositions": entries}


def _second(draw: Draw, panel: Keys) -> Keys:
    """Of one bench in three a second aperture, the keys of [device], and "modulator" for both."""
    if not draw.chance(0.35):
        return {}
    columns, rows = panel["pixels"]
    gap, (left, top) = int(draw.rng.integers(0, 40)), draw.rng.integers(0, 12, 2).tolist()
    side = draw.chance(0.5)
    own, other = [left, top], [left + columns + gap, top] if side else [left, top + rows + gap]
    size = [max(own[0], other[0]) + columns + 5, max(own[1], other[1]) + rows + 3]
    if draw.chance(0.5):
        own, other = other, own
    return {
        "modulator": {"panel": size, "at": own},
        "second_at": other,
        "second_phase_deg": draw.within(-180, 180, 1),
        "second_share": draw.one_of((0.5, draw.within(0.2, 0.8, 2))),
    }


def _device(draw: Draw, ready: Prepared, second: Keys) -> Data:
    """A device behind a bench, and its outputs as targets: unitary, lossy, with fewer outputs or
    more than inputs, with small singular values, or one that leaves light real; over the modes of
    both polarisations where there is a `second` aperture."""
    if len(ready.bench.light.wavelengths_nm) > 1:
        raise UnfitError("a device at several wavelengths")
    basis, rng = ready.launch.basis, draw.rng
    basis = polarised(basis) if second else basis
    count = len(basis)
    outputs = draw.one_of((count, max(1, count - 2), count + 2), (3, 1, 1))
    found = rng.normal(size=(outputs, count))
    if draw.chance(0.7):
        found = found + 1j * rng.normal(size=(outputs, count))
    left, sizes, right = np.linalg.svd(found, full_matrices=False)
    least = draw.one_of((1.0, 0.5, 0.1, 0.01), (2, 3, 2, 1))
    matrix = 0.95 * (left * np.geomspace(1.0, least, sizes.size)) @ right
    names = [f"port {j}" for j in range(outputs)]
    np.savez(
        draw.folder / "device.npz",
        matrix=matrix,
        input=[mode_name(mode) for mode in basis],
        output=names,
    )
    channels = rng.choice(sizes.size, min(sizes.size, 2), replace=False)
    labels = [f"channel {k + 1}" for k in sorted(channels.tolist())]
    if outputs <= count:
        labels.append(names[int(rng.integers(outputs))])
    return {
        "device": {"matrix": "device.npz"} | second,
        "targets": {"family": "output", "labels": labels},
    }


def _weights(draw: Draw, basis: Basis) -> dict[str, list[float]]:
    names = [mode_name(mode) for mode in basis]
    chosen = draw.rng.choice(len(names), min(len(names), int(draw.rng.integers(2, 4))), False)
    equal = draw.chance(0.4)
    return {
        names[k]: [
            1.0 if equal else draw.within(0.3, 1, 3),
            draw.one_of((0.0, 90.0, draw.within(0, 360, 1)), (1, 1, 3)),
        ]
        for k in chosen
    }
