"""One serial line: opened exclusively, asked one question at a time, and never fooled by a late answer.

An answer on a serial line does not say which question it belongs to. A controller that answers question A late is
taken, by any library, as answering question B. Three rules keep that out:

1. After a question that got no answer the unit is left alone until its slowest answer would have come, and whatever
   came meanwhile is thrown away and counted.
2. Before every question what is already waiting is read, counted and thrown away: nothing that was heard before a
   question can answer it.
3. `next_count` gives each question another length than the one before it and than every unanswered one, so that a
   late answer, however late, has the wrong length and is told apart. (Where a controller will not give other lengths
   only rules 1 and 2 hold.)

Everything a serial library or the system may raise when an adapter vanishes becomes a `LinkFault` here.
"""

import re
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field, replace
from typing import TypeVar

from logger.controllers.link_faults import (
    MODBUS_EXCEPTIONS,
    BadAnswer,
    LinkFault,
    LinkLost,
    NoAnswer,
    PortMissing,
    PortTaken,
    Refused,
    reason,
)
from logger.controllers.modbus_frames import BIT_FUNCTION_CODES, Heard, ReadRequest, find_answer, read_request
from logger.controllers.port_names import PresentPort, identity_of, name_of, present_ports
from logger.controllers.read_only_port import ReadOnlyPort, WriteRefused, open_port
from logger.controllers.settings import Framing, PortSettings

Result = TypeVar("Result")

SILENT_CHARACTERS = 3.5
"""Silence between frames [characters]: MODBUS over Serial Line V1.02, section 2.5.1.1."""

LEAST_SILENCE_S = 0.00175
"""The same above 19200 baud [s]: same section."""

DOOMED_CLOSE_S = 2.0
"""How long a port may take to close before it is left to itself [s] (our choice)."""

MOST_PADDING = 3
"""How many registers more than needed are read at most to give a question a length of its own (our choice)."""

FORGOTTEN_S = 60.0
"""An answer that has not come by then never comes [s] (our choice)."""

_IN_USE = re.compile(r"exclusively lock|busy|\[Errno (16|11)\]", re.IGNORECASE)
_TAKEN = re.compile(r"denied|permission|access is|\[Errno 13\]", re.IGNORECASE)
_MISSING = re.compile(r"no such|could not open port|\[Errno (2|6|19)\]|cannot find|not find", re.IGNORECASE)


@dataclass
class LineCounts:
    """What happened on a line since it was first opened; for the hit rate and for diagnosis."""

    questions: int = 0
    answers: int = 0
    silent: int = 0
    garbled: int = 0
    refused: int = 0
    left_over: int = 0
    foreign_units: int = 0
    double_answers: int = 0
    echoes: int = 0
    stray_bytes: int = 0
    openings: int = 0


@dataclass
class _Unit:
    """What the line remembers of one unit on it."""

    unanswered: dict[tuple[int, int], float] = field(default_factory=dict)
    last_shape: tuple[int, int] | None = None
    quiet_until_s: float = 0.0


class SerialLine:
    """A serial port with the discipline above; Modbus controllers on it share one instance (and one thread).

    It has the methods minimalmodbus expects of a serial port, so the library builds the questions and takes the
    answers apart, while this class decides which bytes are an answer at all.
    """

    def __init__(
        self,
        settings: PortSettings,
        questions: frozenset[bytes] = frozenset(),
        opener: Callable[[PortSettings, frozenset[bytes]], ReadOnlyPort] = open_port,
        present: Callable[[], list[PresentPort]] = present_ports,
    ) -> None:
        self.settings = settings
        self.counts = LineCounts()
        self.answer_deadline_s = 0.5
        self.slowest_answer_s = 1.0
        self.gap_s = 0.0
        self.last_heard = b""
        self.echo_heard = False
        self._opener = opener
        self._present = present
        self._identity = ""
        self._questions = questions
        self._port: ReadOnlyPort | None = None
        self._units: dict[int, _Unit] = {}
        self._request: ReadRequest | None = None
        self._request_frame = b""
        self._asked_at_s = 0.0
        self._free_at_s = 0.0

    # -- what minimalmodbus looks at ---------------------------------------------------------------------------

    @property
    def port(self) -> str:
        """Name of the port."""
        return self.settings.name

    @property
    def baudrate(self) -> int:
        """Speed of the line [baud]."""
        return self.settings.baud

    @property
    def timeout(self) -> float:
        """Longest one question may take [s]."""
        return self.answer_deadline_s

    @property
    def is_open(self) -> bool:
        """Whether the port is open."""
        return self._port is not None

    def reset_input_buffer(self) -> None:
        """Nothing: `write` itself looks at what is waiting before it throws it away."""

    def reset_output_buffer(self) -> None:
        """Nothing: a question is always sent entirely."""

    # -- open and close ----------------------------------------------------------------------------------------

    def open(self) -> None:
        """Open the port exclusively; ignore what a restarting board says while it settles.

        An adapter that was open before is looked for by what makes it recognisable: under whatever name it came back,
        and never another adapter that has its old name now.

        Raises   PortMissing, PortTaken, LinkLost    (the last when opening hangs)
        """
        if self._port is not None:
            return
        self._port = _within(
            self.settings.open_deadline_s,
            self._found_and_opened,
            lambda port: port.close(),
            f"{self.port}: does not open in {self.settings.open_deadline_s:g} s; unplug the adapter, plug it in again",
            self.port,
        )
        self.counts.openings += 1
        self._units.clear()
        if self.settings.settle_s > 0.0:
            self.listen_s(self.settings.settle_s)

    def _found_and_opened(self) -> ReadOnlyPort:
        name = self.settings.name
        if self._identity:
            present = self._present()
            name = name_of(self._identity, present) or name
            other = identity_of(name, present)
            if other and other != self._identity:
                raise PortMissing(f"{name}: not there (another adapter has this name now); plug the old one in again")
        port = self._opener(replace(self.settings, name=name), self._questions)
        if not self._identity and "://" not in name:
            with suppress(OSError):  # a system that will not list its ports has opened this one all the same
                self._identity = identity_of(name, self._present())
        return port

    def close(self) -> None:
        """Close the port; a close that hangs is left behind."""
        port, self._port = self._port, None
        if port is None:
            return
        with suppress(LinkFault, *_port_errors()):  # nothing is left to do for a port that will not close
            _within(DOOMED_CLOSE_S, port.close, lambda _: None, f"{self.port}: does not close", self.port)

    # -- one question, one answer ------------------------------------------------------------------------------

    def write(self, frame: bytes) -> int:
        """Send one Modbus request, when the line and the unit are ready for it."""
        port = self._opened()
        request = read_request(bytes(frame), self.settings.framing) if self._is_read(frame) else None
        if request is None:
            return port.write(frame)  # the guard beneath refuses it and says why
        unit = self._units.setdefault(request.unit_address, _Unit())
        self._wait_until_s(max(self._free_at_s + self._silence_s(), unit.quiet_until_s))
        self._throw_away_what_waits(request.unit_address)
        self._request, self._request_frame = request, bytes(frame)
        self.last_heard = b""
        self.counts.questions += 1
        self._asked_at_s = time.monotonic()
        written = self._guarded(lambda: port.write(frame))
        unit.unanswered[request.shape] = self._asked_at_s
        unit.last_shape = request.shape
        return written

    def read(self, size: int) -> bytes:
        """The answer to the request just written, whole and checked.

        Raises   NoAnswer, BadAnswer, Refused, LinkLost
        """
        port, request = self._opened(), self._request
        if request is None:
            raise RuntimeError("read without a question before it")
        self._request = None
        heard = bytearray()
        deadline_s = self._asked_at_s + self.answer_deadline_s + self._on_the_wire_s(request)
        found = Heard()
        while not found.answer:
            heard += self._guarded(lambda: _whatever_comes(port))
            if heard:
                found = find_answer(bytes(heard), request, self._request_frame, self.settings.framing)
            if time.monotonic() >= deadline_s:
                break
        self.last_heard = bytes(heard)
        self._free_at_s = time.monotonic()
        return self._judge(found, request, bytes(heard))

    def ready(self, unit_address: int) -> bool:
        """Whether a unit may be asked now: it is being left alone for a while after a question without an answer."""
        unit = self._units.get(unit_address)
        return unit is None or time.monotonic() >= unit.quiet_until_s

    def next_count(self, unit_address: int, function_code: int, count: int) -> int:
        """How many registers to ask for, at least `count`, so that no late answer has the same length.

        Bits are padded by whole bytes. Where every length is taken by a question that got no answer, it is the one
        asked longest ago, and never that of the question just before.
        """
        unit = self._units.setdefault(unit_address, _Unit())
        now_s = time.monotonic()
        unit.unanswered = {shape: at_s for shape, at_s in unit.unanswered.items() if now_s - at_s < FORGOTTEN_S}
        step = 8 if function_code in BIT_FUNCTION_CODES else 1
        longest_ago = now_s, count
        for padded in range(count, count + MOST_PADDING * step + 1, step):
            shape = ReadRequest(unit_address, function_code, 0, padded).shape
            if shape != unit.last_shape and shape not in unit.unanswered:
                return padded
            if shape != unit.last_shape and unit.unanswered[shape] < longest_ago[0]:
                longest_ago = unit.unanswered[shape], padded
        return longest_ago[1]

    def listen_s(self, duration_s: float) -> bytes:
        """Everything that comes in during a while [s], asking nothing."""
        port, heard = self._opened(), bytearray()
        until_s = time.monotonic() + duration_s
        while time.monotonic() < until_s:
            heard += self._guarded(lambda: _whatever_comes(port))
        return bytes(heard)

    def waiting(self) -> int:
        """How many bytes have come in that nobody has looked at yet."""
        return self._guarded(self._opened().waiting)

    def ask_text(self, question: bytes) -> None:
        """Send a text device its declared question."""
        port = self._opened()
        self._wait_until_s(self._free_at_s + self.gap_s)
        self._guarded(lambda: port.write(question))

    def heard_now(self) -> bytes:
        """What comes in within a moment; for text devices, which keep their own lines."""
        port = self._opened()
        heard = self._guarded(lambda: _whatever_comes(port))
        self._free_at_s = time.monotonic()
        return heard

    # -- inside ------------------------------------------------------------------------------------------------

    def _judge(self, found: Heard, request: ReadRequest, heard: bytes) -> bytes:
        unit = self._units[request.unit_address]
        counts = self.counts
        counts.stray_bytes += found.stray if found.answer else 0
        counts.echoes += found.echo
        self.echo_heard = self.echo_heard or found.echo
        self._count_foreign(found.foreign, request.unit_address)
        who = f"{self.port}, {request}"
        if not found.answer:
            unit.quiet_until_s = self._asked_at_s + self.slowest_answer_s
            nothing_else = len(heard) == (len(self._request_frame) if found.echo else 0)
            if nothing_else:
                counts.silent += 1
                echo = " (only our own question came back)" if found.echo else ""
                raise NoAnswer(
                    f"{who}: no answer in {self.answer_deadline_s:g} s{echo}; check the controller's power, the two "
                    "wires (A and B swapped?), unit address, baud and parity"
                )
            counts.garbled += 1
            raise _not_an_answer(found, request, heard, who)
        del unit.unanswered[request.shape]  # the others stay: behind a bridge answers may overtake each other
        if found.another:
            counts.double_answers += 1
            unit.quiet_until_s = self._asked_at_s + self.slowest_answer_s
            raise BadAnswer(
                f"{who}: two answers to one question; is there a second program or master on the line?", heard, "double"
            )
        counts.answers += 1
        if found.exception_code is not None:
            counts.refused += 1
            meaning = MODBUS_EXCEPTIONS.get(found.exception_code, "for a reason of its own")
            raise Refused(f"{who}: refused with exception {found.exception_code}: {meaning}", found.exception_code)
        return found.answer

    def _count_foreign(self, frames: tuple[bytes, ...], unit_address: int) -> None:
        for frame in frames:
            if _unit_of(frame, self.settings.framing) == unit_address:
                self.counts.left_over += 1
            else:
                self.counts.foreign_units += 1

    def _throw_away_what_waits(self, unit_address: int) -> None:
        """Rule 2: nothing heard before a question can answer it."""
        port, heard = self._opened(), bytearray()
        until_s = time.monotonic() + self.slowest_answer_s
        while self._guarded(port.waiting) and time.monotonic() < until_s:
            heard += self._guarded(lambda: _whatever_comes(port))
        if not heard:
            return
        nobody = ReadRequest(0, 0, 0, 0)
        found = find_answer(bytes(heard), nobody, b"", self.settings.framing)
        self._count_foreign(found.foreign, unit_address)
        self.counts.stray_bytes += found.stray

    def _on_the_wire_s(self, request: ReadRequest) -> float:
        """How long question and answer themselves take at this speed [s]."""
        letters = 2 if self.settings.framing is Framing.ASCII else 1
        return (len(self._request_frame) + letters * (request.byte_count + 5)) * self.settings.character_s

    def _silence_s(self) -> float:
        return max(self.gap_s, LEAST_SILENCE_S, SILENT_CHARACTERS * self.settings.character_s)

    def _is_read(self, frame: bytes) -> bool:
        try:
            read_request(bytes(frame), self.settings.framing)
        except ValueError:
            return False
        return True

    def _wait_until_s(self, moment_s: float) -> None:
        pause_s = moment_s - time.monotonic()
        if pause_s > 0.0:
            time.sleep(pause_s)

    def _opened(self) -> ReadOnlyPort:
        if self._port is None:
            raise LinkLost(f"{self.port}: not open")
        return self._port

    def _guarded(self, act: Callable[[], Result]) -> Result:
        """Do something with the port; whatever its loss raises becomes `LinkLost`, and the port is closed."""
        try:
            return act()
        except (WriteRefused, LinkFault):
            raise
        except _port_errors() as error:
            self.close()
            raise LinkLost(f"{self.port}: lost ({reason(error)})") from error


def _port_errors() -> tuple[type[Exception], ...]:
    """What pyserial lets through when a port vanishes: termios.error is no OSError, a closed port gives TypeError."""
    try:
        from termios import error as termios_error
    except ImportError:  # not on this system
        return (OSError, ValueError, TypeError)
    return (OSError, termios_error, ValueError, TypeError)


def _whatever_comes(port: ReadOnlyPort) -> bytes:
    """Wait a moment for one byte, then take all that is there."""
    first = port.read(1)
    if not first:
        return b""
    waiting = port.waiting()
    return first + (port.read(waiting) if waiting else b"")


def _unit_of(frame: bytes, framing: Framing) -> int:
    return frame[0] if framing is Framing.RTU else int(frame[1:3], 16)


def _not_an_answer(found: Heard, request: ReadRequest, heard: bytes, who: str) -> BadAnswer:
    shown = heard[:24].hex(" ") + (" ..." if len(heard) > 24 else "")
    if any(frame for frame in found.foreign):
        return BadAnswer(f"{who}: only answers to other questions came ({shown})", heard, "foreign")
    if heard.startswith(bytes([request.unit_address, request.function_code])) and len(heard) < 5 + request.byte_count:
        return BadAnswer(f"{who}: the answer broke off after {len(heard)} bytes ({shown})", heard, "cut")
    if set(heard) <= {0x00, 0xFF}:
        return BadAnswer(f"{who}: only idle-line noise came ({shown})", heard, "noise")
    return BadAnswer(f"{who}: {len(heard)} bytes came whose check sum does not fit ({shown})", heard, "garbled")


def _within(
    deadline_s: float,
    act: Callable[[], Result],
    undo: Callable[[Result], None],
    too_late: str,
    port: str,
) -> Result:
    """Do something that may hang in a thread of its own; if it comes late after all, undo it there."""
    outcome: list[Result] = []
    failure: list[BaseException] = []
    done, abandoned, lock = threading.Event(), threading.Event(), threading.Lock()

    def run() -> None:
        try:
            result = act()
        except BaseException as error:
            failure.append(error)
        else:
            with lock:
                outcome.append(result)
                late = abandoned.is_set()
            if late:
                undo(result)
        done.set()

    threading.Thread(target=run, name=f"opening {port}", daemon=True).start()
    if not done.wait(deadline_s):
        with lock:
            abandoned.set()
            if outcome:
                return outcome[0]
        raise LinkLost(too_late)
    if failure:
        raise opening_fault(port, failure[0]) from failure[0]
    return outcome[0]


def opening_fault(port: str, error: BaseException) -> BaseException:
    """What a failed opening means: missing, taken, or something that is our own mistake (returned unchanged)."""
    if not isinstance(error, _port_errors()) or isinstance(error, TypeError):
        return error
    text, why = str(error), reason(error)
    if _IN_USE.search(text):
        return PortTaken(f"{port}: in use by another program; close that one")
    if isinstance(error, PermissionError) or _TAKEN.search(text):
        return PortTaken(
            f"{port}: in use by another program, or not yours to open ({why}); close the other program, or add "
            "yourself to the group that owns serial ports and log in again"
        )
    if isinstance(error, FileNotFoundError) or _MISSING.search(text):
        return PortMissing(f"{port}: not there ({why}); is the adapter plugged in, has it another name now?")
    return LinkLost(f"{port}: cannot be opened ({why})")
