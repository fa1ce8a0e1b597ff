"""Run time follows the steady clock; the wall clock is only believed where nothing better is known."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.run_time import Moment, Timeline, clock_jump_s, resume

NIGHT = Moment(utc_s=1_795_600_000.0, monotonic_s=5000.0, boot="one")


def later(utc_s: float, monotonic_s: float, boot: str = "one") -> Moment:
    return Moment(NIGHT.utc_s + utc_s, NIGHT.monotonic_s + monotonic_s, boot)


@pytest.mark.parametrize("step_s", [3600.0, -3600.0, 2.5, -1_795_000_000.0])
def test_a_stepped_wall_clock_is_a_jump_of_that_size(step_s: float) -> None:
    assert clock_jump_s(NIGHT, later(10.0 + step_s, 10.0)) == pytest.approx(step_s, abs=1e-6)


@pytest.mark.parametrize(("utc_s", "monotonic_s"), [(10.0, 10.0), (11.5, 10.0), (8.5, 10.0), (86443.0, 86400.0)])
def test_polling_late_or_a_slewed_clock_is_not_a_jump(utc_s: float, monotonic_s: float) -> None:
    assert clock_jump_s(NIGHT, later(utc_s, monotonic_s)) == 0.0


def test_moments_of_different_boots_cannot_be_compared() -> None:
    assert clock_jump_s(NIGHT, later(10.0, -4990.0, boot="two")) == 0.0


def test_a_restart_on_the_same_boot_is_measured_by_the_steady_clock_even_if_the_wall_clock_jumped() -> None:
    back = resume(7200.0, NIGHT, later(-3000.0, 90.0))
    assert (back.gap_s, back.gap_low_s, back.gap_high_s) == (90.0, 90.0, 90.0)
    assert back.timeline.at(5090.0) == 7290.0
    assert back.certain


def test_a_reboot_is_measured_by_the_wall_clock_and_is_not_certain() -> None:
    back = resume(7200.0, NIGHT, later(600.0, -4990.0, boot="two"))
    assert back.gap_s == 600.0
    assert back.timeline.at(10.0) == 7800.0
    assert not back.certain


def test_a_reboot_without_a_clock_of_its_own_leaves_the_gap_unknown_but_never_goes_back() -> None:
    back = resume(7200.0, NIGHT, Moment(0.0, 10.0, "two"))
    assert back.gap_s == 0.0
    assert back.timeline.at(11.0) == 7201.0
    assert "not known" in back.why


@given(st.floats(-1e9, 1e9), st.floats(0.0, 1e7), st.sampled_from(["one", "two"]))
def test_run_time_never_goes_back_over_a_restart(utc_s: float, monotonic_s: float, boot: str) -> None:
    now = Moment(NIGHT.utc_s + utc_s, monotonic_s, boot)
    assert resume(7200.0, NIGHT, now).timeline.at(now.monotonic_s) >= 7200.0


def test_run_time_is_one_second_per_second() -> None:
    assert Timeline(100.0, 7.0).at(17.5) == 110.5
