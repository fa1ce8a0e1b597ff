"""Gaps: a straight line, and two extremes that a real oven cannot leave."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.estimate import gaps, load_temperature
from logger.estimate.gaps import Habits
from logger.history import History
from logger.sheet import RunSheet
from logger.sheet_parts import SoakRule
from logger.units import FloatArray, kelvin_from_celsius
from sim.canister import Canister as TrueCanister
from sim.controller import Tuning
from sim.heat import Heat, Truth
from sim.program import Off, Program, Ramp, Soak
from tests.estimate.oven_traces import STRAP

temperatures = st.floats(kelvin_from_celsius(0.0), kelvin_from_celsius(1250.0))


@given(
    temperatures,
    st.one_of(st.none(), temperatures),
    st.floats(31.0, 2e5),
    st.floats(0.0, 0.5),
    st.floats(0.0, 1e-3),
    st.floats(-0.3, 0.3),
    st.one_of(st.none(), temperatures),
)
def test_low_nominal_and_high_keep_their_order_and_meet_the_readings(
    start_K: float,
    end_K: float | None,
    duration_s: float,
    climb: float,
    cooling: float,
    now: float,
    aim_K: float | None,
) -> None:
    habits = Habits(climb, cooling, now, max(start_K, 900.0))
    course = gaps.courses(habits, 1000.0, start_K, 1000.0 + duration_s, end_K, aim_K)
    assert np.all(course.low_K <= course.nominal_K)
    assert np.all(course.nominal_K <= course.high_K)
    assert np.all(np.isfinite(course.high_K))
    assert np.all(np.diff(course.time_s) > 0.0)
    assert course.time_s[-1] == 1000.0 + duration_s
    if end_K is not None:
        assert course.low_K[-1] == course.nominal_K[-1] == course.high_K[-1] == end_K
    assert course.low_K.min() > kelvin_from_celsius(-1.0)
    ceiling = max(start_K, end_K or 0.0, aim_K or 0.0, gaps.HOTTEST_OVEN_K, habits.hottest_K)
    assert course.high_K.max() <= ceiling + 1e-6


def test_a_steady_oven_is_at_worst_held_or_switched_off_and_on_again() -> None:
    habits = Habits(climb_K_per_s=0.2, cooling_per_s=1e-4, now_K_per_s=0.0, hottest_K=1223.15)
    course = gaps.courses(habits, 0.0, 1223.15, 2400.0, 1223.15, None)
    assert np.all(course.high_K == 1223.15)
    low = course.low_K
    turn = int(np.argmin(low))
    # Off: the seen cooling and a quarter more; on again: the seen climb and a quarter more.
    expected = 293.15 + 930.0 * np.exp(-1.25e-4 * course.time_s[:turn])
    assert low[:turn] == pytest.approx(expected, abs=0.1)
    assert low[turn + 1] - low[turn] <= 0.25 * 60.0 + 1e-6


def test_an_oven_seen_climbing_with_no_aim_stated_may_have_gone_on_climbing() -> None:
    habits = Habits(climb_K_per_s=0.15, now_K_per_s=0.15, hottest_K=1000.0)
    course = gaps.courses(habits, 0.0, 1000.0, 3600.0, None, None)
    assert course.high_K[-1] > 1400.0
    stated = gaps.courses(habits, 0.0, 1000.0, 3600.0, None, 1200.0)
    assert stated.high_K.max() == 1200.0


def test_an_oven_seen_cooling_was_off_and_stays_below_where_it_was() -> None:
    habits = Habits(climb_K_per_s=0.2, cooling_per_s=1e-4, now_K_per_s=-0.08, hottest_K=1223.15)
    course = gaps.courses(habits, 0.0, 1100.0, 3600.0, 900.0, 1223.15)
    assert course.high_K.max() <= 1100.0


def test_habits_are_read_off_the_run_itself() -> None:
    t = np.arange(0.0, 9000.0, 10.0)
    x = 293.15 + np.where(t < 4500.0, t * 0.2, 900.0 * np.exp(-(t - 4500.0) / 8000.0))
    habits = gaps.habits_after(Habits(), t, x)
    assert habits.climb_K_per_s == pytest.approx(0.2, rel=0.02)
    assert habits.cooling_per_s == pytest.approx(1.0 / 8000.0, rel=0.05)
    assert habits.now_K_per_s < -0.05
    assert habits.hottest_K == x.max()


def with_power_cut(off_s: float) -> Truth:
    """A simulated oven at 940 C that loses its heater for a while two hours into the hold and climbs back."""
    hold_K = kelvin_from_celsius(940.0)
    ramp = Ramp(hold_K, 800.0 / 3600.0)
    program = Program((ramp, Soak(2 * 3600.0), *((Off(off_s),) if off_s else ()), ramp, Soak(2 * 3600.0), Off()))
    heat = Heat(program, canister=TrueCanister(), tuning=Tuning(scan_s=10.0), seed=3, truth_every_s=20.0)
    heat.advance_to(6.5 * 3600.0)
    return heat.truth()


def courses_through(truth: Truth, from_s: float, to_s: float) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Times [s] in a hole, true oven temperature, low and high course there [K]."""
    keep = (truth.time_s <= from_s) | (truth.time_s >= to_s)
    history = History("oven", truth.time_s[keep], truth.oven_K[keep], 20.0)
    sheet = RunSheet(STRAP, soak=SoakRule(kelvin_from_celsius(940.0)))
    problem = load_temperature.scenarios_from_sheet(sheet)
    _, samples = load_temperature.advance(problem, load_temperature.begin(problem), history)
    inside = (samples.time_s > from_s) & (samples.time_s < to_s)
    t = samples.time_s[inside]
    _, low, high = samples.driving_K[:, inside]
    return t, np.interp(t, truth.time_s, truth.oven_K), low, high


@pytest.mark.parametrize("off_min", [0.0, 10.0, 25.0], ids=lambda off: f"off {off:g} min")
def test_a_simulated_oven_that_lost_its_heater_unseen_stays_between_the_extremes(off_min: float) -> None:
    truth = with_power_cut(off_min * 60.0)
    hold_start_s = float(truth.time_s[int(np.argmax(truth.set_point_K >= kelvin_from_celsius(939.5)))])
    cut_s = hold_start_s + 2 * 3600.0
    _, true_K, low, high = courses_through(truth, cut_s - 600.0, cut_s + 3600.0)
    assert true_K.min() < kelvin_from_celsius(930.0) or off_min == 0.0
    assert np.all(true_K > low - 3.0)
    assert np.all(true_K < high + 6.0)  # the controller swings a little about its setpoint
