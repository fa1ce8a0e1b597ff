"""Each fault of the wire on a real port: what a program that reads raw bytes gets, and what the tap says of it."""

import contextlib
import socket
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import serial

from sim.bus import Bus
from sim.faults import WIRE_KINDS, Fault, FaultPlan, plan_from_text
from sim.heat import Heat
from sim.modbus_server import Station
from sim.port import pseudo_terminals_work
from sim.program import Program, Ramp, Soak
from sim.wire import FRAMINGS, Request, WireMemory, ascii_frame, crc, on_the_wire, rtu
from tests.sim.conftest import needs_pty

StartBus = Callable[..., Bus]
HEAT_PROGRAM = Program((Ramp(600.0), Soak(3600.0)))

# From the Modbus over serial line specification's frame layout; the checksums by hand-worked reference vectors below.
ASK = rtu(1, b"\x03\x00\x04\x00\x02")  # decimal places and unit: always 1 and 0 here
RIGHT = rtu(1, b"\x03\x04\x00\x01\x00\x00")
OTHER = rtu(1, b"\x03\x00\x05\x00\x01")


class Raw:
    """The few things these tests do with a port, on a tcp connection."""

    def __init__(self, connection: socket.socket) -> None:
        self._socket, self.timeout = connection, 2.0

    def write(self, data: bytes) -> None:
        """Send."""
        self._socket.sendall(data)

    def read(self, count: int) -> bytes:
        """Up to `count` bytes; fewer when they do not come in time."""
        deadline, got = time.monotonic() + self.timeout, b""
        while len(got) < count and (left := deadline - time.monotonic()) > 0:
            self._socket.settimeout(left)
            try:
                more = self._socket.recv(count - len(got))
            except TimeoutError:
                break
            if not more:
                raise ConnectionError("closed by the other end")
            got += more
        return got


@contextlib.contextmanager
def line(bus: Bus) -> Iterator[Any]:
    """The bus's port, raw: bytes out, bytes in."""
    if bus.link == "pty":
        with serial.Serial(bus.port, baudrate=bus.baud or 19200, timeout=2.0) as port:
            yield port
    else:
        with socket.create_connection(bus.address) as connection:
            yield Raw(connection)


def ask(port: Any, request: bytes = ASK, count: int = len(RIGHT)) -> bytes:
    """Send a request, and wait for `count` bytes."""
    port.write(request)
    return port.read(count)


def rest(bus: Bus, port: Any, replies: int) -> bytes:
    """What else has come, once the tap has seen this many lumps of reply go out."""
    deadline = time.monotonic() + 5.0
    while len(bus.tap.replies) < replies and time.monotonic() < deadline:
        time.sleep(0.001)
    return b"".join(passed.data for passed in bus.tap.replies)


@pytest.fixture
def bus_with(heat: Heat, start_bus: StartBus) -> Callable[[str], Bus]:
    """A bus that speaks RTU with these faults, on a serial port where the system has pseudo-terminals."""
    return lambda faults, **settings: start_bus(
        heat,
        **{
            "link": "pty" if pseudo_terminals_work() else "tcp",
            "wire": "rtu",
            "faults": plan_from_text(faults),
            **settings,
        },
    )


TESTED: set[str] = set()


def covers(*kinds: str) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Marks a test as that of these kinds; the last test of this file sees that none is missing."""
    TESTED.update(kinds)
    return lambda test: test


@pytest.mark.parametrize(
    ("frame", "checksum"),
    [
        (b"\x02\x07", b"\x41\x12"),  # Modbus over serial line V1.02, 6.2.2: the worked example
        (b"\x01\x03\x00\x00\x00\x01", b"\x84\x0a"),  # widely published reference frame
    ],
)
def test_the_checksum_is_that_of_the_specification(frame: bytes, checksum: bytes) -> None:
    assert crc(frame) == checksum


def test_an_ascii_frame_has_the_check_of_the_specification() -> None:
    # Two's complement of the sum: 01 03 00 00 00 01 sums to 05, so FB.
    assert ascii_frame(1, b"\x03\x00\x00\x00\x01") == b":010300000001FB\r\n"


def test_without_faults_the_reply_is_right(bus_with: Callable[..., Bus]) -> None:
    bus = bus_with("")
    with line(bus) as port:
        assert ask(port) == RIGHT


@covers("dropout", "lost-link")
@pytest.mark.parametrize("kind", ["dropout", "lost-link", "power-cut"])
def test_silence(kind: str, bus_with: Callable[..., Bus]) -> None:
    bus = bus_with(f"{kind}@0-100")
    with line(bus) as port:
        port.timeout = 0.15
        assert ask(port) == b""
        bus.advance_to(100.0)
        assert ask(port) == RIGHT


@covers("bad-checksum")
def test_a_bad_checksum_is_one_wrong_bit(bus_with: Callable[..., Bus]) -> None:
    bus = bus_with("bad-checksum")
    with line(bus) as port:
        for _ in range(5):
            reply = ask(port)
            wrong = int.from_bytes(reply, "big") ^ int.from_bytes(RIGHT, "big")
            assert wrong.bit_count() == 1
            assert crc(reply[:-2]) != reply[-2:]


@covers("truncated")
def test_a_truncated_reply_lacks_its_end(bus_with: Callable[..., Bus]) -> None:
    bus = bus_with("truncated,amount=3")
    with line(bus) as port:
        assert ask(port, count=len(RIGHT) - 3) == RIGHT[:-3]
        assert rest(bus, port, 1) == RIGHT[:-3]


@covers("late")
def test_a_late_reply_comes_after_the_next_question_and_before_its_answer(bus_with: Callable[..., Bus]) -> None:
    bus = bus_with("late,amount=0.2")
    with line(bus) as port:
        port.timeout = 0.05
        assert ask(port) == b""
        port.timeout = 2.0
        # Whoever asks again too soon gets the old answer first, right in every way but late.
        assert ask(port, OTHER) == RIGHT
        assert port.read(7) == rtu(1, b"\x03\x02\x00\x00")
    first, second = bus.tap.replies
    assert first.wall_s - bus.tap.requests[0].wall_s >= 0.2
    assert "late" in first.why
    assert second.wall_s > first.wall_s


@covers("split")
def test_a_split_reply_comes_in_two_parts(bus_with: Callable[..., Bus]) -> None:
    bus = bus_with("split,amount=0.1")
    with line(bus) as port:
        assert ask(port) == RIGHT
    first, second = bus.tap.replies
    assert first.data + second.data == RIGHT
    assert second.wall_s - first.wall_s >= 0.1


@covers("echo")
def test_an_echo_comes_first_even_when_nobody_answers(bus_with: Callable[..., Bus]) -> None:
    bus = bus_with("echo")
    with line(bus) as port:
        assert ask(port, count=len(ASK) + len(RIGHT)) == ASK + RIGHT
        absent = rtu(9, b"\x03\x00\x00\x00\x01")
        assert ask(port, absent, len(absent)) == absent


@covers("stray-before", "stray-after")
def test_stray_bytes_before_and_after(bus_with: Callable[..., Bus]) -> None:
    bus = bus_with("stray-before,amount=2; stray-after,amount=3")
    with line(bus) as port:
        reply = ask(port, count=len(RIGHT) + 5)
    assert reply[2:-3] == RIGHT


@covers("exception")
def test_an_exception_of_choice(bus_with: Callable[..., Bus]) -> None:
    bus = bus_with("exception,amount=2")
    with line(bus) as port:
        assert ask(port, count=5) == rtu(1, b"\x83\x02")


@covers("wrong-slave")
def test_another_slave_answers(bus_with: Callable[..., Bus]) -> None:
    bus = bus_with("wrong-slave,amount=4")
    with line(bus) as port:
        assert ask(port) == rtu(5, RIGHT[1:-2])


@covers("stale")
def test_a_stale_reply_answers_the_question_before(bus_with: Callable[..., Bus]) -> None:
    bus = bus_with("stale")
    with line(bus) as port:
        assert ask(port) == RIGHT
        assert ask(port, OTHER) == RIGHT
        assert ask(port, OTHER, 7) == rtu(1, b"\x03\x02\x00\x00")


@covers("repeated")
def test_a_reply_comes_twice(bus_with: Callable[..., Bus]) -> None:
    bus = bus_with("repeated")
    with line(bus) as port:
        assert ask(port, count=2 * len(RIGHT)) == RIGHT * 2


@covers("second-master")
def test_a_second_master_talks_before_a_reply_and_unasked(bus_with: Callable[..., Bus]) -> None:
    bus = bus_with("second-master,amount=17")
    foreign = rtu(17, b"\x03\x00\x00\x00\x02")
    with line(bus) as port:
        unasked = port.read(len(foreign) + 9)
        assert unasked.startswith(foreign)
        assert unasked[len(foreign)] == 17
        assert crc(unasked[len(foreign) : -2]) == unasked[-2:]
        port.write(ASK)
        deadline, got = time.monotonic() + 5.0, b""
        while not got.endswith(RIGHT) and time.monotonic() < deadline:
            got += port.read(1)
        assert got.endswith(RIGHT)
        assert foreign in got


@covers("needs-gap")
def test_a_controller_that_needs_a_pause_does_not_hear_who_asks_too_soon(bus_with: Callable[..., Bus]) -> None:
    bus = bus_with("needs-gap,amount=0.3")
    with line(bus) as port:
        assert ask(port) == RIGHT
        port.timeout = 0.1
        assert ask(port) == b""
        assert bus.tap.requests[-1].why == "too soon after the last reply"
        time.sleep(0.3)  # the pause itself is what is tested
        port.timeout = 2.0
        assert ask(port) == RIGHT


@covers("unplug")
@needs_pty
def test_an_unplugged_port_is_gone_and_returns_under_another_name(
    heat: Heat, start_bus: StartBus, tmp_path: Path
) -> None:
    stable = tmp_path / "oven-port"
    bus = start_bus(heat, faults=plan_from_text("unplug@100-200"), stable_name=stable)
    before = bus.port
    assert str(stable.resolve()) == before
    with line(bus) as port:
        assert ask(port) == RIGHT
        bus.advance_to(150.0)
        assert not bus.is_plugged
        assert not stable.is_symlink()
        with pytest.raises((OSError, serial.SerialException)):
            ask(port)
    with pytest.raises((OSError, serial.SerialException)):
        serial.Serial(before).close()
    bus.advance_to(250.0)
    assert bus.wait_for_plug(True)
    assert bus.port != before
    assert str(stable.resolve()) == bus.port
    with line(bus) as port:
        assert ask(port) == RIGHT


@needs_pty
def test_an_unplugged_port_may_keep_its_name(heat: Heat, start_bus: StartBus) -> None:
    bus = start_bus(heat, faults=plan_from_text("unplug@100-200"), renames=False)
    bus.advance_to(150.0)
    assert not bus.is_plugged
    bus.advance_to(250.0)
    assert bus.is_plugged


def test_an_unplugged_tcp_link_drops_its_clients_and_returns_at_the_same_address(
    heat: Heat, start_bus: StartBus
) -> None:
    bus = start_bus(heat, link="tcp", wire="rtu", faults=plan_from_text("unplug@100-200"))
    before = bus.port
    with line(bus) as port:
        bus.advance_to(150.0)
        with pytest.raises(OSError, match=r"closed|reset"):
            ask(port)
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(bus.address).close()
    bus.advance_to(250.0)
    assert bus.port == before
    with line(bus) as port:
        assert ask(port) == RIGHT


def test_every_wire_fault_has_a_test_here() -> None:
    assert set(WIRE_KINDS) == TESTED


def test_a_fault_hits_as_often_as_its_probability_says_and_follows_the_seed(heat: Heat) -> None:
    def outcome(seed: int) -> list[int]:
        rng = np.random.default_rng(seed)
        fault = Fault("dropout", probability=0.3)
        request = Request(ASK, True, 1, 3)
        framing, memory = FRAMINGS["rtu"], WireMemory()
        return [len(on_the_wire([fault], framing, request, RIGHT, memory, rng)) for _ in range(4000)]

    assert outcome(1) == outcome(1) != outcome(2)
    assert 1 - np.mean(outcome(1)) == pytest.approx(0.3, abs=0.03)


def test_a_fault_of_one_unit_leaves_the_other_alone() -> None:
    built_in = [Station(unit, Heat(HEAT_PROGRAM)) for unit in (1, 2)]
    faults = FaultPlan((Fault("dropout", unit=1),))
    with Bus(built_in, link="tcp", wire="rtu", speed=0, faults=faults) as bus, line(bus) as port:
        port.timeout = 0.15
        assert ask(port) == b""
        assert ask(port, rtu(2, ASK[1:-2])) == rtu(2, RIGHT[1:-2])


@pytest.mark.parametrize("wire", ["rtu", "ascii", "tcp", "text"])
@pytest.mark.parametrize("kind", [kind for kind in WIRE_KINDS if kind != "unplug"])
def test_every_fault_does_something_in_every_language(wire: str, kind: str) -> None:
    framing = FRAMINGS[wire]  # type: ignore[index]
    frames = {
        "rtu": (ASK, RIGHT),
        "ascii": (ascii_frame(1, ASK[1:-2]), ascii_frame(1, RIGHT[1:-2])),
        "tcp": (b"\x00\x07\x00\x00\x00\x06" + ASK[:-2], b"\x00\x07\x00\x00\x00\x07" + RIGHT[:-2]),
        "text": (b"TEMP?", b"PV=900.0 C\r\n"),
    }
    asked, right = frames[wire]
    end = b"\r\n" if wire == "text" else b""
    (request,), left = framing.cut(asked + end)
    assert request.whole
    assert left.strip() == b""
    memory = WireMemory(b"an older reply")
    sent = on_the_wire([Fault(kind)], framing, request, right, memory, np.random.default_rng(3))  # type: ignore[arg-type]
    if kind in ("needs-gap", "echo"):  # these two are the connection's business
        assert [sending.data for sending in sent] == [right]
    else:
        assert [(sending.delay_s, sending.data) for sending in sent] != [(0.0, right)]
    assert memory.last_reply == right
