"""The hot trace keeps every fall sharp and is the same however the history is cut."""

from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from logger.estimate import hot_trace
from logger.estimate.hot_trace import HOT_K, MOVED_HOT_K
from logger.units import FloatArray


def a_heat(every_s: float) -> tuple[FloatArray, FloatArray]:
    """Up to 815 C with a swing, ten minutes there, a quench in ten seconds."""
    corners_s, corners_K = [0.0, 1800.0, 2400.0, 2410.0, 2500.0], [293.0, 1088.0, 1088.0, 330.0, 310.0]
    time_s = np.arange(0.0, 2500.0, every_s)
    return time_s, np.interp(time_s, corners_s, corners_K) + 1.5 * np.sin(time_s / 40.0)


@given(st.lists(st.integers(1, 2400), max_size=8), st.sampled_from([1.0, 4.0, 10.0]))
def test_any_cutting_keeps_the_same_samples(cuts: list[int], every_s: float) -> None:
    time_s, temperature_K = a_heat(every_s)
    whole = hot_trace.advance(hot_trace.begin(), time_s, temperature_K)
    edges = [0, *sorted({min(cut, time_s.size) for cut in cuts}), time_s.size]
    state = hot_trace.begin()
    for first, last in pairwise(edges):
        state = hot_trace.advance(state, time_s[first:last], temperature_K[first:last])
    for mine, theirs in zip(hot_trace.at_end(state), hot_trace.at_end(whole), strict=True):
        assert np.array_equal(mine, theirs)


def test_straight_lines_between_the_kept_samples_miss_no_hot_sample() -> None:
    time_s, temperature_K = a_heat(1.0)
    kept_s, kept_K = hot_trace.at_end(hot_trace.advance(hot_trace.begin(), time_s, temperature_K))
    assert kept_s.size < 0.4 * time_s.size
    hot = temperature_K > HOT_K
    missed_K = np.abs(np.interp(time_s, kept_s, kept_K) - temperature_K)[hot]
    assert missed_K.max() <= 2.0 * MOVED_HOT_K
