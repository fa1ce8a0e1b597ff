"""LAPACK without the rest of scipy's linear algebra: the same functions, wherever scipy keeps them."""

import numpy as np
from scipy.linalg import lapack as of_scipy
from scipy.linalg import solve_banded

from logger.estimate import lapack


def test_a_tridiagonal_system_is_solved_as_by_the_library_itself() -> None:
    rng = np.random.default_rng(3)
    lower, upper, right = rng.random(40), rng.random(40), rng.random(41)
    diagonal = 3.0 + rng.random(41)
    banded = np.zeros((3, 41))
    banded[0, 1:], banded[1], banded[2, :-1] = upper, diagonal, lower
    expected = solve_banded((1, 1), banded, right)
    assert np.array_equal(
        lapack.dgtsv(lower, diagonal, upper, right)[3], of_scipy.dgtsv(lower, diagonal, upper, right)[3]
    )
    assert np.allclose(lapack.dgtsv(lower, diagonal, upper, right)[3], expected, rtol=1e-13, atol=0.0)


def test_where_scipy_keeps_the_compiled_module_elsewhere_it_is_asked_as_usual() -> None:
    assert lapack._loaded("scipy.linalg._not_there") is of_scipy
