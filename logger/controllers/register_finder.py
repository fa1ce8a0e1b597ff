"""Finds the register a display shows: reads what can be read, compares with what the person sees, explains its choice.

Only reads, gently paced by the controller's own settings, a few registers at a time; can be stopped at any moment.
"""

import math
import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from logger.controllers.link_faults import BadAnswer, NoAnswer, Refused
from logger.controllers.modbus import RegisterReader, blocks
from logger.controllers.register_map import decode, printed_forms
from logger.controllers.settings import (
    ChannelUnit,
    ControllerSettings,
    NumberFormat,
    RegisterAddress,
    RegisterSource,
    WordOrder,
)
from logger.units import (
    celsius_from_kelvin,
    fahrenheit_from_kelvin,
    kelvin_from_celsius,
    kelvin_from_fahrenheit,
)

Words = Mapping[RegisterAddress, int]
Progress = Callable[[int, int, int], None]
"""Called with: registers tried, registers to try, registers found."""

USUAL_WINDOWS = ((0, 300), (1000, 1080), (2000, 2080), (4096, 4176), (8192, 8272), (9000, 9080))
"""Where manuals put their first registers (common practice, no source): first address and the one after the last."""

AT_ONCE = 10
SILENT_ENOUGH = 6

HIGHEST_SHOWN_C = 1300.0
"""A register must be able to hold what an oven reaches; this rules out scales that fit only a cold one."""

SCALES = (1.0, 0.1, 0.01, 0.001)

RELATIVE_TOLERANCE = 0.004
LEAST_TOLERANCE_K = 2.5
"""How far register and display may differ, relative and at least [K]: the oven moves while the person reads and types
(our choice)."""


BEST_LOOK = 0.8
"""Weight of the best look against the worst in judging how well a register fits (our choice)."""

ROUGHNESS, LEAST_SAMPLES = 0.5, 8
"""Penalty for moving e times less smoothly than the smoothest candidate, and how many samples it takes (our choice)."""

STOOD_STILL = 1.0
"""Penalty of a number of two registers whose finer half stood still (our choice)."""


class Stopped(Exception):
    """The person stopped the search."""


@dataclass(frozen=True, slots=True)
class Shown:
    """What the display shows: the number, its unit, and how many decimals it has."""

    value: float
    unit: ChannelUnit
    decimals: int = 0

    @property
    def tolerance(self) -> float:
        """How far a register's value may be from it, in the display's unit."""
        least = LEAST_TOLERANCE_K * (1.8 if self.unit is ChannelUnit.FAHRENHEIT else 1.0)
        return max(least, 10.0**-self.decimals, RELATIVE_TOLERANCE * abs(self.value))


@dataclass(frozen=True, slots=True)
class Candidate:
    """A way to read a register that gives what the display showed every time.

    ``misses`` are the differences to what was shown, in display units; ``penalty`` ranks candidates, lowest first.
    """

    register: RegisterAddress
    number: NumberFormat
    word_order: WordOrder
    scale: float
    unit: ChannelUnit
    values: tuple[float, ...]
    misses: tuple[float, ...]
    penalty: float

    def why(self) -> str:
        """Why this may be the one, in one line."""
        said = " then ".join(f"{value:g} {self.unit}" for value in self.values)
        off = max(abs(miss) for miss in self.misses)
        exact = "exactly what was shown" if off < 1e-6 else f"within {off:.2g} of what was shown"
        return f"{printed_forms(self.register)}; as {self.number} x {self.scale:g} it said {said}, {exact}"

    def source(self) -> RegisterSource:
        """The same as settings of a channel."""
        return RegisterSource(self.register, self.number, self.word_order, self.scale)


def scan(
    registers: RegisterReader,
    controller: ControllerSettings,
    windows: Sequence[tuple[int, int]] = USUAL_WINDOWS,
    function_codes: Sequence[int] = (3, 4),
    progress: Progress = lambda tried, of, found: None,
    stop: threading.Event | None = None,
    found: dict[RegisterAddress, int] | None = None,
    tried: set[RegisterAddress] | None = None,
) -> dict[RegisterAddress, int]:
    """Every register in some windows of addresses that the controller gives, with its present content.

    A refused question is asked again register by register: one that is not there spoils the whole answer. A table whose
    function code the controller does not know is left at once. ``found`` and ``tried`` are filled as the search goes
    on, so that one that was stopped has lost nothing; handed in again, it goes on where it was.

    Raises   Stopped     `stop` was set
             NoAnswer    nothing at all answered
             LinkFault   the link failed
    """
    exact = replace(controller, exact_reads=True)
    found = {} if found is None else found
    tried = set() if tried is None else tried
    total = len(function_codes) * sum(last - first for first, last in windows)
    silent = 0
    for function_code in function_codes:
        waiting = [(at, min(AT_ONCE, last - at)) for first, last in windows for at in range(first, last, AT_ONCE)]
        waiting = [block for block in waiting if not _places(function_code, *block) <= tried]
        while waiting:
            if stop is not None and stop.is_set():
                raise Stopped
            address, count = waiting.pop(0)
            try:
                words = _ask(registers, exact, function_code, address, count)
            except Refused as refusal:
                silent = 0
                if refusal.code == 1:
                    for block in ((address, count), *waiting):
                        tried |= _places(function_code, *block)
                    break
                if count > 1:
                    waiting[:0] = [(address + at, 1) for at in range(count)]
                    continue
            except NoAnswer:
                silent += 1
                if silent >= SILENT_ENOUGH and not found:
                    raise
            else:
                silent = 0
                found.update((RegisterAddress(function_code, address + at), word) for at, word in enumerate(words))
            tried |= _places(function_code, address, count)
            progress(len(tried), total, len(found))
    return found


def _places(function_code: int, address: int, count: int) -> set[RegisterAddress]:
    return {RegisterAddress(function_code, address + at) for at in range(count)}


def reread(
    registers: RegisterReader, controller: ControllerSettings, addresses: Iterable[RegisterAddress]
) -> dict[RegisterAddress, int]:
    """The present content of registers that have answered before, in as few questions as that takes."""
    exact = replace(controller, exact_reads=True)
    found: dict[RegisterAddress, int] = {}
    for block in blocks([RegisterSource(address) for address in addresses]):
        for at in range(0, block.count, AT_ONCE):
            count = min(AT_ONCE, block.count - at)
            try:
                words = _ask(registers, exact, block.function_code, block.address + at, count)
            except Refused:
                continue
            for offset, word in enumerate(words):
                found[RegisterAddress(block.function_code, block.address + at + offset)] = word
    return found


def _ask(
    registers: RegisterReader, controller: ControllerSettings, function_code: int, address: int, count: int
) -> list[int]:
    """One question, once more if its answer was garbled."""
    for _ in range(controller.tries):
        try:
            return registers.read(controller, function_code, address, count)
        except BadAnswer as fault:
            last = fault
    raise last


def candidates(seen: Sequence[tuple[Words, Shown]], samples: Sequence[Words] = ()) -> list[Candidate]:
    """Every way to read a register that gives what was shown, each time; the most likely first.

    Parameters
    ----------
    seen : registers and what the display showed at that moment, once or, better, again after it has changed
    samples : registers alone, a second or so apart while the oven moves: a number put together from the halves of two
        moves in jumps, a temperature does not. Left aside while the display has not moved: then the smoothest is
        what stands still

    Returns    list; empty when nothing fits
    """
    words, _ = seen[0]
    found = []
    for register in words:
        for number in NumberFormat:
            orders: tuple[WordOrder, ...] = (
                ("high first", "low first") if number.register_count == 2 else ("high first",)
            )
            for order in orders:
                for scale in SCALES if number is not NumberFormat.FLOAT32 else (1.0,):
                    for unit in (ChannelUnit.CELSIUS, ChannelUnit.FAHRENHEIT):
                        candidate = _candidate(register, number, order, scale, unit, seen)
                        if candidate is not None:
                            found.append(candidate)
    if has_moved([shown for _, shown in seen]):
        found = _with_roughness(found, samples)
    return sorted(found, key=lambda each: (each.penalty, each.register.function_code, each.register.address))


def has_moved(shown: Sequence[Shown]) -> bool:
    """Whether the display has changed by more than it may differ from its register anyway."""
    return any(
        abs(_in_unit(each.value, each.unit, shown[0].unit) - shown[0].value) > shown[0].tolerance for each in shown
    )


def _candidate(
    register: RegisterAddress,
    number: NumberFormat,
    order: WordOrder,
    scale: float,
    unit: ChannelUnit,
    seen: Sequence[tuple[Words, Shown]],
) -> Candidate | None:
    if not _holds_an_oven(number, scale, unit):
        return None
    values, misses, low_words = [], [], []
    for words, shown in seen:
        places = [RegisterAddress(register.function_code, register.address + at) for at in range(number.register_count)]
        if any(place not in words for place in places):
            return None
        value = decode([words[place] for place in places], number, order) * scale
        if not math.isfinite(value):
            return None
        miss = _in_unit(value, unit, shown.unit) - shown.value
        if abs(miss) > shown.tolerance:
            return None
        values.append(value)
        low_words.append(words[places[0 if order == "low first" else -1]])
        misses.append(miss)
    penalty = _penalty(number, unit, misses, seen)
    if number.register_count == 2 and _stood_still(low_words, seen):
        penalty += STOOD_STILL
    return Candidate(register, number, order, scale, unit, tuple(values), tuple(misses), penalty)


def _with_roughness(found: list[Candidate], samples: Sequence[Words]) -> list[Candidate]:
    """The same candidates, those that move less smoothly than the smoothest one set back."""
    if len(samples) < LEAST_SAMPLES or len(found) < 2:
        return found
    rough_K = [roughness_K(each, samples) for each in found]
    smoothest_K = min(each for each in rough_K)
    return [
        replace(
            each, penalty=each.penalty + min(STOOD_STILL, ROUGHNESS * math.log((own + 0.02) / (smoothest_K + 0.02)))
        )
        if math.isfinite(own)
        else each
        for each, own in zip(found, rough_K, strict=True)
    ]


def roughness_K(candidate: Candidate, samples: Sequence[Words]) -> float:
    """Root mean square of a candidate's second differences over samples at equal intervals [K]; inf where not read."""
    places = [
        RegisterAddress(candidate.register.function_code, candidate.register.address + at)
        for at in range(candidate.number.register_count)
    ]
    if any(place not in words for words in samples for place in places):
        return math.inf
    kelvin = 1.0 / 1.8 if candidate.unit is ChannelUnit.FAHRENHEIT else 1.0
    values = [
        decode([words[place] for place in places], candidate.number, candidate.word_order) * candidate.scale * kelvin
        for words in samples
    ]
    bends = [before - 2.0 * here + after for before, here, after in zip(values, values[1:], values[2:], strict=False)]
    return math.sqrt(sum(bend * bend for bend in bends) / len(bends))


def _stood_still(low_words: Sequence[int], seen: Sequence[tuple[Words, Shown]]) -> bool:
    """Whether the finer half of a number never changed while the display did: it is some other register then.

    A half of zeros may be the fraction of a display without decimals.
    """
    return set(low_words) != {0} and len(set(low_words)) == 1 and len({shown.value for _, shown in seen}) > 1


def _penalty(
    number: NumberFormat, unit: ChannelUnit, misses: list[float], seen: Sequence[tuple[Words, Shown]]
) -> float:
    """How unlikely a reading is: misses in tolerances, then the rarer number formats, then a unit of its own.

    The best miss counts most: one of the looks may have been at a steady oven, while in the others it moved between
    reading the display and asking the registers.
    """
    offs = [abs(miss) / shown.tolerance for miss, (_, shown) in zip(misses, seen, strict=True)]
    off = BEST_LOOK * min(offs) + (1.0 - BEST_LOOK) * max(offs)
    rarity = {
        NumberFormat.INT16: 0.0,
        NumberFormat.UINT16: 0.01,
        NumberFormat.FLOAT32: 0.02,
        NumberFormat.INT32: 0.03,
        NumberFormat.UINT32: 0.04,
    }[number]
    return off + rarity + (0.5 if unit is not seen[0][1].unit else 0.0)


def _holds_an_oven(number: NumberFormat, scale: float, unit: ChannelUnit) -> bool:
    highest = HIGHEST_SHOWN_C if unit is ChannelUnit.CELSIUS else HIGHEST_SHOWN_C * 1.8 + 32.0
    largest = {
        NumberFormat.INT16: 2.0**15,
        NumberFormat.UINT16: 2.0**16,
        NumberFormat.INT32: 2.0**31,
        NumberFormat.UINT32: 2.0**32,
        NumberFormat.FLOAT32: math.inf,
    }[number]
    return largest * scale > highest


def _in_unit(value: float, unit: ChannelUnit, wanted: ChannelUnit) -> float:
    if unit is wanted:
        return value
    temperature_K = kelvin_from_celsius(value) if unit is ChannelUnit.CELSIUS else kelvin_from_fahrenheit(value)
    return (
        celsius_from_kelvin(temperature_K) if wanted is ChannelUnit.CELSIUS else fahrenheit_from_kelvin(temperature_K)
    )


def is_settled(found: Sequence[Candidate]) -> bool:
    """Whether all candidates read one and the same place, or places that said the same, so that any will do.

    Whole numbers of two registers whose upper half was still 0 may differ in where that half is: not settled.
    """
    near = [each for each in found if each.penalty - found[0].penalty < 0.5]
    readings = {(each.values, _upper_half(each)) for each in near}
    return bool(near) and len({values for values, _ in readings}) == 1 and len(readings) == 1


def _upper_half(candidate: Candidate) -> int | None:
    if candidate.number not in (NumberFormat.INT32, NumberFormat.UINT32):
        return None
    return candidate.register.address + (0 if candidate.word_order == "high first" else 1)
