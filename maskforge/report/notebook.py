"""Masks as HTML for a notebook: pictures inline, nothing fetched."""

import base64
from collections.abc import Sequence
from html import escape
from io import BytesIO
from typing import Protocol

import matplotlib as mpl
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from maskforge.launch.light import Complex, Real
from maskforge.report.figures.style import INTENSITY, PHASE

SIDE = 180
"""Pixels of a picture on the screen."""

MOST_ROWS = 60
"""Masks that a table lists; of more, the first."""


class ShownMask(Protocol):
    """What a mask shows of itself."""

    @property
    def name(self) -> str: ...
    @property
    def purity(self) -> float: ...
    @property
    def group_purity(self) -> float: ...
    @property
    def loss_db(self) -> float: ...
    @property
    def gap(self) -> float | None: ...
    @property
    def reached(self) -> bool: ...
    @property
    def status(self) -> str: ...
    @property
    def phase(self) -> Real: ...
    def facet(self) -> tuple[Complex, Real]: ...


def coloured(values: NDArray[np.floating], colours: str) -> NDArray[np.uint8]:
    """RGB picture (rows, columns, 3), row 0 on top, of values (rows, columns) in 0 to 1, y up."""
    rgba = mpl.colormaps[colours](values[::-1], bytes=True)
    return np.ascontiguousarray(rgba[..., :3])


def phase_colours(phase: Real) -> NDArray[np.uint8]:
    """Phase in rad by a cyclic colour map."""
    return coloured(np.mod(phase / (2 * np.pi), 1.0), PHASE)


def intensity_colours(field: Complex) -> NDArray[np.uint8]:
    """Intensity of a field, the brightest sample at the end of the map."""
    power = np.abs(field) ** 2
    return coloured(power / max(float(power.max()), 1e-300), INTENSITY)


def png_bytes(picture: NDArray[np.uint8]) -> bytes:
    """A picture (rows, columns, 3) as the content of a PNG file."""
    content = BytesIO()
    Image.fromarray(picture).save(content, format="PNG", optimize=True)
    return content.getvalue()


def inline(picture: NDArray[np.uint8]) -> str:
    """A picture as a data URL."""
    return "data:image/png;base64," + base64.b64encode(png_bytes(picture)).decode("ascii")


def mask_html(mask: ShownMask) -> str:
    """Phase of the mask, intensity and phase on the facet, and the figures below them."""
    field, _ = mask.facet()
    pictures = (
        ("phase on the pixels", phase_colours(mask.phase)),
        ("intensity on the facet", intensity_colours(field)),
        ("phase on the facet", phase_colours(np.angle(field))),
    )
    cells = "".join(
        f'<td style="text-align:center"><img src="{inline(picture)}" alt="{title}" '
        f'style="width:{SIDE}px;height:{SIDE}px;object-fit:contain"><br>{title}</td>'
        for title, picture in pictures
    )
    gap = "" if mask.gap is None else f", gap {100 * mask.gap:.3f} %"
    missed = "" if mask.reached else f"<br>{escape(mask.status)}"
    text = (
        f"<b>{escape(mask.name)}</b>: purity {100 * mask.purity:.4f} %, of its group "
        f"{100 * mask.group_purity:.4f} %, insertion loss {mask.loss_db:.3f} dB{gap}{missed}"
    )
    return f"<div>{text}<table><tr>{cells}</tr></table></div>"


def table_html(masks: Sequence[ShownMask]) -> str:
    """A row a mask."""
    rows = "".join(
        f"<tr><td>{escape(mask.name)}</td><td>{100 * mask.purity:.4f}</td>"
        f"<td>{mask.loss_db:.3f}</td>"
        f"<td>{'-' if mask.gap is None else f'{100 * mask.gap:.4f}'}</td></tr>"
        for mask in masks[:MOST_ROWS]
    )
    more = len(masks) - MOST_ROWS
    rest = f"<p>and {more} more</p>" if more > 0 else ""
    head = "<tr><th>mask</th><th>purity %</th><th>insertion loss dB</th><th>gap %</th></tr>"
    return f"<table>{head}{rows}</table>{rest}"
