"""The page's own server: one thread of the daemon, one event loop, its port bound before anything else begins."""

import ipaddress
import re
import socket
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from logger.board import Board
from logger.errors import Fault, InputFault, OutsideFault
from logger.page.access import Passwords, read_passwords

WAIT_S: Final = 8.0
"""A daemon that does not answer a request within this [s] is taken for one that does not run."""

DEFAULT_PORT: Final = 8427
LOOPBACK: Final = "127.0.0.1"
ENDS_WITHIN_S: Final = 3.0


@dataclass(frozen=True, slots=True)
class PageSettings:
    """Where the page listens, by which other names this machine is asked for, who may use it."""

    host: str = LOOPBACK
    port: int = DEFAULT_PORT
    names: tuple[str, ...] = ()
    password_file: Path | None = None

    @staticmethod
    def of_words(address: str, names: tuple[str, ...] = (), password_file: Path | None = None) -> "PageSettings":
        """Settings from an address as typed: ``8427``, ``192.168.1.20``, ``0.0.0.0:8427`` or ``[::1]:8427``.

        Raises   InputFault   an address that is none
        """
        found = re.fullmatch(
            r"(?:\[(?P<six>[0-9a-fA-F:]+)\]|(?P<host>[^:\[\]]*[^:\[\]\d.][^:\[\]]*|[\d.]+\.[\d.]+))?"
            r"(?::?(?P<port>\d{1,5}))?",
            address.strip(),
        )
        if found is None or not address.strip() or int(found["port"] or 0) > 65535:
            raise InputFault(Fault("--page", f'"{address}"', "HOST:PORT, such as 127.0.0.1:8427 or 0.0.0.0:8427"))
        host = found["six"] or found["host"] or LOOPBACK
        return PageSettings(host, int(found["port"] or DEFAULT_PORT), names, password_file)

    @property
    def loopback_only(self) -> bool:
        """Whether nobody but this machine itself can reach it."""
        if self.host == "localhost":
            return True
        try:
            return ipaddress.ip_address(self.host).is_loopback
        except ValueError:
            return False

    def passwords(self) -> Passwords:
        """The passwords it asks for; none where only this machine can reach it.

        Raises   InputFault     open to the network without a password, or a password file that cannot be used
        """
        if self.password_file is not None:
            return read_passwords(self.password_file)
        if self.loopback_only:
            return Passwords()
        expected = "--page-password FILE, a file that soaktally page-password wrote; or 127.0.0.1 as the address"
        raise InputFault(Fault("--page", f"{self.host} without a password", expected))

    def hosts(self) -> frozenset[str]:
        """The names by which this machine may be asked for."""
        own = socket.gethostname().lower()
        local = {"localhost", "127.0.0.1", "::1", self.host.lower()}
        lan = set() if self.loopback_only else {own, f"{own.partition('.')[0]}.local"}
        return frozenset(local | lan | {name.lower() for name in self.names})


class Page:
    """The page while it is served; `address` is where."""

    def __init__(
        self, settings: PageSettings, board: Board, records: Mapping[str, Path], answer_within_s: float = WAIT_S
    ) -> None:
        """Bind the port. ``answer_within_s``: how long the daemon has for answering a request [s].

        Raises   InputFault     open to the network without a password, or a password file that cannot be used
                 OutsideFault   the port is taken
        """
        passwords = settings.passwords()
        self._settings, self._board, self._records, self._passwords = settings, board, dict(records), passwords
        self._answer_within_s = answer_within_s
        self.secret = passwords.secret
        self._socket = _bound(settings)
        self.port: int = self._socket.getsockname()[1]
        self.cookie = f"soaktally-{self.port}"
        shown = f"[{settings.host}]" if ":" in settings.host else settings.host
        shown = socket.gethostname() if settings.host in ("0.0.0.0", "::") else shown
        self.address = f"http://{shown}:{self.port}/"
        self._thread = threading.Thread(target=self._serve, name="page", daemon=True)
        self._began = threading.Event()
        self._failed: BaseException | None = None

    def start(self) -> None:
        """Serve from now on.

        Raises   OutsideFault   it did not begin
        """
        self._thread.start()
        self._began.wait(30.0)
        if self._failed is not None:
            raise OutsideFault(f"the page did not begin: {self._failed}")

    def stop(self) -> None:
        """End it, open pages included."""
        server = getattr(self, "_server", None)
        if server is not None:
            self._workshop.feed.stop()
            server.should_exit = True
            self._thread.join(2.0 * ENDS_WITHIN_S + 2.0)
        self._socket.close()

    def _serve(self) -> None:
        try:
            import uvicorn

            from logger.page.app import build_app
            from logger.page.assets import load_assets
            from logger.page.recorded import Sources

            app, self._workshop = build_app(
                Sources(self._board, self._records),
                self._passwords,
                load_assets(),
                cookie=self.cookie,
                hosts=self._settings.hosts(),
                any_address=not self._settings.loopback_only,
                answer_within_s=self._answer_within_s,
            )
            config = uvicorn.Config(
                app,
                http="h11",
                ws="none",
                lifespan="on",
                log_config=None,
                access_log=False,
                proxy_headers=False,
                server_header=False,
                limit_concurrency=200,
                timeout_graceful_shutdown=int(ENDS_WITHIN_S),
            )
            self._server = uvicorn.Server(config)
            self._began.set()
            self._server.run(sockets=[self._socket])
        except BaseException as error:
            self._failed = error
            raise
        finally:
            self._began.set()


@contextmanager
def serving(
    settings: PageSettings | None, board: Board, records: Mapping[str, Path], answer_within_s: float = WAIT_S
) -> Iterator[Page | None]:
    """The page for as long as the block runs; nothing where no settings are given."""
    if settings is None:
        yield None
        return
    page = Page(settings, board, records, answer_within_s)
    page.start()
    try:
        yield page
    finally:
        page.stop()


def _bound(settings: PageSettings) -> socket.socket:
    family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
    bound = socket.socket(family, socket.SOCK_STREAM)
    try:
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        bound.bind((settings.host, settings.port))
        bound.listen(64)
    except OSError as error:
        bound.close()
        advice = "another port with --page HOST:PORT, or --no-page"
        raise OutsideFault(f"page: {settings.host}:{settings.port}: {error.strerror}; try {advice}") from error
    return bound
