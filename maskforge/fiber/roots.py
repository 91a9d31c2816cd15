"""Where a function of one number is 0, between two places where its signs differ."""

import math
from collections.abc import Callable

MOST = 100
"""Steps: halving alone takes 52 for all digits of a number next to its bracket's ends."""


def root_between(
    function: Callable[[float], float], low: float, high: float, *, xtol: float, rtol: float
) -> float:
    """A root to within xtol + rtol |x|, of a function whose signs at `low` and `high` differ.

    Brent's method (Algorithms for Minimization without Derivatives, 1973, ch. 4) with hyperbolic
    extrapolation (Bus and Dekker, ACM Trans. Math. Softw. 1, 330, 1975).  That of SciPy takes as
    long to load as most commands take to run.  Raises ArithmeticError where the signs do not
    differ, and where MOST steps do not do.
    """
    before, now = low, high
    at_before, at_now = function(before), function(now)
    if at_before == 0.0:
        return before
    if at_now == 0.0:
        return now
    if (at_before < 0) == (at_now < 0):
        raise ArithmeticError(f"no change of sign from {low:g} to {high:g}")
    other, at_other, step_before, step = 0.0, 0.0, 0.0, 0.0
    for _ in range(MOST):
        if at_before != 0.0 and at_now != 0.0 and (at_before < 0) != (at_now < 0):
            other, at_other = before, at_before
            step_before = step = now - before
        if abs(at_other) < abs(at_now):
            before, now, other = now, other, now
            at_before, at_now, at_other = at_now, at_other, at_now
        near = (xtol + rtol * abs(now)) / 2
        halved = (other - now) / 2
        if at_now == 0.0 or abs(halved) < near:
            return now
        tried = math.inf
        if abs(step_before) > near and abs(at_now) < abs(at_before):
            tried = _tried(before, at_before, now, at_now, other, at_other)
        if 2 * abs(tried) < min(abs(step_before), 3 * abs(halved) - near):
            step_before, step = step, tried
        else:
            step_before = step = halved
        before, at_before = now, at_now
        now += step if abs(step) > near else math.copysign(near, halved)
        at_now = function(now)
    raise ArithmeticError(f"no root to {rtol:g} from {low:g} to {high:g} in {MOST} steps")


def _tried(
    before: float, at_before: float, now: float, at_now: float, other: float, at_other: float
) -> float:
    """The step by a line through two points, or by a hyperbola through three."""
    if before == other:
        return -at_now * (now - before) / (at_now - at_before)
    first = (at_before - at_now) / (before - now)
    second = (at_other - at_now) / (other - now)
    over = second * first * (at_other - at_before)
    return -at_now * (at_other * second - at_before * first) / over
