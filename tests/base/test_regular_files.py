"""Files of others are looked at before they are read: what never ends or begins is told at once."""

import csv
import os
import zipfile
from pathlib import Path

import numpy as np
import pytest

from maskforge.base import csv_text, json_text
from maskforge.base.csv_text import csv_rows
from maskforge.base.errors import BenchError
from maskforge.base.npz import LARGEST, read_arrays
from maskforge.base.regular_files import LONGEST_LINE, open_regular, read_regular


def test_json_of_many_values_is_not_made(monkeypatch: pytest.MonkeyPatch) -> None:
    """Counted by what stands before a value: its opening bracket, or a comma."""
    monkeypatch.setattr(json_text, "MOST_VALUES", 4)
    assert json_text.json_of(b'{"a": [1, 2]}') == {"a": [1, 2]}
    for text in (b"[{},{},{}]", "[1, 2, 3, 4, 5]"):
        with pytest.raises(ValueError, match="more than 4 values"):
            json_text.json_of(text)


def test_a_table_of_many_lines_is_not_read_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Blank lines and remarks count: they take time, too."""
    monkeypatch.setattr(csv_text, "MOST_LINES", 4)
    path = tmp_path / "a.csv"
    path.write_text("1\n\n# 2\n3\n", "utf-8")
    assert [cells for _, cells in csv_rows(path)] == [["1"], ["3"]]
    path.write_text("1\n\n# 2\n\n3\n", "utf-8")
    with pytest.raises(csv.Error, match="more than 4 lines"):
        list(csv_rows(path))


def test_a_file_is_read_whole(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_bytes(b"abc")
    assert read_regular(path) == b"abc"
    with open_regular(path, 3) as file:
        assert file.read() == b"abc"


@pytest.mark.skipif(os.name != "posix", reason="has no pipes in folders")
def test_what_is_no_regular_file_is_told_at_once(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "zero").symlink_to("/dev/zero")
    for name, words in (
        ("pipe", "not a regular file"),
        ("zero", "not a regular file"),
        (".", "Is a directory"),
        ("none", "No such file"),
    ):
        with pytest.raises(OSError, match=words):
            read_regular(tmp_path / name)


def test_a_long_file(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_bytes(bytes(3 * 2**20 + 1))
    with pytest.raises(OSError, match="3145729 bytes; at most 2097152 are read"):
        read_regular(path, 2 * 2**20)


@pytest.mark.parametrize("before", [0, 5, LONGEST_LINE - 5])
def test_a_long_line(tmp_path: Path, before: int) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(b"1\n" * (before // 2) + b"1," * LONGEST_LINE)
    with pytest.raises(OSError, match="a line of more than 1048576 bytes"):
        list(csv_rows(path))
    path.write_bytes(b"1,2,3,4\r" * csv_text.MOST_LINES)
    assert sum(1 for _ in csv_rows(path)) == csv_text.MOST_LINES


def write_npz(path: Path, shape: tuple[int, ...], *parts: bytes) -> None:
    header = {"descr": "<f8", "fortran_order": False, "shape": shape}
    with (
        zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive,
        archive.open("x.npy", "w", force_zip64=True) as file,
    ):
        np.lib.format.write_array_header_1_0(file, header)
        for part in parts:
            file.write(part)


def test_arrays_are_judged_before_they_are_read(tmp_path: Path) -> None:
    """A shape that lies, and 1 GiB of zeros in a MiB."""
    path, seen = tmp_path / "a.npz", []

    def check(name: str, dtype: np.dtype[np.float64], shape: tuple[int, ...]) -> None:
        seen.append((name, str(dtype), shape))
        if shape == (3,):
            raise BenchError("not that")

    np.savez(path, x=np.arange(4.0), y=np.arange(5))
    assert read_arrays(path, ["x"], check)["x"].tolist() == [0, 1, 2, 3]
    with pytest.raises(BenchError, match="holds no array z"):
        read_arrays(path, ["z"], check)
    write_npz(path, (3,), bytes(24))
    with pytest.raises(BenchError, match="not that"):
        read_arrays(path, ["x"], check)
    write_npz(path, (10**12,), bytes(24))
    with pytest.raises(BenchError, match="x has not the size that its shape says"):
        read_arrays(path, ["x"], check)
    write_npz(path, (2**27,), *[bytes(2**26)] * 16)
    with pytest.raises(BenchError, match=f"its arrays have more than {LARGEST // 2**20} MiB"):
        read_arrays(path, ["x"], check)
    assert seen == [
        ("x", "float64", (4,)),
        ("x", "float64", (3,)),
        ("x", "float64", (10**12,)),
    ]
