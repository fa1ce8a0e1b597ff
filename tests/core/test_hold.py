"""A hold that is not reached, one that is lost, and everything that is neither."""

from math import nan

import pytest

from logger.hold import HoldState, judge

SET_K = 1198.15


def judged(readings: list[tuple[float, float]], set_point_K: float = SET_K, output: float = nan) -> list[HoldState]:
    """The states after readings, each a time [s] and a temperature [K]."""
    states = [HoldState()]
    for time_s, temperature_K in readings:
        states.append(judge(states[-1], time_s, temperature_K, set_point_K, output))
    return states[1:]


def steady(from_s: int, to_s: int, temperature_K: float, rate_K_per_s: float = 0.0) -> list[tuple[float, float]]:
    return [(float(s), temperature_K + rate_K_per_s * (s - from_s)) for s in range(from_s, to_s, 30)]


def test_an_oven_that_stops_short_of_its_set_point_has_not_reached_its_hold() -> None:
    climb, stall = steady(0, 3600, 500.0, 0.18), steady(3600, 7200, 1148.0)
    states = judged(climb + stall)
    assert not any(state.not_reached for state in states[: len(climb)])
    first = next(number for number, state in enumerate(states) if state.not_reached)
    assert 3600.0 + 1750.0 < (climb + stall)[first][0] < 3600.0 + 1900.0
    assert not judged([*climb, *stall, (7200.0, SET_K - 5.0)])[-1].not_reached, "there after all"


def test_an_oven_that_climbs_however_slowly_is_left_alone() -> None:
    assert not any(state.not_reached for state in judged(steady(0, 40_000, 500.0, 0.01)))


@pytest.mark.parametrize("output", [0.0, 1.0])
def test_an_oven_that_is_off_or_gives_all_it_has_is_another_alerts_matter(output: float) -> None:
    states = judged(steady(0, 9000, 1148.0), output=output)
    assert not any(state.not_reached or state.lost for state in states)


def test_a_cold_oven_with_a_set_point_waiting_in_it_is_no_hold() -> None:
    assert not any(state.not_reached for state in judged(steady(0, 20_000, 293.0)))


def test_a_hold_that_falls_away_is_lost_until_it_is_back() -> None:
    readings = steady(0, 600, SET_K) + steady(600, 1500, SET_K, -0.05) + [(1530.0, SET_K - 15.0), (1560.0, SET_K - 9.0)]
    states = judged(readings)
    lost = [readings[number][1] for number, state in enumerate(states) if state.lost]
    assert lost[0] == pytest.approx(SET_K - 21.0)
    assert lost[-1] == SET_K - 15.0, "it is back nearer than it was lost"
    assert not states[-1].lost


def test_a_set_point_that_moves_begins_the_judgement_anew() -> None:
    held = judge(HoldState(), 0.0, SET_K, SET_K)
    lower = judge(held, 30.0, SET_K, SET_K + 60.0)
    assert held.reached
    assert not lower.reached
    assert not lower.lost


def test_what_was_not_seen_is_not_judged() -> None:
    held = judge(HoldState(), 0.0, SET_K, SET_K)
    assert judge(held, 30.0, nan, SET_K) == held
    assert judge(held, 30.0, SET_K - 50.0, nan) == held
    assert not judge(held, 2000.0, SET_K - 50.0, SET_K).lost, "after a gap it begins anew"
    assert judge(held, 200.0, SET_K - 50.0, SET_K).lost
