"""A device's measured transmission matrix, read from a file: every entry named, finite, in reason.

npz  `matrix` (output, input) complex, `input` and `output` names, and if it is known
     `standard_error` (output, input), of the real and of the imaginary part each
CSV  a row for each entry: output, input, real, imag[, standard_error]
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maskforge.base.errors import BenchError
from maskforge.base.npz import read_arrays
from maskforge.base.ranges import LP_LABEL, BadValueError, Text, distinct
from maskforge.base.wording import shown, some_of
from maskforge.bench.files import DataFile, named_rows, opened
from maskforge.bench.values import mode_part
from maskforge.launch.basis import POLARISATIONS
from maskforge.launch.passage import Output

COLUMNS = "output", "input", "real", "imag"
MORE = "standard_error"

NAME = Text(40)

MOST_NAMES = 5000
"""Of outputs or inputs: more modes than a step-index fibre of 200 um guides."""

LARGEST_GAIN = 1.1
"""A singular value in amplitude: what is above 1 by less may be noise of the measurement (common
practice, no source)."""

CHANNEL = "channel "
"""Names of right singular vectors begin so: no output may."""


@dataclass(frozen=True, eq=False)
class MatrixFile(DataFile):
    """`data` (J, K, 3): real part, imaginary part and standard error (0: not known) of the entries,
    from the `inputs` (K,) to the `outputs` (J,)."""

    inputs: tuple[str, ...] = ()
    outputs: tuple[str, ...] = ()

    @property
    def matrix(self) -> NDArray[np.complex128]:
        """(J, K)."""
        return np.asarray(self.data[..., 0] + 1j * self.data[..., 1])

    @property
    def errors(self) -> NDArray[np.float64] | None:
        """Standard errors (J, K); None where none is known."""
        return self.data[..., 2] if np.any(self.data[..., 2]) else None

    @property
    def names(self) -> tuple[tuple[str, ...], ...]:
        return self.outputs, self.inputs


def read_matrix(path: object, folder: Path) -> MatrixFile:
    """The matrix in a file; BadValueError, which says what is wrong, where it cannot be used."""
    if isinstance(path, MatrixFile):
        return path
    if not isinstance(path, str):
        raise BadValueError("must be the path of a .npz or .csv file, in quotes")
    found, digest = opened(path, folder)
    suffix = found.suffix.lower()
    if suffix not in (".npz", ".csv"):
        raise BadValueError("must be a .npz or a .csv file")
    outputs, inputs, data = _from_csv(found) if suffix == ".csv" else _from_npz(found)
    _check_names(outputs, inputs)
    _check_numbers(outputs, inputs, data)
    return MatrixFile(path, data, sha256=digest, inputs=inputs, outputs=outputs)


def matrices(value: object, folder: Path) -> MatrixFile | tuple[MatrixFile, ...]:
    """One matrix, or a list of them; BadValueError as `read_matrix`, or where outputs differ."""
    if not isinstance(value, list | tuple):
        return read_matrix(value, folder)
    if not value:
        raise BadValueError("a list must hold a file for each wavelength")
    found = tuple(read_matrix(one, folder) for one in value)
    for one in found[1:]:
        if set(one.outputs) != set(found[0].outputs):
            raise BadValueError(
                f"{shown(one.path)} and {shown(found[0].path)} have not the same outputs"
            )
    return found


def outputs_of(names: Sequence[str]) -> tuple[Output, ...]:
    """The outputs of these names: in the groups of their LP labels, or where one of them has none
    each in its own."""
    groups = [_group(name) for name in names]
    if None in groups:
        return tuple(Output(name, place + 1) for place, name in enumerate(names))
    return tuple(Output(name, group or 0) for name, group in zip(names, groups, strict=True))


def unpolarised(name: str) -> str:
    """ "LP21 cos" of "LP21 cos x"."""
    first, _, last = name.rpartition(" ")
    return first if last in POLARISATIONS else name


def _group(name: str) -> int | None:
    """l + 2 p - 1 of "LP21 cos"; None of a name that is no mode's."""
    label, _, part = unpolarised(name).partition(" ")
    match = LP_LABEL.fullmatch(label)
    if match is None or part not in ("", "cos", "sin"):
        return None
    return int(match[1] or match[3]) + 2 * int(match[2] or match[4]) - 1


def _from_npz(path: Path) -> tuple[tuple[str, ...], tuple[str, ...], NDArray[np.float64]]:
    shapes: dict[str, tuple[int, ...]] = {}
    kinds = {
        "matrix": ("cf", 2, "complex numbers of shape (outputs, inputs)"),
        "input": ("U", 1, "names, a row of text"),
        "output": ("U", 1, "names, a row of text"),
        MORE: ("f", 2, "real numbers of the matrix's shape"),
    }

    def check(name: str, dtype: np.dtype[Any], shape: tuple[int, ...]) -> None:
        wanted, axes, words = kinds[name]
        if dtype.kind not in wanted or len(shape) != axes or 0 in shape:
            raise BenchError(f"its {name} is {dtype} of shape {shape}: must be {words}")
        shapes[name] = shape

    try:
        found = read_arrays(path, ["matrix", "input", "output"], check, optional=[MORE])
    except BenchError as error:
        raise BadValueError(str(error).removeprefix(f"{path}: ")) from None
    size = shapes["output"] + shapes["input"]
    for name in ("matrix", MORE):
        if shapes.get(name, size) != size:
            raise BadValueError(
                f"its {name} has shape {shapes[name]}, with {size[0]} output and {size[1]} input "
                f"names it must be {size}"
            )
    matrix, errors = found["matrix"], found.get(MORE, np.zeros(size))
    with np.errstate(over="ignore", invalid="ignore"):
        data = np.stack([np.real(matrix), np.imag(matrix), errors], axis=-1).astype(np.float64)
    outputs, inputs = (tuple(str(x) for x in found[key].tolist()) for key in ("output", "input"))
    return outputs, inputs, data


def _from_csv(path: Path) -> tuple[tuple[str, ...], tuple[str, ...], NDArray[np.float64]]:
    entries: dict[tuple[str, str], tuple[float, float, float]] = {}
    for line, (output, into), numbers in named_rows(path, COLUMNS, MORE):
        if (output, into) in entries:
            raise BadValueError(f"line {line}: output {shown(output)} of input {shown(into)} again")
        real, imag, *more = numbers
        entries[output, into] = real, imag, *(more or (0.0,))
    outputs = tuple(dict.fromkeys(output for output, _ in entries))
    inputs = tuple(dict.fromkeys(into for _, into in entries))
    if len(outputs) > MOST_NAMES or len(inputs) > MOST_NAMES:
        raise BadValueError(f"more than {MOST_NAMES} names of inputs or outputs")
    lacking = next((k for k in _pairs(outputs, inputs) if k not in entries), None)
    if lacking is not None:
        raise BadValueError(
            f"output {shown(lacking[0])} of input {shown(lacking[1])} is missing; every pair is "
            "needed, 0 where nothing passes"
        )
    data = np.array([[entries[output, into] for into in inputs] for output in outputs])
    return outputs, inputs, data.reshape(len(outputs), len(inputs), 3)


def _pairs(outputs: Sequence[str], inputs: Sequence[str]) -> Any:
    return ((output, into) for output in outputs for into in inputs)


def _check_names(outputs: Sequence[str], inputs: Sequence[str]) -> None:
    for what, names in (("output", outputs), ("input", inputs)):
        if not 0 < len(names) <= MOST_NAMES:
            raise BadValueError(f"{len(names)} {what} names; 1 to {MOST_NAMES} are needed")
        try:
            distinct(names)
            for name in names:
                NAME(name)
        except BadValueError as problem:
            raise BadValueError(f"{what} names: {problem.text}") from None
    for name in inputs:
        try:
            mode_part(unpolarised(name))
        except BadValueError as problem:
            raise BadValueError(f"input {problem.text}") from None
    reserved = [name for name in outputs if name.startswith(CHANNEL)]
    if reserved:
        raise BadValueError(
            f'output {shown(reserved[0])}: "{CHANNEL}" and a number is a singular vector\'s name'
        )


def _check_numbers(
    outputs: Sequence[str], inputs: Sequence[str], data: NDArray[np.float64]
) -> None:
    wrong = np.argwhere(~np.isfinite(data))
    if len(wrong):
        row, column, _ = wrong[0]
        raise BadValueError(
            f"output {shown(outputs[row])} of input {shown(inputs[column])} is no finite number"
        )
    if np.any(data[..., 2] < 0):
        row, column = np.argwhere(data[..., 2] < 0)[0]
        raise BadValueError(
            f"the standard error of output {shown(outputs[row])} of input "
            f"{shown(inputs[column])} is below 0"
        )
    largest = float(np.max(np.abs(data[..., :2])))
    if largest > LARGEST_GAIN:
        gain = largest
    else:
        gain = float(np.linalg.svd(data[..., 0] + 1j * data[..., 1], compute_uv=False)[0])
    if gain > LARGEST_GAIN:
        raise BadValueError(
            f"it passes up to {gain:.4g} of an amplitude; entries must be amplitudes for unit "
            f"power in the input, and no singular value above {LARGEST_GAIN:g}: scale it"
        )
    if not gain > 0 or math.isinf(1 / gain):
        raise BadValueError("it passes no light: all its entries are 0")


def matched(file: MatrixFile, guided: Sequence[str]) -> list[int]:
    """The columns of the matrix in the order of the guided modes; BadValueError where its inputs
    are not the same ones."""
    place: Mapping[str, int] = {name: at for at, name in enumerate(file.inputs)}
    both = any(unpolarised(name) != name for name in guided)
    if both != any(unpolarised(name) != name for name in file.inputs):
        raise BadValueError(
            'its inputs need a polarisation, as in "LP01 x" and "LP01 y", since the bench has '
            "second_at, the aperture of the second one"
            if both
            else f"its input {shown(next(n for n in file.inputs if unpolarised(n) != n))} has a "
            "polarisation: [device] second_at must say where the second one's aperture lies"
        )
    missing = [name for name in guided if name not in place]
    if missing:
        raise BadValueError(
            f"it has no input for the guided {some_of(missing)}; measure them, or let "
            "[fiber] groups leave them out"
        )
    known = set(guided)
    foreign = [name for name in file.inputs if name not in known]
    if foreign:
        raise BadValueError(
            f"its inputs {some_of(foreign)} are no modes that the bench counts; those are "
            f"{some_of(guided)}"
        )
    return [place[name] for name in guided]
