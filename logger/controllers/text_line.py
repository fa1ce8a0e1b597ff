"""A device that talks in lines of text: asked with its declared question, or listened to.

Lines carry no check sum. What can be checked is checked: the pattern must fit the whole line, both ends of the line
must have been heard, nothing heard before the question counts, and two answers in a row must agree.
"""

import math
import re
import time
from dataclasses import replace

from logger.controllers.channel_reading import from_text
from logger.controllers.controller import RawReading
from logger.controllers.line import SerialLine
from logger.controllers.line_buffer import LineBuffer
from logger.controllers.link_faults import BadAnswer, LinkLost, NoAnswer
from logger.controllers.settings import (
    ChannelSettings,
    ChannelUnit,
    ControllerSettings,
    FieldSource,
    Quantity,
    TextSettings,
)
from logger.errors import Fault, InputFault
from logger.reading import Quality

UNIT_FIELD = "unit"
"""A field of this name tells the temperature unit of its line (C or F) and overrides the channels' own."""

MOST_UNREAD_BYTES = 2000
"""More than this waiting unread means the system may already have lost some (our choice; buffers hold 4096 bytes)."""

_UNITS = {"c": ChannelUnit.CELSIUS, "f": ChannelUnit.FAHRENHEIT, "k": ChannelUnit.KELVIN}


def question_of(text: TextSettings) -> bytes:
    """The bytes that ask the device; empty when it talks by itself."""
    return (text.query + text.query_ending).encode(text.encoding) if text.query else b""


class TextController:
    """One text device on a serial line of its own (a `PolledController`)."""

    def __init__(self, settings: ControllerSettings, line: SerialLine) -> None:
        if settings.text is None:
            raise InputFault(Fault(settings.name, "no [text] table", "one with the pattern of a line"))
        self.settings = settings
        self._text = settings.text
        self._line = line
        self._pattern = pattern_of(settings)
        self._question = question_of(self._text)
        self._buffer = LineBuffer(self._text.ending.encode(self._text.encoding))
        self._openings = -1
        self._quiet_until_s = 0.0

    @property
    def name(self) -> str:
        """Name from the oven file."""
        return self.settings.name

    def ready(self) -> bool:
        """Whether the device may be asked now: after silence it is left alone until a late answer would have come."""
        return time.monotonic() >= self._quiet_until_s

    def close(self) -> None:
        """Nothing of its own to let go of."""

    def read(self) -> list[RawReading]:
        """Ask, or listen, until two lines agree; one reading per channel.

        Raises   NoAnswer     no whole line came before the deadline
                 BadAnswer    lines came, but none with this pattern, or no two that agree
        """
        if not self._line.is_open:
            raise LinkLost(f"{self._line.port}: not open")
        if self._openings != self._line.counts.openings:
            self._openings = self._line.counts.openings
            self._buffer.lose_sync()
        self._line.gap_s = self.settings.gap_s
        deadline_s = time.monotonic() + self.settings.answer_deadline_s
        before: list[RawReading] | None = None
        while True:
            readings = self._one_line(deadline_s, before)
            if self._text.agree_K is None or (before is not None and agree(before, readings, self._text.agree_K)):
                return readings
            before = readings

    def _one_line(self, deadline_s: float, before: list[RawReading] | None) -> list[RawReading]:
        line = self._line
        if before is None or self._question:
            self._throw_away_what_waits()
        if self._question:
            self._buffer.clear()
            line.ask_text(self._question)
            line.counts.questions += 1
        seen = b""
        while time.monotonic() < deadline_s:
            for text in self._buffer.feed(line.heard_now()):
                seen = text
                match = self._pattern.fullmatch(text.decode(self._text.encoding, "replace"))
                if match:
                    line.counts.answers += 1
                    return readings(self.settings, match)
        self._quiet_until_s = time.monotonic() + self.settings.slowest_answer_s if self._question else 0.0
        if before is not None:
            line.counts.garbled += 1
            raise BadAnswer(f"{line.port}, {self.name}: no two lines agree", seen, "garbled")
        if not seen:
            line.counts.silent += 1
            raise NoAnswer(f"{line.port}, {self.name}: no whole line in {self.settings.answer_deadline_s:g} s")
        line.counts.garbled += 1
        raise BadAnswer(f"{line.port}, {self.name}: the line {seen[:60]!r} does not fit the pattern", seen, "pattern")

    def _throw_away_what_waits(self) -> None:
        unread = bytearray()
        until_s = time.monotonic() + self.settings.answer_deadline_s
        while self._line.waiting() and time.monotonic() < until_s:
            unread += self._line.heard_now()
        if len(unread) > MOST_UNREAD_BYTES:
            self._buffer.lose_sync()
        else:
            self._buffer.feed(bytes(unread))


def pattern_of(settings: ControllerSettings) -> re.Pattern[str]:
    """The compiled pattern of a device's lines.

    Raises   InputFault    no pattern at all, or one without a field that a channel needs
    """
    assert settings.text is not None
    where = f"{settings.name}: pattern"
    try:
        pattern = re.compile(settings.text.pattern)
    except re.error as error:
        raise InputFault(Fault(where, f"{settings.text.pattern!r} ({error})", "a regular expression")) from None
    faults = []
    for channel in settings.channels:
        if not isinstance(channel.source, FieldSource):
            faults.append(Fault(f"{settings.name}.{channel.name}", "a register", "a field of the pattern"))
        elif channel.source.field not in pattern.groupindex:
            known = ", ".join(pattern.groupindex) or "none"
            faults.append(
                Fault(f"{settings.name}.{channel.name}: field", repr(channel.source.field), f"one of: {known}")
            )
    if faults:
        raise InputFault(faults)
    return pattern


def readings(settings: ControllerSettings, match: re.Match[str]) -> list[RawReading]:
    """What a line says, one reading per channel in the order of the settings."""
    fields = match.groupdict()
    line_unit = _UNITS.get((fields.get(UNIT_FIELD) or "").strip().lstrip("°").lower())
    found: dict[str, RawReading] = {}
    for channel in sorted(settings.channels, key=lambda channel: channel.quantity is not Quantity.COLD_JUNCTION):
        source = channel.source
        assert isinstance(source, FieldSource)
        if line_unit is not None and channel.unit in _UNITS.values():
            channel = replace(channel, unit=line_unit)
        found[channel.name] = from_text(channel, fields[source.field], _cold_junction_K(channel, found))
    return [found[channel.name] for channel in settings.channels]


def _cold_junction_K(channel: ChannelSettings, found: dict[str, RawReading]) -> float:
    if channel.thermocouple is None:
        return math.nan
    if channel.thermocouple.cold_junction_K is not None:
        return channel.thermocouple.cold_junction_K
    terminals = found.get(channel.thermocouple.cold_junction_channel)
    return terminals.temperature_K if terminals is not None and terminals.quality is Quality.GOOD else math.nan


def agree(first: list[RawReading], second: list[RawReading], within_K: float) -> bool:
    """Whether two lines, one right after the other, tell the same: temperatures within some kelvin, quality equal."""
    for one, other in zip(first, second, strict=True):
        if one.quality is not other.quality:
            return False
        if one.quantity is Quantity.TEMPERATURE and abs(one.temperature_K - other.temperature_K) > within_K:
            return False
    return True
