"""The controller holds the oven, does not wind up, and says when something is wrong."""

import math
from dataclasses import replace

import numpy as np
import pytest

from sim.controller import (
    ALARM_DEVIATION,
    ALARM_HIGH,
    HEATER_ON,
    OUTPUT_AT_LIMIT,
    PROGRAM_RUNNING,
    SENSOR_BREAK,
    ControllerState,
    Tuning,
    displayed,
    heater_fraction,
    measure_K,
    scan,
)
from sim.heat import Heat
from sim.program import Off, Program, Ramp, Soak

QUIET = Tuning(noise_K=0.0)


def test_the_oven_settles_at_the_set_point_without_a_lasting_error() -> None:
    heat = Heat(Program((Ramp(1100.0, 0.2), Soak(4 * 3600.0))), tuning=QUIET)
    heat.advance_to(5 * 3600.0)
    truth = heat.truth()
    hold = truth.oven_K[truth.time_s > 3.5 * 3600.0]
    assert np.max(np.abs(hold - 1100.0)) < 0.5
    assert np.max(truth.oven_K) < 1110.0


def test_a_jump_of_the_set_point_does_not_wind_the_integral_up() -> None:
    # Full power for half an hour: with the integral running all that time the oven would shoot far over.
    heat = Heat(Program((Ramp(1200.0), Soak(4 * 3600.0))), tuning=QUIET)
    heat.advance_to(3 * 3600.0)
    truth = heat.truth()
    at_full = np.count_nonzero(truth.power_W > 0.999 * heat.build.heater_power_W) * 5.0
    assert at_full > 600.0
    assert np.max(truth.oven_K) < 1220.0


def test_outside_its_limits_the_output_does_not_collect_integral() -> None:
    state = ControllerState()
    for _ in range(1000):
        state = scan(QUIET, state, 300.0, 1200.0, heating=True)
    assert state.output == 1.0
    assert state.integral == 0.0
    assert state.status & OUTPUT_AT_LIMIT
    back = scan(QUIET, state, 1205.0, 1200.0, heating=True)
    assert back.output == 0.0


def test_the_proportional_integral_and_rate_parts_are_those_of_the_textbook() -> None:
    # u = K (e + 1/Ti * integral of e dt - Td dT/dt), Astrom and Hagglund's ideal form with rate on the measured value.
    tuning = replace(QUIET, gain_per_K=0.01, integral_s=100.0, derivative_s=0.0)
    state = ControllerState()
    for _ in range(50):
        state = scan(tuning, state, 990.0, 1000.0, heating=True)
    assert state.output == pytest.approx(0.01 * 10.0 + 0.01 * 10.0 * 50.0 / 100.0)
    steady = replace(tuning, integral_s=0.0, derivative_s=20.0)
    state = ControllerState()
    for number in range(200):
        state = scan(steady, state, 960.0 + 0.1 * number, 1000.0, heating=True)
    assert state.output == pytest.approx(0.01 * (1000.0 - 979.9) - 0.01 * 20.0 * 0.1, abs=1e-6)


def test_output_limits_are_kept() -> None:
    tuning = replace(QUIET, output_low=0.1, output_high=0.6)
    cold = scan(tuning, ControllerState(), 300.0, 1200.0, heating=True)
    hot = scan(tuning, ControllerState(), 1300.0, 1200.0, heating=True)
    assert (cold.output, hot.output) == (0.6, 0.1)


def test_the_relay_is_on_for_the_share_of_the_cycle_that_the_output_asks() -> None:
    tuning = replace(QUIET, cycle_s=20.0, gain_per_K=0.01, integral_s=0.0, derivative_s=0.0)
    state, on, switched = ControllerState(), 0.0, 0
    for _ in range(2000):
        before = state.heater_on
        state = scan(tuning, state, 970.0, 1000.0, heating=True)
        on += heater_fraction(tuning, state)
        switched += state.heater_on != before
        assert bool(state.status & HEATER_ON) == state.heater_on
    assert state.output == pytest.approx(0.3)
    assert on / 2000 == pytest.approx(0.3)
    assert switched == pytest.approx(200, abs=2)


def test_a_broken_sensor_turns_the_heater_off_and_sets_its_bit() -> None:
    hot = scan(QUIET, ControllerState(), 900.0, 1200.0, heating=True)
    broken = scan(QUIET, hot, math.nan, 1200.0, heating=True)
    assert broken.output == 0.0
    assert heater_fraction(QUIET, broken) == 0.0
    assert broken.status == SENSOR_BREAK | PROGRAM_RUNNING


def test_the_alarms_tell_too_hot_and_far_from_the_set_point() -> None:
    near = scan(QUIET, ControllerState(), 1190.0, 1200.0, heating=True)
    far = scan(QUIET, ControllerState(), 1100.0, 1200.0, heating=True)
    hot = scan(QUIET, ControllerState(), 1530.0, 1200.0, heating=True)
    bits = [state.status & (ALARM_HIGH | ALARM_DEVIATION) for state in (near, far, hot)]
    assert bits == [0, ALARM_DEVIATION, ALARM_HIGH | ALARM_DEVIATION]


def test_the_noise_has_the_spread_that_was_asked_for_and_follows_the_seed() -> None:
    tuning = Tuning(noise_K=0.8, offset_K=2.0)
    rng = np.random.default_rng(3)
    values = np.array([measure_K(tuning, 1000.0, rng) for _ in range(20000)])
    assert values.mean() == pytest.approx(1002.0, abs=0.03)
    assert values.std() == pytest.approx(0.8, rel=0.03)
    assert values[0] == measure_K(tuning, 1000.0, np.random.default_rng(3))


def test_outside_the_span_of_the_input_there_is_no_reading() -> None:
    rng = np.random.default_rng(0)
    assert math.isnan(measure_K(QUIET, 1700.0, rng))
    assert math.isnan(measure_K(QUIET, math.nan, rng))


@pytest.mark.parametrize(
    ("unit", "places", "shown"), [("C", 1, 925.0), ("C", 0, 925.0), ("F", 1, 1697.1), ("F", 0, 1697.0)]
)
def test_the_display_shows_its_unit_and_decimals(unit: str, places: int, shown: float) -> None:
    assert displayed(925.04 + 273.15, unit, places) == shown  # type: ignore[arg-type]


def test_after_the_program_the_heater_stays_off() -> None:
    heat = Heat(Program((Ramp(600.0), Soak(60.0), Off())), tuning=QUIET)
    heat.advance_to(1800.0)
    assert heat.is_over
    assert heat.power_W == 0.0
    assert heat.controller.status == 0
