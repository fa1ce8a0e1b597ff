"""A program gives the set point that its segments say, whoever asks and how often."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim.errors import BadInput
from sim.program import Off, Program, ProgramState, Ramp, Soak, advance, begin, program_from_table, time_left_s

HOLD = Program((Ramp(1000.0, 0.5), Soak(600.0), Ramp(800.0), Soak(100.0), Off()), wait_band_K=0.0)


def after(program: Program, duration_s: float, step_s: float, oven_K: float = 300.0) -> ProgramState:
    state = begin(program, 300.0)
    for _ in range(round(duration_s / step_s)):
        state = advance(program, state, oven_K, step_s)
    return state


@pytest.mark.parametrize(
    ("time_s", "set_point_K", "segment", "running"),
    [
        (0.0, 300.0, 0, True),
        (1000.0, 800.0, 0, True),
        (1400.0, 1000.0, 1, True),
        (1999.0, 1000.0, 1, True),
        (2000.0, 800.0, 3, True),
        (2100.0, 800.0, 4, False),
        (9000.0, 800.0, 4, False),
    ],
)
def test_the_set_point_follows_the_segments(time_s: float, set_point_K: float, segment: int, running: bool) -> None:
    state = after(HOLD, time_s, 1.0)
    assert (state.set_point_K, state.segment, state.running) == (pytest.approx(set_point_K), segment, running)


@given(st.lists(st.floats(0.01, 700.0), min_size=1, max_size=30))
@settings(deadline=None)
def test_asking_more_often_changes_nothing(steps_s: list[float]) -> None:
    often = begin(HOLD, 300.0)
    for step_s in steps_s:
        often = advance(HOLD, often, 300.0, step_s)
    once = advance(HOLD, begin(HOLD, 300.0), 300.0, sum(steps_s))
    assert often.set_point_K == pytest.approx(once.set_point_K, abs=1e-6)
    assert abs(often.segment - once.segment) <= 1  # rounding may leave one on the edge of two segments


def test_a_ramp_waits_for_an_oven_that_lags_and_goes_on_when_it_comes() -> None:
    program = Program((Ramp(1000.0, 1.0), Soak(60.0), Off()), wait_band_K=20.0)
    state = begin(program, 300.0)
    for _ in range(100):
        state = advance(program, state, 300.0, 1.0)
    assert state.set_point_K == pytest.approx(321.0)
    assert state.waiting
    state = advance(program, state, 315.0, 1.0)
    assert state.set_point_K == pytest.approx(322.0)
    assert not state.waiting


def test_the_time_left_of_a_segment() -> None:
    assert time_left_s(HOLD, after(HOLD, 400.0, 1.0)) == pytest.approx(1000.0)
    assert time_left_s(HOLD, after(HOLD, 1500.0, 1.0)) == pytest.approx(500.0)
    assert time_left_s(HOLD, after(HOLD, 5000.0, 1.0)) == 0.0


def test_a_program_is_read_from_its_table() -> None:
    table = {
        "wait_band_C": 10,
        "segment": [
            {"kind": "ramp", "to_C": 925, "rate_C_per_h": 360},
            {"kind": "soak", "hours": 3},
            {"kind": "off"},
        ],
    }
    assert program_from_table(table) == Program((Ramp(1198.15, 0.1), Soak(10800.0), Off()), 10.0)


@pytest.mark.parametrize(
    ("entry", "message"),
    [
        ({"kind": "glide"}, 'heat.toml: segment 1: kind: found \'glide\', expected "ramp", "soak" or "off"'),
        ({"kind": "soak"}, "heat.toml: segment 1: hours: found nothing, expected a number"),
        ({"kind": "ramp", "to_C": "hot"}, "heat.toml: segment 1: to_C: found 'hot', expected a number"),
        (
            {"kind": "ramp", "to_C": 900, "speed": 3},
            "heat.toml: segment 1: speed: found an unknown key, expected rate_C_per_h, to_C",
        ),
        ({"kind": "ramp", "to_C": 2000}, "program: segment 1: to_C: found 2000, expected -273 to 1400 C"),
        (
            {"kind": "ramp", "to_C": 900, "rate_C_per_h": -5},
            "program: segment 1: rate_C_per_h: found -5, expected more than 0",
        ),
        ({"kind": "soak", "hours": -1}, "program: segment 1: hours: found -1, expected 0 or more"),
    ],
)
def test_a_segment_that_cannot_be_used_is_named(entry: dict[str, object], message: str) -> None:
    with pytest.raises(BadInput) as refusal:
        program_from_table({"segment": [entry]}, "heat.toml")
    assert str(refusal.value) == message


def test_a_program_without_segments_is_refused() -> None:
    with pytest.raises(BadInput, match="one or more"):
        program_from_table({})
