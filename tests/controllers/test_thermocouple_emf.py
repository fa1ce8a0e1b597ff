"""Thermocouple voltages against the published tables."""

import csv
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.controllers.thermocouple_emf import OutsideTable, hot_junction_K, millivolts_from_temperature
from logger.units import celsius_from_kelvin, kelvin_from_celsius

PUBLISHED = Path(__file__).parent.parent / "published" / "its90_points.csv"
POINTS = list(csv.DictReader(line for line in PUBLISHED.read_text().splitlines() if not line.startswith("#")))
ICE_K = kelvin_from_celsius(0.0)


@pytest.mark.parametrize("point", POINTS, ids=lambda point: f"{point['type']} {point['T_C']} C")
def test_the_voltage_is_the_published_one(point):
    emf_mV = millivolts_from_temperature(kelvin_from_celsius(float(point["T_C"])), ICE_K, point["type"])
    assert emf_mV == pytest.approx(float(point["emf_mV_3dp"]), abs=0.000501)
    assert emf_mV == pytest.approx(float(point["emf_mV_full"]), abs=1e-6)


# The end of a table may be printed a rounding beyond its function's last value; that is no voltage to invert.
INVERTIBLE = [
    point for point in POINTS if (point["type"], float(point["T_C"])) not in {("N", 1300.0), ("T", 400.0), ("S", -50.0)}
]


@pytest.mark.parametrize("point", INVERTIBLE, ids=lambda point: f"{point['type']} {point['T_C']} C")
def test_the_temperature_of_a_printed_voltage_is_the_published_one(point):
    temperature_C = celsius_from_kelvin(hot_junction_K(float(point["emf_mV_3dp"]), ICE_K, point["type"]))
    rounding_C = 0.51 / max(float(point["seebeck_uV_per_C"]), 1.0)  # half of the last printed microvolt
    assert temperature_C == pytest.approx(float(point["T_C"]), abs=rounding_C)


def test_warm_terminals_add_their_voltage_and_not_their_temperature():
    # NIST Monograph 175: E_K(950 C) - E_K(25 C) = 39.314 - 1.000 = 38.313 mV (rounded from the full values)
    terminals_K = kelvin_from_celsius(25.0)
    assert celsius_from_kelvin(hot_junction_K(38.3133, terminals_K, "K")) == pytest.approx(950.0, abs=0.01)
    # type S: 9.014 - 0.143 = 8.871 mV; adding the temperatures instead would be wrong by more than 10 C here
    assert celsius_from_kelvin(hot_junction_K(8.871, terminals_K, "S")) == pytest.approx(950.0, abs=0.1)
    naive_C = celsius_from_kelvin(hot_junction_K(8.871, ICE_K, "S")) + 25.0
    assert abs(naive_C - 950.0) > 10.0


@given(st.sampled_from(["K", "N", "S", "R", "J", "T"]), st.floats(0.0, 390.0), st.floats(0.0, 60.0))
def test_there_and_back_is_where_it_began(thermocouple_type, hot_C, cold_C):
    hot_K, cold_K = kelvin_from_celsius(hot_C), kelvin_from_celsius(cold_C)
    emf_mV = millivolts_from_temperature(hot_K, cold_K, thermocouple_type)
    assert hot_junction_K(emf_mV, cold_K, thermocouple_type) == pytest.approx(hot_K, abs=1e-3)


@pytest.mark.parametrize("emf_mV", [80.0, -20.0, 1e9])
def test_a_voltage_no_thermocouple_gives_is_outside_the_table(emf_mV):
    with pytest.raises(OutsideTable):
        hot_junction_K(emf_mV, kelvin_from_celsius(25.0), "K")
