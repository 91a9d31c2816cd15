"""[device] of the bench file: every key with its range and default."""

from pathlib import Path
from typing import Annotated

from pydantic import PlainValidator, ValidationInfo, field_validator

from maskforge.base.ranges import Choice
from maskforge.bench.device_matrix import MatrixFile, matrices
from maskforge.bench.section import PURITIES, Section


class DeviceSection(Section):
    """[device]: what lies behind the fibre, at whose outputs the light is to be pure."""

    matrix: MatrixFile | tuple[MatrixFile, ...] | None = None
    purity_at: Annotated[str, PlainValidator(Choice(PURITIES))] = PURITIES[0]

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
