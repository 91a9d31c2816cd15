"""Sections of the bench file: every key with its unit, range and default (frozen models)."""

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Self

import numpy as np
from pydantic import (
    BaseModel,
    ConfigDict,
    ModelWrapValidatorHandler,
    PlainValidator,
    PrivateAttr,
    model_validator,
)

from maskforge.base.errors import BenchError
from maskforge.base.ranges import BadValueError, Choice, Pair, Range, Text, distinct, lp_order
from maskforge.base.wording import listed, nearest, shown
from maskforge.bench import values as benchvalues
from maskforge.bench.device_section import DeviceSection
from maskforge.bench.files import DataFile
from maskforge.bench.section import (
    ALPHABETS,
    BACKGROUNDS,
    FAMILIES,
    METHODS,
    PROFILES,
    SHORTFALLS,
    Box,
    Degrees,
    Grey,
    Greys,
    Index,
    Micrometres,
    Millimetres,
    Nanometres,
    Offset,
    Picture,
    Pixels,
    Section,
    Seed,
    Share,
    Wavelength,
)
from maskforge.launch.modulator import BINARY_GREYS
from maskforge.launch.targets import parse_lg


class LightSection(Section):
    """[light]: lengths in mm, nm, um as the keys say.

    `wavelength_nm` may be given as a list: it is then the middle one, for which everything is
    aligned, and `wavelengths_nm` has all of them.
    """

    _several: tuple[float, ...] = PrivateAttr(())

    wavelength_nm: Wavelength
    waist_mm: Millimetres | None = None
    waist_x_mm: Millimetres | None = None
    waist_y_mm: Millimetres | None = None
    angle_deg: Degrees | None = None
    image: Picture | None = None
    image_pixel_um: Annotated[float, PlainValidator(Range(0.1, 1000, "um"))] | None = None
    offset_mm: Offset = (0.0, 0.0)
    curvature_per_m: Annotated[float, PlainValidator(Range(-1000, 1000, "1/m"))] = 0.0
    zernike: Annotated[tuple[tuple[int, float], ...], PlainValidator(benchvalues.zernike)] = ()
    zernike_radius_mm: Millimetres | None = None
    power_mw: Annotated[float, PlainValidator(Range(1e-6, 1e5, "mW"))] | None = None

    @property
    def wavelengths_nm(self) -> tuple[float, ...]:
        """All wavelengths of the design, ascending."""
        return self._several or (self.wavelength_nm,)

    def at(self, wavelength_nm: float, **changes: Any) -> Self:
        """The section at one wavelength alone, other keys replaced, without a check."""
        one = self.model_copy(update={"wavelength_nm": wavelength_nm, **changes})
        one._several = ()
        return one

    @model_validator(mode="wrap")
    @classmethod
    def _one_or_several(cls, raw: Any, made: ModelWrapValidatorHandler[Self]) -> Self:
        given = raw.get("wavelength_nm") if isinstance(raw, Mapping) else None
        if not isinstance(given, list | tuple):
            return made(raw)
        several = benchvalues.wavelengths(given, Nanometres)
        section = made({**raw, "wavelength_nm": several[(len(several) - 1) // 2]})
        section._several = several if len(several) > 1 else ()
        return section

    @model_validator(mode="after")
    def _one_beam(self) -> Self:
        ways = [
            key for key in ("waist_mm", "waist_x_mm", "image") if getattr(self, key) is not None
        ]
        self._both("waist_y_mm", "waist_x_mm")
        self._both("waist_x_mm", "waist_y_mm")
        if not ways:
            raise BadValueError(
                "missing; give it, or waist_x_mm with waist_y_mm, or image with image_pixel_um",
                "waist_mm",
            )
        if len(ways) > 1:
            raise BadValueError(f"goes without {ways[0]}", ways[1], getattr(self, ways[1]))
        self._both("angle_deg", "waist_x_mm")
        self._both("image_pixel_um", "image")
        self._both("image", "image_pixel_um")
        if self.zernike_radius_mm is not None and not self.zernike:
            raise BadValueError("goes with zernike", "zernike_radius_mm", self.zernike_radius_mm)
        if self.image is not None and (np.min(self.image.data) < 0 or not np.any(self.image.data)):
            raise BadValueError(
                "an intensity is needed, not negative and not dark", "image", self.image
            )
        return self


class ModulatorSection(Section):
    """[modulator]: sizes as [columns, rows]."""

    pixels: Pixels
    panel: Pixels
    at: (
        Annotated[
            tuple[int, int],
            PlainValidator(Pair(Range(0, 8191, "pixels", whole=True), "column", "row")),
        ]
        | None
    ) = None
    pitch_um: Annotated[float, PlainValidator(Range(0.5, 1000, "um"))]
    fill_factor: Annotated[float, PlainValidator(Range(0.1, 1))] = 1.0
    gap_reflectance: Share = 0.0
    alphabet: Annotated[str, PlainValidator(Choice(ALPHABETS))]
    phase_step_deg: Annotated[float, PlainValidator(Range(1, 359, "deg"))] | None = None
    greys: Greys | None = None
    levels: Annotated[int, PlainValidator(Range(2, 65536, "levels", whole=True))] | None = None
    depth_deg: Annotated[float, PlainValidator(Range(10, 1440, "deg"))] | None = None
    table: Annotated[DataFile, benchvalues.with_folder(benchvalues.grey_table)] | None = None
    phase_wavelength_nm: Wavelength | None = None
    flatness: Picture | None = None
    background: Annotated[str, PlainValidator(Choice(BACKGROUNDS))] = "flat"
    background_grey: Annotated[int, PlainValidator(Grey)] | None = None
    background_cell_px: (
        Annotated[int, PlainValidator(Range(1, 1000, "pixels", whole=True))] | None
    ) = None
    background_period_px: Annotated[float, PlainValidator(Range(2, 1000, "pixels"))] | None = None
    background_angle_deg: Degrees | None = None
    incidence_deg: Annotated[float, PlainValidator(Range(0, 75, "deg"))] = 0.0
    crosstalk_px: Annotated[float, PlainValidator(Range(0, 10, "pixels"))] = 0.0
    damage_mw_per_mm2: Annotated[float, PlainValidator(Range(1e-3, 1e9, "mW/mm2"))] | None = None

    @model_validator(mode="before")
    @classmethod
    def _filled(cls, raw: Any) -> Any:
        extra: dict[str, Any] = {"panel": raw["pixels"]} if "pixels" in raw else {"panel": [8, 8]}
        if raw.get("alphabet") == "binary":
            extra |= {"phase_step_deg": 180.0, "greys": list(BINARY_GREYS)}
        if raw.get("alphabet") == "levels":
            extra |= {"levels": 256, "depth_deg": 360.0}
        if raw.get("background") == "checkerboard":
            extra |= {"background_cell_px": 1}
        if raw.get("background") == "carrier":
            extra |= {"background_angle_deg": 0.0}
        return extra | raw

    @model_validator(mode="after")
    def _fits(self) -> Self:
        self._only_fitting("modulator")
        self._only_fitting("background")
        if self.background == "carrier":
            self._needs("background_period_px", 'background = "carrier" needs it, from 2 pixels')
        if self.alphabet == "table":
            self._needs("table", 'alphabet = "table" needs a CSV with columns grey, phase_deg')
        if self.greys is not None and self.greys[0] == self.greys[1]:
            raise BadValueError("the two states must have different greys", "greys", self.greys)
        if self.flatness is not None:
            self._check_flatness(self.flatness)
        return self

    def _check_flatness(self, flatness: DataFile) -> None:
        rows, columns = flatness.data.shape
        if (columns, rows) not in (self.pixels, self.panel):
            raise BadValueError(
                f"{columns} x {rows} pixels; it must have those of the mask, {self.pixels[0]} x "
                f"{self.pixels[1]}, or of the panel, {self.panel[0]} x {self.panel[1]}",
                "flatness",
                flatness,
            )
        if not flatness.floating or np.max(np.abs(flatness.data)) > 100:
            raise BadValueError(
                "must be in waves: a floating-point TIFF or a CSV, values from -100 to 100",
                "flatness",
                flatness,
            )


class LensSection(Section):
    """[lens]"""

    focal_length_mm: Annotated[float, PlainValidator(Range(0.5, 2000, "mm"))]
    offset_mm: Offset = (0.0, 0.0)


class FiberSection(Section):
    """[fiber]: one way to give the core's index and one to give the cladding's.

    Where both are given (as in a manifest), `na` or `delta_percent` wins over `core_index` and
    `glass` over `cladding_index`; the losers must agree.
    """

    profile: Annotated[str, PlainValidator(Choice(PROFILES))]
    core_radius_um: Micrometres | None = None
    alpha: Annotated[float, PlainValidator(Range(0.5, 1000))] | None = None
    na: Annotated[float, PlainValidator(Range(0.01, 0.7))] | None = None
    delta_percent: Annotated[float, PlainValidator(Range(0.005, 15, "%"))] | None = None
    na_wavelength_nm: Wavelength | None = None
    core_index: Index | None = None
    cladding_index: Index | None = None
    glass: Annotated[str, PlainValidator(Choice(("silica",)))] | None = None
    trench_inner_um: Micrometres | None = None
    trench_outer_um: Micrometres | None = None
    trench_delta_index: Annotated[float, PlainValidator(Range(-0.1, -1e-5))] | None = None
    table: Annotated[DataFile, benchvalues.with_folder(benchvalues.index_table)] | None = None
    groups: Annotated[int, PlainValidator(Range(1, 200, whole=True))] | None = None

    @model_validator(mode="before")
    @classmethod
    def _filled(cls, raw: Any) -> Any:
        extra: dict[str, Any] = {}
        if raw.get("profile") == "power-law":
            extra["alpha"] = 2.0
        if raw.get("profile") != "table" and raw.get("cladding_index") is None:
            extra["glass"] = "silica"
        return extra | raw

    @model_validator(mode="after")
    def _fits(self) -> Self:
        self._only_fitting("fiber")
        if self.profile == "table":
            self._needs("table", 'profile = "table" needs a CSV with columns r_um, n')
            return self
        self._needs("core_radius_um", f'profile = "{self.profile}" needs it, from 0.5 to 500 um')
        if self.na is not None and self.delta_percent is not None:
            raise BadValueError("goes without na", "delta_percent", self.delta_percent)
        if self.na is None and self.delta_percent is None:
            self._needs("core_index", "give it, or na, or delta_percent")
            if self.na_wavelength_nm is not None:
                raise BadValueError(
                    "goes with na or delta_percent", "na_wavelength_nm", self.na_wavelength_nm
                )
        if self.glass is None:
            self._both("na_wavelength_nm", "glass")
        if self.profile == "trench":
            self._check_trench()
        return self

    def _check_trench(self) -> None:
        for key, what in (
            ("trench_inner_um", "from 0.5 to 500 um"),
            ("trench_outer_um", "from 0.5 to 500 um"),
            ("trench_delta_index", "from -0.1 to -1e-05, against the cladding"),
        ):
            self._needs(key, f'profile = "trench" needs it, {what}')
        core, inner = self.core_radius_um or 0.0, self.trench_inner_um or 0.0
        outer = self.trench_outer_um or 0.0
        if inner < core:
            raise BadValueError(
                f"must be at least core_radius_um, {core:g} um", "trench_inner_um", inner
            )
        if outer <= inner:
            raise BadValueError(
                f"must be above trench_inner_um, {inner:g} um", "trench_outer_um", outer
            )


class Superposition(Section):
    """One entry of [targets] superpositions: LP modes with [amplitude, phase in deg]."""

    name: Annotated[str, PlainValidator(Text())]
    weights: Annotated[
        tuple[tuple[str, tuple[float, float]], ...], PlainValidator(benchvalues.weights)
    ]


class TargetsSection(Section):
    """[targets]: `labels` of a superposition are its names."""

    family: Annotated[str, PlainValidator(Choice(FAMILIES))] = "lp"
    labels: Annotated[str | tuple[str, ...], PlainValidator(benchvalues.labels)] = "all"
    orientations: (
        Annotated[int, PlainValidator(Range(1, 360, "orientations", whole=True))] | None
    ) = None
    lg_waist_um: Micrometres | None = None
    superpositions: tuple[Superposition, ...] | None = None

    @model_validator(mode="before")
    @classmethod
    def _filled(cls, raw: Any) -> Any:
        return ({"orientations": 1} if raw.get("family", "lp") == "lp" else {}) | raw

    @model_validator(mode="after")
    def _fits(self) -> Self:
        self._only_fitting("targets")
        names = tuple(entry.name for entry in self.superpositions or ())
        if self.family == "superposition" and not names:
            raise BadValueError(
                'missing; family = "superposition" needs at least one', "superpositions"
            )
        try:
            distinct(names)
        except BadValueError as problem:
            raise BadValueError(f"name {problem}", "superpositions") from None
        if self.family == "superposition":
            self._check_weights()
        if self.labels == "all" or self.family == "output":
            return self
        for label in self.labels:
            try:
                self._check_label(label, names)
            except (BadValueError, BenchError) as error:
                raise BadValueError(str(error), "labels", self.labels) from None
        return self

    def _check_weights(self) -> None:
        for place, entry in enumerate(self.superpositions or ()):
            try:
                for mode, _ in entry.weights:
                    benchvalues.mode_part(mode)
            except BadValueError as problem:
                key = f"superpositions[{place}].weights"
                raise BadValueError(problem.text, key, dict(entry.weights)) from None

    def _check_label(self, label: str, names: tuple[str, ...]) -> None:
        if self.family == "lp":
            lp_order(label)
        elif self.family == "lg":
            parse_lg(label)
        elif label not in names:
            near = nearest(label, names)
            hint = f'; did you mean "{near}"?' if near else ""
            raise BadValueError(
                f"{shown(label)} is none of the superpositions {listed(names)}{hint}"
            )


class DesignSection(Section):
    """[design]"""

    method: Annotated[str, PlainValidator(Choice(METHODS))] = METHODS[-1]
    purity: Annotated[float, PlainValidator(Range(0.5, 1, open=True))] = 0.999
    on_shortfall: Annotated[str, PlainValidator(Choice(SHORTFALLS))] = SHORTFALLS[0]
    fiber_offset_um: Box = (0.0, 0.0)
    carrier_period_px: Annotated[float, PlainValidator(benchvalues.carrier)] = 0.0
    carrier_angle_deg: Degrees = 0.0
    window_factor: Annotated[float, PlainValidator(Range(1, 4))] = 1.5
    iterations: Annotated[int, PlainValidator(Range(1, 100000, whole=True))] = 200
    amplitude: Annotated[float, PlainValidator(Range(0.01, 1))] | None = None
    start: Annotated[str, PlainValidator(Choice(("target", "random")))] = "target"
    seed: Annotated[int, PlainValidator(Seed)] = 0


class Bench(BaseModel):
    """A bench, presets and defaults resolved; plain data in the units that the keys name.

    `source` is how error lines call it, `files` where its relative paths start.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str
    source: str
    folder: Path
    light: LightSection
    modulator: ModulatorSection
    lens: LensSection
    fiber: FiberSection
    device: DeviceSection = DeviceSection()
    targets: TargetsSection
    design: DesignSection


SECTIONS: Mapping[str, type[Section]] = {
    "light": LightSection,
    "modulator": ModulatorSection,
    "lens": LensSection,
    "fiber": FiberSection,
    "device": DeviceSection,
    "targets": TargetsSection,
    "design": DesignSection,
}


def keys_by_section(bench: Bench) -> dict[str, dict[str, Any]]:
    """The keys that are set, as `Bench` accepts them again; [device] only where there is one."""
    found = {name: benchvalues.keys_of(getattr(bench, name)) for name in SECTIONS}
    return {name: keys for name, keys in found.items() if "matrix" in keys or name != "device"}
