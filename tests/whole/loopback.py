"""Real servers on loopback for the notification channels, each of which can be stopped and started again."""

import json
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any


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
