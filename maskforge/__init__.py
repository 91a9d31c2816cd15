"""maskforge: phase masks that launch one chosen fibre mode, with their purity known beforehand."""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from maskforge.align.session import bringup, fit, updated, write_update
    from maskforge.api import (
        Mask,
        Result,
        answer,
        design,
        load,
        modes,
        read,
        tolerance,
    )
    from maskforge.base.errors import (
        BenchError,
        ConvergenceError,
        MaskforgeError,
        OutputError,
        PurityError,
        PurityWarning,
    )
    from maskforge.bench import Bench
    from maskforge.playing.handed_over import pack, play
    from maskforge.report.page.set_check import check
    from maskforge.report.views import LaunchMatrix, MaskSet, SweepAnswer, ToleranceCurves
    from maskforge.study.questions import band, compare, compare_sets, plan, predict, tradeoff

    __version__: str

__all__ = [
    "Bench",
    "BenchError",
    "ConvergenceError",
    "LaunchMatrix",
    "Mask",
    "MaskSet",
    "MaskforgeError",
    "OutputError",
    "PurityError",
    "PurityWarning",
    "Result",
    "SweepAnswer",
    "ToleranceCurves",
    "__version__",
    "answer",
    "band",
    "bringup",
    "check",
    "compare",
    "compare_sets",
    "design",
    "fit",
    "load",
    "modes",
    "pack",
    "plan",
    "play",
    "predict",
    "read",
    "tolerance",
    "tradeoff",
    "updated",
    "write_update",
]

HOMES = {
    "align.session": ("bringup", "fit", "updated", "write_update"),
    "api": (
        "Mask",
        "Result",
        "answer",
        "design",
        "load",
        "modes",
        "read",
        "tolerance",
    ),
    "base.errors": (
        "BenchError",
        "ConvergenceError",
        "MaskforgeError",
        "OutputError",
        "PurityError",
        "PurityWarning",
    ),
    "bench": ("Bench",),
    "playing.handed_over": ("pack", "play"),
    "report.page.set_check": ("check",),
    "report.views": ("LaunchMatrix", "MaskSet", "SweepAnswer", "ToleranceCurves"),
    "study.questions": ("band", "compare", "compare_sets", "plan", "predict", "tradeoff"),
}
"""Where the names stand."""


def __getattr__(name: str) -> Any:
    """What the names above stand for, loaded when it is first asked for."""
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    if name == "__version__":
        return import_module(f"{__name__}.base.version").VERSION
    home = next(home for home, names in HOMES.items() if name in names)
    return getattr(import_module(f"{__name__}.{home}"), name)


def __dir__() -> list[str]:
    return __all__
