"""One connection to the simulated controllers: requests in, replies out, in order and as the wire lets them through."""

import asyncio
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal, Protocol, cast

import numpy as np

from sim.faults import Fault
from sim.wire import Framing, Request, Sending, WireMemory, on_the_wire

SILENCE_S = 0.05  # unfinished bytes older than this are no request any more


@dataclass(frozen=True, slots=True)
class Pace:
    """How long things take on this wire.

    baud             speed of the line that every byte waits for [bit/s]; None for no waiting
    bits_per_byte    with start, parity and stop bits
    reply_delay_s    time that a controller takes to answer [s]
    """

    baud: int | None = None
    bits_per_byte: int = 11
    reply_delay_s: float = 0.0

    def line_s(self, count: int) -> float:
        """Time that this many bytes are on the line [s]."""
        return count * self.bits_per_byte / self.baud if self.baud else 0.0


class Answering(Protocol):
    """What a connection needs to know of the bus it belongs to."""

    framing: Framing
    pace: Pace
    rng: np.random.Generator

    def note(self, direction: Literal["request", "reply"], data: bytes, request: Request, why: str) -> None:
        """Show what passed to the tap."""
        ...

    def wire_faults(self, request: Request) -> list[Fault]:
        """The wire faults that may hit the reply to this request now."""
        ...

    def refusal(self, request: Request) -> str:
        """Why a readable request gets no reply at all; empty when it gets one."""
        ...

    def text_answer(self) -> bytes:
        """The line of a text device."""
        ...

    def modbus_connection(self) -> Any:
        """A fresh connection object of pymodbus's server; None on a text device."""
        ...


class Connection:
    """One line to one program: a serial port, or one tcp connection."""

    def __init__(self, bus: Answering, write: Callable[[bytes], Any]) -> None:
        self._bus, self._write = bus, write
        self._loop = asyncio.get_running_loop()
        self._buffer = b""
        self._waiting: deque[Request] = deque()
        self._asked: Request | None = None
        self._silence: asyncio.TimerHandle | None = None
        self._outgoing: deque[tuple[float, Sending, Request]] = deque()
        self._timer: asyncio.TimerHandle | None = None
        self._free_s = 0.0
        self._sent_s = -1.0
        self._memory = WireMemory()
        self._closed = False
        self._modbus = bus.modbus_connection()
        if self._modbus is not None:
            self._modbus.connection_made(_Answers(self))

    def receive(self, data: bytes, *, understood: bool = True) -> None:
        """Bytes from the computer; `understood` is False when they came at another speed than the line's."""
        if self._closed:
            return
        if not understood:
            self._bus.note("request", data, Request(data, False), "sent at another speed")
            return
        for fault in self._bus.wire_faults(Request(data, True)):
            # An adapter that hears itself does so whoever is asked, and before anybody has answered.
            if fault.kind == "echo" and self._bus.rng.random() < fault.probability:
                self.put(Sending(0.0, data, "echo"))
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
            faults = self._bus.wire_faults(request)
            gap_s = max((fault.amount for fault in faults if fault.kind == "needs-gap"), default=0.0)
            if not request.whole:
                why = "no request"
            elif self._loop.time() - self._sent_s < gap_s:
                why = "too soon after the last reply"
            else:
                why = self._bus.refusal(request)
            self._bus.note("request", request.data, request, why)
            if why:
                continue
            if self._modbus is None:
                self.answer(request, self._bus.text_answer())
            else:
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
        faults = bus.wire_faults(request)
        for number, sending in enumerate(on_the_wire(faults, bus.framing, request, reply, self._memory, bus.rng)):
            asked = len(request.data) if number == 0 else 0
            thinking_s = bus.pace.reply_delay_s if asked else 0.0
            self.put(sending, request, bus.pace.line_s(asked + len(sending.data)) + thinking_s)

    def put(self, sending: Sending, request: Request | None = None, after_s: float = 0.0) -> None:
        """Send after what is still to go out, `after_s` [s] later at the soonest; without a request, unasked."""
        about = request if request is not None else Request(b"", True)
        self._free_s = max(self._free_s, self._loop.time()) + after_s + sending.delay_s
        self._outgoing.append((self._free_s, sending, about))
        if self._timer is None:
            self._send_due()

    def _send_due(self) -> None:
        """Send what is due, in order, and come back for the rest."""
        self._timer = None
        while self._outgoing:
            due_s, sending, request = self._outgoing[0]
            if due_s > self._loop.time():
                self._timer = self._loop.call_at(due_s, self._send_due)
                return
            self._outgoing.popleft()
            self._send(sending, request)

    def _send(self, sending: Sending, request: Request) -> None:
        if not self._closed:
            self._bus.note("reply", sending.data, request, sending.why)
            self._write(sending.data)
            self._sent_s = self._loop.time()

    def close(self) -> None:
        """Forget everything that was still to be sent."""
        if self._closed:
            return
        self._closed = True
        for timer in (self._timer, self._silence):
            if timer is not None:
                timer.cancel()
        self._outgoing.clear()
        if self._modbus is not None:
            self._modbus.connection_lost(None)


class _Answers(asyncio.Transport):
    """The far end of a pymodbus connection: what it writes is the reply."""

    def __init__(self, connection: Connection) -> None:
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


class TcpClient(asyncio.Protocol):
    """One program connected over tcp; `opened` and `closed` tell the bus of its connection."""

    def __init__(
        self, bus: Answering, opened: Callable[["TcpClient"], None], closed: Callable[["TcpClient"], None]
    ) -> None:
        self._bus, self._opened, self._closed = bus, opened, closed
        self._transport: asyncio.Transport | None = None
        self.connection: Connection | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """See `asyncio.Protocol`."""
        self._transport = cast(asyncio.Transport, transport)
        self.connection = Connection(self._bus, self._transport.write)
        self._opened(self)

    def data_received(self, data: bytes) -> None:
        """See `asyncio.Protocol`."""
        if self.connection is not None:
            self.connection.receive(data)

    def connection_lost(self, exc: Exception | None) -> None:
        """See `asyncio.Protocol`."""
        if self.connection is not None:
            self.connection.close()
            self._closed(self)

    def cut(self) -> None:
        """End the connection from this side, as when the cable is pulled out of a converter."""
        if self.connection is not None:
            self.connection.close()
        if self._transport is not None:
            self._transport.abort()
