"""An adapter is known by what it is, not by the name it happens to have today."""

import os

import pytest

from logger.controllers import port_names
from logger.controllers.line import SerialLine
from logger.controllers.link_faults import LinkLost, PortMissing
from logger.controllers.modbus_serial import SerialRegisters
from logger.controllers.port_names import PresentPort, identity_of, name_of, present_ports
from logger.controllers.settings import ControllerSettings, PortSettings
from tests.controllers.scripted_bus import ScriptedBus, registers_answer

ASKED = ControllerSettings("oven", (), answer_deadline_s=0.2, slowest_answer_s=0.2, gap_s=0.0, exact_reads=True)
OURS, OTHERS = "1a86:7523 1-1", "0403:6001 A50285BI"


def there(name: str, identity: str) -> PresentPort:
    return PresentPort(name, name, "", identity)


def test_an_adapter_that_came_back_under_another_name_is_found_by_what_it_is():
    first = ScriptedBus(lambda request: [registers_answer(1, 3, [1])])
    plugged = [there(first.name, OURS)]
    line = SerialLine(PortSettings(first.name), present=lambda: plugged)
    line.open()
    registers = SerialRegisters(line)
    assert registers.read(ASKED, 3, 0, 1) == [1]
    first.vanish()
    with pytest.raises(LinkLost):
        registers.read(ASKED, 3, 0, 1)
    plugged.clear()
    with pytest.raises(PortMissing):
        line.open()
    with ScriptedBus(lambda request: [registers_answer(1, 3, [2])]) as second:
        plugged.append(there(second.name, OURS))
        line.open()
        assert registers.read(ASKED, 3, 0, 1) == [2]
        line.close()


def test_another_adapter_that_has_the_old_name_now_is_never_read():
    with ScriptedBus(lambda request: [registers_answer(1, 3, [1])]) as bus:
        plugged = [there(bus.name, OURS)]
        line = SerialLine(PortSettings(bus.name), present=lambda: plugged)
        line.open()
        line.close()
        plugged[:] = [there(bus.name, OTHERS)]
        with pytest.raises(PortMissing, match="another adapter has this name now"):
            line.open()


def test_two_adapters_that_changed_names_are_each_read_as_before():
    with (
        ScriptedBus(lambda request: [registers_answer(1, 3, [1])]) as left,
        ScriptedBus(lambda request: [registers_answer(1, 3, [2])]) as right,
    ):
        plugged = [there(left.name, OURS), there(right.name, OTHERS)]
        line = SerialLine(PortSettings(left.name), present=lambda: plugged)
        line.open()
        line.close()
        plugged[:] = [there(left.name, OTHERS), there(right.name, OURS)]
        line.open()
        assert SerialRegisters(line).read(ASKED, 3, 0, 1) == [2]
        line.close()


def test_a_system_that_will_not_list_its_ports_opens_them_all_the_same():
    def refused() -> list[PresentPort]:
        raise OSError(5, "Input/output error")

    with ScriptedBus(lambda request: [registers_answer(1, 3, [1])]) as bus:
        line = SerialLine(PortSettings(bus.name), present=refused)
        line.open()
        assert SerialRegisters(line).read(ASKED, 3, 0, 1) == [1]
        line.close()


def test_two_adapters_that_look_the_same_are_not_guessed_between():
    twins = [there("a", OURS), there("b", OURS)]
    assert name_of(OURS, twins) == ""
    assert name_of(OTHERS, twins) == ""
    assert name_of("", [there("a", "")]) == ""


def test_a_stable_name_is_offered_where_the_system_has_one(tmp_path, monkeypatch):
    device = tmp_path / "ttyUSB7"
    device.touch()
    by_id = tmp_path / "by-id"
    by_id.mkdir()
    os.symlink(device, by_id / "usb-adapter-if00")

    class Port:
        device = str(tmp_path / "ttyUSB7")
        description, vid, pid, serial_number, location = "adapter", 0x1A86, 0x7523, None, "1-1"

    monkeypatch.setattr(port_names, "BY_ID", by_id)
    monkeypatch.setattr(port_names.list_ports, "comports", lambda: [Port()])
    (port,) = present_ports()
    assert port.stable_name == str(by_id / "usb-adapter-if00")
    assert identity_of(port.stable_name, [port]) == port.identity == OURS
