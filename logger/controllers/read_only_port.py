"""The only place where bytes leave for a controller, and it lets only questions through.

Every way to a controller (Modbus RTU, ASCII and TCP, lines of text) writes through `ReadOnlyPort` or
`ReadOnlySocket`, which sit below every library. What is about to be sent is taken apart here, and unless it is exactly
one whole request with function code 1, 2, 3 or 4, or the very question declared for a text device, nothing is sent.
A refusal is a mistake in soaktally itself, never the user's or the controller's, so it is no `SoaktallyError`.
No other module may import `serial` or `socket` (an import contract in pyproject.toml keeps that).
"""

import re
import socket
from typing import Any, Protocol

import serial

from logger.controllers.modbus_frames import NotARead, read_request
from logger.controllers.settings import Framing, PortSettings

_PARITIES = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}
_TICK_S = 0.02
_WRITE_DEADLINE_S = 2.0

_TEXT_QUESTION = re.compile(rb"[\x20-\x7e]{0,80}[\r\n]{0,2}")
_LOOKS_LIKE_A_WRITE = re.compile(rb"[=:]|^\s*(set|write|put|store|save|start|run|stop|reset)\b", re.IGNORECASE)


class WriteRefused(RuntimeError):
    """Something in this program tried to send what does not only read; not one byte of it was sent."""


class OpenPort(Protocol):
    """The part of a serial port object that is used below the guard."""

    @property
    def in_waiting(self) -> int: ...

    def read(self, size: int = 1, /) -> bytes: ...

    def write(self, data: bytes, /) -> int | None: ...

    def flush(self) -> None: ...

    def close(self) -> None: ...


def refuse_unless_it_reads(data: bytes, framing: Framing, questions: frozenset[bytes] = frozenset()) -> None:
    """Return only if these bytes are one whole request to read, or one of the declared questions of a text device.

    Raises   WriteRefused    anything else
    """
    if framing is Framing.TEXT:
        if data not in questions:
            raise WriteRefused(f"{data!r} is not the declared question; nothing was sent")
        if not is_harmless_question(data):
            raise WriteRefused(f"{data!r} looks like a command, not a question; nothing was sent")
        return
    try:
        read_request(data, framing)
    except NotARead as refusal:
        raise WriteRefused(f"{refusal}; nothing was sent") from None


def is_harmless_question(question: bytes) -> bool:
    """Whether a text device's question is plain text without an equals sign, a colon or a commanding first word.

    A tripwire for slips, no proof: what a word does is known only to the device. A colon would open a Modbus ASCII
    frame, and bytes outside plain text could be an RTU frame.
    """
    return bool(_TEXT_QUESTION.fullmatch(question)) and not _LOOKS_LIKE_A_WRITE.search(question)


class ReadOnlyPort:
    """A serial port (or what stands in for one) whose `write` lets only questions through."""

    def __init__(self, opened: OpenPort, framing: Framing, questions: frozenset[bytes] = frozenset()) -> None:
        self.__opened = opened
        self._framing = framing
        self._questions = questions

    def write(self, data: bytes) -> int:
        """Send one whole question.

        Raises   WriteRefused    the bytes are anything else; none of them was sent
        """
        data = bytes(data)
        refuse_unless_it_reads(data, self._framing, self._questions)
        return self.__opened.write(data) or 0

    def read(self, size: int = 1) -> bytes:
        """Up to `size` bytes, waiting a moment for the first."""
        return self.__opened.read(size)

    def waiting(self) -> int:
        """How many bytes have already come in (a network bridge only says whether any have)."""
        return int(self.__opened.in_waiting)

    def flush(self) -> None:
        """Wait until what was written is on its way."""
        self.__opened.flush()

    def close(self) -> None:
        """Close the port."""
        self.__opened.close()


def open_port(settings: PortSettings, questions: frozenset[bytes] = frozenset()) -> ReadOnlyPort:
    """Open a serial port, or a pyserial URL, exclusively and read-only.

    Raises   whatever pyserial and the system raise: OSError, termios.error, ValueError
    """
    opened = serial.serial_for_url(
        settings.name,
        baudrate=settings.baud,
        bytesize=settings.data_bits,
        parity=_PARITIES[settings.parity],
        stopbits=settings.stop_bits,
        timeout=_TICK_S,
        write_timeout=_WRITE_DEADLINE_S,
        exclusive=True,
        do_not_open=True,
    )
    opened.open()
    return ReadOnlyPort(opened, settings.framing, questions)


class ReadOnlySocket:
    """A network connection to a Modbus TCP device whose every way of sending lets only requests to read through.

    It has just the methods a client library needs; there is no way to the socket beneath.
    """

    def __init__(self, connected: socket.socket) -> None:
        self.__connected = connected

    def send(self, data: bytes, flags: int = 0, /) -> int:
        """Send one whole request to read, entirely.

        Raises   WriteRefused    the bytes are anything else; none of them was sent
        """
        refuse_unless_it_reads(bytes(data), Framing.TCP)
        self.__connected.sendall(bytes(data), flags)
        return len(data)

    def sendall(self, data: bytes, flags: int = 0, /) -> None:
        """Send one whole request to read (see `send`)."""
        self.send(data, flags)

    def recv(self, size: int, flags: int = 0, /) -> bytes:
        """Up to `size` bytes."""
        return self.__connected.recv(size, flags)

    def setblocking(self, blocking: bool, /) -> None:
        """Nothing to do for the library's sake: `select` says when there is something to read."""

    def fileno(self) -> int:
        """For `select` only."""
        return self.__connected.fileno()

    def getsockname(self) -> Any:
        """Our end's address."""
        return self.__connected.getsockname()

    def close(self) -> None:
        """Close the connection."""
        self.__connected.close()


def connect(host: str, port: int, deadline_s: float) -> ReadOnlySocket:
    """Connect to a Modbus TCP device, read-only.

    Raises   OSError    nobody there, refused, unknown host, too slow
    """
    return ReadOnlySocket(socket.create_connection((host, port), timeout=deadline_s))
