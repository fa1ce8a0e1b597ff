"""What the simulated controller answers: its own register table, encoded here and nowhere else.

The built-in table, addresses counted from 0, the same for function codes 3 and 4:

| address | what | form |
|---|---|---|
| 0 | process value | signed 16 bit, in the display unit, as many decimals as register 4 says |
| 1 | working set point | like 0 |
| 2 | output | unsigned 16 bit, 0.1 % |
| 3 | status | bits, see below |
| 4 | decimal places of 0, 1 and 6 | unsigned 16 bit |
| 5 | unit | 0 is C, 1 is F |
| 6 | second thermocouple | like 0; the break code when none is fitted |
| 7 | cold junction | signed 16 bit, 0.1 C whatever the display shows |
| 8 | program segment | unsigned 16 bit, 1 is the first, 0 when no program runs |
| 9 | time left in the segment | unsigned 16 bit, minutes |
| 10, 11 | process value | signed 32 bit, 0.001, high word first |
| 12, 13 | process value | unsigned 32 bit, 0.1, low word first |
| 14, 15 | process value | 32-bit float, high word first |
| 16, 17 | process value | 32-bit float, low word first |
| 18 | process value | signed 16 bit, always 0.1 |
| 19 | process value | signed 16 bit, whole degrees |
| 20, 21 | second thermocouple | 32-bit float, high word first |

Bits of the status word: 0 high alarm, 1 deviation alarm, 2 sensor break, 3 output at a limit, 4 program running,
5 program waiting, 6 heater on. Coils (function 1) and discrete inputs (function 2) 0 to 15 repeat them. A broken sensor
reads as `break_raw` in 16-bit registers, the highest or lowest number in 32-bit ones and not-a-number in floats.
Everything refuses to be written. Some controllers say what their relay does ("relay percent", 0 or 100) where this one
says its output; a table of one's own can have that.
"""

import math
import struct
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from sim.controller import HEATER_ON, Unit
from sim.errors import BadInput

Quantity = Literal[
    "process value",
    "set point",
    "output percent",
    "relay percent",
    "status",
    "decimal places",
    "unit",
    "second temperature",
    "cold junction",
    "segment",
    "minutes left",
    "constant",
    "counter",
]
Encoding = Literal["int16", "uint16", "int32", "uint32", "float32"]
WordOrder = Literal["high first", "low first"]

TEMPERATURES: tuple[Quantity, ...] = ("process value", "set point", "second temperature")
STATUS_BITS = 7
_WORDS: dict[Encoding, int] = {"int16": 1, "uint16": 1, "int32": 2, "uint32": 2, "float32": 2}
_LIMITS: dict[Encoding, tuple[int, int]] = {
    "int16": (-(1 << 15), (1 << 15) - 1),
    "uint16": (0, (1 << 16) - 1),
    "int32": (-(1 << 31), (1 << 31) - 1),
    "uint32": (0, (1 << 32) - 1),
}


@dataclass(frozen=True, slots=True)
class Display:
    """What the controller shows at one moment: numbers in its display unit, nan where the sensor is broken."""

    process_value: float
    set_point: float
    second_temperature: float = math.nan
    output_percent: float = 0.0
    status: int = 0
    decimal_places: int = 1
    unit: Unit = "C"
    cold_junction_C: float = 25.0
    segment: int = 0
    minutes_left: float = 0.0
    scans: int = 0
    break_raw: int | None = None


@dataclass(frozen=True, slots=True)
class Register:
    """One value in the table.

    address       0-based, of its first 16-bit register
    decimals      fixed decimals; None follows the controller's decimal places
    functions     function codes that answer it: 3, 4 or both
    value         only for "constant"
    """

    address: int
    quantity: Quantity
    encoding: Encoding = "int16"
    word_order: WordOrder = "high first"
    decimals: int | None = 0
    functions: tuple[int, ...] = (3, 4)
    value: int = 0

    @property
    def words(self) -> int:
        """How many 16-bit registers it takes."""
        return _WORDS[self.encoding]


@dataclass(frozen=True, slots=True)
class RegisterTable:
    """A controller's registers; two of one function code must not overlap.

    break_raw     what a 16-bit temperature register holds when the sensor is broken, as a signed or unsigned number
    """

    registers: tuple[Register, ...]
    break_raw: int = 32767
    bits: bool = True
    by_function: dict[int, dict[int, Register]] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        taken: dict[int, dict[int, Register]] = {3: {}, 4: {}}
        for register in self.registers:
            if not 0 <= register.address <= 65536 - register.words:
                raise BadInput("register table: address", register.address, "0 to 65535")
            for function in register.functions:
                for address in range(register.address, register.address + register.words):
                    if address in taken[function]:
                        other = taken[function][address].quantity
                        raise BadInput(
                            f"register table: {register.quantity} at {address}",
                            f"{other} there already",
                            "a free address",
                        )
                    taken[function][address] = register
        object.__setattr__(self, "by_function", taken)

    def words(self, function: int, display: Display) -> dict[int, int]:
        """Every register of a function code (3 or 4) with its present 16-bit content."""
        image: dict[int, int] = {}
        for register in self.registers:
            if function in register.functions:
                for offset, word in enumerate(encode(register, display, self.break_raw)):
                    image[register.address + offset] = word
        return image


def encode(register: Register, display: Display, break_raw: int = 32767) -> list[int]:
    """The 16-bit words that hold this value now, in the order of their addresses.

    A number too large for the encoding becomes the encoding's own limit, as controllers do.
    """
    value = _value(register, display)
    if math.isnan(value):
        return _broken(register, break_raw if display.break_raw is None else display.break_raw)
    if register.encoding == "float32":
        raw = struct.pack(">f", value)
    else:
        decimals = display.decimal_places if register.decimals is None else register.decimals
        low, high = _LIMITS[register.encoding]
        number = min(max(round(value * 10**decimals), low), high)
        raw = (number & (0xFFFF if register.words == 1 else 0xFFFFFFFF)).to_bytes(2 * register.words, "big")
    return _ordered(raw, register.word_order)


def _value(register: Register, display: Display) -> float:
    match register.quantity:
        case "process value":
            return display.process_value
        case "set point":
            return display.set_point
        case "second temperature":
            return display.second_temperature
        case "output percent":
            return display.output_percent
        case "relay percent":
            return 100.0 if display.status & HEATER_ON else 0.0
        case "status":
            return display.status
        case "decimal places":
            return display.decimal_places
        case "unit":
            return 0 if display.unit == "C" else 1
        case "cold junction":
            return display.cold_junction_C
        case "segment":
            return display.segment
        case "minutes left":
            return display.minutes_left
        case "counter":
            return display.scans % 65536
        case "constant":
            return register.value


def _broken(register: Register, break_raw: int) -> list[int]:
    if register.encoding == "float32":
        raw = struct.pack(">f", math.nan)
    elif register.words == 1:
        raw = (break_raw & 0xFFFF).to_bytes(2, "big")
    else:
        low, high = _LIMITS[register.encoding]
        raw = ((high if break_raw >= 0 else low) & 0xFFFFFFFF).to_bytes(4, "big")
    return _ordered(raw, register.word_order)


def _ordered(raw: bytes, order: WordOrder) -> list[int]:
    words = [int.from_bytes(raw[i : i + 2], "big") for i in range(0, len(raw), 2)]
    return words if order == "high first" else words[::-1]


def built_in_table(break_raw: int = 32767) -> RegisterTable:
    """The table of the module's description."""
    return RegisterTable(
        (
            Register(0, "process value", decimals=None),
            Register(1, "set point", decimals=None),
            Register(2, "output percent", "uint16", decimals=1),
            Register(3, "status", "uint16"),
            Register(4, "decimal places", "uint16"),
            Register(5, "unit", "uint16"),
            Register(6, "second temperature", decimals=None),
            Register(7, "cold junction", decimals=1),
            Register(8, "segment", "uint16"),
            Register(9, "minutes left", "uint16"),
            Register(10, "process value", "int32", decimals=3),
            Register(12, "process value", "uint32", "low first", decimals=1),
            Register(14, "process value", "float32"),
            Register(16, "process value", "float32", "low first"),
            Register(18, "process value", decimals=1),
            Register(19, "process value", decimals=0),
            Register(20, "second temperature", "float32"),
        ),
        break_raw,
    )


@dataclass(frozen=True, slots=True)
class RandomMap:
    """A random table, and the answer that a register finder should arrive at."""

    table: RegisterTable
    process_value: Register
    unit: Unit
    decimal_places: int


def random_map(rng: np.random.Generator) -> RandomMap:
    """A register table as some manual might print it, drawn at random, with decoys around the process value.

    Decoys: the set point, output, status, alarm limits and other settings, a counter, serial and version numbers;
    some of them lie in the same range as a temperature. The unit and the decimals are drawn as well.
    """
    functions: Sequence[tuple[int, ...]] = ((3,), (4,), (3, 4))
    function = functions[int(rng.integers(3))]
    encoding: Encoding = ("int16", "int16", "uint16", "int32", "uint32", "float32")[int(rng.integers(6))]
    order: WordOrder = "high first" if rng.random() < 0.5 else "low first"
    unit: Unit = "C" if rng.random() < 0.5 else "F"
    places = int(rng.integers(0, 2))
    wide = encoding in ("int32", "uint32")
    decimals = int(rng.integers(0, 4)) if wide else places
    base = int(rng.choice([0, 1, 8, 100, 256, 1000, 2000, 4096, 9000]))
    quantities: list[Register] = []
    kinds: list[tuple[Quantity, int]] = [("set point", 0), ("output percent", 0), ("status", 0), ("counter", 0)]
    for high in (60, 400, 1300, 9999, 65535):
        kinds.append(("constant", int(rng.integers(0, high + 1))))
    kinds.append(("constant", round(float(rng.uniform(15.0, 90.0)) * 10**places)))
    shuffled = [kinds[int(i)] for i in rng.permutation(len(kinds))]
    place = int(rng.integers(0, len(shuffled) + 1))
    address, answer = base, Register(0, "process value")
    for position in range(len(shuffled) + 1):
        if position == place:
            answer = Register(address, "process value", encoding, order, decimals, function)
            quantities.append(answer)
        else:
            quantity, value = shuffled[position - (position > place)]
            if quantity == "set point":
                item = Register(address, quantity, encoding, order, decimals, function)
            elif quantity == "output percent":
                item = Register(address, quantity, "uint16", decimals=1, functions=function)
            else:
                item = Register(address, quantity, "uint16", functions=function, value=value)
            quantities.append(item)
        address += quantities[-1].words + (int(rng.integers(1, 6)) if rng.random() < 0.3 else 0)
    break_raw = int(rng.choice([32767, -32768, 9999, -1, 0x7FF0]))
    return RandomMap(RegisterTable(tuple(quantities), break_raw, bits=bool(rng.random() < 0.5)), answer, unit, places)
