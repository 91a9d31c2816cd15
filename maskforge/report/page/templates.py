"""The templates and other parts of pages, which lie beside this file."""

import sys
from contextlib import suppress
from importlib.resources import files
from importlib.util import cache_from_source
from pathlib import Path
from pickle import UnpicklingError

import jinja2
from jinja2.bccache import Bucket
from markupsafe import Markup


class Compiled(jinja2.FileSystemBytecodeCache):
    """What templates are compiled to, which takes longer than a page: kept where Python keeps that
    of its modules, and as this does not where it cannot or is not to."""

    def load_bytecode(self, bucket: Bucket) -> None:
        with suppress(OSError, EOFError, UnpicklingError):
            super().load_bytecode(bucket)

    def dump_bytecode(self, bucket: Bucket) -> None:
        with suppress(OSError):
            Path(self.directory).mkdir(parents=True, exist_ok=True)
            super().dump_bytecode(bucket)


def environment() -> jinja2.Environment:
    """Where templates are found by name; all text is escaped, and a value left out is an error."""
    found = jinja2.Environment(
        loader=jinja2.FunctionLoader(source),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        bytecode_cache=None if sys.dont_write_bytecode else Compiled(_beside_modules()),
    )
    # styles and scripts have no place for a value, so that nothing in them needs escaping
    found.globals["part"] = lambda file: Markup(source(file))
    return found


def _beside_modules() -> str:
    return str(Path(cache_from_source(__file__)).parent)


def source(file: str) -> str:
    """The text of a part."""
    return files("maskforge.report.page").joinpath(file).read_text("utf-8")


def pictures() -> list[str]:
    """The templates of pictures that stand in pages."""
    names = (item.name for item in files("maskforge.report.page").iterdir())
    return [name for name in names if name.endswith(".svg.jinja")]
