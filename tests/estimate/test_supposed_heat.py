"""Supposed heats: cut into few windows, members in step, they come to what sample by sample they come to."""

from dataclasses import replace

import numpy as np
import pytest

from logger.estimate import carbon_profile, load_temperature, uncertainty
from logger.estimate.carbon_result import CarbonMembers
from logger.estimate.supposed_heat import carbon_after, windows_alike
from logger.plan_program import Program, history_of, sheet_of
from logger.sheet import RunSheet
from logger.sheet_parts import Canister, Pack, Piece, Shape
from logger.steel.phase_limits import A1_K
from logger.thermocouple import Thermocouple
from logger.units import FloatArray, kelvin_from_celsius

STRAP = RunSheet(
    piece=Piece(Shape.PLATE, 0.004, 0.05),
    pack=Pack(recipe="energised charcoal"),
    canister=Canister(sensor="oven", outer_m=0.060),
)
HEAT = Program(kelvin_from_celsius(940.0), 5.0 * 3600.0, 1.5 * 3600.0, 300.0 / 3600.0)
MEMBERS = 9


def course(sheet: RunSheet, program: Program) -> tuple[uncertainty.EnsembleProblem, FloatArray, FloatArray]:
    ensemble = uncertainty.problem_from_sheet(sheet_of(sheet, program), Thermocouple(), members=MEMBERS)
    state, steel = load_temperature.advance(ensemble.load, load_temperature.begin(ensemble.load), history_of(program))
    samples = load_temperature.joined([steel, load_temperature.at_end(ensemble.load, state).tail])
    return ensemble, samples.time_s, samples.temperature_K


def corners_of(program: Program, time_s: FloatArray) -> tuple[float, ...]:
    return (float(time_s[0]), program.climb_s + program.hold_s, program.hot_s, float(time_s[-1]))


def in_step(sheet: RunSheet, program: Program) -> tuple[CarbonMembers, CarbonMembers]:
    ensemble, time_s, temperature_K = course(sheet, program)
    windows = windows_alike(time_s, temperature_K, corners_of(program, time_s))
    exact = replace(ensemble.carbon, tolerance_wt_pct=5e-4)
    sample_by_sample = carbon_profile.advance(exact, carbon_profile.begin(exact), time_s, temperature_K)
    return (
        carbon_after(ensemble.carbon, windows, temperature_K[:, -1]),
        carbon_profile.members_at_end(exact, sample_by_sample),
    )


@pytest.mark.parametrize("program", [HEAT, replace(HEAT, diffuse_s=0.0)], ids=["with a diffuse stage", "pack alone"])
@pytest.mark.parametrize("sensor", ["oven", "inside"])
def test_every_member_comes_to_what_its_samples_come_to(sensor: str, program: Program) -> None:
    found, expected = in_step(replace(STRAP, canister=replace(STRAP.canister, sensor=sensor)), program)
    assert found.mean_wt_pct == pytest.approx(expected.mean_wt_pct, abs=0.001)
    assert found.core_wt_pct == pytest.approx(expected.core_wt_pct, abs=0.001)
    assert found.case_depth_m(0.40) == pytest.approx(expected.case_depth_m(0.40), abs=5e-6)
    assert found.surface_wt_pct == pytest.approx(expected.surface_wt_pct, abs=0.005)
    assert np.ptp(found.mean_wt_pct) > 0.05


def test_windows_keep_each_members_own_hot_hours() -> None:
    _, time_s, temperature_K = course(STRAP, HEAT)
    windows = windows_alike(time_s, temperature_K, corners_of(HEAT, time_s))
    fine_s = np.arange(0.0, time_s[-1], 10.0)
    hot_s = [10.0 * float((np.interp(fine_s, time_s, line) > A1_K).sum()) for line in temperature_K]
    assert windows.hot_s.sum(axis=1) == pytest.approx(hot_s, abs=20.0)
    assert np.ptp(hot_s) > 200.0
    assert HEAT.climb_s + HEAT.hold_s in windows.end_s
    assert windows.end_s[-1] == time_s[-1]


def test_a_hold_at_a_temperature_is_not_a_hold_above_it() -> None:
    hold_K = kelvin_from_celsius(1000.0)
    time_s = np.array([0.0, 3600.0, 40000.0, 43600.0])
    steel_K = np.array([[300.0, hold_K, hold_K, 300.0]])
    assert (windows_alike(time_s, steel_K, (0.0, 43600.0)).temperature_K < hold_K).all()
