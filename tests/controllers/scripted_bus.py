"""The other end of a line for tests: a pseudo-terminal whose answers are given by a function or a script of bytes.

Independent of logger's own framing: its check sums are written here again, from MODBUS over Serial Line V1.02, 6.2.
"""

import os
import select
import threading
import time
import tty
from collections.abc import Callable, Iterable

Answer = bytes | tuple[float, bytes]
Answering = Callable[[bytes], Iterable[Answer]]


def crc(frame: bytes) -> bytes:
    """RTU check sum by the bitwise procedure of the specification, low byte first."""
    value = 0xFFFF
    for byte in frame:
        value ^= byte
        for _ in range(8):
            carry = value & 1
            value >>= 1
            if carry:
                value ^= 0xA001
    return bytes([value & 0xFF, value >> 8])


def rtu(*body: int) -> bytes:
    """An RTU frame with its check sum."""
    return bytes(body) + crc(bytes(body))


def ascii_frame(*body: int) -> bytes:
    """An ASCII frame with its check sum."""
    return b":" + bytes([*body, (-sum(body)) & 0xFF]).hex().upper().encode() + b"\r\n"


def registers_answer(unit: int, function_code: int, words: Iterable[int]) -> bytes:
    """An RTU answer that carries registers."""
    data = b"".join(word.to_bytes(2, "big") for word in words)
    return rtu(unit, function_code, len(data), *data)


class RegisterTable:
    """Answers RTU reads from tables of words, and refuses (exception 2) what it does not have."""

    def __init__(self, words: dict[int, int], unit: int = 1, function_codes: tuple[int, ...] = (3,)) -> None:
        self.words = words
        self.unit = unit
        self.function_codes = function_codes

    def __call__(self, request: bytes) -> list[Answer]:
        unit, function_code = request[0], request[1]
        first, count = int.from_bytes(request[2:4], "big"), int.from_bytes(request[4:6], "big")
        if unit != self.unit:
            return []
        if function_code not in self.function_codes:
            return [rtu(unit, function_code | 0x80, 1)]
        wanted = range(first, first + count)
        if not all(address in self.words for address in wanted):
            return [rtu(unit, function_code | 0x80, 2)]
        return [registers_answer(unit, function_code, (self.words[address] for address in wanted))]


class ScriptedBus:
    """A pseudo-terminal; what is written to `name` is cut into requests, each answered by `answering`.

    An answer may be bytes, sent at once, or (delay in seconds, bytes), sent later while further requests are served.
    """

    def __init__(self, answering: Answering, request_length: int | None = 8, end: bytes = b"") -> None:
        self.answering = answering
        self.request_length, self.end = request_length, end
        self.requests: list[bytes] = []
        self.leader, self._follower = os.openpty()
        tty.setraw(self._follower)
        self.name = os.ttyname(self._follower)
        self._stop = threading.Event()
        self._timers: list[threading.Timer] = []
        self._gone = False
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def __enter__(self) -> "ScriptedBus":
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join(5)
        for timer in self._timers:
            timer.join(5)
        self.vanish()

    def say(self, data: bytes) -> None:
        """Put bytes on the line that nobody asked for."""
        os.write(self.leader, data)

    def vanish(self) -> None:
        """Unplug: the device is gone."""
        if not self._gone:
            self._gone = True
            self._stop.set()
            if threading.current_thread() is not self._thread:
                self._thread.join(5)
            os.close(self._follower)
            os.close(self.leader)

    def _send(self, data: bytes) -> None:
        if not self._gone:
            os.write(self.leader, data)

    def _serve(self) -> None:
        heard = b""
        while not self._stop.is_set():
            if not select.select([self.leader], [], [], 0.02)[0]:
                continue
            try:
                heard += os.read(self.leader, 4096)
            except OSError:
                time.sleep(0.005)  # nobody has the other end open
                continue
            while request := self._first_request(heard):
                heard = heard[len(request) :]
                self.requests.append(request)
                for answer in self.answering(request):
                    if isinstance(answer, bytes):
                        self._send(answer)
                    else:
                        timer = threading.Timer(answer[0], self._send, [answer[1]])
                        timer.daemon = True
                        self._timers.append(timer)
                        timer.start()

    def _first_request(self, heard: bytes) -> bytes:
        if self.request_length is not None:
            return heard[: self.request_length] if len(heard) >= self.request_length else b""
        at = heard.find(self.end)
        return heard[: at + len(self.end)] if at >= 0 else b""


def scripted(exchanges: list[tuple[bytes, bytes]]) -> Answering:
    """Answers exactly these exchanges in this order; a wrong request is left unanswered and stays in the script."""

    def answering(request: bytes) -> list[Answer]:
        if exchanges and request == exchanges[0][0]:
            return [exchanges.pop(0)[1]]
        return []

    return answering
