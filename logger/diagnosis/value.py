"""Whether a value is a temperature and the right one, and whether it can be kept: failures 6 to 9 and 15. Pure."""

from dataclasses import replace
from math import isfinite, nan

from logger.controllers.channel_reading import says_zero
from logger.controllers.register_map import decode, printed_forms
from logger.controllers.settings import ChannelSettings, ChannelUnit, NumberFormat, RegisterSource, WordOrder
from logger.diagnosis.failures import (
    Certainty,
    ChannelEvidence,
    Diagnosis,
    Failure,
    Neighbour,
    Outcome,
    PlaceEvidence,
    Trial,
)
from logger.reading import Quality
from logger.units import DisplayUnits, kelvin_from_celsius, kelvin_from_fahrenheit

LEAST_TELLING = 10
"""A register with less than this in it is a switch or empty, hardly a temperature (our choice)."""

STANDING_STILL = 8
"""So many equal readings in a row make a register suspect beside a neighbour that moves (our choice)."""

LEAST_FREE_BYTES = 200e6
"""Less room than this for the record is told [bytes]: a day of one oven takes about 5e6 (our choice)."""

ODD_NUMBERS = (32767, -32768, 32766, 32752, 65535, 9999, 10000, 999, 9990, 29999, -1999, -9999, 31000)
"""Bare numbers that controllers show for an open sensor or a range left (common practice, no source)."""


def judge_channel(seen: ChannelEvidence, units: DisplayUnits | None = None) -> list[Diagnosis]:
    """Whether a channel's value is a temperature, and the right one, as far as a person said what it should be."""
    units = units or DisplayUnits()
    reading, name = seen.reading, seen.channel.name
    if reading.quality is Quality.MISSING:
        return []
    if reading.quality is Quality.SENSOR_OPEN:
        swapped = [way for way in other_ways(seen) if way.words.startswith("word_order")]
        return [_misread(seen, swapped[:1], units)] if swapped else [_open_sensor(name, reading.raw)]
    far = isfinite(seen.expected_K) and not abs(reading.temperature_K - seen.expected_K) <= seen.tolerance_K
    if says_zero(reading.raw) and (far or not isfinite(seen.expected_K)):
        return [
            Diagnosis(
                Failure.BREAK_CODE,
                name,
                "exactly zero: a dead amplifier or an empty register, hardly ever a temperature",
                f"the number read is {reading.raw}",
                (
                    "look at the controller's display: if it shows a temperature, this is another register "
                    "(soaktally find)",
                    "if it shows zero too, look at the thermocouple and its amplifier",
                ),
                Certainty.ONE_OF_SEVERAL,
            )
        ]
    odd = _odd_number(seen)
    if odd is not None and (far or reading.quality is Quality.OUT_OF_RANGE):
        return [
            Diagnosis(
                Failure.BREAK_CODE,
                name,
                f"{odd} looks like a code for an open sensor, not like a temperature",
                f"the number read is {reading.raw}",
                (
                    f"write break_codes = [{odd}] into the oven file, if the manual agrees",
                    "look at the thermocouple: connector, terminals, a broken wire",
                ),
                Certainty.LIKELY,
                change=(("break_codes", f"[{odd}]"),),
            )
        ]
    still = _stands_still(seen, units)
    if far:
        return [*_wrong_value(seen, units), *still]
    return still


def _open_sensor(name: str, raw: str) -> Diagnosis:
    return Diagnosis(
        Failure.BREAK_CODE,
        name,
        "the controller reports an open sensor",
        f"the number read is {raw}, a code and no temperature; it is kept as such",
        (
            "look at the thermocouple: connector, terminals, a broken wire; bend it gently while watching",
            "see that the input is set to this thermocouple, and the right terminals are used",
        ),
    )


def _odd_number(seen: ChannelEvidence) -> int | None:
    source = seen.channel.source
    if not isinstance(source, RegisterSource) or not seen.words or source.number is NumberFormat.FLOAT32:
        return None
    if source.bit is not None or len(seen.words) != source.number.register_count:
        return None
    bare = int(decode(seen.words, source.number, source.word_order))
    return bare if bare in ODD_NUMBERS else None


def other_ways(seen: ChannelEvidence) -> list[Trial]:
    """Other ways to read the same registers that give what is expected, the nearest to the oven file's first."""
    source, channel = seen.channel.source, seen.channel
    if not isinstance(source, RegisterSource) or source.bit is not None or not seen.words:
        return []
    if channel.unit not in (ChannelUnit.CELSIUS, ChannelUnit.FAHRENHEIT, ChannelUnit.KELVIN):
        return []
    if not isfinite(seen.expected_K):
        return []
    found: list[tuple[int, float, Trial]] = []
    for number in NumberFormat:
        words = _words_for(seen, number)
        if words is None:
            continue
        orders: tuple[WordOrder, ...] = ("high first", "low first") if number.register_count == 2 else ("high first",)
        for order in orders:
            bare = decode(words, number, order)
            for scale in (source.scale, *_SCALES):
                for unit in (ChannelUnit.CELSIUS, ChannelUnit.FAHRENHEIT, ChannelUnit.KELVIN):
                    value_K = _kelvin(bare * scale, unit)
                    if not isfinite(value_K) or abs(value_K - seen.expected_K) > seen.tolerance_K:
                        continue
                    change = _difference(channel, source, number, order, scale, unit)
                    if change and not any(each[2].change == change for each in found):
                        off_K = abs(value_K - seen.expected_K)
                        found.append((len(change), off_K, Trial(change, Outcome.ANSWERED, value_K)))
    return [trial for _, _, trial in sorted(found, key=lambda each: each[:2])]


_SCALES = (1.0, 0.1, 0.01, 0.001, 10.0)


def _words_for(seen: ChannelEvidence, number: NumberFormat) -> tuple[int, ...] | None:
    """The registers that a number of this format takes from the channel's address on, as far as they were read."""
    source = seen.channel.source
    assert isinstance(source, RegisterSource)
    if number.register_count <= len(seen.words):
        return seen.words[: number.register_count]
    after = [
        each.contents[-1]
        for each in seen.neighbours
        if each.contents
        and each.register.function_code == source.register.function_code
        and each.register.address == source.register.address + len(seen.words)
    ]
    return (*seen.words, after[0]) if after else None


def _kelvin(value: float, unit: ChannelUnit) -> float:
    if not isfinite(value):
        return nan
    if unit is ChannelUnit.CELSIUS:
        return kelvin_from_celsius(value)
    return kelvin_from_fahrenheit(value) if unit is ChannelUnit.FAHRENHEIT else value


def _difference(
    channel: ChannelSettings,
    source: RegisterSource,
    number: NumberFormat,
    order: WordOrder,
    scale: float,
    unit: ChannelUnit,
) -> tuple[tuple[str, str], ...]:
    change = []
    if number is not source.number:
        change.append(("number", f'"{number}"'))
    if number.register_count == 2 and order != source.word_order:
        change.append(("word_order", f'"{order}"'))
    if scale != source.scale:
        change.append(("scale", f"{scale:g}"))
    if unit is not channel.unit:
        change.append(("unit", f'"{unit}"'))
    return tuple(change)


def _wrong_value(seen: ChannelEvidence, units: DisplayUnits) -> list[Diagnosis]:
    ways = other_ways(seen)
    beside = _neighbour_that_fits(seen)
    if ways and beside is not None:
        either = replace(_misread(seen, ways, units), certainty=Certainty.ONE_OF_SEVERAL)
        return [replace(beside, certainty=Certainty.ONE_OF_SEVERAL), either]
    if ways:
        return [_misread(seen, ways, units)]
    if beside is not None:
        return [beside]
    shown, should = (_words(units, value_K) for value_K in (seen.reading.temperature_K, seen.expected_K))
    return [
        Diagnosis(
            Failure.MISREAD,
            seen.channel.name,
            f"{shown} is not the {'room' if seen.is_room else 'display'}'s {should}, and no other reading of it is",
            f"the number read is {seen.reading.raw}",
            (
                *(
                    ("if the oven is still warm, check again with --shows and what its display says",)
                    if seen.is_room
                    else ()
                ),
                "let soaktally find the register: soaktally find OVEN.toml",
                "if the display says the same, the thermocouple is of another type than the input is set for, or reads "
                "another place",
            ),
            Certainty.ONE_OF_SEVERAL,
        )
    ]


def _misread(seen: ChannelEvidence, ways: list[Trial], units: DisplayUnits) -> Diagnosis:
    best = ways[0]
    shown, should = (_words(units, value_K) for value_K in (seen.reading.temperature_K, seen.expected_K))
    others = [way.words for way in ways[1:3] if len(way.change) == len(best.change)]
    unsure = f"; so would {' or '.join(others)}" if others else ""
    return Diagnosis(
        Failure.MISREAD,
        seen.channel.name,
        f"the register is right, but it is to be read with {best.words}",
        f"{shown} (number read: {seen.reading.raw}) where "
        f"the {'room' if seen.is_room else 'display'} has {should}; with {best.words} it says "
        f"{_words(units, best.temperature_K)}{unsure}",
        (f"write {best.words} into the oven file", "check again when the oven is warm: then only one way still fits"),
        Certainty.ONE_OF_SEVERAL if others else Certainty.LIKELY,
        change=best.change,
    )


def _alone_K(seen: ChannelEvidence, beside: Neighbour) -> float:
    """The temperature [K] that a neighbour says when it is read as the channel is."""
    source = seen.channel.source
    assert isinstance(source, RegisterSource)
    return _kelvin(decode(beside.contents[-1:], source.number, "high first") * source.scale, seen.channel.unit)


def _neighbour_that_fits(seen: ChannelEvidence) -> Diagnosis | None:
    """A register near by that, read the same way, gives what is expected."""
    source = seen.channel.source
    if not isinstance(source, RegisterSource) or source.number.register_count != 1 or source.bit is not None:
        return None
    fitting = [
        each
        for each in seen.neighbours
        if each.contents
        and each.contents[-1] >= LEAST_TELLING
        and abs(_alone_K(seen, each) - seen.expected_K) <= seen.tolerance_K
    ]
    if not fitting:
        return None
    best = max(fitting, key=lambda each: len(set(each.contents)))
    change = (
        ("register", str(best.register.address)),
        ("function", str(best.register.function_code)),
        ("counted_from", "0"),
    )
    return Diagnosis(
        Failure.WRONG_REGISTER,
        seen.channel.name,
        "a register beside this one has what is expected",
        f"the number read is {seen.reading.raw}; {printed_forms(best.register)} says {best.contents[-1]}",
        (
            f"write {', '.join(f'{key} = {value}' for key, value in change)} into the oven file",
            "then warm the oven a little and see the reading follow the display",
        ),
        Certainty.LIKELY if len(fitting) == 1 else Certainty.ONE_OF_SEVERAL,
        change=change,
    )


def _stands_still(seen: ChannelEvidence, units: DisplayUnits) -> list[Diagnosis]:
    """A register that never moves beside one that reads the same way, is near it, and does."""
    source = seen.channel.source
    if not isinstance(source, RegisterSource) or source.number.register_count != 1:
        return []
    if len(seen.contents) < STANDING_STILL or len(set(seen.contents)) > 1:
        return []
    moving = [
        each
        for each in seen.neighbours
        if len(each.contents) >= STANDING_STILL
        and len(set(each.contents)) >= 3
        and max(each.contents) - min(each.contents) <= 0.2 * max(each.contents)
        and _is_oven_like(_alone_K(seen, each))
    ]
    if not moving:
        return []
    best = moving[0]
    return [
        Diagnosis(
            Failure.FROZEN,
            seen.channel.name,
            "this register stands still while one beside it moves: it may be the set point's",
            f"{len(seen.contents)} readings were all {seen.contents[-1]}; {printed_forms(best.register)} went from "
            f"{min(best.contents)} to {max(best.contents)}",
            (
                "compare with the display: does it move? does it show the set point here?",
                f"try register = {best.register.address}, function = {best.register.function_code}, counted_from = 0",
            ),
            Certainty.ONE_OF_SEVERAL,
        )
    ]


def _is_oven_like(temperature_K: float) -> bool:
    return 253.15 <= temperature_K <= 1673.15


def _words(units: DisplayUnits, temperature_K: float) -> str:
    if not isfinite(temperature_K):
        return "no temperature"
    return f"{units.temperature_from_kelvin(temperature_K):.1f} {units.temperature}"


# -- the record's place ------------------------------------------------------------------------------------------


def judge_place(seen: PlaceEvidence) -> list[Diagnosis]:
    """Whether the record can be kept where the oven file wants it, and whether this computer's clock is set."""
    found = []
    if not seen.writable:
        found.append(
            Diagnosis(
                Failure.GAPS_AND_CLOCKS,
                seen.record,
                "the record cannot be written there",
                seen.said,
                ("choose another place with record = in the oven file, or make this one yours to write",),
            )
        )
    elif isfinite(seen.free_bytes) and seen.free_bytes < LEAST_FREE_BYTES:
        found.append(
            Diagnosis(
                Failure.GAPS_AND_CLOCKS,
                seen.record,
                "the disk is nearly full",
                f"{seen.free_bytes / 1e6:.0f} MB left",
                ("make room before a run: a record that cannot be written is kept in memory for a while only",),
            )
        )
    if not seen.clock_is_set:
        found.append(
            Diagnosis(
                Failure.GAPS_AND_CLOCKS,
                "this computer",
                "the clock is not set",
                "it shows a date before this program was made",
                ("let it get the time from the network, or set it; runs are timed steadily all the same",),
                stands_in_the_way=False,
            )
        )
    return found
