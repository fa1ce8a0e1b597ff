"""Which numbers are believed: on whole simulated heats, where the truth is known, and on single cases.

A fault-free heat must lose no reading and raise no suspicion, whatever the display's step and the sensor's noise; each
fault must be seen, and be over soon after its end.
"""

import math
import random
from collections import Counter
from functools import cache

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.reading import Quality
from logger.reading_quality import Observation, QualityState, Suspicion, believable_change_K, judge, no_reading
from sim.controller import Tuning
from sim.faults import plan_from_text
from sim.heat import Heat
from sim.scenario import scenario


@cache
def watched(
    name: str = "plane-iron",
    hours: float = 3.0,
    poll_s: float = 4.0,
    decimals: int = 1,
    noise_K: float = 0.25,
    cycle_s: float = 0.0,
    faults: str = "",
):
    """Every reading of a simulated heat as (time_s, shown_K, true_K, quality), and when each suspicion first came."""
    built_in = scenario(name)
    tuning = Tuning(decimal_places=decimals, noise_K=noise_K, cycle_s=cycle_s)
    heat = Heat(built_in.program, canister=built_in.canister, tuning=tuning, faults=plan_from_text(faults), seed=3)
    state, seen, first = QualityState(), [], {}
    for at in range(int(hours * 3600 / poll_s)):
        time_s = at * poll_s
        heat.advance_to(time_s)
        shown = heat.display()
        temperature_K = shown.process_value + 273.15
        if math.isnan(temperature_K):
            state, quality = no_reading(state), Quality.SENSOR_OPEN
        else:
            observation = Observation(time_s, temperature_K, shown.output_percent / 100.0, shown.process_value == 0.0)
            judgement = judge(state, observation)
            state, quality = judgement.state, judgement.quality
            for suspicion in judgement.suspicions:
                first.setdefault(suspicion, time_s)
        seen.append((time_s, temperature_K, heat.state.oven_K, quality))
    return seen, first


@pytest.mark.parametrize(
    "conditions",
    [
        {"hours": 5.0},
        {"decimals": 0},
        {"decimals": 0, "noise_K": 0.02, "hours": 5.0},
        {"noise_K": 0.0},
        {"poll_s": 1.0, "hours": 2.0},
        {"poll_s": 30.0},
        {"cycle_s": 20.0},
        {"name": "too-hot"},
        {"name": "temper", "decimals": 0, "noise_K": 0.02},
        {"faults": "noise@3000-6000"},
    ],
    ids=str,
)
def test_a_sound_heat_loses_no_reading_and_raises_no_suspicion(conditions):
    seen, first = watched(**conditions)
    assert Counter(quality for *_, quality in seen) == {Quality.GOOD: len(seen)}
    assert first == {}


@pytest.mark.parametrize(
    ("faults", "quality", "suspicion"),
    [
        ("frozen@3000-3300", Quality.FROZEN, Suspicion.FROZEN),
        ("frozen@9000-9300", Quality.FROZEN, Suspicion.FROZEN),
        ("exact-zero@3000-3300", Quality.SENSOR_OPEN, Suspicion.EXACT_ZERO),
        ("shorted-lead@9000-9300", Quality.SPIKE, Suspicion.SPIKES),
        ("spikes@3000-6000,amount=60", Quality.SPIKE, Suspicion.SPIKES),
        ("spikes@3000-6000,amount=-30", Quality.SPIKE, Suspicion.SPIKES),
        ("unit-change@5000-5300", Quality.SPIKE, Suspicion.RESCALED),
        ("unit-change@500-800", Quality.SPIKE, Suspicion.RESCALED),
        ("shorted-lead@700-1000", Quality.SPIKE, Suspicion.SPIKES),
        ("sensor-break@3000-3100", Quality.SENSOR_OPEN, None),
    ],
)
def test_a_wrong_number_is_not_believed_and_the_right_one_is_again_soon_after(faults, quality, suspicion):
    (start_s, end_s), *_ = plan_from_text(faults).spans_s()
    seen, first = watched(faults=faults, hours=end_s / 3600.0 + 0.2)
    wrong = [each for each in seen if abs(each[1] - each[2]) > 25.0 and each[0] > 600.0]
    assert [each for each in wrong if each[3] is Quality.GOOD] == []
    refused = [each for each in seen if each[3] is not Quality.GOOD]
    assert {each[3] for each in refused} == {quality}
    # after a short the true value may be far from the last one believed, and must be seen a few times first
    assert all(start_s <= each[0] <= end_s + 4 * 4.0 for each in refused)
    assert suspicion is None or suspicion in first


@pytest.mark.parametrize(
    ("faults", "suspicion", "within_s"),
    [
        ("stuck-relay@15000-", Suspicion.RISING_WITHOUT_HEAT, 400.0),
        ("dead-element@9000-", Suspicion.FALLING_AT_FULL_HEAT, 900.0),
        ("dead-element@3000-", Suspicion.FALLING_AT_FULL_HEAT, 900.0),
        ("reversed-pair@0-", Suspicion.FALLING_ON_HEATING, 600.0),
        ("shorted-lead@0-,amount=0", Suspicion.NO_PROGRESS, 8000.0),
    ],
)
def test_heat_that_does_not_do_what_it_should_raises_its_suspicion(faults, suspicion, within_s):
    (start_s, _), *_ = plan_from_text(faults).spans_s()
    _, first = watched(faults=faults, hours=(start_s + within_s) / 3600.0)
    assert start_s < first[suspicion] <= start_s + within_s


def follow(temperatures_K, output=math.nan, poll_s=4.0, state=None, start_s=0.0, rate_limit=20.0):
    state, qualities = state or QualityState(), []
    for at, temperature_K in enumerate(temperatures_K):
        judgement = judge(state, Observation(start_s + at * poll_s, temperature_K, output), rate_limit)
        state = judgement.state
        qualities.append(judgement.quality)
    return qualities, state


STEADY = [1200.0 + 0.3 * (-1) ** at for at in range(40)]


def test_an_opened_door_is_believed_after_a_few_readings():
    qualities, _ = follow([*STEADY, 1120.0, 1080.0, 1060.0, 1050.0, 1045.0, 1042.0, 1041.0, 1040.0])
    assert qualities[40:44] == [Quality.SPIKE] * 4
    assert qualities[-2:] == [Quality.GOOD] * 2


def test_a_number_that_stops_while_the_oven_heats_is_frozen_before_it_is_far_off():
    rng = random.Random(1)
    true_K = [*[800.0] * 70, *[800.0 + 2.0 * at for at in range(30)]]  # steady, then 1 K/s, asked every 2 s
    shown_K = [each + round(rng.gauss(0.0, 0.25), 1) for each in true_K]
    qualities, _ = follow([*shown_K, *[shown_K[-1]] * 20], poll_s=2.0)
    assert qualities[100:].index(Quality.FROZEN) <= 6  # 12 K off by then
    assert set(qualities[106:]) == {Quality.FROZEN}


def test_a_unit_that_was_switched_while_the_sensor_was_open_is_not_believed_either():
    steady_C = [344.0 + 0.3 * (-1) ** at for at in range(60)]
    _, state = follow([273.15 + each for each in steady_C])
    state = no_reading(no_reading(state))
    told_in_F = [273.15 + 1.8 * (each + 4.0) + 32.0 for each in steady_C]
    qualities, state = follow(told_in_F, state=state, start_s=60 * 4.0 + 115.0)
    assert set(qualities) == {Quality.SPIKE}
    assert Suspicion.RESCALED in state.suspicions
    back, _ = follow([273.15 + each for each in steady_C], state=state, start_s=60 * 8.0 + 115.0)
    assert set(back) == {Quality.GOOD}


@pytest.mark.parametrize("poll_s", [2.0, 30.0])
@pytest.mark.parametrize(
    "told",
    [lambda t: 1.8 * t + 32.0, lambda t: (t - 32.0) / 1.8, lambda t: 10.0 * t, lambda t: t / 10.0],
    ids=["C told in F", "F told in C", "ten times", "a tenth"],
)
def test_a_display_that_is_switched_over_is_not_believed_until_it_is_switched_back(told, poll_s):
    heating_C = [200.0 + 0.05 * poll_s * at for at in range(160)]
    shown_C = [*heating_C[:60], *map(told, heating_C[60:140]), *heating_C[140:]]
    qualities, state = follow([273.15 + each for each in shown_C], poll_s=poll_s)
    assert set(qualities[:60]) == {Quality.GOOD}
    assert Quality.GOOD not in qualities[60:140]
    assert set(qualities[140:]) == {Quality.GOOD}
    assert Suspicion.RESCALED not in state.suspicions


def test_the_air_of_a_hot_oven_is_never_at_room_temperature_a_minute_later():
    fall = [*[420.0] * 3, 350.0, 351.0, 300.0, 299.7, 300.1, 299.8, 300.0, 300.2, 299.9]  # two faults one on the other
    qualities, _ = follow([*[450.0 + 0.3 * (-1) ** at for at in range(40)], *fall], poll_s=10.0)
    assert Quality.GOOD not in qualities[-7:]


def test_a_single_jump_is_a_spike_and_the_next_reading_is_good_again():
    qualities, _ = follow([*STEADY, 1260.0, 1200.3])
    assert qualities[-2:] == [Quality.SPIKE, Quality.GOOD]


def test_a_fall_no_oven_can_do_is_not_believed_until_an_oven_could_have_cooled_so_far():
    qualities, _ = follow([*STEADY, *[300.0 + 0.3 * (-1) ** at for at in range(1000)]])
    believed = qualities[40:].index(Quality.GOOD) * 4.0
    by_rate_s = (900.0 - 8.0 - 60.0) / 0.4 + 30.0
    by_an_open_door_s = 900.0 * math.log(0.35 * (1200.0 - 293.15) / (300.0 - 293.15))
    assert believed == pytest.approx(max(by_rate_s, by_an_open_door_s), abs=80.0)


def test_a_first_reading_that_was_wrong_is_outvoted():
    qualities, _ = follow([1500.0, *[300.0 + 0.3 * (-1) ** at for at in range(40)]])
    assert qualities[0] is Quality.GOOD
    assert qualities[1:20] == [Quality.SPIKE] * 19
    assert qualities[-10:] == [Quality.GOOD] * 10


def test_after_a_long_gap_a_cold_oven_is_believed_at_once():
    _, state = follow(STEADY)
    judgement = judge(no_reading(state), Observation(40 * 4.0 + 3 * 3600.0, 400.0))
    assert judgement.quality is Quality.GOOD


def test_zero_in_a_cold_shop_is_a_temperature_and_zero_in_a_hot_oven_is_none():
    state = follow([273.35, 273.25, 273.25, 273.35])[1]
    assert judge(state, Observation(20.0, 273.15, is_zero=True)).quality is Quality.GOOD
    state = follow(STEADY)[1]
    assert judge(state, Observation(200.0, 273.15, is_zero=True)).quality is Quality.SENSOR_OPEN
    assert judge(QualityState(), Observation(0.0, 273.15, is_zero=True)).quality is Quality.SENSOR_OPEN


def test_a_run_of_dead_zeros_does_not_excuse_a_frozen_value_later():
    faults = "exact-zero@5400-6300; frozen@7200-9600"
    seen, _ = watched("temper", hours=2.7, poll_s=30.0, faults=faults)
    frozen = [time_s for time_s, _, _, quality in seen if quality is Quality.FROZEN]
    assert frozen
    assert 7200.0 < frozen[0] < 8400.0


def test_a_steady_display_of_whole_degrees_is_not_frozen_unless_the_output_cycles():
    steady = [1200.0] * 2000
    assert set(follow(steady, output=0.4)[0]) == {Quality.GOOD}
    state, qualities = QualityState(), []
    for at, temperature_K in enumerate(steady):
        judgement = judge(state, Observation(at * 4.0, temperature_K, 0.2 + 0.4 * (at % 60 > 30)))
        state = judgement.state
        qualities.append(judgement.quality)
    assert qualities[149] is Quality.GOOD  # 600 s
    assert qualities[160] is Quality.FROZEN


@given(st.floats(200.0, 1700.0), st.floats(1.0, 60.0))
def test_a_single_reading_is_believed_exactly_if_an_oven_can_do_it(temperature_K, poll_s):
    qualities, _ = follow([*STEADY, temperature_K, STEADY[0]], poll_s=poll_s)
    possible = abs(temperature_K - STEADY[-1]) <= believable_change_K(1.0, poll_s)
    assert qualities[40] is (Quality.GOOD if possible else Quality.SPIKE)
    if not possible:
        assert qualities[41] is Quality.GOOD
