"""Bands: the quantiles that every band is made of."""

import numpy as np
import pytest

from logger.estimate.bands import LEVELS, UNKNOWN, band, quantiles


@pytest.mark.parametrize("members", [1, 2, 3, 8, 32, 64, 257])
def test_the_quantiles_are_those_of_numpy(members: int) -> None:
    values = np.random.default_rng(members).normal(size=(members, 5))
    assert quantiles(values) == pytest.approx(np.quantile(values, LEVELS, axis=0, method="weibull"), rel=1e-12)


def test_members_without_a_value_do_not_count() -> None:
    assert band(np.array([3.0, np.nan, 1.0, np.inf, 2.0])) == band(np.array([1.0, 2.0, 3.0]))
    assert np.isnan(band(np.array([np.nan]))).all()
    assert np.isnan(UNKNOWN).all()
