"""What the tests of the simulated oven share."""

import os
import threading
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from sim.bus import Bus
from sim.heat import Heat
from sim.modbus_server import Station
from sim.port import pseudo_terminals_work
from sim.scenario import scenario

needs_pty = pytest.mark.skipif(not pseudo_terminals_work(), reason="this system has no pseudo-terminals")


def open_descriptors() -> int:
    """How many file descriptors this process has open."""
    return len(os.listdir("/proc/self/fd")) if os.path.isdir("/proc/self/fd") else 0


@pytest.fixture
def heat() -> Heat:
    """The plane-iron heat at its start."""
    built_in = scenario("plane-iron")
    return Heat(built_in.program, canister=built_in.canister, seed=1)


@pytest.fixture
def start_bus() -> Iterator[Callable[..., Bus]]:
    """Starts a bus in standing time (speed 0) unless told otherwise, stops it, and sees that nothing is left behind."""
    threads, descriptors = threading.active_count(), open_descriptors()
    started: list[Bus] = []

    def start(heat: Heat, unit: int = 1, **settings: Any) -> Bus:
        settings = {"speed": 0.0, "reply_delay_s": 0.0, **settings}
        bus = Bus([Station(unit, heat)], **settings)
        started.append(bus)
        return bus.start()

    yield start
    for bus in started:
        bus.stop()
    assert threading.active_count() == threads
    assert open_descriptors() <= descriptors
