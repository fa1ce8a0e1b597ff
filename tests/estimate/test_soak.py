"""Soak: starts in the band, pauses outside it, ends when the steel leaves for good; both clocks."""

import numpy as np
import pytest

from logger.estimate import load_temperature, soak
from logger.estimate.soak import Soak, SoakProblem, SoakResult
from logger.history import History
from logger.sheet_parts import SoakRule
from logger.units import FloatArray, kelvin_from_celsius
from tests.estimate.oven_traces import ramp_hold_cool, sheet_in_oven

STATED = SoakProblem(SoakRule(kelvin_from_celsius(950.0), 14.0))
OWN_PLATEAU = SoakProblem(SoakRule(None, 14.0))


def result_of(problem: SoakProblem, t: FloatArray, x: FloatArray) -> SoakResult:
    """Soaks of one trace."""
    return soak.at_end(problem, soak.advance(problem, soak.begin(problem), t, x))


def corners(*points: tuple[float, float]) -> tuple[FloatArray, FloatArray]:
    """A trace every 5 s through corners of (minutes, Celsius)."""
    at_s, at_C = np.array(points).T
    t = np.arange(0.0, at_s[-1] * 60.0 + 1e-6, 5.0)
    return t, kelvin_from_celsius(np.interp(t, at_s * 60.0, at_C))


# 930 K at 10 K/min, two hours at 950 C, 10 K/min down: in the band from 936 C up to 936 C down, 2 h and twice 84 s.
def test_time_in_the_band_is_the_hold_and_the_last_kelvin_on_either_side() -> None:
    t, x = corners((0, 20), (93, 950), (213, 950), (263, 450))
    (found,) = result_of(STATED, t, x).soaks
    assert found.start_s == pytest.approx(93 * 60 - 84, abs=2.0)
    assert found.end_s == pytest.approx(213 * 60 + 84, abs=2.0)
    assert found.in_band_s == pytest.approx(7200 + 168, abs=3.0)
    assert found.mean_K == pytest.approx(1223.15 - 14.0 / 2 * 168 / 7368, abs=0.05)
    assert found.overshoot_K == pytest.approx(0.0, abs=0.1)
    assert not found.paused


def test_a_soak_goes_on_while_the_steel_is_in_the_band() -> None:
    t, x = corners((0, 20), (93, 950), (120, 950))
    (found,) = result_of(STATED, t, x).soaks
    assert found.end_s is None
    assert not found.paused


def test_a_door_opened_pauses_the_soak_and_does_not_end_it() -> None:
    t, x = corners((0, 20), (93, 950), (130, 950), (132, 900), (140, 950), (200, 950), (240, 500))
    (found,) = result_of(STATED, t, x).soaks
    out_s = (50 - 14) / 25 * 60 + (50 - 14) / 6.25 * 60
    assert found.in_band_s == pytest.approx((found.end_s or 0) - found.start_s - out_s, abs=4.0)


def test_outside_the_band_but_not_gone_it_is_paused() -> None:
    t, x = corners((0, 20), (93, 950), (130, 950), (134, 900))
    (found,) = result_of(STATED, t, x).soaks
    assert found.paused
    assert found.end_s is None


def test_cooling_right_down_ends_the_soak_and_a_second_heat_is_a_second_soak() -> None:
    t, x = corners((0, 20), (60, 950), (100, 950), (150, 400), (200, 950), (230, 950), (280, 300))
    found = result_of(STATED, t, x).soaks
    assert len(found) == 2
    assert found[0].end_s is not None
    assert found[1].in_band_s < found[0].in_band_s


def test_overshoot_is_how_far_above_the_middle_the_steel_went() -> None:
    t, x = corners((0, 20), (93, 950), (96, 980), (100, 950), (200, 950))
    (found,) = result_of(STATED, t, x).soaks
    assert found.overshoot_K == pytest.approx(30.0, abs=2.0)  # the mean of a quarter of a minute rounds the tip


def test_noise_at_the_edge_of_the_band_does_not_start_and_stop_the_soak() -> None:
    t, x = corners((0, 20), (93, 940), (213, 940))
    noisy = x + np.random.default_rng(2).normal(0.0, 3.0, t.size)
    (found,) = result_of(STATED, t, noisy).soaks
    assert found.in_band_s == pytest.approx(2 * 3600.0, rel=0.01)


def test_without_a_stated_temperature_the_band_is_about_the_runs_own_plateau() -> None:
    t, x = ramp_hold_cool(to_C=927.0)
    result = result_of(OWN_PLATEAU, t, x)
    assert result.recognised
    ((low, high),) = result.bands_K
    assert 0.5 * (low + high) == pytest.approx(kelvin_from_celsius(927.0), abs=0.5)


def test_two_holds_at_different_levels_are_two_bands() -> None:
    t, x = corners((0, 20), (90, 930), (210, 930), (220, 830), (250, 830), (320, 100))
    result = result_of(OWN_PLATEAU, t, x)
    middles = sorted(round(0.5 * (low + high) - 273.15) for low, high in result.bands_K)
    assert middles == [830, 930]
    assert len(result.soaks) == 2


def test_an_oven_that_has_almost_stopped_cooling_is_no_soak_unless_the_sheet_asks_for_it() -> None:
    t, x = corners((0, 20), (30, 205), (90, 205), (120, 90), (180, 84), (210, 205), (270, 205))
    result = result_of(OWN_PLATEAU, t, x)
    assert len(result.bands_K) == 1
    last_kelvin_min = sum(14.0 / (change_K / 30.0) for change_K in (185.0, 115.0, 121.0))
    assert float(result.in_band_s[0]) == pytest.approx(60.0 * (120.0 + last_kelvin_min), abs=10.0)
    asked_for = SoakProblem(SoakRule(kelvin_from_celsius(87.0), 14.0))
    assert float(result_of(asked_for, t, x).in_band_s[0]) > 3600.0


def test_passing_through_the_band_is_no_soak_but_a_short_stop_in_it_is() -> None:
    t, x = corners((0, 20), (93, 950), (110, 1120), (150, 1120), (190, 400))
    passed = result_of(STATED, t, x)
    assert passed.soaks == ()
    assert passed.in_band_s[0] == 0.0
    t, x = corners((0, 20), (93, 950), (103, 950), (113, 1120), (150, 1120), (190, 400))
    stopped = result_of(STATED, t, x)
    assert len(stopped.soaks) == 1
    assert stopped.in_band_s[0] == pytest.approx(stopped.soaks[0].in_band_s)
    assert stopped.soaks[0].in_band_s > 600.0


def test_the_hours_of_each_member_are_the_sum_of_its_soaks() -> None:
    rng = np.random.default_rng(5)
    for _ in range(30):
        points = [(0.0, 20.0)]
        for _ in range(12):
            points.append((points[-1][0] + rng.uniform(1.0, 30.0), float(rng.choice([300, 860, 940, 950, 975, 1100]))))
        t, x = corners(*points)
        result = result_of(STATED, t, x)
        assert result.in_band_s[0] == pytest.approx(sum(found.in_band_s for found in result.soaks), abs=1e-6)


def test_before_there_is_a_hold_there_is_no_band_and_no_soak() -> None:
    t, x = corners((0, 20), (60, 800))
    result = result_of(OWN_PLATEAU, t, x)
    assert result.soaks == ()
    assert result.bands_K == ()


def test_in_a_canister_the_oven_claims_more_hours_than_the_steel_had() -> None:
    t, x = ramp_hold_cool(hold_h=3.0)
    sheet = sheet_in_oven(0.06)
    problem = load_temperature.problem_from_sheet(sheet)
    state, samples = load_temperature.advance(problem, load_temperature.begin(problem), History("oven", t, x, 10.0))
    assert state.canister is not None
    seen = soak.advance(OWN_PLATEAU, soak.begin(OWN_PLATEAU), samples.time_s, samples.temperature_K, samples.driving_K)
    result = soak.at_end(OWN_PLATEAU, seen)
    assert result.oven_in_band_s == pytest.approx(3 * 3600.0, rel=0.05)
    assert 0.3 * result.oven_in_band_s < result.in_band_s[0] < 0.9 * result.oven_in_band_s


def test_a_low_course_through_a_gap_has_less_soak_than_the_nominal_one() -> None:
    t, x = ramp_hold_cool(hold_h=3.0)
    keep = (t < 8000.0) | (t > 10400.0)
    sheet = sheet_in_oven(0.06)
    problem = load_temperature.scenarios_from_sheet(sheet)
    history = History("oven", t[keep], x[keep], 10.0)
    _, samples = load_temperature.advance(problem, load_temperature.begin(problem), history)
    seen = soak.advance(STATED, soak.begin(STATED), samples.time_s, samples.temperature_K, samples.driving_K)
    nominal, low, high = soak.at_end(STATED, seen).in_band_s
    assert low < nominal - 600.0
    assert high >= nominal


def test_the_coldest_of_several_sensors_decides() -> None:
    t, first = corners((0, 20), (93, 950), (213, 950))
    _, second = corners((0, 20), (113, 944), (213, 944))
    _, third = corners((0, 20), (103, 955), (213, 955))
    (found,) = result_of(STATED, t, soak.coldest_K(np.stack([first, second, third]))).soaks
    assert found.start_s == pytest.approx(113 * 60.0 * (936 - 20) / (944 - 20), abs=15.0)
    same = soak.uniformity(t, {"front": first, "back": second, "middle": third}, found)
    assert (same.coldest, same.hottest) == ("back", "middle")
    assert same.widest_K > 10.0
    assert same.in_band_together_s == pytest.approx(found.in_band_s, rel=0.01)


def test_the_rules_name_where_they_are_from() -> None:
    for rule in soak.PUBLISHED_RULES.values():
        assert rule.half_band_K > 0.0
        assert rule.source
    assert soak.PUBLISHED_RULES["class 5"].half_band_K == 14.0
    assert isinstance(result_of(STATED, *corners((0, 20), (93, 950), (120, 950))).soaks[0], Soak)
