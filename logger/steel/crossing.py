"""Where a function crosses zero."""

from collections.abc import Callable
from math import copysign, inf, isnan, ulp


def crossing(function: Callable[[float], float], low: float, high: float, xtol: float = 2e-12) -> float:
    """The argument at which a continuous function of one number changes its sign.

    Written out here because a library of optimisers, loaded for this alone, takes a fifth of a daemon's memory.

    Parameters
    ----------
    function : Callable                    of one number, with different signs at both ends
    low, high : float                      ends to search between [unit of the argument]
    xtol : float                           how near to come [unit of the argument]

    Returns    float                       argument [its own unit]
    Raises     ValueError                  the same sign at both ends; no number on the way
    Source     R.P. Brent, Algorithms for Minimization without Derivatives (1973), ch. 4, "zeroin"; from memory
    """
    # b is the best argument so far, a the one before it; the crossing lies between b and c.
    a, b = low, high
    at_a, at_b = _number(function, a), _number(function, b)
    if at_a == 0.0:
        return a
    if at_b == 0.0:
        return b
    if (at_a > 0.0) == (at_b > 0.0):
        raise ValueError(f"no change of sign between {low!r} and {high!r}")
    c, at_c = a, at_a
    step = last_step = b - a
    while True:
        if abs(at_c) < abs(at_b):
            a, b, c = b, c, b
            at_a, at_b, at_c = at_b, at_c, at_b
        near = 2.0 * ulp(1.0) * abs(b) + 0.5 * xtol
        half = 0.5 * (c - b)
        if abs(half) <= near or at_b == 0.0:
            return b
        p, q = inf, 1.0
        if abs(last_step) >= near and abs(at_a) > abs(at_b):
            p, q = _interpolated(a, at_a, b, at_b, c, at_c)
        if 2.0 * p < min(3.0 * half * q - abs(near * q), abs(last_step * q)):
            step, last_step = p / q, step
        else:
            step = last_step = half
        a, at_a = b, at_b
        b += step if abs(step) > near else copysign(near, half)
        at_b = _number(function, b)
        if (at_b > 0.0) == (at_c > 0.0):
            c, at_c = a, at_a
            step = last_step = b - a


def _interpolated(a: float, at_a: float, b: float, at_b: float, c: float, at_c: float) -> tuple[float, float]:
    """The step from b to the crossing as p/q, p not negative: by a line, or by a parabola lying on its side."""
    s = at_b / at_a
    if a == c:
        p, q = (c - b) * s, 1.0 - s
    else:
        q, r = at_a / at_c, at_b / at_c
        p = s * ((c - b) * q * (q - r) - (b - a) * (r - 1.0))
        q = (q - 1.0) * (r - 1.0) * (s - 1.0)
    return (p, -q) if p > 0.0 else (-p, q)


def _number(function: Callable[[float], float], argument: float) -> float:
    value = float(function(argument))
    if isnan(value):
        raise ValueError(f"no number at {argument!r}")
    return value
