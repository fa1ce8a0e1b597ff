"""Registers as manuals print them, and numbers as registers hold them.

Manuals count registers in three ways: from 0 (what goes over the wire), from 1, or with the table in front
(40001 is the first holding register, 30001 the first input register, 10001 the first discrete input, 00001 the first
coil; 400001 and so on with six digits). Source of the tables: MODBUS Application Protocol V1.1b3, section 4.4.
"""

import math
import struct
from collections.abc import Sequence

from logger.controllers.modbus_frames import (
    READ_COILS,
    READ_DISCRETE_INPUTS,
    READ_HOLDING_REGISTERS,
    READ_INPUT_REGISTERS,
)
from logger.controllers.settings import NumberFormat, RegisterAddress, RegisterSource, WordOrder
from logger.errors import Fault, InputFault

LAST_ADDRESS = 0xFFFF

_TABLES = {
    "0": READ_COILS,
    "1": READ_DISCRETE_INPUTS,
    "3": READ_INPUT_REGISTERS,
    "4": READ_HOLDING_REGISTERS,
}

_FORMATS = {
    NumberFormat.INT16: ">h",
    NumberFormat.UINT16: ">H",
    NumberFormat.INT32: ">i",
    NumberFormat.UINT32: ">I",
    NumberFormat.FLOAT32: ">f",
}

USUAL_BREAK_CODES = {
    NumberFormat.INT16: (32767, -32768),
    NumberFormat.UINT16: (32767, 32768, 65535),
    NumberFormat.INT32: (2**31 - 1, -(2**31)),
    NumberFormat.UINT32: (2**31 - 1, 2**31, 2**32 - 1),
    NumberFormat.FLOAT32: (),
}
"""Bare numbers no oven reads but many controllers show for an open sensor (common practice, no source)."""


def register_address(written: int | str, function_code: int | None, counted_from: int, where: str) -> RegisterAddress:
    """The address on the wire of a register as a manual writes it.

    Without a function code the number must carry its table in front (40001, 30001, "00001", 400001). With one it is a
    plain address, counted from 0 or 1, or in hexadecimal ("0x1000").

    Raises   InputFault    neither, or an address past 65535
    """
    text = str(written).strip()
    if function_code is None:
        if not (text.isdigit() and len(text) in (5, 6) and text[0] in _TABLES and 1 <= int(text[1:]) <= 65536):
            raise InputFault(
                Fault(where, text, "a number like 40001 or 30001, or a plain address together with `function`")
            )
        return RegisterAddress(_TABLES[text[0]], int(text[1:]) - 1)
    try:
        address = int(text, 16 if text.lower().startswith("0x") else 10) - counted_from
    except ValueError:
        raise InputFault(Fault(where, text, "a register address such as 4097 or 0x1000")) from None
    if not 0 <= address <= LAST_ADDRESS:
        raise InputFault(Fault(where, text, f"{counted_from} to {LAST_ADDRESS + counted_from}"))
    return RegisterAddress(function_code, address)


def printed_forms(register: RegisterAddress) -> str:
    """A register in every way a manual may print it, so that an off-by-one shows."""
    table = next(digit for digit, code in _TABLES.items() if code == register.function_code)
    width = 4 if register.address < 9999 else 5
    return (
        f"{register.address} counted from 0, {register.address + 1} counted from 1, "
        f"{table}{register.address + 1:0{width}d} with its table (function code {register.function_code})"
    )


def decode(words: Sequence[int], number: NumberFormat, word_order: WordOrder) -> float:
    """The number that 16-bit registers hold; NaN and infinity are possible with float32."""
    ordered = words if word_order == "high first" else list(reversed(words))
    return float(struct.unpack(_FORMATS[number], b"".join(word.to_bytes(2, "big") for word in ordered))[0])


def encode(value: float, number: NumberFormat, word_order: WordOrder) -> list[int]:
    """The 16-bit registers that hold a number: the inverse of `decode`, for tests and for the register finder."""
    packed = struct.pack(_FORMATS[number], value if number is NumberFormat.FLOAT32 else int(value))
    words = [int.from_bytes(packed[at : at + 2], "big") for at in range(0, len(packed), 2)]
    return words if word_order == "high first" else words[::-1]


def is_break_code(bare: float, source: RegisterSource) -> bool:
    """Whether a register's bare number means "no sensor": declared, customary, or not a number at all."""
    if not math.isfinite(bare):
        return True
    return bare in source.break_codes or bare in USUAL_BREAK_CODES[source.number]


def decimals(register: int) -> int | None:
    """How many decimals a decimal-point register announces: 0 to 4; None for anything else."""
    return register if 0 <= register <= 4 else None
