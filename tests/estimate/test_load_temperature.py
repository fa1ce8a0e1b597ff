"""Steel temperature: passing through, modelled, bracketed in gaps; the same live and on review."""

import pickle

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.errors import InputFault
from logger.estimate import canister, load_temperature, soak, stages
from logger.estimate.load_temperature import LoadProblem, LoadResult, LoadState, SteelSamples
from logger.history import History
from logger.sheet import RunSheet
from logger.sheet_parts import PACK_KINDS, Canister, CanisterLag, SoakRule
from logger.steel.heat import PACK_BEDS
from logger.thermocouple import Correction, Thermocouple
from logger.units import FloatArray, kelvin_from_celsius
from tests.estimate.oven_traces import STRAP, cut, ramp_hold_cool, sheet_in_oven, sheet_inside


def run(problem: LoadProblem, pieces: list[History]) -> tuple[LoadState, SteelSamples, LoadResult]:
    """State, all settled samples and the result after histories given one after the other."""
    state, got = load_temperature.begin(problem), []
    for piece in pieces:
        state, samples = load_temperature.advance(problem, state, piece)
        got.append(samples)
    all_of_them = SteelSamples(
        np.concatenate([s.time_s for s in got]),
        np.concatenate([s.temperature_K for s in got], axis=1),
        np.concatenate([s.driving_K for s in got], axis=1),
    )
    return state, all_of_them, load_temperature.at_end(problem, state)


def with_hole(t: FloatArray, x: FloatArray, from_s: float, to_s: float) -> History:
    """The trace with no reading between two times."""
    keep = (t < from_s) | (t > to_s)
    return History("oven", t[keep], x[keep], 10.0)


@st.composite
def rough_histories(draw: st.DrawFn) -> History:
    """A heat with holes, blanks and spikes anywhere, in uneven sampling."""
    seed = draw(st.integers(0, 10_000))
    rng = np.random.default_rng(seed)
    t, x = ramp_hold_cool(
        hold_h=0.6, rate_K_per_min=25.0, cool_h=0.3, interval_s=draw(st.sampled_from([5.0, 20.0, 60.0]))
    )
    t = t + rng.uniform(0.0, 0.3, t.size)
    x = x.copy()
    x[rng.random(t.size) < draw(st.sampled_from([0.0, 0.05, 0.3]))] = np.nan
    spikes = rng.random(t.size) < draw(st.sampled_from([0.0, 0.02, 0.1]))
    x[spikes] += rng.choice([-400.0, 150.0, 900.0, -1500.0], int(spikes.sum()))
    keep = np.ones(t.size, dtype=bool)
    for _ in range(draw(st.integers(0, 3))):
        start = rng.uniform(0.0, t[-1])
        keep &= ~((t > start) & (t < start + rng.uniform(30.0, 2400.0)))
    keep[0] = True
    return History("oven", t[keep], x[keep], float(np.median(np.diff(t))))


@settings(max_examples=60, deadline=None)
@given(rough_histories(), st.lists(st.integers(0, 5000), max_size=12), st.booleans())
def test_any_cut_of_the_history_gives_the_same_bits(history: History, cuts: list[int], inside: bool) -> None:
    problem = load_temperature.scenarios_from_sheet(sheet_inside() if inside else sheet_in_oven())
    state_1, samples_1, end_1 = run(problem, [history])
    state_2, samples_2, end_2 = run(problem, cut(history, cuts))
    assert samples_1.time_s.tobytes() == samples_2.time_s.tobytes()
    assert samples_1.temperature_K.tobytes() == samples_2.temperature_K.tobytes()
    assert samples_1.driving_K.tobytes() == samples_2.driving_K.tobytes()
    assert pickle.dumps(state_1) == pickle.dumps(state_2)
    assert end_1.tail.temperature_K.tobytes() == end_2.tail.temperature_K.tobytes()
    assert (end_1.gaps, end_1.spikes) == (end_2.gaps, end_2.spikes)


@settings(max_examples=20, deadline=None)
@given(rough_histories())
def test_reading_by_reading_the_samples_increase_and_have_no_holes(history: History) -> None:
    problem = load_temperature.scenarios_from_sheet(sheet_in_oven())
    _, samples, end = run(problem, [history.piece(i, i + 1) for i in range(len(history))])
    time_s = np.concatenate([samples.time_s, end.tail.time_s])
    temperature_K = np.concatenate([samples.temperature_K, end.tail.temperature_K], axis=1)
    assert np.all(np.diff(time_s) > 0.0)
    assert np.all(np.isfinite(temperature_K))
    low, high = kelvin_from_celsius(-50.0), kelvin_from_celsius(1400.0)
    assert temperature_K.min() > low
    assert temperature_K.max() < high


@settings(max_examples=20, deadline=None)
@given(rough_histories(), st.lists(st.integers(0, 5000), max_size=5), st.booleans())
def test_soak_and_stages_do_not_depend_on_the_cut_either(history: History, cuts: list[int], inside: bool) -> None:
    sheet = sheet_inside() if inside else sheet_in_oven()
    problem = load_temperature.scenarios_from_sheet(sheet)
    soak_problem, stage_problem = soak.problem_from_sheet(sheet), stages.problem_from_sheet(sheet)
    results = []
    for pieces in ([history], cut(history, cuts)):
        state, seen, staged = load_temperature.begin(problem), soak.begin(soak_problem), stages.begin(stage_problem)
        for piece in pieces:
            state, samples = load_temperature.advance(problem, state, piece)
            seen = soak.advance(soak_problem, seen, samples.time_s, samples.temperature_K, samples.driving_K)
            staged = stages.advance(stage_problem, staged, samples.time_s, samples.temperature_K)
        results.append((seen, staged, soak.at_end(soak_problem, seen), stages.at_end(stage_problem, staged)))
    (seen_1, staged_1, soaks_1, stages_1), (seen_2, staged_2, soaks_2, stages_2) = results
    trace_1, trace_2 = seen_1.trace.mean_K, seen_2.trace.mean_K
    assert [block.tobytes() for block in trace_1] == [block.tobytes() for block in trace_2]
    assert staged_1.above_s.tobytes() == staged_2.above_s.tobytes()
    assert soaks_1.soaks == soaks_2.soaks
    assert repr(stages_1.stages) == repr(stages_2.stages)


def test_inside_the_canister_the_trace_is_the_steel() -> None:
    t, x = ramp_hold_cool()
    problem = load_temperature.problem_from_sheet(sheet_inside())
    _, samples, end = run(problem, [History("load", t, x, 10.0)])
    assert np.array_equal(samples.time_s, t)
    assert np.array_equal(samples.temperature_K[0], x)
    assert not end.is_modelled
    assert len(end.tail) == 0


def test_a_correction_table_is_added_on_the_way_and_the_history_keeps_its_raw_values() -> None:
    t, x = ramp_hold_cool()
    history = History("load", t, x, 10.0)
    raw = history.temperature_K.copy()
    couple = Thermocouple(correction=Correction((300.0, 1223.15), (0.0, 7.0)))
    problem = load_temperature.problem_from_sheet(sheet_inside(), thermocouple=couple)
    _, samples, _ = run(problem, [history])
    held = (t > 6000.0) & (t < 12000.0)
    assert samples.temperature_K[0, held] - x[held] == pytest.approx(7.0, abs=0.02)
    assert np.array_equal(history.temperature_K, raw)


def test_a_single_jump_that_comes_back_is_marked_and_left_out() -> None:
    t, x = ramp_hold_cool(noise_K=0.0)
    x[500] += 180.0
    problem = load_temperature.problem_from_sheet(sheet_inside())
    _, samples, end = run(problem, [History("load", t, x, 10.0)])
    assert [(spike.time_s, spike.temperature_K) for spike in end.spikes] == [(t[500], x[500])]
    assert t[500] not in samples.time_s


def test_a_fast_ramp_and_a_lasting_step_are_not_spikes() -> None:
    t = np.arange(0.0, 300.0)
    thrust_in = np.where(t < 50, 300.0, np.minimum(300.0 + (t - 50) * 40.0, 1200.0))
    pulled_out = np.where(t < 200, thrust_in, 700.0)
    problem = load_temperature.problem_from_sheet(sheet_inside())
    _, samples, end = run(problem, [History("load", t, pulled_out, 1.0)])
    assert end.spikes == ()
    assert np.array_equal(samples.temperature_K[0], pulled_out)


def test_a_hole_of_a_few_readings_is_bridged_and_marked_and_changes_no_scenario() -> None:
    t, x = ramp_hold_cool()
    problem = load_temperature.scenarios_from_sheet(sheet_inside())
    _, samples, end = run(problem, [with_hole(t, x, 8000.0, 8030.0)])
    assert [(mark.bridged, mark.start_s, mark.end_s) for mark in end.gaps] == [(True, 7990.0, 8040.0)]
    assert np.ptp(samples.temperature_K, axis=0).max() == 0.0


@pytest.mark.parametrize("sheet", [sheet_inside(), sheet_in_oven()], ids=["inside", "oven"])
def test_a_forty_minute_hole_in_the_soak_is_marked_and_bracketed(sheet: RunSheet) -> None:
    t, x = ramp_hold_cool(hold_h=4.0)
    problem = load_temperature.scenarios_from_sheet(sheet)
    whole = run(problem, [History("oven", t, x, 10.0)])[1]
    _, samples, end = run(problem, [with_hole(t, x, 10000.0, 12400.0)])
    (mark,) = end.gaps
    assert not mark.bridged
    assert (mark.start_s, mark.end_s) == (9990.0, 12410.0)
    assert mark.low_K < kelvin_from_celsius(950.0) - 100.0
    nominal, low, high = samples.temperature_K
    assert np.all(low <= nominal + 1e-9)
    assert np.all(high >= nominal - 1e-9)
    at_s = 12000.0
    known = float(np.interp(at_s, whole.time_s, whole.temperature_K[0]))
    assert float(np.interp(at_s, samples.time_s, nominal)) == pytest.approx(known, abs=1.5)
    assert float(np.interp(at_s, samples.time_s, low)) < known - 20.0


@pytest.mark.parametrize("sheet", [sheet_inside(), sheet_in_oven()], ids=["inside", "oven"])
def test_a_hole_comes_out_the_same_reading_by_reading_and_on_review(sheet: RunSheet) -> None:
    t, x = ramp_hold_cool(hold_h=2.0)
    history = with_hole(t, x, 7000.0, 9400.0)
    problem = load_temperature.scenarios_from_sheet(sheet)
    _, live, live_end = run(problem, [history.piece(i, i + 1) for i in range(len(history))])
    _, review, review_end = run(problem, [history])
    assert live.temperature_K.tobytes() == review.temperature_K.tobytes()
    assert live.time_s.tobytes() == review.time_s.tobytes()
    assert live_end.gaps == review_end.gaps
    assert live_end.steel_K.tobytes() == review_end.steel_K.tobytes()


def test_a_gap_with_no_reading_since_is_marked_open_and_widens_the_tail() -> None:
    t, x = ramp_hold_cool()
    blank = np.where(t > 8000.0, np.nan, x)
    problem = load_temperature.scenarios_from_sheet(sheet_inside())
    _, samples, end = run(problem, [History("oven", t, blank, 10.0)])
    (mark,) = end.gaps
    assert mark.is_open
    assert (mark.start_s, mark.end_s) == (8000.0, t[-1])
    assert samples.time_s[-1] == 8000.0
    nominal, low, high = end.tail.temperature_K[:, -1]
    assert low < nominal - 50.0
    assert high >= nominal


def test_blanks_before_the_first_good_reading_are_a_gap_and_no_temperature() -> None:
    t, x = ramp_hold_cool()
    blank = np.where(t < 600.0, np.nan, x)
    problem = load_temperature.problem_from_sheet(sheet_inside())
    _, samples, end = run(problem, [History("oven", t, blank, 10.0)])
    assert samples.time_s[0] == 600.0
    assert [(mark.start_s, mark.end_s, mark.bridged) for mark in end.gaps] == [(0.0, 600.0, False)]
    nothing_yet = run(problem, [History("oven", t[:50], blank[:50], 10.0)])[2]
    assert np.isnan(nothing_yet.steel_K).all()
    assert nothing_yet.gaps[0].is_open


@pytest.mark.parametrize("outer_m", [0.03, 0.08])
def test_the_chosen_steps_are_as_good_as_steps_of_seconds(outer_m: float, monkeypatch: pytest.MonkeyPatch) -> None:
    t, x = ramp_hold_cool(interval_s=5.0)
    history, sheet = History("oven", t, x, 5.0), sheet_in_oven(outer_m)
    problem, rule = load_temperature.problem_from_sheet(sheet), soak.SoakProblem(SoakRule(kelvin_from_celsius(950.0)))

    def lived() -> tuple[SteelSamples, float]:
        samples = run(problem, [history])[1]
        seen = soak.advance(rule, soak.begin(rule), samples.time_s, samples.temperature_K, samples.driving_K)
        return samples, float(soak.at_end(rule, seen).in_band_s[0])

    usual, usual_s = lived()
    for name, value in (
        ("STEP_CHANGE_K", 0.5),
        ("LONGEST_STEP_S", 5.0),
        ("SHORTEST_STEP_S", 1.0),
        ("FIRST_STEP_S", 1.0),
    ):
        monkeypatch.setattr(load_temperature, name, value)
    monkeypatch.setattr(canister, "NEAR_ENOUGH_K", 0.01)
    fine, fine_s = lived()
    assert len(fine) > 8 * len(usual)
    at_s = np.arange(60.0, usual.time_s[-1] - 60.0, 60.0)
    steel, exact = (np.interp(at_s, s.time_s, s.temperature_K[0]) for s in (usual, fine))
    assert np.abs(steel - exact).max() < 0.5
    assert abs(usual_s - fine_s) < 10.0


def test_readings_not_later_than_the_last_are_counted_and_left_out() -> None:
    t, x = ramp_hold_cool()
    problem = load_temperature.problem_from_sheet(sheet_inside())
    pieces = [History("oven", t[:100], x[:100], 10.0), History("oven", t[90:200], x[90:200], 10.0)]
    _, samples, end = run(problem, pieces)
    assert end.late_readings == 10
    assert np.array_equal(samples.time_s, t[:200])


def test_a_hot_oven_at_the_first_reading_is_taken_to_hold_a_cold_canister() -> None:
    t = np.arange(0.0, 600.0, 10.0)
    problem = load_temperature.problem_from_sheet(sheet_in_oven())
    _, samples, end = run(problem, [History("oven", t, np.full(t.size, 1200.0), 10.0)])
    assert samples.temperature_K[0, 0] == pytest.approx(293.15)
    assert end.assumed_cold_start


@pytest.mark.parametrize(
    ("box", "message"),
    [
        (
            Canister("oven"),
            "canister.outer: found nothing, expected the canister's outer size: the sensor is in the oven, so the"
            " heat's way in must be worked out",
        ),
        (
            Canister("oven", outer_m=0.010, wall_m=0.003),
            "canister.outer: found 10 mm, 4 mm inside, expected room for a piece of 6 mm",
        ),
        (Canister("oven", outer_m=0.06, wall_m=0.0), "canister.wall: found 0 mm, expected 0.1 to 100 mm"),
        (
            Canister("oven", outer_m=0.06, pack_kind="sand"),
            'canister.pack_kind: found "sand", expected "charcoal", "charcoal and carbonate", "bone charcoal",'
            ' "activated carbon", "coke" or "graphite"',
        ),
        (
            Canister("oven", outer_m=0.06, length_m=0.2, steel_mass_kg=5.0),
            "canister.steel_kg: found 5 kg, expected at most 3.1 kg",
        ),
        (Canister("oven", outer_m=0.06, length_m=0.0), "canister.length: found 0 mm, expected 10 to 5000 mm"),
        (
            Canister("oven", outer_m=0.06, lag=CanisterLag(steel=0.0)),
            "canister.lag.steel: found 0, expected 0.05 to 20",
        ),
    ],
)
def test_a_canister_that_cannot_be_is_named(box: Canister, message: str) -> None:
    with pytest.raises(InputFault) as fault:
        load_temperature.problem_from_sheet(RunSheet(STRAP, canister=box))
    assert str(fault.value) == message


def test_every_mistake_about_a_canister_is_told_at_once() -> None:
    box = Canister("oven", outer_m=0.05, fill=3.0, pack_kind="sand", length_m=0.0)
    with pytest.raises(InputFault) as fault:
        load_temperature.problem_from_sheet(RunSheet(STRAP, canister=box))
    assert len(fault.value.faults) == 3


def test_every_pack_a_sheet_may_name_has_its_heat_data() -> None:
    assert set(PACK_KINDS) == set(PACK_BEDS)
