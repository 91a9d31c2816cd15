"""What `--device` and `device` take, and what is said where there is no such device."""

import sys
from pathlib import Path

import array_api_strict
import pytest

import maskforge as mf
from maskforge.base import device as devices
from maskforge.base.errors import BenchError
from maskforge.bench import ready
from maskforge.sets.reading import read_set
from tests.commands import SIX_MODES, SMALL, ran, toml_text

RULE = "must be auto, cpu or cuda"
ABSENT = 'needs CuPy: pip install "maskforge[gpu]"; cpu works without'


@pytest.mark.parametrize(("name", "told"), [("gpu", RULE), ("", RULE), ("cuda", ABSENT)])
@pytest.mark.parametrize("command", ["design", "compare", "tradeoff", "tolerance", "plan"])
def test_a_device_that_is_not_there_is_one_line(
    command: str,
    name: str,
    told: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # an import of what is None there fails
    monkeypatch.setitem(sys.modules, "cupy", None)
    file = tmp_path / "bench.toml"
    file.write_text(toml_text(SMALL))
    words = [file, "LP01"] if command == "tradeoff" else [file]
    out = ["--out", tmp_path / "set"] if command == "design" else []
    code, said, error = ran(capsys, command, *words, "--device", name, *out)
    assert (code, said, error) == (2, "", f"error: --device = {name}: {told}\n")
    assert [path.name for path in tmp_path.iterdir()] == ["bench.toml"]


def test_auto_is_the_processor_where_there_is_no_gpu(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(devices, "find_spec", lambda name: None)
    assert devices.device_of("auto", 2**22, 100) == devices.CPU
    assert mf.design("few-mode-1310", labels=["LP01"], device="auto").masks[0].reached


def test_python_says_the_same() -> None:
    with pytest.raises(BenchError, match=f"^device = gpu: {RULE}$"):
        mf.design("few-mode-1310", device="gpu")


def test_a_set_made_on_a_device_is_whole(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """In one process, beside threads for files and journal; any library's arrays will do."""
    file, out = tmp_path / "bench.toml", tmp_path / "set"
    file.write_text(toml_text(SIX_MODES))
    strict = devices.Device("strict", array_api_strict)
    with monkeypatch.context() as there:
        there.setattr(ready, "device_of", lambda *_: strict)
        code, _, error = ran(capsys, "design", file, "--jobs", "1", "--out", out)
    assert (code, error) == (0, "")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["bench.toml", "set"]
    masks = read_set(out).masks
    assert [mask.index for mask in masks] == list(range(len(masks)))
    assert all(mask.reached for mask in masks)
    assert ran(capsys, "check", out)[0] == 0
