"""Ideal diameter and bath against ASTM A255 and the conduction it rests on."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import j0, j1

from logger.errors import OutOfRange
from logger.sheet_parts import Bath, Shape
from logger.steel.hardenability import (
    bessel_j,
    hardens_through,
    ideal_diameter_m,
    multiplying_factor,
    needed_ideal_diameter_m,
)
from logger.units import METRES_PER_INCH

# Base diameter [in] by carbon, grain size 7, as ASTM A255 tables it to three digits (from memory): a check on the
# polynomials, which were seen in public sources.
A255_BASE = [
    (0.10, 0.054), (0.20, 0.108), (0.39, 0.211), (0.40, 0.213), (0.50, 0.238), (0.60, 0.262),
    (0.70, 0.283), (0.80, 0.303), (0.90, 0.321),
]  # fmt: skip


@pytest.mark.parametrize(("carbon", "inches"), A255_BASE)
def test_base_diameter_by_carbon(carbon: float, inches: float) -> None:
    assert ideal_diameter_m({}, carbon) / METRES_PER_INCH == pytest.approx(inches, abs=0.0011)


# Worked example of ASTM A255 for a modified 4118 (seen, quoted from the standard): element, wt%, printed factor.
A255_EXAMPLE = [
    ("Mn", 0.80, 3.667), ("Si", 0.18, 1.126), ("Ni", 0.10, 1.036), ("Cr", 0.43, 1.929),
    ("Mo", 0.25, 1.75), ("Cu", 0.10, 1.04), ("V", 0.05, 1.09),
]  # fmt: skip


@pytest.mark.parametrize(("element", "wt_pct", "factor"), A255_EXAMPLE)
def test_multiplying_factors_of_the_worked_example(element: str, wt_pct: float, factor: float) -> None:
    assert multiplying_factor(element, wt_pct) == pytest.approx(factor, abs=0.005)


def test_ideal_diameter_of_the_worked_example() -> None:
    # Printed 1.95 in from factors rounded to three digits; unrounded factors give 1.93.
    alloy = {element: wt_pct for element, wt_pct, _ in A255_EXAMPLE}
    assert ideal_diameter_m(alloy, 0.22) / METRES_PER_INCH == pytest.approx(1.95, rel=0.01)


@pytest.mark.parametrize(("carbon", "manganese"), [(0.39, 0.5), (0.55, 0.5), (0.65, 0.5), (0.75, 0.5), (0.3, 1.20)])
def test_the_pieces_of_the_factors_join(carbon: float, manganese: float) -> None:
    below, above = (ideal_diameter_m({"Mn": manganese + d}, carbon + d) for d in (-1e-6, 1e-6))
    assert above == pytest.approx(below, rel=0.01)


def test_a_finer_grain_hardens_less_deeply() -> None:
    coarse, usual, fine = (ideal_diameter_m({"Mn": 0.5}, 0.8, grain) for grain in (5.0, 7.0, 9.0))
    assert coarse > usual > fine


def test_an_ideal_bath_needs_the_diameter_itself() -> None:
    assert needed_ideal_diameter_m(0.02, Shape.ROUND, 1e6) == pytest.approx(0.02, rel=1e-3)


def test_a_mild_bath_cools_a_piece_as_one_body() -> None:
    # Newton cooling: half time = ln 2 rho c V / (h A); V/A of a plate is twice that of a round of the same size.
    plate, round_ = (needed_ideal_diameter_m(1e-4, shape, 0.2) for shape in (Shape.PLATE, Shape.ROUND))
    assert plate / round_ == pytest.approx(np.sqrt(2.0), rel=1e-3)


def test_half_times_match_the_published_series_of_slab_and_cylinder() -> None:
    # J. Crank, The Mathematics of Diffusion, eqs. 4.17 and 5.22 (surface step): the centre is half way at Dt/L^2
    # 0.379 in a slab and 0.201 in a cylinder (computed; at 0.40 the slab is at 0.5255, at 0.20 the cylinder at 0.4985).
    ratio = needed_ideal_diameter_m(0.01, Shape.PLATE, 1e6) / needed_ideal_diameter_m(0.01, Shape.ROUND, 1e6)
    assert ratio == pytest.approx(np.sqrt(0.379 / 0.2006), rel=3e-3)


@given(st.floats(0.001, 0.1), st.floats(0.05, 10.0), st.sampled_from([Shape.PLATE, Shape.ROUND]))
def test_thicker_or_milder_needs_more_hardenability(size_m: float, severity: float, shape: Shape) -> None:
    here = needed_ideal_diameter_m(size_m, shape, severity)
    assert here >= size_m * 0.999
    assert needed_ideal_diameter_m(size_m * 1.2, shape, severity) > here
    assert needed_ideal_diameter_m(size_m, shape, severity * 0.8) > here


def test_a_thin_blade_of_plain_steel_hardens_in_brine_and_not_in_slow_oil() -> None:
    # Common practice, no source: plain low-manganese steel of 3 mm hardens through in brine, slow oil is too slow.
    answers = {bath: hardens_through(0.003, Shape.PLATE, 0.80, {"Mn": 0.40, "Si": 0.20}, bath).through for bath in Bath}
    assert answers[Bath.BRINE] is True
    assert answers[Bath.FAST_OIL] is None
    assert answers[Bath.SLOW_OIL] is False


def test_the_advice_names_the_numbers() -> None:
    answer = hardens_through(0.012, Shape.PLATE, 0.80, {"Mn": 0.10}, Bath.FAST_OIL)
    assert answer.advice == (
        "ideal diameter 10 mm, this size needs 42 mm to 57 mm: will not harden through in fast oil: the core stays soft"
    )


@pytest.mark.parametrize(
    ("alloy", "carbon", "message"),
    [
        ({"Mn": 0.4}, 1.1, "C for the hardenability: found 1.1 wt%, expected 0.01 to 0.9 wt% (ASTM A255, ideal "
         "diameter from composition, grain size 7; above 0.90 % C try the carbon in solution at the austenitizing "
         "temperature)"),
        ({"Cr": 5.0}, 0.5, "Cr for the hardenability: found 5 wt%, expected 0 to 2.5 wt% (ASTM A255, ideal diameter "
         "from composition, grain size 7)"),
        ({"W": 1.0}, 0.5, "W for the hardenability: found 1 wt%, expected 0 to 0 wt% (ASTM A255, ideal diameter "
         "from composition, grain size 7)"),
    ],
)  # fmt: skip
def test_composition_outside_the_factors_is_refused(alloy: dict[str, float], carbon: float, message: str) -> None:
    with pytest.raises(OutOfRange) as refusal:
        ideal_diameter_m(alloy, carbon)
    assert str(refusal.value) == message


def test_grain_size_outside_is_refused() -> None:
    with pytest.raises(OutOfRange, match="ASTM number"):
        ideal_diameter_m({}, 0.5, 2.0)


def test_bessel_functions_are_those_of_an_independent_library_and_of_the_handbook() -> None:
    z = np.linspace(0.0, 60.0, 601)
    assert bessel_j(0, z) == pytest.approx(j0(z), abs=1e-14)
    assert bessel_j(1, z) == pytest.approx(j1(z), abs=1e-14)
    # Abramowitz, Stegun, Handbook of Mathematical Functions, table 9.1 (from memory).
    assert float(bessel_j(0, 10.0)) == pytest.approx(-0.2459357645, abs=1e-10)
    assert float(bessel_j(1, 10.0)) == pytest.approx(0.0434727462, abs=1e-10)
