"""The text device prints what the controller shows, in the form that was asked for."""

import math

import pytest
from thermocouple_its90 import TypeK

from sim.errors import BadInput
from sim.line_device import LineStyle, line
from sim.registers import Display

SHOWN = Display(924.96, 925.0, math.nan, 41.25, 16, 1, "C", 26.5)


@pytest.mark.parametrize(
    ("style", "expected"),
    [
        (LineStyle(), b"PV=925.0 SP=925.0 OUT=41.2 C\r\n"),
        (LineStyle(answer="{pv:.2f};{t2}", comma=True, line_end="\n"), b"924,96;-----\n"),
        (LineStyle(answer="{pv:7.0f}|{t2:5}|{status}|{time}", break_text="OPEN"), b"    925|OPEN|16|60.0\r\n"),
        (LineStyle(answer="v1.2, {pv}", comma=True), b"v1,2, 925,0\r\n"),
    ],
)
def test_a_line_is_filled_in(style: LineStyle, expected: bytes) -> None:
    assert line(style, SHOWN, 60.0) == expected


def test_millivolts_are_those_of_the_couple_less_the_cold_junction() -> None:
    text = line(LineStyle(answer="{mv} {cj}"), SHOWN, 0.0).decode()
    voltage, cold = map(float, text.split())
    assert voltage == pytest.approx(TypeK.emf(924.96) - TypeK.emf(26.5), abs=0.02)
    assert cold == 26.5


def test_an_unknown_field_is_refused() -> None:
    with pytest.raises(BadInput, match="expected fields pv, sp, t2"):
        LineStyle(answer="{humidity}")
