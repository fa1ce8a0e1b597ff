"""Frames on the wire as pure functions: where a request ends, whose it is, and how faults spoil a reply.

The protocol itself (what a request means, what is answered) is pymodbus's; here are only the outsides of frames.
RTU and ASCII follow the Modbus over serial line specification, TCP the Modbus messaging implementation guide.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal, Protocol

import numpy as np
from pymodbus.framer.ascii import FramerAscii
from pymodbus.framer.rtu import FramerRTU

from sim.faults import Fault

WireFormat = Literal["rtu", "ascii", "tcp", "text"]

_FIXED_REQUEST_BYTES = {1: 8, 2: 8, 3: 8, 4: 8, 5: 8, 6: 8, 7: 4, 8: 8, 11: 4, 12: 4, 17: 4}
_COUNTED_REQUEST_AT = {15: 6, 16: 6, 20: 2, 21: 2, 23: 10}


def crc(data: bytes) -> bytes:
    """The two CRC bytes of an RTU frame, in the order in which they are sent."""
    return FramerRTU.compute_CRC(data).to_bytes(2, "big")


def rtu(unit: int, pdu: bytes) -> bytes:
    """An RTU frame around a function code with its data."""
    body = bytes([unit]) + pdu
    return body + crc(body)


def ascii_frame(unit: int, pdu: bytes) -> bytes:
    """An ASCII frame around a function code with its data."""
    body = bytes([unit]) + pdu
    return b":" + (body + bytes([FramerAscii.compute_LRC(body)])).hex().upper().encode() + b"\r\n"


@dataclass(frozen=True, slots=True)
class Request:
    """One request cut out of the stream.

    whole       its checksum is right and nothing is missing
    unit        unit address; function is the function code (0 for text lines)
    """

    data: bytes
    whole: bool
    unit: int = 0
    function: int = 0


class Framing(Protocol):
    """How one wire format is cut and mended."""

    def cut(self, buffer: bytes) -> tuple[list[Request], bytes]:
        """The requests at the front of a stream and what is left over, to wait for more or for silence."""
        ...

    def exception(self, request: Request, code: int) -> bytes:
        """An exception reply to this request."""
        ...

    def readdressed(self, reply: bytes, shift: int) -> bytes:
        """The same reply, correctly checked, from another unit address."""
        ...

    def spoiled(self, reply: bytes, rng: np.random.Generator) -> bytes:
        """The reply with one bit wrong."""
        ...

    def foreign(self, unit: int, rng: np.random.Generator) -> bytes:
        """A request of another master to another unit, and that unit's reply."""
        ...


class RtuFraming:
    """Modbus RTU: a request ends where its function code says, or with silence."""

    def cut(self, buffer: bytes) -> tuple[list[Request], bytes]:
        """See `Framing.cut`."""
        requests: list[Request] = []
        while len(buffer) >= 4:
            function = buffer[1]
            size = _FIXED_REQUEST_BYTES.get(function, 0)
            if (at := _COUNTED_REQUEST_AT.get(function)) is not None:
                if len(buffer) <= at:
                    break
                size = at + 1 + buffer[at] + 2
            if size == 0 or len(buffer) < size:
                break
            if crc(buffer[: size - 2]) != buffer[size - 2 : size]:
                break
            requests.append(Request(buffer[:size], True, buffer[0], function))
            buffer = buffer[size:]
        return requests, buffer

    def exception(self, request: Request, code: int) -> bytes:
        """See `Framing.exception`."""
        return rtu(request.unit, bytes([request.function | 0x80, code]))

    def readdressed(self, reply: bytes, shift: int) -> bytes:
        """See `Framing.readdressed`."""
        return rtu((reply[0] + shift) % 248 or 1, reply[1:-2])

    def spoiled(self, reply: bytes, rng: np.random.Generator) -> bytes:
        """See `Framing.spoiled`."""
        return _one_bit_wrong(reply, rng)

    def foreign(self, unit: int, rng: np.random.Generator) -> bytes:
        """See `Framing.foreign`."""
        words = rng.integers(0, 256, 4, dtype=np.uint8).tobytes()
        return rtu(unit, b"\x03\x00\x00\x00\x02") + rtu(unit, b"\x03\x04" + words)


class AsciiFraming:
    """Modbus ASCII: a request runs from a colon to carriage return and line feed."""

    def cut(self, buffer: bytes) -> tuple[list[Request], bytes]:
        """See `Framing.cut`."""
        requests: list[Request] = []
        while (end := buffer.find(b"\r\n")) >= 0:
            start = buffer.rfind(b":", 0, end)
            frame, buffer = buffer[max(start, 0) : end + 2], buffer[end + 2 :]
            try:
                body = bytes.fromhex(frame[1:-2].decode("ascii"))
            except ValueError:
                body = b""
            whole = start >= 0 and len(body) >= 3 and FramerAscii.check_LRC(body[:-1], body[-1])
            requests.append(Request(frame, whole, body[0], body[1]) if whole else Request(frame, False))
        return requests, buffer

    def exception(self, request: Request, code: int) -> bytes:
        """See `Framing.exception`."""
        return ascii_frame(request.unit, bytes([request.function | 0x80, code]))

    def readdressed(self, reply: bytes, shift: int) -> bytes:
        """See `Framing.readdressed`."""
        body = bytes.fromhex(reply[1:-4].decode("ascii"))
        return ascii_frame((body[0] + shift) % 248 or 1, body[1:])

    def spoiled(self, reply: bytes, rng: np.random.Generator) -> bytes:
        """See `Framing.spoiled`."""
        place = int(rng.integers(1, len(reply) - 2))
        other = b"0123456789ABCDEF".replace(reply[place : place + 1], b"")
        return reply[:place] + bytes([other[int(rng.integers(15))]]) + reply[place + 1 :]

    def foreign(self, unit: int, rng: np.random.Generator) -> bytes:
        """See `Framing.foreign`."""
        words = rng.integers(0, 256, 4, dtype=np.uint8).tobytes()
        return ascii_frame(unit, b"\x03\x00\x00\x00\x02") + ascii_frame(unit, b"\x03\x04" + words)


class TcpFraming:
    """Modbus TCP: a header of seven bytes says how long the rest is."""

    def cut(self, buffer: bytes) -> tuple[list[Request], bytes]:
        """See `Framing.cut`."""
        requests: list[Request] = []
        while len(buffer) >= 8:
            if buffer[2:4] != b"\x00\x00":
                return [*requests, Request(buffer, False)], b""
            size = 6 + int.from_bytes(buffer[4:6], "big")
            if len(buffer) < size:
                break
            requests.append(Request(buffer[:size], size >= 8, buffer[6], buffer[7]))
            buffer = buffer[size:]
        return requests, buffer

    def exception(self, request: Request, code: int) -> bytes:
        """See `Framing.exception`."""
        return request.data[:4] + b"\x00\x03" + bytes([request.unit, request.function | 0x80, code])

    def readdressed(self, reply: bytes, shift: int) -> bytes:
        """See `Framing.readdressed`."""
        return reply[:6] + bytes([(reply[6] + shift) % 248 or 1]) + reply[7:]

    def spoiled(self, reply: bytes, rng: np.random.Generator) -> bytes:
        """TCP has its own checksum below, so what arrives wrong is the header: another transaction."""
        return ((int.from_bytes(reply[:2], "big") + 1 + int(rng.integers(60000))) % 65536).to_bytes(2, "big") + reply[
            2:
        ]

    def foreign(self, unit: int, rng: np.random.Generator) -> bytes:
        """See `Framing.foreign`; a gateway that mixes up its clients."""
        words = rng.integers(0, 256, 4, dtype=np.uint8).tobytes()
        return b"\xfe\xfe\x00\x00\x00\x07" + bytes([unit]) + b"\x03\x04" + words


class TextFraming:
    """Lines of text: a request ends at a carriage return or line feed."""

    def cut(self, buffer: bytes) -> tuple[list[Request], bytes]:
        """See `Framing.cut`."""
        requests: list[Request] = []
        while True:
            ends = [at for at in (buffer.find(b"\r"), buffer.find(b"\n")) if at >= 0]
            if not ends:
                return requests, buffer
            line, buffer = buffer[: min(ends)], buffer[min(ends) + 1 :]
            if line:
                requests.append(Request(line, True))

    def exception(self, request: Request, code: int) -> bytes:
        """See `Framing.exception`; a line device says so in words."""
        return b"ERR %d\r\n" % code

    def readdressed(self, reply: bytes, shift: int) -> bytes:
        """See `Framing.readdressed`; a line device has no address, so another instrument's line comes instead."""
        return b"HUMIDITY 41.0 %\r\n"

    def spoiled(self, reply: bytes, rng: np.random.Generator) -> bytes:
        """See `Framing.spoiled`."""
        return _one_bit_wrong(reply, rng)

    def foreign(self, unit: int, rng: np.random.Generator) -> bytes:
        """See `Framing.foreign`."""
        return b"VALVE %d OPEN\r\n" % unit


FRAMINGS: dict[WireFormat, Framing] = {
    "rtu": RtuFraming(),
    "ascii": AsciiFraming(),
    "tcp": TcpFraming(),
    "text": TextFraming(),
}


def _one_bit_wrong(data: bytes, rng: np.random.Generator) -> bytes:
    place = int(rng.integers(len(data)))
    return data[:place] + bytes([data[place] ^ (1 << int(rng.integers(8)))]) + data[place + 1 :]


@dataclass(frozen=True, slots=True)
class Sending:
    """Bytes to put on the wire after a delay of wall time [s], and why they are there."""

    delay_s: float
    data: bytes
    why: str = "reply"


@dataclass(slots=True)
class WireMemory:
    """What the wire remembers for faults: the last true reply."""

    last_reply: bytes = b""
    history: list[bytes] = field(default_factory=list)


def on_the_wire(
    faults: Sequence[Fault],
    framing: Framing,
    request: Request,
    reply: bytes,
    memory: WireMemory,
    rng: np.random.Generator,
) -> list[Sending]:
    """What the computer's side of the wire really gets instead of `reply`, in order; empty for silence.

    `faults` are those active now; each is drawn against its probability. `memory` keeps the last true reply.
    """
    previous, memory.last_reply = memory.last_reply, reply
    hit = [fault for fault in faults if fault.probability >= 1.0 or rng.random() < fault.probability]
    kinds = {fault.kind for fault in hit}
    if kinds & {"dropout", "lost-link", "power-cut"}:
        return []
    out = [Sending(0.0, reply)]
    for fault in hit:
        body = out[-1]
        count = max(1, round(fault.amount)) if fault.amount == fault.amount else 1
        match fault.kind:
            case "stale":
                if previous:
                    out[-1] = replace(body, data=previous, why="stale reply")
            case "exception":
                out[-1] = replace(body, data=framing.exception(request, count), why="exception")
            case "wrong-slave":
                out[-1] = replace(body, data=framing.readdressed(body.data, count), why="wrong slave")
            case "bad-checksum":
                out[-1] = replace(body, data=framing.spoiled(body.data, rng), why="bad checksum")
            case "truncated":
                out[-1] = replace(body, data=body.data[: max(0, len(body.data) - count)], why="truncated")
            case "stray-before":
                out[-1] = replace(body, data=_stray(count, rng) + body.data, why="stray bytes before")
            case "stray-after":
                out[-1] = replace(body, data=body.data + _stray(count, rng), why="stray bytes after")
            case "repeated":
                out[-1] = replace(body, data=body.data * 2, why="repeated")
            case "second-master":
                out[-1] = replace(body, data=framing.foreign(count, rng) + body.data, why="second master")
            case _:
                pass
    for fault in hit:
        body = out[-1]
        if fault.kind == "split" and len(body.data) > 1:
            half = len(body.data) // 2
            out[-1:] = [replace(body, data=body.data[:half]), Sending(fault.amount, body.data[half:], "second part")]
        elif fault.kind == "late":
            out[0] = replace(out[0], delay_s=out[0].delay_s + fault.amount, why=f"late {out[0].why}")
    return [sending for sending in out if sending.data]


def _stray(count: int, rng: np.random.Generator) -> bytes:
    """Line noise as it comes from an unbiased bus or a driver turning round: mostly 00 and FF."""
    return bytes(int(rng.choice([0x00, 0x00, 0xFF, 0xFF, int(rng.integers(256))])) for _ in range(count))
