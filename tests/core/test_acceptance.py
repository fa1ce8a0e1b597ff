"""The audit's questions on made-up soaks whose answers are known: time, tolerance, uniformity, alarms, calibrations."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.acceptance import Answer, Requirement, Verdict, judge
from logger.alert import AlertEvent, Phase
from logger.alert_rules import AlertKind, Severity
from logger.history import History
from logger.thermocouple import Correction, Thermocouple
from logger.units import DisplayUnits, FloatArray, kelvin_from_celsius

STARTED_UTC_S = 20_525 * 86400.0 + 8 * 3600.0  # 13 March 2026, 08:00 UTC
ASKED = Requirement(kelvin_from_celsius(925.0), 10.0, 5400.0, uniformity_K=8.0)
CALIBRATED = Thermocouple(calibrated_on="2026-01-15")
TIME_S = np.arange(0.0, 4 * 3600.0, 10.0)


def heat(from_s: float = 3600.0, to_s: float = 9600.0, at_C: float = 925.0) -> FloatArray:
    """At heat from one time to another, 600 C else [C]."""
    return np.where((from_s <= TIME_S) & (to_s >= TIME_S), at_C, 600.0)


def judged(
    *channels_C: FloatArray, asked: Requirement = ASKED, couple: Thermocouple = CALIBRATED, **more: object
) -> Verdict:
    names = [f"tc{number}" for number in range(1, len(channels_C) + 1)]
    histories = {
        name: History(name, TIME_S, kelvin_from_celsius(one), 10.0) for name, one in zip(names, channels_C, strict=True)
    }
    about = {"started_utc_s": STARTED_UTC_S, **more}
    return judge(asked, histories, dict.fromkeys(names, couple), **about)  # type: ignore[arg-type]


def answer(verdict: Verdict, asked: str) -> Answer:
    (found,) = {question.answer for question in verdict.questions if asked in question.asked}
    return found


def test_a_soak_as_asked_is_accepted_with_a_reason_for_each_question() -> None:
    verdict = judged(heat(), heat(at_C=921.0))
    assert verdict.accepted
    assert verdict.words == "accepted"
    assert (verdict.soak_from_s, verdict.soak_to_s) == (3600.0, 9600.0)
    reasons = {question.asked: question.reason.said(DisplayUnits("F")) for question in verdict.questions}
    assert "1 h 40 min from 1679 F to 1715 F, 1 h 30 min asked" in reasons.values()
    assert "most apart 7 F, 14 F allowed" in reasons.values()
    assert "2026-01-15, 57 days before the run, 365 allowed" in reasons.values()


def test_the_coldest_thermocouple_decides_when_the_soak_begins() -> None:
    verdict = judged(heat(3600.0), heat(4800.0))
    assert verdict.soak_from_s == 4800.0
    assert answer(verdict, "in tolerance for the time") is Answer.NO


@pytest.mark.parametrize("length_s", [5399.0, 5400.0, 5401.0])
def test_the_time_asked_is_reached_to_the_reading(length_s: float) -> None:
    last_s = 3600.0 + 10.0 * np.floor(length_s / 10.0)
    verdict = judged(heat(3600.0, last_s), heat(3600.0, last_s))
    assert answer(verdict, "in tolerance") is (Answer.YES if last_s - 3600.0 >= 5400.0 else Answer.NO)


def test_two_short_soaks_do_not_add_up() -> None:
    twice = heat(3600.0, 7000.0)
    twice[(TIME_S > 8000.0) & (TIME_S < 12000.0)] = 925.0
    assert answer(judged(twice, twice), "in tolerance") is Answer.NO


def test_a_missing_reading_breaks_no_soak_and_a_gap_does() -> None:
    one, hole = heat(), heat()
    one[600] = np.nan
    hole[600:620] = np.nan
    assert judged(one, heat()).accepted
    verdict = judged(hole, heat())
    assert answer(verdict, "in tolerance") is Answer.NO
    assert verdict.soak_to_s is not None
    assert verdict.soak_from_s is not None
    assert verdict.soak_to_s - verdict.soak_from_s < 5400.0


def test_one_reading_above_the_tolerance_is_enough() -> None:
    over = heat()
    over[500] = 936.0
    verdict = judged(over, heat())
    assert answer(verdict, "went above") is Answer.NO
    assert answer(judged(heat(), heat()), "went above") is Answer.YES


def test_corrections_count() -> None:
    low = replace(CALIBRATED, correction=Correction((kelvin_from_celsius(925.0),), (-12.0,)))
    assert answer(judged(heat(), couple=low), "in tolerance") is Answer.NO
    assert answer(judged(heat(at_C=937.0), couple=low), "in tolerance") is Answer.YES


def test_uniformity_takes_two_and_is_judged_only_during_the_soak() -> None:
    assert answer(judged(heat()), "agreed") is Answer.NOT_SHOWN
    assert judged(heat()).words == "not accepted: not everything could be shown"
    assert answer(judged(heat(at_C=916.5), heat(at_C=925.0)), "agreed") is Answer.NO
    apart = heat()
    apart[:100] = 300.0
    assert answer(judged(apart, heat()), "agreed") is Answer.YES
    assert judged(heat(), asked=replace(ASKED, uniformity_K=None)).accepted


def test_every_alarm_must_be_acknowledged_and_it_is_said_by_whom() -> None:
    raised = AlertEvent(
        AlertKind.SENSOR_FAULT, "tc1", 1, Phase.RAISED, 100.0, Severity.WARNING, "Sensor fault", "m", ""
    )
    seen = replace(raised, phase=Phase.ACKNOWLEDGED, time_s=160.0, message="m Acknowledged by Ada.")
    news = replace(raised, kind=AlertKind.SOAK_STARTED, severity=Severity.NEWS)
    assert answer(judged(heat(), heat(), alert_events=(raised, news)), "alarm") is Answer.NO
    verdict = judged(heat(), heat(), alert_events=(raised, seen, news))
    assert verdict.accepted
    assert any("Sensor fault by Ada" in str(question.reason) for question in verdict.questions)
    again = replace(raised, episode=2)
    assert answer(judged(heat(), heat(), alert_events=(raised, seen, again)), "alarm") is Answer.NO


@pytest.mark.parametrize(
    ("day", "expected"),
    [
        ("", Answer.NOT_SHOWN),
        ("2025-03-13", Answer.YES),  # 365 days before the run
        ("2025-03-12", Answer.NO),
        ("2026-03-13", Answer.YES),
        ("2026-03-14", Answer.NO),  # after the run: says nothing of it
    ],
)
def test_a_calibration_is_in_force_for_the_days_asked(day: str, expected: Answer) -> None:
    assert answer(judged(heat(), couple=Thermocouple(calibrated_on=day)), "calibration") is expected


def test_a_run_that_still_goes_on_is_not_accepted() -> None:
    assert answer(judged(heat(), heat(), finished=False), "over and closed") is Answer.NO


def test_steel_that_lags_behind_the_thermocouples_needs_its_own_time() -> None:
    for soak_s, low_s, expected in ((6000.0, 5500.0, Answer.YES), (6000.0, 5000.0, Answer.NOT_SHOWN)):
        verdict = judged(heat(), heat(), steel_soak_s=soak_s, steel_soak_low_s=low_s)
        assert answer(verdict, "steel inside") is expected
    assert answer(judged(heat(), heat(), steel_soak_s=3000.0, steel_soak_low_s=2000.0), "steel inside") is Answer.NO


@given(
    st.lists(st.floats(800.0, 1000.0), min_size=TIME_S.size // 20, max_size=TIME_S.size // 20),
    st.floats(0.0, 20.0),
)
def test_a_wider_tolerance_never_shortens_a_soak(levels: list[float], wider: float) -> None:
    steps = np.repeat(levels, 20)
    one = np.full(TIME_S.size, levels[-1])
    one[: steps.size] = steps

    def length(half_K: float) -> float:
        verdict = judged(one, asked=replace(ASKED, half_band_K=half_K))
        return -1.0 if verdict.soak_from_s is None else (verdict.soak_to_s or 0.0) - verdict.soak_from_s

    assert length(10.0 + wider) >= length(10.0)


def test_nothing_read_is_nothing_shown() -> None:
    verdict = judged(np.full(TIME_S.size, np.nan))
    assert not verdict.accepted
    assert verdict.soak_from_s is None
    absent = judged(heat(), asked=replace(ASKED, channels=("tc1", "tc9")))
    assert answer(absent, "in tolerance") is Answer.NOT_SHOWN
