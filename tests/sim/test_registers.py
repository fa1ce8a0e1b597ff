"""The register table holds what its description says, in every encoding."""

import math
import re
import struct

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import sim.registers
from sim.errors import BadInput
from sim.registers import Display, Register, RegisterTable, built_in_table, encode, random_map

SHOWN = Display(
    process_value=-12.3,
    set_point=925.0,
    second_temperature=871.25,
    output_percent=43.21,
    status=0b1010001,
    decimal_places=1,
    unit="F",
    cold_junction_C=27.46,
    segment=3,
    minutes_left=61.5,
    scans=70000,
)


@pytest.mark.parametrize(
    ("address", "words"),
    [
        (0, [0xFF85]),  # -123 in two's complement
        (1, [9250]),
        (2, [432]),
        (3, [0b1010001]),
        (4, [1]),
        (5, [1]),
        (6, [8712]),
        (7, [275]),
        (8, [3]),
        (9, [62]),
        (10, [0xFFFF, 0xCFF4]),  # -12300
        (14, [0xC144, 0xCCCD]),  # -12.3 as IEEE 754 single, worked out by hand
        (16, [0xCCCD, 0xC144]),
        (18, [0xFF85]),
        (19, [0xFFF4]),  # -12
        (20, [0x4459, 0xD000]),
    ],
)
def test_each_register_of_the_built_in_table_holds_its_value(address: int, words: list[int]) -> None:
    for function in (3, 4):
        image = built_in_table().words(function, SHOWN)
        assert [image[address + offset] for offset in range(len(words))] == words


def test_a_number_too_large_for_its_register_stays_at_the_limit() -> None:
    assert encode(Register(0, "process value", "uint16", decimals=1), SHOWN) == [0]
    far = Display(process_value=9000.0, set_point=0.0)
    assert encode(Register(0, "process value", "int16", decimals=1), far) == [32767]


@pytest.mark.parametrize(
    ("register", "words"),
    [
        (Register(0, "process value"), [32767]),
        (Register(0, "process value", "int32"), [0x7FFF, 0xFFFF]),
        (Register(0, "process value", "uint32", "low first"), [0xFFFF, 0xFFFF]),
        (Register(0, "process value", "float32"), [0x7FC0, 0x0000]),
    ],
)
def test_a_broken_sensor_reads_as_its_code(register: Register, words: list[int]) -> None:
    assert encode(register, Display(math.nan, 925.0), 32767) == words


def test_the_break_code_of_the_moment_goes_before_that_of_the_table() -> None:
    broken = Display(math.nan, 925.0, break_raw=-32768)
    assert encode(Register(0, "process value"), broken, 32767) == [0x8000]


def test_the_description_names_every_register_of_the_built_in_table() -> None:
    rows = re.findall(r"^\| ([\d, ]+) \|", sim.registers.__doc__ or "", re.M)
    described = sorted(int(address) for row in rows for address in row.split(","))
    assert described == sorted(built_in_table().by_function[3]) == sorted(built_in_table().by_function[4])


def test_registers_that_overlap_are_refused() -> None:
    with pytest.raises(BadInput, match="set point at 11: found process value there already"):
        RegisterTable((Register(10, "process value", "float32"), Register(11, "set point")))


def test_registers_of_different_functions_may_share_an_address() -> None:
    table = RegisterTable((Register(0, "process value", functions=(3,)), Register(0, "set point", functions=(4,))))
    assert table.words(3, SHOWN) == {0: 0xFFF4}
    assert table.words(4, SHOWN) == {0: 925}


@given(seed=st.integers(0, 2**32 - 1), shown=st.floats(0.0, 1300.0))
def test_a_random_map_gives_the_process_value_to_whoever_knows_the_answer(seed: int, shown: float) -> None:
    drawn = random_map(np.random.default_rng(seed))
    answer, places = drawn.process_value, drawn.decimal_places
    display = Display(round(shown, places), 700.0, decimal_places=places, unit=drawn.unit)
    image = drawn.table.words(answer.functions[0], display)
    words = [image[answer.address + offset] for offset in range(answer.words)]
    raw = b"".join(
        word.to_bytes(2, "big") for word in (words if answer.word_order == "high first" else reversed(words))
    )
    forms = {"int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I", "float32": ">f"}
    number = struct.unpack(forms[answer.encoding], raw)[0]
    value = number if answer.encoding == "float32" else number / 10**answer.decimals
    assert value == pytest.approx(display.process_value, abs=0.5 * 10**-answer.decimals + 1e-4)


def test_random_maps_follow_their_seed_and_cover_every_form() -> None:
    maps = [random_map(np.random.default_rng(seed)) for seed in range(200)]
    assert maps[7] == random_map(np.random.default_rng(7))
    assert {drawn.process_value.encoding for drawn in maps} == {"int16", "uint16", "int32", "uint32", "float32"}
    assert {drawn.process_value.functions for drawn in maps} == {(3,), (4,), (3, 4)}
    assert {drawn.unit for drawn in maps} == {"C", "F"}
    assert {drawn.process_value.word_order for drawn in maps} == {"high first", "low first"}
