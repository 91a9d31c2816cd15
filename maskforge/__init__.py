"""maskforge: phase masks that launch one chosen fibre mode, with their purity known beforehand."""

from importlib.metadata import version

__version__ = version("maskforge")

# below the version, which modules that these import want
from maskforge.api import Mask, Result, design, load, modes
from maskforge.bench import Bench
from maskforge.errors import BenchError, ConvergenceError, MaskforgeError, OutputError

__all__ = [
    "Bench",
    "BenchError",
    "ConvergenceError",
    "Mask",
    "MaskforgeError",
    "OutputError",
    "Result",
    "__version__",
    "design",
    "load",
    "modes",
]
