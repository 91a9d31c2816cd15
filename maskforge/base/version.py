"""The version of the package, which sets and packs carry."""

from importlib.metadata import version

VERSION = version("maskforge")
