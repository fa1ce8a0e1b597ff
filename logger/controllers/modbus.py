"""A Modbus controller: which registers to ask for, in as few questions as its map allows, and what they mean.

It reads only what its channels declare. Registers that follow each other are asked for together; one between two
declared ones is never read along, since many controllers refuse a whole question over one register they lack.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Protocol

from logger.controllers.channel_reading import from_register
from logger.controllers.controller import RawReading
from logger.controllers.link_faults import BadAnswer
from logger.controllers.modbus_frames import BIT_FUNCTION_CODES, MOST_BITS, MOST_REGISTERS
from logger.controllers.register_map import decimals, decode
from logger.controllers.settings import ChannelSettings, ControllerSettings, Quantity, RegisterAddress, RegisterSource
from logger.errors import Fault, InputFault


class RegisterReader(Protocol):
    """A way to registers: a serial line or a network connection."""

    def read(self, controller: ControllerSettings, function_code: int, address: int, count: int) -> list[int]:
        """`count` registers, or bits, from an address (from 0); raises a `LinkFault` otherwise."""
        ...

    def ready(self, controller: ControllerSettings) -> bool:
        """Whether the controller may be asked now."""
        ...


@dataclass(frozen=True, slots=True)
class Block:
    """Registers, or bits, that one question reads."""

    function_code: int
    address: int
    count: int


def blocks(sources: Iterable[RegisterSource]) -> tuple[Block, ...]:
    """The fewest questions that read every declared register and none besides."""
    wanted: dict[int, set[int]] = {}
    for source in sources:
        size = 1 if source.bit is not None else source.number.register_count
        if source.register.function_code in BIT_FUNCTION_CODES:
            size = 1
        places = wanted.setdefault(source.register.function_code, set())
        places.update(range(source.register.address, source.register.address + size))
        if source.decimal_point is not None:
            wanted.setdefault(source.decimal_point.function_code, set()).add(source.decimal_point.address)
    found: list[Block] = []
    for function_code, addresses in sorted(wanted.items()):
        most = MOST_BITS if function_code in BIT_FUNCTION_CODES else MOST_REGISTERS
        for address in sorted(addresses):
            last = found[-1] if found else None
            if (
                last is not None
                and last.function_code == function_code
                and last.address + last.count == address
                and last.count < most
            ):
                found[-1] = Block(function_code, last.address, last.count + 1)
            else:
                found.append(Block(function_code, address, 1))
    return tuple(found)


class ModbusController:
    """One Modbus controller, over whatever way to its registers it is given."""

    def __init__(self, settings: ControllerSettings, registers: RegisterReader) -> None:
        self.settings = settings
        self._registers = registers
        sources: list[RegisterSource] = []
        for channel in settings.channels:
            if not isinstance(channel.source, RegisterSource):
                raise InputFault(Fault(f"{settings.name}.{channel.name}", "a text field", "a register"))
            sources.append(channel.source)
        self._blocks = blocks(sources)

    @property
    def name(self) -> str:
        """Name from the oven file."""
        return self.settings.name

    def ready(self) -> bool:
        """Whether the controller may be asked now."""
        return self._registers.ready(self.settings)

    def read(self) -> list[RawReading]:
        """Ask every question once; one reading per channel.

        Raises   LinkFault    at the first question that is not answered; nothing of the others is kept, so that all
                              channels of a reading come from one and the same moment
        """
        words: dict[RegisterAddress, int] = {}
        for block in self._blocks:
            answer = self._registers.read(self.settings, block.function_code, block.address, block.count)
            for offset, word in enumerate(answer):
                words[RegisterAddress(block.function_code, block.address + offset)] = word
        return readings(self.settings, words)

    def close(self) -> None:
        """Nothing of its own to let go of: the line is shared."""


def readings(settings: ControllerSettings, words: dict[RegisterAddress, int]) -> list[RawReading]:
    """What the registers say, one reading per channel in the order of the settings."""
    cold_junctions_K: dict[str, float] = {}
    found: dict[str, RawReading] = {}
    for channel in sorted(settings.channels, key=lambda channel: channel.quantity is not Quantity.COLD_JUNCTION):
        reading = _reading(settings, channel, words, _cold_junction_K(channel, cold_junctions_K))
        if channel.quantity is Quantity.COLD_JUNCTION and reading.quality == "good":
            cold_junctions_K[channel.name] = reading.temperature_K
        found[channel.name] = reading
    return [found[channel.name] for channel in settings.channels]


def _cold_junction_K(channel: ChannelSettings, read_K: dict[str, float]) -> float:
    if channel.thermocouple is None:
        return math.nan
    if channel.thermocouple.cold_junction_K is not None:
        return channel.thermocouple.cold_junction_K
    return read_K.get(channel.thermocouple.cold_junction_channel, math.nan)


def _reading(
    settings: ControllerSettings, channel: ChannelSettings, words: dict[RegisterAddress, int], cold_junction_K: float
) -> RawReading:
    source = channel.source
    assert isinstance(source, RegisterSource)
    own = _own_words(source, words)
    raw = " ".join(str(word) for word in own)
    if source.bit is not None:
        return from_register(channel, float(own[0] >> source.bit & 1), raw)
    if source.register.function_code in BIT_FUNCTION_CODES:
        return from_register(channel, float(own[0]), raw)
    digits = 0
    if source.decimal_point is not None:
        announced = decimals(words[source.decimal_point])
        if announced is None:
            raise BadAnswer(
                f"{settings.name}.{channel.name}: decimal point {source.decimal_point} says "
                f"{words[source.decimal_point]}, expected 0 to 4",
                why="decimal point",
            )
        digits = announced
        raw = f"{raw} with {digits} decimals"
    return from_register(channel, decode(own, source.number, source.word_order), raw, digits, cold_junction_K)


def _own_words(source: RegisterSource, words: dict[RegisterAddress, int]) -> Sequence[int]:
    first = source.register
    size = source.number.register_count
    if source.bit is not None or first.function_code in BIT_FUNCTION_CODES:
        size = 1
    return [words[RegisterAddress(first.function_code, first.address + offset)] for offset in range(size)]
