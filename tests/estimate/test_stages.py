"""Stages: the parts of a run as its trace shows them, and the time above the lines that matter."""

import numpy as np
import pytest

from logger.estimate import stages
from logger.estimate.stages import StageProblem, StageResult, StageSeenKind
from logger.sheet_parts import StageKind
from logger.units import FloatArray, kelvin_from_celsius
from tests.estimate.oven_traces import ramp_hold_cool


def result_of(t: FloatArray, x: FloatArray, problem: StageProblem | None = None) -> StageResult:
    """Stages of one trace."""
    problem = problem or StageProblem()
    return stages.at_end(problem, stages.advance(problem, stages.begin(problem), t, x))


def corners(*points: tuple[float, float], noise_K: float = 0.0) -> tuple[FloatArray, FloatArray]:
    """A trace every 5 s through corners of (minutes, Celsius)."""
    at_s, at_C = np.array(points).T
    t = np.arange(0.0, at_s[-1] * 60.0 + 1e-6, 5.0)
    x = kelvin_from_celsius(np.interp(t, at_s * 60.0, at_C))
    return t, x + np.random.default_rng(1).normal(0.0, noise_K, t.size)


def kinds(result: StageResult) -> list[str]:
    """Kinds in order."""
    return [str(stage.kind) for stage in result.stages]


def test_a_heat_is_heat_up_hold_and_cool_with_its_corners_and_rates() -> None:
    result = result_of(*ramp_hold_cool(hold_h=2.0, rate_K_per_min=12.0))
    assert kinds(result) == ["heat-up", "hold", "cool"]
    up, hold, down = result.stages
    assert up.rate_K_per_s * 60.0 == pytest.approx(12.0, abs=0.1)
    assert hold.start_s == pytest.approx(4650.0, abs=60.0)
    assert hold.end_s == pytest.approx(4650.0 + 7200.0, abs=60.0)
    assert hold.level_K == pytest.approx(kelvin_from_celsius(950.0), abs=0.5)
    assert hold.hold_s == pytest.approx(7200.0, abs=120.0)
    assert down.end_s is None
    assert down.steepest_K_per_s * 60.0 == pytest.approx(-930.0 / 7200.0 * 60.0, rel=0.1)


def test_the_parts_follow_one_another_without_holes() -> None:
    t, x = corners((0, 20), (60, 600), (90, 600), (120, 920), (240, 920), (300, 500), (330, 870), (345, 870), (400, 60))
    result = result_of(t, x)
    assert kinds(result) == ["heat-up", "hold", "heat-up", "hold", "cool", "re-heat", "hold", "cool"]
    assert result.stages[0].start_s == 0.0
    for before, after in zip(result.stages, result.stages[1:], strict=False):
        assert before.end_s == after.start_s


def test_normalizing_peaks_without_a_hold_are_heats_and_coolings() -> None:
    t, x = corners((0, 20), (30, 870), (55, 400), (75, 850), (100, 400), (118, 830), (150, 200))
    result = result_of(t, x)
    assert kinds(result) == ["heat-up", "cool", "re-heat", "cool", "re-heat", "cool"]
    peaks = [round(stage.peak_K - 273.15, -1) for stage in result.stages if stage.kind is not StageSeenKind.COOL]
    assert peaks == [870.0, 850.0, 830.0]


def test_a_swinging_kitchen_oven_still_holds() -> None:
    t = np.arange(0.0, 9000.0, 10.0)
    x = kelvin_from_celsius(np.minimum(20.0 + t / 5.0, 200.0) + np.where(t > 900.0, 8.0 * np.sin(t / 95.0), 0.0))
    result = result_of(t, x)
    assert [stage.kind for stage in result.stages] == [StageSeenKind.HEAT_UP, StageSeenKind.HOLD]
    assert result.stages[1].level_K == pytest.approx(kelvin_from_celsius(200.0), abs=9.0)


def test_a_slow_ramp_and_a_slow_furnace_cooling_are_no_holds() -> None:
    t, x = corners((0, 20), (600, 920), (1000, 700))
    assert kinds(result_of(t, x)) == ["heat-up", "cool"]


def test_a_door_opened_for_some_minutes_does_not_cut_a_hold_in_two() -> None:
    t, x = corners((0, 20), (60, 920), (120, 920), (122, 800), (130, 920), (200, 920), noise_K=0.5)
    assert kinds(result_of(t, x)) == ["heat-up", "hold"]


def test_a_hold_is_recognised_while_it_lasts() -> None:
    t, x = corners((0, 20), (60, 920), (90, 920))
    result = result_of(t, x)
    assert kinds(result) == ["heat-up", "hold"]
    assert result.stages[-1].end_s is None


def test_stated_stages_are_taken_as_they_are() -> None:
    t, x = ramp_hold_cool(hold_h=2.0)
    problem = StageProblem(((StageKind.CARBURIZE, 4650.0, 9000.0), (StageKind.DIFFUSE, 9000.0, float("inf"))))
    first, second = result_of(t, x, problem).stages
    assert (first.stated, first.start_s, first.end_s) == (StageKind.CARBURIZE, 4650.0, 9000.0)
    assert first.level_K == pytest.approx(kelvin_from_celsius(950.0), abs=0.5)
    assert second.stated is StageKind.DIFFUSE
    assert second.end_s is None


def test_a_stage_of_the_sheet_begins_when_it_says_though_the_first_reading_came_later() -> None:
    t, x = ramp_hold_cool()
    (whole,) = result_of(t + 600.0, x, StageProblem(((StageKind.TEMPER, 0.0, float("inf")),))).stages
    assert (whole.start_s, whole.end_s) == (0.0, None)


# Straight lines cross a level where similar triangles say: 20 to 1020 C in 100 min, 10 K/min, up and down again.
@pytest.mark.parametrize("spacing_s", [6000.0, 600.0, 7.0])
def test_time_above_a_line_is_exact_for_straight_lines_however_sparse(spacing_s: float) -> None:
    t = np.unique(np.concatenate([np.arange(0.0, 12000.0, spacing_s), [6000.0, 12000.0]]))
    x = kelvin_from_celsius(np.interp(t, [0.0, 6000.0, 12000.0], [20.0, 1020.0, 20.0]))
    above = result_of(t, x).seconds_above
    a1, grain, eutectic = (float(above[line][0]) for line in stages.LINES_K)
    assert a1 == pytest.approx(2 * (1020.0 - 727.0) * 6.0, rel=1e-9)
    assert grain == pytest.approx(2 * 20.0 * 6.0, rel=1e-9)
    assert eutectic == 0.0


def test_the_peak_is_the_hottest_single_reading() -> None:
    t, x = ramp_hold_cool()
    x[700] = kelvin_from_celsius(957.0)
    assert result_of(t, x).peak_K[0] == kelvin_from_celsius(957.0)


def test_nothing_read_is_no_stage() -> None:
    result = result_of(np.empty(0), np.empty(0))
    assert result.stages == ()
    assert np.isnan(result.peak_K).all()
