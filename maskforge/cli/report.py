"""maskforge report."""

from pathlib import Path
from typing import Annotated

import typer

from maskforge.base.errors import BenchError
from maskforge.base.files import check_place
from maskforge.base.wording import counted
from maskforge.cli.common import SetFolder, interruptible
from maskforge.cli.last_lines import say_next
from maskforge.cli.terminal import say
from maskforge.report import INDEX, PAGE
from maskforge.sets.campaign import is_campaign, read_list
from maskforge.sets.digests import add_files
from maskforge.sets.reading import read_set


def report(
    folder: SetFolder,
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="The page.", show_default="SET/report.html")
    ] = None,
) -> None:
    """Write the page of a finished set anew, for the lab book.

    It is made from the files of the set alone.  The page needs nothing but itself: it opens from
    the disk, in any browser, and prints on A4.
    The bench with a sketch to scale, the modes, the launch matrix, purity by group, and every mask
    with what it sends to the facet.  A table in SET/tolerance.json is shown with them.

    Of a campaign's folder it is index.html and index.csv over the sets that are there.
    """
    if is_campaign(folder):
        _report_campaign(folder, out)
        return
    written = read_set(folder)
    place = folder / PAGE if out is None else out
    check_place(place)
    with interruptible("interrupted; nothing is written"):
        # its help needs none of this
        from maskforge.report.page.set_page import page_of_set

        text = page_of_set(written)
        add_files(place.parent, {place.name: text})
    size = len(text.encode()) / 1e6
    say(f"{counted(len(written.masks), 'mask')}, {size:.2g} MB: {place}")
    say_next(f"open {place} in a browser")


def _report_campaign(folder: Path, out: Path | None) -> None:
    if out is not None:
        raise BenchError(f"--out = {out}: goes with a set; the page of a campaign links its sets")
    from maskforge.report.page.campaign_page import write_index

    rows = write_index(folder, read_list(folder))
    say(f"{counted(len(rows), 'set')}: {folder / INDEX}")
    say_next(f"open {folder / INDEX} in a browser")
