"""Nothing but questions leaves: each way to write, by each library and by hand, is refused before a byte goes."""

import socket

import minimalmodbus
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client import ModbusTcpClient

from logger.controllers.line import SerialLine
from logger.controllers.read_only_port import ReadOnlyPort, ReadOnlySocket, WriteRefused, is_harmless_question
from logger.controllers.settings import Framing, PortSettings
from tests.controllers.scripted_bus import ascii_frame, rtu


class RecordingPort:
    """Stands in for an open serial port and keeps what reaches the wire."""

    def __init__(self) -> None:
        self.sent = b""
        self.in_waiting = 0

    def read(self, size: int = 1) -> bytes:
        return b""

    def write(self, data: bytes) -> int:
        self.sent += data
        return len(data)

    def flush(self) -> None: ...

    def close(self) -> None: ...


WRITES = {
    "one register": lambda instrument: instrument.write_register(1, 7, functioncode=6),
    "one register by function code 16": lambda instrument: instrument.write_register(1, 7, functioncode=16),
    "registers": lambda instrument: instrument.write_registers(1, [1, 2]),
    "one bit": lambda instrument: instrument.write_bit(1, 1),
    "one bit by function code 15": lambda instrument: instrument.write_bit(1, 1, functioncode=15),
    "bits": lambda instrument: instrument.write_bits(1, [1, 0, 1]),
    "a float": lambda instrument: instrument.write_float(1, 1.5),
    "a long": lambda instrument: instrument.write_long(1, 70000),
    "a string": lambda instrument: instrument.write_string(1, "abcd", 2),
    "function code 8 by hand": lambda instrument: instrument._perform_command(8, b"\x00\x00\xa5\x37"),
}


@pytest.mark.parametrize("framing", [Framing.RTU, Framing.ASCII])
@pytest.mark.parametrize("write", WRITES.values(), ids=WRITES.keys())
def test_no_write_of_the_serial_library_reaches_the_wire(write, framing):
    wire = RecordingPort()
    line = SerialLine(
        PortSettings("test port", framing), opener=lambda settings, questions: ReadOnlyPort(wire, settings.framing)
    )
    line.open()
    mode = {Framing.RTU: minimalmodbus.MODE_RTU, Framing.ASCII: minimalmodbus.MODE_ASCII}[framing]
    instrument = minimalmodbus.Instrument(line, 1, mode)
    with pytest.raises(WriteRefused, match="nothing was sent"):
        write(instrument)
    assert wire.sent == b""


def test_the_read_of_the_serial_library_does_reach_the_wire():
    wire = RecordingPort()
    line = SerialLine(PortSettings("test port"), opener=lambda settings, questions: ReadOnlyPort(wire, Framing.RTU))
    line.open()
    line.answer_deadline_s = 0.01
    with pytest.raises(Exception, match="no answer"):
        minimalmodbus.Instrument(line, 1).read_register(2)
    assert wire.sent == rtu(1, 3, 0, 2, 0, 1)


BODIES_THAT_WRITE = {
    5: [1, 5, 0, 1, 0xFF, 0],
    6: [1, 6, 0, 1, 0, 3],
    8: [1, 8, 0, 0, 0xA5, 0x37],
    15: [1, 15, 0, 0x13, 0, 10, 2, 0xCD, 1],
    16: [1, 16, 0, 1, 0, 2, 4, 0, 10, 1, 2],
    22: [1, 22, 0, 4, 0, 0xF2, 0, 0x25],
    23: [1, 23, 0, 3, 0, 6, 0, 14, 0, 1, 2, 0, 0xFF],
}


def tcp(*body: int) -> bytes:
    return bytes([0, 1, 0, 0, 0, len(body), *body])


@pytest.mark.parametrize("body", BODIES_THAT_WRITE.values(), ids=BODIES_THAT_WRITE.keys())
@pytest.mark.parametrize(
    ("framing", "framed"),
    [(Framing.RTU, rtu), (Framing.ASCII, ascii_frame), (Framing.TCP, tcp)],
    ids=("rtu", "ascii", "tcp"),
)
def test_a_hand_made_request_that_does_not_read_is_refused(framing, framed, body):
    wire = RecordingPort()
    with pytest.raises(WriteRefused):
        ReadOnlyPort(wire, framing).write(framed(*body))
    assert wire.sent == b""


@pytest.mark.parametrize("function_code", [1, 2, 3, 4])
@pytest.mark.parametrize(
    ("framing", "framed"),
    [(Framing.RTU, rtu), (Framing.ASCII, ascii_frame), (Framing.TCP, tcp)],
    ids=("rtu", "ascii", "tcp"),
)
def test_every_request_to_read_is_let_through_unchanged(framing, framed, function_code):
    wire = RecordingPort()
    request = framed(17, function_code, 0, 107, 0, 3)
    ReadOnlyPort(wire, framing).write(request)
    assert wire.sent == request


@pytest.mark.parametrize(
    "frame",
    [
        rtu(1, 3, 0, 0, 0, 1) + rtu(1, 6, 0, 1, 0, 3),  # a write hidden behind a read
        rtu(1, 3, 0, 0, 0, 1)[:-1],  # half a frame, the rest to follow
        rtu(1, 3, 0, 0, 0, 1)[:-1] + b"\x00",  # a wrong check sum
        rtu(0, 3, 0, 0, 0, 1),  # a broadcast
        rtu(1, 3, 0, 0, 0, 0),  # nothing asked for
        rtu(1, 3, 0, 0, 0, 126),  # more than the specification allows
        b"",
        b"\x01",
    ],
)
def test_anything_but_one_whole_request_is_refused(frame):
    wire = RecordingPort()
    with pytest.raises(WriteRefused):
        ReadOnlyPort(wire, Framing.RTU).write(frame)
    assert wire.sent == b""


@given(st.binary(max_size=40), st.sampled_from([Framing.RTU, Framing.ASCII, Framing.TCP]))
def test_whatever_bytes_come_only_function_codes_1_to_4_reach_the_wire(data, framing):
    wire = RecordingPort()
    try:
        ReadOnlyPort(wire, framing).write(data)
    except WriteRefused:
        assert wire.sent == b""
        return
    function_code = {
        Framing.RTU: lambda: data[1],
        Framing.ASCII: lambda: int(data[3:5], 16),
        Framing.TCP: lambda: data[7],
    }[framing]()
    assert function_code in (1, 2, 3, 4)


@given(st.integers(0, 255), st.integers(0, 255), st.binary(max_size=20))
def test_a_well_formed_frame_passes_only_if_it_reads(unit, function_code, rest):
    wire = RecordingPort()
    try:
        ReadOnlyPort(wire, Framing.RTU).write(rtu(unit, function_code, *rest))
    except WriteRefused:
        return
    assert function_code in (1, 2, 3, 4)
    assert len(rest) == 4


TCP_WRITES = {
    "one coil": lambda client: client.write_coil(1, True),
    "one register": lambda client: client.write_register(1, 7),
    "coils": lambda client: client.write_coils(1, [True, False]),
    "registers": lambda client: client.write_registers(1, [1, 2]),
    "a mask": lambda client: client.mask_write_register(address=1, and_mask=0xF2, or_mask=0x25),
    "read and write at once": lambda client: client.readwrite_registers(
        read_address=1, read_count=1, write_address=1, values=[1]
    ),
    "a diagnostic": lambda client: client.diag_query_data(b"\xa5\x37"),
    "a restart of communications": lambda client: client.diag_restart_communication(True),
}


@pytest.mark.parametrize("write", TCP_WRITES.values(), ids=TCP_WRITES.keys())
def test_no_write_of_the_network_library_reaches_the_wire(write):
    ours, theirs = socket.socketpair()
    with ours, theirs:
        client = ModbusTcpClient("nowhere", retries=0, timeout=0.05)
        client.socket = ReadOnlySocket(ours)
        with pytest.raises(WriteRefused):
            write(client)
        theirs.setblocking(False)
        with pytest.raises(BlockingIOError):
            theirs.recv(1)


def test_a_text_device_gets_its_declared_question_and_nothing_else():
    wire = RecordingPort()
    port = ReadOnlyPort(wire, Framing.TEXT, frozenset({b"T?\r\n"}))
    port.write(b"T?\r\n")
    with pytest.raises(WriteRefused, match="is not the declared question"):
        port.write(b"T?\r\nT=900\r\n")
    assert wire.sent == b"T?\r\n"


@pytest.mark.parametrize(
    "question",
    [
        b"T=900\r",
        b"SET 900\r",
        b"write 5\n",
        b":010600010003F5\r\n",
        bytes(rtu(1, 6, 0, 1, 0, 3)),
        b"stop\r",
        b"a\nb\n",
    ],
)
def test_a_declared_question_that_looks_like_a_command_is_refused_too(question):
    wire = RecordingPort()
    with pytest.raises(WriteRefused, match="looks like a command"):
        ReadOnlyPort(wire, Framing.TEXT, frozenset({question})).write(question)
    assert wire.sent == b""


@pytest.mark.parametrize("question", [b"T?\r\n", b"READ 1\r", b"?\n", b"meas temp\r\n", b"", b"setpoint?\r"])
def test_usual_questions_are_harmless(question):
    assert is_harmless_question(question)
