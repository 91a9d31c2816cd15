"""Benches made ready before they are asked for.  Common practice, no source."""

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from maskforge import bench as benches
from maskforge.bench import ready
from maskforge.bench.ready import prepare_ahead, prepared
from maskforge.cli.main import main

BENCH = "few-mode-1310"


@pytest.fixture(autouse=True)
def _forgotten() -> Iterator[None]:
    yield
    ready._ahead.clear()


def test_a_bench_of_other_targets_alone_finds_its_launch() -> None:
    prepare_ahead(benches.load(BENCH), "cpu")
    other = benches.load(BENCH, labels=["LP11"], orientations=3)
    found = prepared(other)
    assert found.launch is prepared(benches.load(BENCH)).launch
    assert found.bench is other
    assert [target.name for target in found.targets] == ["LP11"] * 3


@pytest.mark.parametrize(
    "key", [("light", "waist_mm"), ("lens", "focal_length_mm"), ("design", "purity")]
)
def test_any_other_bench_does_not(key: tuple[str, str]) -> None:
    prepare_ahead(benches.load(BENCH), "cpu")
    section, name = key
    bench = benches.load(BENCH)
    value = 0.99 * getattr(getattr(bench, section), name)
    changed = benches.load_changed(BENCH, {key: value})
    ahead = ready._ahead[0].launch
    found = prepared(changed)
    assert found.launch is not ahead
    ready._ahead.clear()
    assert np.array_equal(found.launch.kernel, prepared(changed).launch.kernel)


@pytest.mark.parametrize("name", [BENCH, "none.toml", "", "/dev/null", "."])
def test_what_is_told_wrongly_is_left_to_the_command(name: str) -> None:
    text = "from maskforge.cli import ready_ahead; from maskforge.bench import ready; "
    told = {"MASKFORGE_BENCH": name, "MASKFORGE_METHOD": "", "MASKFORGE_DEVICE": "cpu"}
    done = subprocess.run(
        [sys.executable, "-c", f"{text} print(len(ready._ahead))"],
        env=os.environ | told,
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.stdout, done.stderr) == (f"{int(name == BENCH)}\n", "")


def test_of_a_set_the_fibres_modes_are_found(tmp_path: Path) -> None:
    line = f"design {BENCH} --labels LP01 --orientations 1 --out {tmp_path / 'set'}"
    assert main(line.split()) == 0
    text = "from maskforge.cli import ready_ahead; from maskforge.fiber.modes import remembered; "
    told = {"MASKFORGE_BENCH": "set", "MASKFORGE_METHOD": "", "MASKFORGE_DEVICE": "cpu"}
    done = subprocess.run(
        [sys.executable, "-c", f"{text} print(remembered.cache_info().currsize)"],
        cwd=tmp_path,
        env=os.environ | told,
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.stdout, done.stderr) == ("1\n", "")


LEFT = """
import subprocess, sys
late = "import time; from maskforge.bench import ready; "
late += "ready.prepare_ahead = lambda *given: (print('begun', flush=True), time.sleep(600)); "
began = subprocess.Popen(
    [sys.executable, "-c", late + "from maskforge.cli import ready_ahead"], stdout=subprocess.PIPE
)
assert began.stdout.readline() == b"begun\\n"
"""


@pytest.mark.skipif(sys.platform == "win32", reason="no process is a copy of another there")
def test_it_ends_with_the_command() -> None:
    """The pipe of the errors is open for as long as one of them lives."""
    told = {"MASKFORGE_BENCH": BENCH, "MASKFORGE_METHOD": "", "MASKFORGE_DEVICE": "cpu"}
    done = subprocess.run(
        [sys.executable, "-c", LEFT],
        env=os.environ | told,
        capture_output=True,
        check=False,
        timeout=60,
    )
    assert (done.returncode, done.stderr) == (0, b"")
