"""A refusal names what was found and what is expected in the units of whoever reads it; inside it stays in SI."""

import pickle

import pytest

from logger.errors import Fault, InputFault, OutOfRange, said_in
from logger.remark import Remark
from logger.units import DisplayUnits

INCHES = DisplayUnits("F", "in")
TOO_COLD = OutOfRange("quench", 963.15, 1000.15, 1420.15, "K", "a reason")


@pytest.mark.parametrize(
    ("refusal", "celsius", "fahrenheit"),
    [
        (
            TOO_COLD,
            "found 690 C, expected 727 to 1147 C (a reason)",
            "found 1274 F, expected 1341 to 2097 F (a reason)",
        ),
        (
            OutOfRange("size", 1.5, 0.0, 1.0, "m"),
            "found 1500 mm, expected 0 to 1000 mm",
            "found 59.06 in, expected 0 to 39.37 in",
        ),
        (
            OutOfRange("P", 18.0, 5e3, 3e4, "parameter_K"),
            "found 18 K, expected 5000 to 30000 K",
            "found 18 K, expected 5000 to 30000 K",
        ),
        (
            OutOfRange("x", 2.0, 0.25, 1.15, "wt% C"),
            "found 2 wt% C, expected 0.25 to 1.15 wt% C",
            "found 2 wt% C, expected 0.25 to 1.15 wt% C",
        ),
    ],
)
def test_a_value_out_of_range_is_told_in_the_readers_units(refusal, celsius, fahrenheit):
    assert str(refusal).partition(": ")[2] == celsius
    assert refusal.said(INCHES).partition(": ")[2] == fahrenheit


def test_inside_it_stays_in_kelvin():
    assert (TOO_COLD.value, TOO_COLD.low, TOO_COLD.high) == (963.15, 1000.15, 1420.15)


def test_gathered_with_others_and_sent_to_another_process_it_can_still_be_told_in_any_unit():
    gathered = InputFault([Fault("sheet", "nothing", "a piece"), *pickle.loads(pickle.dumps(TOO_COLD.faults))])
    assert gathered.said(INCHES).splitlines() == ["sheet: found nothing, expected a piece", TOO_COLD.said(INCHES)]


def test_a_remark_tells_a_refusal_in_the_units_it_is_read_in():
    remark = Remark("in water: {why}", why=TOO_COLD.faults[0])
    assert remark.said(INCHES) == f"in water: {TOO_COLD.said(INCHES)}"
    assert str(remark) == f"in water: {TOO_COLD}"


def test_work_for_a_sheet_refuses_in_the_sheets_units_unless_somebody_asks_for_others():
    with pytest.raises(OutOfRange) as refusal, said_in(INCHES):
        raise OutOfRange("quench", 963.15, 1000.15, 1420.15, "K", "a reason")
    assert str(refusal.value) == TOO_COLD.said(INCHES)
    assert refusal.value.said(DisplayUnits()) == str(TOO_COLD)
