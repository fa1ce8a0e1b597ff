"""Martensite: its start, the austenite it leaves and its hardness, against published values."""

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.errors import OutOfRange
from logger.steel.hardness_conversion import vickers_HV
from logger.steel.martensite import (
    ROOM_K,
    USUAL_MANGANESE_WT_PCT,
    full_martensite_HRC,
    half_martensite_HRC,
    martensite_start,
    maynier_martensite_HV,
    quenched_hardness_HV,
    reported_quenched_HRC,
    retained_austenite,
)
from logger.units import celsius_from_kelvin, kelvin_from_celsius

PUBLISHED = Path(__file__).parents[1] / "published"


def published(name: str) -> list[dict[str, str]]:
    with (PUBLISHED / name).open(encoding="utf-8") as lines:
        return list(csv.DictReader(line for line in lines if not line.startswith("#")))


FORMULAS = ("Andrews", "Steven and Haynes", "Rowland and Lyle", "Grange and Stewart", "Payson and Savage")


@pytest.mark.parametrize("row", published("martensite_start.csv"), ids=lambda row: f"{row['C']} % C")
@pytest.mark.parametrize("name", FORMULAS)
def test_start_of_martensite_by_every_formula(row: dict[str, str], name: str) -> None:
    found = {one.name: one.start_K for one in martensite_start(float(row["C"]), {"Mn": float(row["Mn"])}).each}
    assert celsius_from_kelvin(found[name]) == pytest.approx(float(row[name]), abs=1.0)


def test_the_spread_of_the_start_is_kept_and_is_60_to_115_C_above_0_6_pct() -> None:
    # Published as "60 to 110 C" above 0.6 % C; the five rows of the table span 40 to 111.
    for carbon, manganese in ((0.80, 0.75), (0.95, 0.40), (1.10, 0.40)):
        start = martensite_start(carbon, {"Mn": manganese})
        assert 60.0 < start.high_K - start.low_K < 115.0
        assert start.low_K < start.best_K < start.high_K


def test_the_best_start_of_a_eutectoid_steel_is_near_its_diagram() -> None:
    # 215 to 220 C for 0.8 % C, 0.75 % Mn (from memory, isothermal diagrams): a plausibility check.
    assert celsius_from_kelvin(martensite_start(0.80, {"Mn": 0.75}).best_K) == pytest.approx(217.5, abs=5.0)


def test_a_formula_beyond_its_steels_says_so() -> None:
    inside = {one.name: one.inside for one in martensite_start(0.8, {"Mn": 0.75}).each}
    assert inside == {name: name not in ("Andrews", "Steven and Haynes") for name in FORMULAS}


@pytest.mark.parametrize(
    ("below_K", "martensite"), [(10, 0.104), (50, 0.423), (100, 0.667), (150, 0.808), (200, 0.889)]
)
def test_koistinen_marburger_values(below_K: float, martensite: float) -> None:
    # Computed from the published formula, three digits.
    assert 1.0 - float(retained_austenite(500.0, 500.0 - below_K)) == pytest.approx(martensite, abs=5e-4)


def test_a_start_at_200_C_keeps_about_15_pct_austenite_at_25_C() -> None:
    # A published page says "about 15 %"; the formula gives 14.6 %.
    share = float(retained_austenite(kelvin_from_celsius(200.0), kelvin_from_celsius(25.0)))
    assert share == pytest.approx(0.146, abs=5e-4)


def test_nothing_has_transformed_above_the_start() -> None:
    assert float(retained_austenite(480.0, 500.0)) == 1.0


@pytest.mark.parametrize("row", published("quenched_hardness.csv"), ids=lambda row: f"{row['kind']} {row['C']}")
def test_quenched_hardness_by_carbon(row: dict[str, str]) -> None:
    carbon, hardness_HRC = float(row["C"]), float(row["HRC"])
    if row["kind"] == "full":
        assert float(full_martensite_HRC(carbon)) == pytest.approx(hardness_HRC, abs=0.06)
    elif row["kind"] == "half":
        assert float(half_martensite_HRC(carbon)) == pytest.approx(hardness_HRC, abs=0.06)
    elif carbon > 0.5:  # the 0.31 % disc was not wholly martensite: see the head of the file
        start_K = martensite_start(carbon, {"Mn": USUAL_MANGANESE_WT_PCT}).best_K
        HV = quenched_hardness_HV(carbon, retained_austenite(start_K, ROOM_K))
        assert float(reported_quenched_HRC(HV)) == pytest.approx(hardness_HRC, abs=0.6)


def test_hardness_has_a_plateau_and_falls_when_more_carbon_is_dissolved() -> None:
    carbon = np.array([0.5, 0.8, 1.0, 1.15, 1.3, 1.5])
    starts_K = np.array([martensite_start(C, {"Mn": 0.6}).best_K for C in carbon])
    HV = quenched_hardness_HV(carbon, retained_austenite(starts_K, ROOM_K))
    assert HV[0] < HV[1]
    assert np.all(np.diff(HV[2:]) < 0.0)


def test_a_colder_quench_is_harder_at_high_carbon() -> None:
    start_K = martensite_start(1.1, {"Mn": 0.6}).best_K
    warm, room, cold = (retained_austenite(start_K, kelvin_from_celsius(T)) for T in (60.0, 25.0, -70.0))
    HV = [float(quenched_hardness_HV(1.1, share)) for share in (warm, room, cold)]
    assert HV[0] < HV[1] < HV[2]


@given(st.floats(0.10, 2.0), st.floats(0.0, 1.0))
def test_the_mixture_lies_between_austenite_and_the_hardest_martensite(carbon: float, share: float) -> None:
    assert 300.0 - 1e-6 <= float(quenched_hardness_HV(carbon, share)) + 1e-6 <= 1300.0


def test_maynier_and_a255_agree_where_both_hold() -> None:
    # Two independent formulas, 0.2 to 0.5 % C quenched at 200 K/s: apart by less than 40 HV (a spread of our own).
    for carbon in (0.25, 0.35, 0.45):
        by_a255 = float(vickers_HV(full_martensite_HRC(carbon)))
        assert maynier_martensite_HV(carbon, {"Mn": 0.75, "Si": 0.2}, 200.0 * 3600.0) == pytest.approx(
            by_a255, abs=40.0
        )


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: full_martensite_HRC(0.8),
         "carbon for the hardness of martensite: found 0.8 wt%, expected 0.1 to 0.69 wt% "
         "(ASTM A255; above it the measured discs to 1.15 wt%)"),
        (lambda: quenched_hardness_HV(0.05, 0.0),
         "carbon for the quenched hardness: found 0.05 wt%, expected 0.1 to 2.06 wt% (A255)"),
        (lambda: martensite_start(2.5),
         "carbon in solution for the start of martensite: found 2.5 wt%, expected 0 to 2.06 wt%"),
        (lambda: maynier_martensite_HV(0.8, {}, 1e6),
         "carbon for Maynier's hardness: found 0.8 wt%, expected 0.1 to 0.5 wt% (beyond it use the measured curve)"),
    ],
)  # fmt: skip
def test_carbon_outside_a_formula_is_refused(call, message: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(OutOfRange) as refusal:
        call()
    assert str(refusal.value) == message
