"""maskforge: phase masks that launch one chosen fibre mode, with their purity known beforehand."""

from importlib.metadata import version

__version__ = version("maskforge")
