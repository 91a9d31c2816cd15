"""Mask designs behind one signature: a problem and settings in, a mask and what is known out."""

from collections.abc import Callable, Mapping

from maskforge.design.dual import dual
from maskforge.design.ifta import ifta
from maskforge.design.problem import Design, Problem, Settings
from maskforge.design.robust import robust
from maskforge.design.simple import simple
from maskforge.errors import BenchError

METHODS: Mapping[str, Callable[[Problem, Settings, Design | None], Design]] = {
    "simple": simple,
    "ifta": ifta,
    "dual": dual,
}

__all__ = ["METHODS", "Design", "Problem", "Settings", "design", "dual", "ifta", "robust", "simple"]


def design(
    problem: Problem,
    method: str,
    *,
    settings: Settings | None = None,
    previous: Design | None = None,
) -> Design:
    """The mask of a problem by one of METHODS; BenchError for another name, or scenarios in vain.

    `previous`, of another orientation of the same label, may be a start.
    """
    if method not in METHODS:
        raise BenchError(f"method = {method}: one of {', '.join(METHODS)}")
    made = METHODS[method]
    if problem.others:
        if made is not dual:
            raise BenchError(f"method = {method}: several scenarios take dual")
        made = robust
    return made(problem, settings or Settings(), previous)
