"""From settings to something that can be asked: the link of a port and the controllers on it."""

from dataclasses import dataclass
from typing import Protocol

from logger.clock import Clock
from logger.controllers.controller import RawReading
from logger.controllers.line import SerialLine
from logger.controllers.modbus import ModbusController, RegisterReader
from logger.controllers.modbus_serial import SerialRegisters
from logger.controllers.playback import PlaybackController, Recording
from logger.controllers.read_only_port import is_harmless_question
from logger.controllers.settings import Framing, PortSettings
from logger.controllers.text_line import TextController, question_of
from logger.errors import Fault, InputFault


class Link(Protocol):
    """Whatever a port's controllers share: opened before, closed after, reopened when it is lost."""

    @property
    def is_open(self) -> bool: ...

    def open(self) -> None: ...

    def close(self) -> None: ...


class PolledController(Protocol):
    """A `Controller` that can also say whether it may be asked at this moment."""

    @property
    def name(self) -> str: ...

    def read(self) -> list[RawReading]: ...

    def ready(self) -> bool: ...

    def close(self) -> None: ...


@dataclass(frozen=True, slots=True)
class Connected:
    """A link and its controllers, in the order of the settings; nothing is open yet.

    ``registers`` is the way to any register behind the link, None where there are none (text, playback).
    """

    link: Link
    controllers: tuple[PolledController, ...]
    registers: RegisterReader | None = None


def connect_port(settings: PortSettings, clock: Clock) -> Connected:
    """Everything a port's settings describe, not yet opened.

    Raises   InputFault    settings that contradict each other, a recording that cannot be read
    """
    match settings.framing:
        case Framing.RTU | Framing.ASCII:
            line = SerialLine(settings)
            serial = SerialRegisters(line)
            return Connected(line, tuple(ModbusController(each, serial) for each in settings.controllers), serial)
        case Framing.TCP:
            from logger.controllers.modbus_tcp import TcpRegisters  # its library is slow to import, few need it

            network = TcpRegisters(settings)
            return Connected(network, tuple(ModbusController(each, network) for each in settings.controllers), network)
        case Framing.TEXT:
            return _text(settings)
        case Framing.PLAYBACK:
            recording = Recording(settings, clock)
            return Connected(recording, tuple(PlaybackController(each, recording) for each in settings.controllers))


def _text(settings: PortSettings) -> Connected:
    if len(settings.controllers) != 1:
        found = f"{len(settings.controllers)} controllers"
        raise InputFault(Fault(settings.name, found, "one: lines of text do not say whose they are"))
    (controller,) = settings.controllers
    question = question_of(controller.text) if controller.text is not None else b""
    if question and not is_harmless_question(question):
        raise InputFault(
            Fault(
                f"{controller.name}: query",
                repr(question),
                "a question; this looks like a command, which is never sent",
            )
        )
    line = SerialLine(settings, frozenset({question} - {b""}))
    return Connected(line, (TextController(controller, line),))
