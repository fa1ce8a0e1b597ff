"""Tempering of a history: additivity against worked examples, chunking, ensembles, what wipes it out."""

import csv
import itertools
import pickle
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.errors import InputFault, OutOfRange
from logger.estimate import tempering
from logger.estimate.temper_ahead import temperature_to_target_K, time_to_target_s
from logger.estimate.tempering import (
    TemperingProblem,
    TemperingResult,
    advance,
    at_end,
    begin,
    problem_from_sheet,
)
from logger.sheet import RunSheet
from logger.sheet_parts import Piece, Shape, Stage, StageKind
from logger.units import FloatArray, kelvin_from_celsius, kelvin_from_fahrenheit

PUBLISHED = Path(__file__).parents[1] / "published"


def published(name: str) -> list[dict[str, str]]:
    with (PUBLISHED / name).open(encoding="utf-8") as lines:
        return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def tempered(problem: TemperingProblem, time_s: FloatArray, temperature_K: FloatArray) -> TemperingResult:
    return at_end(problem, advance(problem, begin(problem), time_s, temperature_K))


def corners(history: str) -> tuple[FloatArray, FloatArray]:
    pairs = np.array([[float(number) for number in corner.split()] for corner in history.split(";")])
    return pairs[:, 0], kelvin_from_celsius(pairs[:, 1])


def hardness(result: TemperingResult) -> float:
    assert result.hardness_HRC is not None
    return float(result.hardness_HRC)


@pytest.mark.parametrize(
    "row",
    published("tempering_additivity.csv"),
    ids=lambda row: f"{row['check']}, {row['quantity']}, c {row['constant']}",
)
def test_worked_examples_of_additivity(row: dict[str, str]) -> None:
    reference_K = kelvin_from_celsius(float(row["reference_C"]))
    problem = TemperingProblem(float(row["constant"]), reference_temperature_K=reference_K)
    result = tempered(problem, *corners(row["history"]))
    value = result.parameter_K if row["quantity"] == "parameter" else result.equivalent_time_s / 3600.0
    assert value == pytest.approx(float(row["expected"]), abs=float(row["tolerance"]))


@pytest.mark.parametrize(("swing_F", "acts_like_F"), [(15.0, 403.0), (30.0, 410.0), (50.0, 424.0)])
def test_a_swinging_oven_acts_hotter_than_its_mean(swing_F: float, acts_like_F: float) -> None:
    # 400 F mean, sine swing, 2 h, c = 20: computed by independent integration, rounded to 1 F.
    time_s = np.arange(0.0, 7201.0, 5.0)
    temperature_F = 400.0 + swing_F * np.sin(2.0 * np.pi * time_s / 1200.0)
    result = tempered(TemperingProblem(20.0), time_s, kelvin_from_fahrenheit(temperature_F))
    even_K = result.parameter_K / (20.0 + np.log10(2.0))
    assert even_K == pytest.approx(kelvin_from_fahrenheit(acts_like_F), abs=0.5 / 1.8)


def test_the_sum_converges_with_the_second_power_of_the_step(monkeypatch: pytest.MonkeyPatch) -> None:
    time_s = np.array([0.0, 6480.0, 10080.0, 11880.0])
    temperature_K = kelvin_from_celsius(np.array([20.0, 200.0, 220.0, 40.0]))
    hours = []
    for step_K in (4.0, 2.0, 1.0, 0.01):
        monkeypatch.setattr(tempering, "LARGEST_STEP_K", step_K)
        hours.append(tempered(TemperingProblem(16.0), time_s, temperature_K).equivalent_time_s / 3600.0)
    errors = np.abs(np.array(hours[:3]) - hours[3])
    assert errors[:2] / errors[1:] == pytest.approx([4.0, 4.0], rel=0.05)
    assert errors[2] / 4.0 < 2e-4 * hours[3]  # the default step is half the smallest tried


@given(
    st.lists(st.tuples(st.floats(0.1, 900.0), st.floats(-20.0, 950.0)), min_size=2, max_size=30),
    st.lists(st.integers(1, 29), max_size=5),
    st.sampled_from([None, 0.8]),
)
@settings(max_examples=60, deadline=None)
def test_any_chunking_of_a_history_gives_the_same_bits(
    steps: list[tuple[float, float]], cuts: list[int], carbon: float | None
) -> None:
    time_s = np.cumsum([step for step, _ in steps])
    temperature_K = kelvin_from_celsius(np.array([value for _, value in steps]))
    for constant in (17.0, np.array([15.0, 17.0, 20.0])):
        problem = TemperingProblem(constant, carbon_wt_pct=carbon, from_s=50.0, to_s=4000.0)
        state = begin(problem)
        edges = sorted({0, time_s.size, *(cut for cut in cuts if cut < time_s.size)})
        for first, last in itertools.pairwise(edges):
            state = advance(problem, state, time_s[first:last], temperature_K[first:last])
            state = pickle.loads(pickle.dumps(state))
        whole = advance(problem, begin(problem), time_s, temperature_K)
        for name in ("temperature_K", "parameter_K", "fit_parameter_K", "peak_K", "hardened"):
            assert np.array_equal(getattr(state, name), getattr(whole, name)), name


def test_members_with_their_own_temperatures_match_single_runs() -> None:
    time_s = np.array([0.0, 1800.0, 9000.0, 9600.0])
    temperature_K = kelvin_from_celsius(np.array([[20.0, 200.0, 202.0, 30.0], [20.0, 210.0, 190.0, 30.0]]))
    constants = np.array([16.0, 18.0])
    together = tempered(TemperingProblem(constants, carbon_wt_pct=0.8), time_s, temperature_K)
    for member in (0, 1):
        alone = tempered(TemperingProblem(float(constants[member]), carbon_wt_pct=0.8), time_s, temperature_K[member])
        assert np.asarray(together.parameter_K)[member] == pytest.approx(alone.parameter_K, rel=1e-5)
        assert np.asarray(together.hardness_HRC)[member] == pytest.approx(alone.hardness_HRC, abs=1e-3)


def test_tempering_is_wiped_out_by_austenite_and_begins_anew_in_the_cold_piece() -> None:
    problem = TemperingProblem(17.0)
    first = np.array([0.0, 600.0, 4200.0, 4800.0]), kelvin_from_celsius(np.array([20.0, 300.0, 300.0, 20.0]))
    harden = np.array([5400.0, 6000.0, 6010.0]), kelvin_from_celsius(np.array([820.0, 820.0, 60.0]))
    again = np.array([7000.0, 10600.0]), kelvin_from_celsius(np.array([200.0, 200.0]))
    state = advance(problem, begin(problem), *first)
    assert at_end(problem, state).begun
    state = advance(problem, state, *harden)
    assert not at_end(problem, state).begun
    state = advance(problem, state, *again)
    ramp_and_hold = np.array([6010.0, 7000.0, 10600.0]), kelvin_from_celsius(np.array([60.0, 200.0, 200.0]))
    expected_K = tempered(problem, *ramp_and_hold).parameter_K
    assert at_end(problem, state).parameter_K == pytest.approx(expected_K, rel=1e-12)


def test_members_may_reach_austenite_at_different_times() -> None:
    problem = TemperingProblem(17.0)
    time_s = np.array([0.0, 600.0, 1200.0, 1300.0, 1900.0, 5500.0])
    both = kelvin_from_celsius(
        np.array([[20.0, 690.0, 690.0, 60.0, 200.0, 200.0], [20.0, 690.0, 760.0, 60.0, 200.0, 200.0]])
    )
    together = tempered(problem, time_s, both)
    for member in (0, 1):
        alone = tempered(problem, time_s, both[member])
        assert np.asarray(together.parameter_K)[member] == pytest.approx(alone.parameter_K, rel=1e-5)


def test_only_the_stated_times_count() -> None:
    time_s, temperature_K = np.array([0.0, 10000.0]), kelvin_from_celsius(np.array([200.0, 200.0]))
    problem = TemperingProblem(17.0, from_s=2500.0, to_s=6100.0, reference_temperature_K=473.15)
    assert tempered(problem, time_s, temperature_K).equivalent_time_s == pytest.approx(3600.0)


def test_nothing_softens_up_to_100_C() -> None:
    # Hollomon and Jaffe 1945: a day at 100 C left 60.5 to 67.5 HRC of 63.0 to 67.0 as quenched.
    problem = TemperingProblem(17.0, carbon_wt_pct=0.8, quenched_hardness_HRC=65.5)
    result = tempered(problem, np.array([0.0, 86400.0]), kelvin_from_celsius(np.array([100.0, 100.0])))
    assert result.hardness_HRC == 65.5
    assert any("nothing softens up to 100 C" in note for note in result.notes)


@pytest.mark.parametrize("quenched_HRC", [None, 66.0])
def test_the_hardness_has_no_step_anywhere_between_100_and_160_C(quenched_HRC: float | None) -> None:
    problem = TemperingProblem(17.0, carbon_wt_pct=0.85, quenched_hardness_HRC=quenched_HRC)
    time_s = np.array([0.0, 4 * 3600.0])
    found = np.array(
        [
            hardness(tempered(problem, time_s, kelvin_from_celsius(np.array([T, T]))))
            for T in np.arange(95.0, 165.0, 1.0)
        ]
    )
    steps = -np.diff(found)
    assert steps.min() >= 0.0
    assert steps.max() < 0.15  # a clamp at 150 C made a step of 1.5 to 2.5 HRC here


def test_a_hold_between_100_and_150_C_says_that_nothing_was_measured_there() -> None:
    problem = TemperingProblem(17.0, carbon_wt_pct=0.85)
    result = tempered(problem, np.array([0.0, 3600.0]), kelvin_from_celsius(np.array([125.0, 125.0])))
    assert any("between 100 and 150 C nothing was measured" in note for note in result.notes)


def test_a_blade_of_about_eutectoid_steel_just_over_65_comes_to_just_over_60_at_400_F() -> None:
    # Common practice, no source. "Just over 60" is read as 60 to 62 after one or two tempers of an hour.
    problem = TemperingProblem(17.0, carbon_wt_pct=0.77, quenched_hardness_HRC=65.5)
    one_hour = np.array([0.0, 900.0, 4500.0]), kelvin_from_fahrenheit(np.array([70.0, 400.0, 400.0]))
    state = advance(problem, begin(problem), *one_hour)
    after_one = hardness(at_end(problem, state))
    second_hour = np.array([6300.0, 7200.0, 10800.0]), kelvin_from_fahrenheit(np.array([70.0, 400.0, 400.0]))
    after_two = hardness(at_end(problem, advance(problem, state, *second_hour)))
    assert 60.0 < after_two < after_one < 62.0


def test_holding_for_the_remaining_time_reaches_the_target_hardness() -> None:
    problem = TemperingProblem(20.0, carbon_wt_pct=0.85)
    hold_K = kelvin_from_celsius(220.0)
    state = advance(problem, begin(problem), np.array([0.0, 600.0]), np.array([300.0, hold_K]))
    left_s = float(time_to_target_s(problem, state, hold_K, hardness_HRC=61.0))
    state = advance(problem, state, np.array([600.0 + left_s]), np.array([hold_K]))
    assert hardness(at_end(problem, state)) == pytest.approx(61.0, abs=1e-6)
    assert time_to_target_s(problem, state, hold_K, hardness_HRC=61.001) == 0.0


def test_holding_for_the_remaining_time_reaches_the_target_parameter() -> None:
    problem = TemperingProblem(20.0)
    left_s = float(time_to_target_s(problem, begin(problem), 500.0, parameter_K=10000.0))
    assert left_s == pytest.approx(3600.0)  # 500 K x 20 is the parameter of one hour
    state = advance(problem, begin(problem), np.array([0.0, left_s]), np.array([500.0, 500.0]))
    assert time_to_target_s(problem, state, 500.0, parameter_K=9999.0) == 0.0


def test_the_proposed_temperature_reaches_the_target_in_the_stated_time() -> None:
    problem = TemperingProblem(17.0, carbon_wt_pct=0.85)
    before = advance(problem, begin(problem), np.array([0.0, 3600.0]), kelvin_from_celsius(np.array([180.0, 180.0])))
    wanted_K = float(temperature_to_target_K(problem, before, 7200.0, hardness_HRC=60.0))
    after = advance(problem, before, np.array([3600.0001, 10800.0001]), np.array([wanted_K, wanted_K]))
    assert hardness(at_end(problem, after)) == pytest.approx(60.0, abs=1e-3)


def test_a_target_hardness_is_never_reached_at_100_C() -> None:
    problem = TemperingProblem(17.0, carbon_wt_pct=0.85)
    assert time_to_target_s(problem, begin(problem), kelvin_from_celsius(100.0), hardness_HRC=60.0) == np.inf


@pytest.mark.parametrize("hold_C", [120.0, 135.0, 149.0, 151.0, 200.0])
def test_time_and_temperature_to_a_hardness_agree_with_living_through_it(hold_C: float) -> None:
    problem = TemperingProblem(17.0, carbon_wt_pct=0.85)
    hold_K = kelvin_from_celsius(hold_C)
    before = advance(problem, begin(problem), np.array([0.0, 60.0]), np.array([300.0, hold_K]))
    wanted_HRC = hardness(at_end(problem, advance(problem, before, np.array([5000.0]), np.array([hold_K]))))
    left_s = float(time_to_target_s(problem, before, hold_K, hardness_HRC=wanted_HRC))
    assert left_s == pytest.approx(4940.0, rel=1e-3)
    found_K = float(temperature_to_target_K(problem, before, left_s, hardness_HRC=wanted_HRC))
    assert found_K == pytest.approx(hold_K, abs=0.2)


def test_a_hardness_off_the_scale_is_refused_as_a_target() -> None:
    problem = TemperingProblem(17.0, carbon_wt_pct=0.85)
    with pytest.raises(OutOfRange, match=r"hardness after tempering: found 15 HRC, expected 20"):
        time_to_target_s(problem, begin(problem), 500.0, hardness_HRC=15.0)


def test_a_hardness_target_without_carbon_is_refused() -> None:
    problem = TemperingProblem(17.0)
    with pytest.raises(InputFault) as refusal:
        time_to_target_s(problem, begin(problem), 500.0, hardness_HRC=60.0)
    assert str(refusal.value) == (
        "hardness target: found no carbon inside the data of the fit, "
        "expected carbon of 0.25 to 1.15 wt%, or a target in P"
    )


@pytest.mark.parametrize(
    ("targets", "found"), [({}, "nothing"), ({"hardness_HRC": 60.0, "parameter_K": 9e3}, "both a")]
)
def test_exactly_one_target_is_asked_for(targets: dict[str, float], found: str) -> None:
    problem = TemperingProblem(17.0, carbon_wt_pct=0.8)
    with pytest.raises(InputFault, match=f"target of the temper: found {found}"):
        time_to_target_s(problem, begin(problem), 500.0, **targets)


@pytest.mark.parametrize(
    ("more", "message"),
    [
        ({"quenched_hardness_HRC": 72.0}, "quenched hardness: found 72 HRC, expected 20 to 68 HRC (ASTM E140 Table 1)"),
        ({"constant": 60.0}, "tempering constant: found 60, expected 5 to 40 (time in hours; 20 is the general value)"),
    ],
)
def test_a_problem_that_cannot_be_is_refused(more: dict[str, float], message: str) -> None:
    with pytest.raises(OutOfRange) as refusal:
        TemperingProblem(**{"constant": 17.0, **more})
    assert str(refusal.value) == message


def test_hardness_off_the_scale_and_beyond_the_data_is_said() -> None:
    problem = TemperingProblem(17.0, carbon_wt_pct=0.5)
    soft = tempered(problem, np.array([0.0, 9000.0]), kelvin_from_celsius(np.array([650.0, 650.0])))
    assert soft.hardness_HRC is not None
    assert soft.notes == ("tempering: below 20 HRC, off the Rockwell C scale",)
    beyond = tempered(problem, np.array([0.0, 864000.0]), kelvin_from_celsius(np.array([720.0, 720.0])))
    assert beyond.hardness_HRC is None
    assert beyond.notes == ("tempering: longer or hotter than anything in the data; no hardness is given",)


def test_history_out_of_order_is_refused() -> None:
    problem = TemperingProblem(17.0)
    state = advance(problem, begin(problem), np.array([0.0, 10.0]), np.array([300.0, 300.0]))
    with pytest.raises(InputFault, match="times that do not increase"):
        advance(problem, state, np.array([10.0]), np.array([300.0]))


def sheet(carbon_wt_pct: float) -> RunSheet:
    return RunSheet(piece=Piece(Shape.PLATE, 0.005, carbon_wt_pct), stages=(Stage(StageKind.TEMPER),))


def test_a_sheet_outside_the_carbon_of_the_data_gives_a_parameter_with_a_note_and_no_hardness() -> None:
    problem = problem_from_sheet(sheet(0.10))
    assert problem is not None
    result = tempered(problem, np.array([0.0, 3600.0]), np.array([473.15, 473.15]))
    assert result.hardness_HRC is None
    assert result.parameter_K == pytest.approx(473.15 * result.constant)  # one hour: log10 t is 0
    assert result.notes == (
        "tempering: carbon 0.1 wt% is outside the 0.25 to 1.15 wt% of the data; no hardness is given, "
        "and the constant is that of the nearest end, 18.6",
    )


def test_a_stated_constant_is_used_for_the_parameter_but_not_for_the_hardness() -> None:
    own, stated = problem_from_sheet(sheet(0.8)), problem_from_sheet(replace(sheet(0.8), tempering_constant=20.0))
    assert own is not None
    assert stated is not None
    history = np.array([0.0, 3600.0]), np.array([480.0, 480.0])
    assert tempered(stated, *history).parameter_K == pytest.approx(480.0 * 20.0)
    assert tempered(own, *history).parameter_K != pytest.approx(480.0 * 20.0)
    assert hardness(tempered(stated, *history)) == pytest.approx(hardness(tempered(own, *history)))


def test_a_sheet_whose_stages_hold_no_temper_has_no_tempering_problem() -> None:
    assert problem_from_sheet(replace(sheet(0.8), stages=(Stage(StageKind.CARBURIZE),))) is None
