"""The simulated controllers are real to two Modbus libraries, on a serial port and on loopback."""

import contextlib
import math
import socket
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import minimalmodbus
import numpy as np
import pytest
import serial
from pymodbus.client import ModbusSerialClient, ModbusTcpClient

from sim.bus import Bus
from sim.controller import Tuning
from sim.errors import BadInput, NoPort
from sim.faults import KINDS, plan_from_text, random_plan
from sim.heat import Heat
from sim.line_device import LineStyle
from sim.modbus_server import Station
from sim.port import pseudo_terminals_work
from sim.registers import Register, RegisterTable
from sim.scenario import scenario
from sim.wire import rtu
from tests.sim.conftest import needs_pty

StartBus = Callable[..., Bus]


@contextlib.contextmanager
def instrument(bus: Bus, unit: int = 1, timeout_s: float = 1.0, mode: str = "rtu") -> Iterator[Any]:
    """A minimalmodbus instrument on the bus, closed at the end."""
    with serial.serial_for_url(bus.url, baudrate=bus.baud or 19200, timeout=timeout_s) as port:
        yield minimalmodbus.Instrument(port, unit, mode=mode)


@needs_pty
def test_minimalmodbus_reads_the_whole_table_over_a_serial_port(heat: Heat, start_bus: StartBus) -> None:
    bus = start_bus(heat)
    bus.advance_to(3600.0)
    shown = heat.display()
    with instrument(bus) as controller:
        assert controller.read_register(0, 1, signed=True) == shown.process_value
        assert controller.read_register(0, 1, functioncode=4, signed=True) == shown.process_value
        assert controller.read_register(1, 1) == shown.set_point
        assert controller.read_register(2, 1) == round(shown.output_percent, 1)
        assert controller.read_register(4) == 1
        assert controller.read_long(10, signed=True) == round(shown.process_value * 1000)
        assert controller.read_float(14) == pytest.approx(shown.process_value, rel=1e-6)
        low_first = controller.read_float(16, byteorder=minimalmodbus.BYTEORDER_LITTLE_SWAP)
        assert low_first == pytest.approx(shown.process_value, rel=1e-6)
        status = sum(bit << place for place, bit in enumerate(controller.read_bits(0, 16, functioncode=2)))
        assert status == shown.status == controller.read_register(3)
        assert math.isnan(controller.read_float(20))  # no second thermocouple is fitted
    assert 700.0 < shown.process_value < 900.0


@needs_pty
def test_pymodbus_reads_the_same_over_a_serial_port(heat: Heat, start_bus: StartBus) -> None:
    bus = start_bus(heat)
    bus.advance_to(1800.0)
    client = ModbusSerialClient(bus.port, baudrate=19200, timeout=1.0, retries=0)
    assert client.connect()
    try:
        words = client.read_input_registers(0, count=2, device_id=1).registers
        bits = client.read_coils(0, count=7, device_id=1).bits
    finally:
        client.close()
    assert words[0] / 10 == heat.display().process_value
    assert bits[4]  # the program runs


def test_pymodbus_reads_the_same_over_tcp(heat: Heat, start_bus: StartBus) -> None:
    bus = start_bus(heat, link="tcp")
    bus.advance_to(1800.0)
    host, number = bus.address
    with ModbusTcpClient(host, port=number, timeout=1.0, retries=0) as client:
        words = client.read_holding_registers(0, count=5, device_id=1).registers
    assert words[0] / 10 == heat.display().process_value
    assert words[4] == 1


def test_a_raw_serial_bridge_over_tcp_speaks_rtu(heat: Heat, start_bus: StartBus) -> None:
    bus = start_bus(heat, link="tcp", wire="rtu")
    with instrument(bus) as controller:
        assert controller.read_register(0, 1) == heat.display().process_value


@needs_pty
def test_modbus_ascii_is_spoken_too(heat: Heat, start_bus: StartBus) -> None:
    bus = start_bus(heat, wire="ascii")
    bus.advance_to(600.0)
    with instrument(bus, mode="ascii") as controller:
        assert controller.read_register(0, 1) == heat.display().process_value


@needs_pty
def test_registers_that_are_not_there_and_writes_are_refused_and_the_tap_shows_them(
    heat: Heat, start_bus: StartBus
) -> None:
    bus = start_bus(heat)
    with instrument(bus, timeout_s=0.2) as controller:
        controller.read_register(0)
        with pytest.raises(minimalmodbus.IllegalRequestError, match="illegal data address"):
            controller.read_register(100)
        assert bus.tap.function_codes() == {3}
        with pytest.raises(minimalmodbus.IllegalRequestError, match="illegal function"):
            controller.write_register(1, 500)
        with pytest.raises(minimalmodbus.IllegalRequestError, match="illegal function"):
            controller.write_bit(0, 1)
    assert bus.tap.function_codes() == {3, 5, 16}
    assert bus.tap.unreadable() == []
    assert [passed.data[0] for passed in bus.tap.replies] == [1, 1, 1, 1]


@needs_pty
def test_a_unit_that_is_not_there_is_silent(heat: Heat, start_bus: StartBus) -> None:
    bus = start_bus(heat, unit=5)
    with instrument(bus, unit=6, timeout_s=0.1) as absent, pytest.raises(minimalmodbus.NoResponseError):
        absent.read_register(0)
    assert [passed.why for passed in bus.tap.passed] == ["no such unit"]


@needs_pty
def test_a_lost_link_is_silent_for_its_span_of_oven_time_and_comes_back(heat: Heat, start_bus: StartBus) -> None:
    bus = start_bus(heat, faults=plan_from_text("lost-link@600-700"))
    with instrument(bus, timeout_s=0.1) as controller:
        controller.read_register(0)
        bus.advance_to(650.0)
        with pytest.raises(minimalmodbus.NoResponseError):
            controller.read_register(0)
        bus.advance_to(700.0)
        controller.read_register(0)


@needs_pty
def test_a_running_bus_moves_the_oven_at_its_speed(heat: Heat, start_bus: StartBus) -> None:
    bus = start_bus(heat, speed=600.0)
    with instrument(bus) as controller:
        first = controller.read_register(0, 1)
        while bus.oven_s < 300.0:
            latest = controller.read_register(0, 1)
    assert latest > first + 10.0
    assert bus.tap.function_codes() == {3}


# -- more than one controller, other languages --


def test_controllers_on_one_bus_answer_each_for_its_own_oven() -> None:
    built_in = scenario("plane-iron")
    heats = [Heat(built_in.program, canister=built_in.canister, start_K=start_K) for start_K in (400.0, 700.0)]
    with Bus([Station(3, heats[0]), Station(4, heats[1])], link="tcp", speed=0) as bus:
        host, number = bus.address
        with ModbusTcpClient(host, port=number, timeout=1.0, retries=0) as client:
            words = [client.read_holding_registers(0, count=1, device_id=unit).registers[0] for unit in (3, 4)]
    assert [word / 10 for word in words] == [heat.display().process_value for heat in heats]
    assert words[1] - words[0] == pytest.approx(3000, abs=20)


def test_two_programs_may_be_connected_over_tcp(heat: Heat, start_bus: StartBus) -> None:
    bus = start_bus(heat, link="tcp")
    host, number = bus.address
    with (
        ModbusTcpClient(host, port=number, timeout=1.0, retries=0) as one,
        ModbusTcpClient(host, port=number, timeout=1.0, retries=0) as other,
    ):
        for client in (one, other, one):
            assert client.read_holding_registers(5, count=1, device_id=1).registers == [0]


def test_a_table_without_input_registers_and_bits_refuses_those_functions(start_bus: StartBus) -> None:
    table = RegisterTable((Register(40, "process value", "float32", functions=(3,)),), bits=False)
    heat = Heat(scenario("temper").program)
    with Bus([Station(1, heat, table)], link="tcp", speed=0) as bus:
        host, number = bus.address
        with ModbusTcpClient(host, port=number, timeout=1.0, retries=0) as client:
            assert not client.read_holding_registers(40, count=2, device_id=1).isError()
            assert client.read_holding_registers(40, count=3, device_id=1).exception_code == 2
            assert client.read_input_registers(40, count=2, device_id=1).exception_code == 1
            assert client.read_coils(0, count=1, device_id=1).exception_code == 1
            assert client.read_discrete_inputs(0, count=1, device_id=1).exception_code == 1


@pytest.mark.parametrize("link", [pytest.param("pty", marks=needs_pty), "tcp"])
def test_a_text_device_answers_its_question_and_no_other(link: str, heat: Heat, start_bus: StartBus) -> None:
    bus = start_bus(heat, link=link, wire="text", style=LineStyle("READ", "T={pv} {unit}"))
    with serial.serial_for_url(bus.url, timeout=2.0) as port:
        port.write(b"WRITE 900\rREAD\r\n")
        assert port.readline() == f"T={heat.display().process_value:.1f} C\r\n".encode()
    assert [passed.why for passed in bus.tap.requests] == ["unknown question", ""]


def test_a_device_that_resets_when_it_is_opened_greets_before_it_answers(heat: Heat, start_bus: StartBus) -> None:
    style = LineStyle("READ", "{pv}", banner="oven ready", reset_s=0.05)
    bus = start_bus(heat, link="tcp", wire="text", style=style)
    with socket.create_connection(bus.address, timeout=2.0) as connection, connection.makefile("rwb") as port:
        port.write(b"READ\n")
        port.flush()
        assert port.readline() == b"oven ready\r\n"
        assert port.readline() == f"{heat.display().process_value:.1f}\r\n".encode()


def test_a_text_device_chatters_by_itself(heat: Heat, start_bus: StartBus) -> None:
    bus = start_bus(heat, link="tcp", wire="text", style=LineStyle("", "{pv}", every_s=0.02))
    with serial.serial_for_url(bus.url, timeout=2.0) as port:
        lines = [port.readline() for _ in range(3)]
    assert lines == [f"{heat.display().process_value:.1f}\r\n".encode()] * 3


@needs_pty
def test_a_chattering_device_that_nobody_reads_does_not_stand_still(heat: Heat, start_bus: StartBus) -> None:
    bus = start_bus(heat, wire="text", style=LineStyle("", "{pv}" + "." * 2000, every_s=0.0))
    deadline = time.monotonic() + 10.0
    while len(bus.tap.replies) < 20:
        assert time.monotonic() < deadline
        time.sleep(0.01)
    with serial.serial_for_url(bus.url, timeout=2.0) as port:
        assert port.readline().endswith(b".\r\n")


# -- the line --


@needs_pty
def test_a_program_at_another_speed_is_not_understood(heat: Heat, start_bus: StartBus) -> None:
    bus = start_bus(heat, baud=9600)
    with serial.Serial(bus.port, 19200, timeout=0.1) as port:
        controller = minimalmodbus.Instrument(port, 1)
        with pytest.raises(minimalmodbus.NoResponseError):
            controller.read_register(0)
        port.baudrate = 9600
        port.timeout = 1.0
        assert controller.read_register(0, 1) == heat.display().process_value
    assert bus.tap.requests[0].why == "sent at another speed"


@needs_pty
def test_a_paced_line_takes_the_time_of_its_bytes(heat: Heat, start_bus: StartBus) -> None:
    bus = start_bus(heat, baud=2400, paced=True)
    with instrument(bus) as controller:
        controller.read_registers(0, 10)
    (asked,), (answered,) = bus.tap.requests, bus.tap.replies
    assert len(asked.data) + len(answered.data) == 33
    assert answered.wall_s - asked.wall_s >= 33 * 11 / 2400


@needs_pty
def test_bytes_that_are_no_request_are_shown_and_forgotten(heat: Heat, start_bus: StartBus) -> None:
    bus = start_bus(heat)
    with serial.Serial(bus.port, 19200, timeout=1.0) as port:
        port.write(b"\x00\xff\x01\x03")
        deadline = time.monotonic() + 5.0
        while not bus.tap.unreadable():
            assert time.monotonic() < deadline
            time.sleep(0.005)
        port.write(bytes.fromhex("010300040001") + bytes.fromhex("C5CB"))
        assert port.read(7) == bytes.fromhex("010302000179 84".replace(" ", ""))
    assert bus.tap.unreadable() == [b"\x00\xff\x01\x03"]


def test_the_tap_can_write_a_file(heat: Heat, start_bus: StartBus, tmp_path: Path) -> None:
    bus = start_bus(heat, link="tcp", wire="rtu", tap_file=tmp_path / "tap.csv")
    with instrument(bus) as controller:
        controller.read_register(4)
    bus.stop()
    header, asked, answered = (tmp_path / "tap.csv").read_text().splitlines()
    assert header == "wall_s,oven_s,direction,readable,unit,function,bytes,why"
    assert asked.split(",")[2:] == ["request", "1", "1", "3", "01 03 00 04 00 01 c5 cb", ""]
    assert answered.split(",")[2:] == ["reply", "1", "1", "3", "01 03 02 00 01 79 84", "reply"]


# -- what is not there --


def test_the_true_steel_temperature_is_not_on_the_wire_unless_a_second_sensor_is_fitted(start_bus: StartBus) -> None:
    built_in = scenario("plane-iron")
    shown = {}
    for fitted in (False, True):
        heat = Heat(built_in.program, canister=built_in.canister, second_sensor=fitted)
        bus = start_bus(heat, link="tcp")
        bus.advance_to(5000.0)
        host, number = bus.address
        with ModbusTcpClient(host, port=number, timeout=1.0, retries=0) as client:
            shown[fitted] = client.read_holding_registers(6, count=1, device_id=1).registers[0]
    assert shown[False] == 32767
    assert shown[True] / 10 == pytest.approx(heat.state.steel_K - 273.15, abs=3.0)
    assert heat.state.oven_K - heat.state.steel_K > 100.0


def test_a_system_without_pseudo_terminals_says_so(heat: Heat, monkeypatch: pytest.MonkeyPatch) -> None:
    def refused() -> tuple[int, int]:
        raise OSError("out of pty devices")

    monkeypatch.setattr("sim.port.os.openpty", refused)
    assert not pseudo_terminals_work()
    with pytest.raises(NoPort) as refusal:
        Bus([Station(1, heat)]).start()
    assert str(refusal.value) == "no pseudo-terminal to be had (out of pty devices); use the tcp link"
    monkeypatch.setattr("sim.port._terminals", False)
    with pytest.raises(NoPort, match="this system has no pseudo-terminals; use the tcp link"):
        Bus([Station(1, heat)]).start()


def test_a_tcp_port_that_is_taken_is_named(heat: Heat, start_bus: StartBus) -> None:
    _, number = start_bus(heat, link="tcp").address
    with pytest.raises(NoPort, match=f"127.0.0.1:{number}: .*; choose another tcp port"):
        Bus([Station(1, heat)], link="tcp", tcp_port=number).start()


@pytest.mark.parametrize(
    ("units", "settings", "message"),
    [
        ([], {}, "bus: stations: found none, expected one or more"),
        ([1, 1], {}, "bus: unit addresses: found [1, 1], expected all different"),
        ([1], {"speed": -1.0}, "bus: speed: found -1, expected 0 or more"),
        ([1], {"paced": True}, "bus: paced: found no baud, expected a baud to keep to"),
        ([1], {"wire": "tcp"}, "bus: wire: found tcp on a pty, expected rtu, ascii or text"),
        ([0], {}, "station: unit address: found 0, expected 1 to 247"),
    ],
)
def test_a_bus_that_cannot_be_is_refused(heat: Heat, units: list[int], settings: dict[str, Any], message: str) -> None:
    with pytest.raises(BadInput) as refusal:
        Bus([Station(unit, heat) for unit in units], **settings)
    assert str(refusal.value) == message


def test_a_bus_can_be_stopped_twice_and_started_again(heat: Heat) -> None:
    bus = Bus([Station(1, heat)], link="tcp", wire="rtu", speed=0)
    for _ in range(2):
        with bus, instrument(bus) as controller:
            assert controller.read_register(4) == 1
        bus.stop()
        assert not bus.is_running


def test_a_heat_under_way_goes_on_from_where_it_is(heat: Heat, start_bus: StartBus) -> None:
    heat.advance_to(3000.0)
    bus = start_bus(heat, link="tcp", speed=20.0)
    deadline = time.monotonic() + 10.0
    while bus.oven_s < 3005.0:
        assert time.monotonic() < deadline
        time.sleep(0.005)


@needs_pty
def test_a_day_with_all_faults_at_random_leaves_the_bus_alive(start_bus: StartBus, tmp_path: Path) -> None:
    rng = np.random.default_rng(11)
    plan = random_plan(rng, 86400.0, per_hour=7.0, kinds=KINDS)
    heat = Heat(scenario("plane-iron").program, tuning=Tuning(scan_s=5.0), faults=plan, longest_step_s=5.0)
    bus = start_bus(heat, faults=plan, stable_name=tmp_path / "port", seed=4)
    answered = silent = 0
    request = rtu(1, b"\x03\x00\x04\x00\x02")
    for time_s in sorted(0.5 * (fault.from_s + fault.to_s) for fault in plan.faults):
        bus.advance_to(time_s)
        if not bus.is_plugged:
            silent += 1
            continue
        with serial.Serial(str(tmp_path / "port"), 19200, timeout=0.03) as port:
            port.write(request)
            answered += bool(port.read(9))
    assert bus.is_running
    assert silent >= len(plan.spans_s("unplug")) > 0
    assert answered > 20
    assert bus.tap.function_codes() == {3}
