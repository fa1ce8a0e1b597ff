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
from collections import deque
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, cast

import numpy as np
from pymodbus import FramerType
from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from sim.errors import BadInput, NoPort
from sim.faults import WIRE_KINDS, Fault, FaultPlan
from sim.heat import Heat
from sim.line_device import LineStyle, line
from sim.port import PseudoTerminal
from sim.registers import STATUS_BITS, RegisterTable, built_in_table
from sim.tap import Passed, Tap
from sim.wire import FRAMINGS, Request, Sending, WireFormat, WireMemory, on_the_wire

Link = Literal["pty", "tcp"]

TICK_S = 0.02
SILENCE_S = 0.05  # unfinished bytes older than this are no request any more
SCANS_PER_SLICE = 100  # how long the oven may keep the wire waiting
FOREIGN_EVERY_S = 0.25
_FRAMERS = {"rtu": FramerType.RTU, "ascii": FramerType.ASCII, "tcp": FramerType.SOCKET}


@dataclass
class Station:
    """One controller on the bus: its unit address, the heat behind it and its registers."""

    unit: int
    heat: Heat
    table: RegisterTable = field(default_factory=built_in_table)

    def __post_init__(self) -> None:
        if not 1 <= self.unit <= 247:
            raise BadInput("station: unit address", self.unit, "1 to 247")


class Bus:
    """A running bus with one or more stations.

    Parameters
    ----------
    stations          the controllers; a text device is the first of them
    link              "pty" (a serial port) or "tcp" (loopback)
    wire              "rtu", "ascii", "tcp" or "text"; by default "rtu" on a pty and "tcp" on tcp
    speed             oven seconds per second; 0 lets time stand still but for `advance_to`
    faults            wire kinds are applied here; the other kinds belong into the heats
    baud              the line's speed [bit/s]; on a pty a program that opens it at another speed is not understood
    paced             take as long for each byte as a line of that speed does
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
        self.speed, self.baud, self.paced, self.reply_delay_s = speed, baud, paced, reply_delay_s
        self.faults = (faults if faults is not None else FaultPlan()).of_kinds(WIRE_KINDS)
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
        self._stop: asyncio.Event | None = None
        self._present: PseudoTerminal | None = None
        self._spare: PseudoTerminal | None = None
        self._server: asyncio.Server | None = None
        self._modbus: ModbusTcpServer | None = None
        self._lines: list[_Line] = []

    # -- what tests and the command use --

    def start(self) -> "Bus":
        """Open the port and answer from now on; returns itself."""
        if self._thread is not None:
            raise BadInput("bus", "running already", "one start")
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
        wanted = (time.monotonic() - self._started_s) * self.speed
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
        self.faults = faults.of_kinds(WIRE_KINDS)

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
        try:
            if self.wire != "text":
                devices = [self._device(station) for station in self.stations]
                self._modbus = ModbusTcpServer(devices, framer=_FRAMERS[self.wire])
            await self._plug()
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
        if self.wire == "text" and self.style.banner:
            self._say((self.style.banner + self.style.line_end).encode("ascii", "replace"), "banner")
        while True:
            wall_s = time.monotonic() - self._started_s
            if self.speed > 0:
                await self._advance(wall_s * self.speed)
            await self._follow_plug()
            if self.wire == "text" and self.style.chatters and wall_s >= next_line_s:
                next_line_s = max(next_line_s + self.style.every_s, wall_s)
                for connection in list(self._lines):
                    connection.answer(Request(b"", True), self._text())
            if wall_s >= next_foreign_s:
                next_foreign_s = wall_s + FOREIGN_EVERY_S
                for fault in self.faults.active(self.oven_s, ("second-master",)):
                    if self.rng.random() < fault.probability:
                        self._say(self.framing.foreign(int(fault.amount), self.rng), "second master")
            await asyncio.sleep(TICK_S)

    async def _advance(self, time_s: float) -> None:
        for station in self.stations:
            slice_s = SCANS_PER_SLICE * station.heat.tuning.scan_s
            while station.heat.time_s + station.heat.tuning.scan_s <= time_s:
                with self.heat_lock:
                    station.heat.advance_to(min(time_s, station.heat.time_s + slice_s))
                await asyncio.sleep(0)

    # -- plugging in and out --

    async def _follow_plug(self) -> None:
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
            connection = _Line(self, self._present.write)
            self._lines = [connection]
            self._loop.add_reader(self._present.fileno(), self._read, self._present, connection)
        else:
            number = self.tcp_port if self._port is None else self.address[1]
            try:
                self._server = await self._loop.create_server(lambda: _Client(self), self.host, number)
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
        for connection in self._lines:
            connection.close()
        self._lines = []
        if self._server is not None:
            self._server.close()
            await self._server.wait_closed()
            self._server = None
        if self.stable_name is not None and self.link == "pty":
            self.stable_name.unlink(missing_ok=True)
        with self._changed:
            self._changed.notify_all()

    def _point_stable_name(self) -> None:
        if self.stable_name is not None and self.link == "pty":
            self.stable_name.unlink(missing_ok=True)
            os.symlink(self.port, self.stable_name)

    def _read(self, terminal: PseudoTerminal, connection: "_Line") -> None:
        data = terminal.read()
        if data:
            heard = terminal.speed_bit_per_s() if self.baud else None
            connection.receive(data, understood=heard is None or heard == self.baud)

    # -- what is answered --

    def _text(self) -> bytes:
        with self.heat_lock:
            return line(self.style, self.heat.display(), self.heat.time_s)

    def _say(self, data: bytes, why: str) -> None:
        for connection in self._lines:
            connection.put(Sending(0.0, data, why))

    def note(self, direction: Literal["request", "reply"], data: bytes, request: Request, why: str) -> None:
        """Show something that passed to the tap."""
        wall_s = time.monotonic() - self._started_s
        self.tap.keep(Passed(wall_s, self.oven_s, direction, data, request.whole, request.unit, request.function, why))

    def wire_faults(self, request: Request) -> list[Fault]:
        """The wire faults that may hit the reply to this request now."""
        return self.faults.active(self.oven_s, WIRE_KINDS, request.unit or None)

    def _device(self, station: Station) -> SimDevice:
        """The station as pymodbus's simulator wants it described: four blocks that are filled when asked."""
        everywhere = [SimData(0, count=65536, values=0, datatype=DataType.REGISTERS)]
        blocks: dict[int, list[SimData]] = {}
        for function, by_address in station.table.by_function.items():
            registers = {register.address: register.words for register in by_address.values()}
            blocks[function] = [
                SimData(address, values=[0] * words, datatype=DataType.REGISTERS)
                for address, words in sorted(registers.items())
            ] or everywhere
        bits = [SimData(0, values=[False] * (16 if station.table.bits else 65536), datatype=DataType.BITS)]

        async def fill(
            function: int, start: int, address: int, count: int, present: list[int], to_write: Any
        ) -> ExcCodes | None:
            if to_write is not None or function not in (1, 2, 3, 4):
                return ExcCodes.ILLEGAL_FUNCTION
            if function in (1, 2):
                if not station.table.bits:
                    return ExcCodes.ILLEGAL_FUNCTION
                with self.heat_lock:
                    present[0] = station.heat.display().status & ((1 << STATUS_BITS) - 1)
                return None
            if not station.table.by_function[function]:
                return ExcCodes.ILLEGAL_FUNCTION
            with self.heat_lock:
                words = station.table.words(function, station.heat.display())
            for at in range(address, address + count):
                present[at - start] = words[at]
            return None

        return SimDevice(station.unit, (list(bits), list(bits), blocks[3], blocks[4]), action=fill)

    def units(self) -> set[int]:
        """The unit addresses that answer."""
        return {station.unit for station in self.stations}

    def modbus_connection(self) -> Any:
        """A fresh connection object of pymodbus's server, to be given whole frames."""
        assert self._modbus is not None
        return self._modbus.callback_new_connection()  # type: ignore[no-untyped-call]

    def lines(self) -> "list[_Line]":
        """The connections that are open."""
        return self._lines

    def text_answer(self, request: Request) -> bytes | None:
        """The answer of a text device; None when it does not know the question."""
        asked = request.data.decode("ascii", "replace").strip()
        return self._text() if self.style.query and asked == self.style.query else None


class _Line:
    """One connection: cuts requests out, has them answered one by one, and puts the replies on the wire."""

    def __init__(self, bus: Bus, write: Any) -> None:
        self._bus, self._write = bus, write
        self._loop = asyncio.get_running_loop()
        self._buffer = b""
        self._waiting: deque[Request] = deque()
        self._asked: Request | None = None
        self._silence: asyncio.TimerHandle | None = None
        self._timers: set[asyncio.TimerHandle] = set()
        self._free_s = 0.0
        self._memory = WireMemory()
        self._closed = False
        self._modbus: Any = None
        if bus.wire != "text":
            self._modbus = bus.modbus_connection()
            self._modbus.connection_made(_Answers(self))

    def receive(self, data: bytes, *, understood: bool = True) -> None:
        """Bytes from the computer."""
        if not understood:
            self._bus.note("request", data, Request(data, False), "sent at another speed")
            return
        if self._silence is not None:
            self._silence.cancel()
            self._silence = None
        requests, self._buffer = self._bus.framing.cut(self._buffer + data)
        self._waiting.extend(requests)
        if self._buffer:
            self._silence = self._loop.call_later(SILENCE_S, self._drop)
        self._next()

    def _drop(self) -> None:
        self._bus.note("request", self._buffer, Request(self._buffer, False), "no request")
        self._buffer = b""

    def _next(self) -> None:
        while self._waiting and self._asked is None and not self._closed:
            request = self._waiting.popleft()
            if not request.whole:
                self._bus.note("request", request.data, request, "no request")
            elif self._modbus is None:
                answer = self._bus.text_answer(request)
                self._bus.note("request", request.data, request, "" if answer else "unknown question")
                if answer is not None:
                    self.answer(request, answer)
            elif request.unit not in self._bus.units():
                self._bus.note("request", request.data, request, "no such unit")
            else:
                self._bus.note("request", request.data, request, "")
                self._asked = request
                self._modbus.data_received(request.data)

    def answered(self, reply: bytes) -> None:
        """The reply that pymodbus built to the request under way."""
        request, self._asked = self._asked, None
        if request is not None:
            self.answer(request, reply)
        self._next()

    def answer(self, request: Request, reply: bytes) -> None:
        """Put a reply on the wire, as far as the faults of the moment let it through."""
        bus = self._bus
        for sending in on_the_wire(bus.wire_faults(request), bus.framing, request, reply, self._memory, bus.rng):
            self.put(sending, request)

    def put(self, sending: Sending, request: Request | None = None) -> None:
        """Send after what is still to go out."""
        bus, now = self._bus, self._loop.time()
        about = request if request is not None else Request(b"", True)
        line_s = 0.0
        if bus.paced and bus.baud:
            bits = 11 if bus.wire == "rtu" else 10
            line_s = (len(about.data) + len(sending.data)) * bits / bus.baud
        delay = sending.delay_s + line_s + (bus.reply_delay_s if request is not None else 0.0)
        self._free_s = max(self._free_s, now) + delay
        if delay <= 0 and self._free_s <= now:
            self._send(sending, about)
            return
        timer: asyncio.TimerHandle | None = None

        def send() -> None:
            if timer is not None:
                self._timers.discard(timer)
            self._send(sending, about)

        timer = self._loop.call_at(self._free_s, send)
        self._timers.add(timer)

    def _send(self, sending: Sending, request: Request) -> None:
        if not self._closed:
            self._bus.note("reply", sending.data, request, sending.why)
            self._write(sending.data)

    def close(self) -> None:
        """Forget everything that was still to be sent."""
        self._closed = True
        for timer in [*self._timers, *([self._silence] if self._silence is not None else [])]:
            timer.cancel()
        self._timers.clear()
        if self._modbus is not None:
            self._modbus.connection_lost(None)


class _Answers(asyncio.Transport):
    """The far end of a pymodbus connection: what it writes is the reply."""

    def __init__(self, connection: _Line) -> None:
        super().__init__()
        self._connection = connection

    def write(self, data: Any) -> None:
        """A whole reply."""
        self._connection.answered(bytes(data))

    def close(self) -> None:
        """Nothing to close: the wire is not pymodbus's."""

    def is_closing(self) -> bool:
        """Never by itself."""
        return False


class _Client(asyncio.Protocol):
    """One program connected to the tcp link."""

    def __init__(self, bus: Bus) -> None:
        self._bus = bus
        self._transport: asyncio.Transport | None = None
        self._connection: _Line | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """See `asyncio.Protocol`."""
        self._transport = cast(asyncio.Transport, transport)
        self._connection = _ClosingLine(self._bus, self._transport)
        self._bus.lines().append(self._connection)

    def data_received(self, data: bytes) -> None:
        """See `asyncio.Protocol`."""
        if self._connection is not None:
            self._connection.receive(data)

    def connection_lost(self, exc: Exception | None) -> None:
        """See `asyncio.Protocol`."""
        if self._connection is not None:
            connection, self._connection = self._connection, None
            with suppress(ValueError):
                self._bus.lines().remove(connection)
            connection.close()


class _ClosingLine(_Line):
    """A tcp connection, which is cut when the bus is unplugged."""

    def __init__(self, bus: Bus, transport: asyncio.Transport) -> None:
        super().__init__(bus, transport.write)
        self._transport = transport

    def close(self) -> None:
        """Close the socket as well."""
        super().close()
        self._transport.abort()
