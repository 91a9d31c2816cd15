"""The printed table of a campaign, a row a set."""

from collections.abc import Sequence

from maskforge.base.wording import counted, some_of
from maskforge.cli.terminal import LONG_SET, print_table, say, table_of_rows
from maskforge.sets.campaign import CampaignList
from maskforge.sets.campaign_table import SetFigures, printed_columns

WORST = 10
"""Sets of a long campaign that are shown."""


def print_campaign(known: CampaignList, rows: Sequence[SetFigures]) -> None:
    """All sets, or of more than a page the least pure ones; and which fell short."""
    shown = list(rows)
    if len(rows) > LONG_SET:
        shown = sorted(rows, key=lambda one: one.worst.purity)[:WORST]
        say(f"the least pure {WORST} of {counted(len(rows), 'set')}:\n")
    print_table(table_of_rows(printed_columns(known, rows), shown))
    short = [one for one in rows if one.short]
    if short:
        masks = counted(sum(len(one.short) for one in short), "mask")
        names = some_of([one.entry.name for one in short])
        say(f"\n! {masks} did not reach the asked purity, in {names}")
    missing = len(known.entries) - len(rows)
    if missing:
        say(f"\n{counted(missing, 'set')} not finished")
