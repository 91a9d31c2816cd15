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

FLOOR_DB = -40.0
"""Of a launch matrix: what is weaker looks like nothing."""

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


def grid_html(head: Sequence[str], rows: Sequence[Sequence[str]], caption: str = "") -> str:
    """A table of text."""
    top = "".join(f"<th>{escape(name)}</th>" for name in head)
    body = "".join(
        f"<tr>{''.join(f'<td>{escape(cell)}</td>' for cell in row)}</tr>" for row in rows
    )
    return f"<div>{escape(caption)}<table><tr>{top}</tr>{body}</table></div>"


def matrix_html(matrix: Real, masks: Sequence[str], modes: Sequence[str]) -> str:
    """Launched power (masks, modes), each row against its highest, in dB from 0 to FLOOR_DB."""
    rows = np.maximum(matrix, 1e-30) / np.maximum(matrix.max(axis=1, keepdims=True), 1e-30)
    shade = 1 - np.clip(10 * np.log10(rows), FLOOR_DB, 0) / FLOOR_DB
    size = max(2, min(12, 600 // max(matrix.shape)))
    picture = np.kron(coloured(shade[::-1], INTENSITY), np.ones((size, size, 1), np.uint8))
    return (
        f"<div><b>launched power</b>, {len(masks)} masks down, {len(modes)} guided modes across "
        f"({escape(modes[0])} to {escape(modes[-1])}); dB below each mask's strongest mode, 0 to "
        f'{FLOOR_DB:g}<br><img src="{inline(picture)}" alt="launch matrix"></div>'
    )


def svg_html(content: bytes, title: str) -> str:
    """A figure as a data URL."""
    data = base64.b64encode(content).decode("ascii")
    return f'<img src="data:image/svg+xml;base64,{data}" alt="{escape(title)}">'


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
