"""Real servers on loopback for the notification channels, each of which can be stopped and started again."""

import email
import email.policy
import getpass
import json
import shutil
import socket
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from aiosmtpd.controller import Controller
from paho.mqtt.enums import CallbackAPIVersion

MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
"""Debian's broker, where it is installed (`apt install mosquitto`)."""


def free_port() -> int:
    """A TCP port on loopback that nobody listens on at this moment."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def reached(condition: Callable[[], bool], timeout_s: float = 20.0) -> bool:
    """Whether a condition comes true within a timeout [s]; looks every few milliseconds."""
    done = threading.Event()
    for _ in range(int(timeout_s / 0.005)):
        if condition():
            return True
        done.wait(0.005)
    return condition()


class WebServer:
    """An HTTP server that keeps what is posted to it and answers with a status that can be changed."""

    def __init__(self) -> None:
        self.port = free_port()
        self.status = 200
        self.bodies: list[dict[str, Any]] = []
        self.requests: list[tuple[str, str, dict[str, str]]] = []
        self._server: ThreadingHTTPServer | None = None

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}/oven/tok-3n1gma?key=s3cr3tkey"

    def start(self) -> None:
        kept = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
                kept.requests.append((self.command, self.path, dict(self.headers.items())))
                if kept.status == 200 and body:
                    kept.bodies.append(json.loads(body))
                self.send_response(kept.status)
                self.send_header("Content-Length", "0")
                self.end_headers()

            do_GET = do_POST  # noqa: N815

            def log_message(self, *_: object) -> None:
                pass

        class Server(ThreadingHTTPServer):
            allow_reuse_address = True
            request_queue_size = 64

        self._server = Server(("127.0.0.1", self.port), Handler)
        threading.Thread(target=self._server.serve_forever, args=(0.01,), daemon=True).start()

    def stop(self) -> None:
        if self._server is not None:
            self._server.shutdown()
            self._server.server_close()
            self._server = None


@contextmanager
def web_server() -> Iterator[WebServer]:
    server = WebServer()
    server.start()
    try:
        yield server
    finally:
        server.stop()


@contextmanager
def dripping_server(first: bytes = b"") -> Iterator[int]:
    """A server that accepts, says ``first`` and then one byte every 50 ms, for ever. Yields its port."""
    listener = socket.create_server(("127.0.0.1", 0))
    stop = threading.Event()

    def drip(connection: socket.socket) -> None:
        with connection:
            try:
                connection.sendall(first)
                while not stop.wait(0.05):
                    connection.sendall(b"x")
            except OSError:
                pass

    def accept() -> None:
        while True:
            try:
                connection, _ = listener.accept()
            except OSError:
                return
            threading.Thread(target=drip, args=(connection,), daemon=True).start()

    threading.Thread(target=accept, daemon=True).start()
    try:
        yield int(listener.getsockname()[1])
    finally:
        stop.set()
        listener.close()


class Broker:
    """Debian's MQTT broker on a port of its own, keeping what is retained over a restart."""

    def __init__(self, folder: Path, password_file: Path | None = None) -> None:
        self.port = free_port()
        self._folder = folder
        self._settings = folder / "broker.conf"
        who = f"password_file {password_file}\nallow_anonymous false" if password_file else "allow_anonymous true"
        self._settings.write_text(
            f"listener {self.port} 127.0.0.1\n{who}\npersistence true\npersistence_location {folder}/\n"
            f"autosave_interval 1\nuser {getpass.getuser()}\n"
        )
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        if self._process is not None:
            return
        self._process = subprocess.Popen([str(MOSQUITTO), "-c", str(self._settings)], stderr=subprocess.DEVNULL)
        assert reached(lambda: _listens(self.port))

    def stop(self) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.wait()
            self._process = None


@contextmanager
def broker(folder: Path, password_file: Path | None = None) -> Iterator[Broker]:
    """A running broker."""
    running = Broker(folder, password_file)
    running.start()
    try:
        yield running
    finally:
        running.stop()


class Listener:
    """Hears everything on a broker. One that keeps its place is also told what was said while it was away."""

    def __init__(self, port: int, keeps_its_place: bool = False) -> None:
        self.heard: list[tuple[str, str, bool]] = []  # topic, text, whether it was retained
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id="listener" if keeps_its_place else "",
            clean_session=not keeps_its_place,
        )
        self._client.on_message = self._on_message
        subscribed = threading.Event()
        self._client.on_connect = lambda client, *_: client.subscribe("#", qos=1)
        self._client.on_subscribe = lambda *_: subscribed.set()
        self._client.reconnect_delay_set(1, 1)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        assert subscribed.wait(20.0)

    def _on_message(self, client: mqtt.Client, _: Any, message: mqtt.MQTTMessage) -> None:
        if not message.dup:  # the broker itself repeats what it is not sure this listener has heard
            self.heard.append((message.topic, message.payload.decode(), bool(message.retain)))

    def topic(self, name: str) -> list[str]:
        return [text for topic, text, _ in self.heard if topic == name]

    def last(self, name: str) -> str | None:
        return self.topic(name)[-1] if self.topic(name) else None

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@contextmanager
def listener(port: int, keeps_its_place: bool = False) -> Iterator[Listener]:
    """A listener on a broker."""
    hears = Listener(port, keeps_its_place)
    try:
        yield hears
    finally:
        hears.close()


class MailServer:
    """An SMTP server that keeps the mails it takes."""

    def __init__(self, **more: Any) -> None:
        self.port = free_port()
        self.mails: list[Any] = []
        self.recipients: list[list[str]] = []
        self._more = more
        self._controller: Controller | None = None

    def start(self) -> None:
        kept = self

        class Handler:
            async def handle_RCPT(
                self, server: Any, session: Any, envelope: Any, address: str, options: list[str]
            ) -> str:
                if address.startswith("nobody@"):
                    return "550 no such mailbox"
                envelope.rcpt_tos.append(address)
                return "250 OK"

            async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:
                kept.mails.append(email.message_from_bytes(envelope.content, policy=email.policy.default))
                kept.recipients.append(list(envelope.rcpt_tos))
                return "250 OK"

        self._controller = Controller(Handler(), hostname="127.0.0.1", port=self.port, **self._more)
        self._controller.start()

    def stop(self) -> None:
        if self._controller is not None:
            self._controller.stop()
            self._controller = None


@contextmanager
def mail_server(**more: Any) -> Iterator[MailServer]:
    """A running mail server."""
    server = MailServer(**more)
    server.start()
    try:
        yield server
    finally:
        server.stop()


def _listens(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0
