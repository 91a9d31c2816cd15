"""How all figures look: one style, readable in print and with any colour vision.

`with styled(): figure = Figure(...); return figure_bytes(figure, kind)`.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from io import BytesIO
from types import MappingProxyType
from typing import Any

import matplotlib as mpl
from matplotlib.figure import Figure

INK, PAPER, RULE = "#22282f", "#ffffff", "#d9dde2"

COLOURS = ("#671ca2", "#e1990f", "#a40f0f", "#44bd80", "#7d2553", "#9a9cce")
"""Told apart with red-, green- and blue-blindness too: tests/test_tradeoff.py measures it."""

STYLE: MappingProxyType[Any, Any] = MappingProxyType(
    {
        "figure.facecolor": PAPER,
        "figure.dpi": 200,
        "figure.constrained_layout.use": True,
        "font.family": "DejaVu Sans",
        "font.size": 9.0,
        "text.color": INK,
        "axes.edgecolor": INK,
        "axes.labelcolor": INK,
        "axes.linewidth": 0.7,
        "axes.titlesize": 10.5,
        "axes.titleweight": "bold",
        "axes.titlelocation": "left",
        "axes.axisbelow": True,
        "axes.grid": True,
        "axes.spines.right": False,
        "grid.color": RULE,
        "grid.linewidth": 0.6,
        "xtick.color": INK,
        "ytick.color": INK,
        "xtick.direction": "out",
        "ytick.direction": "out",
        "legend.frameon": False,
        "legend.title_fontsize": 9.0,
        "lines.solid_capstyle": "round",
        # names of the parts of an SVG come from this instead of a random number
        "svg.hashsalt": "maskforge",
    }
)

UNDATED = {
    "png": {"Software": None},
    "svg": {"Date": None, "Creator": None},
    "pdf": {"CreationDate": None, "Creator": None, "Producer": None},
}
"""Metadata left out: nothing in a file tells when or with what it was written."""

INTENSITY, PHASE, SIGNED = "cividis", "twilight_shifted", "PuOr"
"""Colour maps of pictures: even in lightness for every colour vision; cyclic for phase; white at
0."""


@contextmanager
def styled() -> Iterator[None]:
    """Figures made in the block look alike, whatever the user's own settings."""
    with mpl.rc_context(dict(STYLE)):
        yield


def figure_bytes(figure: Figure, kind: str) -> bytes:
    """The figure as a file's content, `kind` one of report.FORMATS; same figure, same bytes."""
    content = BytesIO()
    figure.savefig(content, format=kind, metadata=UNDATED[kind])
    return content.getvalue()
