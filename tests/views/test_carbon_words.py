"""Warnings and limits of the carbon, in the reader's own units."""

import re
from dataclasses import replace

import numpy as np
import pytest

from logger.estimate.carbon_result import CarbonResult, CarbonWarning, CarbonWarningKind
from logger.units import DisplayUnits, kelvin_from_celsius
from logger.views.carbon_words import profile_limits, warning_words

METRIC, INCH = DisplayUnits("C", "mm"), DisplayUnits("F", "in")
DEPTH_M = np.linspace(0.0, 3e-3, 7)

CARBON = CarbonResult(
    time_s=3_600.0,
    temperature_K=kelvin_from_celsius(1_160.0),
    surface_wt_pct=1.9,
    back_surface_wt_pct=None,
    surface_richest_wt_pct=1.9,
    back_surface_richest_wt_pct=None,
    core_wt_pct=0.3,
    mean_wt_pct=0.8,
    start_wt_pct=0.1,
    gain_kg_per_m2=0.1,
    grind_depth_m=0.9e-3,
    carbide_depth_m=0.5e-3,
    carbide_depth_now_m=0.0,
    liquid_depth_m=0.75e-3,
    liquid_depth_now_m=0.60e-3,
    skin_depth_m=0.75e-3,
    network_depth_m=1.2e-3,
    margin_to_solidus_K=20.0,
    margin_to_solidus_wt_pct=0.05,
    depth_m=DEPTH_M,
    carbon_wt_pct=np.linspace(1.9, 0.3, 7),
    warnings=(),
)


@pytest.mark.parametrize(
    ("kind", "metric", "inch"),
    [
        (CarbonWarningKind.MOLTEN, "Molten now to 0.60 mm", "Molten now to 0.024 in"),
        (CarbonWarningKind.HAS_MELTED, "melted to 0.75 mm", "melted to 0.030 in"),
        (CarbonWarningKind.NEAR_MELTING, "20.0 C below its solidus, 0.05 % C", "36.0 F below its solidus, 0.05 % C"),
        (CarbonWarningKind.NETWORK, "above 0.76 % C to 1.20 mm", "above 0.76 % C to 0.047 in"),
        (CarbonWarningKind.GRAIN_GROWTH, "40 min above 1000 C", "40 min above 1832 F"),
    ],
)
def test_a_warning_carries_its_numbers_in_the_readers_units(kind: CarbonWarningKind, metric: str, inch: str) -> None:
    warning = CarbonWarning(kind, "0.60 mm and 1000 C as the core says it", 2_400.0)
    assert metric in warning_words(warning, CARBON, METRIC)
    assert inch in warning_words(warning, CARBON, INCH)


def test_a_melt_too_shallow_for_a_number_is_told_without_one() -> None:
    begun = replace(CARBON, liquid_depth_now_m=1e-6)
    said = warning_words(CarbonWarning(CarbonWarningKind.MOLTEN, "x"), begun, METRIC)
    assert said.startswith("Molten now at the very face: ")


@pytest.mark.parametrize("kind", list(CarbonWarningKind))
def test_no_warning_leaves_millimetres_or_celsius_to_a_reader_of_inches(kind: CarbonWarningKind) -> None:
    words = warning_words(CarbonWarning(kind, "as the estimate says it", 2_400.0), CARBON, INCH)
    assert not re.search(r"\d (mm|C\b)", words)


def test_below_the_eutectic_the_limit_is_a_cm() -> None:
    # about 1.3 % at 927 C (from memory); the tests of the phase limits hold the line itself to published values
    grind, a_cm = profile_limits(kelvin_from_celsius(927.0), METRIC)
    assert grind.carbon_wt_pct == 1.0
    assert a_cm.carbon_wt_pct == pytest.approx(1.31, abs=0.03)
    assert a_cm.words == "A_cm at 927 C: carbide above this"
    assert profile_limits(kelvin_from_celsius(927.0), INCH)[1].words == "A_cm at 1701 F: carbide above this"


def test_above_the_eutectic_the_limits_are_melting_and_the_eutectic() -> None:
    words = [limit.words for limit in profile_limits(kelvin_from_celsius(1_185.0), METRIC)]
    assert words == ["brittle above this: grind off", "melts above this at 1185 C", "eutectic: cast iron"]
    melts, eutectic = (limit.carbon_wt_pct for limit in profile_limits(kelvin_from_celsius(1_185.0), METRIC)[1:])
    assert 1.6 < melts < 2.05
    # textbooks round to 4.3 % (from memory), the assessment behind the phase limits puts it at 4.38 %
    assert eutectic == pytest.approx(4.3, abs=0.1)


@pytest.mark.parametrize("hottest_K", [float("nan"), 300.0, 2_000.0])
def test_where_no_limit_is_known_only_the_grinding_line_is_left(hottest_K: float) -> None:
    assert len(profile_limits(hottest_K, METRIC)) == 1
