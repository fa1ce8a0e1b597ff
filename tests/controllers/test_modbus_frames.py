"""Frames as the Modbus specifications print them.

Sources: MODBUS Application Protocol V1.1b3, sections 6.1 to 6.4 (the example requests and answers of function codes 1
to 4), MODBUS over Serial Line V1.02, sections 6.2.1 and 6.2.2 (check sums), MODBUS Messaging on TCP/IP V1.0b, 3.1.3.
The check-value of the CRC (0x4B37 for "123456789") is the catalogue value of CRC-16/MODBUS, widely published.
"""

import minimalmodbus
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer.ascii import FramerAscii
from pymodbus.framer.rtu import FramerRTU

from logger.controllers.modbus_frames import (
    Heard,
    ReadRequest,
    crc16,
    find_answer,
    lrc8,
    read_request,
)
from logger.controllers.settings import Framing
from tests.controllers.scripted_bus import ascii_frame, rtu


def test_the_crc_of_the_catalogue_check_string_is_4b37():
    assert crc16(b"123456789") == 0x4B37


def test_the_crc_of_the_serial_line_guides_example_frame_02_07_is_1241():
    # MODBUS over Serial Line V1.02, section 6.2.2: frame 02 07 gives CRC 1241 hex, sent low byte 41 first
    assert crc16(bytes([0x02, 0x07])) == 0x1241


def test_the_lrc_makes_the_sum_of_all_bytes_vanish():
    # section 6.2.1: the LRC is the two's complement of the sum of the bytes without carries
    body = bytes([0x01, 0x03, 0x00, 0x6B, 0x00, 0x03])
    assert (sum(body) + lrc8(body)) & 0xFF == 0


@given(st.binary(min_size=1, max_size=260))
def test_the_check_sums_are_those_of_two_independent_libraries(body):
    crc = crc16(body).to_bytes(2, "little")
    assert crc == minimalmodbus._calculate_crc(body)
    assert crc == FramerRTU.compute_CRC(body).to_bytes(2, "big")
    assert bytes([lrc8(body)]) == minimalmodbus._calculate_lrc(body)
    assert lrc8(body) == FramerAscii.compute_LRC(body)


SPECIFICATION_EXAMPLES = [
    # function code, request body after the function code, answer body after it, data bytes
    (1, "00 13 00 13", "03 CD 6B 05"),  # 6.1: coils 20 to 38
    (2, "00 C4 00 16", "03 AC DB 35"),  # 6.2: discrete inputs 197 to 218
    (3, "00 6B 00 03", "06 02 2B 00 00 00 64"),  # 6.3: holding registers 108 to 110
    (4, "00 08 00 01", "02 00 0A"),  # 6.4: input register 9
]


@pytest.mark.parametrize("framed", [(Framing.RTU, rtu), (Framing.ASCII, ascii_frame)], ids=["rtu", "ascii"])
@pytest.mark.parametrize(("function_code", "asked", "answered"), SPECIFICATION_EXAMPLES)
def test_the_examples_of_the_specification_are_taken_apart_as_printed(function_code, asked, answered, framed):
    framing, frame = framed
    question = frame(17, function_code, *bytes.fromhex(asked))
    answer = frame(17, function_code, *bytes.fromhex(answered))
    request = read_request(question, framing)
    assert request.address == int(asked[:5].replace(" ", ""), 16)
    assert request.count == int(asked[6:].replace(" ", ""), 16)
    assert request.byte_count == int(answered[:2], 16)
    assert find_answer(answer, request, question, framing) == Heard(answer)


@pytest.mark.parametrize("framed", [(Framing.RTU, rtu), (Framing.ASCII, ascii_frame)], ids=["rtu", "ascii"])
def test_a_refusal_is_an_answer_with_its_code(framed):
    framing, frame = framed
    question = frame(10, 1, 0x04, 0xA1, 0, 1)  # section 7, the example of an exception: coil 1185, code 2
    found = find_answer(frame(10, 0x81, 2), read_request(question, framing), question, framing)
    assert found.exception_code == 2


def test_the_example_of_the_tcp_guide_reads_one_register():
    # MODBUS Messaging on TCP/IP V1.0b, 4.4.1.1 style: MBAP header, unit FF, read 1 holding register from 4
    assert read_request(bytes.fromhex("15 01 00 00 00 06 FF 03 00 04 00 01"), Framing.TCP) == ReadRequest(255, 3, 4, 1)


ASKED = ReadRequest(1, 3, 0, 2)
QUESTION = rtu(1, 3, 0, 0, 0, 2)
ANSWER = rtu(1, 3, 4, 0x03, 0x9D, 0, 7)


@pytest.mark.parametrize(
    ("heard", "expected"),
    [
        (ANSWER, Heard(ANSWER)),
        (QUESTION + ANSWER, Heard(ANSWER, echo=True)),
        (b"\x00" + ANSWER, Heard(ANSWER, stray=1)),
        (b"\xff\x00\xff" + ANSWER + b"\x00", Heard(ANSWER, stray=4)),
        (rtu(1, 3, 2, 0, 9) + ANSWER, Heard(ANSWER, foreign=(rtu(1, 3, 2, 0, 9),))),
        (rtu(2, 3, 4, 0, 9, 0, 9), Heard(foreign=(rtu(2, 3, 4, 0, 9, 0, 9),))),
        (rtu(1, 4, 4, 0, 9, 0, 9), Heard(foreign=(rtu(1, 4, 4, 0, 9, 0, 9),))),
        (ANSWER + ANSWER, Heard(ANSWER, another=True)),
        (ANSWER[:-1], Heard(stray=8)),
        (ANSWER[:-2] + b"\x00\x00", Heard(stray=9)),
    ],
    ids=[
        "clean",
        "echo",
        "leading 00",
        "idle noise",
        "left over",
        "another unit",
        "another table",
        "twice",
        "cut",
        "crc",
    ],
)
def test_of_all_that_is_heard_only_the_answer_is_taken(heard, expected):
    assert find_answer(heard, ASKED, QUESTION, Framing.RTU) == expected


@given(st.binary(max_size=80))
def test_bytes_at_random_never_crash_the_search_and_never_answer(noise):
    found = find_answer(noise, ASKED, QUESTION, Framing.RTU)
    assert found.answer == b""  # a chance of 2^-40 per place
    find_answer(noise, ASKED, ascii_frame(*QUESTION[:-2]), Framing.ASCII)


@given(st.integers(0, 8), st.integers(0, 7), st.integers(0, 7))
def test_an_answer_with_up_to_two_flipped_bits_is_not_taken(at, first, second):
    bent = bytearray(ANSWER)
    bent[at] ^= 1 << first
    if second != first:
        bent[at] ^= 1 << second
    assert find_answer(bytes(bent), ASKED, QUESTION, Framing.RTU).answer == b""
