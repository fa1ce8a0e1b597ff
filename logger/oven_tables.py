"""What an oven file may say: its tables and keys, each a checked value. `logger.oven_file` fits them together."""

from typing import Annotated, get_args

from pydantic import BeforeValidator, Field

from logger.controllers.settings import (
    ChannelUnit,
    Framing,
    NumberFormat,
    Parity,
    Quantity,
    ThermocoupleType,
    WordOrder,
)
from logger.notify_tables import HeartbeatTable, NotifyTable, RetryTable
from logger.quantities import DURATION, TEMPERATURE, TEMPERATURE_DIFFERENCE, TEMPERATURE_RATE, Written
from logger.thermocouple import ToleranceClass
from logger.thermocouple_tables import CorrectionTable
from logger.toml_file import Day, Measure, Name, Number, Stem, Switch, Table, Text, Whole, one_kind_of, one_of, unfit
from logger.units import LengthUnit, TemperatureUnit

Duration = Annotated[Written | None, Measure(DURATION)]
Temperature = Annotated[Written | None, Measure(TEMPERATURE)]


def _read_register(raw: object) -> str:
    if isinstance(raw, bool) or not isinstance(raw, int | str):
        raise unfit('a register as the manual prints it, such as 40001, 4096 or "0x1000"')
    return str(raw)


Register = Annotated[str | None, BeforeValidator(_read_register)]


class ChannelTable(Table):
    """One ``[[port.controller.channel]]``."""

    name: Name | None = None
    quantity: Annotated[Quantity, one_kind_of(Quantity)] = Quantity.TEMPERATURE
    unit: Annotated[ChannelUnit | None, one_kind_of(ChannelUnit)] = None
    register_: Annotated[str | None, BeforeValidator(_read_register), Stem("register")] = None
    function: Whole | None = None
    counted_from: Whole = 0
    number: Annotated[NumberFormat | None, one_kind_of(NumberFormat)] = None
    word_order: Annotated[WordOrder | None, one_of(("high first", "low first"))] = None
    scale: Number | None = None
    decimal_point: Register = None
    bit: Whole | None = None
    break_codes: list[Whole] = Field(default_factory=list)
    field: Name | None = None
    decimal_comma: Switch | None = None
    break_texts: list[Text] = Field(default_factory=list)
    thermocouple: Annotated[ThermocoupleType, one_of(get_args(ThermocoupleType))] = "K"
    tolerance: Annotated[ToleranceClass | None, one_kind_of(ToleranceClass)] = None
    sheathed: Switch = True
    calibrated: Day | None = None
    offset: Annotated[Written | None, Measure(TEMPERATURE_DIFFERENCE)] = None
    correction: list[CorrectionTable] = Field(default_factory=list)
    cold_junction_fixed: Annotated[Written | None, Measure(TEMPERATURE), Stem("cold_junction")] = None
    cold_junction: Name | None = None  # the channel that says it
    low: Temperature = None
    high: Temperature = None
    rate_limit: Annotated[Written | None, Measure(TEMPERATURE_RATE)] = None


class TextTable(Table):
    """``[port.controller.text]``: a device that talks in lines of text."""

    pattern: Text | None = None
    query: Text | None = None
    query_ending: Text | None = None
    ending: Text | None = None
    encoding: Text | None = None
    agree: Annotated[Written | None, Measure(TEMPERATURE_DIFFERENCE)] = None


class ControllerTable(Table):
    """One ``[[port.controller]]``."""

    name: Name | None = None
    unit_address: Whole | None = None
    poll_interval: Duration = None
    answer_deadline: Duration = None
    slowest_answer: Duration = None
    gap: Duration = None
    tries: Whole | None = None
    exact_reads: Switch | None = None
    text: TextTable | None = None
    channel: list[ChannelTable] = Field(default_factory=list)


class PortTable(Table):
    """One ``[[port]]``."""

    name: Name | None = None
    framing: Annotated[Framing | None, one_kind_of(Framing)] = None
    baud: Whole | None = None
    parity: Annotated[Parity | None, one_of(("none", "even", "odd"))] = None
    data_bits: Whole | None = None
    stop_bits: Whole | None = None
    settle: Duration = None
    open_deadline: Duration = None
    controller: list[ControllerTable] = Field(default_factory=list)


class NameTable(Table):
    """``[oven]``."""

    name: Name | None = None
    record: Name | None = None
    over_temperature: Temperature = None


class ClockTable(Table):
    """``[clock]``: only for a simulated oven, whose hours need not last an hour."""

    speed: Number = 1.0


class DisplayTable(Table):
    """``[display]``: units to read in, where they should not be the channels' own."""

    temperature: Annotated[TemperatureUnit | None, one_of(("C", "F"))] = None
    length: Annotated[LengthUnit | None, one_of(("mm", "in"))] = None


class OvenTable(Table):
    """A whole oven file."""

    oven: NameTable = NameTable()
    clock: ClockTable = ClockTable()
    display: DisplayTable = DisplayTable()
    port: list[PortTable] = Field(default_factory=list)
    notify: list[NotifyTable] = Field(default_factory=list)
    heartbeat: HeartbeatTable | None = None
    retry: RetryTable = RetryTable()
