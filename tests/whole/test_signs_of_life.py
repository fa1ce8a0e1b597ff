"""When soaktally runs someone hears of it, when it dies someone notices, and no secret is written down anywhere."""

import json
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from logger.record import RecordReader
from tests.whole.loopback import Listener, WebServer, broker, free_port, listener, mail_server, reached, web_server
from tests.whole.served import begun, grows, oven_file, served, simulated

SECRET = "tok-3n1gma-9f"


def state(hears: Listener) -> dict[str, Any]:
    said = hears.last("soaktally/east/state")
    return dict(json.loads(said)) if said else {}


def serving(file: Path, **environment: str) -> "subprocess.Popen[str]":
    return subprocess.Popen(
        [sys.executable, "-m", "logger", "serve", str(file)],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env={**os.environ, **environment},
    )


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[socket.socket]:
    """The service manager's end of the socket, as sd_notify(3) describes it."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(str(tmp_path / "notify"))
        listening.settimeout(60.0)
        yield listening


@pytest.mark.skipif(os.name != "posix", reason="needs a service manager's socket")
def test_the_service_manager_hears_ready_then_the_watchdog_then_stopping(
    tmp_path: Path, manager: socket.socket
) -> None:
    with simulated() as bus:
        file = oven_file(tmp_path, "east", bus.port)
        process = serving(file, NOTIFY_SOCKET=str(tmp_path / "notify"), WATCHDOG_USEC="200000")
        try:
            heard = []
            while len(heard) < 5:
                heard.append(manager.recv(1000).decode())
            assert "READY=1\nSTATUS=watching east" in heard
            assert heard.count("WATCHDOG=1") >= 3
            process.send_signal(signal.SIGHUP)
            while not manager.recv(1000).startswith(b"RELOADING=1\nMONOTONIC_USEC="):
                pass
            while manager.recv(1000) != b"READY=1":
                pass
            process.terminate()
            while manager.recv(1000) != b"STOPPING=1":
                pass
            assert process.wait(60.0) == 0
        finally:
            process.kill()
            assert process.stdout is not None
            process.stdout.close()
            process.wait()


def test_an_address_is_visited_while_ovens_are_watched(tmp_path: Path) -> None:
    with web_server() as server, simulated() as bus:
        more = f'[heartbeat]\nurl = "{server.url}"\nevery_s = 1'
        with served(oven_file(tmp_path, "east", bus.port, more=more)):
            assert reached(lambda: len(server.requests) >= 2)


def test_the_broker_knows_each_ovens_state_and_tells_when_the_logger_was_killed(tmp_path: Path) -> None:
    with broker(tmp_path) as running, listener(running.port) as hears, simulated() as bus:
        more = f'[[notify]]\nkind = "mqtt"\nhost = "127.0.0.1"\nport = {running.port}'
        file = oven_file(tmp_path, "east", bus.port, more=more)
        process = serving(file)
        try:
            assert reached(lambda: hears.last("soaktally/alive") == "yes")
            assert reached(lambda: state(hears).get("run", "") is None and state(hears)["temperature_C"]["air"] > 20.0)
            run = begun(tmp_path / "record.db", "east")
            assert reached(lambda: state(hears)["run"] == run)
            running.stop()
            assert grows(tmp_path / "record.db", run), "a broker that is gone holds nothing up"
            running.start()
            count = len(hears.topic("soaktally/east/state"))
            assert reached(lambda: len(hears.topic("soaktally/east/state")) > count, 40.0)
            process.kill()
            assert reached(lambda: hears.last("soaktally/alive") == "no", 60.0)
        finally:
            process.kill()
            process.wait()
            assert process.stdout is not None
            process.stdout.close()


def test_servers_that_stop_and_start_again_in_mid_run_get_every_alert_in_the_end(tmp_path: Path) -> None:
    record = tmp_path / "record.db"
    server = WebServer()
    with mail_server() as mail, simulated() as bus:
        server.start()
        more = (
            f'[[notify]]\nkind = "webhook"\nurl = "{server.url}"\n'
            f'[[notify]]\nkind = "mail"\nhost = "127.0.0.1"\nport = {mail.port}\nsecurity = "none"\n'
            'sender = "oven@example.org"\nto = ["smith@example.org"]\n'
            "[retry]\nfirst_s = 0.2\nlongest_s = 1\n"
        )
        file = oven_file(tmp_path, "east", bus.port, more=more)
        with served(file):
            begun(record, "east")
            server.stop()
            mail.stop()
            oven_file(tmp_path, "east", bus.port, more=more, limits="over_temperature_C = 30")
            assert reached(lambda: any(row.event.kind == "over temperature" for row in alerts(record)))
            server.start()
            mail.start()
            assert reached(lambda: any(body["kind"] == "over temperature" for body in server.bodies), 40.0)
            assert reached(lambda: any("Over temperature" in str(one["subject"]) for one in mail.mails), 40.0)
        server.stop()
    with RecordReader(record) as reader:
        (hot,) = [
            row for row in reader.alerts() if row.event.kind == "over temperature" and row.event.phase == "raised"
        ]
        outcomes = [(one.channel, one.outcome) for one in reader.deliveries(hot.id)]
    assert outcomes.count(("webhook", "delivered")) == 1
    assert outcomes.count(("mail", "delivered")) == 1


def alerts(record: Path) -> list[Any]:
    with RecordReader(record) as reader:
        return list(reader.alerts())


def test_no_secret_is_in_the_log_nor_in_the_record_nor_on_the_screen(tmp_path: Path) -> None:
    with simulated() as bus:
        more = (
            '[[notify]]\nkind = "webhook"\nurl_env = "HOOK"\n'
            '[[notify]]\nkind = "mail"\nhost = "127.0.0.1"\nport = 1\nsender = "a@b.org"\nto = ["c@d.org"]\n'
            'user = "a"\npassword_env = "PASSWORD"\n'
            '[heartbeat]\nurl_env = "BEAT"\nevery_s = 1\n'
        )
        file = oven_file(tmp_path, "east", bus.port, more=more)
        gone = f"http://127.0.0.1:{free_port()}/{SECRET}"
        process = serving(file, HOOK=gone, BEAT=gone, PASSWORD=SECRET)
        log = tmp_path / "soaktally.log"
        try:
            assert reached(lambda: log.exists() and "no sign of life" in log.read_text())
            begun(tmp_path / "record.db", "east")
            oven_file(tmp_path, "east", bus.port, more=more, limits="over_temperature_C = 30")
            assert reached(lambda: "channel webhook" in log.read_text() and "channel mail" in log.read_text(), 60.0)
        finally:
            process.terminate()
            assert process.stdout is not None
            said = process.stdout.read()
            process.stdout.close()
            process.wait()
    lines = [json.loads(line) for line in log.read_text().splitlines()]
    assert {"utc", "level", "part", "thread", "text"} <= lines[0].keys()
    assert SECRET not in log.read_text()
    assert SECRET not in said
    for written in tmp_path.glob("record.db*"):
        assert SECRET.encode() not in written.read_bytes()


def test_ovens_that_share_a_record_each_tell_their_own_people_also_after_a_restart(tmp_path: Path) -> None:
    record = tmp_path / "record.db"
    east, west = WebServer(), WebServer()
    hot = "over_temperature_C = 30"

    def people(server: WebServer) -> str:
        return f'[[notify]]\nkind = "webhook"\nurl = "{server.url}"\n[retry]\nfirst_s = 0.2\nlongest_s = 1\n'

    with simulated() as one, simulated(seed=2) as two:
        files = (
            oven_file(tmp_path, "east", one.port, more=people(east), limits=hot),
            oven_file(tmp_path, "west", two.port, more=people(west)),
        )
        west.start()
        with served(*files):
            assert reached(lambda: any(row.event.kind == "over temperature" for row in alerts(record)), 60.0)
        assert west.bodies == []
        east.start()
        with served(*files):
            assert reached(lambda: any(body["kind"] == "over temperature" for body in east.bodies), 60.0)
        assert {body["oven"] for body in east.bodies} == {"east"}
        assert not [body for body in west.bodies if body["oven"] == "east"]
        east.stop()
        west.stop()
    first = next(row for row in alerts(record) if row.event.kind == "over temperature")
    assert [body["id"] for body in east.bodies if body["count"] == 1].count(first.id) <= 1
