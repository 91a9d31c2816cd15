"""What starting costs: libraries that a command does not need are not loaded (common practice)."""

import inspect
import os
import re
import subprocess
import sys
from collections.abc import Mapping
from importlib import import_module
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from maskforge.base import forked
from maskforge.cli import ahead
from maskforge.cli.command_list import COMMANDS, GROUPS, first_line, place_of
from maskforge.cli.main import app_for
from tests.commands import SIX_MODES, changed, toml_text

# the parser of the command line loads pydantic itself
HEAVY = ("numpy", "scipy", "matplotlib", "rich.table", "tifffile", "PIL", "jinja2")


def printed(program: str, *arguments: str) -> str:
    """The standard output of a program in a process of its own."""
    line = [sys.executable, "-c", program, *arguments]
    return subprocess.run(line, capture_output=True, text=True, check=True).stdout


@pytest.mark.parametrize("line", ["--version", "--help", "modes --help", "frobnicate"])
def test_nothing_is_loaded_for_what_only_prints(line: str) -> None:
    program = (
        "import sys; from maskforge.cli.main import main; main(sys.argv[1:]); "
        f"print([name for name in {HEAVY} if name in sys.modules])"
    )
    assert printed(program, *line.split()).splitlines()[-1] == "[]"


def test_a_set_and_its_page_are_made_without_the_plotting_library() -> None:
    program = (
        "import sys, maskforge.cli.design, maskforge.report.page.set_page; "
        "print('matplotlib' in sys.modules)"
    )
    assert printed(program) == "False\n"


def test_what_designs_is_not_loaded_by_who_has_others_design() -> None:
    program = (
        "import sys, maskforge.cli.design, maskforge.report.page.set_page; "
        "print([name for name in ('dual', 'robust', 'ifta') if f'maskforge.methods.{name}' in "
        "sys.modules])"
    )
    assert printed(program) == "[]\n"


def test_modes_and_masks_are_made_without_scipys_optimisers() -> None:
    """They take as long to load as all the rest of SciPy that is needed."""
    program = (
        "import sys, maskforge.cli.design; from maskforge.cli.main import main; "
        "main(['modes', 'few-mode-1310']); "
        "print([name for name in ('scipy.optimize', 'scipy.spatial') if name in sys.modules])"
    )
    assert printed(program).splitlines()[-1] == "[]"


def test_modes_are_found_without_scipy() -> None:
    """Its special functions and linear algebra take longer to load than all modes to find."""
    program = (
        "import sys; from maskforge.cli.main import main; main(['modes', 'few-mode-1310']); "
        "print([name for name in sys.modules if name.startswith('scipy.')])"
    )
    assert printed(program).splitlines()[-1] == "[]"


LEVELS = {"binary": {}, "levels": {"levels": 16}}


@pytest.mark.parametrize("alphabet", LEVELS)
def test_masks_are_designed_without_scipy(alphabet: str, tmp_path: Path) -> None:
    """To load what they would need of it takes a fifth of a short design's time."""
    bench = changed(SIX_MODES, modulator={"alphabet": alphabet, **LEVELS[alphabet]})
    written = tmp_path / "bench.toml"
    written.write_text(toml_text(bench), "utf-8")
    program = (
        "import sys; from maskforge.cli.main import main; "
        "main(['design', *sys.argv[1:]]); "
        "print([name for name in sys.modules if name.startswith('scipy.')])"
    )
    assert printed(program, str(written), "--out", str(tmp_path / "set")).endswith("[]\n")


def test_what_was_loaded_is_looked_through_for_garbage_neither_often_nor_at_the_end() -> None:
    program = (
        "import gc, sys; sys.argv[1:] = ['modes', 'few-mode-1310']; "
        "from maskforge.__main__ import main; main(); "
        "print(gc.get_threshold()[0] >= 10_000, gc.get_freeze_count() > 10_000)"
    )
    assert printed(program).splitlines()[-1] == "True True"


@pytest.mark.parametrize(("line", "code"), [("modes few-mode-1310", 0), ("modes nothing-such", 2)])
def test_a_command_does_not_wait_for_what_clears_up_after_it(line: str, code: int) -> None:
    program = (
        "import sys, time; from maskforge.base.ending import clear_up_beside; "
        "clear_up_beside(lambda: time.sleep(600)); "
        "from maskforge.__main__ import main; sys.exit(main())"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, *line.split()],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == code
    assert done.stdout.count("LP") >= 4 if code == 0 else done.stderr.count("\n") == 1


@pytest.mark.skipif(
    np.lib.NumpyVersion(np.__version__) < "2.1.0", reason="NumPy has not the standard's names"
)
def test_masks_of_levels_are_made_without_a_second_layer_over_numpy() -> None:
    """It takes longer to load than NumPy itself."""
    program = (
        "import sys, numpy, maskforge.base.arrays as a, maskforge.launch.modulator as m; "
        "values = numpy.exp(1j * numpy.arange(9.0)); "
        "m.levels(13).support(values); "
        "a.summed_by(numpy.arange(9), values.real, 9); "
        "print('array_api_compat' in sys.modules)"
    )
    assert printed(program) == "False\n"


PLACES = {name: place for own in GROUPS.values() for name, place in own.items()}


@pytest.mark.parametrize("name", PLACES)
def test_the_list_says_of_a_command_what_its_own_help_says(name: str) -> None:
    """On one line of 80 columns, with nothing cut off."""
    module, found = place_of(PLACES[name])
    own = (getattr(import_module(module), found).__doc__ or "").strip().splitlines()[0]
    assert own
    assert first_line(PLACES[name]) == own
    listed = CliRunner().invoke(app_for(["--help"]), ["--help"], env={"COLUMNS": "80"}).output
    assert re.search(rf"^  {name} +{re.escape(own)}$", listed, re.M)


def test_every_command_is_there_when_it_is_named() -> None:
    for name in COMMANDS:
        app = app_for([name, "--help"])
        names = [one.name for one in (*app.registered_commands, *app.registered_groups)]
        assert sorted(map(str, names)) == sorted(COMMANDS)


def noted(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The first module of each of the lines that have something loaded early."""
    asked: list[str] = []

    def load(*modules: str, told: Mapping[str, str] | None = None) -> None:
        asked.append(modules[0])

    monkeypatch.setattr(forked, "load_ahead", load)
    return asked


def test_what_processes_need_is_loaded_early(monkeypatch: pytest.MonkeyPatch) -> None:
    """For every command with --jobs, where more than one is asked for."""
    spreading = []
    for name, place in COMMANDS.items():
        module, _, found = f"maskforge.cli.{place}".rpartition(".")
        command = getattr(import_module(module), found)
        if callable(command) and "jobs" in inspect.signature(command).parameters:
            spreading.append(name)
    assert sorted(spreading) == sorted(ahead.SPREADING)
    asked = noted(monkeypatch)
    lines = ("plan b --jobs 2", "design b --jobs=8", "design b", "plan b --jobs 1", "plan b --jobs")
    for line in (*lines, "modes b --jobs 2", "--jobs 2", ""):
        ahead.load_for(line.split())
    assert asked == ["maskforge.study.plan", "maskforge.report.page.looks"]
    for module in ahead.SPREADING.values():
        assert import_module(module)


@pytest.mark.parametrize(
    ("line", "loads"),
    [
        ("tolerance large", True),
        ("tolerance many.toml", True),
        ("tolerance large --csv a.csv", True),
        *((f"tolerance {rest}", False) for rest in ("small", ".", "few.toml", "large --jobs 1")),
        ("plan large", False),
        ("design large", False),
        *((f"design {rest}", True) for rest in ("many.toml", "gi50-1550 --out a")),
        ("design few.toml --orientations 9", True),
        ("design many.toml --device=cuda", True),
        *((f"design {rest}", False) for rest in ("few.toml", "few-mode-1310", "none.toml", ".")),
        *((f"design many.toml {rest}", False) for rest in ("--jobs 1", "--help", "--cluster a:1")),
        ("design many.toml --orientations 1", False),
        *((name, False) for name in ("design", "plan many.toml", "modes many.toml")),
    ],
)
def test_what_many_masks_need_is_loaded_early(
    line: str, loads: bool, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    asked = noted(monkeypatch)
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    monkeypatch.chdir(tmp_path)
    Path("many.toml").write_text("[targets]\n orientations = 12\n", "utf-8")
    Path("few.toml").write_text("[targets]\norientations = 2\n# orientations = 12\n", "utf-8")
    Path("none.toml").write_bytes(b"\xff")
    for name, size in (("large", ahead.LARGE), ("small", 99)):
        Path(name).mkdir()
        Path(name, "masks.tif").write_bytes(bytes(size))
    ahead.load_for(line.split())
    assert asked == ([ahead.SPREADING[line.split(maxsplit=1)[0]]] if loads else [])
