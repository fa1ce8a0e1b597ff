"""Modbus frames as values: check sums, what a request asks, and which of the heard bytes answer it.

Pure functions on bytes. Source of every layout: MODBUS over Serial Line V1.02 (sections 2.5.1 RTU, 2.5.2 ASCII, 6.2
check sums), MODBUS Application Protocol V1.1b3 (section 6), MODBUS Messaging on TCP/IP V1.0b (section 3.1).
"""

import re
from dataclasses import dataclass

from logger.controllers.settings import Framing

READ_COILS, READ_DISCRETE_INPUTS, READ_HOLDING_REGISTERS, READ_INPUT_REGISTERS = 1, 2, 3, 4
READ_FUNCTION_CODES = frozenset({1, 2, 3, 4})
BIT_FUNCTION_CODES = frozenset({1, 2})
MOST_REGISTERS = 125
MOST_BITS = 2000
EXCEPTION_FLAG = 0x80

_RTU_REQUEST_LENGTH = 8
_TCP_REQUEST_LENGTH = 12
_ASCII_REQUEST = re.compile(rb":[0-9A-F]{14}\r\n")
_ASCII_FRAME = re.compile(rb":((?:[0-9A-Fa-f]{2})+)\r\n")


class NotARead(ValueError):
    """Bytes that are not exactly one whole request to read."""


@dataclass(frozen=True, slots=True)
class ReadRequest:
    """A request to read `count` registers, or bits, from `address` (counted from 0) of one unit."""

    unit_address: int
    function_code: int
    address: int
    count: int

    @property
    def byte_count(self) -> int:
        """How many bytes of data the answer carries."""
        return (self.count + 7) // 8 if self.function_code in BIT_FUNCTION_CODES else 2 * self.count

    @property
    def shape(self) -> tuple[int, int]:
        """All that an answer on a serial line shows of its question, besides the unit: function code, data bytes."""
        return self.function_code, self.byte_count

    def __str__(self) -> str:
        what = "bits" if self.function_code in BIT_FUNCTION_CODES else "registers"
        return f"unit {self.unit_address}, function code {self.function_code}, {self.count} {what} from {self.address}"


def crc16(data: bytes) -> int:
    """Cyclic redundancy check of an RTU frame's bytes (polynomial 0xA001, start 0xFFFF); low byte goes first."""
    register = 0xFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            register = (register >> 1) ^ 0xA001 if register & 1 else register >> 1
    return register


def lrc8(data: bytes) -> int:
    """Longitudinal redundancy check of an ASCII frame's bytes: the two's complement of their sum."""
    return -sum(data) & 0xFF


def crc_fits(frame: bytes) -> bool:
    """Whether an RTU frame ends in its own check sum."""
    return len(frame) >= 4 and crc16(frame[:-2]) == int.from_bytes(frame[-2:], "little")


def read_request(frame: bytes, framing: Framing) -> ReadRequest:
    """What a frame asks, if it is exactly one whole, well-formed request to read (function codes 1 to 4).

    Raises   NotARead    anything else: another function code, a wrong length or check sum, a broadcast, no registers
    """
    match framing:
        case Framing.RTU:
            if len(frame) != _RTU_REQUEST_LENGTH or not crc_fits(frame):
                raise NotARead(f"{frame.hex(' ')} is not one whole RTU request to read")
            body = frame[:-2]
        case Framing.ASCII:
            if not _ASCII_REQUEST.fullmatch(frame):
                raise NotARead(f"{frame!r} is not one whole ASCII request to read")
            decoded = bytes.fromhex(frame[1:-2].decode("ascii"))
            if lrc8(decoded[:-1]) != decoded[-1]:
                raise NotARead(f"{frame!r} has a wrong check sum")
            body = decoded[:-1]
        case Framing.TCP:
            if len(frame) != _TCP_REQUEST_LENGTH or frame[2:6] != b"\x00\x00\x00\x06":
                raise NotARead(f"{frame.hex(' ')} is not one whole TCP request to read")
            body = frame[6:]
        case _:
            raise NotARead(f"a {framing} port carries no Modbus requests")
    unit_address, function_code = body[0], body[1]
    if function_code not in READ_FUNCTION_CODES:
        raise NotARead(f"function code {function_code} does not read; only 1, 2, 3 and 4 do")
    if framing is not Framing.TCP and not 1 <= unit_address <= 247:
        raise NotARead(f"unit {unit_address} cannot answer a read; units on a line are 1 to 247")
    count = int.from_bytes(body[4:6], "big")
    most = MOST_BITS if function_code in BIT_FUNCTION_CODES else MOST_REGISTERS
    if not 1 <= count <= most:
        raise NotARead(f"{count} at once, one request reads 1 to {most}")
    return ReadRequest(unit_address, function_code, int.from_bytes(body[2:4], "big"), count)


@dataclass(frozen=True, slots=True)
class Heard:
    """What was found among the bytes heard after a request.

    ``answer`` is the whole frame that answers it (empty: not there yet), ``exception_code`` is set when that frame is
    a refusal. ``foreign`` are whole, valid frames that are not the answer. ``echo``: our own request came back.
    ``stray`` counts bytes that belong to no frame. ``another`` is True when a second frame answers just as well.
    """

    answer: bytes = b""
    exception_code: int | None = None
    foreign: tuple[bytes, ...] = ()
    echo: bool = False
    stray: int = 0
    another: bool = False


def find_answer(heard: bytes, request: ReadRequest, request_frame: bytes, framing: Framing) -> Heard:
    """The answer to a request among the bytes heard since it was sent, and what else is in there.

    An answer on a serial line says neither which register it tells of nor which request it belongs to; unit, function
    code and length of the data are all there is to compare, so those must fit exactly. Bytes before it are skipped.
    """
    frames = _rtu_frames(heard) if framing is Framing.RTU else _ascii_frames(heard)
    answer, code, another, echo, stray = b"", None, False, False, 0
    foreign: list[bytes] = []
    for frame, body in frames:
        if not body:
            stray += len(frame)
        elif frame == request_frame and not answer:
            echo = True
        elif _answers(body, request):
            another = another or bool(answer)
            if not answer:
                answer = frame
                code = body[2] if body[1] & EXCEPTION_FLAG else None
        else:
            foreign.append(frame)
    return Heard(answer, code, tuple(foreign), echo, stray, another)


def _answers(body: bytes, request: ReadRequest) -> bool:
    """Whether a frame's unit, function code and data (without check sum) answer the request."""
    if body[0] != request.unit_address:
        return False
    if body[1] == request.function_code | EXCEPTION_FLAG:
        return len(body) == 3
    return body[1] == request.function_code and body[2] == request.byte_count and len(body) == 3 + body[2]


def _rtu_frames(heard: bytes) -> list[tuple[bytes, bytes]]:
    """Cut bytes into (frame, body without check sum); stray bytes come as (byte, empty)."""
    frames: list[tuple[bytes, bytes]] = []
    at = 0
    while at < len(heard):
        length = _rtu_frame_length(heard, at)
        frame = heard[at : at + length]
        frames.append((frame, frame[:-2] if length > 1 else b""))
        at += length
    return frames


def _rtu_frame_length(heard: bytes, at: int) -> int:
    """Length of the valid frame that begins at a place: an answer, a refusal or a request; 1 if none does."""
    if len(heard) - at < 5 or not 1 <= heard[at] <= 247:
        return 1
    function_code = heard[at + 1]
    if function_code & ~EXCEPTION_FLAG not in READ_FUNCTION_CODES:
        return 1
    lengths = (5,) if function_code & EXCEPTION_FLAG else (3 + heard[at + 2] + 2, _RTU_REQUEST_LENGTH)
    for length in lengths:
        if at + length <= len(heard) and length >= 5 and crc_fits(heard[at : at + length]):
            return length
    return 1


def _ascii_frames(heard: bytes) -> list[tuple[bytes, bytes]]:
    """Cut bytes into (frame, decoded body without check sum); stray bytes come as (bytes, empty)."""
    frames: list[tuple[bytes, bytes]] = []
    at = 0
    for match in _ASCII_FRAME.finditer(heard):
        if match.start() > at:
            frames.append((heard[at : match.start()], b""))
        decoded = bytes.fromhex(match[1].decode("ascii"))
        whole = len(decoded) >= 4 and lrc8(decoded[:-1]) == decoded[-1]
        frames.append((match[0], decoded[:-1] if whole else b""))
        at = match.end()
    if at < len(heard):
        frames.append((heard[at:], b""))
    return frames
