"""From bare numbers and texts to readings: what is believed, what is not, and that what was read is kept."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.controllers.channel_reading import from_register, from_text, number_from_text
from logger.controllers.modbus import blocks, readings
from logger.controllers.settings import (
    ChannelSettings,
    ChannelUnit,
    ControllerSettings,
    FieldSource,
    NumberFormat,
    Quantity,
    RegisterAddress,
    RegisterSource,
    ThermocoupleInput,
)
from logger.reading import Quality

PV = RegisterAddress(3, 0)


def air(unit: str = "C", quantity: Quantity = Quantity.TEMPERATURE, **source) -> ChannelSettings:
    return ChannelSettings("air", RegisterSource(PV, **source), quantity, ChannelUnit(unit))


@pytest.mark.parametrize(
    ("channel", "bare", "decimals", "expected_K"),
    [
        (air(scale=0.1), 9254.0, 0, 925.4 + 273.15),
        (air(), 9254.0, 1, 925.4 + 273.15),
        (air(unit="F"), 1700.0, 0, (1700.0 - 32.0) / 1.8 + 273.15),
        (air(unit="K"), 1200.0, 0, 1200.0),
        (air(scale=0.1), -1.0, 0, 273.05),
    ],
)
def test_a_good_number_becomes_a_temperature(channel, bare, decimals, expected_K):
    reading = from_register(channel, bare, str(bare), decimals)
    assert reading.quality is Quality.GOOD
    assert reading.temperature_K == pytest.approx(expected_K)


@pytest.mark.parametrize(
    ("number", "bare"),
    [
        ("int16", 32767.0),
        ("int16", -32768.0),
        ("uint16", 65535.0),
        ("uint16", 32768.0),
        ("int32", 2147483647.0),
        ("uint32", 4294967295.0),
        ("float32", math.nan),
        ("float32", math.inf),
        ("int16", 9999.0),
    ],
)
def test_a_break_code_is_an_open_sensor_and_never_a_temperature(number, bare):
    reading = from_register(air(number=NumberFormat(number), scale=0.1, break_codes=(9999,)), bare, "raw")
    assert reading.quality is Quality.SENSOR_OPEN
    assert math.isnan(reading.temperature_K)
    assert reading.raw == "raw"


def test_a_temperature_outside_the_channels_range_is_kept_but_not_believed():
    reading = from_register(air(scale=1.0), 9254.0, "9254")
    assert reading.quality is Quality.OUT_OF_RANGE
    assert reading.temperature_K == pytest.approx(9527.15)


def test_output_and_alarm_are_numbers_of_their_own():
    output = from_register(air("%", Quantity.OUTPUT, scale=0.1), 431.0, "431")
    assert (output.value, output.quality) == (pytest.approx(0.431), Quality.GOOD)
    assert math.isnan(output.temperature_K)
    assert from_register(air("", Quantity.ALARM, bit=2), 1.0, "4").value == 1.0


@pytest.mark.parametrize(
    ("written", "comma", "expected"),
    [
        ("925.4", False, 925.4),
        ("925,4", True, 925.4),
        ("-5,0", True, -5.0),
        ("−5.0", False, -5.0),  # a minus sign instead of a hyphen
        ("1e3", False, 1000.0),
        ("925,4", False, None),
        ("1.025,4", True, None),
        ("9_25", False, None),
        ("0x3A", False, None),
        ("ERR", False, None),
        ("", False, None),
    ],
)
def test_numbers_are_read_as_devices_write_them_and_nothing_else_is_a_number(written, comma, expected):
    assert number_from_text(written, comma) == expected


@pytest.mark.parametrize(
    ("text", "quality"),
    [
        ("925.4", Quality.GOOD),
        ("-----", Quality.SENSOR_OPEN),
        ("nan", Quality.SENSOR_OPEN),
        ("inf", Quality.SENSOR_OPEN),
        ("ERR 3", Quality.MISSING),
        ("", Quality.MISSING),
        (None, Quality.MISSING),
        ("9254", Quality.OUT_OF_RANGE),
    ],
)
def test_a_field_of_a_line_is_judged_like_a_register(text, quality):
    channel = ChannelSettings("air", FieldSource("air", break_texts=("-----",)))
    assert from_text(channel, text).quality is quality


@given(st.text(max_size=12))
def test_whatever_text_stands_in_a_field_a_good_reading_is_in_range(text):
    channel = ChannelSettings("air", FieldSource("air"))
    reading = from_text(channel, text)
    if reading.quality is Quality.GOOD:
        assert channel.low_K <= reading.temperature_K <= channel.high_K


def test_millivolts_need_the_terminals_and_say_so_without_them():
    terminals = ChannelSettings("terminals", RegisterSource(RegisterAddress(4, 8), scale=0.1), Quantity.COLD_JUNCTION)
    words = {RegisterAddress(4, 0): 38313, RegisterAddress(4, 8): 250}
    settings = ControllerSettings(
        "input",
        (
            ChannelSettings(
                "canister",
                RegisterSource(RegisterAddress(4, 0), NumberFormat.UINT16, scale=0.001),
                unit=ChannelUnit.MILLIVOLT,
                thermocouple=ThermocoupleInput("K", "terminals"),
            ),
            terminals,
        ),
    )
    canister, cold = readings(settings, words)
    assert canister.temperature_K == pytest.approx(950.0 + 273.15, abs=0.02)  # NIST Monograph 175, type K
    assert cold.temperature_K == pytest.approx(298.15)
    words[RegisterAddress(4, 8)] = 32767  # the terminals' own sensor is open
    canister, cold = readings(settings, words)
    assert canister.quality is Quality.MISSING
    assert cold.quality is Quality.SENSOR_OPEN


def test_registers_that_follow_each_other_are_asked_for_together_and_none_between_others():
    sources = [
        RegisterSource(RegisterAddress(3, 5)),
        RegisterSource(RegisterAddress(3, 3), NumberFormat.FLOAT32),
        RegisterSource(RegisterAddress(3, 9), decimal_point=RegisterAddress(3, 20)),
        RegisterSource(RegisterAddress(4, 6)),
        RegisterSource(RegisterAddress(1, 0)),
    ]
    assert [(block.function_code, block.address, block.count) for block in blocks(sources)] == [
        (1, 0, 1),
        (3, 3, 3),
        (3, 9, 1),
        (3, 20, 1),
        (4, 6, 1),
    ]


@given(st.lists(st.tuples(st.sampled_from([3, 4]), st.integers(0, 300)), min_size=1, max_size=60))
def test_every_declared_register_is_asked_for_once_and_no_other(places):
    found = blocks([RegisterSource(RegisterAddress(*place)) for place in places])
    asked = [(each.function_code, each.address + offset) for each in found for offset in range(each.count)]
    assert sorted(asked) == sorted(set(places))
    assert all(each.count <= 125 for each in found)
