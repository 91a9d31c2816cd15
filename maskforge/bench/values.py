"""Values of the bench file that are more than a number: data files, labels, coefficients."""

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, NoReturn

import numpy as np
from pydantic import BaseModel, PlainValidator, ValidationInfo

from maskforge.base.errors import BenchError
from maskforge.base.ranges import BadValueError, Range, distinct, lp_order
from maskforge.base.wording import one_line, shortened, shown
from maskforge.bench.files import DataFile, read_table

MOST_TURNED = Range(-3600, 3600, "deg")
"""Phases of a grey table: ten turns; far beyond, a degree is less than the number's last digit."""

REACH = Range(0.5, 1000, "um")
"""Last radius of an index table."""

LEAST_RISE = 1e-9
"""um between two radii of an index table: a step of the index may be given as two."""


def with_folder(read: Callable[[object, Path], DataFile]) -> PlainValidator:
    """A validator that reads the file named by a key, relative to the bench file."""

    def validate(value: object, info: ValidationInfo) -> DataFile:
        if isinstance(value, DataFile):
            return value
        return read(value, (info.context or {}).get("folder", Path()))

    return PlainValidator(validate)


def grey_table(value: object, folder: Path) -> DataFile:
    """grey, phase_deg[, amplitude] of each state; BadValueError where a value cannot be."""
    found = read_table(value, folder, ("grey", "phase_deg"), ("amplitude",))
    greys = found.data[:, 0]
    if np.any((greys < 0) | (greys > 65535) | (greys % 1 != 0)):
        raise BadValueError("its grey values must be whole numbers from 0 to 65535")
    if np.unique(greys).size != greys.size:
        raise BadValueError("a grey value is given twice")
    if np.max(np.abs(found.data[:, 1])) > MOST_TURNED.high:
        raise BadValueError(f"each of its phases {MOST_TURNED.phrase()}")
    if found.data.shape[1] == 3 and not np.all((found.data[:, 2] >= 0) & (found.data[:, 2] <= 1)):
        raise BadValueError("its amplitudes must be from 0 to 1")
    return found


def index_table(value: object, folder: Path) -> DataFile:
    """r_um, n of a profile; BadValueError where a value cannot be."""
    found = read_table(value, folder, ("r_um", "n"))
    radius, index = found.data.T
    if radius[0] != 0 or np.any(np.diff(radius) < LEAST_RISE):
        raise BadValueError(f"its radii r_um must ascend from 0, by {LEAST_RISE:g} um or more")
    if not REACH.low <= radius[-1] <= REACH.high:
        raise BadValueError(f"the last of its radii r_um {REACH.phrase()}")
    if np.any((index < 1.2) | (index > 4)):
        raise BadValueError("its indices n must be from 1.2 to 4")
    return found


def zernike(value: object) -> tuple[tuple[int, float], ...]:
    """(Noll index, RMS waves) pairs of a table such as { "4" = 0.05 }, or BadValueError."""
    rule = 'must be like { "4" = 0.05 }: Noll index from 2 to 231, RMS from -10 to 10 waves'
    if not isinstance(value, Mapping):
        raise BadValueError(rule)
    out: dict[int, float] = {}
    for key, rms in value.items():
        if not (str(key).isascii() and str(key).isdecimal() and 2 <= int(str(key)[:9]) <= 231):
            raise BadValueError(f"{rule}; {shown(key)} is not such an index")
        if int(key) in out:
            raise BadValueError(f"index {int(key)} is given twice")
        try:
            out[int(key)] = Range(-10, 10, "waves")(rms)
        except BadValueError:
            raise BadValueError(f"{rule}; that of {shown(key)} is {shown(rms)}") from None
    return tuple(out.items())


MOST_WAVELENGTHS = 7
WIDEST_BAND = 1.1
"""Longest wavelength of a list over the shortest one."""


def wavelengths(value: Sequence[object], each: Range) -> tuple[float, ...]:
    """Wavelengths in nm of a list, ascending; BadValueError, which names the key, for a bad one."""
    rule = f"a list must hold 1 to {MOST_WAVELENGTHS} different wavelengths within 10 % in nm"
    key = "wavelength_nm"
    try:
        found = sorted(each(item) for item in value)
    except BadValueError as problem:
        raise BadValueError(f"each {problem.text}", key, value) from None
    if not 1 <= len(set(found)) == len(found) <= MOST_WAVELENGTHS:
        raise BadValueError(rule, key, value)
    if found[-1] > WIDEST_BAND * found[0]:
        raise BadValueError(f"{rule}; {found[0]:g} and {found[-1]:g} are farther apart", key, value)
    return tuple(found)


def labels(value: object) -> str | tuple[str, ...]:
    """ "all" or a tuple of distinct labels, or BadValueError."""
    if value == "all":
        return "all"
    if not isinstance(value, list | tuple) or not value:
        raise BadValueError('must be "all" or a list of labels such as ["LP01", "LP21"]')
    if not all(isinstance(label, str) for label in value):
        raise BadValueError("every label must be text in quotes")
    distinct(value)
    return tuple(value)


def weights(value: object) -> tuple[tuple[str, tuple[float, float]], ...]:
    """(mode or output, (amplitude, phase in deg)) pairs of a superposition, or BadValueError."""
    rule = 'must be like { "LP11 cos" = [1.0, 0.0] }: amplitude from 0 to 1000, phase in deg'
    if not isinstance(value, Mapping) or not value:
        raise BadValueError(rule)
    out = []
    for mode, weight in value.items():
        if not isinstance(weight, list | tuple) or len(weight) != 2:
            raise BadValueError(f"{rule}; that of {shown(mode)} is {shown(weight)}")
        try:
            pair = Range(0, 1000)(weight[0]), Range(-3600, 3600, "deg")(weight[1])
        except BadValueError:
            raise BadValueError(
                f"{rule} from -3600 to 3600; that of {shown(mode)} is {shown(weight)}"
            ) from None
        out.append((str(mode), pair))
    if not any(amplitude for _, (amplitude, _) in out):
        raise BadValueError("all its amplitudes are 0")
    return tuple(out)


def mode_part(name: str) -> None:
    """BadValueError where a name is no guided mode's, as "LP01" and "LP11 cos" are."""
    label, _, part = name.partition(" ")
    if (lp_order(label) > 0) != (part in ("cos", "sin")) or (part and not lp_order(label)):
        raise BadValueError(
            f'{shown(name)}: "LP01" (l = 0) stands alone, "LP11" needs " cos" or " sin"'
        )


def carrier(value: object) -> float:
    """A carrier period in pixels: 0 or from 2 on, or BadValueError."""
    period = Range(0, 10000, "pixels")(value)
    if 0 < period < 2:
        raise BadValueError(
            "must be 0 (on the axis) or from 2 pixels on; the pixels cannot show it"
        )
    return period


def plain(value: object) -> object:
    """A value of a section as TOML or JSON would hold it."""
    if isinstance(value, DataFile):
        return value.path
    if isinstance(value, BaseModel):
        return {key: plain(item) for key, item in keys_of(value).items()}
    if isinstance(value, tuple | list):
        return [plain(item) for item in value]
    return value


def keys_of(section: BaseModel) -> dict[str, Any]:
    """The keys of a section that are set, as `Bench` accepts them again (data files still read)."""
    found = {key: getattr(section, key) for key in type(section).model_fields}
    several = getattr(section, "wavelengths_nm", ())
    if len(several) > 1:
        found["wavelength_nm"] = list(several)
    for key in ("zernike", "weights"):
        if key in found:
            found[key] = {str(name): weight for name, weight in found[key]}
    if found.get("superpositions"):
        found["superpositions"] = [keys_of(entry) for entry in found["superpositions"]]
    return {key: value for key, value in found.items() if value not in (None, {})}


def fail(source: str, section: str, key: str, value: object, text: str) -> NoReturn:
    """Raises BenchError as one line: source, [section] key = value, what is allowed."""
    written = "" if value is None else f" = {shown(plain(value))}"
    raise BenchError(one_line(f"{source}: [{section}] {shortened(key)}{written}: {text}"))
