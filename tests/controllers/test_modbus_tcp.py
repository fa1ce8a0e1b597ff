"""Modbus TCP against pymodbus's own server, and a network bridge that carries RTU frames."""

import socket
import threading

import pytest

from logger.controllers.line import SerialLine
from logger.controllers.link_faults import BadAnswer, LinkLost, NoAnswer, PortMissing, Refused
from logger.controllers.modbus_serial import SerialRegisters
from logger.controllers.modbus_tcp import TcpRegisters, host_and_port
from logger.controllers.settings import ControllerSettings, Framing, PortSettings
from logger.errors import InputFault
from sim.bus import Bus, Station
from sim.faults import plan_from_text
from sim.heat import Heat
from sim.scenario import scenario

OVEN = ControllerSettings("oven", (), answer_deadline_s=0.3, slowest_answer_s=0.4)


def heat() -> Heat:
    built_in = scenario("plane-iron")
    return Heat(built_in.program, canister=built_in.canister, seed=1)


def network_bus(faults: str = "", wire: str | None = None) -> Bus:
    return Bus([Station(1, heat())], link="tcp", wire=wire, speed=0.0, faults=plan_from_text(faults), reply_delay_s=0.0)


def connected(bus: Bus) -> TcpRegisters:
    registers = TcpRegisters(PortSettings(f"tcp://{bus.port}", Framing.TCP))
    registers.open()
    return registers


def test_registers_and_bits_come_over_the_network_and_only_read_codes_go_out():
    with network_bus() as bus:
        bus.advance_to(1800.0)
        registers = connected(bus)
        shown = bus.heat.display()
        assert registers.read(OVEN, 3, 0, 2)[0] == round(shown.process_value * 10)
        assert registers.read(OVEN, 4, 1, 1) == [round(shown.set_point * 10)]
        bits = registers.read(OVEN, 1, 0, 7)
        assert sum(bit << place for place, bit in enumerate(bits)) == shown.status
        registers.close()
        assert bus.tap.function_codes() == {1, 3, 4}


def test_a_register_that_is_not_there_is_refused_with_its_code():
    with network_bus() as bus:
        registers = connected(bus)
        with pytest.raises(Refused, match="no such register") as refused:
            registers.read(OVEN, 3, 500, 1)
        assert refused.value.code == 2
        assert len(registers.read(OVEN, 3, 0, 1)) == 1
        registers.close()


@pytest.mark.parametrize(
    ("faults", "expected"),
    [
        ("dropout@0-100", NoAnswer),
        ("late@0-100,amount=0.5", NoAnswer),
        ("wrong-slave@0-100", (NoAnswer, BadAnswer)),
        ("bad-checksum@0-100", (NoAnswer, BadAnswer)),
        ("truncated@0-100", NoAnswer),
    ],
)
def test_after_any_failure_the_next_answer_is_the_right_one(faults, expected):
    with network_bus(faults) as bus:
        registers = connected(bus)
        with pytest.raises(expected):
            registers.read(OVEN, 3, 0, 1)
        bus.advance_to(200.0)
        shown = bus.heat.display()
        assert registers.read(OVEN, 3, 1, 1) == [round(shown.set_point * 10)]
        assert registers.read(OVEN, 3, 0, 1) == [round(shown.process_value * 10)]
        registers.close()


@pytest.mark.parametrize("fault", ["split", "stray-after", "repeated", "second-master"])
def test_oddities_on_the_way_never_give_a_wrong_value(fault):
    with network_bus(f"{fault}@0-,p=0.5") as bus:
        bus.advance_to(1800.0)
        registers = connected(bus)
        wanted = [round(bus.heat.display().process_value * 10)]
        right = 0
        for _ in range(20):
            try:
                assert registers.read(OVEN, 3, 0, 1) == wanted
                right += 1
            except (NoAnswer, BadAnswer):
                pass
        assert right >= 5
        registers.close()


def test_nobody_at_the_address_is_a_missing_port():
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        number = taken.getsockname()[1]
    with pytest.raises(PortMissing, match="nobody answers there"):
        TcpRegisters(PortSettings(f"tcp://127.0.0.1:{number}", Framing.TCP)).open()


def test_a_device_that_closes_the_connection_is_a_lost_link_and_can_be_opened_again():
    with network_bus("unplug@100-200") as bus:
        registers = connected(bus)
        registers.read(OVEN, 3, 0, 1)
        bus.advance_to(150.0)
        with pytest.raises((LinkLost, NoAnswer)):
            registers.read(OVEN, 3, 0, 1)
        with pytest.raises(LinkLost):
            registers.read(OVEN, 3, 0, 1)
        registers.close()
        bus.advance_to(250.0)
        registers.open()
        assert len(registers.read(OVEN, 3, 0, 1)) == 1
        registers.close()


def answering_once(answer: bytes):
    """A network device that answers the first request with these bytes, its transaction number filled in."""
    listener = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        connection, _ = listener.accept()
        with connection:
            request = connection.recv(64)
            connection.sendall(request[:2] + answer)
            connection.recv(64)

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    return listener, thread


@pytest.mark.parametrize(
    "answer",
    [
        "0000 0005 01 04 02 0009",  # another function code
        "0000 0007 01 03 04 0009 0009",  # two registers for one
        "0000 0003 01 03 00",  # none
        "0000 0004 01 03 02 00",  # half of one
        "0001 0005 01 03 02 0009",  # another protocol
    ],
)
def test_an_answer_that_does_not_fit_its_question_is_not_taken(answer):
    listener, thread = answering_once(bytes.fromhex(answer))
    with listener:
        registers = TcpRegisters(PortSettings(f"tcp://127.0.0.1:{listener.getsockname()[1]}", Framing.TCP))
        registers.open()
        with pytest.raises((BadAnswer, NoAnswer)):
            registers.read(OVEN, 3, 0, 1)
        registers.close()
        thread.join(5)


def test_rtu_frames_pass_through_a_network_bridge():
    with network_bus(wire="rtu") as bus:
        bus.advance_to(1800.0)
        line = SerialLine(PortSettings(bus.url))
        line.open()
        registers = SerialRegisters(line)
        assert registers.read(OVEN, 3, 0, 1) == [round(bus.heat.display().process_value * 10)]
        with pytest.raises(Refused):
            registers.read(OVEN, 3, 500, 1)
        line.close()


@pytest.mark.parametrize(
    ("name", "expected"), [("tcp://10.0.0.1", ("10.0.0.1", 502)), ("tcp://oven.local:1502", ("oven.local", 1502))]
)
def test_the_address_is_taken_from_the_name(name, expected):
    assert host_and_port(name) == expected


@pytest.mark.parametrize("name", ["10.0.0.1:502", "tcp://", "http://10.0.0.1", "tcp://10.0.0.1:port", "/dev/ttyUSB0"])
def test_any_other_name_is_refused(name):
    with pytest.raises(InputFault, match="expected tcp://host:port"):
        host_and_port(name)
