"""Quantities as people write them: ``6 mm``, ``0.25 in``, ``3/16"``, ``1750 F``, ``2 h 30 min``.

Pure: text or a number in, a value in SI out, with the unit it was written in so that it can be shown again in it.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from math import isfinite

from logger.units import (
    METRES_PER_INCH,
    SECONDS_PER_HOUR,
    kelvin_from_celsius,
    kelvin_from_fahrenheit,
)

KILOGRAMS_PER_POUND = 0.45359237

Scale = Callable[[float], float]


@dataclass(frozen=True, slots=True)
class Written:
    """A quantity as it was written: ``value`` in SI (or the trade's unit), ``unit`` the one that was written."""

    value: float
    unit: str


@dataclass(frozen=True, slots=True)
class Dimension:
    """One kind of quantity: which units it may be written in and how a message describes it.

    ``scales`` turns a number in each unit into SI; its keys are also the endings of keys (``thickness_mm``).
    ``spellings`` are other ways to write a unit in a value. ``plain`` is the unit of a number that names none.
    ``lowest`` is the least value that can exist, in SI. ``boundless`` allows "inf".
    """

    expected: str
    scales: Mapping[str, Scale]
    spellings: Mapping[str, str] = field(default_factory=dict)
    plain: str | None = None
    lowest: float | None = None
    boundless: bool = False

    def read(self, raw: object, unit: str | None = None) -> Written:
        """The quantity that was written.

        Parameters
        ----------
        raw : number, or text with or without a unit
        unit : unit for a number that names none (the ending of its key); None: `plain`

        Returns    Written, value in SI
        Raises     ValueError    not such a quantity; the message is what was expected
        """
        unit = unit or self.plain
        written = self._read_number(raw, unit) if not isinstance(raw, str) else self._read_text(raw, unit)
        if self.lowest is not None and written.value < self.lowest:
            raise ValueError(self.expected)
        return written

    def _read_number(self, raw: object, unit: str | None) -> Written:
        if isinstance(raw, bool) or not isinstance(raw, int | float) or unit is None:
            raise ValueError(self.expected)
        try:
            number = float(raw)
        except OverflowError:
            raise ValueError(self.expected) from None
        if not isfinite(number) and not (self.boundless and number > 0.0):
            raise ValueError(self.expected)
        return Written(self.scales[unit](number), unit)

    def _read_text(self, raw: str, unit: str | None) -> Written:
        text = raw.strip()
        if self.boundless and text.lower() in {"inf", "+inf"} and unit is not None:
            return Written(float("inf"), unit)
        found = _PART.fullmatch(text)
        if not found:
            raise ValueError(self.expected)
        named = self._unit(found["unit"]) if found["unit"] else unit
        if named is None:
            raise ValueError(self.expected)
        return self._read_number(_number(found["number"], self.expected), named)

    def _unit(self, spelled: str) -> str:
        unit = spelled if spelled in self.scales else self.spellings.get(spelled)
        unit = unit or self.spellings.get(spelled.lower())
        if unit is None:
            raise ValueError(self.expected)
        return unit


class DurationDimension(Dimension):
    """Durations, which are also written in parts: ``2 h 30 min``."""

    __slots__ = ()

    def _read_text(self, raw: str, unit: str | None) -> Written:
        parts = list(_PARTS.finditer(raw.strip()))
        if len(parts) < 2:
            return super()._read_text(raw, unit)
        if "".join(part[0] for part in parts).strip() != raw.strip() or not all(part["unit"] for part in parts):
            raise ValueError(self.expected)
        written = [super(DurationDimension, self)._read_text(part[0], None) for part in parts]
        sizes = [self.scales[part.unit](1.0) for part in written]
        if sorted(sizes, reverse=True) != sizes or len(set(sizes)) < len(sizes):
            raise ValueError(self.expected)  # "30 min 2 h" or "1 h 1 h" is a slip, not a duration
        return Written(sum(part.value for part in written), written[0].unit)


_NUMBER = r"[-+]?(?:\d+\s+\d+/\d+|\d+/\d+|(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)"
_UNIT = r"(?:(?:mm|cm|m|in)[2²](?!\d)|[a-zA-Zµμ%°\"″][a-zA-Z%°./]*)"
_PART = re.compile(rf"(?P<number>{_NUMBER})\s*(?P<unit>{_UNIT})?")
_PARTS = re.compile(rf"\s*(?P<number>{_NUMBER})\s*(?P<unit>{_UNIT})?")


def _number(text: str, expected: str) -> float:
    """A decimal number, a fraction, or a whole number and a fraction."""
    sign, text = (-1.0, text[1:]) if text.startswith("-") else (1.0, text.removeprefix("+"))
    *whole, last = text.split()
    if "/" not in last:
        return sign * float(last)
    above, below = last.split("/")
    if int(below) == 0:
        raise ValueError(expected)
    return sign * (sum(map(float, whole)) + int(above) / int(below))


def times(factor: float) -> Scale:
    """A unit that is ``factor`` of the SI unit."""
    return lambda number: number * factor


LENGTH = Dimension(
    expected='a length such as 6.0 or "0.25 in"',
    scales={
        "mm": lambda number: number / 1000.0,
        "in": times(METRES_PER_INCH),
        "thou": lambda number: number * METRES_PER_INCH / 1000.0,
        "um": lambda number: number / 1e6,
        "cm": lambda number: number / 100.0,
        "m": times(1.0),
    },
    spellings={
        "millimetre": "mm", "millimetres": "mm", "millimeter": "mm", "millimeters": "mm",
        "inch": "in", "inches": "in", "in.": "in", '"': "in", "″": "in",
        "mil": "thou", "mils": "thou",
        "µm": "um", "μm": "um", "micron": "um", "microns": "um",
    },
)  # fmt: skip

TEMPERATURE = Dimension(
    expected='a temperature such as 930.0 or "1750 F"',
    scales={"C": kelvin_from_celsius, "F": kelvin_from_fahrenheit, "K": times(1.0)},
    spellings={
        "°C": "C", "degC": "C", "celsius": "C", "c": "C",
        "°F": "F", "degF": "F", "fahrenheit": "F", "f": "F",
        "kelvin": "K",
    },
    lowest=0.0,
)  # fmt: skip

TEMPERATURE_DIFFERENCE = Dimension(
    expected='a temperature difference such as 14.0 or "25 F"',
    scales={"C": times(1.0), "F": lambda number: number / 1.8, "K": times(1.0)},
    spellings=TEMPERATURE.spellings,
)

DURATION = DurationDimension(
    expected='a time such as 2.5, "150 min" or "2 h 30 min"',
    scales={
        "s": times(1.0), "min": times(60.0), "h": times(SECONDS_PER_HOUR), "hours": times(SECONDS_PER_HOUR),
        "ms": lambda number: number / 1000.0,
    },
    spellings={
        "sec": "s", "second": "s", "seconds": "s",
        "minute": "min", "minutes": "min",
        "hr": "h", "hrs": "h", "hour": "h",
    },
)  # fmt: skip

CARBON = Dimension(
    expected='carbon in per cent by weight such as 0.40 or "0.40 %"',
    scales={"wt_pct": times(1.0)},
    spellings={"%": "wt_pct", "wt%": "wt_pct"},
    plain="wt_pct",
)

HARDNESS = Dimension(
    expected="a hardness on the Rockwell C scale such as 60.0",
    scales={"HRC": times(1.0)},
    spellings={"hrc": "HRC", "rc": "HRC"},
    plain="HRC",
)

TEMPERING_PARAMETER = Dimension(
    expected="a tempering parameter T (c + log10 t) in kelvin such as 14800",
    scales={"K": times(1.0), "parameter": times(1.0)},
    plain="K",
)

AREA = Dimension(
    expected='an area such as "29 cm2" or "4.5 in2"',
    scales={
        "mm2": lambda number: number / 1e6, "cm2": lambda number: number / 1e4, "m2": times(1.0),
        "in2": times(METRES_PER_INCH**2),
    },
    spellings={"mm²": "mm2", "cm²": "cm2", "sq in": "in2", "sq.in": "in2", "in²": "in2"},
    lowest=0.0,
)  # fmt: skip

MASS = Dimension(
    expected='a mass such as 1.2 or "2.5 lb"',
    scales={
        "kg": times(1.0), "g": lambda number: number / 1000.0, "mg": lambda number: number / 1e6,
        "lb": times(KILOGRAMS_PER_POUND), "oz": times(KILOGRAMS_PER_POUND / 16.0),
    },
    spellings={"lbs": "lb", "pound": "lb", "pounds": "lb"},
    lowest=0.0,
)  # fmt: skip

MASS_TRANSFER = Dimension(
    expected='a mass transfer coefficient such as 1.0e-7, or "inf" for a pinned surface',
    scales={"m_per_s": times(1.0), "cm_per_s": lambda number: number / 100.0},
    spellings={"m/s": "m_per_s", "cm/s": "cm_per_s"},
    boundless=True,
)

TEMPERATURE_RATE = Dimension(
    expected='a rate of temperature such as 5.0 or "300 C/min"',
    scales={
        "K_per_s": times(1.0), "C_per_s": times(1.0), "F_per_s": lambda number: number / 1.8,
        "C_per_min": lambda number: number / 60.0, "F_per_min": lambda number: number / 108.0,
        "C_per_h": lambda number: number / 3600.0, "F_per_h": lambda number: number / 6480.0,
    },
    spellings={
        "C/s": "C_per_s", "F/s": "F_per_s", "K/s": "K_per_s", "C/min": "C_per_min", "F/min": "F_per_min",
        "C/h": "C_per_h", "F/h": "F_per_h",
    },
)  # fmt: skip

MOLAR_ENERGY = Dimension(
    expected="an activation energy such as 148000.0",
    scales={"J_per_mol": times(1.0), "kJ_per_mol": times(1000.0)},
    spellings={"J/mol": "J_per_mol", "kJ/mol": "kJ_per_mol"},
)

POWER = Dimension(
    expected='a power such as 3.0 or "3 kW"',
    scales={"kW": times(1000.0), "W": times(1.0)},
    spellings={"kw": "kW", "watt": "W", "watts": "W"},
    lowest=0.0,
)

GAS_RATE = Dimension(
    expected="a rate of gas such as 0.8 kg/h",
    scales={
        "kg_per_h": lambda number: number / SECONDS_PER_HOUR,
        "lb_per_h": lambda number: number * KILOGRAMS_PER_POUND / SECONDS_PER_HOUR,
    },
    spellings={"kg/h": "kg_per_h", "lb/h": "lb_per_h"},
    lowest=0.0,
)
