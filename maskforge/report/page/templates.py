"""The templates and other parts of pages, which lie beside this file."""

from importlib.resources import files

import jinja2
from markupsafe import Markup


def environment() -> jinja2.Environment:
    """Where templates are found by name; all text is escaped, and a value left out is an error."""
    found = jinja2.Environment(
        loader=jinja2.FunctionLoader(source),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    # styles and scripts have no place for a value, so that nothing in them needs escaping
    found.globals["part"] = lambda file: Markup(source(file))
    return found


def source(file: str) -> str:
    """The text of a part."""
    return files("maskforge.report.page").joinpath(file).read_text("utf-8")


def pictures() -> list[str]:
    """The templates of pictures that stand in pages."""
    names = (item.name for item in files("maskforge.report.page").iterdir())
    return [name for name in names if name.endswith(".svg.jinja")]
