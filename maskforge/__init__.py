"""maskforge: phase masks that launch one chosen fibre mode, with their purity known beforehand."""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from maskforge.api import Mask, Result, design, load, modes
    from maskforge.base.errors import (
        BenchError,
        ConvergenceError,
        MaskforgeError,
        OutputError,
        PurityError,
        PurityWarning,
    )
    from maskforge.bench import Bench

    __version__: str

__all__ = [
    "Bench",
    "BenchError",
    "ConvergenceError",
    "Mask",
    "MaskforgeError",
    "OutputError",
    "PurityError",
    "PurityWarning",
    "Result",
    "__version__",
    "design",
    "load",
    "modes",
]


def __getattr__(name: str) -> Any:
    """What the names above stand for, loaded when it is first asked for."""
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    if name == "__version__":
        return import_module(f"{__name__}.base.version").VERSION
    home = {"Bench": "bench", **dict.fromkeys(("Mask", "Result", "design", "load", "modes"), "api")}
    return getattr(import_module(f"{__name__}.{home.get(name, 'base.errors')}"), name)


def __dir__() -> list[str]:
    return __all__
