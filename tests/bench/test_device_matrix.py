"""[device]: its file read, matched by name, refused in one line; and what its targets may be."""

import csv
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from maskforge import bench as benches
from maskforge.base.errors import BenchError
from maskforge.bench.device_matrix import outputs_of, read_matrix
from maskforge.bench.elsewhere import at_wavelength
from maskforge.bench.ready import guided_basis, prepared
from maskforge.launch.basis import mode_name
from maskforge.launch.passage import Output

Complex = NDArray[np.complex128]

NAMES = ("LP01", "LP11 cos", "LP11 sin")

BENCH = """
[light]
wavelength_nm = {wavelength}
waist_mm = 1.1
[modulator]
pixels = [64, 64]
pitch_um = 60.0
alphabet = "levels"
levels = 16
[lens]
focal_length_mm = 8.0
[fiber]
profile = "power-law"
core_radius_um = 9.0
na = 0.17
groups = 2
[device]
matrix = {matrix}
[targets]
{targets}
[design]
purity = 0.98
carrier_period_px = 5.0
"""


def random_matrix(outputs: int = 3, inputs: int = 3, seed: int = 1) -> Complex:
    rng = np.random.default_rng(seed)
    found = rng.normal(size=(outputs, inputs)) + 1j * rng.normal(size=(outputs, inputs))
    return np.asarray(0.9 * found / np.linalg.svd(found, compute_uv=False)[0])


def npz(path: Path, matrix: Complex | None = None, **changes: Any) -> Path:
    arrays = {
        "matrix": random_matrix() if matrix is None else matrix,
        "input": list(NAMES),
        "output": list(NAMES),
    }
    arrays |= changes
    np.savez(path, **{key: np.asarray(one) for key, one in arrays.items() if one is not None})
    return path


def written_csv(
    path: Path, matrix: Complex, header: bool = True, error: float | None = None
) -> Path:
    with path.open("w", newline="", encoding="utf-8") as file:
        rows = csv.writer(file)
        more = [] if error is None else ["standard_error"]
        if header:
            rows.writerow(["output", "input", "real", "imag", *more])
        for (j, k), entry in np.ndenumerate(matrix):
            last = [] if error is None else [error]
            rows.writerow([NAMES[j], NAMES[k], entry.real, entry.imag, *last])
    return path


def bench_at(
    folder: Path,
    matrix: str = '"M.npz"',
    targets: str = 'family = "output"',
    wavelength: str = "1310.0",
) -> benches.Bench:
    text = BENCH.format(matrix=matrix, targets=targets, wavelength=wavelength)
    (folder / "b.toml").write_text(text, encoding="utf-8")
    return benches.load(folder / "b.toml")


def test_npz_and_csv_say_the_same(tmp_path: Path) -> None:
    matrix = random_matrix()
    for path in (
        npz(tmp_path / "a.npz", matrix),
        written_csv(tmp_path / "a.csv", matrix),
        written_csv(tmp_path / "b.csv", matrix, header=False),
    ):
        found = read_matrix(path.name, tmp_path)
        np.testing.assert_array_equal(found.matrix, matrix)
        assert found.inputs == found.outputs == NAMES
        assert not found.data[..., 2].any()
    errors = np.full((3, 3), 0.01)
    first = read_matrix(npz(tmp_path / "e.npz", matrix, standard_error=errors).name, tmp_path)
    second = read_matrix(written_csv(tmp_path / "e.csv", matrix, error=0.01).name, tmp_path)
    np.testing.assert_array_equal(first.data, second.data)
    assert np.all(first.data[..., 2] == 0.01)


@pytest.mark.parametrize("order", [(2, 0, 1), (1, 0, 2)])
def test_inputs_are_matched_by_name(tmp_path: Path, order: tuple[int, ...]) -> None:
    matrix = random_matrix()
    some = list(order)
    npz(tmp_path / "M.npz", matrix[:, some], input=[NAMES[k] for k in some])
    bench = bench_at(tmp_path)
    basis = guided_basis(bench)
    assert tuple(mode_name(mode) for mode in basis) == NAMES
    setup = benches.setup(bench, basis)
    assert setup.passage is not None
    np.testing.assert_array_equal(setup.passage.matrix, matrix)
    vectors = [target.vector for target in benches.targets(bench, basis)]
    np.testing.assert_array_equal(vectors, np.eye(3))


def with_entry(value: complex) -> Callable[[], Complex]:
    def made() -> Complex:
        found = random_matrix()
        found[1, 2] = value
        return found

    return made


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"matrix": with_entry(np.nan)}, 'output "LP11 cos" of input "LP11 sin" is no finite'),
        ({"matrix": with_entry(np.inf)}, 'output "LP11 cos" of input "LP11 sin" is no finite'),
        ({"matrix": lambda: 3 * random_matrix()}, "no singular value above 1.1: scale it"),
        ({"matrix": with_entry(1e300)}, "no singular value above 1.1: scale it"),
        ({"matrix": lambda: np.zeros((3, 3))}, "it passes no light: all its entries are 0"),
        (
            {"matrix": lambda: random_matrix(4, 3)},
            r"shape \(4, 3\), with 3 output and 3 input names",
        ),
        ({"matrix": lambda: np.array(["x"] * 3)}, "must be complex numbers of shape"),
        ({"matrix": lambda: np.zeros((3, 0))}, "must be complex numbers of shape"),
        ({"matrix": None}, "holds no array matrix"),
        ({"input": None}, "holds no array input"),
        ({"input": [1, 2, 3]}, "its input is int64 of shape .* must be names"),
        ({"input": ["LP01", "LP11 cos", "LP11 cos"]}, '"LP11 cos" is given twice'),
        ({"input": ["LP01", "LP11", "LP11 sin"]}, 'input "LP11": .* needs " cos" or " sin"'),
        ({"input": ["LP01", "HE11", "LP11 sin"]}, 'input "HE11" is not an LP label'),
        ({"input": ["LP01", "LP11 cos", "LP02"]}, "no input for the guided LP11 sin"),
        ({"output": ["a", "b", ""]}, "output names: must be text on one line, 1 to 40"),
        ({"output": ["a", "b", "channel 1"]}, "is a singular vector's name"),
        ({"standard_error": np.full((3, 3), -0.1)}, "standard error .* is below 0"),
        ({"standard_error": np.zeros((2, 3))}, r"its standard_error has shape \(2, 3\)"),
        ({"standard_error": np.full((3, 3), np.nan)}, "is no finite number"),
    ],
)
def test_what_is_wrong_with_an_npz_is_one_line(
    tmp_path: Path, changes: dict[str, Any], told: str
) -> None:
    made = {key: one() if callable(one) else one for key, one in changes.items()}
    arrays = {"matrix": random_matrix(), "input": NAMES, "output": NAMES} | made
    np.savez(
        tmp_path / "M.npz",
        **{key: np.asarray(one) for key, one in arrays.items() if one is not None},
    )
    with pytest.raises(BenchError, match=told) as problem:
        prepared(bench_at(tmp_path))
    line = str(problem.value)
    assert line.startswith(f'{tmp_path / "b.toml"}: [device] matrix = "M.npz": ')
    assert "\n" not in line


def test_more_inputs_than_are_counted_are_named(tmp_path: Path) -> None:
    npz(tmp_path / "M.npz", random_matrix(3, 4), input=[*NAMES, "LP02"])
    bench = bench_at(tmp_path)
    with pytest.raises(BenchError, match="its inputs LP02 are no modes that the bench counts"):
        benches.setup(bench, guided_basis(bench))


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("LP01,LP01,1\n", "line 1: 3 values; needed are output, input, real, imag"),
        ("LP01,LP01,1,0,0,0\n", "line 1: 6 values"),
        ("LP01,LP01,x,0\n", 'line 1: "x" is not a finite number'),
        ("LP01,LP01,nan,0\n", 'line 1: "nan" is not a finite number'),
        ("LP01,LP01,1,0\nLP01,LP01,1,0\n", 'line 2: output "LP01" of input "LP01" again'),
        ("a,LP01,1,0\nb,LP11 cos,1,0\n", 'output "a" of input "LP11 cos" is missing'),
        ("", "0 output names"),
    ],
)
def test_what_is_wrong_with_a_csv_is_one_line(tmp_path: Path, text: str, told: str) -> None:
    (tmp_path / "M.csv").write_text(text, encoding="utf-8")
    with pytest.raises(BenchError, match=told) as problem:
        bench_at(tmp_path, '"M.csv"')
    assert str(problem.value).startswith(f'{tmp_path / "b.toml"}: [device] matrix = "M.csv": ')


@pytest.mark.parametrize(
    ("matrix", "told"),
    [
        ('"none.npz"', "no such file"),
        ('"b.toml"', "must be a .npz or a .csv file"),
        ("3", "must be the path of a .npz or .csv file"),
        ("[]", "a list must hold a file for each wavelength"),
        ('["M.npz", "M.npz"]', r"2 for 1 of \[light\] wavelength_nm"),
        ('["M.npz", "O.npz"]', '"O.npz" and "M.npz" have not the same outputs'),
    ],
)
def test_other_mistakes(tmp_path: Path, matrix: str, told: str) -> None:
    npz(tmp_path / "M.npz")
    npz(tmp_path / "O.npz", output=["a", "b", "c"])
    with pytest.raises(BenchError, match=told):
        bench_at(tmp_path, matrix)


def test_a_device_goes_with_its_outputs(tmp_path: Path) -> None:
    npz(tmp_path / "M.npz")
    with pytest.raises(
        BenchError, match=r'family = "lp": behind a \[device\] targets are its outp'
    ):
        bench_at(tmp_path, targets='family = "lp"')
    text = BENCH.format(matrix="", targets='family = "output"', wavelength="1310.0")
    (tmp_path / "b.toml").write_text(text.replace("[device]\nmatrix = \n", ""))
    with pytest.raises(BenchError, match=r'family = "output": needs a \[device\]'):
        benches.load(tmp_path / "b.toml")
    (tmp_path / "b.toml").write_text(
        BENCH.format(matrix="", targets="", wavelength="1310.0").replace("matrix = \n", "")
    )
    with pytest.raises(BenchError, match=r"\[device\] matrix: missing"):
        benches.load(tmp_path / "b.toml")


def test_superpositions_of_outputs_and_of_modes(tmp_path: Path) -> None:
    npz(tmp_path / "M.npz", output=["a", "b", "c"])
    weights = 'superpositions = [{ name = "s", weights = { "a" = [1, 0], "c" = [1, 90] } }]'
    bench = bench_at(tmp_path, targets=f'family = "output"\nlabels = ["s"]\n{weights}')
    (target,) = benches.targets(bench, guided_basis(bench))
    np.testing.assert_allclose(target.vector, np.array([1, 0, 1j]) / np.sqrt(2), atol=1e-15)
    # without a device names are those of modes, as ever
    with pytest.raises(
        BenchError, match=r"superpositions\[0\].weights = .* \"a\" is not an LP label"
    ):
        benches.from_dict(
            {
                key: keys
                for key, keys in benches.resolved(bench).items()
                if key not in ("device", "targets")
            }
            | {
                "targets": {"family": "superposition"}
                | {"superpositions": [{"name": "s", "weights": {"a": [1, 0]}}]}
            },
            "other",
        )


def test_at_another_wavelength_it_must_be_known(tmp_path: Path) -> None:
    matrices = {1300: random_matrix(seed=1), 1310: random_matrix(seed=2)}
    for nm, matrix in matrices.items():
        npz(tmp_path / f"{nm}.npz", matrix)
    npz(tmp_path / "M.npz")
    with pytest.raises(BenchError, match="known at 1310 nm, not at 1300 nm"):
        at_wavelength(bench_at(tmp_path), 1300.0)
    bench = bench_at(tmp_path, '["1300.npz", "1310.npz"]', wavelength="[1300.0, 1310.0]")
    for nm, matrix in matrices.items():
        setup = at_wavelength(bench, float(nm)).setup
        assert setup.passage is not None
        np.testing.assert_array_equal(setup.passage.matrix, matrix)


def test_outputs_of_other_names_have_groups_of_their_own() -> None:
    assert outputs_of(["LP01", "LP21 sin", "LP02"]) == (
        Output("LP01", 1),
        Output("LP21 sin", 3),
        Output("LP02", 3),
    )
    assert outputs_of(["LP01", "port B"]) == (Output("LP01", 1), Output("port B", 2))
