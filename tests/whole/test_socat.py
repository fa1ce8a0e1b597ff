"""Other programs between us and the device: socat's pairs of pseudo-terminals and its network bridge."""

import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from logger.controllers.line import SerialLine
from logger.controllers.link_faults import LinkLost, PortMissing
from logger.controllers.modbus_serial import SerialRegisters
from logger.controllers.settings import ControllerSettings, PortSettings
from sim.bus import Bus, Station
from sim.heat import Heat
from sim.scenario import scenario
from tests.controllers.scripted_bus import RegisterTable

pytestmark = pytest.mark.skipif(shutil.which("socat") is None, reason="socat is not installed")

ASKED = ControllerSettings("oven", (), answer_deadline_s=0.5, slowest_answer_s=0.5, gap_s=0.0)


@contextmanager
def socat(*words: str) -> "Iterator[subprocess.Popen[bytes]]":
    with subprocess.Popen(["socat", *words], stderr=subprocess.DEVNULL) as process:
        try:
            yield process
        finally:
            process.kill()


def eventually(condition) -> None:
    until_s = time.monotonic() + 10.0
    while not condition():
        assert time.monotonic() < until_s
        time.sleep(0.02)


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as server:
        return int(server.getsockname()[1])


def is_opened(line: SerialLine) -> bool:
    try:
        line.open()
    except PortMissing:
        return False
    return True


def test_a_serial_line_behind_a_network_bridge_is_read_and_survives_the_bridges_restart():
    built_in, number = scenario("plane-iron"), free_port()
    heat = Heat(built_in.program, canister=built_in.canister, seed=1)
    with Bus([Station(1, heat)], speed=0.0, reply_delay_s=0.0) as bus:
        bridge = (f"TCP-LISTEN:{number},reuseaddr,bind=127.0.0.1", f"FILE:{bus.port},raw,echo=0")
        line = SerialLine(PortSettings(f"socket://127.0.0.1:{number}"))
        registers = SerialRegisters(line)
        with pytest.raises(PortMissing):
            line.open()
        with socat(*bridge) as process:
            eventually(lambda: is_opened(line))
            assert registers.read(ASKED, 3, 0, 2) == registers.read(ASKED, 3, 0, 2)
            line.close()
            process.kill()
        with socat(*bridge):
            eventually(lambda: is_opened(line))
            assert registers.read(ASKED, 3, 4, 2) == [1, 0]
            line.close()
        assert bus.tap.function_codes() == {3}


def test_a_pair_that_is_killed_is_a_lost_link_and_its_left_behind_name_is_reopened(tmp_path: Path):
    import serial

    ours, theirs = tmp_path / "ours", tmp_path / "theirs"
    pair = (f"PTY,raw,echo=0,link={ours}", f"PTY,raw,echo=0,link={theirs}")
    table = RegisterTable({address: 100 + address for address in range(10)})
    line = SerialLine(PortSettings(str(ours)))
    registers = SerialRegisters(line)

    def answer_once(device: "serial.Serial", address: int) -> None:
        import threading

        def serve() -> None:
            request = device.read(8)
            for answer in table(request):
                assert isinstance(answer, bytes)
                device.write(answer)

        thread = threading.Thread(target=serve)
        thread.start()
        assert registers.read(ASKED, 3, address, 2) == [100 + address, 101 + address]
        thread.join(5)

    for _ in range(2):
        with socat(*pair) as process:
            eventually(lambda: ours.exists() and theirs.exists())
            line.open()
            with serial.Serial(str(theirs), timeout=5) as device:
                answer_once(device, 2)
            process.kill()
            process.wait(5)
            assert ours.is_symlink()  # killed like this it leaves its names behind
            with pytest.raises(LinkLost):
                registers.read(ASKED, 3, 0, 2)
        with pytest.raises(PortMissing):
            line.open()
