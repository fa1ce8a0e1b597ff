"""A port whose driver hangs, or whose poller a mistake of ours has stopped, is noticed and polled again."""

import threading
from typing import Any, cast

import pytest

from logger import oven_ports
from logger.clock import RealClock
from logger.controllers.link_faults import PortTaken
from logger.controllers.settings import ControllerSettings, PortSettings
from logger.oven_ports import OvenPorts
from logger.polling import PollResult
from tests.whole.loopback import reached

PORT = PortSettings("ttyTEST", controllers=(ControllerSettings("controller", ()),))


class HandPoller:
    """A poller that brings only what it is told to."""

    made = 0

    def __init__(self, port: PortSettings, clock: Any, sink: Any) -> None:
        self.bring = sink
        type(self).made += 1

    def start(self) -> None: ...

    def stop(self) -> None: ...

    def join(self, timeout_s: float | None = None) -> bool:
        return True


def result(fault: Any = None) -> PollResult:
    return PollResult("ttyTEST", "controller", 0.0, 0.0, (), fault)


@pytest.fixture
def ports(monkeypatch: pytest.MonkeyPatch) -> OvenPorts:
    monkeypatch.setattr(oven_ports, "SILENT_AFTER_S", 0.05)
    monkeypatch.setattr(oven_ports, "SILENT_INTERVALS", 0.0)
    monkeypatch.setattr(oven_ports, "POLL_AGAIN_S", 0.02)
    HandPoller.made = 0
    return OvenPorts([PORT], RealClock(), lambda piece: None, cast(Any, HandPoller))


def test_a_driver_that_does_not_come_back_is_silence_and_told_once_until_it_does(ports: OvenPorts) -> None:
    found: list[tuple[str, bool, str]] = []
    assert reached(lambda: bool(found.extend(ports.fallen_silent()) or found))
    assert [(name, silent) for name, silent, _ in found] == [("ttyTEST", True)]
    assert "has not come back" in found[0][2]
    assert ports.fallen_silent() == ()
    cast(Any, ports.pollers["ttyTEST"]).bring(result())
    assert ports.fallen_silent() == (("ttyTEST", False, "ttyTEST: back"),)


def test_a_poller_that_was_stopped_by_a_mistake_is_started_again(ports: OvenPorts) -> None:
    first = ports.pollers["ttyTEST"]
    ports.has_stopped("ttyTEST")
    assert ports.poll_again() == ()
    again: list[str] = []
    assert reached(lambda: bool(again.extend(ports.poll_again()) or again))
    assert again == ["ttyTEST"]
    assert ports.pollers["ttyTEST"] is not first
    assert HandPoller.made == 2


def test_a_port_counts_as_taken_only_while_it_was_never_ours(ports: OvenPorts) -> None:
    bring = cast(Any, ports.pollers["ttyTEST"]).bring
    assert ports.taken() == ()
    threading.Timer(0.0, bring, (result(PortTaken("ttyTEST: in use by another program")),)).start()
    assert reached(lambda: ports.taken() == ("ttyTEST: in use by another program",))
    bring(result())
    assert ports.taken() == ()
    bring(result(PortTaken("ttyTEST: in use by another program")))
    assert ports.taken() == (), "it was ours, and is lost: another alert's matter"
