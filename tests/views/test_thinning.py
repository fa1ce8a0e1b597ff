"""A thinned trace hides no peak and bridges no hole."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from logger.errors import InputFault
from logger.units import FloatArray
from logger.views.thinning import thin

traces = hnp.arrays(
    np.float64,
    st.integers(1, 400),
    elements=st.one_of(st.floats(-1e3, 2e3), st.sampled_from([float("nan"), 20.0, 900.0])),
)


def times_of(value: FloatArray, seed: int) -> FloatArray:
    """Uneven, increasing times for a trace."""
    return np.cumsum(np.random.default_rng(seed).exponential(10.0, value.size) + 1e-3)


@given(value=traces, seed=st.integers(0, 10), buckets=st.integers(1, 40))
def test_every_point_that_stays_is_a_point_of_the_trace(value: FloatArray, seed: int, buckets: int) -> None:
    time_s = times_of(value, seed)
    thin_s, thin_value = thin(time_s, value, buckets)
    at = np.searchsorted(time_s, thin_s)
    assert np.array_equal(time_s[at], thin_s)
    assert np.array_equal(value[at], thin_value, equal_nan=True)
    assert np.all(np.diff(at) > 0)
    assert thin_s[0] == time_s[0]
    assert thin_s[-1] == time_s[-1]


@given(value=traces, seed=st.integers(0, 10), buckets=st.integers(1, 40))
def test_no_peak_is_hidden_in_any_stretch_as_wide_as_a_bucket(value: FloatArray, seed: int, buckets: int) -> None:
    time_s = times_of(value, seed)
    thin_s, thin_value = thin(time_s, value, buckets)
    edges = np.linspace(time_s[0], time_s[-1], buckets + 1)
    for from_s, to_s in pairwise(edges):
        # one part in a million either way, so that rounding at an edge cannot move a point out of its bucket
        whole = value[(time_s >= from_s - 1e-6) & (time_s <= to_s + 1e-6)]
        whole = whole[np.isfinite(whole)]
        inner = value[(time_s >= from_s + 1e-6) & (time_s <= to_s - 1e-6)]
        inner = inner[np.isfinite(inner)]
        kept = thin_value[(thin_s >= from_s - 1e-6) & (thin_s <= to_s + 1e-6)]
        if inner.size:
            assert np.nanmax(kept) >= inner.max()
            assert np.nanmin(kept) <= inner.min()
            assert np.nanmax(kept) <= whole.max()


@given(value=traces, seed=st.integers(0, 10), buckets=st.integers(1, 40))
def test_a_line_breaks_wherever_readings_were_missing(value: FloatArray, seed: int, buckets: int) -> None:
    time_s = times_of(value, seed)
    thin_s, _ = thin(time_s, value, buckets)
    at = np.searchsorted(time_s, thin_s)
    for before, after in pairwise(at):
        if np.isfinite(value[before]) and np.isfinite(value[after]):
            assert not np.isnan(value[before:after]).any()
    assert thin_s.size <= max(8 * buckets, 1)


def test_a_day_at_one_second_becomes_a_few_points_for_each_column() -> None:
    time_s = np.arange(86_400.0)
    value = 900.0 + np.sin(time_s / 50.0)
    value[40_000] = 1_400.0
    thin_s, thin_value = thin(time_s, value, 500)
    assert thin_s.size <= 2_000
    assert thin_value.max() == 1_400.0


def test_all_readings_at_one_moment_are_still_a_trace() -> None:
    thin_s, _ = thin(np.zeros(100), np.arange(100.0), 3)
    assert thin_s.size == 2


@pytest.mark.parametrize(
    ("time_s", "value", "buckets", "message"),
    [
        (np.zeros(3), np.zeros(2), 5, "found (3,) times and (2,) values, expected two flat arrays of equal length"),
        (np.zeros(3), np.zeros(3), 0, "found 0 buckets, expected at least 1"),
    ],
)
def test_what_cannot_be_thinned_is_named(time_s: FloatArray, value: FloatArray, buckets: int, message: str) -> None:
    with pytest.raises(InputFault) as caught:
        thin(time_s, value, buckets)
    assert str(caught.value) == f"trace to thin: {message}"
