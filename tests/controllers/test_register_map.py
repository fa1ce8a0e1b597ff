"""Registers as manuals print them and numbers as registers hold them."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.controllers.register_map import decode, encode, printed_forms, register_address
from logger.controllers.settings import NumberFormat, RegisterAddress
from logger.errors import InputFault


@pytest.mark.parametrize(
    ("written", "function_code", "counted_from", "expected"),
    [
        (40001, None, 0, RegisterAddress(3, 0)),  # Application Protocol V1.1b3, 4.4: register 1 is addressed as 0
        (30001, None, 0, RegisterAddress(4, 0)),
        ("10001", None, 0, RegisterAddress(2, 0)),
        ("00020", None, 0, RegisterAddress(1, 19)),
        (40108, None, 0, RegisterAddress(3, 107)),  # 6.3: register 108 is asked for as 107 (0x6B)
        (400001, None, 0, RegisterAddress(3, 0)),
        (465536, None, 0, RegisterAddress(3, 65535)),
        (0, 3, 0, RegisterAddress(3, 0)),
        (1, 4, 1, RegisterAddress(4, 0)),
        ("0x1000", 3, 0, RegisterAddress(3, 4096)),
        (40001, 3, 0, RegisterAddress(3, 40001)),  # with a function code the number is a plain address
    ],
)
def test_a_register_is_found_however_the_manual_prints_it(written, function_code, counted_from, expected):
    assert register_address(written, function_code, counted_from, "test") == expected


@pytest.mark.parametrize("written", [1, 40000, 20001, 465537, "4x001", "", "50001"])
def test_a_number_that_names_no_table_is_refused(written):
    with pytest.raises(InputFault) as refused:
        register_address(written, None, 0, "oven.toml: register")
    assert str(refused.value) == (
        f"oven.toml: register: found {written}, expected a number like 40001 or 30001, or a plain address together "
        "with `function`"
    )


@pytest.mark.parametrize(("written", "counted_from", "limits"), [(0, 1, "1 to 65536"), (65536, 0, "0 to 65535")])
def test_an_address_past_the_table_is_refused_with_its_limits(written, counted_from, limits):
    with pytest.raises(InputFault, match=limits):
        register_address(written, 3, counted_from, "test")


def test_a_register_is_shown_in_every_way_a_manual_may_print_it():
    assert printed_forms(RegisterAddress(3, 107)) == (
        "107 counted from 0, 108 counted from 1, 40108 with its table (function code 3)"
    )


@pytest.mark.parametrize(
    ("words", "number", "order", "expected"),
    [
        ([0xFFFF], "int16", "high first", -1.0),  # 6553.5 when read as unsigned with scale 0.1
        ([0xFFFF], "uint16", "high first", 65535.0),
        ([0x0001, 0x0000], "int32", "high first", 65536.0),
        ([0x0000, 0x0001], "int32", "low first", 65536.0),
        ([0xFFFF, 0xFFFF], "uint32", "high first", 4294967295.0),
        ([0x4467, 0x599A], "float32", "high first", 925.4000244140625),  # IEEE 754: 0x4467599A
        ([0x599A, 0x4467], "float32", "low first", 925.4000244140625),
    ],
)
def test_numbers_are_taken_from_registers(words, number, order, expected):
    assert decode(words, NumberFormat(number), order) == expected


@given(st.sampled_from(list(NumberFormat)), st.sampled_from(["high first", "low first"]), st.data())
def test_what_goes_into_registers_comes_out(number, order, data):
    limits = {
        NumberFormat.INT16: (-(2**15), 2**15 - 1),
        NumberFormat.UINT16: (0, 2**16 - 1),
        NumberFormat.INT32: (-(2**31), 2**31 - 1),
        NumberFormat.UINT32: (0, 2**32 - 1),
    }
    value = data.draw(st.floats(width=32) if number is NumberFormat.FLOAT32 else st.integers(*limits[number]))
    back = decode(encode(value, number, order), number, order)
    assert back == value or (math.isnan(back) and math.isnan(value))
