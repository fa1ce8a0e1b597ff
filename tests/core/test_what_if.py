"""What if: a supposed course of the oven is lived through by the same solvers, and the run itself stays as it is."""

import json
import pickle
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from logger.command import main
from logger.errors import InputFault
from logger.estimate import estimate
from logger.history import History
from logger.sheet import RunSheet
from logger.sheet_parts import Canister, Pack, Piece, Quantity, Shape, Target
from logger.target import statuses
from logger.units import kelvin_from_celsius
from logger.what_if import HOTTER, ONE_HOUR_MORE, STOP_NOW, USUAL_COURSES, Course, supposed, what_if, what_ifs

SHEET = RunSheet(
    piece=Piece(Shape.PLATE, 0.006, 0.10),
    pack=Pack(recipe="energised charcoal"),
    canister=Canister(sensor="inside"),
    targets=(Target(Quantity.CASE_DEPTH, 0.0008, 0.40),),
)
PROBLEM = estimate.problem_from_sheet(SHEET, members=16)


def heat(hours: float = 3.0, falls_C: float = 0.0) -> History:
    """An hour up, then the hold; it falls at last by so much, as this oven falls."""
    time_s = np.arange(0.0, hours * 3600.0 + 1.0, 30.0)
    at_s = [0.0, 3600.0, hours * 3600.0 - 900.0, hours * 3600.0]
    temperature_C = np.interp(time_s, at_s, [20.0, 940.0, 940.0, 940.0 - falls_C])
    return History("steel", time_s, kelvin_from_celsius(temperature_C), 30.0)


STATE = estimate.over_history(PROBLEM, heat())


def depth_m(course: Course) -> float:
    carbon = what_if(PROBLEM, STATE, course).estimate.carbon
    assert carbon is not None
    return carbon.case_depth_m(0.40)


def test_more_is_deeper_and_hotter_is_deeper_still() -> None:
    depths = [depth_m(course) for course in USUAL_COURSES]
    assert depths == sorted(set(depths))


@pytest.mark.parametrize("course", USUAL_COURSES)
def test_the_answer_is_what_living_through_it_gives(course: Course) -> None:
    answer = what_if(PROBLEM, STATE, course)
    lived = estimate.advance(PROBLEM, STATE, supposed(PROBLEM, STATE, course))
    result, bands = estimate.at_end(PROBLEM, lived), estimate.bands_at_end(PROBLEM, lived)
    assert answer.estimate.carbon is not None
    assert result.carbon is not None
    assert answer.bands is not None
    assert bands is not None
    assert answer.estimate.carbon.carbon_wt_pct.tolist() == result.carbon.carbon_wt_pct.tolist()
    assert answer.bands.carbon.case_depth_m[0.40] == pytest.approx(bands.carbon.case_depth_m[0.40], rel=0.01)
    assert answer.bands.carbon.mean_wt_pct == pytest.approx(bands.carbon.mean_wt_pct, rel=0.005)
    assert answer.bands.carbon.core_wt_pct == pytest.approx(bands.carbon.core_wt_pct, rel=0.005)
    assert answer.bands.carbon.surface_wt_pct == pytest.approx(bands.carbon.surface_wt_pct, abs=0.015)
    low, _, high = answer.bands.carbon.case_depth_m[0.40]
    assert low < answer.estimate.carbon.case_depth_m(0.40) < high


@pytest.mark.parametrize("course", [STOP_NOW, ONE_HOUR_MORE])
def test_a_target_met_on_the_way_is_met_at_the_moment_living_through_it_gives(course: Course) -> None:
    depth_now_m, depth_then_m = (
        carbon.case_depth_m(0.40)
        for carbon in (estimate.at_end(PROBLEM, STATE).carbon, what_if(PROBLEM, STATE, course).estimate.carbon)
        if carbon is not None
    )
    target = replace(SHEET.targets[0], value=0.5 * (depth_now_m + depth_then_m))
    problem = estimate.problem_from_sheet(replace(SHEET, targets=(target,)), members=0)
    state = estimate.over_history(problem, heat())
    lived = estimate.advance(problem, state, supposed(problem, state, course))
    (found,) = statuses(problem, what_if(problem, state, course).state)
    (expected,) = statuses(problem, lived)
    assert expected.reached_at_s is not None
    assert found.reached_at_s == pytest.approx(expected.reached_at_s, abs=120.0)


def test_the_run_itself_stays_as_it_is() -> None:
    before = pickle.dumps(STATE)
    what_if(PROBLEM, STATE, HOTTER)
    assert pickle.dumps(STATE) == before


def test_the_oven_cools_as_it_was_seen_to_cool() -> None:
    slow, fast = (
        supposed(PROBLEM, estimate.over_history(PROBLEM, heat(falls_C=fall_C)), STOP_NOW) for fall_C in (60.0, 300.0)
    )
    slow_s, fast_s = (course.time_s[-1] - STATE.last_time_s for course in (slow, fast))
    assert fast_s < 0.5 * slow_s
    assert np.all(np.diff(slow.temperature_K) < 0.0)


def test_a_hotter_hold_is_reached_as_fast_as_this_oven_climbs_and_held_till_the_hour_is_over() -> None:
    course = supposed(PROBLEM, STATE, HOTTER)
    held = course.time_s <= STATE.last_time_s + HOTTER.hold_s
    assert course.temperature_K[held].max() == pytest.approx(kelvin_from_celsius(965.0), abs=0.1)
    assert course.temperature_K[held][-1] == course.temperature_K[held].max()
    assert course.temperature_K[0] > kelvin_from_celsius(964.0)  # 920 K in the first hour, so 25 K in under two minutes


@pytest.mark.parametrize(
    ("course", "told"),
    [
        (Course(3600.0, 500.0), "what if: found a hold at 1440 C, expected at most 1350 C"),
        (Course(1e6), "what if: found a hold of 277.778 h, expected 0 to 48 h"),
    ],
)
def test_what_nothing_here_is_made_for_is_refused(course: Course, told: str) -> None:
    with pytest.raises(InputFault) as refusal:
        what_if(PROBLEM, STATE, course)
    assert str(refusal.value) == told


def test_several_courses_at_once_are_answered_as_each_by_itself() -> None:
    state = estimate.over_history(PROBLEM, heat())
    for answer in what_ifs(PROBLEM, state, [STOP_NOW, ONE_HOUR_MORE]):
        alone = what_if(PROBLEM, state, answer.course)
        assert repr(answer.bands) == repr(alone.bands)
        assert repr(answer.estimate) == repr(alone.estimate)


def test_before_the_first_reading_there_is_nothing_to_suppose() -> None:
    with pytest.raises(InputFault):
        what_if(PROBLEM, estimate.begin(PROBLEM, "steel"), ONE_HOUR_MORE)


def test_the_command_answers_side_by_side_and_for_programs(tmp_path: Path) -> None:
    history = heat()
    trace, sheet = tmp_path / "trace.csv", tmp_path / "sheet.toml"
    rows = [f"{at_s:g},{at_K - 273.15:.2f}" for at_s, at_K in zip(history.time_s, history.temperature_K, strict=True)]
    trace.write_text("\n".join(["time_s,load_C", *rows]) + "\n", encoding="utf-8")
    sheet.write_text(
        '[piece]\nshape = "plate"\nthickness_mm = 6\ncarbon_wt_pct = 0.1\n[pack]\nrecipe = "energised charcoal"\n'
        '[canister]\nsensor = "inside"\n',
        encoding="utf-8",
    )
    words = ["what-if", str(trace), "--sheet", str(sheet), "--more", "2 h", "--hotter", "-30"]
    shown = CliRunner().invoke(main, words)
    assert shown.exit_code == 0
    head = next(line for line in shown.output.splitlines() if line.startswith("when cold again"))
    assert "stop now" in head
    assert "2 h more" in head
    assert "2 h more, 30 C cooler" in head
    answers = json.loads(CliRunner().invoke(main, [*words, "--json"]).output)["answers"]
    assert [answer["hold_h"] for answer in answers] == [0.0, 2.0, 2.0]
    depths = [answer["carbon"]["case_depth_mm"]["0.40"] for answer in answers]
    assert depths[0] < depths[2] < depths[1]
    low, _, high = answers[1]["band"]["carbon"]["case_depth_mm"]["0.40"]
    assert low < depths[1] < high
    refused = CliRunner().invoke(main, [*words[:-4], "--more", "soon"])
    assert refused.exit_code == 2


def test_of_an_oven_that_is_cold_again_it_is_said_that_nothing_moves(tmp_path: Path) -> None:
    trace, sheet = tmp_path / "trace.csv", tmp_path / "sheet.toml"
    trace.write_text("time_s,load_C\n0,20\n3600,900\n7200,90\n", encoding="utf-8")
    sheet.write_text(
        '[piece]\nshape = "plate"\nthickness_mm = 6\ncarbon_wt_pct = 0.1\n[canister]\nsensor = "inside"\n',
        encoding="utf-8",
    )
    shown = CliRunner().invoke(main, ["what-if", str(trace), "--sheet", str(sheet)])
    assert "It is cold already: nothing moves any more" in " ".join(shown.output.split())
