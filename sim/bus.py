"""The simulated controllers on a wire: Modbus RTU, ASCII or TCP, or lines of text, on a pseudo-terminal or loopback.

pymodbus's server understands the requests and builds the replies: an implementation that shares nothing with the
one on the other side. Between it and the wire sits a thin layer of our own, which passes frames to it whole, stays
silent for units that are not there, keeps to the speed of the line if asked, lets faults spoil what goes out, and
shows everything to a tap. One thread owns it all; `with Bus([Station(1, heat)]) as bus:` starts and stops it.
"""

import asyncio
import os
import threading
import time
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Any, Literal

import numpy as np
from pymodbus.server import ModbusTcpServer

from sim.connection import Connection, Pace, TcpClient
from sim.errors import BadInput, NoPort
from sim.faults import BUS_KINDS, Fault, FaultPlan
from sim.heat import Heat
from sim.line_device import LineStyle, line
from sim.modbus_server import Station, modbus_server
from sim.port import PseudoTerminal
from sim.tap import Passed, Tap
from sim.wire import FRAMINGS, Request, Sending, WireFormat

__all__ = ["Bus", "Link", "Station"]

Link = Literal["pty", "tcp"]

TICK_S = 0.02
SCANS_PER_SLICE = 100  # how long the oven may keep the wire waiting
FOREIGN_EVERY_S = 0.25


class Bus:
    """A running bus with one or more stations.

    Parameters
    ----------
    stations          the controllers; a text device is the first of them
    link              "pty" (a serial port) or "tcp" (loopback)
    wire              "rtu", "ascii", "tcp" or "text"; by default "rtu" on a pty and "tcp" on tcp
    speed             oven seconds per second; 0 lets time stand still but for `advance_to`
    faults            wire kinds (and power cuts) act here, the other kinds in the heats; one plan may go to both
    baud              the line's speed [bit/s]; on a pty a program that opens it at another speed is not understood
    paced             take as long for each byte as a line of that speed does (11 bits a byte, 10 for text and ASCII)
    reply_delay_s     time a controller takes to answer [s of wall time]
    stable_name       a link that always points to the present port, like the by-id names of a serial adapter
    renames           whether an unplugged port returns under another name
    tap_file          where to write everything that passes, besides `tap`
    style             how a text device talks

    Raises    NoPort      the system has no pseudo-terminal, or the address is taken
              BadInput    two stations with one address, an impossible combination
    """

    def __init__(
        self,
        stations: Sequence[Station],
        *,
        link: Link = "pty",
        wire: WireFormat | None = None,
        speed: float = 1.0,
        faults: FaultPlan | None = None,
        seed: int = 0,
        baud: int | None = None,
        paced: bool = False,
        reply_delay_s: float = 0.002,
        host: str = "127.0.0.1",
        tcp_port: int = 0,
        stable_name: Path | None = None,
        renames: bool = True,
        tap_file: Path | None = None,
        style: LineStyle | None = None,
    ) -> None:
        if not stations:
            raise BadInput("bus: stations", "none", "one or more")
        addresses = [station.unit for station in stations]
        if len(set(addresses)) < len(addresses):
            raise BadInput("bus: unit addresses", addresses, "all different")
        if speed < 0:
            raise BadInput("bus: speed", f"{speed:g}", "0 or more")
        if paced and not baud:
            raise BadInput("bus: paced", "no baud", "a baud to keep to")
        self.stations = tuple(stations)
        self.link: Link = link
        self.wire: WireFormat = wire if wire is not None else ("rtu" if link == "pty" else "tcp")
        if self.wire == "tcp" and link == "pty":
            raise BadInput("bus: wire", "tcp on a pty", "rtu, ascii or text")
        self.speed, self.baud = speed, baud
        self.pace = Pace(baud if paced else None, 11 if self.wire in ("rtu", "tcp") else 10, reply_delay_s)
        self.faults = (faults if faults is not None else FaultPlan()).of_kinds(BUS_KINDS)
        self.host, self.tcp_port = host, tcp_port
        self.stable_name, self.renames = stable_name, renames
        self.style = style if style is not None else LineStyle()
        self.tap = Tap(tap_file)
        self.framing = FRAMINGS[self.wire]
        self.rng = np.random.default_rng([seed, 7])
        self.heat_lock = threading.RLock()
        self._port: str | None = None
        self._thread: threading.Thread | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._ready = threading.Event()
        self._changed = threading.Condition()
        self._failure: BaseException | None = None
        self._started_s = 0.0
        self._begun_s = [0.0 for _ in self.stations]
        self._stop: asyncio.Event | None = None
        self._present: PseudoTerminal | None = None
        self._spare: PseudoTerminal | None = None
        self._server: asyncio.Server | None = None
        self._modbus: ModbusTcpServer | None = None
        self._lines: list[Connection] = []
        self._clients: list[TcpClient] = []
        self._plugging: asyncio.Lock | None = None

    # -- what tests and the command use --

    def start(self) -> "Bus":
        """Open the port and answer from now on; returns itself."""
        if self._thread is not None:
            raise BadInput("bus", "running already", "one start")
        self._ready.clear()
        self._loop, self._stop = None, None
        self._thread = threading.Thread(target=self._run, name="simulated bus", daemon=True)
        self._thread.start()
        self._ready.wait()
        if self._failure is not None:
            self._thread.join()
            self._thread = None
            failure, self._failure = self._failure, None
            raise failure
        return self

    def stop(self) -> None:
        """Close the port and end the thread; harmless when it is not running."""
        if self._thread is None:
            return
        assert self._loop is not None
        assert self._stop is not None
        with suppress(RuntimeError):
            self._loop.call_soon_threadsafe(self._stop.set)
        self._thread.join()
        self._thread = None
        self.tap.close()
        if self._failure is not None:
            failure, self._failure = self._failure, None
            raise failure

    def __enter__(self) -> "Bus":
        return self.start()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    @property
    def port(self) -> str:
        """Name of the serial port, or `host:port` of a tcp link; the name before an unplugging while unplugged."""
        return self._port or ""

    @property
    def url(self) -> str:
        """What pyserial's `serial_for_url` opens."""
        return self.port if self.link == "pty" else f"socket://{self.port}"

    @property
    def address(self) -> tuple[str, int]:
        """Host and port number of a tcp link."""
        host, number = self.port.rsplit(":", 1)
        return host, int(number)

    @property
    def heat(self) -> Heat:
        """The heat of the first station."""
        return self.stations[0].heat

    @property
    def oven_s(self) -> float:
        """Oven time reached by the first station [s]."""
        return self.heat.time_s

    @property
    def behind_s(self) -> float:
        """How far the oven lags behind its clock [s of oven time]; a machine that is too slow shows here."""
        if self.speed == 0:
            return 0.0
        wanted = self._begun_s[0] + (time.monotonic() - self._started_s) * self.speed
        return max(0.0, wanted - self.oven_s - self.heat.tuning.scan_s)

    @property
    def is_running(self) -> bool:
        """Whether the thread is alive; when it ended by itself, `stop` raises what ended it."""
        return self._thread is not None and self._thread.is_alive()

    @property
    def is_plugged(self) -> bool:
        """Whether the port is there."""
        return self._present is not None if self.link == "pty" else self._server is not None

    def advance_to(self, time_s: float) -> None:
        """Move all heats to this oven time [s] at once, and let faults that begin or end by then take effect."""
        assert self._loop is not None
        with self.heat_lock:
            for station in self.stations:
                station.heat.advance_to(time_s)
        asyncio.run_coroutine_threadsafe(self._follow_plug(), self._loop).result(timeout=10)

    def wait_for_plug(self, plugged: bool, timeout_s: float = 10.0) -> bool:
        """Wait until the port is there, or gone; whether that came about in time."""
        with self._changed:
            return self._changed.wait_for(lambda: self.is_plugged == plugged, timeout_s)

    def set_faults(self, faults: FaultPlan) -> None:
        """Change the wire faults of a running bus."""
        self.faults = faults.of_kinds(BUS_KINDS)

    # -- the thread --

    def _run(self) -> None:
        try:
            asyncio.run(self._serve())
        except BaseException as error:
            self._failure = error
        finally:
            self._ready.set()

    async def _serve(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._stop = asyncio.Event()
        self._plugging = asyncio.Lock()
        try:
            if self.wire != "text":
                self._modbus = modbus_server(self.stations, self.wire, self.heat_lock)
            await self._plug()
            # A heat that is under way already goes on from where it is.
            self._begun_s = [station.heat.time_s for station in self.stations]
            self._started_s = time.monotonic()
            ticking = asyncio.create_task(self._tick())
            self._ready.set()
            stopping = asyncio.create_task(self._stop.wait())
            done, _ = await asyncio.wait({ticking, stopping}, return_when=asyncio.FIRST_COMPLETED)
            for task in (ticking, stopping):
                task.cancel()
            await asyncio.gather(ticking, stopping, return_exceptions=True)
            if ticking in done and not ticking.cancelled() and (error := ticking.exception()) is not None:
                raise error
        finally:
            await self._unplug(final=True)
            if self._modbus is not None:
                await self._modbus.shutdown()  # type: ignore[no-untyped-call]
            # Replies that pymodbus is still working on are of no use to anybody now.
            rest = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
            for task in rest:
                task.cancel()
            await asyncio.gather(*rest, return_exceptions=True)

    async def _tick(self) -> None:
        next_line_s = next_foreign_s = 0.0
        while True:
            wall_s = time.monotonic() - self._started_s
            if self.speed > 0:
                await self._advance(wall_s)
            await self._follow_plug()
            if self.wire == "text" and self.style.chatters and wall_s >= next_line_s:
                next_line_s = max(next_line_s + self.style.every_s, wall_s)
                for connection in list(self._lines):
                    connection.answer(Request(b"", True), self.text_answer())
            if wall_s >= next_foreign_s:
                next_foreign_s = wall_s + FOREIGN_EVERY_S
                for fault in self.faults.active(self.oven_s, ("second-master",)):
                    if self.rng.random() < fault.probability:
                        foreign = Sending(0.0, self.framing.foreign(int(fault.amount), self.rng), "second master")
                        for connection in list(self._lines):
                            connection.put(foreign)
            await asyncio.sleep(TICK_S)

    async def _advance(self, wall_s: float) -> None:
        for station, begun_s in zip(self.stations, self._begun_s, strict=True):
            time_s = begun_s + wall_s * self.speed
            slice_s = SCANS_PER_SLICE * station.heat.tuning.scan_s
            while station.heat.time_s + station.heat.tuning.scan_s <= time_s:
                with self.heat_lock:
                    station.heat.advance_to(min(time_s, station.heat.time_s + slice_s))
                await asyncio.sleep(0)

    # -- plugging in and out --

    async def _follow_plug(self) -> None:
        assert self._plugging is not None
        async with self._plugging:
            unplugged = bool(self.faults.active(self.oven_s, ("unplug",)))
            if unplugged and self.is_plugged:
                await self._unplug()
            elif not unplugged and not self.is_plugged:
                await self._plug()

    async def _plug(self) -> None:
        assert self._loop is not None
        if self.link == "pty":
            self._present, self._spare = self._spare or PseudoTerminal(), None
            self._port = self._present.name
            connection = Connection(self, self._present.write)
            self._opened(connection)
            self._loop.add_reader(self._present.fileno(), self._read, self._present, connection)
        else:
            number = self.tcp_port if self._port is None else self.address[1]
            try:
                self._server = await self._loop.create_server(self._client, self.host, number)
            except OSError as error:
                raise NoPort(f"{self.host}:{number}: {error.strerror or error}; choose another tcp port") from error
            self._port = f"{self.host}:{self._server.sockets[0].getsockname()[1]}"
        self._point_stable_name()
        with self._changed:
            self._changed.notify_all()

    async def _unplug(self, final: bool = False) -> None:
        if self._present is not None:
            assert self._loop is not None
            self._loop.remove_reader(self._present.fileno())
            if self.renames and not final:
                # Taken before the old one goes, or the kernel would give the same number again.
                self._spare = PseudoTerminal()
            self._present.close()
            self._present = None
        if final and self._spare is not None:
            self._spare.close()
            self._spare = None
        # A connection already accepted is made before its server closes; asyncio would else leave it open and mute.
        await asyncio.sleep(0)
        server, self._server = self._server, None
        if server is not None:
            server.close()
        for connection in self._lines:
            connection.close()
        for client in list(self._clients):
            client.cut()
        self._lines, self._clients = [], []
        if server is not None:
            await server.wait_closed()
            await asyncio.sleep(0)  # sockets that were aborted are closed by the loop's next round
        if self.stable_name is not None and self.link == "pty":
            self.stable_name.unlink(missing_ok=True)
        with self._changed:
            self._changed.notify_all()

    def _point_stable_name(self) -> None:
        if self.stable_name is not None and self.link == "pty":
            self.stable_name.unlink(missing_ok=True)
            os.symlink(self.port, self.stable_name)

    def _read(self, terminal: PseudoTerminal, connection: Connection) -> None:
        data = terminal.read()
        if data:
            heard = terminal.speed_bit_per_s() if self.baud else None
            connection.receive(data, understood=heard is None or heard == self.baud)

    # -- what is answered --

    def _client(self) -> TcpClient:
        return TcpClient(self, self._client_came, self._client_left)

    def _client_came(self, client: TcpClient) -> None:
        assert client.connection is not None
        if self._server is None:  # accepted just before the cable was pulled
            client.cut()
            return
        self._clients.append(client)
        self._opened(client.connection)

    def _client_left(self, client: TcpClient) -> None:
        if client in self._clients:
            self._clients.remove(client)
        if client.connection in self._lines:
            self._lines.remove(client.connection)

    def _opened(self, connection: Connection) -> None:
        self._lines.append(connection)
        if self.wire == "text" and self.style.banner:
            banner = (self.style.banner + self.style.line_end).encode("ascii", "replace")
            connection.put(Sending(self.style.reset_s, banner, "banner"))

    def note(self, direction: Literal["request", "reply"], data: bytes, request: Request, why: str) -> None:
        """Show something that passed to the tap."""
        wall_s = time.monotonic() - self._started_s
        self.tap.keep(Passed(wall_s, self.oven_s, direction, data, request.whole, request.unit, request.function, why))

    def wire_faults(self, request: Request) -> list[Fault]:
        """The wire faults that may hit the reply to this request now."""
        return self.faults.active(self.oven_s, BUS_KINDS, request.unit or None)

    def refusal(self, request: Request) -> str:
        """Why a readable request gets no reply at all; empty when it gets one."""
        if self.wire == "text":
            asked = request.data.decode("ascii", "replace").strip()
            return "" if self.style.query and asked == self.style.query else "unknown question"
        known = any(station.unit == request.unit for station in self.stations)
        return "" if known else "no such unit"

    def text_answer(self) -> bytes:
        """The line of a text device at this moment."""
        with self.heat_lock:
            return line(self.style, self.heat.display(), self.heat.time_s)

    def modbus_connection(self) -> Any:
        """A fresh connection object of pymodbus's server, to be given whole frames; None on a text device."""
        if self._modbus is None:
            return None
        return self._modbus.callback_new_connection()  # type: ignore[no-untyped-call]
