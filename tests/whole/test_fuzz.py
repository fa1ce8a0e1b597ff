"""Damaged frames by the thousand: no crash, no hang, no wrong temperature that counts as good.

A short form of `tests.long.fuzz_frames` (whose results file has an hour's worth), and the same damage over a real
pseudo-terminal and a real connection.
"""

import contextlib
import socket
import threading
from collections import deque

import numpy as np
import pytest

from logger.clock import RealClock
from logger.controllers.line import SerialLine
from logger.controllers.link import connect_port
from logger.controllers.settings import Framing
from tests.controllers.scripted_bus import ScriptedBus
from tests.long.fuzz_frames import (
    DAMAGES,
    Device,
    ask_over_and_over,
    controller_on,
    damage,
    fuzz,
    settings_of,
)


@pytest.mark.parametrize("framing", [Framing.RTU, Framing.ASCII, Framing.TEXT])
@pytest.mark.parametrize("seed", [1, 2])
def test_no_damaged_frame_is_a_good_temperature(framing, seed):
    outcome = fuzz(framing, 1500, seed)
    assert outcome.good_wrong == []
    assert outcome.good > 200  # and what comes through is taken
    assert set(outcome.damages) == set(DAMAGES)


@pytest.mark.parametrize("framing", [Framing.RTU, Framing.ASCII])
def test_no_damaged_modbus_frame_is_even_read_as_a_temperature(framing):
    assert fuzz(framing, 1500, 3).taken_wrong == []


@pytest.mark.parametrize("framing", [Framing.RTU, Framing.ASCII, Framing.TEXT])
def test_the_same_over_a_real_pseudo_terminal(framing):
    device = Device(framing, np.random.default_rng(5), damaged=0.5)
    length, end = (8, b"") if framing is Framing.RTU else (None, b"\r\n")
    with ScriptedBus(device.answer, request_length=length, end=end) as bus:
        settings = settings_of(framing, bus.name, deadline_s=0.04, slowest_s=0.08)
        questions = frozenset({b"TEMP?\r\n"}) if framing is Framing.TEXT else frozenset()
        line = SerialLine(settings, questions)
        line.open()
        outcome = ask_over_and_over(controller_on(line, settings), settings, device, 150)
        line.close()
    assert outcome.good_wrong == []
    assert outcome.good > 20


class DamagedServer:
    """A Modbus TCP device whose stream is cut, repeated, merged, filled with noise; its data it does not alter.

    (TCP's own check sum keeps single bytes whole, and Modbus TCP has none of its own.)
    """

    kinds = tuple(name for name in DAMAGES if name not in ("bits flipped", "bytes replaced", "bytes swapped", "late"))

    def __init__(self, device: Device) -> None:
        self.device, self.damages = device, deque[str](maxlen=1000)
        self._listening = socket.create_server(("127.0.0.1", 0))
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()
        self.name = f"tcp://127.0.0.1:{self._listening.getsockname()[1]}"

    def __enter__(self) -> "DamagedServer":
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._listening.close()
        self._thread.join(5)

    def _serve(self) -> None:
        while not self._stop.is_set():
            try:
                connection, _ = self._listening.accept()
            except OSError:
                return
            with connection, contextlib.suppress(OSError):
                while request := connection.recv(260):
                    for data in self._answers(request):
                        connection.sendall(data)

    def _answers(self, request: bytes) -> list[bytes]:
        device, rng = self.device, self.device.rng
        device.asked += 1
        first, count = int.from_bytes(request[8:10], "big"), int.from_bytes(request[10:12], "big")
        held = {0: round(10 * device.air_C), 40: round(10 * device.canister_C)}
        words = b"".join(held.get(first + at, 7).to_bytes(2, "big") for at in range(count))
        body = request[6:8] + bytes([len(words)]) + words
        right = request[:4] + len(body).to_bytes(2, "big") + body
        earlier, device.earlier = device.earlier, right
        if rng.random() >= device.damaged:
            return [right]
        name = self.kinds[int(rng.integers(len(self.kinds)))]
        self.damages.append(name)
        return [data for _, data in damage(name, right, earlier, request, rng) if data]


def test_the_same_over_a_real_network_connection():
    device = Device(Framing.TCP, np.random.default_rng(6), damaged=0.3)
    with DamagedServer(device) as server:
        settings = settings_of(Framing.TCP, server.name, deadline_s=0.05)
        connected = connect_port(settings, RealClock())
        connected.link.open()
        outcome = ask_over_and_over(connected.controllers[0], settings, device, 200)
        connected.link.close()
    assert outcome.taken_wrong == []
    assert outcome.good > 20
    assert len(set(server.damages)) > 8
