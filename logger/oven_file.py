"""OVEN.toml -> the settings of one oven: its ports, controllers and channels, where its record is, who is told."""

import codecs
import re
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from logger.controllers.read_only_port import is_harmless_question
from logger.controllers.register_map import register_address
from logger.controllers.settings import (
    ChannelSettings,
    ChannelUnit,
    ControllerSettings,
    FieldSource,
    Framing,
    PortSettings,
    Quantity,
    RegisterAddress,
    RegisterSource,
    TextSettings,
    ThermocoupleInput,
)
from logger.errors import InputFault
from logger.notify_settings import NotifySettings
from logger.notify_tables import notify_settings
from logger.oven_tables import ChannelTable, ControllerTable, OvenTable, PortTable, TextTable
from logger.quantities import Written
from logger.thermocouple import Thermocouple, ToleranceClass
from logger.thermocouple import ThermocoupleType as ThermocoupleKind
from logger.thermocouple_tables import correction_of
from logger.toml_file import (
    Document,
    either,
    read_document,
    shown,
)
from logger.toml_text import KeyPath
from logger.units import DisplayUnits

EXPECTED_FILE = "an oven file in TOML"
BAUD_RATES = (1200, 2400, 4800, 9600, 14400, 19200, 28800, 38400, 57600, 76800, 115200, 230400)
FASTEST_CLOCK = 100_000.0


@dataclass(frozen=True, slots=True)
class OvenSettings:
    """One oven: how it is read, where its readings are kept, who is told.

    ``record`` is the database file, beside the oven file unless it says otherwise. ``clock_speed`` is more than 1
    only for a simulated oven. ``thermocouples`` says for each temperature channel how far its readings may be off.
    Hotter than ``over_temperature_K`` [K] raises an alert (never anything else: soaktally only reads).
    """

    name: str
    record: Path
    ports: tuple[PortSettings, ...]
    thermocouples: Mapping[str, Thermocouple] = field(default_factory=dict)
    notify: NotifySettings = field(default_factory=NotifySettings)
    clock_speed: float = 1.0
    display: DisplayUnits = field(default_factory=DisplayUnits)
    over_temperature_K: float | None = None

    @property
    def temperature_channels(self) -> tuple[str, ...]:
        """Names of the channels that a run can be judged by."""
        return tuple(channel.name for channel in self.channels if channel.quantity is Quantity.TEMPERATURE)

    def poll_interval_s(self, channel: str) -> float:
        """How often a channel is asked [s]."""
        for port in self.ports:
            for controller in port.controllers:
                if any(one.name == channel for one in controller.channels):
                    return controller.poll_interval_s
        raise KeyError(channel)

    @property
    def channels(self) -> tuple[ChannelSettings, ...]:
        """Every channel of every controller, in the order of the ports."""
        return tuple(
            channel for port in self.ports for controller in port.controllers for channel in controller.channels
        )


def read_oven(path: str | Path) -> OvenSettings:
    """The settings in an oven file.

    Parameters
    ----------
    path : the file as the person named it

    Returns    OvenSettings
    Raises     InputFault    every fault in it, each with line, key, what was found and what was expected
    """
    document = read_document(Path(path), OvenTable, EXPECTED_FILE)
    table = document.table()
    assert isinstance(table, OvenTable)
    settings = _OvenReader(Path(path), document, table).settings()
    document.refuse_faults()
    return settings


class _OvenReader:
    """Turns the tables of one oven file into settings and notes what does not fit together."""

    def __init__(self, path: Path, document: Document, oven: OvenTable) -> None:
        self.path, self.document, self.oven = path, document, oven
        self.thermocouples: dict[str, Thermocouple] = {}

    def settings(self) -> OvenSettings:
        oven, document = self.oven, self.document
        if oven.oven.name is None:
            document.fault(("oven", "name"), "nothing", "what this oven is called")
        if not 0.0 < oven.clock.speed <= FASTEST_CLOCK:
            found = f"{oven.clock.speed:g}"
            document.fault(("clock", "speed"), found, f"more than 0, up to {FASTEST_CLOCK:.0f}; 1 is real time")
        if not oven.port:
            document.fault(("port",), "nothing", "at least one [[port]] with a [[port.controller]] on it")
        self._judge_names(
            (("port", number), port.name, "a serial port, or an address") for number, port in enumerate(oven.port)
        )
        self._judge_names(
            (("port", at, "controller", number), controller.name, "a name for this controller")
            for at, port in enumerate(oven.port)
            for number, controller in enumerate(port.controller)
        )
        self._judge_names(
            (("port", at, "controller", number, "channel", row), channel.name, "a name for this channel")
            for at, port in enumerate(oven.port)
            for number, controller in enumerate(port.controller)
            for row, channel in enumerate(controller.channel)
        )
        return OvenSettings(
            name=oven.oven.name or "",
            record=self.path.parent / (oven.oven.record or f"{self.path.stem}.db"),
            ports=tuple(self._port(("port", number), port) for number, port in enumerate(oven.port)),
            thermocouples=self.thermocouples,
            notify=notify_settings(document, oven.notify, oven.heartbeat, oven.retry),
            clock_speed=oven.clock.speed,
            display=self._display(),
            over_temperature_K=None if oven.oven.over_temperature is None else oven.oven.over_temperature.value,
        )

    def _judge_names(self, things: Iterable[tuple[KeyPath, str | None, str]]) -> None:
        """Everything of one kind needs a name, and one that nothing else of its kind in this file has."""
        seen: set[str] = set()
        for where, name, expected in things:
            if name is None:
                self.document.fault((*where, "name"), "nothing", expected)
            elif name in seen:
                self.document.fault((*where, "name"), f"{shown(name)} a second time", "a name of its own")
            else:
                seen.add(name)

    # ports and controllers

    def _port(self, where: KeyPath, table: PortTable) -> PortSettings:
        framing, name = _framing(table), table.name or ""
        if table.baud is not None and table.baud not in BAUD_RATES:
            self.document.fault((*where, "baud"), str(table.baud), either([str(rate) for rate in BAUD_RATES]))
        if table.data_bits is not None and table.data_bits not in (7, 8):
            self.document.fault((*where, "data_bits"), str(table.data_bits), "7 or 8")
        elif framing is Framing.RTU and table.data_bits == 7:
            self.document.fault((*where, "data_bits"), "7", "8: rtu frames are binary")
        if table.stop_bits is not None and table.stop_bits not in (1, 2):
            self.document.fault((*where, "stop_bits"), str(table.stop_bits), "1 or 2")
        self._judge_span((*where, "settle"), table.settle, 0.0, 60.0)
        self._judge_span((*where, "open_deadline"), table.open_deadline, 0.1, 120.0)
        if framing is Framing.TCP and name and not _NETWORK.fullmatch(name):
            self.document.fault((*where, "name"), shown(name), '"tcp://host:port"')
        if framing is not Framing.TCP and name.startswith("tcp://"):
            self.document.fault((*where, "framing"), f'"{framing}" on a tcp:// port', '"tcp"')
        if not table.controller:
            self.document.fault((*where, "controller"), "nothing", "at least one [[port.controller]]")
        controllers = tuple(
            self._controller((*where, "controller", number), controller, framing)
            for number, controller in enumerate(table.controller)
        )
        if framing in MODBUS:
            taken: set[int] = set()
            for number, controller in enumerate(controllers):
                if controller.unit_address in taken:
                    found = f"{controller.unit_address}, as another controller on this port"
                    address: KeyPath = (*where, "controller", number, "unit_address")
                    self.document.fault(address, found, "an address of its own")
                taken.add(controller.unit_address)
        return PortSettings(
            name=str(self.path.parent / name) if framing is Framing.PLAYBACK else name,
            framing=framing,
            controllers=controllers,
            **_said(
                baud=table.baud,
                parity=table.parity,
                data_bits=table.data_bits,
                stop_bits=table.stop_bits,
                settle_s=table.settle,
                open_deadline_s=table.open_deadline,
            ),
        )

    def _controller(self, where: KeyPath, table: ControllerTable, framing: Framing) -> ControllerSettings:
        lowest, highest = (0, 255) if framing is Framing.TCP else (1, 247)
        if table.unit_address is not None and not lowest <= table.unit_address <= highest:
            self.document.fault((*where, "unit_address"), str(table.unit_address), f"{lowest} to {highest}")
        self._judge_span((*where, "poll_interval"), table.poll_interval, 0.1, 600.0)
        self._judge_span((*where, "answer_deadline"), table.answer_deadline, 0.02, 30.0)
        self._judge_span((*where, "slowest_answer"), table.slowest_answer, 0.02, 60.0)
        self._judge_span((*where, "gap"), table.gap, 0.0, 5.0)
        if table.tries is not None and not 1 <= table.tries <= 10:
            self.document.fault((*where, "tries"), str(table.tries), "1 to 10")
        if framing is not Framing.TEXT and table.text is not None:
            found = f'a table for a port that talks "{framing}"'
            self.document.fault((*where, "text"), found, 'none, or framing = "text"')
        if not table.channel:
            self.document.fault((*where, "channel"), "nothing", "at least one [[port.controller.channel]]")
        return ControllerSettings(
            name=table.name or "",
            channels=tuple(
                self._channel((*where, "channel", number), channel, table, framing)
                for number, channel in enumerate(table.channel)
            ),
            text=self._text((*where, "text"), table.text) if framing is Framing.TEXT else None,
            **_said(
                unit_address=table.unit_address,
                poll_interval_s=table.poll_interval,
                answer_deadline_s=table.answer_deadline,
                slowest_answer_s=table.slowest_answer,
                gap_s=table.gap,
                tries=table.tries,
                exact_reads=table.exact_reads,
            ),
        )

    def _text(self, where: KeyPath, table: TextTable | None) -> TextSettings | None:
        if table is None or table.pattern is None:
            expected = "a regular expression that matches a whole line, such as 'T1=(?P<T1>\\S+)'"
            self.document.fault((*where, "pattern"), "nothing", expected)
            return None
        pattern = _compiled(table.pattern)
        if pattern is None:
            self.document.fault((*where, "pattern"), shown(table.pattern), "a regular expression")
        elif not pattern.groupindex:
            expected = "a named group for each field, such as (?P<T1>\\S+)"
            self.document.fault((*where, "pattern"), shown(table.pattern), expected)
        if table.query and not is_harmless_question(table.query.encode("utf-8", "replace")):
            expected = "a question: plain text without = or :, and no command word"
            self.document.fault((*where, "query"), shown(table.query), expected)
        if table.encoding is not None and not _is_encoding(table.encoding):
            self.document.fault((*where, "encoding"), shown(table.encoding), 'an encoding such as "ascii" or "utf-8"')
        if table.ending == "":
            self.document.fault((*where, "ending"), shown(table.ending), 'what ends each line, such as "\\n"')
        if table.agree is not None and not 0.0 < table.agree.value <= 100.0:
            self.document.fault((*where, "agree"), f"{table.agree.value:g} K", "more than 0, up to 100 K")
        return TextSettings(
            pattern=table.pattern,
            **_said(query=table.query, query_ending=table.query_ending, ending=table.ending, encoding=table.encoding),
            **_said(agree_K=table.agree),
        )

    # channels

    def _channel(
        self, where: KeyPath, table: ChannelTable, controller: ControllerTable, framing: Framing
    ) -> ChannelSettings:
        temperature = table.quantity in (Quantity.TEMPERATURE, Quantity.SET_POINT, Quantity.COLD_JUNCTION)
        unit = table.unit or (ChannelUnit.CELSIUS if temperature else _PLAIN_UNITS[table.quantity])
        allowed = _TEMPERATURE_UNITS if temperature else (ChannelUnit.PERCENT, ChannelUnit.NONE)
        if unit not in allowed:
            units = either([f'"{each}"' for each in allowed])
            self.document.fault((*where, "unit"), f'"{unit}" for {table.quantity}', units)
        if _value(table.low, 223.15) >= _value(table.high, 1673.15):
            self.document.fault((*where, "high" if table.high else "low"), "low not below high", "low below high")
        if table.rate_limit is not None and table.rate_limit.value <= 0.0:
            self.document.fault((*where, "rate_limit"), f"{table.rate_limit.value:g} K/s", "more than 0")
        if table.scale == 0.0:
            self.document.fault((*where, "scale"), "0", "what one step of the number is worth, such as 0.1")
        if table.quantity is Quantity.TEMPERATURE:
            self._know_thermocouple(where, table)
        millivolts = unit in (ChannelUnit.MILLIVOLT, ChannelUnit.MICROVOLT)
        if framing in (Framing.TEXT, Framing.PLAYBACK):
            source: RegisterSource | FieldSource = self._field(where, table, controller, framing)
        else:
            source = self._register(where, table)
        return ChannelSettings(
            name=table.name or "",
            source=source,
            quantity=table.quantity,
            unit=unit,
            thermocouple=self._millivolt_input(where, table, controller) if millivolts else None,
            **_said(low_K=table.low, high_K=table.high, rate_limit_K_per_s=table.rate_limit),
        )

    def _register(self, where: KeyPath, table: ChannelTable) -> RegisterSource:
        if table.field is not None:
            self.document.fault((*where, "field"), shown(table.field), "register: this port is asked for registers")
        if table.register_ is None:
            expected = "a register as the manual prints it, such as 40001, or a plain address together with function"
            self.document.fault((*where, "register_"), "nothing", expected)
        readable = table.function is None or 1 <= table.function <= 4
        if not readable:
            self.document.fault((*where, "function"), str(table.function), "1, 2, 3 or 4: soaktally only reads")
        if table.counted_from not in (0, 1):
            self.document.fault((*where, "counted_from"), str(table.counted_from), "0 or 1")
        if table.bit is not None and not 0 <= table.bit <= 15:
            self.document.fault((*where, "bit"), str(table.bit), "0 (lowest) to 15")
        return RegisterSource(
            register=self._address((*where, "register_"), table.register_, table) or RegisterAddress(3, 0),
            decimal_point=self._address((*where, "decimal_point"), table.decimal_point, table),
            bit=table.bit,
            break_codes=tuple(table.break_codes),
            **_said(number=table.number, word_order=table.word_order, scale=table.scale),
        )

    def _address(self, where: KeyPath, written: str | None, table: ChannelTable) -> RegisterAddress | None:
        if written is None:
            return None
        try:
            return register_address(written, table.function, table.counted_from, "")
        except InputFault as refusal:
            for fault in refusal.faults:
                self.document.fault(where, fault.found or '""', fault.expected)
            return None

    def _field(self, where: KeyPath, table: ChannelTable, controller: ControllerTable, framing: Framing) -> FieldSource:
        if table.register_ is not None:
            self.document.fault((*where, "register_"), table.register_, "field: this port has no registers")
        pattern = _compiled(controller.text.pattern) if controller.text and controller.text.pattern else None
        groups = list(pattern.groupindex) if pattern else []
        if table.field is None:
            column = 'a column of the file, such as field = "air_C"'
            what = "a named group of the controller's text.pattern" if framing is Framing.TEXT else column
            self.document.fault((*where, "field"), "nothing", what)
        elif framing is Framing.TEXT and groups and table.field not in groups:
            self.document.fault((*where, "field"), shown(table.field), either([shown(name) for name in groups]))
        return FieldSource(
            field=table.field or "",
            break_texts=tuple(table.break_texts),
            **_said(scale=table.scale, decimal_comma=table.decimal_comma),
        )

    def _millivolt_input(self, where: KeyPath, table: ChannelTable, controller: ControllerTable) -> ThermocoupleInput:
        named, fixed = table.cold_junction, table.cold_junction_fixed
        if (named is None) == (fixed is None):
            expected = 'the temperature of the terminals: cold_junction = "a channel", or cold_junction_C = 25'
            found = "nothing" if named is None else "a channel and a fixed temperature"
            self.document.fault((*where, "cold_junction"), found, expected)
        known = [each.name for each in controller.channel if each.quantity is Quantity.COLD_JUNCTION and each.name]
        if named is not None and named not in known:
            none = 'a channel of this controller with quantity = "cold junction"'
            expected = either([shown(name) for name in known]) if known else none
            self.document.fault((*where, "cold_junction"), shown(named), expected)
        return ThermocoupleInput(
            type=table.thermocouple,
            cold_junction_channel=named or "",
            cold_junction_K=fixed.value if fixed else None,
        )

    def _know_thermocouple(self, where: KeyPath, table: ChannelTable) -> None:
        """Note what is known of the error of a temperature channel; nothing for types without a tolerance class."""
        correction = correction_of(self.document, where, table.offset, table.correction)
        if table.thermocouple not in {kind.value for kind in ThermocoupleKind}:
            if table.tolerance is not None:
                expected = f"none: the classes of type {table.thermocouple} are not known here"
                self.document.fault((*where, "tolerance"), shown(table.tolerance.value), expected)
            return
        self.thermocouples[table.name or ""] = Thermocouple(
            type=ThermocoupleKind(table.thermocouple),
            tolerance_class=table.tolerance or ToleranceClass.E230_STANDARD,
            correction=correction,
            sheathed=table.sheathed,
            calibrated_on=table.calibrated or "",
        )

    def _judge_span(self, where: KeyPath, duration: Written | None, low_s: float, high_s: float) -> None:
        if duration is not None and not low_s <= duration.value <= high_s and duration.unit:
            self.document.fault(where, f"{duration.value:g} s", f"{low_s:g} to {high_s:g} s")

    def _display(self) -> DisplayUnits:
        """The units asked for, else those most channels are in."""
        units = Counter(channel.unit for port in self.oven.port for each in port.controller for channel in each.channel)
        fahrenheit = units[ChannelUnit.FAHRENHEIT] > units[ChannelUnit.CELSIUS] + units[ChannelUnit.KELVIN]
        asked = self.oven.display
        return DisplayUnits(asked.temperature or ("F" if fahrenheit else "C"), asked.length or "mm")


MODBUS = (Framing.RTU, Framing.ASCII, Framing.TCP)
_NETWORK = re.compile(r"tcp://[^/\s]+:\d{1,5}")
_TEMPERATURE_UNITS = (
    ChannelUnit.CELSIUS,
    ChannelUnit.FAHRENHEIT,
    ChannelUnit.KELVIN,
    ChannelUnit.MILLIVOLT,
    ChannelUnit.MICROVOLT,
)
_PLAIN_UNITS = {Quantity.OUTPUT: ChannelUnit.PERCENT, Quantity.ALARM: ChannelUnit.NONE}


def _framing(table: PortTable) -> Framing:
    """The framing said, else the one the port's name implies."""
    port = table.name or ""
    if table.framing is not None:
        return table.framing
    if port.startswith("tcp://"):
        return Framing.TCP
    return Framing.PLAYBACK if port.lower().endswith(".csv") else Framing.RTU


def _said(**settings: object) -> dict[str, Any]:
    """Only the settings the file gives; the others keep the defaults of their class."""
    return {name: _plain(value) for name, value in settings.items() if value is not None}


def _plain(value: object) -> object:
    return value.value if isinstance(value, Written) else value


def _value(written: Written | None, otherwise: float) -> float:
    return otherwise if written is None else written.value


def _compiled(pattern: str) -> re.Pattern[str] | None:
    try:
        return re.compile(pattern)
    except (re.error, RecursionError, OverflowError):
        return None


def _is_encoding(name: str) -> bool:
    try:
        codecs.lookup(name)
    except (LookupError, ValueError):
        return False
    return True
