"""A finished set checked, its page too: what `maskforge check` does, for scripts."""

from dataclasses import dataclass

from threadpoolctl import threadpool_limits

from maskforge.report.page.page_check import page_problems
from maskforge.sets.check.check import checked, page_texts
from maskforge.sets.opened import Folder, opened
from maskforge.sets.reading import pages


@dataclass(frozen=True)
class Checked:
    """What a check found: `problems` in lines, and the largest deviations of what was computed
    again: of a coupling, of a figure, of a bound."""

    problems: tuple[str, ...]
    couplings: float
    figures: float
    bounds: float

    @property
    def agrees(self) -> bool:
        return not self.problems


def check(folder: Folder) -> Checked:
    """Checks a finished set from its files alone, as `maskforge check` does.

    Raises BenchError, one line, where the folder holds no set.
    """
    written = opened(folder)
    problems: list[str] = []
    most = [0.0, 0.0, 0.0]
    with threadpool_limits(1):
        texts = page_texts(written.stack)
        for finding in checked(written, pages(written), texts, more=page_problems):
            problems += [one.line for one in finding.problems]
            off = finding.deviations
            each = (off.couplings, off.figures, off.bounds)
            most = [max(one, other) for one, other in zip(most, each, strict=True)]
    return Checked(tuple(problems), *most)
