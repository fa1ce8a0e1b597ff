"""The ensemble: nominal inside it, honest about what it was told, the same however its history came."""

from dataclasses import fields, replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.estimate import ensemble_bands, estimate, uncertainty
from logger.estimate.bands import Doubt, band
from logger.estimate.uncertainty import AS_NOMINAL, Draws
from logger.history import History
from logger.sheet import RunSheet
from logger.sheet_parts import Canister, Pack, Piece, Quantity, Shape, Stage, StageKind, Target
from logger.steel.coefficients import GAS_CONSTANT_J_PER_MOL_K
from logger.thermocouple import Correction, Thermocouple, usable_tolerance_K
from logger.units import kelvin_from_celsius

THERMOCOUPLE = Thermocouple()


def sheet_of(sensor: str = "inside", **other: object) -> RunSheet:
    return RunSheet(
        piece=Piece(Shape.PLATE, 0.006, 0.12),
        pack=Pack(recipe="energised charcoal"),
        canister=Canister(sensor=sensor, outer_m=0.06),
        targets=(Target(Quantity.CASE_DEPTH, 0.0008, 0.40),),
        **other,  # type: ignore[arg-type]
    )


def heat(hours: float = 5.0, interval_s: float = 20.0, hold_C: float = 940.0, seed: int = 5) -> History:
    time_s = np.arange(0.0, hours * 3600.0 + 1.0, interval_s)
    rng = np.random.default_rng(seed)
    at_s = [0.0, 5400.0, hours * 3600.0 - 1800.0, hours * 3600.0]
    temperature_C = np.interp(time_s, at_s, [20.0, hold_C, hold_C, 500.0]) + rng.normal(0.0, 0.6, time_s.size)
    return History("oven", time_s, kelvin_from_celsius(temperature_C), interval_s)


def with_holes(history: History, seed: int = 11) -> History:
    """The same with single readings missing, and twenty minutes in the hold."""
    temperature_K = history.temperature_K.copy()
    temperature_K[np.random.default_rng(seed).random(len(history)) < 0.02] = np.nan
    temperature_K[(history.time_s > 9000.0) & (history.time_s < 10200.0)] = np.nan
    return History(history.channel, history.time_s, temperature_K, history.interval_s)


def without_spread(draws: Draws) -> Draws:
    """The same members, but none of them differs from the nominal one."""
    still = {field.name: np.zeros(draws.members) for field in fields(Draws) if field.name not in ("law", "canister")}
    return replace(draws, **still, law=np.zeros(draws.members, dtype=np.int64))


@pytest.mark.parametrize("sensor", ["inside", "oven"])
def test_one_member_without_spread_is_the_nominal_run_to_the_last_bit(sensor: str) -> None:
    sheet, history = sheet_of(sensor), with_holes(heat())
    draws = without_spread(uncertainty.draw(sheet, THERMOCOUPLE, members=1))
    problem = uncertainty.problem_from_sheet(sheet, THERMOCOUPLE, draws=draws, economy=AS_NOMINAL)
    members = uncertainty.at_end(problem, uncertainty.advance(problem, uncertainty.begin(problem), history))
    alone = estimate.problem_from_sheet(sheet, THERMOCOUPLE, members=0)
    nominal = estimate.at_end(alone, estimate.over_history(alone, history))
    assert nominal.carbon is not None
    assert members.carbon.carbon_wt_pct[0].tolist() == nominal.carbon.carbon_wt_pct.tolist()
    assert members.carbon.gain_kg_per_m2[0] == nominal.carbon.gain_kg_per_m2
    assert members.carbon.case_depth_m(0.40)[0] == nominal.carbon.case_depth_m(0.40)
    assert members.equivalent_time_s[0] == nominal.thermal.equivalent_time_s
    assert members.soak_s[0] == nominal.thermal.soak_s
    assert members.steel_temperature_K[0] == nominal.thermal.steel_temperature_K


@pytest.mark.parametrize("sensor", ["inside", "oven"])
def test_the_nominal_run_does_not_notice_its_ensemble(sensor: str) -> None:
    sheet, history = sheet_of(sensor), with_holes(heat())
    carbon = []
    for members in (0, 16):
        problem = estimate.problem_from_sheet(sheet, THERMOCOUPLE, members=members)
        result = estimate.at_end(problem, estimate.over_history(problem, history))
        assert result.carbon is not None
        carbon.append((result.carbon.carbon_wt_pct.tolist(), result.thermal.equivalent_time_s))
    assert carbon[0] == carbon[1]


@pytest.mark.parametrize("sensor", ["inside", "oven"])
@pytest.mark.parametrize("hold_C", [900.0, 1010.0, 1190.0])
def test_the_members_coarser_steps_cost_less_than_a_tenth_of_the_band(sensor: str, hold_C: float) -> None:
    sheet, history = sheet_of(sensor), heat(hold_C=hold_C)
    depths = []
    for economy in (uncertainty.Economy(), AS_NOMINAL):
        problem = uncertainty.problem_from_sheet(sheet, THERMOCOUPLE, members=32, economy=economy)
        members = uncertainty.at_end(problem, uncertainty.advance(problem, uncertainty.begin(problem), history))
        depths.append(np.stack([members.carbon.mean_wt_pct, members.carbon.case_depth_m(0.40)]))
    low, _, high = np.array([band(row) for row in depths[1]]).T
    assert np.all(np.abs(depths[0] - depths[1]).max(axis=1) < 0.1 * (high - low))


def test_a_linear_case_has_the_band_of_the_formula() -> None:
    """An hour at one temperature with nothing uncertain but the thermocouple: evenly likely inside its tolerance."""
    sheet = RunSheet(piece=Piece(Shape.PLATE, 0.006, 0.12), canister=Canister(sensor="inside"))
    at_K = kelvin_from_celsius(950.0)
    time_s = np.arange(0.0, 3601.0, 30.0)
    history = History("steel", time_s, np.full(time_s.size, at_K), 30.0)
    problem = uncertainty.problem_from_sheet(sheet, THERMOCOUPLE, members=256)
    state = uncertainty.advance(problem, uncertainty.begin(problem), history)
    bands = ensemble_bands.bands_of(problem, uncertainty.at_end(problem, state))
    tolerance_K = float(usable_tolerance_K(THERMOCOUPLE, at_K))
    assert tolerance_K == pytest.approx(7.125)  # ASTM E230, type K standard: 0.75 % of 950 C
    theta = sheet.equivalent_energy_J_per_mol / GAS_CONSTANT_J_PER_MOL_K
    errors_K = np.array([-0.9, 0.0, 0.9]) * tolerance_K
    hours = np.exp(theta * (1.0 / sheet.reference_temperature_K - 1.0 / (at_K + errors_K)))
    assert np.array(bands.equivalent_time_s) / 3600.0 == pytest.approx(hours, rel=0.005)
    assert np.array(bands.peak_K) - at_K == pytest.approx(errors_K, abs=0.1)


def test_a_calibrated_thermocouple_narrows_the_band() -> None:
    sheet, history = sheet_of(), heat()
    width = []
    for thermocouple in (Thermocouple(), Thermocouple(correction=Correction((1223.15,), (0.0,)))):
        problem = uncertainty.problem_from_sheet(sheet, thermocouple)
        members = uncertainty.at_end(problem, uncertainty.advance(problem, uncertainty.begin(problem), history))
        low, _, high = band(members.equivalent_time_s)
        width.append(high - low)
    assert width[1] < 0.4 * width[0]


def test_the_same_sheet_always_draws_the_same_members() -> None:
    one, other = (uncertainty.draw(sheet_of("oven"), THERMOCOUPLE) for _ in range(2))
    for field in fields(Draws):
        if field.name != "canister":
            assert getattr(one, field.name).tolist() == getattr(other, field.name).tolist()
    assert one.canister is not None
    assert other.canister is not None
    assert one.canister.heat_factor.tolist() == other.canister.heat_factor.tolist()


def test_member_0_draws_nothing() -> None:
    draws = uncertainty.draw(sheet_of(), THERMOCOUPLE)
    values = [getattr(draws, field.name)[0] for field in fields(Draws) if field.name != "canister"]
    assert values == [0.0] * len(values)


@settings(max_examples=4, deadline=None)
@given(cuts=st.lists(st.integers(1, 899), max_size=8))
def test_any_cutting_gives_the_members_the_same_bits(cuts: list[int]) -> None:
    sheet, history = sheet_of("oven"), with_holes(heat())
    problem = uncertainty.problem_from_sheet(sheet, THERMOCOUPLE, members=16)
    state = uncertainty.begin(problem)
    edges = [0, *sorted(set(cuts)), len(history)]
    for first, last in pairwise(edges):
        state = uncertainty.advance(problem, state, history.piece(first, last))
    whole = uncertainty.advance(problem, uncertainty.begin(problem), history)
    cut, all_at_once = (uncertainty.at_end(problem, one) for one in (state, whole))
    assert cut.carbon.carbon_wt_pct.tolist() == all_at_once.carbon.carbon_wt_pct.tolist()
    assert cut.equivalent_time_s.tolist() == all_at_once.equivalent_time_s.tolist()
    assert cut.soak_s.tolist() == all_at_once.soak_s.tolist()


def drivers_of(sheet: RunSheet, history: History, thermocouple: Thermocouple = THERMOCOUPLE) -> dict[Doubt, float]:
    problem = uncertainty.problem_from_sheet(sheet, thermocouple)
    state = uncertainty.advance(problem, uncertainty.begin(problem), history)
    (driven,) = ensemble_bands.bands_of(problem, uncertainty.at_end(problem, state)).drivers
    return {driver.doubt: driver.share for driver in driven.drivers}


def test_a_pack_nobody_knows_drives_the_band_and_a_pinned_face_leaves_it_to_the_rest() -> None:
    worn = drivers_of(replace(sheet_of(), pack=Pack(recipe="worn pack")), heat())
    assert max(worn, key=lambda doubt: worn[doubt]) is Doubt.PACK
    stated = Pack(carbon_potential_wt_pct=1.0, mass_transfer_m_per_s=float("inf"))
    pinned = drivers_of(replace(sheet_of(), pack=stated), heat())
    assert pinned.get(Doubt.PACK, 0.0) < 0.3
    assert sum(pinned.values()) > 0.7


def test_of_equal_heats_the_thermocouple_alone_drives_the_equivalent_time() -> None:
    sheet = replace(sheet_of(), pack=None, targets=(Target(Quantity.EQUIVALENT_TIME, 3600.0),))
    shares = drivers_of(sheet, heat())
    assert list(shares) == [Doubt.THERMOCOUPLE]
    assert shares[Doubt.THERMOCOUPLE] > 0.95


def test_a_gap_widens_the_band_and_is_named_for_it() -> None:
    sheet = replace(sheet_of(), pack=None, targets=(Target(Quantity.EQUIVALENT_TIME, 3600.0),))
    history = heat()
    temperature_K = history.temperature_K.copy()
    temperature_K[(history.time_s > 8000.0) & (history.time_s < 14000.0)] = np.nan
    holed = History(history.channel, history.time_s, temperature_K, history.interval_s)
    assert Doubt.GAPS in drivers_of(sheet, holed)
    assert Doubt.GAPS not in drivers_of(sheet, history)


def test_a_temper_has_bands_of_its_own() -> None:
    sheet = RunSheet(piece=Piece(Shape.PLATE, 0.004, 0.80), stages=(Stage(StageKind.TEMPER),))
    time_s = np.arange(0.0, 7201.0, 30.0)
    temperature_C = np.interp(time_s, [0.0, 1800.0, 5400.0, 7200.0], [20.0, 200.0, 200.0, 60.0])
    problem = uncertainty.problem_from_sheet(sheet, THERMOCOUPLE)
    history = History("oven", time_s, kelvin_from_celsius(temperature_C), 30.0)
    state = uncertainty.advance(problem, uncertainty.begin(problem), history)
    bands = ensemble_bands.bands_of(problem, uncertainty.at_end(problem, state))
    assert bands.tempering is not None
    low, middle, high = bands.tempering.hardness_HRC
    assert 2.0 < middle - low < 4.0  # rms 1.72 HRC times 1.645, and a little for the thermocouple
    assert 2.0 < high - middle < 4.0
    assert bands.tempering.parameter_K[0] < bands.tempering.parameter_K[1] < bands.tempering.parameter_K[2]
    assert bands.drivers[0].drivers[0].doubt is Doubt.TEMPERING


@given(st.integers(20, 200))
def test_a_further_member_lies_in_the_band_nine_times_in_ten(members: int) -> None:
    """The quantiles' places among evenly spread ranks: (m + 1) p, so that 90 % lie between."""
    ranks = np.arange(1.0, members + 1.0) / (members + 1.0)
    assert band(ranks) == pytest.approx((0.05, 0.5, 0.95))


def test_cases_that_melted_and_cases_that_did_not_are_told_apart() -> None:
    shares = {}
    for hold_C in (950.0, 1190.0):
        problem = uncertainty.problem_from_sheet(sheet_of(), THERMOCOUPLE, members=48)
        state = uncertainty.advance(problem, uncertainty.begin(problem), heat(hold_C=hold_C))
        members = uncertainty.at_end(problem, state)
        shares[hold_C] = ensemble_bands.bands_of(problem, members).carbon
    assert shares[950.0].melted_share == 0.0
    assert shares[950.0].apart_wt_pct is None
    hot = shares[1190.0]
    assert 0.1 < hot.melted_share < 0.9
    assert hot.apart_wt_pct is not None
    solid, melted = hot.apart_wt_pct
    # Between what stayed austenite and what became cast iron lies next to nothing: one band would fill it.
    assert (
        solid[2].max() < 2.1
    )  # the most that austenite holds: 2.1 % at the eutectic (ASM Metals Handbook; from memory)
    assert melted[2].max() > 3.0
    assert np.all(hot.carbon_wt_pct[0] <= melted[1] + 1e-12)
