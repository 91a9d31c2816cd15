"""Which program this is: its text and the libraries that compute, so that two can be told apart."""

import hashlib
import platform
from functools import cache
from importlib.metadata import version
from pathlib import Path

import numpy as np

import maskforge


def program() -> list[str]:
    """Versions of Python, of maskforge and of what it computes with, and a hash of its text."""
    return [platform.python_version(), _text(), maskforge.__version__, *libraries().values()]


def libraries() -> dict[str, str]:
    """Versions of those that compute, by name; none is loaded for it."""
    return {"numpy": np.__version__, "scipy": version("scipy")}


@cache
def _text() -> str:
    """SHA-256 in hexadecimal; once for a process, whose program does not change."""
    folder = Path(maskforge.__file__).parent
    text = hashlib.sha256()
    for path in sorted(folder.rglob("*.py")):
        text.update(path.read_bytes())
    return text.hexdigest()
