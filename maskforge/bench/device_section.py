"""[device] of the bench file: every key with its range and default."""

import cmath
import math
from pathlib import Path
from typing import Annotated, Self

from pydantic import PlainValidator, ValidationInfo, field_validator, model_validator

from maskforge.base.ranges import Choice, Pair, Range
from maskforge.bench.device_matrix import MatrixFile, matrices
from maskforge.bench.section import PURITIES, Section


class DeviceSection(Section):
    """[device]: what lies behind the fibre, at whose outputs the light is to be pure."""

    matrix: MatrixFile | tuple[MatrixFile, ...] | None = None
    purity_at: Annotated[str, PlainValidator(Choice(PURITIES))] = PURITIES[0]
    second_at: (
        Annotated[
            tuple[int, int],
            PlainValidator(Pair(Range(0, 8191, "pixels", whole=True), "column", "row")),
        ]
        | None
    ) = None
    second_phase_deg: Annotated[float, PlainValidator(Range(-3600, 3600, "deg"))] | None = None
    second_share: Annotated[float, PlainValidator(Range(0, 1, open=True))] | None = None

    @model_validator(mode="after")
    def _fits(self) -> Self:
        self._both("second_phase_deg", "second_at")
        self._both("second_share", "second_at")
        return self

    @property
    def is_polarised(self) -> bool:
        """Whether modes of two polarisations count, each launched from an aperture of its own."""
        return self.second_at is not None

    @property
    def amplitudes(self) -> tuple[complex, complex]:
        """Of the light from both apertures, at the fibre."""
        share = 0.5 if self.second_share is None else self.second_share
        turn = cmath.exp(1j * math.radians(self.second_phase_deg or 0.0))
        return complex(math.sqrt(1 - share)), math.sqrt(share) * turn

    @property
    def matrices(self) -> tuple[MatrixFile, ...]:
        """One for each wavelength of the design, ascending; none without a device."""
        several = self.matrix if isinstance(self.matrix, tuple) else (self.matrix,)
        return tuple(one for one in several if one is not None)

    @property
    def outputs(self) -> tuple[str, ...]:
        """Names of the outputs; none without a device."""
        return self.matrices[0].outputs if self.matrices else ()

    @field_validator("matrix", mode="plain")
    @classmethod
    def _read(cls, value: object, info: ValidationInfo) -> MatrixFile | tuple[MatrixFile, ...]:
        return matrices(value, (info.context or {}).get("folder", Path()))
