"""The trace a run is looked at again by: exact means, the same however the run is cut, and no copy for every window."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from logger.estimate import steel_trace
from logger.estimate.steel_trace import BLOCK, WINDOW_S, TraceState
from logger.units import FloatArray

TIME_S = np.arange(0.0, 3.3 * BLOCK * WINDOW_S, 7.0)


def followed(time_s: FloatArray, temperature_K: FloatArray, cuts: list[int]) -> TraceState:
    state = steel_trace.begin()
    for piece in np.split(np.arange(time_s.size), sorted(cuts)):
        state = steel_trace.advance(state, time_s[piece], temperature_K[:, piece])
    return state


def test_the_means_of_a_straight_rise_are_its_temperatures_in_the_middle_of_each_window() -> None:
    trace = steel_trace.at_end(followed(TIME_S, np.array([300.0 + 0.1 * TIME_S]), []))
    assert np.allclose(trace.temperature_K[0], 300.0 + 0.1 * trace.time_s, rtol=1e-12, atol=0.0)
    assert np.allclose(np.diff(trace.time_s[1:-1]), WINDOW_S)


@given(st.lists(st.integers(0, TIME_S.size), max_size=12))
def test_any_cut_of_a_run_leaves_the_same_blocks(cuts: list[int]) -> None:
    temperature_K = 900.0 + np.random.default_rng(2).normal(0.0, 3.0, (3, TIME_S.size))
    whole, cut = followed(TIME_S, temperature_K, []), followed(TIME_S, temperature_K, cuts)
    assert [block.shape for block in whole.mean_K] == [(3, BLOCK)] * 3 + [(3, whole.mean_K[-1].shape[1])]
    assert [block.tobytes() for block in cut.mean_K] == [block.tobytes() for block in whole.mean_K]


def test_states_that_follow_each_other_share_what_is_long_past() -> None:
    temperature_K = np.full((2, TIME_S.size), 1200.0)
    earlier = followed(TIME_S[:-40], temperature_K[:, :-40], [])
    later = steel_trace.advance(earlier, TIME_S[-40:], temperature_K[:, -40:])
    assert len(later.mean_K) > 2
    assert all(kept is before for kept, before in zip(later.mean_K[:-2], earlier.mean_K, strict=False))
