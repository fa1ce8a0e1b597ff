"""A device that talks in lines of text instead of Modbus: asked, or chattering by itself. Pure."""

import math
from dataclasses import dataclass

from sim.errors import BadInput
from sim.registers import Display
from sim.thermocouple import type_k_mV

DEFAULT_ANSWER = "PV={pv} SP={sp} OUT={out} {unit}"


@dataclass(frozen=True, slots=True)
class LineStyle:
    """How the device talks.

    query         what it answers to, without line end; empty makes it chatter by itself
    answer        a line with the fields {pv} {sp} {t2} {out} {unit} {status} {cj} {mv} {time}; {pv:.2f} and the like
                  work, without a format the number has the controller's decimals
    every_s       pause between lines of a chattering device [s of wall time]
    break_text    stands for a temperature when the sensor is broken
    comma         decimal comma
    banner        first line after a start, and to every program that connects over tcp, as if it had been reset
    reset_s       silence before the banner [s of wall time]
    """

    query: str = "TEMP?"
    answer: str = DEFAULT_ANSWER
    every_s: float = 1.0
    break_text: str = "-----"
    line_end: str = "\r\n"
    comma: bool = False
    banner: str = ""
    reset_s: float = 0.0

    def __post_init__(self) -> None:
        try:
            line(self, Display(20.0, 20.0), 0.0)
        except (KeyError, IndexError, ValueError) as error:
            raise BadInput(
                "line device: answer", repr(self.answer), "fields pv, sp, t2, out, unit, status, cj, mv, time"
            ) from error

    @property
    def chatters(self) -> bool:
        """Whether it talks without being asked."""
        return not self.query


class _Reading(float):
    """A temperature that prints with its own decimals and knows how to say that there is none."""

    decimals: int = 1
    missing: str = ""

    def __format__(self, specification: str) -> str:
        if math.isnan(self):
            return self.missing
        return super().__format__(specification or f".{self.decimals}f")


def _reading(value: float, decimals: int, missing: str) -> _Reading:
    number = _Reading(value)
    number.decimals, number.missing = decimals, missing
    return number


def line(style: LineStyle, display: Display, time_s: float) -> bytes:
    """One line of the device with its line end."""
    places, missing = display.decimal_places, style.break_text
    celsius = display.process_value if display.unit == "C" else (display.process_value - 32.0) / 1.8
    millivolt = type_k_mV(celsius) - type_k_mV(display.cold_junction_C) if not math.isnan(celsius) else math.nan
    text = style.answer.format(
        pv=_reading(display.process_value, places, missing),
        sp=_reading(display.set_point, places, missing),
        t2=_reading(display.second_temperature, places, missing),
        out=_reading(display.output_percent, 1, missing),
        cj=_reading(display.cold_junction_C, 1, missing),
        mv=_reading(millivolt, 3, missing),
        unit=display.unit,
        status=display.status,
        time=_reading(time_s, 1, missing),
    )
    if style.comma:
        text = _with_comma(text)
    return (text + style.line_end).encode("ascii", "replace")


def _with_comma(text: str) -> str:
    """Every point between two digits made a comma."""
    characters = list(text)
    for at in range(1, len(characters) - 1):
        if characters[at] == "." and characters[at - 1].isdigit() and characters[at + 1].isdigit():
            characters[at] = ","
    return "".join(characters)
