"""What a piece comes to: carbon of the profile, the quench of the log, the temper across the section, its bands."""

import numpy as np
import pytest

from logger.estimate import estimate, profile_tempering, tempering
from logger.estimate.bands import Bands
from logger.estimate.estimate import Problem
from logger.estimate.heat_treatment import HeatTreatment, QuenchKnown
from logger.estimate.result import Estimate
from logger.estimate.tempering import TemperingProblem
from logger.history import History
from logger.sheet import RunSheet
from logger.sheet_file import parse_sheet
from logger.sheet_parts import Bath
from logger.steel.tempering import fitted_constant
from logger.units import DisplayUnits, celsius_from_kelvin, kelvin_from_celsius, kelvin_from_fahrenheit

STRAP = """
[piece]
shape = "plate"
thickness_mm = 6
carbon_wt_pct = 0.05
alloy_wt_pct = { Mn = 0.05 }
[pack]
recipe = "energised charcoal"
"""
BLADE = """
[piece]
shape = "plate"
thickness_mm = 4
carbon_wt_pct = 0.80
alloy_wt_pct = { Mn = 0.40, Si = 0.20 }
"""
CARBURIZED = [(0.0, 20.0), (90.0, 925.0), (330.0, 925.0), (335.0, 780.0), (345.0, 780.0)]
QUENCHED = [*CARBURIZED, (345.2, 60.0), (360.0, 25.0)]
TEMPERED = [*QUENCHED, (380.0, 205.0), (440.0, 205.0), (460.0, 30.0)]


def lived(corners_min_C: list[tuple[float, float]], every_s: float = 10.0) -> History:
    """A history of straight lines between corners [min, C]."""
    at_s, at_C = (np.array(each) for each in zip(*corners_min_C, strict=True))
    time_s = np.arange(0.0, 60.0 * at_s[-1], every_s)
    return History("steel", time_s, kelvin_from_celsius(np.interp(time_s, 60.0 * at_s, at_C)), interval_s=every_s)


def at_end(
    sheet_text: str, corners: list[tuple[float, float]], members: int = 0, every_s: float = 10.0
) -> tuple[Problem, Estimate, Bands | None]:
    problem = estimate.problem_from_sheet(parse_sheet(sheet_text, "a sheet"), members=members)
    state = estimate.over_history(problem, lived(corners, every_s))
    return problem, estimate.at_end(problem, state), estimate.bands_at_end(problem, state)


def treatment_of(sheet_text: str, corners: list[tuple[float, float]]) -> HeatTreatment:
    found = at_end(sheet_text, corners)[1].treatment
    assert found is not None
    return found


def test_a_carburized_piece_is_tempered_as_the_carbon_it_has_now() -> None:
    _, found, _ = at_end(STRAP, TEMPERED)
    assert found.tempering is not None
    assert found.carbon is not None
    assert found.carbon.surface_wt_pct > 0.8
    carbon = min(float(found.carbon.carbon_wt_pct.max()), 1.15)
    assert found.tempering.constant == pytest.approx(float(fitted_constant(carbon)))
    # The same temper given to a piece of that carbon throughout.
    alone = TemperingProblem(float(fitted_constant(carbon)), carbon_wt_pct=carbon, manganese_wt_pct=0.30)
    history = lived([(minute - 360.0, celsius) for minute, celsius in TEMPERED if minute >= 360.0])
    state = tempering.advance(alone, tempering.begin(alone), history.time_s, history.temperature_K)
    expected = tempering.at_end(alone, state)
    assert found.tempering.hardness_HRC == pytest.approx(expected.hardness_HRC, abs=0.05)
    assert found.tempering.parameter_K == pytest.approx(expected.parameter_K, abs=2.0)


def test_a_strap_that_cools_in_its_canister_is_not_tempered_by_it() -> None:
    slow = [*CARBURIZED[:3], (900.0, 40.0), (930.0, 205.0), (990.0, 205.0)]
    _, found, _ = at_end(STRAP, slow)
    assert found.tempering is None
    assert found.treatment is not None
    assert found.treatment.heats is None
    assert found.treatment.known is QuenchKnown.SUPPOSED


def test_the_quench_of_the_log_goes_before_the_sheets() -> None:
    sheet = STRAP + '[quench]\nbath = "brine"\nfrom_C = 860\n'
    assert treatment_of(sheet, CARBURIZED[:3]).known is QuenchKnown.STATED
    assert celsius_from_kelvin(treatment_of(sheet, CARBURIZED[:3]).quench_K) == pytest.approx(860.0)
    logged = treatment_of(sheet, QUENCHED)
    assert logged.known is QuenchKnown.LOGGED
    assert celsius_from_kelvin(logged.quench_K) == pytest.approx(780.0, abs=3.0)


@pytest.mark.parametrize("every_s", [1.0, 5.0, 10.0])
def test_a_quench_is_recognised_however_often_the_oven_is_asked(every_s: float) -> None:
    _, found, _ = at_end(
        BLADE, [(0.0, 20.0), (30.0, 800.0), (40.0, 800.0), (40.15, 60.0), (45.0, 25.0)], every_s=every_s
    )
    assert found.treatment is not None
    assert found.treatment.heats is not None
    assert found.treatment.heats.quench_sound is True


def test_common_practice_normalizing_and_quench_are_told_as_sound() -> None:
    # Common practice, no source: 1600, 1550, 1500 F for ten minutes each in falling order, then a quench from 1500 F.
    corners, minute = [(0.0, 20.0)], 0.0
    for peak_F in (1600.0, 1550.0, 1500.0):
        peak_C = celsius_from_kelvin(kelvin_from_fahrenheit(peak_F))
        corners += [(minute + 15.0, peak_C), (minute + 25.0, peak_C), (minute + 32.0, 100.0)]
        minute += 32.0
    peak_C = celsius_from_kelvin(kelvin_from_fahrenheit(1500.0))
    corners += [(minute + 15.0, peak_C), (minute + 25.0, peak_C), (minute + 25.2, 60.0), (minute + 30.0, 30.0)]
    found = treatment_of(BLADE, corners)
    assert found.heats is not None
    assert found.heats.sound is True
    assert found.heats.quench_sound is True
    # And: a blade of about eutectoid steel so quenched comes to just over 65 HRC (common practice, no source).
    assert found.section is not None
    assert 65.0 < found.section.hardness_HRC[0] < 67.5


def test_a_blade_so_quenched_and_tempered_at_400_F_comes_to_just_over_60() -> None:
    # Common practice, no source; "just over 60" read as 60 to 62.5 after an hour.
    tempered_C = celsius_from_kelvin(kelvin_from_fahrenheit(400.0))
    corners = [(0.0, 20.0), (20.0, 815.0), (30.0, 815.0), (30.2, 60.0), (40.0, 25.0)]
    corners += [(55.0, tempered_C), (115.0, tempered_C), (130.0, 40.0)]
    _, found, bands = at_end(BLADE, corners, members=33)
    assert found.tempering is not None
    assert found.tempering.hardness_HRC is not None
    assert 60.0 < float(found.tempering.hardness_HRC) < 62.5
    assert bands is not None
    assert bands.tempering is not None
    low, _, high = bands.tempering.hardness_HRC
    assert low < float(found.tempering.hardness_HRC) < high


def test_a_blade_air_cooled_is_not_hard_and_so_not_tempered() -> None:
    air = [(0.0, 20.0), (20.0, 815.0), (30.0, 815.0), (36.0, 60.0), (40.0, 25.0), (55.0, 205.0), (115.0, 205.0)]
    _, found, bands = at_end(BLADE, air, members=5)
    assert found.tempering is None
    assert bands is not None
    assert bands.tempering is None


def test_what_is_left_of_a_temper_agrees_with_going_on() -> None:
    sheet = BLADE + '[[stage]]\nkind = "temper"\n[[target]]\nquantity = "hardness"\nreach_HRC = 61\n'
    corners = [(0.0, 20.0), (15.0, 200.0), (30.0, 200.0)]
    (ahead,) = treatment_of(sheet, corners).temper_ahead
    assert ahead.left_s is not None
    early_s, left_s, late_s = ahead.left_s
    assert 0.0 <= early_s < left_s < late_s
    assert celsius_from_kelvin(ahead.hold_K) == pytest.approx(200.0, abs=0.5)
    there = at_end(sheet, [*corners, (30.0 + left_s / 60.0, 200.0)])[1].tempering
    assert there is not None
    assert there.hardness_HRC == pytest.approx(61.0, abs=0.03)
    (hold_s, (cooler_K, hold_K, hotter_K)), _ = ahead.temperatures
    assert np.isnan(cooler_K)  # steel softer than the fit has reached it already
    assert hold_K < hotter_K
    hold_C = celsius_from_kelvin(hold_K)
    after = at_end(sheet, [*corners, (30.01, hold_C), (30.01 + hold_s / 60.0, hold_C)])[1].tempering
    assert after is not None
    assert after.hardness_HRC == pytest.approx(61.0, abs=0.05)


def test_the_hold_asked_for_is_the_sheets() -> None:
    sheet = BLADE + '[tempering]\nhold = "90 min"\n[[stage]]\nkind = "temper"\n'
    sheet += '[[target]]\nquantity = "hardness"\nreach_HRC = 60\n'
    (ahead,) = treatment_of(sheet, [(0.0, 20.0), (5.0, 120.0)]).temper_ahead
    assert [hold_s for hold_s, _ in ahead.temperatures] == [5400.0]


def test_all_four_baths_are_asked_where_the_sheet_names_none() -> None:
    found = treatment_of(STRAP, CARBURIZED[:3])
    assert [answer.bath for answer in found.baths] == list(Bath)
    assert [answer.bath for answer in treatment_of(STRAP + '[quench]\nbath = "slow oil"\n', CARBURIZED[:3]).baths] == [
        Bath.SLOW_OIL
    ]


def test_an_alloy_outside_the_standard_is_refused_by_name_and_limit() -> None:
    sheet = BLADE.replace("Si = 0.20", "Cr = 5.0") + "[quench]\nfrom_C = 820\n"
    (brine, *_) = treatment_of(sheet, [(0.0, 20.0), (10.0, 30.0)]).baths
    assert brine.hardening is None
    assert str(brine.refusal).startswith("Cr for the hardenability: found 5 wt%, expected 0 to 2.5 wt% (ASTM A255")


def test_a_quench_with_no_austenite_is_refused_and_told_for_the_window() -> None:
    # 690 C is below Ac1 of this steel (725 C, Andrews 1965).
    found = treatment_of(BLADE + "[quench]\nfrom_C = 690\n", [(0.0, 20.0), (10.0, 30.0)])
    (refusal,) = found.refusals
    assert str(refusal).startswith("austenitizing temperature: found 690 C, expected 72")
    assert str(refusal).endswith("told for the middle of the window instead")
    assert refusal.said(DisplayUnits("F", "in")).startswith("austenitizing temperature: found 1274 F, expected 13")
    assert found.known is QuenchKnown.SUPPOSED
    assert found.section is not None


def test_a_layered_piece_is_hard_where_its_carbon_is() -> None:
    sheet = """
    [piece]
    shape = "layered"
    [[piece.layer]]
    thickness_mm = 3
    carbon_wt_pct = 0.10
    [[piece.layer]]
    thickness_mm = 1
    carbon_wt_pct = 0.80
    [[piece.layer]]
    thickness_mm = 3
    carbon_wt_pct = 0.10
    """
    found = treatment_of(sheet, [(0.0, 20.0), (10.0, 815.0), (12.0, 815.0), (12.2, 60.0), (20.0, 25.0), (40.0, 200.0),
                                 (100.0, 200.0)])  # fmt: skip
    assert found.section is not None
    assert found.tempered is not None
    middle = int(found.section.hardness_HRC.size / 2)
    assert found.section.hardness_HRC[middle] > 63.0
    assert 55.0 < found.tempered.hardness_HRC[middle] < found.section.hardness_HRC[middle]
    assert np.isnan(found.tempered.hardness_HRC[0])


def test_the_bands_of_the_section_hold_it_and_come_from_its_carbon() -> None:
    _, found, bands = at_end(STRAP, TEMPERED, members=65)
    assert found.treatment is not None
    section, tempered = found.treatment.section, found.treatment.tempered
    assert section is not None
    assert tempered is not None
    assert bands is not None
    assert bands.section is not None
    assert bands.section.tempered_HRC is not None
    for nominal, (low, _, high) in (
        (section.hardness_HRC, bands.section.quenched_HRC),
        (tempered.hardness_HRC, bands.section.tempered_HRC),
    ):
        known = np.isfinite(nominal) & np.isfinite(low)
        assert known.sum() > 20
        assert np.all((low[known] <= nominal[known] + 0.3) & (nominal[known] - 0.3 <= high[known]))
    # Where carbon falls steeply, what is not known of it makes the band wide.
    low, _, high = bands.section.quenched_HRC
    known = np.isfinite(low)
    assert (high - low)[known][-1] > (high - low)[0]
    assert bands.section.depth_550_hv_m[0] < section.depth_550_hv_m < bands.section.depth_550_hv_m[2]


def test_the_parameter_between_the_constants_is_that_of_each_by_itself() -> None:
    history = lived([(0.0, 20.0), (20.0, 205.0), (80.0, 205.0), (100.0, 30.0), (120.0, 180.0), (240.0, 180.0)])
    sheet = RunSheet(piece=parse_sheet(BLADE, "a sheet").piece)
    nodes = profile_tempering.constants(sheet)
    together = TemperingProblem(nodes)
    state = tempering.advance(together, tempering.begin(together), history.time_s, history.temperature_K)
    for constant in (15.9, 16.6, 17.3, 18.4):
        alone = TemperingProblem(constant)
        by_itself = tempering.advance(alone, tempering.begin(alone), history.time_s, history.temperature_K)
        between = profile_tempering.parameter_K(state, nodes, np.array([constant]))[0]
        assert between == pytest.approx(by_itself.parameter_K[0], abs=1.0)
