"""A quantity is the same however it is written, and remembers how that was."""

from fractions import Fraction
from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.quantities import (
    CARBON,
    DURATION,
    HARDNESS,
    LENGTH,
    MASS,
    MASS_TRANSFER,
    MOLAR_ENERGY,
    TEMPERATURE,
    TEMPERATURE_DIFFERENCE,
    TEMPERATURE_RATE,
    TEMPERING_PARAMETER,
    Dimension,
    Written,
)
from logger.units import (
    celsius_from_kelvin,
    fahrenheit_from_kelvin,
    inches_from_metres,
    millimetres_from_metres,
)

DIMENSIONS = [
    CARBON, DURATION, HARDNESS, LENGTH, MASS, MASS_TRANSFER, MOLAR_ENERGY, TEMPERATURE, TEMPERATURE_DIFFERENCE,
    TEMPERATURE_RATE, TEMPERING_PARAMETER,
]  # fmt: skip


@pytest.mark.parametrize(
    ("dimension", "text", "value", "unit"),
    [
        (LENGTH, "6 mm", 0.006, "mm"),
        (LENGTH, "6mm", 0.006, "mm"),
        (LENGTH, "0.25 in", 0.00635, "in"),
        (LENGTH, "1/4 in", 0.00635, "in"),
        (LENGTH, '3/16"', 0.0047625, "in"),
        (LENGTH, "1 1/2 inches", 0.0381, "in"),
        (LENGTH, "40 thou", 0.001016, "thou"),
        (LENGTH, "800 µm", 0.0008, "um"),
        (LENGTH, "8e-1 mm", 0.0008, "mm"),
        (LENGTH, " .5 mm ", 0.0005, "mm"),
        (TEMPERATURE, "1750 F", 1227.594444, "F"),
        (TEMPERATURE, "954 °C", 1227.15, "C"),
        (TEMPERATURE, "-40 degF", 233.15, "F"),
        (TEMPERATURE, "1223.15 K", 1223.15, "K"),
        (TEMPERATURE_DIFFERENCE, "25 F", 13.888889, "F"),
        (TEMPERATURE_DIFFERENCE, "-2 C", -2.0, "C"),
        (TEMPERATURE_RATE, "300 C/min", 5.0, "C_per_min"),
        (DURATION, "2 h 30 min", 9000.0, "h"),
        (DURATION, "2h30min", 9000.0, "h"),
        (DURATION, "1 h 30 min 15 s", 5415.0, "h"),
        (DURATION, "150 min", 9000.0, "min"),
        (DURATION, "2.5 hours", 9000.0, "hours"),
        (DURATION, "800 ms", 0.8, "ms"),
        (CARBON, "0.40 %", 0.40, "wt_pct"),
        (CARBON, "0.40", 0.40, "wt_pct"),
        (HARDNESS, "60 HRC", 60.0, "HRC"),
        (MASS, "2.5 lb", 1.133980925, "lb"),
        (MASS_TRANSFER, "1e-5 cm/s", 1e-7, "cm_per_s"),
        (MOLAR_ENERGY, "148 kJ/mol", 148000.0, "kJ_per_mol"),
    ],
)
def test_what_people_write_is_understood(dimension: Dimension, text: str, value: float, unit: str) -> None:
    written = dimension.read(text)
    assert written.value == pytest.approx(value, rel=1e-7)
    assert written.unit == unit


@pytest.mark.parametrize(
    ("dimension", "raw"),
    [
        (LENGTH, "six"), (LENGTH, ""), (LENGTH, "mm"), (LENGTH, "6"), (LENGTH, "6 C"), (LENGTH, "6 mm 3 mm"),
        (LENGTH, "0,25 in"), (LENGTH, "1/0 in"), (LENGTH, "1/ in"), (LENGTH, "6 mm thick"), (LENGTH, "nan mm"),
        (LENGTH, "inf mm"), (LENGTH, "--6 mm"), (LENGTH, 6.0), (LENGTH, True), (LENGTH, None), (LENGTH, [6]),
        (TEMPERATURE, "-460 F"), (TEMPERATURE, "-1 K"), (TEMPERATURE, "930 degrees"),
        (DURATION, "30 min 2 h"), (DURATION, "1 h 1 h"), (DURATION, "1 h 30"), (DURATION, "1:30"), (DURATION, "2 h -"),
        (MASS_TRANSFER, "inf"), (CARBON, float("inf")), (CARBON, float("nan")), (CARBON, 10**400), (MASS, "-1 kg"),
    ],
)  # fmt: skip
def test_what_is_no_such_quantity_is_refused_saying_what_is(dimension: Dimension, raw: object) -> None:
    with pytest.raises(ValueError) as refusal:
        dimension.read(raw)
    assert str(refusal.value) == dimension.expected


def test_only_a_mass_transfer_may_be_infinite_and_only_upwards() -> None:
    assert MASS_TRANSFER.read("inf", "m_per_s") == Written(inf, "m_per_s")
    assert MASS_TRANSFER.read(inf, "m_per_s") == Written(inf, "m_per_s")
    with pytest.raises(ValueError):
        MASS_TRANSFER.read(-inf, "m_per_s")


def test_a_unit_in_the_value_wins_over_the_one_in_the_key() -> None:
    assert LENGTH.read("0.25 in", "mm") == LENGTH.read("0.25 in")


NUMBERS = st.floats(min_value=1e-3, max_value=1e4)


@given(number=NUMBERS, temperature_C=st.floats(min_value=-273.0, max_value=3000.0))
def test_a_value_comes_back_in_the_unit_it_was_written_in(number: float, temperature_C: float) -> None:
    assert millimetres_from_metres(LENGTH.read(f"{number!r} mm").value) == pytest.approx(number, rel=1e-14)
    assert inches_from_metres(LENGTH.read(f"{number!r} in").value) == pytest.approx(number, rel=1e-14)
    assert inches_from_metres(LENGTH.read(f"{number!r} thou").value) * 1000.0 == pytest.approx(number, rel=1e-14)
    read = TEMPERATURE.read(f"{temperature_C!r} C").value
    assert celsius_from_kelvin(read) == pytest.approx(temperature_C, abs=1e-12, rel=1e-14)
    temperature_F = temperature_C * 1.8 + 32.0
    assert fahrenheit_from_kelvin(TEMPERATURE.read(f"{temperature_F!r} F").value) == pytest.approx(
        temperature_F, abs=1e-10
    )


@given(number=NUMBERS)
def test_the_same_length_is_the_same_in_every_unit(number: float) -> None:
    # 1 in is 25.4 mm exactly (international yard and pound agreement of 1959)
    in_metres = LENGTH.read(f"{number!r} in").value
    assert LENGTH.read(f"{number * 25.4!r} mm").value == pytest.approx(in_metres, rel=1e-13)
    assert LENGTH.read(f"{number * 1000.0!r} thou").value == pytest.approx(in_metres, rel=1e-13)
    assert LENGTH.read(f"{number * 25400.0!r} um").value == pytest.approx(in_metres, rel=1e-13)


@given(whole=st.integers(0, 40), above=st.integers(1, 63), below=st.sampled_from([2, 4, 8, 16, 32, 64]))
def test_a_fraction_of_an_inch_is_that_fraction(whole: int, above: int, below: int) -> None:
    text = f"{whole} {above}/{below} in" if whole else f"{above}/{below} in"
    inches = whole + Fraction(above, below)
    assert LENGTH.read(text).value == pytest.approx(float(inches) * 0.0254, rel=1e-15)


@given(hours=st.integers(0, 200), minutes=st.integers(0, 59), seconds=st.integers(0, 59))
def test_a_time_in_parts_is_their_sum(hours: int, minutes: int, seconds: int) -> None:
    assert DURATION.read(f"{hours} h {minutes} min {seconds} s").value == 3600.0 * hours + 60.0 * minutes + seconds


@given(dimension=st.sampled_from(DIMENSIONS), number=st.floats(min_value=1.0, max_value=1e4), data=st.data())
def test_a_unit_in_the_key_and_the_same_unit_in_the_value_agree(
    dimension: Dimension, number: float, data: st.DataObject
) -> None:
    unit = data.draw(st.sampled_from(sorted(dimension.scales)))
    under_key = dimension.read(number, unit)
    assert under_key.unit == unit
    spellings = [unit, *(spelled for spelled, meant in dimension.spellings.items() if meant == unit)]
    spelled = data.draw(st.sampled_from([each for each in spellings if "_" not in each] or [""]))
    if spelled:
        in_text = dimension.read(f"{number!r} {spelled}")
        assert in_text.value == under_key.value


@given(dimension=st.sampled_from(DIMENSIONS), raw=st.text(max_size=20) | st.floats() | st.integers() | st.booleans())
def test_anything_at_all_is_either_a_finite_quantity_or_refused(dimension: Dimension, raw: object) -> None:
    try:
        value = dimension.read(raw).value
    except ValueError as refusal:
        message = str(refusal)
        if message != dimension.expected:
            raise
    else:
        assert value == value
        assert abs(value) < inf or dimension.boundless
