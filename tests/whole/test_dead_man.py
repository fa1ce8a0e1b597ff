"""While all is well signs of life go out; when it is not, or nobody is there any more, they stop."""

import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.dead_man import READY, Pulse, heartbeat, systemd_watchdog, tell_systemd, watchdog_every_s
from logger.errors import OutsideFault
from logger.notify_settings import Heartbeat, Secret
from tests.whole.loopback import free_port, reached, web_server


def test_an_address_is_visited_again_and_again_while_all_is_well() -> None:
    with web_server() as server:
        pulse = heartbeat(Heartbeat(server.url, every_s=0.02), lambda: "")
        pulse.start()
        assert reached(lambda: len(server.requests) >= 3)
        pulse.close()
    assert {request[0] for request in server.requests} == {"GET"}
    assert pulse.state().given >= 3
    assert pulse.state().reason == ""


def test_no_sign_is_given_while_a_thread_stands_still_and_again_afterwards() -> None:
    standing = ["the port ttyUSB0 has not been asked for 40 s"]
    with web_server() as server:
        pulse = heartbeat(Heartbeat(server.url, every_s=0.01), lambda: standing[0])
        pulse.start()
        assert reached(lambda: pulse.state().reason == standing[0])
        assert server.requests == []
        standing[0] = ""
        assert reached(lambda: len(server.requests) >= 2)
        pulse.close()


def test_an_address_that_cannot_be_visited_is_said_without_its_token(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BEAT", f"http://127.0.0.1:{free_port()}/tok-3n1gma")
    pulse = heartbeat(Heartbeat(Secret(environment="BEAT"), every_s=0.01), lambda: "")
    pulse.start()
    assert reached(lambda: pulse.state().reason != "")
    pulse.close()
    assert pulse.state().reason == "127.0.0.1: connection refused"
    assert pulse.state().last_utc_s is None


def test_a_failing_sign_does_not_end_the_pulse() -> None:
    tried = []

    def sign() -> None:
        tried.append(1)
        if len(tried) < 3:
            raise OutsideFault("not now")

    pulse = Pulse("test", 0.01, sign, lambda: "")
    pulse.start()
    assert reached(lambda: pulse.state().given >= 1)
    pulse.close()
    assert len(tried) >= 3


@pytest.fixture(params=["path", "abstract"])
def manager(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[socket.socket]:
    """The service manager's end of the socket, as sd_notify(3) describes it."""
    address = str(tmp_path / "notify") if request.param == "path" else f"@soaktally-test-{os.getpid()}"
    manager = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    manager.bind(address.replace("@", "\0"))
    manager.settimeout(10.0)
    monkeypatch.setenv("NOTIFY_SOCKET", address)
    yield manager
    manager.close()


def test_systemd_hears_that_the_watch_is_ready(manager: socket.socket) -> None:
    assert tell_systemd(READY, "STATUS=watching back room")
    assert manager.recv(1000) == b"READY=1\nSTATUS=watching back room"


def test_systemd_hears_its_watchdog_fed_while_all_is_well(
    manager: socket.socket, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("WATCHDOG_USEC", "40000")
    pulse = systemd_watchdog(lambda: "")
    assert pulse is not None
    pulse.start()
    assert [manager.recv(1000) for _ in range(3)] == [b"WATCHDOG=1"] * 3
    pulse.close()


@pytest.mark.parametrize(
    ("limit", "process", "every_s"),
    [("30000000", None, 15.0), ("30000000", "1", None), ("", None, None), ("0", None, None), ("soon", None, None)],
)
def test_the_watchdog_is_fed_twice_as_often_as_asked_and_only_by_the_process_it_means(
    limit: str, process: str | None, every_s: float | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("WATCHDOG_USEC", limit)
    if process is None:
        monkeypatch.setenv("WATCHDOG_PID", str(os.getpid()))
    else:
        monkeypatch.setenv("WATCHDOG_PID", process)
    assert watchdog_every_s() == every_s


def test_without_a_service_manager_nothing_is_told(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    monkeypatch.delenv("WATCHDOG_USEC", raising=False)
    assert not tell_systemd(READY)
    assert systemd_watchdog(lambda: "") is None
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "gone"))
    assert not tell_systemd(READY)
