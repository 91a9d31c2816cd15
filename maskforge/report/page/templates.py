"""The templates and other parts of pages, which lie beside this file."""

from importlib.resources import files

import jinja2


def environment() -> jinja2.Environment:
    """Where templates are found by name; all text is escaped, and a value left out is an error."""
    return jinja2.Environment(
        loader=jinja2.FunctionLoader(source),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def source(file: str) -> str:
    """The text of a part."""
    return files("maskforge.report.page").joinpath(file).read_text("utf-8")
