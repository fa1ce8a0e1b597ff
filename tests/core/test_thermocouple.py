"""Thermocouples: published tolerances, corrections kept apart, cautions where they bite, two channels side by side."""

import csv
from pathlib import Path

import numpy as np
import pytest

from logger.errors import InputFault, OutOfRange
from logger.history import History
from logger.thermocouple import (
    Correction,
    PairFinding,
    Thermocouple,
    ThermocoupleType,
    ToleranceClass,
    cautions,
    compare,
    tolerance_K,
    usable_tolerance_K,
)
from logger.units import FloatArray, kelvin_from_celsius

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


def heat(hours: float = 5.0, interval_s: float = 10.0) -> tuple[FloatArray, FloatArray]:
    """A ramp of an hour to 940 C and a hold, without noise."""
    t = np.arange(0.0, hours * 3600.0, interval_s)
    return t, kelvin_from_celsius(np.minimum(20.0 + t * 920.0 / 3600.0, 940.0))


def pair(second_K: FloatArray) -> tuple[History, History]:
    """The oven's channel and a second one beside it, with noise of half a kelvin on both."""
    t, x = heat()
    rng = np.random.default_rng(1)
    first = History("oven", t, x + rng.normal(0.0, 0.5, t.size), 10.0)
    return first, History("second", t, second_K + rng.normal(0.0, 0.5, t.size), 10.0)


def test_two_good_thermocouples_agree() -> None:
    _, x = heat()
    found = compare(*pair(x + 3.0), TYPE_K, TYPE_K)
    assert found.finding is PairFinding.AGREE
    assert found.difference_K == pytest.approx(3.0, abs=0.2)
    assert found.allowed_K == pytest.approx(2 * 7.05, abs=0.1)


def test_a_reversed_pair_falls_as_it_heats() -> None:
    _, x = heat()
    found = compare(*pair(2 * 293.15 - x), TYPE_K, TYPE_K)
    assert (found.finding, found.suspect) == (PairFinding.REVERSED, "second")
    assert found.text == "second falls while the other rises: its two wires are swapped"


def test_a_short_in_the_lead_stays_near_room_temperature() -> None:
    _, x = heat()
    found = compare(*pair(np.full(x.size, 298.0)), TYPE_K, TYPE_K)
    assert (found.finding, found.suspect) == (PairFinding.SHORTED, "second")


def test_a_tip_pulled_into_the_wall_drops_at_once_and_stays_down() -> None:
    t, x = heat()
    found = compare(*pair(np.where(t > 9000.0, x - 45.0, x)), TYPE_K, TYPE_K)
    assert (found.finding, found.suspect) == (PairFinding.WITHDRAWN, "second")
    assert "2.5" in found.text


def test_a_drift_grows_with_the_hours() -> None:
    t, x = heat()
    found = compare(*pair(x - 3.0 * np.maximum(t / 3600.0 - 1.0, 0.0)), TYPE_K, TYPE_K)
    assert (found.finding, found.suspect) == (PairFinding.DRIFT, "second")
    assert found.drift_K_per_h == pytest.approx(-3.0, abs=0.3)


def test_a_difference_beyond_both_tolerances_is_told_without_guessing_which_is_wrong() -> None:
    _, x = heat()
    found = compare(*pair(x + 25.0 * (x - 293.15) / 920.0), TYPE_K, TYPE_K)
    assert (found.finding, found.suspect) == (PairFinding.OFFSET, "")
    elsewhere = compare(*pair(x + 25.0 * (x - 293.15) / 920.0), TYPE_K, TYPE_K, same_place=False)
    assert elsewhere.finding is PairFinding.AGREE


def test_a_correction_known_from_calibration_takes_the_difference_away() -> None:
    _, x = heat()
    known = Thermocouple(correction=Correction((293.15, 1213.15 + 25.0), (0.0, -25.0)))
    found = compare(*pair(x + 25.0 * (x - 293.15) / 920.0), TYPE_K, known)
    assert found.finding is PairFinding.AGREE
    assert abs(found.difference_K) < 0.5


def test_blanks_and_channels_that_never_meet_are_no_comparison() -> None:
    t, x = heat()
    first = History("oven", t, x, 10.0)
    never = History("second", t + 1e6, x, 10.0)
    blank = History("second", t, np.full(t.size, np.nan), 10.0)
    for other in (never, blank):
        assert compare(first, other, TYPE_K, TYPE_K).finding is PairFinding.TOO_FEW


def test_a_second_channel_with_holes_is_compared_where_it_reads() -> None:
    t, x = heat()
    first, second = pair(x + 3.0)
    keep = (t < 7000.0) | (t > 9500.0)
    holed = History("second", second.time_s[keep], second.temperature_K[keep], 10.0)
    found = compare(first, holed, TYPE_K, TYPE_K)
    assert found.finding is PairFinding.AGREE
    assert found.difference_K == pytest.approx(3.0, abs=0.2)
