"""Critical points against Andrews' formulas and the Fe-C table; windows against common practice."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.errors import OutOfRange
from logger.steel.critical_points import (
    ac1_K,
    ac3_K,
    acm_K,
    austenitizing_window,
    critical_points,
    normalizing_window,
)
from logger.units import celsius_from_kelvin, kelvin_from_fahrenheit

GRADE_1018 = {"Mn": 0.75, "Si": 0.20}


def test_critical_points_of_a_0_18_pct_steel() -> None:
    # Computed from Andrews' formulas for 0.18 C, 0.75 Mn, 0.20 Si, without and with the manganese term.
    assert celsius_from_kelvin(ac1_K(GRADE_1018)) == pytest.approx(720.8, abs=0.05)
    assert celsius_from_kelvin(ac3_K(0.18, GRADE_1018, all_terms=False)) == pytest.approx(832.8, abs=0.05)
    assert celsius_from_kelvin(ac3_K(0.18, GRADE_1018)) == pytest.approx(810.3, abs=0.05)


# Fe-C after Gustafson 1985, carbon on A_cm [wt%] by temperature [C].
A_CM = [(750, 0.820), (800, 0.948), (850, 1.084), (900, 1.227), (950, 1.377), (1000, 1.535), (1100, 1.876)]


@pytest.mark.parametrize(("temperature_C", "carbon"), A_CM)
def test_a_cm_by_carbon(temperature_C: float, carbon: float) -> None:
    # The printed carbon is rounded to 0.0005 and the fit is good to 0.0006: 0.4 K at the slope of the line.
    assert celsius_from_kelvin(acm_K(carbon)) == pytest.approx(temperature_C, abs=0.4)


@given(st.floats(0.0, 0.75), st.floats(0.0, 1.0))
def test_more_carbon_never_raises_the_end_of_the_ferrite(carbon: float, manganese: float) -> None:
    here, more = (critical_points(C, {"Mn": manganese}).complete_K for C in (carbon, carbon + 0.01))
    assert more <= here + 1e-9


def test_the_points_join_at_the_eutectoid() -> None:
    below, above = (critical_points(C, {"Mn": 0.4}) for C in (0.7615, 0.7625))
    assert (below.hypereutectoid, above.hypereutectoid) == (False, True)
    assert above.complete_K == pytest.approx(below.complete_K, abs=1.5)


@pytest.mark.parametrize("carbon", [0.75, 0.80, 0.90, 1.00])
def test_1500_F_is_inside_the_hardening_window_of_eutectoid_steel(carbon: float) -> None:
    # Common practice, no source: 1475 to 1500 F is the usual hardening heat of plain high-carbon steel.
    window = austenitizing_window(carbon, {"Mn": 0.40, "Si": 0.20})
    assert window.low_K < kelvin_from_fahrenheit(1475.0) < kelvin_from_fahrenheit(1500.0) < window.high_K


def test_a_medium_carbon_steel_is_hardened_from_a_higher_heat() -> None:
    # Common practice, no source: 0.40 % carbon steel from 830 to 860 C.
    window = austenitizing_window(0.40, {"Mn": 0.70, "Si": 0.20})
    assert celsius_from_kelvin(window.low_K) < 830.0 < 850.0 < celsius_from_kelvin(window.high_K)


def test_a_network_needs_a_hotter_normalizing_heat_than_a_eutectoid_steel() -> None:
    assert normalizing_window(1.2).low_K > normalizing_window(0.9).low_K > normalizing_window(0.77).low_K


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: ac3_K(0.8, {}),
         "carbon for Andrews' Ac3: found 0.8 wt%, expected 0 to 0.6 wt% (beyond it use critical_points)"),
        (lambda: acm_K(0.5), "carbon for A_cm: found 0.5 wt%, expected 0.761 to 2.054 wt% (below it use Ac3)"),
        (lambda: critical_points(3.0), "carbon for the critical points: found 3 wt%, expected 0 to 2.054 wt% (steel)"),
    ],
)  # fmt: skip
def test_carbon_outside_a_formula_is_refused(call, message: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(OutOfRange) as refusal:
        call()
    assert str(refusal.value) == message
