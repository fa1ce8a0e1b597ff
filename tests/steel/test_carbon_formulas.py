"""Diffusivity, activity, phase limits and alloy correction against published values and an independent program."""

import csv
from pathlib import Path

import numpy as np
import pytest

from logger.steel.carbon_activity import carbon_at_activity_wt_pct, log_carbon_activity
from logger.steel.carbon_diffusion import (
    AGREN,
    PUBLISHED_LAWS,
    SLYCKE_ERICSSON,
    TIBBETTS,
    ArrheniusDiffusivity,
    ferrite_diffusivity_m2_per_s,
    liquid_diffusivity_m2_per_s,
)
from logger.steel.composition import carbon_mole_fraction, carbon_wt_pct_of_site_fraction, potential_per_alloy_carbon
from logger.steel.phase_limits import (
    A1_K,
    EUTECTIC_K,
    EUTECTOID_WT_PCT,
    LIQUIDUS,
    SATURATION,
    austenite_low_limit_wt_pct,
    cementite_line_wt_pct,
    ferrite_limit_wt_pct,
    graphite_line_wt_pct,
    liquid_at_graphite_wt_pct,
    liquidus_wt_pct,
    phase_table,
    solidus_temperature_K,
    solidus_wt_pct,
)
from logger.units import FloatArray, kelvin_from_celsius

PUBLISHED = Path(__file__).parents[1] / "published"


def published(name: str) -> list[dict[str, str]]:
    with (PUBLISHED / name).open(encoding="utf-8") as lines:
        return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def array(*values: float) -> FloatArray:
    return np.array(values, dtype=np.float64)


@pytest.mark.parametrize("row", published("carbon_diffusivity.csv"), ids=lambda row: "-".join(row.values()))
def test_diffusivity_is_the_published_one(row: dict[str, str]) -> None:
    law = {"agren": AGREN, "tibbetts": TIBBETTS, "slycke": SLYCKE_ERICSSON}[row["law"]]
    temperature_K = array(kelvin_from_celsius(float(row["temperature_C"])))
    D = law.at(temperature_K, array(float(row["carbon_wt_pct"])))[0]
    assert pytest.approx(1e-11 * float(row["D_1e11_m2_per_s"]), rel=2e-3) == D


def test_the_three_laws_agree_as_well_as_their_authors_data_do() -> None:
    # At 900 C and up they differ by at most 20 % at 1.2 % C (comparison of the three published formulas).
    temperature_K = array(*np.arange(1173.15, 1473.2, 25.0))
    D = np.array([law.at(temperature_K, array(1.2)) for law in PUBLISHED_LAWS])
    assert 1.1 < np.max(D.max(axis=0) / D.min(axis=0)) <= 1.21


def test_average_diffusivity_is_near_an_independent_theory() -> None:
    # H.K.D.H. Bhadeshia's MAP routine MAP_STEEL_PROGC (Siller-McLellan theory), worked example on its page: average
    # over x = 0.0062 to 0.03023 at 961.15 K is 0.32954e-8 cm2/s. 961 K lies below the data of either: 25 % allowed.
    x = np.linspace(0.0062, 0.03023, 200)
    carbon = carbon_wt_pct_of_site_fraction(x / (1.0 - x))
    assert carbon_mole_fraction(carbon) == pytest.approx(x, rel=1e-12)
    average = float(np.mean(AGREN.at(array(961.15), carbon)))
    assert average == pytest.approx(0.32954e-12, rel=0.25)


def test_a_textbook_arrhenius_law_gives_its_own_table() -> None:
    # W.D. Callister, Materials Science and Engineering, table 5.2 (constants seen): at 950 and 1100 C.
    callister = ArrheniusDiffusivity(2.3e-5, 148000.0)
    D = callister.at(array(1223.15, 1373.15), array(0.5))
    assert pytest.approx(array(1.100e-11, 5.394e-11), rel=1e-3) == D


def test_ferrite_diffusivity_is_the_published_one() -> None:
    # J. Agren, Acta Metallurgica 30 (1982) 841, worked out apart: unit 1e-11 m2/s at 500, 600, 700, 727, 800 C.
    D = ferrite_diffusivity_m2_per_s(kelvin_from_celsius(array(500.0, 600.0, 700.0, 727.0, 800.0)))
    assert pytest.approx(array(0.45, 2.14, 8.7, 13.0, 36.8), rel=0.01) == D * 1e11


def test_liquid_diffusivity_has_the_known_magnitude() -> None:
    # From memory: about 1e-8 m2/s near the melting of cast iron, 2e-8 near that of iron; good to a factor of two.
    low, high = liquid_diffusivity_m2_per_s(array(1450.0, 1823.0))
    assert 4e-9 < low < 2e-8
    assert 1e-8 < high < 4e-8


@pytest.mark.parametrize("row", published("carbon_activity.csv"), ids=lambda row: "-".join(row.values()))
def test_carbon_activity_is_the_published_one_and_its_inverse_comes_back(row: dict[str, str]) -> None:
    temperature_K = array(kelvin_from_celsius(float(row["temperature_C"])))
    carbon = array(float(row["carbon_wt_pct"]))
    activity = np.exp(log_carbon_activity(temperature_K, carbon))
    assert activity[0] == pytest.approx(float(row["activity"]), abs=1e-3)
    assert carbon_at_activity_wt_pct(temperature_K, activity)[0] == pytest.approx(carbon[0], rel=1e-9)


def test_no_activity_means_no_carbon() -> None:
    assert carbon_at_activity_wt_pct(array(1200.0), array(0.0))[0] == 0.0


LINES = {
    "alpha": (ferrite_limit_wt_pct, 1e-4),
    "A3": (austenite_low_limit_wt_pct, 1.6e-3),
    "Acm": (cementite_line_wt_pct, 7e-4),
    "Agr": (graphite_line_wt_pct, 2e-4),
    "solidus": (solidus_wt_pct, 7e-4),
    "liquidus": (liquidus_wt_pct, 7e-4),
    "Lgra": (liquid_at_graphite_wt_pct, 9e-4),
}


@pytest.mark.parametrize("line", LINES)
def test_phase_limit_fits_keep_their_stated_error(line: str) -> None:
    limit, error = LINES[line]
    rows = [row for row in published("iron_carbon_limits.csv") if row[line]]
    if line == "Lgra":
        rows = [row for row in rows if float(row["T_C"]) >= 1153.43]  # below it the liquid is not stable
    temperature_K = kelvin_from_celsius(array(*(float(row["T_C"]) for row in rows)))
    computed = array(*(float(row[line]) for row in rows))
    assert np.max(np.abs(limit(temperature_K) - computed)) <= error


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")
def test_phase_limits_agree_with_pycalphad_on_temperatures_of_our_choosing() -> None:
    """An independent program and its own packaged data file (tests only), at temperatures the fits have not seen."""
    import pycalphad
    from pycalphad import Database, equilibrium
    from pycalphad import variables as v

    database = Database(Path(pycalphad.__file__).parent / "tests" / "databases" / "cfe_broshe.tdb")

    def austenite_wt_pct(temperature_K: float, carbon_wt_pct: float, phases: list[str]) -> float:
        x = carbon_mole_fraction(carbon_wt_pct)
        found = equilibrium(
            database, ["FE", "C", "VA"], phases, {v.T: temperature_K, v.P: 101325.0, v.X("C"): x, v.N: 1.0}
        )
        names = found.Phase.values.ravel().tolist()
        y = found.X.sel(component="C").values.ravel()[names.index("FCC_A1")]
        return float(100.0 * 12.011 * y / (12.011 * y + 55.847 * (1.0 - y)))

    for temperature_C in (783.0, 887.0, 937.0, 1012.0, 1111.0):
        T = kelvin_from_celsius(temperature_C)
        with_cementite = austenite_wt_pct(T, 3.0, ["FCC_A1", "CEMENTITE_D011"])
        assert cementite_line_wt_pct(array(T))[0] == pytest.approx(with_cementite, abs=1.5e-3)
        with_graphite = austenite_wt_pct(T, 3.0, ["FCC_A1", "GRAPHITE"])
        assert graphite_line_wt_pct(array(T))[0] == pytest.approx(with_graphite, abs=1e-3)
    for temperature_C in (1163.0, 1207.0, 1281.0):
        T = kelvin_from_celsius(temperature_C)
        beside_liquid = austenite_wt_pct(T, 2.5, ["FCC_A1", "LIQUID"])
        assert solidus_wt_pct(array(T))[0] == pytest.approx(beside_liquid, abs=1.5e-3)
    for temperature_C in (757.0, 831.0):
        T = kelvin_from_celsius(temperature_C)
        beside_ferrite = austenite_wt_pct(T, 0.05, ["FCC_A1", "BCC_A2"])
        assert austenite_low_limit_wt_pct(array(T))[0] == pytest.approx(beside_ferrite, abs=2.5e-3)


def test_the_solver_table_never_lets_two_limits_cross() -> None:
    rows = phase_table().rows
    assert np.all(np.diff(rows[:, [0, 1, SATURATION, LIQUIDUS]], axis=1) >= 0.0)
    assert np.all(np.isfinite(rows))


def test_the_limits_meet_where_the_diagram_says() -> None:
    # Handbook (ASM; from memory): eutectoid 0.76 to 0.77 % at 727 C, eutectic 2.1 % and 4.3 % at 1147 C. Tolerances are
    # the difference of the 1985 assessment from it.
    assert cementite_line_wt_pct(array(A1_K))[0] == pytest.approx(0.765, abs=0.01)
    assert austenite_low_limit_wt_pct(array(A1_K))[0] == pytest.approx(EUTECTOID_WT_PCT, abs=0.005)
    assert solidus_wt_pct(array(EUTECTIC_K))[0] == pytest.approx(2.08, abs=0.04)
    assert liquidus_wt_pct(array(EUTECTIC_K))[0] == pytest.approx(4.3, abs=0.1)


def test_graphite_never_takes_plain_austenite_to_carbide_nor_melts_it_below_its_eutectic() -> None:
    temperature_K = kelvin_from_celsius(np.arange(740.0, 1148.0, 4.0))
    assert np.all(graphite_line_wt_pct(temperature_K) < cementite_line_wt_pct(temperature_K))


def test_richer_steel_melts_lower() -> None:
    # First melting by carbon, from tests/published/iron_carbon_limits.csv (pycalphad, packaged data).
    for carbon, temperature_C in ((2.03, 1153.0), (1.797, 1200.0), (1.537, 1250.0), (1.266, 1300.0)):
        assert solidus_temperature_K(carbon) == pytest.approx(kelvin_from_celsius(temperature_C), abs=0.6)


def test_alloying_moves_the_carbon_at_equal_activity_the_way_gunnarson_says() -> None:
    assert potential_per_alloy_carbon({}) == 1.0
    assert potential_per_alloy_carbon({"Si": 1.0}) == pytest.approx(10**0.055)  # takes less carbon
    assert potential_per_alloy_carbon({"Ni": 1.0}) > 1.0
    for element in ("Mn", "Cr", "Mo"):
        assert potential_per_alloy_carbon({element: 1.0}) < 1.0  # takes more
    # 1018 steel (0.75 Mn, 0.2 Si): factor 1.003, negligible
    assert potential_per_alloy_carbon({"Mn": 0.75, "Si": 0.2}) == pytest.approx(1.003, abs=0.001)
