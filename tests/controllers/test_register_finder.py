"""The finder names the right register, scale and unit on register maps it has never seen."""

import threading

import numpy as np
import pytest

from logger.controllers.line import SerialLine
from logger.controllers.link_faults import NoAnswer, Refused
from logger.controllers.modbus_serial import SerialRegisters
from logger.controllers.register_finder import (
    Candidate,
    Shown,
    Stopped,
    candidates,
    has_moved,
    is_settled,
    reread,
    scan,
)
from logger.controllers.register_map import decode
from logger.controllers.settings import ChannelUnit, ControllerSettings, PortSettings, RegisterAddress
from sim.bus import Bus, Station
from sim.controller import Tuning
from sim.heat import Heat
from sim.registers import Display, RandomMap, Register, encode, random_map
from sim.scenario import scenario

FLOAT = Register(10, "process value", "float32")
OVEN = ControllerSettings("oven", (), answer_deadline_s=0.3, slowest_answer_s=0.3, gap_s=0.0)


class TableReader:
    """A controller without a wire: gives the registers of a simulated table, refuses any question that leaves them."""

    def __init__(self, drawn: RandomMap, heat: Heat) -> None:
        self.drawn, self.heat, self.questions = drawn, heat, 0
        self.words: dict[tuple[int, float], dict[int, int]] = {}

    def ready(self, controller: ControllerSettings) -> bool:
        return True

    def read(self, controller: ControllerSettings, function_code: int, address: int, count: int) -> list[int]:
        self.questions += 1
        now = (function_code, self.heat.time_s)
        if now not in self.words:
            self.words[now] = self.drawn.table.words(function_code, self.heat.display())
        words = self.words[now]
        if not words:
            raise Refused("no such function", 1)
        if not all(at in words for at in range(address, address + count)):
            raise Refused("no such register", 2)
        return [words[at] for at in range(address, address + count)]


def heat_for(drawn: RandomMap, seed: int) -> Heat:
    built_in = scenario("plane-iron")
    tuning = Tuning(unit=drawn.unit, decimal_places=drawn.decimal_places)
    return Heat(built_in.program, canister=built_in.canister, tuning=tuning, seed=seed)


def what_is_shown(heat: Heat, drawn: RandomMap) -> Shown:
    return Shown(heat.display().process_value, ChannelUnit(drawn.unit), drawn.decimal_places)


def reads_like(candidate: Candidate, drawn: RandomMap, value: float) -> float:
    """What the candidate makes of the registers when the display shows this value."""
    display = Display(value, 0.0, decimal_places=drawn.decimal_places, unit=drawn.unit)
    words: dict[int, int] = {}
    for register in drawn.table.registers:
        if candidate.register.function_code in register.functions:
            words |= {register.address + at: word for at, word in enumerate(encode(register, display))}
    places = range(candidate.register.address, candidate.register.address + candidate.number.register_count)
    return decode([words[place] for place in places], candidate.number, candidate.word_order) * candidate.scale


@pytest.mark.parametrize("seed", range(50))
def test_the_register_scale_and_unit_are_right_after_two_looks_at_the_display(seed):
    drawn = random_map(np.random.default_rng([seed, 2026]))
    heat = heat_for(drawn, seed)
    reader = TableReader(drawn, heat)
    found = scan(reader, OVEN)
    first = (reread(reader, OVEN, found), what_is_shown(heat, drawn))
    heat.advance_to(600.0)
    shown = what_is_shown(heat, drawn)
    heat.advance_to(603.0)  # the oven goes on heating while the person types
    second = (reread(reader, OVEN, found), shown)
    samples = []
    for at in range(20):  # no more looks at the display, only at the registers
        heat.advance_to(604.0 + at)
        samples.append(reread(reader, OVEN, found))
    best = candidates([first, second], samples)[0]
    assert best.unit == drawn.unit
    # right is what reads as the display shows over all an oven does, also where two registers hold the same number
    for value in (0.0, 21.0, 99.0, 250.0, 700.0, 925.0, 1290.0):
        smallest_step = 10.0**-drawn.decimal_places
        assert reads_like(best, drawn, value) == pytest.approx(value, abs=0.51 * smallest_step)


def test_the_finder_works_over_a_real_line_and_only_reads():
    drawn = random_map(np.random.default_rng([7, 2026]))
    heat = heat_for(drawn, 7)
    with Bus([Station(1, heat, drawn.table)], speed=0.0, reply_delay_s=0.0) as bus:
        line = SerialLine(PortSettings(bus.port, baud=115200))
        line.open()
        registers = SerialRegisters(line)
        window = (drawn.process_value.address // 10 * 10, drawn.process_value.address // 10 * 10 + 20)
        found = scan(registers, OVEN, windows=(window,))
        first = (reread(registers, OVEN, found), what_is_shown(heat, drawn))
        bus.advance_to(600.0)
        second = (reread(registers, OVEN, found), what_is_shown(heat, drawn))
        best = candidates([first, second])[0]
        line.close()
        assert reads_like(best, drawn, 925.0) == pytest.approx(925.0, abs=0.51)
        assert bus.tap.function_codes() <= {3, 4}
        assert bus.tap.unreadable() == []


FAHRENHEIT = ChannelUnit.FAHRENHEIT

WORDS = {RegisterAddress(3, at): word for at, word in enumerate([0, 251, 300, 0x41C8, 0xCCCD, 77])}


def test_halves_of_two_numbers_are_told_from_a_temperature_by_how_they_move():
    def words(value: float) -> dict[RegisterAddress, int]:
        high, low = encode(FLOAT, Display(value, 0.0))
        return {RegisterAddress(3, 9): 0x1234, RegisterAddress(3, 10): high, RegisterAddress(3, 11): low}

    looks = [(words(20.4), Shown(20.4, ChannelUnit.CELSIUS, 1)), (words(180.9), Shown(180.4, ChannelUnit.CELSIUS, 1))]
    samples = [words(181.0 + 0.37 * at) for at in range(20)]
    best, *others = candidates(looks, samples)
    assert (best.register.address, best.word_order) == (10, "high first")
    assert all(other.penalty > best.penalty + 0.5 for other in others)


def test_what_stands_still_is_not_preferred_while_the_display_stands_still():
    def words(tenths: int) -> dict[RegisterAddress, int]:
        """A temperature that flickers by a tenth, and beside it a number of two registers that never moves."""
        content = (tenths, 0, 0, 1, 41)
        return {RegisterAddress(3, at): word for at, word in enumerate(content)}

    looks = [(words(678), Shown(68.0, FAHRENHEIT)), (words(678), Shown(69.0, FAHRENHEIT))]
    best = candidates(looks, [words(678 + at % 2) for at in range(20)])[0]
    assert best.register.address == 0
    assert not has_moved([Shown(68.0, FAHRENHEIT), Shown(20.5, ChannelUnit.CELSIUS)])
    assert has_moved([Shown(68.0, FAHRENHEIT), Shown(75.0, FAHRENHEIT)])


def test_an_upper_half_that_was_still_empty_is_not_settled():
    words = [{RegisterAddress(3, at): word for at, word in enumerate((0, raw, 0))} for raw in (2040, 18090)]
    looks = [(words[0], Shown(20.4, ChannelUnit.CELSIUS, 1)), (words[1], Shown(180.9, ChannelUnit.CELSIUS, 1))]
    found = [each for each in candidates(looks) if each.number.register_count == 2]
    assert {each.register.address for each in found} == {0, 1}
    assert not is_settled(found)


def test_every_way_that_fits_is_offered_and_the_plainest_first():
    found = candidates([(WORDS, Shown(25.1, ChannelUnit.CELSIUS, 1))])
    assert (found[0].register.address, found[0].number, found[0].scale) == (1, "int16", 0.1)
    assert (3, "float32", 1.0) in [(each.register.address, each.number, each.scale) for each in found]
    in_fahrenheit = [each for each in found if each.unit is ChannelUnit.FAHRENHEIT]
    assert {each.register.address for each in in_fahrenheit} == {5}  # 77 F is 25.0 C


def test_a_look_after_the_change_rules_out_what_stood_still():
    later = {**WORDS, RegisterAddress(3, 1): 1803}
    both = candidates([(WORDS, Shown(25.1, ChannelUnit.CELSIUS, 1)), (later, Shown(180.3, ChannelUnit.CELSIUS, 1))])
    assert {each.register.address for each in both} <= {0, 1}
    assert both[0].register.address == 1


def test_a_display_that_no_register_follows_finds_nothing():
    assert candidates([(WORDS, Shown(925.0, ChannelUnit.CELSIUS))]) == []


def test_the_choice_is_explained():
    best = candidates([(WORDS, Shown(25.1, ChannelUnit.CELSIUS, 1))])[0]
    assert best.why() == (
        "1 counted from 0, 2 counted from 1, 40002 with its table (function code 3); as int16 x 0.1 it said 25.1 C, "
        "exactly what was shown"
    )


def test_a_search_can_be_stopped_and_tells_how_far_it_is():
    drawn = random_map(np.random.default_rng([1, 2026]))
    stop, told = threading.Event(), []

    def progress(tried: int, of: int, found: int) -> None:
        told.append((tried, of))
        if len(told) == 5:
            stop.set()

    with pytest.raises(Stopped):
        scan(TableReader(drawn, heat_for(drawn, 1)), OVEN, progress=progress, stop=stop)
    assert len(told) == 5
    assert all(0 < tried <= of for tried, of in told)


def test_nobody_there_is_told_before_every_register_was_tried():
    class Silent(TableReader):
        def read(self, *_: object) -> list[int]:
            self.questions += 1
            raise NoAnswer("nobody")

    reader = Silent(random_map(np.random.default_rng(0)), None)
    with pytest.raises(NoAnswer):
        scan(reader, OVEN)
    assert reader.questions < 10
