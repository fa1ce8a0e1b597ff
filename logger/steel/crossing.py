"""Where a function crosses zero, by a library that is slow to load and therefore loaded when first needed."""

from collections.abc import Callable


def crossing(function: Callable[[float], float], low: float, high: float, xtol: float = 2e-12) -> float:
    """The argument at which a continuous function of one number changes its sign.

    Parameters
    ----------
    function : Callable                    of one number, with different signs at both ends
    low, high : float                      ends to search between [unit of the argument]
    xtol : float                           how near to come [unit of the argument]

    Returns    float                       argument [its own unit]
    Raises     ValueError                  the same sign at both ends
    Source     R.P. Brent, Algorithms for Minimization without Derivatives (1973), ch. 4, as scipy has it; from memory
    """
    from scipy.optimize import brentq

    return float(brentq(function, low, high, xtol=xtol))
