"""The caution that goes with everything that prepares a bench."""

CAUTION = (
    "Caution: infrared laser light is invisible. Follow IEC 60825-1 and IEC 60825-2 and local "
    "rules, ask the laser safety officer, and switch the beam off before looking at a facet.\n"
    "Keep the power density on the modulator below its maker's limit."
)
"""Two lines of plain text, for pages that stay at the bench."""


BRIEF = (
    "Caution: invisible laser light. Switch the beam off before looking at a facet, keep below the "
    "modulator's limit, follow IEC 60825 (more in the README)."
)
"""One line of it, for the screen."""


MARK = "# simulated, invented data"
"""Begins the first line of every file."""
