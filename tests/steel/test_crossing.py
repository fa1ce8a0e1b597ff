"""Where a function crosses zero, against numbers anyone can look up and an independent library."""

from collections.abc import Callable
from math import cos, exp, nan, sin

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from logger.steel.crossing import crossing

# Newton's own example (and Wallis's), to the digits of OEIS A007493; the number whose cosine it is, OEIS A003957; pi.
KNOWN: list[tuple[Callable[[float], float], float, float, float]] = [
    (lambda x: x**3 - 2.0 * x - 5.0, 2.0, 3.0, 2.0945514815423265),
    (lambda x: cos(x) - x, 0.0, 1.0, 0.7390851332151607),
    (sin, 3.0, 4.0, 3.141592653589793),
]


@pytest.mark.parametrize(("function", "low", "high", "expected"), KNOWN)
def test_roots_that_are_in_the_books(
    function: Callable[[float], float], low: float, high: float, expected: float
) -> None:
    assert crossing(function, low, high) == pytest.approx(expected, abs=2e-12)
    assert crossing(function, high, low) == pytest.approx(expected, abs=2e-12)


@given(st.floats(-3.0, 3.0), st.floats(0.01, 50.0), st.floats(1e-9, 1e-3))
def test_the_root_of_an_independent_library(at: float, steepness: float, xtol: float) -> None:
    def flat_then_steep(x: float) -> float:
        return exp(steepness * (x - at) / 10.0) - 1.0 + (x - at) ** 3

    assert crossing(flat_then_steep, -4.0, 5.0, xtol) == pytest.approx(
        brentq(flat_then_steep, -4.0, 5.0, xtol=xtol), abs=2.0 * xtol
    )


@given(st.floats(-3.0, 3.0))
def test_a_step_is_found_although_no_line_through_it_helps(at: float) -> None:
    found = crossing(lambda x: -1.0 if x < at else 1e-3, -4.0, 5.0)
    assert found == pytest.approx(at, abs=2e-12)


@pytest.mark.parametrize("function", [lambda x: -1.0 if x < 0.3 else 1e-9, lambda x: (x - 0.3) ** 9])
def test_a_jump_and_a_flat_root_take_no_more_looks_than_a_few_times_halving(function: Callable[[float], float]) -> None:
    looks = []

    def looked(x: float) -> float:
        looks.append(x)
        return function(x)

    crossing(looked, -4.0, 5.0)
    assert len(looks) < 150  # halving alone takes 43; Brent's bound is its square, his experience three times it


def test_an_end_that_is_the_root_is_the_answer() -> None:
    assert crossing(lambda x: x - 1.0, 1.0, 2.0) == 1.0
    assert crossing(lambda x: x - 2.0, 1.0, 2.0) == 2.0


def test_what_does_not_cross_is_refused() -> None:
    with pytest.raises(ValueError, match="no change of sign"):
        crossing(lambda x: x * x + 1.0, -1.0, 1.0)
    with pytest.raises(ValueError, match="no number"):
        crossing(lambda x: nan if abs(x) < 0.9 else x, -1.0, 1.0)
