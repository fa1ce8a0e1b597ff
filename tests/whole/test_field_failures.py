"""Each of the fifteen field failures, put on a real port by the simulated oven, is named by the check.

A pseudo-terminal or a loopback connection, the readers a watch uses, and a clock that runs as fast as the oven's. The
one thing a pseudo-terminal cannot show is a wrong parity: it has none; that is tested with a port object that has one,
and so is a refused permission, which nothing refuses the superuser.
"""

import os
import re
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from logger.clock import FastClock, RealClock
from logger.controllers.line import SerialLine
from logger.controllers.link import Connected
from logger.controllers.modbus import ModbusController
from logger.controllers.modbus_serial import SerialRegisters
from logger.controllers.read_only_port import ReadOnlyPort
from logger.controllers.settings import Framing, PortSettings
from logger.diagnosis.failures import Certainty, CheckReport, Diagnosis, Failure
from logger.link_check import CheckOrders, check_oven
from logger.oven_file import read_oven
from sim.bus import Bus, Station
from sim.controller import Tuning
from sim.faults import plan_from_text
from sim.heat import Heat
from sim.line_device import LineStyle
from sim.oven import OvenBuild
from sim.program import Off, Program, Ramp, Soak
from sim.registers import Register, RegisterTable, built_in_table
from sim.scenario import STRAP_CANISTER
from tests.controllers.scripted_bus import RegisterTable as DeskTable

ROOM_K = 294.15
COLD = Program((Soak(1e9),))
IDLE = Program((Off(),))
HEATING = Program((Ramp(1198.15), Soak(1e9)))
QUICK = Tuning(scan_s=5.0)


@dataclass
class Shop:
    """A simulated oven on a port, and an oven file that describes it as a person would."""

    folder: Path
    program: Program = IDLE
    faults: str = ""
    start_K: float = ROOM_K
    tuning: Tuning = field(default_factory=Tuning)
    speed: float = 1.0
    second: bool = False
    table: RegisterTable = field(default_factory=built_in_table)
    bus: dict[str, Any] = field(default_factory=dict)
    port: dict[str, Any] = field(default_factory=dict)
    controller: dict[str, Any] = field(default_factory=dict)
    channel: dict[str, Any] = field(default_factory=dict)
    output: bool = False
    room_K: float = ROOM_K

    @contextmanager
    def open(self) -> Iterator[Bus]:
        plan = plan_from_text(self.faults)
        heat = Heat(
            self.program,
            build=OvenBuild(room_temperature_K=self.room_K),
            canister=STRAP_CANISTER,
            tuning=self.tuning,
            faults=plan,
            second_sensor=self.second,
            start_K=self.start_K,
            seed=5,
            longest_step_s=max(2.0, self.tuning.scan_s),
        )
        settings = {"reply_delay_s": 0.0, "stable_name": self.folder / "adapter", **self.bus}
        if settings.get("link") == "tcp":
            settings.pop("stable_name")
        with Bus([Station(1, heat, self.table)], speed=self.speed, faults=plan, seed=5, **settings) as bus:
            yield bus

    def oven_file(self, port: str) -> Path:
        written = self.folder / "oven.toml"
        common = {"name": port, "baud": 19200, **self.port}
        asked = {"name": "controller", "poll_interval_s": 2, "answer_deadline_s": 0.2, "slowest_answer_s": 0.3}
        asked |= {"gap_s": 0.0, **self.controller}
        text = asked.pop("text", None)
        read = {"name": "air", "register": 0, "function": 3, "scale": 0.1, "unit": "C", **self.channel}
        if text is not None:
            read = {"name": "air", "field": "air", "unit": "C"}
        lines = ['[oven]\nname = "oven"', f"[clock]\nspeed = {self.speed}", _table("[[port]]", common)]
        lines.append(_table("[[port.controller]]", asked))
        if text is not None:
            lines.append(_table("[port.controller.text]", text))
        lines.append(_table("[[port.controller.channel]]", read))
        more = {"function": 3, "scale": 0.1}
        if self.second:
            lines.append(_table("[[port.controller.channel]]", {"name": "canister", "register": 6, **more}))
        if self.output:
            output = {"name": "output", "quantity": "output", "register": 2, "number": "uint16", "unit": "%", **more}
            lines.append(_table("[[port.controller.channel]]", output))
        written.write_text("\n".join(lines), encoding="utf-8")
        return written

    def check(self, orders: CheckOrders, port: str | None = None, clock: Any = None) -> CheckReport:
        oven = read_oven(self.oven_file(port or str(self.folder / "adapter")))
        return check_oven(oven, orders, clock or (RealClock() if self.speed == 1.0 else FastClock(self.speed)))


def _table(head: str, values: dict[str, Any]) -> str:
    def written(value: Any) -> str:
        if isinstance(value, bool):
            return str(value).lower()
        if isinstance(value, str) and "\\" in value:
            return f"'{value}'"
        return f'"{value}"' if isinstance(value, str) else str(value)

    return "\n".join([head, *(f"{key} = {written(value)}" for key, value in values.items()), ""])


ROOM = CheckOrders(room_K=ROOM_K, watch_s=0.0)


def checked(shop: Shop, orders: CheckOrders = ROOM, clock: Any = None) -> CheckReport:
    with shop.open() as bus:
        port = f"tcp://{bus.port}" if shop.bus.get("link") == "tcp" else None
        return shop.check(orders, port, clock)


def named(report: CheckReport, failure: Failure) -> Diagnosis:
    found = [each for each in report.diagnoses if each.failure is failure]
    assert found, [(each.failure.name, each.cause) for each in report.diagnoses]
    return found[0]


def only(report: CheckReport, failure: Failure) -> Diagnosis:
    """The diagnosis of this failure, when nothing else was named."""
    named(report, failure)
    assert {each.failure for each in report.diagnoses} == {failure}, report.diagnoses
    return report.diagnoses[0]


def test_a_sound_oven_is_found_well(tmp_path):
    report = checked(Shop(tmp_path, output=True), CheckOrders(room_K=ROOM_K, watch_s=5.0))
    assert report.diagnoses == ()
    assert report.is_well
    assert report.controllers[0].tally.answered == 10
    assert len(report.stretches[0].samples) >= 2


ASKED_LINE = {"query": "TEMP?", "pattern": "PV=(?P<air>\\S+) SP=\\S+ OUT=\\S+ C"}
TALKING_LINE = {"pattern": "PV=(?P<air>\\S+) SP=\\S+ OUT=\\S+ C"}


@pytest.mark.parametrize(
    ("bus", "port", "controller"),
    [
        ({"wire": "ascii"}, {"framing": "ascii"}, {}),
        ({"link": "tcp"}, {"framing": "tcp"}, {}),
        ({"link": "tcp", "wire": "rtu"}, {"framing": "rtu"}, {"answer_deadline_s": 0.5}),
        ({"wire": "text"}, {"framing": "text"}, {"text": ASKED_LINE, "answer_deadline_s": 0.5}),
        (
            {"wire": "text", "style": LineStyle(query="", every_s=0.1)},
            {"framing": "text"},
            {"text": TALKING_LINE, "answer_deadline_s": 1.0},
        ),
    ],
    ids=["ascii", "network", "network bridge", "text asked", "text talking"],
)
def test_a_sound_device_of_every_kind_is_found_well(tmp_path, bus, port, controller):
    shop = Shop(tmp_path, bus=bus, port=port, controller=controller)
    with shop.open() as running:
        name = {"tcp": f"tcp://{running.port}", "rtu": running.url}.get(port["framing"])
        report = shop.check(CheckOrders(room_K=ROOM_K, watch_s=3.0), port=name)
    assert report.diagnoses == ()
    assert report.is_well
    assert report.channels[0].reading.temperature_K == pytest.approx(ROOM_K, abs=3.0)


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


# -- 9 a value that does not move --------------------------------------------------------------------------------


@pytest.mark.slow
def test_9_a_frozen_value_is_named(tmp_path):
    shop = Shop(tmp_path, HEATING, "frozen@400-", 600.0, speed=100.0, controller={"poll_interval_s": 5}, output=True)
    said = only(checked(shop, CheckOrders(watch_s=2400.0)), Failure.FROZEN)
    assert said.cause == "the value stands still although the oven does not"


@pytest.mark.slow
def test_9_a_set_point_read_for_the_temperature_stands_still_beside_one_that_moves(tmp_path):
    shop = Shop(tmp_path, HEATING, start_K=1190.0, channel={"register": 1}, speed=5.0)
    said = only(checked(shop, CheckOrders(watch_s=60.0)), Failure.FROZEN)
    assert said.cause == "this register stands still while one beside it moves: it may be the set point's"


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


# -- 12 the thermocouple -----------------------------------------------------------------------------------------

WATCHED = {"poll_interval_s": 20, "answer_deadline_s": 0.5}


def heated(tmp_path: Path, faults: str, **more: Any) -> Shop:
    """An oven heated from cold, watched a thousand times faster than it heats."""
    return Shop(
        tmp_path,
        HEATING,
        faults,
        tuning=QUICK,
        speed=600.0,
        controller=WATCHED,
        output=True,
        bus={"baud": None},
        port={"baud": 115200},
        **more,
    )


@pytest.mark.slow
def test_12_a_reversed_pair_falls_as_the_oven_heats(tmp_path):
    shop = heated(tmp_path, "reversed-pair@0-")
    shop.program, shop.speed = Program((Off(1000.0), Ramp(1198.15), Soak(1e9))), 200.0
    shop.controller = {**WATCHED, "poll_interval_s": 5}
    said = named(checked(shop, CheckOrders(watch_s=1500.0)), Failure.THERMOCOUPLE)
    assert said.cause == "the thermocouple's two wires are swapped: it falls while the oven is heated"
    assert said.certainty is Certainty.SURE


@pytest.mark.slow
def test_12_a_shorted_lead_is_told_from_a_dead_oven_only_by_a_second_thermocouple(tmp_path):
    alone = checked(heated(tmp_path, "shorted-lead@0-"), CheckOrders(watch_s=3000.0))
    assert named(alone, Failure.THERMOCOUPLE).certainty is Certainty.ONE_OF_SEVERAL
    both = checked(heated(tmp_path, "shorted-lead@0-", second=True), CheckOrders(watch_s=3000.0))
    said = named(both, Failure.THERMOCOUPLE)
    assert said.cause.startswith("the thermocouple's lead is shorted on the way")
    assert said.certainty is Certainty.SURE


@pytest.mark.slow
@pytest.mark.parametrize(
    ("faults", "cause", "certainty", "hours", "start_K"),
    [
        (
            "wrong-couple@0-",
            "it reads like a type J thermocouple on an input set for type K",
            Certainty.LIKELY,
            2.0,
            965.0,
        ),
        ("drift@0-,amount=-12", "one of two thermocouples drifts", Certainty.LIKELY, 3.0, 1150.0),
        ("withdrawn-tip@0-,amount=0.2", "it reads lower than canister", Certainty.ONE_OF_SEVERAL, 2.0, 1200.0),
        ("double-reversed@0-,amount=60", "it reads lower than canister", Certainty.ONE_OF_SEVERAL, 2.0, 1200.0),
    ],
)
def test_12_a_second_thermocouple_shows_what_one_alone_cannot(tmp_path, faults, cause, certainty, hours, start_K):
    shop = heated(tmp_path, faults, second=True, start_K=start_K)
    said = named(checked(shop, CheckOrders(watch_s=3600.0 * hours)), Failure.THERMOCOUPLE)
    assert said.cause.startswith(cause)
    assert said.certainty is certainty


@pytest.mark.slow
def test_12_two_sound_thermocouples_are_not_blamed(tmp_path):
    shop = heated(tmp_path, "", second=True, start_K=1150.0)
    assert checked(shop, CheckOrders(watch_s=3.0 * 3600.0)).diagnoses == ()


# -- 13 spikes ---------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_13_spikes_are_named_and_not_counted(tmp_path):
    shop = Shop(tmp_path, HEATING, "spikes@0-,p=0.08", 1100.0, speed=40.0, output=True)
    report = checked(shop, CheckOrders(watch_s=400.0))
    said = named(report, Failure.SPIKES)
    assert said.cause.startswith("spikes")
    assert not said.stands_in_the_way


# -- 14 heating --------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_14_a_stuck_relay_is_named_with_the_breaker(tmp_path):
    shop = heated(tmp_path, "stuck-relay@0-", start_K=1198.15)
    said = named(checked(shop, CheckOrders(watch_s=3600.0)), Failure.HEATING)
    assert "relay or contactor is stuck closed" in said.cause
    assert "breaker" in said.advice[0]


@pytest.mark.slow
def test_14_a_dead_element_falls_at_full_heat(tmp_path):
    shop = heated(tmp_path, "dead-element@600-", start_K=1198.15)
    said = named(checked(shop, CheckOrders(watch_s=3600.0)), Failure.HEATING)
    assert said.cause == "the oven falls although the controller asks for all its heat"


@pytest.mark.slow
def test_14_half_an_element_does_not_reach_the_hold(tmp_path):
    shop = heated(tmp_path, "dead-element@0-,amount=0.75", start_K=900.0)
    said = named(checked(shop, CheckOrders(watch_s=2.5 * 3600.0)), Failure.HEATING)
    assert "the hold will not be reached" in said.cause or "falls" in said.cause


# -- 15 gaps, clocks, the record's place -------------------------------------------------------------------------


@pytest.mark.slow
def test_15_a_power_cut_shows_in_silence_and_a_cooler_oven(tmp_path):
    shop = Shop(
        tmp_path, HEATING, "power-cut@120-420", 1198.15, speed=60.0, controller={"poll_interval_s": 5}, output=True
    )
    said = named(checked(shop, CheckOrders(watch_s=600.0)), Failure.GAPS_AND_CLOCKS)
    assert said.cause.startswith("the oven was without power for a while")


class JumpingClock(RealClock):
    """A clock whose wall time is set an hour forward after two seconds."""

    def __init__(self) -> None:
        self.begun_s = self.monotonic_s()

    def utc_s(self) -> float:
        return super().utc_s() + (3600.0 if self.monotonic_s() - self.begun_s > 2.5 else 0.0)


def test_15_a_wall_clock_that_jumps_is_named_and_harms_nothing(tmp_path):
    shop = Shop(tmp_path, controller={"poll_interval_s": 0.5})
    report = checked(shop, CheckOrders(room_K=ROOM_K, watch_s=4.0), clock=JumpingClock())
    said = only(report, Failure.GAPS_AND_CLOCKS)
    assert said.cause == "its wall clock jumped"
    assert not said.stands_in_the_way


class SleepingClock(RealClock):
    """A computer that sleeps for an hour after a second of watching."""

    def __init__(self) -> None:
        self.begun_s = super().monotonic_s()

    def monotonic_s(self) -> float:
        now_s = super().monotonic_s()
        return now_s + (3600.0 if now_s - getattr(self, "begun_s", now_s) > 2.0 else 0.0)

    def utc_s(self) -> float:
        return super().utc_s() + (self.monotonic_s() - super().monotonic_s())


def test_15_a_computer_that_slept_is_named(tmp_path):
    shop = Shop(tmp_path, controller={"poll_interval_s": 0.5})
    report = checked(shop, CheckOrders(room_K=ROOM_K, watch_s=3605.0), clock=SleepingClock())
    assert named(report, Failure.GAPS_AND_CLOCKS).cause == "it slept, or had no time: nothing was asked meanwhile"


def test_15_a_board_that_starts_anew_when_its_port_is_opened(tmp_path):
    text = {"query": "TEMP?", "pattern": "PV=(?P<air>\\S+) SP=\\S+ OUT=\\S+ C"}
    style = LineStyle(banner="thermometer board, version 3", reset_s=0.1)
    shop = Shop(
        tmp_path,
        bus={"wire": "text", "link": "tcp", "style": style},
        port={"framing": "text"},
        controller={"text": text, "answer_deadline_s": 0.5},
    )
    with shop.open() as bus:
        report = shop.check(ROOM, port=bus.url)
    said = only(report, Failure.GAPS_AND_CLOCKS)
    assert dict(said.change) == {"settle_s": "2"}
    assert not said.stands_in_the_way


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may write anywhere")
def test_15_a_record_that_cannot_be_written_is_told_before_a_run(tmp_path):
    shop = Shop(tmp_path)
    oven = read_oven(shop.oven_file(str(tmp_path / "none")))
    tmp_path.chmod(0o500)
    try:
        report = check_oven(oven, ROOM, RealClock())
    finally:
        tmp_path.chmod(0o700)
    assert named(report, Failure.GAPS_AND_CLOCKS).cause == "the record cannot be written there"


def test_15_a_record_in_a_folder_that_is_not_there_is_told_before_a_run(tmp_path):
    shop = Shop(tmp_path)
    written = shop.oven_file(str(tmp_path / "none"))
    written.write_text(written.read_text().replace('name = "oven"', 'name = "oven"\nrecord = "nowhere/record.db"'))
    report = check_oven(read_oven(written), ROOM, RealClock())
    assert named(report, Failure.GAPS_AND_CLOCKS).cause == "the record cannot be written there"


# -- the check itself --------------------------------------------------------------------------------------------


def test_every_failure_has_a_test_here():
    numbers = {int(name.split("_")[1]) for name in globals() if name.startswith("test_") and name[5].isdigit()}
    assert numbers == {failure.value for failure in Failure}


def test_every_failure_is_in_the_table_for_people():
    table = (Path(__file__).parents[2] / "configs" / "field-failures.md").read_text(encoding="utf-8")
    rows = {int(line.split("|")[1]) for line in table.splitlines() if re.match(r"\| \d+ \|", line)}
    assert rows == {failure.value for failure in Failure}


def test_a_check_only_ever_reads(tmp_path):
    shop = Shop(tmp_path, controller={"unit_address": 3}, channel={"scale": 1})
    with shop.open() as bus:
        shop.check(ROOM)
        assert bus.tap.function_codes() <= {1, 2, 3, 4}
        assert bus.tap.unreadable() == []


def test_a_check_that_is_stopped_reports_what_it_has(tmp_path):
    shop, stop = Shop(tmp_path, controller={"unit_address": 200}), threading.Event()

    def tell(what: str, fraction: float) -> None:
        if "trying" in what:
            stop.set()

    with shop.open():
        report = check_oven(read_oven(shop.oven_file(str(tmp_path / "adapter"))), ROOM, RealClock(), tell, stop)
    assert report.was_stopped
    assert not report.is_well
    assert named(report, Failure.SILENCE)
