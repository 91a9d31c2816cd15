"""Writes what docs/api.md says of the functions from their docstrings.

python -m tests.api_page
"""

import inspect
import re
from pathlib import Path

import maskforge as mf

PAGE = Path(__file__).parent.parent / "docs" / "api.md"
START, END = "<!-- functions -->\n", "<!-- end -->"


def functions() -> str:
    """A part for each public function: how it is called, and its docstring."""
    parts = []
    for name in mf.__all__:
        found = getattr(mf, name)
        if not inspect.isfunction(found):
            continue
        given = []
        star = False
        for word, one in inspect.signature(found).parameters.items():
            mark = {one.VAR_POSITIONAL: "*", one.VAR_KEYWORD: "**"}.get(one.kind, "")
            if one.kind is one.KEYWORD_ONLY and not star and "*" not in "".join(given):
                given.append("*")
            star = star or one.kind is one.KEYWORD_ONLY
            given.append(mark + word + ("" if one.default is one.empty else f"={one.default!r}"))
        text = inspect.getdoc(found) or ""
        text = re.sub(r"\.  +", ". ", text)
        parts.append(f"### {name}\n\n`{name}({', '.join(given)})`\n\n{text}\n")
    return "\n".join(parts) + "\n"


def written(page: str) -> str:
    """The page with the functions' part as it should be."""
    before, _, rest = page.partition(START)
    _, _, after = rest.partition(END)
    return before + START + "\n" + functions() + END + after


if __name__ == "__main__":
    PAGE.write_text(written(PAGE.read_text("utf-8")), "utf-8")
