"""However a history is cut, saved and gone on from, the carbon is the same to the last bit: live is review."""

import pickle
from random import Random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.estimate import carbon_problem, carbon_profile
from tests.estimate.carbon_cases import drawn_case


@pytest.mark.slow
@settings(max_examples=8, deadline=None)
@given(draw=st.randoms(use_true_random=False), melting=st.booleans())
def test_any_cutting_of_any_heat_gives_the_same_bits(draw: Random, melting: bool) -> None:
    case = drawn_case(draw, melting)
    problem = carbon_problem.problem_from_sheet(case.sheet)
    count = case.time_s.size
    cuts = sorted({draw.randint(1, count - 1) for _ in range(draw.randint(1, 12))})
    # Somewhere reading by reading, asked each time, as a live view does.
    live_from = draw.randint(0, max(count - 40, 0))
    cuts = sorted({*cuts, *range(live_from, min(live_from + 40, count))} - {0})

    whole = carbon_profile.advance(problem, carbon_profile.begin(problem), case.time_s, case.temperature_K)
    state = carbon_profile.begin(problem)
    for begin, end in zip([0, *cuts], [*cuts, count], strict=True):
        state = carbon_profile.advance(problem, state, case.time_s[begin:end], case.temperature_K[begin:end])
        carbon_profile.at_end(problem, state)
        state = pickle.loads(pickle.dumps(state))
    one, other = carbon_profile.at_end(problem, whole), carbon_profile.at_end(problem, state)
    assert np.array_equal(one.carbon_wt_pct, other.carbon_wt_pct)
    assert one.liquid_depth_m == other.liquid_depth_m
    assert one.carbide_depth_m == other.carbide_depth_m
    assert one.warnings == other.warnings
    assert state.work_s == whole.work_s
    assert state.time_s == whole.time_s
