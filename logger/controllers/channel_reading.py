"""From a bare number or text to a reading: sensor-break codes, scale, unit, thermocouple, range. Pure."""

import math

from logger.controllers.controller import RawReading
from logger.controllers.register_map import is_break_code
from logger.controllers.settings import ChannelSettings, ChannelUnit, FieldSource, Quantity, RegisterSource
from logger.controllers.thermocouple_emf import OutsideTable, hot_junction_K
from logger.reading import Quality
from logger.units import kelvin_from_celsius, kelvin_from_fahrenheit


def missing(channel: ChannelSettings, why: str = "") -> RawReading:
    """The reading of a channel nobody answered for."""
    return RawReading(channel.name, math.nan, Quality.MISSING, why, channel.quantity)


def from_register(
    channel: ChannelSettings, bare: float, raw: str, decimals: int = 0, cold_junction_K: float = math.nan
) -> RawReading:
    """The reading that a register's bare number stands for.

    ``decimals`` come from the controller's own decimal-point register; ``cold_junction_K`` is the temperature of the
    terminals [K], needed for raw millivolts only.
    """
    source = channel.source
    if not isinstance(source, RegisterSource):
        raise TypeError(f"{channel.name} is not read from a register")
    if source.bit is None and channel.quantity is not Quantity.ALARM and is_break_code(bare, source):
        return RawReading(channel.name, math.nan, Quality.SENSOR_OPEN, raw, channel.quantity)
    return _judged(channel, bare * source.scale / 10.0**decimals, raw, cold_junction_K)


def from_text(channel: ChannelSettings, text: str | None, cold_junction_K: float = math.nan) -> RawReading:
    """The reading that a field of a text line, or a cell of a recorded file, stands for."""
    source = channel.source
    if not isinstance(source, FieldSource):
        raise TypeError(f"{channel.name} is not read from a text")
    written = "" if text is None else text.strip()
    if not written:
        return missing(channel, "" if text is None else repr(text))
    if written in source.break_texts:
        return RawReading(channel.name, math.nan, Quality.SENSOR_OPEN, written, channel.quantity)
    number = number_from_text(written, source.decimal_comma)
    if number is None:
        return RawReading(channel.name, math.nan, Quality.MISSING, written, channel.quantity)
    if not math.isfinite(number):
        return RawReading(channel.name, math.nan, Quality.SENSOR_OPEN, written, channel.quantity)
    return _judged(channel, number * source.scale, written, cold_junction_K)


def number_from_text(written: str, decimal_comma: bool) -> float | None:
    """A number as people and devices write it; None if it is none. "1_000" and hexadecimal are none."""
    text = written.replace("\u2212", "-")
    if decimal_comma:
        if "." in text:
            return None
        text = text.replace(",", ".")
    if "_" in text or "," in text:
        return None
    try:
        return float(text)
    except ValueError:
        return None


def says_zero(raw: str) -> bool:
    """Whether what was read is nothing but zeros: "0", "0 0", "0.00", "0 with 1 decimals"."""
    bare = raw.split(" with ")[0].replace(",", ".").lstrip("+-")
    return bool(bare) and set(bare) <= set("0. ")


def _judged(channel: ChannelSettings, number: float, raw: str, cold_junction_K: float) -> RawReading:
    if channel.quantity is Quantity.ALARM:
        return RawReading(channel.name, math.nan, Quality.GOOD, raw, channel.quantity, 1.0 if number else 0.0)
    if channel.quantity is Quantity.OUTPUT:
        fraction = number / 100.0 if channel.unit is ChannelUnit.PERCENT else number
        quality = Quality.GOOD if -1.0 <= fraction <= 1.0 + 1e-9 else Quality.OUT_OF_RANGE
        return RawReading(channel.name, math.nan, quality, raw, channel.quantity, fraction)
    try:
        temperature_K = _temperature_K(channel, number, cold_junction_K)
    except OutsideTable:
        return RawReading(channel.name, math.nan, Quality.OUT_OF_RANGE, raw, channel.quantity)
    if math.isnan(temperature_K):
        return missing(channel, f"{raw} (no temperature of the terminals)")
    inside = channel.low_K <= temperature_K <= channel.high_K
    return RawReading(
        channel.name,
        temperature_K,
        Quality.GOOD if inside else Quality.OUT_OF_RANGE,
        raw,
        channel.quantity,
    )


def _temperature_K(channel: ChannelSettings, number: float, cold_junction_K: float) -> float:
    match channel.unit:
        case ChannelUnit.CELSIUS:
            return kelvin_from_celsius(number)
        case ChannelUnit.FAHRENHEIT:
            return kelvin_from_fahrenheit(number)
        case ChannelUnit.KELVIN:
            return number
        case ChannelUnit.MILLIVOLT | ChannelUnit.MICROVOLT:
            if channel.thermocouple is None:
                raise TypeError(f"{channel.name} is in millivolts but has no thermocouple")
            if math.isnan(cold_junction_K):
                return math.nan
            emf_mV = number if channel.unit is ChannelUnit.MILLIVOLT else number / 1000.0
            return hot_junction_K(emf_mV, cold_junction_K, channel.thermocouple.type)
        case _:
            raise TypeError(f"{channel.name} is a temperature without a unit")
