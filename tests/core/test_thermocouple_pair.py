"""Two thermocouples side by side: what is wrong between them, and what is only the oven or lag."""

import numpy as np
import pytest

from logger.history import History
from logger.thermocouple import Correction, Thermocouple
from logger.thermocouple_pair import PairFinding, compare
from logger.units import FloatArray, kelvin_from_celsius
from tests.estimate.hidden_truth import HiddenHeat, hidden_heat

TYPE_K = Thermocouple()


def heat(hours: float = 5.0, interval_s: float = 10.0) -> tuple[FloatArray, FloatArray]:
    """A ramp of an hour to 940 C and a hold, without noise."""
    t = np.arange(0.0, hours * 3600.0, interval_s)
    return t, kelvin_from_celsius(np.minimum(20.0 + t * 920.0 / 3600.0, 940.0))


def pair(second_K: FloatArray) -> tuple[History, History]:
    """The oven's channel and a second one beside it, with noise of half a kelvin on both."""
    t, x = heat()
    rng = np.random.default_rng(1)
    first = History("oven", t, x + rng.normal(0.0, 0.5, t.size), 10.0)
    return first, History("second", t, second_K + rng.normal(0.0, 0.5, t.size), 10.0)


def test_two_good_thermocouples_agree() -> None:
    _, x = heat()
    found = compare(*pair(x + 3.0), TYPE_K, TYPE_K)
    assert found.finding is PairFinding.AGREE
    assert found.difference_K == pytest.approx(3.0, abs=0.2)
    assert found.allowed_K == pytest.approx(2 * 7.05, abs=0.1)


def test_a_reversed_pair_falls_as_it_heats() -> None:
    _, x = heat()
    found = compare(*pair(2 * 293.15 - x), TYPE_K, TYPE_K)
    assert (found.finding, found.suspect) == (PairFinding.REVERSED, "second")


def test_a_short_in_the_lead_stays_near_room_temperature() -> None:
    _, x = heat()
    found = compare(*pair(np.full(x.size, 298.0)), TYPE_K, TYPE_K)
    assert (found.finding, found.suspect) == (PairFinding.SHORTED, "second")


def test_a_tip_pulled_into_the_wall_drops_at_once_and_stays_down() -> None:
    t, x = heat()
    found = compare(*pair(np.where(t > 9000.0, x - 45.0, x)), TYPE_K, TYPE_K)
    assert (found.finding, found.suspect) == (PairFinding.WITHDRAWN, "second")
    assert found.at_s == pytest.approx(9000.0, abs=20.0)


def test_a_drift_grows_with_the_hours() -> None:
    t, x = heat()
    found = compare(*pair(x - 3.0 * np.maximum(t / 3600.0 - 1.0, 0.0)), TYPE_K, TYPE_K)
    assert (found.finding, found.suspect) == (PairFinding.DRIFT, "second")
    assert found.drift_K_per_h == pytest.approx(-3.0, abs=0.3)


def test_a_difference_beyond_both_tolerances_is_told_without_guessing_which_is_wrong() -> None:
    _, x = heat()
    found = compare(*pair(x + 25.0 * (x - 293.15) / 920.0), TYPE_K, TYPE_K)
    assert (found.finding, found.suspect) == (PairFinding.OFFSET, "")
    elsewhere = compare(*pair(x + 25.0 * (x - 293.15) / 920.0), TYPE_K, TYPE_K, same_place=False)
    assert elsewhere.finding is PairFinding.AGREE


def test_a_correction_known_from_calibration_takes_the_difference_away() -> None:
    _, x = heat()
    known = Thermocouple(correction=Correction((293.15, 1213.15 + 25.0), (0.0, -25.0)))
    found = compare(*pair(x + 25.0 * (x - 293.15) / 920.0), TYPE_K, known)
    assert found.finding is PairFinding.AGREE
    assert abs(found.difference_K) < 0.5


def test_blanks_and_channels_that_never_meet_are_no_comparison() -> None:
    t, x = heat()
    first = History("oven", t, x, 10.0)
    never = History("second", t + 1e6, x, 10.0)
    blank = History("second", t, np.full(t.size, np.nan), 10.0)
    for other in (never, blank):
        assert compare(first, other, TYPE_K, TYPE_K).finding is PairFinding.TOO_FEW


def test_a_second_channel_with_holes_is_compared_where_it_reads() -> None:
    t, x = heat()
    first, second = pair(x + 3.0)
    keep = (t < 7000.0) | (t > 9500.0)
    holed = History("second", second.time_s[keep], second.temperature_K[keep], 10.0)
    found = compare(first, holed, TYPE_K, TYPE_K)
    assert found.finding is PairFinding.AGREE
    assert found.difference_K == pytest.approx(3.0, abs=0.2)


# Apart: the second one in the canister, behind the first one's heat


@pytest.fixture(scope="module")
def hidden() -> list[HiddenHeat]:
    return [hidden_heat(seed) for seed in range(8)]


def test_lag_alone_is_never_taken_for_a_fault(hidden: list[HiddenHeat]) -> None:
    for heat in hidden:
        for until_s in np.arange(1800.0, 8.0 * 3600.0 + 1.0, 1800.0):
            now = int(np.searchsorted(heat.oven.time_s, until_s))
            found = compare(heat.oven.piece(0, now), heat.inside.piece(0, now), TYPE_K, TYPE_K, same_place=False)
            assert not found.finding.is_fault, (until_s, found)


def behind_K(heat: HiddenHeat, hours: float) -> float:
    now = int(np.searchsorted(heat.oven.time_s, hours * 3600.0))
    return float(heat.oven.temperature_K[now] - heat.inside.temperature_K[now])


def changed(history: History, by_K: FloatArray) -> History:
    return History(history.channel, history.time_s, history.temperature_K + by_K, history.interval_s)


def test_a_tip_drawn_out_of_the_canister_into_the_wall_is_seen_through_lag(hidden: list[HiddenHeat]) -> None:
    for heat in hidden:
        t = heat.oven.time_s
        drawn = changed(heat.inside, np.where(t > 5.0 * 3600.0, -60.0, 0.0))
        found = compare(heat.oven, drawn, TYPE_K, TYPE_K, same_place=False)
        assert (found.finding, found.suspect) == (PairFinding.WITHDRAWN, "inside")
        assert found.at_s == pytest.approx(5.0 * 3600.0, abs=60.0)


def test_a_drift_that_parts_them_is_seen_once_lag_has_nearly_died_away(hidden: list[HiddenHeat]) -> None:
    settled = [heat for heat in hidden if behind_K(heat, 3.5) < 20.0]
    assert len(settled) >= 5
    for heat in settled:
        t = heat.oven.time_s
        drifts = changed(heat.inside, -12.0 * np.maximum(t / 3600.0 - 3.5, 0.0))
        found = compare(heat.oven, drifts, TYPE_K, TYPE_K, same_place=False)
        assert (found.finding, found.suspect) == (PairFinding.DRIFT, "inside")


def test_a_canister_still_cold_in_the_middle_is_not_a_shorted_lead(hidden: list[HiddenHeat]) -> None:
    heat = hidden[0]
    cold = History("inside", heat.inside.time_s, np.full(len(heat.inside), 300.0), 20.0)
    soon, later = (int(np.searchsorted(heat.oven.time_s, hours * 3600.0)) for hours in (1.5, 4.0))
    early = compare(heat.oven.piece(0, soon), cold.piece(0, soon), TYPE_K, TYPE_K, same_place=False)
    assert not early.finding.is_fault
    late = compare(heat.oven.piece(0, later), cold.piece(0, later), TYPE_K, TYPE_K, same_place=False)
    assert (late.finding, late.suspect) == (PairFinding.SHORTED, "inside")


def test_an_oven_cooled_slowly_in_front_of_a_slow_canister_is_no_drift() -> None:
    t = np.arange(0.0, 12.0 * 3600.0, 20.0)
    oven_K = kelvin_from_celsius(np.interp(t, [0.0, 5400.0, 5.0 * 3600.0, 12.0 * 3600.0], [20.0, 940.0, 940.0, 730.0]))
    for behind_s in (1800.0, 2.0 * 3600.0, 4.0 * 3600.0):
        share = 1.0 - np.exp(-20.0 / behind_s)
        inside_K = np.empty(t.size)
        inside_K[0] = oven_K[0]
        for i in range(1, t.size):
            inside_K[i] = inside_K[i - 1] + share * (oven_K[i] - inside_K[i - 1])
        for hours in np.arange(2.0, 12.1, 0.5):
            now = t <= hours * 3600.0
            first, second = History("oven", t[now], oven_K[now], 20.0), History("inside", t[now], inside_K[now], 20.0)
            found = compare(first, second, TYPE_K, TYPE_K, same_place=False)
            assert not found.finding.is_fault, (behind_s, hours, found)


def test_a_drift_of_the_nearer_one_is_seen_where_the_one_behind_it_does_not_follow(hidden: list[HiddenHeat]) -> None:
    heat = hidden[0]
    t = heat.oven.time_s
    drifts = changed(heat.oven, -15.0 * np.maximum(t / 3600.0 - 2.5, 0.0))
    found = compare(drifts, heat.inside, TYPE_K, TYPE_K, same_place=False)
    assert (found.finding, found.suspect) == (PairFinding.DRIFT, "oven")
