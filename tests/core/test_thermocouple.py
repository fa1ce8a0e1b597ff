"""Thermocouples: published tolerances, corrections kept apart, cautions where they bite."""

import csv
from pathlib import Path

import numpy as np
import pytest

from logger.errors import InputFault, OutOfRange
from logger.thermocouple import (
    Correction,
    Thermocouple,
    ThermocoupleType,
    ToleranceClass,
    cautions,
    tolerance_K,
    usable_tolerance_K,
)
from logger.units import kelvin_from_celsius

TABLE = Path(__file__).parent.parent / "published" / "thermocouple_tolerances.csv"
TYPE_K = Thermocouple()


def published() -> list[dict[str, str]]:
    """Rows of the table."""
    with TABLE.open() as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


@pytest.mark.parametrize("row", published(), ids=lambda row: f"{row['type']} {row['class']} {row['temperature_C']} C")
def test_the_tolerance_is_the_published_one(row: dict[str, str]) -> None:
    couple = Thermocouple(ThermocoupleType(row["type"]), ToleranceClass(row["class"]))
    value = float(tolerance_K(couple, kelvin_from_celsius(float(row["temperature_C"]))))
    assert value == pytest.approx(float(row["tolerance_K"]), abs=0.051)


def test_beyond_its_class_a_tolerance_is_refused_and_a_band_goes_on() -> None:
    couple = Thermocouple(ThermocoupleType.K, ToleranceClass.IEC_CLASS_1)
    with pytest.raises(OutOfRange) as fault:
        tolerance_K(couple, kelvin_from_celsius(1100.0))
    assert str(fault.value) == (
        "temperature of a type K thermocouple, class 1: found 1100 C, expected -40 to 1000 C (IEC 60584-1:2013)"
    )
    assert float(usable_tolerance_K(couple, kelvin_from_celsius(1100.0))) == pytest.approx(4.4)
    assert float(tolerance_K(couple, kelvin_from_celsius(1000.0))) == pytest.approx(4.0)


def test_a_correction_is_added_between_its_points_and_held_beyond_them() -> None:
    correction = Correction((400.0, 800.0), (-2.0, 6.0))
    assert correction.corrected_K(np.array([300.0, 400.0, 600.0, 800.0, 1000.0])) == pytest.approx(
        [298.0, 398.0, 602.0, 806.0, 1006.0]
    )
    untouched = np.array([300.1, 900.7])
    assert Correction().corrected_K(untouched) is untouched


@pytest.mark.parametrize(
    ("readings", "offsets", "message"),
    [
        ((500.0, 400.0), (0.0, 0.0), "correction: found 400 K after 500 K, expected readings that increase"),
        ((500.0,), (), "correction: found 1 readings and 0 offsets, expected as many of each"),
        ((500.0,), (float("nan"),), "correction: found a value that is not finite, expected temperatures"),
    ],
)
def test_a_correction_that_cannot_be_is_named(
    readings: tuple[float, ...], offsets: tuple[float, ...], message: str
) -> None:
    with pytest.raises(InputFault) as fault:
        Correction(readings, offsets)
    assert str(fault.value) == message


@pytest.mark.parametrize(
    ("couple", "peak_C", "in_carbon", "hours", "names"),
    [
        (Thermocouple(sheathed=False), 930.0, True, 0.0, ["green rot"]),
        (Thermocouple(sheathed=True), 930.0, True, 0.0, []),
        (Thermocouple(sheathed=False), 930.0, False, 0.0, []),
        (Thermocouple(), 1050.0, False, 0.0, ["type K above 1000 C"]),
        (Thermocouple(), 930.0, False, 250.0, ["old type K"]),
        (Thermocouple(), 1270.0, False, 0.0, ["type K above 1000 C", "type K above 1200 C", "beyond its class"]),
        (Thermocouple(ThermocoupleType.S), 930.0, True, 0.0, ["platinum in carbon"]),
        (Thermocouple(ThermocoupleType.N, sheathed=False), 930.0, True, 0.0, []),
    ],
)
def test_a_caution_is_given_where_it_bites_and_only_there(
    couple: Thermocouple, peak_C: float, in_carbon: bool, hours: float, names: list[str]
) -> None:
    said = cautions(couple, kelvin_from_celsius(peak_C), in_carbon, hours)
    assert [caution.name for caution in said] == names
