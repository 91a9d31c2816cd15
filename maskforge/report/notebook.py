"""Masks as HTML for a notebook: pictures inline, nothing fetched."""

import base64
from collections.abc import Sequence
from html import escape
from io import BytesIO

import matplotlib as mpl
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from maskforge.launch.light import Complex, Real
from maskforge.report.figures.style import INTENSITY, PHASE
from maskforge.sets.manifest import Record
from maskforge.sets.mask_columns import IN_NOTEBOOK, decibel, percent

SIDE = 180
"""Pixels of a picture on the screen."""

MOST_ROWS = 60
"""Masks that a table lists; of more, the first."""


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


def mask_html(mask: Record, phase: Real, field: Complex) -> str:
    """Phase of the mask, intensity and phase on the facet, and the figures below them.

    `phase` of the pixels in rad and `field` on the facet, both (rows, columns), y up.
    """
    pictures = (
        ("phase on the pixels", phase_colours(phase)),
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
        f"<b>{escape(mask.name)}</b>: purity {percent(mask.purity)} %, of its group "
        f"{percent(mask.group_purity)} %, insertion loss {decibel(mask.loss_db)} dB{gap}{missed}"
    )
    return f"<div>{text}<table><tr>{cells}</tr></table></div>"


def table_html(masks: Sequence[Record]) -> str:
    """A row a mask."""
    names = (column.heading.replace("\n", " ") for column in IN_NOTEBOOK)
    head = "".join(f"<th>{escape(name)}</th>" for name in names)
    rows = "".join(
        f"<tr>{''.join(f'<td>{escape(column.printed(mask))}</td>' for column in IN_NOTEBOOK)}</tr>"
        for mask in masks[:MOST_ROWS]
    )
    more = len(masks) - MOST_ROWS
    rest = f"<p>and {more} more</p>" if more > 0 else ""
    return f"<table><tr>{head}</tr>{rows}</table>{rest}"
