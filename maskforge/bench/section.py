"""What the sections of a bench file share: values with units, and keys that go together."""

from collections.abc import Mapping
from typing import Annotated

from pydantic import BaseModel, ConfigDict, PlainValidator

from maskforge.base.ranges import BadValueError, Pair, Range
from maskforge.bench import values as benchvalues
from maskforge.bench.files import DataFile, read_picture

METHODS = ("simple", "ifta", "dual")
SHORTFALLS = ("purest", "efficient")
"""Designs that a bench may ask for, the default last."""

ALPHABETS = ("binary", "levels", "table", "continuous")
BACKGROUNDS = ("flat", "checkerboard", "carrier")
PROFILES = ("step", "power-law", "trench", "table")
PURITIES = ("matrix", "median", "lower")
"""What [design] purity is asked of behind a device: its matrix as measured, or an edge of the
errors."""

FAMILIES = ("lp", "lg", "superposition", "output")

GOES_WITH: Mapping[str, tuple[str, Mapping[str, tuple[str, ...]]]] = {
    "modulator": (
        "alphabet",
        {
            "phase_step_deg": ("binary",),
            "greys": ("binary",),
            "levels": ("levels",),
            "depth_deg": ("levels",),
            "table": ("table",),
            "phase_wavelength_nm": ("binary", "levels", "table"),
        },
    ),
    "background": (
        "background",
        {
            "background_grey": ("flat",),
            "background_cell_px": ("checkerboard",),
            "background_period_px": ("carrier",),
            "background_angle_deg": ("carrier",),
        },
    ),
    "fiber": (
        "profile",
        {
            "core_radius_um": ("step", "power-law", "trench"),
            "alpha": ("power-law", "trench"),
            "na": ("step", "power-law", "trench"),
            "delta_percent": ("step", "power-law", "trench"),
            "na_wavelength_nm": ("step", "power-law", "trench"),
            "glass": ("step", "power-law", "trench"),
            "trench_inner_um": ("trench",),
            "trench_outer_um": ("trench",),
            "trench_delta_index": ("trench",),
            "table": ("table",),
        },
    ),
    "targets": (
        "family",
        {
            "orientations": ("lp",),
            "lg_waist_um": ("lg",),
            "superpositions": ("superposition", "output"),
        },
    ),
}
"""Per section (or part of one) the key that decides, and those that only some of its values
allow."""

Metres = Range(0.01, 100, "mm")
Degrees = Annotated[float, PlainValidator(Range(-360, 360, "deg"))]
Millimetres = Annotated[float, PlainValidator(Metres)]
Nanometres = Range(200, 3000, "nm")
Wavelength = Annotated[float, PlainValidator(Nanometres)]
Micrometres = Annotated[float, PlainValidator(Range(0.5, 500, "um"))]
Seed = Range(0, 2**32 - 1, whole=True)
Share = Annotated[float, PlainValidator(Range(0, 1))]
Index = Annotated[float, PlainValidator(Range(1.2, 4))]
Pixels = Annotated[
    tuple[int, int], PlainValidator(Pair(Range(8, 8192, "pixels", whole=True), "columns", "rows"))
]
Grey = Range(0, 65535, whole=True)
Greys = Annotated[tuple[int, int], PlainValidator(Pair(Grey, "first", "second"))]
Offset = Annotated[tuple[float, float], PlainValidator(Pair(Range(-50, 50, "mm"), "x", "y"))]
Box = Annotated[tuple[float, float], PlainValidator(Pair(Range(0, 20, "um"), "x", "y"))]
Picture = Annotated[DataFile, benchvalues.with_folder(read_picture)]


class Section(BaseModel):
    """What all sections share: frozen, no unknown keys, keys that do not belong are told."""

    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True)

    def _only_fitting(self, section: str) -> None:
        """BadValueError where a key does not go with what the section decides on."""
        decider, rules = GOES_WITH[section]
        choice = getattr(self, decider)
        for key, fits in rules.items():
            value = getattr(self, key)
            if value is not None and choice not in fits:
                words = " or ".join(f'"{word}"' for word in fits)
                raise BadValueError(
                    f'goes with {decider} = {words}, here it is "{choice}"', key, value
                )

    def _needs(self, key: str, why: str) -> None:
        if getattr(self, key) is None:
            raise BadValueError(f"missing; {why}", key)

    def _both(self, key: str, other: str) -> None:
        """BadValueError where `key` is given without `other`."""
        if getattr(self, key) is not None and getattr(self, other) is None:
            raise BadValueError(f"goes with {other}, which is missing", key, getattr(self, key))
