"""Registers over a serial line, asked over a real pseudo-terminal; every way an answer can be wrong.

| what happens on the line                         | what must come of it                     |
|---|---|
| clean answer                                     | the registers                            |
| echo of the question first                       | the registers; the echo is noted         |
| 00 or FF before or after                         | the registers; the bytes are counted     |
| nothing                                          | NoAnswer at the deadline                 |
| exception                                        | Refused at once, with its code           |
| flipped bit, cut answer                          | BadAnswer                                |
| another unit's, another table's answer           | BadAnswer                                |
| the answer of an earlier question, too late      | never taken; the right answer still is   |
| two answers                                      | BadAnswer                                |
| the adapter vanishes                             | LinkLost, whatever the library raises    |
"""

import os
import threading
import time
from itertools import pairwise

import pytest

from logger.controllers.line import SerialLine
from logger.controllers.link_faults import BadAnswer, LinkLost, NoAnswer, PortMissing, PortTaken, Refused
from logger.controllers.modbus_serial import SerialRegisters
from logger.controllers.read_only_port import ReadOnlyPort, open_port
from logger.controllers.settings import ControllerSettings, Framing, PortSettings
from tests.controllers.scripted_bus import (
    RegisterTable,
    ScriptedBus,
    ascii_frame,
    registers_answer,
    rtu,
    scripted,
)

OVEN = ControllerSettings("oven", (), answer_deadline_s=0.15, slowest_answer_s=0.3, gap_s=0.0)
EXACT = ControllerSettings("oven", (), answer_deadline_s=0.15, slowest_answer_s=0.3, gap_s=0.0, exact_reads=True)


def opened(bus: ScriptedBus, framing: Framing = Framing.RTU) -> SerialRegisters:
    line = SerialLine(PortSettings(bus.name, framing))
    line.open()
    return SerialRegisters(line)


def test_the_bytes_of_a_question_and_its_answer_are_those_of_the_specification():
    script = [(rtu(1, 3, 0, 0x6B, 0, 3), rtu(1, 3, 6, 0x02, 0x2B, 0, 0, 0, 0x64))]  # V1.1b3, 6.3
    with ScriptedBus(scripted(script)) as bus:
        assert opened(bus).read(EXACT, 3, 0x6B, 3) == [555, 0, 100]
    assert script == []


def test_ascii_bytes_are_those_of_the_specification_in_letters():
    script = [(ascii_frame(1, 4, 0, 8, 0, 1), ascii_frame(1, 4, 2, 0, 10))]  # V1.1b3, 6.4
    with ScriptedBus(scripted(script), request_length=None, end=b"\r\n") as bus:
        assert opened(bus, Framing.ASCII).read(EXACT, 4, 8, 1) == [10]
    assert script == []


def test_bits_come_in_the_order_of_the_specification():
    script = [(rtu(1, 2, 0, 0xC4, 0, 22), rtu(1, 2, 3, 0xAC, 0xDB, 0x35))]  # V1.1b3, 6.2: inputs 197 to 218
    with ScriptedBus(scripted(script)) as bus:
        bits = opened(bus).read(EXACT, 2, 0xC4, 22)
    assert bits[:8] == [0, 0, 1, 1, 0, 1, 0, 1]  # "inputs 204 - 197 are shown as AC hex, 1010 1100", lowest first
    assert script == []


def answering(bytes_for):
    """A device that answers like a table, its answers changed by a function of (right answer, request)."""
    table = RegisterTable({address: address + 100 for address in range(20)})
    return lambda request: bytes_for(b"".join(table(request)), request)


@pytest.mark.parametrize(
    "change",
    [
        lambda answer, request: [answer],
        lambda answer, request: [request + answer],
        lambda answer, request: [b"\x00" + answer],
        lambda answer, request: [b"\xff\xff" + answer + b"\x00"],
        lambda answer, request: [answer[:3], (0.05, answer[3:])],
        lambda answer, request: [bytes([byte]) for byte in answer],
    ],
    ids=["clean", "echo", "leading 00", "idle noise", "in two parts", "byte by byte"],
)
def test_an_answer_is_taken_whatever_is_around_it(change):
    with ScriptedBus(answering(change)) as bus:
        registers = opened(bus)
        for _ in range(3):
            assert registers.read(OVEN, 3, 4, 2) == [104, 105]


@pytest.mark.parametrize(
    ("change", "expected", "message"),
    [
        (lambda answer, request: [], NoAnswer, "no answer in 0.15 s"),
        (lambda answer, request: [request], NoAnswer, "only our own question came back"),
        (lambda answer, request: [answer[:-1] + bytes([answer[-1] ^ 4])], BadAnswer, "check sum does not fit"),
        (lambda answer, request: [answer[:4]], BadAnswer, "broke off after 4 bytes"),
        (lambda answer, request: [b"\x00\x00\xff"], BadAnswer, "idle-line noise"),
        (lambda answer, request: [registers_answer(2, 3, [7, 7])], BadAnswer, "answers to other questions"),
        (lambda answer, request: [registers_answer(1, 4, [7, 7])], BadAnswer, "answers to other questions"),
        (lambda answer, request: [registers_answer(1, 3, [7, 7, 7, 7, 7])], BadAnswer, "answers to other questions"),
        (lambda answer, request: [answer + answer], BadAnswer, "two answers to one question"),
    ],
    ids=["silence", "only echo", "flipped bit", "cut", "noise", "other unit", "other table", "other length", "twice"],
)
def test_what_is_not_the_answer_is_named_and_not_taken(change, expected, message):
    with ScriptedBus(answering(change)) as bus, pytest.raises(expected, match=message):
        opened(bus).read(EXACT, 3, 4, 2)


@pytest.mark.parametrize("code", [1, 2, 3, 4, 6, 11, 99])
def test_a_refusal_names_its_code_and_does_not_wait_for_the_deadline(code):
    patient = ControllerSettings("oven", (), answer_deadline_s=60.0, exact_reads=True)  # the test would time out
    with ScriptedBus(lambda request: [rtu(1, 0x83, code)]) as bus, pytest.raises(Refused) as refused:
        opened(bus).read(patient, 3, 0, 1)
    assert refused.value.code == code
    assert f"exception {code}" in str(refused.value)


# -- hazard 1: a late answer taken for the next question's ------------------------------------------------------


class LateOnce:
    """Answers its first question too late and every other one at once."""

    def __init__(self, delay_s: float) -> None:
        self.table = RegisterTable({address: 100 + address for address in range(20)})
        self.delay_s = delay_s
        self.late_sent = False

    def __call__(self, request: bytes):
        answer = b"".join(self.table(request))
        if not self.late_sent:
            self.late_sent = True
            return [(self.delay_s, answer)]
        return [answer]


def test_an_answer_that_comes_after_its_deadline_is_never_taken_for_the_next_one():
    with ScriptedBus(LateOnce(0.25)) as bus:
        registers = opened(bus)
        with pytest.raises(NoAnswer):
            registers.read(EXACT, 3, 0, 2)
        assert registers.read(EXACT, 3, 2, 2) == [102, 103]  # without the guard: [100, 101]
        assert registers.line.counts.left_over == 1


class LaterThanItsSlowest:
    """The first answer comes only once the next question is out: nothing but its length tells it apart."""

    def __init__(self) -> None:
        self.table = RegisterTable({address: 100 + address for address in range(20)})
        self.held = b""
        self.first = True

    def __call__(self, request: bytes):
        answer = b"".join(self.table(request))
        if self.first:
            self.first, self.held = False, answer
            return []
        held, self.held = self.held, b""
        return [held, answer] if held else [answer]


def test_an_answer_later_than_the_slowest_is_told_apart_by_its_length():
    with ScriptedBus(LaterThanItsSlowest()) as bus:
        registers = opened(bus)
        with pytest.raises(NoAnswer):
            registers.read(OVEN, 3, 0, 2)
        assert registers.read(OVEN, 3, 2, 2) == [102, 103]
        assert registers.line.counts.left_over == 1


def test_no_question_has_the_length_of_one_whose_answer_may_still_come_overtaken():
    table = RegisterTable({address: 100 + address for address in range(20)})
    with ScriptedBus(lambda request: [] if len(bus.requests) == 1 else table(request)) as bus:
        registers = opened(bus)
        with pytest.raises(NoAnswer):
            registers.read(OVEN, 3, 0, 2)
        for address in (4, 8, 4, 8):
            assert registers.read(OVEN, 3, address, 2) == [100 + address, 101 + address]
        lengths = [request[5] for request in bus.requests]
    assert lengths[0] not in lengths[1:]
    assert all(one != other for one, other in pairwise(lengths))


def test_where_every_length_is_taken_the_question_before_is_still_told_apart():
    with ScriptedBus(lambda request: []) as bus:
        registers = opened(bus)
        for _ in range(8):
            with pytest.raises(NoAnswer):
                registers.read(ControllerSettings("oven", (), answer_deadline_s=0.03, slowest_answer_s=0.03), 3, 0, 1)
        line = registers.line
        lengths = [line.next_count(1, 3, 1)]
        unit = line._units[1]
        assert unit.last_shape is not None
        assert 2 * lengths[0] != unit.last_shape[1]


class OneBehind:
    """A controller, or a gateway, that answers each question with the answer to the one before."""

    def __init__(self) -> None:
        self.table = RegisterTable({address: 100 + address for address in range(20)})
        self.previous = b""

    def __call__(self, request: bytes):
        self.previous, answer = b"".join(self.table(request)), self.previous
        return [answer] if answer else []


def test_a_controller_that_is_always_one_answer_behind_is_never_believed():
    with ScriptedBus(OneBehind()) as bus:
        registers = opened(bus)
        for address in (0, 2, 0, 2, 0):
            with pytest.raises((NoAnswer, BadAnswer)):
                registers.read(OVEN, 3, address, 1)


def test_after_a_failure_the_unit_is_left_alone_until_its_slowest_answer_would_have_come():
    with ScriptedBus(lambda request: []) as bus:
        registers = opened(bus)
        with pytest.raises(NoAnswer):
            registers.read(EXACT, 3, 0, 1)
        assert not registers.ready(EXACT)
        asked_s = time.monotonic()
        with pytest.raises(NoAnswer):
            registers.read(EXACT, 3, 0, 1)
        assert time.monotonic() - asked_s > 0.15  # waited for 0.3 s after the first question before asking again


def test_bytes_that_came_unasked_are_thrown_away_before_a_question():
    with ScriptedBus(lambda request: [registers_answer(1, 3, [9, 9])]) as bus:
        registers = opened(bus)
        bus.say(registers_answer(1, 3, [666, 666]))
        while registers.line.waiting() < 9:  # the pseudo-terminal passes bytes on in its own time
            time.sleep(0.001)
        assert registers.read(EXACT, 3, 0, 2) == [9, 9]
        assert registers.line.counts.left_over == 1


class OnlyExactly:
    """Refuses, or ignores, any question longer than the register it has."""

    def __init__(self, refuse: bool) -> None:
        self.refuse = refuse

    def __call__(self, request: bytes):
        if request[5] == 1:
            return [registers_answer(1, 3, [925])]
        return [rtu(1, 0x83, 2)] if self.refuse else []


def test_a_controller_that_refuses_longer_questions_is_asked_exactly_from_then_on():
    with ScriptedBus(OnlyExactly(refuse=True)) as bus:
        registers = opened(bus)
        assert [registers.read(OVEN, 3, 0, 1) for _ in range(5)] == [[925]] * 5
        assert [request[5] for request in bus.requests] == [1, 2, 1, 1, 1, 1]


def test_a_controller_that_is_silent_to_longer_questions_is_asked_exactly_in_the_end():
    with ScriptedBus(OnlyExactly(refuse=False)) as bus:
        registers = opened(bus)
        outcomes = []
        for _ in range(8):
            try:
                outcomes.append(registers.read(OVEN, 3, 0, 1))
            except NoAnswer:
                outcomes.append(None)
        assert outcomes.count(None) == 2
        assert outcomes[-3:] == [[925]] * 3


# -- hazard 2: whatever is raised when an adapter vanishes ------------------------------------------------------


def test_an_adapter_that_vanishes_is_a_lost_link_and_the_port_is_closed():
    bus = ScriptedBus(lambda request: [registers_answer(1, 3, [9])])
    registers = opened(bus)
    assert registers.read(EXACT, 3, 0, 1) == [9]
    bus.vanish()
    with pytest.raises(LinkLost):
        registers.read(EXACT, 3, 0, 1)
    assert not registers.line.is_open


class FailingPort:
    """Raises whatever it is told to, at every touch."""

    def __init__(self, error: Exception) -> None:
        self.error = error

    def __getattr__(self, name: str):
        raise self.error


def termios_error() -> Exception:
    import termios

    return termios.error(5, "Input/output error")


@pytest.mark.parametrize(
    "error",
    [OSError(5, "Input/output error"), termios_error(), ValueError("bad fd"), TypeError("NoneType is no integer")],
    ids=["OSError", "termios.error", "ValueError", "TypeError"],
)
def test_every_kind_of_exception_of_a_vanished_port_is_a_lost_link(error):
    line = SerialLine(PortSettings("gone"), opener=lambda *_: ReadOnlyPort(FailingPort(error), Framing.RTU))
    line.open()
    with pytest.raises(LinkLost, match="gone: lost"):
        SerialRegisters(line).read(EXACT, 3, 0, 1)


# -- opening and closing ----------------------------------------------------------------------------------------


def test_a_port_that_is_not_there_is_missing(tmp_path):
    with pytest.raises(PortMissing) as refusal:
        SerialLine(PortSettings(str(tmp_path / "none"))).open()
    assert str(refusal.value).endswith(
        "none: not there (No such file or directory); is the adapter plugged in, has it another name now?"
    )


def test_a_port_another_program_holds_is_taken():
    with ScriptedBus(lambda request: []) as bus:
        first = opened(bus)
        with pytest.raises(PortTaken, match=r"in use by another program; close that one$"):
            SerialLine(PortSettings(bus.name)).open()
        first.line.close()
        SerialLine(PortSettings(bus.name)).open()


def test_an_opening_that_hangs_does_not_stall_and_is_undone_when_it_comes_after_all():
    let_go, closed = threading.Event(), threading.Event()

    class SlowPort(FailingPort):
        def close(self) -> None:
            closed.set()

    def slow_opening(*_):
        let_go.wait(10)
        return SlowPort(OSError())

    line = SerialLine(PortSettings("slow", open_deadline_s=0.05), opener=slow_opening)
    with pytest.raises(LinkLost, match=r"does not open in 0\.05 s"):
        line.open()
    assert not line.is_open
    let_go.set()
    assert closed.wait(10)


def test_a_stable_name_is_followed_to_wherever_the_adapter_came_back(tmp_path):
    by_id = tmp_path / "by-id"
    first = ScriptedBus(lambda request: [registers_answer(1, 3, [1])])
    os.symlink(first.name, by_id)
    line = SerialLine(PortSettings(str(by_id)))
    line.open()
    registers = SerialRegisters(line)
    assert registers.read(EXACT, 3, 0, 1) == [1]
    first.vanish()
    with pytest.raises(LinkLost):
        registers.read(EXACT, 3, 0, 1)
    with ScriptedBus(lambda request: [registers_answer(1, 3, [2])]) as second:
        by_id.unlink()
        os.symlink(second.name, by_id)
        line.open()
        assert registers.read(EXACT, 3, 0, 1) == [2]
        line.close()


def test_what_a_restarting_board_says_is_ignored():
    with ScriptedBus(lambda request: [registers_answer(1, 3, [7])]) as bus:
        line = SerialLine(PortSettings(bus.name, settle_s=0.15), opener=lambda *given: _greeted(bus, *given))
        line.open()
        assert SerialRegisters(line).read(EXACT, 3, 0, 1) == [7]
        assert line.counts.stray_bytes == 0


def _greeted(bus: ScriptedBus, settings: PortSettings, questions: frozenset[bytes]) -> ReadOnlyPort:
    port = open_port(settings, questions)
    bus.say(b"boot v1\r\n")
    return port
