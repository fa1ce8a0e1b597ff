"""However a history is cut, saved and gone on from, the carbon is the same to the last bit: live is review."""

import pickle
from random import Random
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.estimate import carbon_problem, carbon_profile
from logger.sheet import RunSheet
from logger.sheet_parts import Canister, Pack, Piece, Shape, Stage, StageKind, SurfaceKind
from logger.units import kelvin_from_celsius
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


@pytest.mark.parametrize("before_s", [1e-5, 0.03, 0.2, 0.25, 0.3, 1.0])
def test_a_face_bared_just_before_a_window_ends_is_stepped_over(before_s: float) -> None:
    """A hard beginning needs steps far shorter than what is left of the window, and gets them."""
    time_s = np.arange(0.0, 181.0, 60.0)
    bared = Stage(StageKind.CARBURIZE, 120.0 - before_s, surface=SurfaceKind.OPEN_AIR)
    pack = Pack(carbon_activity=0.8, mass_transfer_m_per_s=2e-8)
    sheet = RunSheet(Piece(Shape.PLATE, 0.006, 0.30), pack=pack, canister=Canister(sensor="inside"), stages=(bared,))
    problem = carbon_problem.problem_from_sheet(sheet)
    step, steps = carbon_profile.step, 0

    def counted(*given: Any) -> Any:
        nonlocal steps
        steps += 1
        assert steps < 400, "the same step over and over"
        return step(*given)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(carbon_profile, "step", counted)
        heat_K = np.full(time_s.size, kelvin_from_celsius(870.0))
        state = carbon_profile.advance(problem, carbon_profile.begin(problem), time_s, heat_K)
        result = carbon_profile.at_end(problem, state)
    assert result.surface_wt_pct == 0.0
    assert 0.29 < result.mean_wt_pct < 0.30
