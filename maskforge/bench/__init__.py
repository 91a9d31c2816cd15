"""The bench: loaded and checked from a TOML file or a preset, and built into the numerics' types.

Every mistake in what the user gave is a BenchError of one line: file, section, key, value, and what
is allowed in which unit.
"""

import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from maskforge.base.errors import BenchError
from maskforge.base.ranges import BadValueError
from maskforge.base.wording import nearest, one_line, shortened, shown
from maskforge.bench.build import (
    carrier,
    fiber,
    focal_length,
    indices,
    lens_offset,
    light,
    modulator,
    na_wavelength_nm,
    phase_wavelength_nm,
    setup,
    targets,
    zernike_radius_mm,
)
from maskforge.bench.check import check as _check
from maskforge.bench.check import share_on_mask
from maskforge.bench.files import (
    DataFile,
    bench_source,
    parsed,
    preset_keys,
    preset_names,
    preset_text,
)
from maskforge.bench.power import Safety, power_warning, safety
from maskforge.bench.section import GOES_WITH, METHODS
from maskforge.bench.sections import (
    SECTIONS,
    Bench,
    DesignSection,
    Superposition,
    keys_by_section,
)
from maskforge.bench.values import fail, plain

__all__ = [
    "METHODS",
    "Bench",
    "Safety",
    "carrier",
    "changed",
    "changed_keys",
    "fiber",
    "focal_length",
    "from_dict",
    "from_written",
    "indices",
    "lens_offset",
    "light",
    "load",
    "load_changed",
    "modulator",
    "override",
    "power_warning",
    "preset_names",
    "preset_text",
    "resolved",
    "safety",
    "setup",
    "share_on_mask",
    "targets",
]

REQUIRED = ("light", "modulator", "lens", "fiber")

REPLACES: Mapping[str, tuple[str, ...]] = {
    "na": ("delta_percent", "core_index"),
    "delta_percent": ("na", "core_index"),
    "core_index": ("na", "delta_percent", "na_wavelength_nm"),
    "cladding_index": ("glass", "na_wavelength_nm"),
    "glass": ("cladding_index",),
}
"""Keys of a preset that an override makes void: two ways to say the same thing."""

# --- loading ---------------------------------------------------------------------------------


STRUCTURE = {
    "tuple_type": "must be a list of tables { name = ..., weights = ... }",
    "model_type": "must be a table { name = ..., weights = ... }",
}
"""What is wrong where a list or a table is expected; only superpositions are nested."""


def load(
    name_or_path: str | Path,
    *,
    method: str | None = None,
    labels: str | Sequence[str] | None = None,
    orientations: int | None = None,
) -> Bench:
    """The bench of a preset's name or of a TOML file, some keys replaced; checked.

    Raises BenchError, one line, for whatever cannot be used.
    """
    changes = changed_keys(method=method, labels=labels, orientations=orientations)
    return load_changed(name_or_path, changes)


def load_changed(
    name_or_path: str | Path,
    changes: Mapping[tuple[str, str], object],
    *,
    name: str | None = None,
    told: str = "",
) -> Bench:
    """The same with any keys (section, key) replaced; `name`: what the bench is called instead.

    `told`: what error lines say of the changes behind the name of the file.
    """
    source = bench_source(name_or_path)
    raw = _replaced(parsed(source.text, source.shown_as), changes)
    shown_as = f"{source.shown_as} with {told}" if told else source.shown_as
    return _made(raw, source.name if name is None else name, shown_as, source.folder)


def override(
    bench: Bench,
    *,
    method: str | None = None,
    labels: str | Sequence[str] | None = None,
    orientations: int | None = None,
    purity: float | None = None,
) -> Bench:
    """The bench with some keys replaced, checked again; None keeps a key. Raises BenchError."""
    changes = changed_keys(method=method, labels=labels, orientations=orientations, purity=purity)
    return changed(bench, changes)


def changed(bench: Bench, changes: Mapping[tuple[str, str], object]) -> Bench:
    """The same with any keys (section, key) replaced, or taken away where the value is None."""
    raw: Mapping[str, Any] = keys_by_section(bench)
    return _made(_replaced(raw, changes), bench.name, bench.source, bench.folder)


def from_dict(data: Mapping[str, Any], name: str, folder: Path = Path()) -> Bench:
    """A bench from a dictionary of sections, such as `resolved` writes; relative paths start at
    `files`.  Raises BenchError, which calls the bench `name`."""
    return _made(dict(data), name, name, folder)


def from_written(data: Mapping[str, Any], name: str, folder: Path) -> Bench:
    """The same of what `resolved` wrote, by an earlier version too.

    One that knew no `greys` wrote 0 and 1 for two states.
    """
    panel = data.get("modulator")
    if isinstance(panel, Mapping) and panel.get("alphabet") == "binary" and "greys" not in panel:
        data = {**data, "modulator": {**panel, "greys": [0, 1]}}
    return from_dict(data, name, folder)


def changed_keys(**values: object) -> dict[tuple[str, str], object]:
    """Keys of [design] and [targets] by (section, key), without those that are None."""
    return {
        ("design" if key in DesignSection.model_fields else "targets", key): value
        for key, value in values.items()
        if value is not None
    }


def _replaced(raw: Mapping[str, Any], changes: Mapping[tuple[str, str], object]) -> dict[str, Any]:
    out = dict(raw)
    for (section, key), value in changes.items():
        old = out.get(section, {})
        if isinstance(old, dict):
            out[section] = old | {key: value}
    return out


def _made(raw: Mapping[str, Any], name: str, source: str, folder: Path) -> Bench:
    _check_sections(raw, source)
    whole: dict[str, Any] = {"name": name, "source": source, "folder": folder}
    for section in SECTIONS:
        if section == "device" and section not in raw:
            continue
        keys = {key: value for key, value in raw.get(section, {}).items() if value is not None}
        if section in ("fiber", "modulator") and "preset" in keys:
            preset = keys.pop("preset")
            try:
                keys = _merged(section, preset_keys(section, preset), keys)
            except BadValueError as problem:
                fail(source, section, "preset", preset, problem.text)
        whole[section] = keys
    try:
        bench = Bench.model_validate(whole, context={"folder": folder})
    except ValidationError as error:
        raise _explained(error, source) from None
    _check(bench)
    return bench


def _merged(section: str, preset: Mapping[str, Any], given: Mapping[str, Any]) -> dict[str, Any]:
    """A preset's keys with overrides; what an override makes void is dropped from the preset."""
    decider, rules = GOES_WITH[section]
    void = {old for key in given for old in REPLACES.get(key, ())}
    if decider in given:
        void |= {key for key, fits in rules.items() if given[decider] not in fits}
    return {key: value for key, value in preset.items() if key not in void} | dict(given)


def _check_sections(raw: Mapping[str, Any], source: str) -> None:
    for name, value in raw.items():
        if name not in SECTIONS:
            raise BenchError(one_line(f"{source}: {_unknown_section(name, value)}"))
        if not isinstance(value, Mapping):
            raise BenchError(f"{source}: {name} = {shown(value)}: must be a section, [{name}]")
    for name in REQUIRED:
        if name not in raw:
            raise BenchError(f"{source}: [{name}]: missing; a bench needs this section")
    if "device" in raw and "matrix" not in raw["device"]:
        raise BenchError(f"{source}: [device] matrix: missing; the path of a .npz or .csv file")


def _unknown_section(name: str, value: object) -> str:
    if isinstance(value, dict):
        near = nearest(name, SECTIONS)
        known = ", ".join(f"[{section}]" for section in SECTIONS)
        return f"[{shortened(name)}]: no such section; " + (
            f"did you mean [{near}]?" if near else f"there are {known}"
        )
    return f"{shortened(name)} = {shown(value)}: outside a section{_elsewhere(name)}"


def _elsewhere(key: str, section: str | None = None) -> str:
    """Where else a key belongs, as the end of a sentence."""
    homes = [n for n, model in SECTIONS.items() if key in model.model_fields and n != section]
    return f"; it belongs under [{homes[0]}]" if homes else ""


def _explained(error: ValidationError, source: str) -> BenchError:
    """The first problem as a BenchError of one line; a misspelt key before what it left missing."""
    order = {"extra_forbidden": 0, "missing": 2}
    first = min(error.errors(), key=lambda problem: order.get(problem["type"], 1))
    section, *path = first["loc"]
    model: type[BaseModel] = SECTIONS[str(section)]
    if len(path) > 1:
        model = Superposition
    name = str(path[-1]) if path else ""
    key = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in path)[1:]
    value = first["input"] if path else None
    if first["type"] == "extra_forbidden":
        near = nearest(name, model.model_fields)
        text = f"no such key{_elsewhere(name, str(section))}"
        text += (
            f"; did you mean {near}?" if near else f"; there are {', '.join(model.model_fields)}"
        )
    elif first["type"] == "missing":
        text, value = "missing" + _rule(model, name), None
    else:
        cause = first.get("ctx", {}).get("error")
        text = STRUCTURE.get(first["type"], first["msg"])
        if isinstance(cause, BadValueError):
            text = cause.text
            key, value = (key, value) if cause.key is None else (cause.key, cause.value)
    try:
        fail(source, str(section), key, value, text)
    except BenchError as explained:
        return explained


def _rule(model: type[BaseModel], key: str) -> str:
    """What a required key must hold, as the end of a sentence."""
    for item in model.model_fields[key].metadata if key in model.model_fields else ():
        phrase = getattr(getattr(item, "func", None), "phrase", None)
        if phrase is not None:
            return f"; it {phrase()}"
    return ""


# --- written out -----------------------------------------------------------------------------


def resolved(bench: Bench, start: Path | None = None) -> dict[str, dict[str, Any]]:
    """The bench written out, presets and defaults resolved: JSON-ready, and `from_dict` loads it.

    `core_index` and `cladding_index` are numbers at the light's wavelength; the keys that they
    follow from stay and win on loading.  Paths are as written, or relative to the folder `start`.
    """
    out: dict[str, dict[str, Any]] = {}
    for name, keys in keys_by_section(bench).items():
        out[name] = {
            key: _json(value if start is None else _moved(value, bench.folder, start))
            for key, value in keys.items()
        }
    row, column = modulator(bench).corner
    out["modulator"]["at"] = [column, row]
    if bench.modulator.alphabet != "continuous":
        out["modulator"]["phase_wavelength_nm"] = phase_wavelength_nm(bench)
    if bench.light.zernike:
        out["light"]["zernike_radius_mm"] = zernike_radius_mm(bench)
    core, cladding, _, _ = indices(bench)
    out["fiber"] |= {"core_index": core, "cladding_index": cladding}
    if bench.fiber.glass and (bench.fiber.na or bench.fiber.delta_percent):
        out["fiber"]["na_wavelength_nm"] = na_wavelength_nm(bench)
    return out


def _json(value: object) -> object:
    if isinstance(value, dict):
        return {key: _json(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_json(item) for item in value]
    return plain(value)


def _moved(value: object, folder: Path, start: Path) -> object:
    if isinstance(value, tuple):
        return tuple(_moved(one, folder, start) for one in value)
    if not isinstance(value, DataFile):
        return value
    try:
        return Path(os.path.relpath(folder / value.path, start)).as_posix()
    except ValueError:  # another drive: only the whole path leads there
        return (folder / value.path).resolve().as_posix()
