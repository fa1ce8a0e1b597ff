"""Devices that talk in lines of text: whole lines only, fresh ones only, and only what fits the pattern."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.clock import RealClock
from logger.controllers.line_buffer import LineBuffer
from logger.controllers.link import connect_port
from logger.controllers.link_faults import BadAnswer, NoAnswer
from logger.controllers.settings import (
    ChannelSettings,
    ChannelUnit,
    ControllerSettings,
    FieldSource,
    Framing,
    PortSettings,
    Quantity,
    TextSettings,
    ThermocoupleInput,
)
from logger.errors import InputFault
from logger.reading import Quality
from sim.bus import Bus, Station
from sim.faults import plan_from_text
from sim.heat import Heat
from sim.line_device import LineStyle
from sim.scenario import scenario
from tests.controllers.scripted_bus import ScriptedBus

SIM_PATTERN = r"PV=(?P<air>\S+) SP=(?P<set>\S+) OUT=(?P<out>\S+) (?P<unit>[CF])"


def channel(field: str, quantity: Quantity = Quantity.TEMPERATURE, unit: str = "C", comma: bool = False):
    source = FieldSource(field, decimal_comma=comma, break_texts=("-----",))
    return ChannelSettings(field, source, quantity, ChannelUnit(unit))


def device(text: TextSettings, *channels: ChannelSettings, deadline_s: float = 2.0) -> ControllerSettings:
    return ControllerSettings(
        "board", channels or (channel("air"),), text=text, answer_deadline_s=deadline_s, slowest_answer_s=0.0
    )


def opened(port: str, settings: ControllerSettings):
    connected = connect_port(PortSettings(port, Framing.TEXT, controllers=(settings,)), RealClock())
    connected.link.open()
    return connected


def sim_bus(style: LineStyle, faults: str = "") -> Bus:
    built_in = scenario("plane-iron")
    made = Heat(built_in.program, canister=built_in.canister, seed=1)
    return Bus([Station(1, made)], wire="text", speed=0.0, faults=plan_from_text(faults), reply_delay_s=0, style=style)


@pytest.mark.parametrize("comma", [False, True])
def test_a_device_answers_its_question_with_all_its_fields(comma):
    with sim_bus(LineStyle(comma=comma)) as bus:
        bus.advance_to(1800.0)
        shown = bus.heat.display()
        board = device(
            TextSettings(SIM_PATTERN, "TEMP?"),
            channel("air", comma=comma),
            channel("set", Quantity.SET_POINT, comma=comma),
            channel("out", Quantity.OUTPUT, "%", comma=comma),
        )
        connected = opened(bus.port, board)
        air, set_point, output = connected.controllers[0].read()
        connected.link.close()
    assert air.temperature_K == pytest.approx(shown.process_value + 273.15)
    assert set_point.temperature_K == pytest.approx(shown.set_point + 273.15)
    assert output.value == pytest.approx(shown.output_percent / 100, abs=6e-4)


def test_a_talking_device_is_only_listened_to():
    style = LineStyle(query="", answer="T1={pv}", every_s=0.05)
    with sim_bus(style) as bus:
        bus.advance_to(1800.0)
        connected = opened(bus.port, device(TextSettings(r"T1=(?P<air>\S+)")))
        (air,) = connected.controllers[0].read()
        connected.link.close()
        assert bus.tap.requests == []
        assert air.temperature_K == pytest.approx(bus.heat.display().process_value + 273.15)


def test_the_unit_that_stands_in_the_line_counts():
    with ScriptedBus(lambda _: [b"77.0 F\n"], None, b"\n") as bus:
        board = device(TextSettings(r"(?P<air>\S+) (?P<unit>[CF])", "T?", "\n"))
        connected = opened(bus.name, board)
        (air,) = connected.controllers[0].read()
        connected.link.close()
    assert air.temperature_K == pytest.approx(25.0 + 273.15)


def test_a_line_in_millivolts_needs_only_its_terminals():
    with ScriptedBus(lambda _: [b"38.313 25.0\n"], None, b"\n") as bus:
        couple = ChannelSettings(
            "canister", FieldSource("mv"), unit=ChannelUnit.MILLIVOLT, thermocouple=ThermocoupleInput("K", "cj")
        )
        board = device(
            TextSettings(r"(?P<mv>\S+) (?P<cj>\S+)", "T?", "\n"), couple, channel("cj", Quantity.COLD_JUNCTION)
        )
        connected = opened(bus.name, board)
        canister, _ = connected.controllers[0].read()
        connected.link.close()
    assert canister.temperature_K == pytest.approx(950.0 + 273.15, abs=0.02)  # NIST Monograph 175


def test_a_line_in_two_pieces_is_one_line():
    def in_pieces(_):
        return [b"T2=85", (0.05, b"1.0\r\n")]

    with ScriptedBus(in_pieces, None, b"\n") as bus:
        connected = opened(bus.name, device(TextSettings(r"T2=(?P<air>\S+)", "T?", "\n")))
        (air,) = connected.controllers[0].read()
        connected.link.close()
    assert air.raw == "851.0"


@pytest.mark.parametrize(
    ("answer", "expected", "message"),
    [
        ([], NoAnswer, "no whole line in 0.2 s"),
        ([b"T2=851.0"], NoAnswer, "no whole line"),
        ([b"ERROR 5\n"], BadAnswer, "does not fit the pattern"),
        ([b"T2=851.0 extra\n"], BadAnswer, "does not fit the pattern"),
    ],
)
def test_what_is_no_whole_fitting_line_is_no_reading(answer, expected, message):
    with ScriptedBus(lambda _: answer, None, b"\n") as bus:
        connected = opened(bus.name, device(TextSettings(r"T2=(?P<air>[\d.]+)", "T?", "\n"), deadline_s=0.2))
        with pytest.raises(expected, match=message):
            connected.controllers[0].read()
        connected.link.close()


def test_a_line_heard_before_the_question_is_not_its_answer():
    answers = iter([b"T2=900.0\n", b"T2=900.0\n"])
    with ScriptedBus(lambda _: [next(answers)], None, b"\n") as bus:
        connected = opened(bus.name, device(TextSettings(r"T2=(?P<air>\S+)", "T?", "\n")))
        bus.say(b"T2=20.0\nT2=20.0\n")
        line = connected.controllers[0]._line
        while line.waiting() < 16:
            pass
        (air,) = connected.controllers[0].read()
        connected.link.close()
    assert air.raw == "900.0"


def test_one_wrong_digit_on_the_way_is_not_believed():
    answers = iter([b"T2=925.4\n", b"T2=125.4\n", b"T2=925.4\n", b"T2=925.5\n"])
    with ScriptedBus(lambda _: [next(answers)], None, b"\n") as bus:
        connected = opened(bus.name, device(TextSettings(r"T2=(?P<air>\S+)", "T?", "\n")))
        (air,) = connected.controllers[0].read()
        connected.link.close()
    assert air.raw == "925.5"


def test_an_open_sensor_is_an_open_sensor_in_text_too():
    with sim_bus(LineStyle()) as bus:
        pass
    built_in = scenario("plane-iron")
    broken = Heat(built_in.program, canister=built_in.canister, faults=plan_from_text("sensor-break@100-"))
    with Bus([Station(1, broken)], wire="text", speed=0.0, reply_delay_s=0) as bus:
        bus.advance_to(200.0)
        connected = opened(bus.port, device(TextSettings(SIM_PATTERN, "TEMP?")))
        (air,) = connected.controllers[0].read()
        connected.link.close()
    assert (air.quality, air.raw) == (Quality.SENSOR_OPEN, "-----")


@pytest.mark.parametrize(
    ("text", "channels", "message"),
    [
        (TextSettings(r"T=(?P<air>"), (), "expected a regular expression"),
        (TextSettings(r"T=(?P<other>\S+)"), (), "found 'air', expected one of: other"),
        (TextSettings(r"T=(?P<air>\S+)", "T=900"), (), "this looks like a command"),
    ],
)
def test_a_pattern_or_question_that_cannot_work_is_refused_before_anything_is_opened(text, channels, message):
    with pytest.raises(InputFault, match=message):
        connect_port(PortSettings("nowhere", Framing.TEXT, controllers=(device(text, *channels),)), RealClock())


@given(st.lists(st.integers(1, 12), min_size=1), st.integers(0, 30))
def test_however_a_stream_is_cut_the_lines_are_the_same(cuts, first_cut):
    stream = b"T=1.0\r\nT=22.5\r\n\r\nT=333.25\r\nT=4"
    buffer, lines, at = LineBuffer(b"\n"), [], 0
    for cut in [first_cut, *cuts, len(stream)]:
        lines += buffer.feed(stream[at : at + cut])
        at += cut
    assert lines == [b"T=1.0", b"T=22.5", b"T=333.25"]


def test_the_first_line_after_lost_bytes_is_dropped():
    buffer = LineBuffer(b"\n")
    buffer.feed(b"T=85")
    buffer.lose_sync()
    assert buffer.feed(b"1.0\nT=852.0\n") == [b"T=852.0"]


def test_a_stream_without_line_endings_does_not_fill_the_memory():
    buffer = LineBuffer(b"\n", longest=100)
    assert buffer.feed(b"x" * 500) == []
    assert buffer.feed(b"yy\nT=1\n") == [b"T=1"]
