"""What a port, the controllers on it and their channels are: plain frozen values, filled from the oven file.

One port carries any number of controllers, one controller any number of channels. Nothing here opens anything.
"""

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Literal

from logger.units import TemperatureUnit

ThermocoupleType = Literal["K", "N", "S", "R", "J", "T", "B", "E"]
Parity = Literal["none", "even", "odd"]
WordOrder = Literal["high first", "low first"]


class Framing(StrEnum):
    """How questions and answers look on the port."""

    RTU = "rtu"  # Modbus, binary, on a serial line (also through a raw network bridge: socket://host:port)
    ASCII = "ascii"  # Modbus, hexadecimal letters, on a serial line
    TCP = "tcp"  # Modbus over a network; the port is tcp://host:port
    TEXT = "text"  # lines of text on a serial line
    PLAYBACK = "playback"  # a recorded CSV file read back at the pace it was written


class Quantity(StrEnum):
    """What a channel says. Only ``TEMPERATURE`` channels are integrated; the others help to judge them."""

    TEMPERATURE = "temperature"  # a thermocouple, also called process value
    SET_POINT = "set point"
    OUTPUT = "output"  # how much of its heating power the controller asks for
    ALARM = "alarm"
    COLD_JUNCTION = "cold junction"  # temperature of the terminals, for raw millivolts


class NumberFormat(StrEnum):
    """How a number lies in one or two 16-bit registers."""

    INT16 = "int16"
    UINT16 = "uint16"
    INT32 = "int32"
    UINT32 = "uint32"
    FLOAT32 = "float32"

    @property
    def register_count(self) -> int:
        """How many 16-bit registers the number takes."""
        return 1 if self in (NumberFormat.INT16, NumberFormat.UINT16) else 2


class ChannelUnit(StrEnum):
    """The unit a number has after its scale."""

    CELSIUS = "C"
    FAHRENHEIT = "F"
    KELVIN = "K"
    PERCENT = "%"
    MILLIVOLT = "mV"
    MICROVOLT = "uV"
    NONE = ""

    @property
    def display(self) -> TemperatureUnit:
        """The temperature unit a person sees for such a channel."""
        return "F" if self is ChannelUnit.FAHRENHEIT else "C"


@dataclass(frozen=True, slots=True)
class RegisterAddress:
    """One place in a controller's Modbus tables: the function code that reads it (1 to 4) and its address from 0."""

    function_code: int
    address: int

    def __str__(self) -> str:
        return f"register {self.address} (counted from 0) by function code {self.function_code}"


@dataclass(frozen=True, slots=True)
class RegisterSource:
    """A channel that is a number, or one bit, in a controller's registers.

    ``scale`` multiplies the register's number: 0.1 when 9254 means 925.4. With ``decimal_point`` the controller
    itself says how many of its digits are decimals, and ``scale`` is applied on top. ``bit`` picks one bit
    (0 is the lowest) of a register. ``break_codes`` are the register's bare numbers that mean "sensor open".
    """

    register: RegisterAddress
    number: NumberFormat = NumberFormat.INT16
    word_order: WordOrder = "high first"
    scale: float = 1.0
    decimal_point: RegisterAddress | None = None
    bit: int | None = None
    break_codes: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class FieldSource:
    """A channel that is a named field of a text line's pattern, or a column of a recorded file."""

    field: str
    scale: float = 1.0
    decimal_comma: bool = False
    break_texts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ThermocoupleInput:
    """Raw millivolts: thermocouple type, and the terminals' temperature, read from another channel or fixed [K]."""

    type: ThermocoupleType
    cold_junction_channel: str = ""
    cold_junction_K: float | None = None


@dataclass(frozen=True, slots=True)
class ChannelSettings:
    """One channel: its name, what it says, where it is found and what is believable.

    ``low_K`` and ``high_K`` bound what the thermocouple and the oven can show [K]; beyond them a reading is kept
    as "out of range". ``rate_limit_K_per_s`` is the steepest believable change [K/s].
    """

    name: str
    source: RegisterSource | FieldSource
    quantity: Quantity = Quantity.TEMPERATURE
    unit: ChannelUnit = ChannelUnit.CELSIUS
    thermocouple: ThermocoupleInput | None = None
    low_K: float = 223.15
    high_K: float = 1673.15
    rate_limit_K_per_s: float = 20.0


@dataclass(frozen=True, slots=True)
class TextSettings:
    """Lines of text: the question that fetches one (empty: the device talks by itself) and the pattern of a line.

    ``pattern`` is a regular expression whose named groups are the fields; it must match a whole line.
    ``ending`` ends each line the device sends; ``query`` is sent exactly as it stands, ``query_ending`` after it.
    Lines carry no check sum, so two in a row must agree within ``agree_K`` [K]; None believes every single line.
    """

    pattern: str
    query: str = ""
    query_ending: str = "\r\n"
    ending: str = "\n"
    encoding: str = "ascii"
    agree_K: float | None = 5.0


@dataclass(frozen=True, slots=True)
class ControllerSettings:
    """One controller on a port.

    ``unit_address`` is its Modbus address (1 to 247). ``poll_interval_s`` is how often it is asked,
    ``answer_deadline_s`` the longest one question may take in all, ``slowest_answer_s`` the latest moment after a
    question at which an answer may still turn up (the line is left alone that long after a failure),
    ``gap_s`` the pause before each question. ``exact_reads`` forbids reading one register more than needed, which
    is otherwise done in turn so that a late answer can be told from the one asked for.
    """

    name: str
    channels: tuple[ChannelSettings, ...]
    unit_address: int = 1
    poll_interval_s: float = 2.0
    answer_deadline_s: float = 0.5
    slowest_answer_s: float = 1.0
    gap_s: float = 0.02
    tries: int = 2
    exact_reads: bool = False
    text: TextSettings | None = None

    @property
    def temperature_channels(self) -> tuple[ChannelSettings, ...]:
        """The channels that are integrated."""
        return tuple(channel for channel in self.channels if channel.quantity is Quantity.TEMPERATURE)


@dataclass(frozen=True, slots=True)
class PortSettings:
    """One port and how it talks.

    ``name`` is a device path (best a stable one, by id), a URL (``socket://host:port``, ``tcp://host:port``) or, for
    a playback, the CSV file. ``settle_s`` is how long to ignore what arrives after opening: some boards restart
    whenever their port is opened.
    """

    name: str
    framing: Framing = Framing.RTU
    baud: int = 9600
    parity: Parity = "none"
    data_bits: int = 8
    stop_bits: int = 1
    settle_s: float = 0.0
    open_deadline_s: float = 5.0
    controllers: tuple[ControllerSettings, ...] = field(default=())

    @property
    def character_s(self) -> float:
        """How long one character lasts on the line [s]."""
        parity_bits = 0 if self.parity == "none" else 1
        return (1 + self.data_bits + parity_bits + self.stop_bits) / self.baud
