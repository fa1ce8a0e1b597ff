"""Field failures of port, line, controller and registers, on a real port, are named by the check at once.

The one thing a pseudo-terminal cannot show is a wrong parity: it has none; that is tested with a port object that has
one, and so is a refused permission, which nothing refuses the superuser.
"""

import os
import subprocess
import sys
import time
from collections.abc import Callable

import pytest

from logger.clock import RealClock
from logger.controllers.line import SerialLine
from logger.controllers.link import Connected
from logger.controllers.modbus import ModbusController
from logger.controllers.modbus_serial import SerialRegisters
from logger.controllers.read_only_port import ReadOnlyPort
from logger.controllers.settings import Framing, PortSettings
from logger.diagnosis.failures import Certainty, Failure
from logger.link_check import CheckOrders, check_oven
from logger.oven_file import read_oven
from sim.controller import Tuning
from sim.registers import Register, RegisterTable
from tests.controllers.scripted_bus import RegisterTable as DeskTable
from tests.whole.checked_shop import HEATING, ROOM, ROOM_K, Shop, checked, named, only

# -- 1 the port is not there -------------------------------------------------------------------------------------


def test_1_a_port_that_is_not_there_is_named_with_the_ports_that_are(tmp_path):
    said = only(Shop(tmp_path).check(ROOM, port=str(tmp_path / "none")), Failure.PORT_MISSING)
    assert said.cause == "the adapter is unplugged, or it has another name now"


@pytest.mark.parametrize(("port", "framing"), [("tcp://127.0.0.1:1", "tcp"), ("socket://127.0.0.1:1", "rtu")])
def test_1_a_network_address_where_nobody_is(tmp_path, port, framing):
    said = only(Shop(tmp_path, port={"framing": framing}).check(ROOM, port=port), Failure.PORT_MISSING)
    assert said.cause == "nobody is reached at this network address"
    assert said.certainty is Certainty.ONE_OF_SEVERAL


@pytest.mark.slow
def test_1_a_plug_that_was_pulled_and_came_back_under_another_name_while_watching(tmp_path):
    shop = Shop(tmp_path, faults="unplug@40-60", speed=10.0)
    said = only(checked(shop, CheckOrders(room_K=ROOM_K, watch_s=120.0)), Failure.PORT_MISSING)
    assert said.cause == "the adapter, or the connection, went away and came back"
    assert not said.stands_in_the_way


# -- 2 the port is taken -----------------------------------------------------------------------------------------

HOLD = "import serial,sys; p=serial.Serial(sys.argv[1], exclusive=True); print('held', flush=True); sys.stdin.read()"


def test_2_the_program_that_holds_the_port_is_named(tmp_path):
    shop = Shop(tmp_path)
    with shop.open():
        words = [sys.executable, "-c", HOLD, str(tmp_path / "adapter")]
        with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as other:
            assert other.stdout is not None
            assert other.stdout.readline() == b"held\n"
            report = shop.check(ROOM)
            assert other.stdin is not None
            other.stdin.close()
    said = only(report, Failure.PORT_TAKEN)
    assert f"(process {other.pid})" in said.cause
    assert said.certainty is Certainty.SURE


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may open anything")
def test_2_a_port_that_is_not_ours_to_open(tmp_path):
    barred = tmp_path / "barred"
    barred.touch(mode=0)
    assert only(Shop(tmp_path).check(ROOM, port=str(barred)), Failure.PORT_TAKEN).advice[1].startswith("add yourself")


def test_2_a_port_that_the_system_refuses_us(tmp_path):
    def refused(*_: object) -> ReadOnlyPort:
        raise PermissionError(13, "Permission denied")

    oven = read_oven(Shop(tmp_path).oven_file("/dev/barred"))
    report = check_oven(oven, ROOM, RealClock(), connect=on_a_desk(refused))
    said = only(report, Failure.PORT_TAKEN)
    assert said.certainty is Certainty.ONE_OF_SEVERAL
    assert any(advice.startswith("add yourself to the group") for advice in said.advice)


# -- 3 silence ---------------------------------------------------------------------------------------------------


def test_3_another_baud_is_found(tmp_path):
    said = only(checked(Shop(tmp_path, bus={"baud": 9600})), Failure.SILENCE)
    assert dict(said.change) == {"baud": "9600"}
    assert said.certainty is Certainty.SURE


class DeskPort:
    """A port object whose device understands one baud and parity only and damages everything else."""

    def __init__(self, heard: PortSettings, right: PortSettings) -> None:
        self.fits = (heard.baud, heard.parity) == (right.baud, right.parity)
        self.table, self.there = DeskTable(dict.fromkeys(range(40), 213)), b""

    @property
    def in_waiting(self) -> int:
        return len(self.there)

    def read(self, size: int = 1, /) -> bytes:
        if not self.there:
            time.sleep(0.005)
        taken, self.there = self.there[:size], self.there[size:]
        return taken

    def write(self, data: bytes, /) -> int:
        answer = b"".join(each for each in self.table(data) if isinstance(each, bytes))
        self.there += answer if self.fits else bytes(byte ^ 0x55 for byte in answer[:-1])
        return len(data)

    def flush(self) -> None: ...

    def close(self) -> None: ...


def on_a_desk(opener: Callable[[PortSettings, frozenset[bytes]], ReadOnlyPort]) -> Callable[..., Connected]:
    """Connects controllers to a port object instead of a port."""

    def connect(port: PortSettings, clock: object) -> Connected:
        line = SerialLine(port, opener=opener, present=list)
        registers = SerialRegisters(line)
        return Connected(line, tuple(ModbusController(each, registers) for each in port.controllers), registers)

    return connect


@pytest.mark.parametrize(
    ("baud", "parity"), [(19200, "even"), (19200, "odd"), (9600, "none"), (9600, "even"), (38400, "even")]
)
def test_3_and_5_another_parity_is_found_behind_damaged_answers(tmp_path, baud, parity):
    right = PortSettings("desk", baud=baud, parity=parity)
    oven = read_oven(Shop(tmp_path).oven_file("desk"))  # says 19200 baud, no parity
    connect = on_a_desk(lambda heard, _: ReadOnlyPort(DeskPort(heard, right), Framing.RTU))
    said = only(check_oven(oven, ROOM, RealClock(), connect=connect), Failure.NOISE)
    wanted = {"baud": str(baud)} if baud != 19200 else {}
    assert dict(said.change) == wanted | ({"parity": f'"{parity}"'} if parity != "none" else {})
    assert said.certainty is Certainty.SURE


def test_3_another_unit_address_is_found(tmp_path):
    said = only(checked(Shop(tmp_path, controller={"unit_address": 5})), Failure.SILENCE)
    assert dict(said.change) == {"unit_address": "1"}
    assert said.certainty is Certainty.SURE


def test_3_total_silence_is_walked_through_in_order_of_ease(tmp_path):
    said = only(checked(Shop(tmp_path, faults="lost-link@0-")), Failure.SILENCE)
    assert said.certainty is Certainty.ONE_OF_SEVERAL
    assert "swap the two wires A and B" in said.advice[1]
    assert "other line settings and unit addresses were silent too" in said.seen


def test_3_silence_behind_a_network_gateway(tmp_path):
    shop = Shop(tmp_path, faults="exception@0-,amount=11", bus={"link": "tcp"}, port={"framing": "tcp"})
    said = only(checked(shop), Failure.SILENCE)
    assert said.cause == "the gateway answers, the controller behind it does not"


# -- 4 echo ------------------------------------------------------------------------------------------------------


def test_4_an_echo_is_named_and_not_in_the_way(tmp_path):
    report = checked(Shop(tmp_path, faults="echo@0-"))
    said = only(report, Failure.ECHO)
    assert not said.stands_in_the_way
    assert report.is_well


def test_4_an_echo_with_nobody_beyond_it_is_echo_and_silence(tmp_path):
    report = checked(Shop(tmp_path, faults="echo@0-; lost-link@0-"))
    assert {each.failure for each in report.diagnoses} == {Failure.SILENCE, Failure.ECHO}
    assert "the adapter works, so look beyond it" in named(report, Failure.ECHO).advice[0]


# -- 5 noise -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("faults", "cause"),
    [
        ("bad-checksum@0-,p=0.4", "some answers arrive damaged"),
        ("truncated@0-,p=0.4", "some answers arrive damaged"),
        ("bad-checksum@0-", "every answer arrives damaged"),
        ("stray-before@0-,amount=2", "stray bytes around the answers"),
        ("stray-after@0-,amount=2", "stray bytes around the answers"),
    ],
)
def test_5_damage_and_stray_bytes_are_named(tmp_path, faults, cause):
    assert only(checked(Shop(tmp_path, faults=faults)), Failure.NOISE).cause.startswith(cause)


# -- 6 the wrong register ----------------------------------------------------------------------------------------


def test_6_a_refused_question_says_that_the_wiring_is_good(tmp_path):
    said = only(checked(Shop(tmp_path, faults="exception@0-,amount=2")), Failure.WRONG_REGISTER)
    assert said.cause.startswith("the wiring and the unit address are good; the controller has no such register")


def test_6_a_register_counted_from_one_is_found_at_one_less(tmp_path):
    alone = RegisterTable((Register(99, "process value", decimals=1),))
    said = only(checked(Shop(tmp_path, table=alone, channel={"register": 100})), Failure.WRONG_REGISTER)
    assert dict(said.change) == {"register": "99", "function": "3", "counted_from": "0"}


def test_6_the_other_table_is_found(tmp_path):
    inputs = RegisterTable((Register(0, "process value", decimals=1, functions=(4,)),))
    said = only(checked(Shop(tmp_path, table=inputs)), Failure.WRONG_REGISTER)
    assert dict(said.change)["function"] == "4"


def test_6_a_neighbour_that_is_there_but_is_not_the_temperature(tmp_path):
    table = RegisterTable((Register(0, "constant", value=1000), Register(1, "process value", decimals=1)))
    said = only(checked(Shop(tmp_path, table=table)), Failure.WRONG_REGISTER)
    assert dict(said.change)["register"] == "1"


def test_6_and_7_a_number_that_also_fits_with_another_scale_leaves_both_open(tmp_path):
    table = RegisterTable((Register(0, "constant", value=1500), Register(1, "process value", decimals=1)))
    report = checked(Shop(tmp_path, table=table))  # 1500 is 15.0 with another scale, near enough to the room's 21
    assert named(report, Failure.WRONG_REGISTER).certainty is Certainty.ONE_OF_SEVERAL
    assert named(report, Failure.MISREAD).certainty is Certainty.ONE_OF_SEVERAL


# -- 7 read the wrong way ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("tuning", "channel", "change"),
    [
        (Tuning(), {"scale": 1}, {"scale": "0.1"}),
        (Tuning(), {"scale": 0.01}, {"scale": "0.1"}),
        (Tuning(unit="F"), {}, {"unit": '"F"'}),
        (Tuning(), {"unit": "F"}, {"unit": '"C"'}),
        (
            Tuning(),
            {"register": 14, "number": "float32", "scale": 1, "word_order": "low first"},
            {"word_order": '"high first"'},
        ),
        (
            Tuning(),
            {"register": 16, "number": "float32", "scale": 1},
            {"word_order": '"low first"'},
        ),
    ],
    ids=["ten times too much", "a tenth", "shows F", "read as F", "word order", "word order the other way"],
)
def test_7_scale_unit_and_word_order_are_told_from_the_rooms_temperature(tmp_path, tuning, channel, change):
    said = only(checked(Shop(tmp_path, tuning=tuning, channel=channel)), Failure.MISREAD)
    assert dict(said.change) == change


def test_7_a_sign_shows_in_a_cold_shop(tmp_path):
    shop = Shop(tmp_path, start_K=268.15, room_K=268.15, channel={"number": "uint16"})
    said = only(checked(shop, CheckOrders(room_K=268.15, watch_s=0.0)), Failure.MISREAD)
    assert dict(said.change) == {"number": '"int16"'}


def test_7_the_display_settles_it_in_a_hot_oven(tmp_path):
    shop = Shop(tmp_path, program=HEATING, start_K=1198.15, channel={"scale": 1})
    said = only(checked(shop, CheckOrders(shown_K=1198.15, watch_s=0.0)), Failure.MISREAD)
    assert dict(said.change) == {"scale": "0.1"}


def test_7_a_pattern_that_does_not_fit_the_line(tmp_path):
    text = {"query": "TEMP?", "pattern": "T=(?P<air>\\S+)"}
    shop = Shop(tmp_path, bus={"wire": "text"}, port={"framing": "text"}, controller={"text": text})
    said = only(checked(shop), Failure.MISREAD)
    assert "PV=" in said.seen


# -- 8 codes -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("faults", "cause"),
    [
        ("sensor-break@0-", "the controller reports an open sensor"),
        ("break-code@0-,amount=-32768", "the controller reports an open sensor"),
        ("break-code@0-,amount=9999", "9999 looks like a code for an open sensor"),
        ("exact-zero@0-", "exactly zero"),
    ],
)
def test_8_a_code_is_never_a_temperature(tmp_path, faults, cause):
    assert only(checked(Shop(tmp_path, faults=faults)), Failure.BREAK_CODE).cause.startswith(cause)


def test_8_a_sensor_that_opens_while_watching(tmp_path):
    shop = Shop(tmp_path, faults="sensor-break@60-120", speed=20.0, controller={"poll_interval_s": 5})
    said = only(checked(shop, CheckOrders(room_K=ROOM_K, watch_s=120.0)), Failure.BREAK_CODE)
    assert said.cause == "the sensor opens now and then"


# -- 10 others' answers ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("faults", "cause"),
    [
        ("second-master@0-", "frames of other units are on the line"),
        ("wrong-slave@0-,p=0.5", "frames of other units are on the line"),
        ("late@0-,p=0.4,amount=0.28", "answers come late, or belong to an earlier question"),
        ("stale@0-,p=0.5", "answers come late, or belong to an earlier question"),
        ("repeated@0-,p=0.5", "two answers to one question"),
    ],
)
def test_10_answers_to_other_questions_are_named_and_never_taken(tmp_path, faults, cause):
    report = checked(Shop(tmp_path, faults=faults))
    said = [each.cause for each in report.diagnoses if each.failure is Failure.OTHERS_ANSWERS]
    assert any(words.startswith(cause) for words in said), report.diagnoses
    assert all(abs(channel.reading.temperature_K - ROOM_K) < 5.0 for channel in report.channels)


# -- 11 now and then ---------------------------------------------------------------------------------------------


def test_11_a_controller_that_wants_a_pause_gets_the_pause_it_wants(tmp_path):
    said = only(checked(Shop(tmp_path, faults="needs-gap@0-,amount=0.08")), Failure.NOW_AND_THEN)
    assert dict(said.change) == {"gap_s": "0.1"}
    assert said.seen.startswith("hit rate ")


def test_11_answers_that_get_lost_whatever_the_pause(tmp_path):
    said = only(checked(Shop(tmp_path, faults="dropout@0-,p=0.5")), Failure.NOW_AND_THEN)
    assert said.certainty is Certainty.ONE_OF_SEVERAL


def test_11_a_busy_controller(tmp_path):
    said = only(checked(Shop(tmp_path, faults="exception@0-,p=0.5,amount=6")), Failure.NOW_AND_THEN)
    assert said.cause == "the controller is busy with itself"
