"""The quenched section: what is in solution, how hard, how deep, and the words that go with it."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.errors import InputFault, OutOfRange
from logger.estimate.hardening import SectionHardness, depth_to, section_hardness
from logger.sheet_parts import Bath, Shape
from logger.units import FloatArray, kelvin_from_celsius

DEPTH_M = np.linspace(0.0, 3e-3, 301)
STRAP = {"Mn": 0.10}


def case(surface_wt_pct: float, core_wt_pct: float = 0.10, depth_m: float = 1e-3) -> FloatArray:
    return core_wt_pct + (surface_wt_pct - core_wt_pct) * np.exp(-((DEPTH_M / depth_m) ** 2))


def quenched(carbon_wt_pct: FloatArray, temperature_C: float, **more: object) -> SectionHardness:
    return section_hardness(DEPTH_M, carbon_wt_pct, STRAP, kelvin_from_celsius(temperature_C), **more)  # type: ignore[arg-type]


def test_carbon_in_solution_stops_at_A_cm() -> None:
    # A_cm of plain Fe-C at 800 C is 0.948 wt% (Gustafson 1985); 0.1 % Mn moves it by less than 0.02.
    section = quenched(case(1.25), 800.0)
    assert section.carbon_in_solution_wt_pct.max() == pytest.approx(0.948, abs=0.02)
    assert section.cementite_share[0] == pytest.approx((1.25 - 0.948) / (6.69 - 0.948), abs=0.004)


def test_below_A3_the_austenite_is_richer_than_the_steel_and_ferrite_stays() -> None:
    # Fe-C at 775 C: A3 at 0.460 wt% (Gustafson 1985).
    section = quenched(np.full(DEPTH_M.size, 0.20), 775.0)
    assert section.carbon_in_solution_wt_pct[0] == pytest.approx(0.46, abs=0.03)
    assert 0.35 < section.austenite_share[0] < 0.50
    assert any("keeps ferrite" in line for line in section.advice)


def test_a_case_quenched_hot_is_soft_at_the_face_and_hard_below() -> None:
    section = quenched(case(1.25), 930.0)
    hardest = int(np.nanargmax(section.hardness_HRC))
    assert DEPTH_M[hardest] > 1e-4
    assert section.hardness_HRC[0] < section.hardness_HRC[hardest] - 3.0
    assert section.extrapolated[0]
    assert any(line.startswith("soft for retained austenite: about ") for line in section.advice)


def test_the_same_case_quenched_from_780_C_is_hard_at_the_face_and_keeps_carbide() -> None:
    section = quenched(case(1.25), 780.0)
    assert section.hardness_HRC[0] > 64.0
    assert any(line.startswith("carbide left undissolved down to ") for line in section.advice)
    assert not any("retained austenite" in line for line in section.advice)


def test_a_lean_core_is_said_not_to_harden() -> None:
    section = quenched(case(0.9), 850.0)
    assert "the core (0.10 % carbon) stays tough rather than hard: too little carbon" in section.advice
    assert section.hardness_HRC[-1] < 40.0


def test_a_eutectoid_blade_comes_to_just_over_65_HRC() -> None:
    # Common practice, no source: about eutectoid steel quenched from 1500 F measures just over 65 HRC.
    section = quenched(np.full(DEPTH_M.size, 0.77), 815.6)
    assert 65.0 < section.hardness_HRC[0] < 67.5
    assert section.depth_550_hv_m == DEPTH_M[-1]


def test_depths_to_550_HV_and_50_HRC_lie_where_the_carbon_makes_that_hardness() -> None:
    # ASTM A255: wholly martensitic steel reaches 50 HRC at 0.29 % C and 52.4 HRC (550 HV) at 0.33 % C.
    section = quenched(case(0.85), 890.0)
    carbon_at = np.interp([section.depth_550_hv_m, section.depth_50_hrc_m], DEPTH_M, case(0.85))
    assert carbon_at == pytest.approx([0.33, 0.29], abs=0.01)
    assert section.depth_550_hv_m < section.depth_50_hrc_m


def test_iron_without_carbon_has_no_hardness_number() -> None:
    section = quenched(np.full(DEPTH_M.size, 0.03), 920.0)
    assert np.all(np.isnan(section.hardness_HV))
    assert section.depth_550_hv_m == 0.0


def test_the_band_holds_the_hardness_and_widens_with_carbon() -> None:
    section = quenched(case(1.1), 860.0)
    known = np.isfinite(section.low_HRC)
    assert np.all(section.low_HRC[known] < section.hardness_HRC[known])
    assert np.all(section.hardness_HRC[known] < section.high_HRC[known])
    width = section.high_HRC - section.low_HRC
    assert width[0] > width[150]


@given(st.floats(0.1, 1.2), st.floats(770.0, 900.0), st.floats(-20.0, 60.0), st.floats(1.0, 50.0))
def test_a_warmer_end_of_the_quench_never_keeps_less_austenite(
    carbon: float, temperature_C: float, end_C: float, warmer_K: float
) -> None:
    carbons = np.full(DEPTH_M.size, carbon)
    cold, warm = (
        quenched(carbons, temperature_C, quench_end_K=kelvin_from_celsius(T)) for T in (end_C, end_C + warmer_K)
    )
    assert np.all(warm.retained_austenite >= cold.retained_austenite)
    assert np.all((warm.retained_austenite >= 0.0) & (warm.retained_austenite <= 1.0))


def test_the_bath_is_judged_by_the_leanest_part() -> None:
    section = quenched(np.full(DEPTH_M.size, 0.8), 800.0, size_m=0.006, shape=Shape.PLATE, bath=Bath.SLOW_OIL)
    assert section.advice[-1].endswith("will not harden through in slow oil: the core stays soft")


def test_a_bath_outside_the_standard_is_refused_in_words() -> None:
    rich = section_hardness(
        DEPTH_M, np.full(DEPTH_M.size, 0.8), {"W": 1.5}, 1080.0, size_m=0.006, bath=Bath.BRINE
    )  # fmt: skip
    assert rich.advice[-1].startswith(
        "whether it hardens through in brine cannot be said: W for the hardenability: found"
    )


@pytest.mark.parametrize(
    ("hardness", "depth"),
    [
        ([700, 700, 500, 400], 1.75e-3),  # plain case: 700 to 500 HV between 1 and 2 mm crosses 550 at 1.75
        ([400, 700, 500, 400], 1.75e-3),  # a soft skin does not end it
        ([700, 700, 700, 700], 3e-3),  # hard throughout
        ([400, 400, 400, 400], 0.0),  # never
        ([700, np.nan, 400, 400], 150 / 700 * 1e-3),  # no number counts as soft
    ],
)
def test_depth_to_a_hardness(hardness: list[float], depth: float) -> None:
    assert depth_to(np.array([0.0, 1e-3, 2e-3, 3e-3]), np.array(hardness, dtype=float), 550.0) == pytest.approx(depth)


def test_a_temperature_without_austenite_is_refused() -> None:
    with pytest.raises(OutOfRange, match=r"austenitizing temperature: found 700 C") as refusal:
        quenched(case(0.9), 700.0)
    assert "below it nothing hardens, above it a carburized skin melts" in str(refusal.value)


def test_depths_that_do_not_match_are_refused() -> None:
    with pytest.raises(InputFault, match="section to harden"):
        section_hardness(DEPTH_M, case(0.9)[:-1], STRAP, 1100.0)
