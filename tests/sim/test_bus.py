"""The simulated controllers are real to two Modbus libraries, on a serial port and on loopback."""

import contextlib
import math
from collections.abc import Callable, Iterator
from typing import Any

import minimalmodbus
import pytest
import serial
from pymodbus.client import ModbusSerialClient, ModbusTcpClient

from sim.bus import Bus
from sim.faults import plan_from_text
from sim.heat import Heat
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
