"""From settings to something that can be asked: the link of a port and the controllers on it."""

from dataclasses import dataclass
from typing import Protocol

from logger.controllers.controller import RawReading
from logger.controllers.line import SerialLine
from logger.controllers.modbus import ModbusController
from logger.controllers.modbus_serial import SerialRegisters
from logger.controllers.settings import Framing, PortSettings
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
    """A link and its controllers, in the order of the settings; nothing is open yet."""

    link: Link
    controllers: tuple[PolledController, ...]


def connect_port(settings: PortSettings) -> Connected:
    """Everything a port's settings describe, not yet opened.

    Raises   InputFault    settings that contradict each other
    """
    match settings.framing:
        case Framing.RTU | Framing.ASCII:
            line = SerialLine(settings)
            registers = SerialRegisters(line)
            return Connected(line, tuple(ModbusController(each, registers) for each in settings.controllers))
        case _:
            raise InputFault(Fault(settings.name, str(settings.framing), "rtu or ascii"))
