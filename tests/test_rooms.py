"""The rooms of the package (common practice, no source); their order is import-linter's."""

import ast
import importlib
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest

import maskforge

PACKAGE = Path(maskforge.__file__).parent
MODULES = sorted(
    ".".join(("maskforge", *path.relative_to(PACKAGE).with_suffix("").parts)).removesuffix(
        ".__init__"
    )
    for path in PACKAGE.rglob("*.py")
    if path.name != "__main__.py"
)
HEAVY = {"pydantic", "typer", "rich", "matplotlib", "jinja2", "PIL", "tifffile", "click"}
ROOMS = {
    *("base", "fiber", "launch", "methods", "bench", "sets"),
    *("playing", "study", "align", "sweep", "report", "cli"),
}


def test_the_root_has_rooms_and_little_else() -> None:
    files = {path.name for path in PACKAGE.iterdir() if path.is_file()}
    assert files == {"__init__.py", "__main__.py", "api.py", "py.typed"}
    rooms = {path.name for path in PACKAGE.iterdir() if (path / "__init__.py").exists()}
    assert rooms - {"presets"} == ROOMS


@pytest.mark.parametrize("name", MODULES)
def test_no_function_is_in_a_modules_way(name: str) -> None:
    """`import a.b as b` takes the attribute b of a."""
    module = importlib.import_module(name)
    parent, _, last = name.rpartition(".")
    if parent:
        assert getattr(importlib.import_module(parent), last) is module


@pytest.mark.parametrize("room", ["fiber", "launch", "methods"])
def test_the_heart_is_importable_alone(room: str) -> None:
    """In a Python of its own: arrays and their libraries, no file, page or command line."""
    code = f"import maskforge.{room}, sys; print(*sorted(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = {name.partition(".")[0] for name in done.stdout.split()}
    third = {"numpy", "scipy", "threadpoolctl", "pyfftw", "array_api_compat"}
    outside = {
        name
        for name in loaded - sys.stdlib_module_names - third - {"maskforge"}
        if getattr(importlib.import_module(name), "__file__", None) and not name.startswith("_")
    }
    assert not loaded & HEAVY
    assert outside == set(), outside


def test_no_two_classes_share_a_name() -> None:
    names = Counter(
        node.name
        for path in PACKAGE.rglob("*.py")
        for node in ast.parse(path.read_text("utf-8")).body
        if isinstance(node, ast.ClassDef)
    )
    assert [name for name, count in names.items() if count > 1] == []


def test_names_are_loaded_when_used() -> None:
    for name in maskforge.__all__:
        assert getattr(maskforge, name) is not None
    with pytest.raises(AttributeError, match="no attribute 'designs'"):
        _ = maskforge.designs
