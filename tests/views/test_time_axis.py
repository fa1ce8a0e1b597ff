"""Ticks stand on round times of the reader's own clock."""

from datetime import UTC, datetime, timedelta, timezone
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.views.time_axis import clock_axis, elapsed_axis, offsets_along


def test_an_evening_run_is_labelled_by_the_local_clock_and_the_new_day_carries_its_date() -> None:
    start_s = datetime(2026, 3, 14, 20, 40, tzinfo=timezone(timedelta(hours=1))).timestamp()
    axis = clock_axis(0.0, 8.0 * 3600.0, start_s, timezone(timedelta(hours=1)))
    assert axis.ticks == (
        (4_800.0, "22:00\n14 Mar"),
        (12_000.0, "00:00\n15 Mar"),
        (19_200.0, "02:00"),
        (26_400.0, "04:00"),
    )
    assert axis.title == "local time (UTC+01:00)"


def test_zones_off_the_full_hour_still_get_round_local_times() -> None:
    zone = timezone(timedelta(hours=5, minutes=45))
    axis = clock_axis(0.0, 3600.0, datetime(2026, 3, 14, 10, 7, tzinfo=zone).timestamp(), zone)
    assert [label.split("\n")[0] for _, label in axis.ticks] == ["10:10", "10:20", "10:30", "10:40", "10:50", "11:00"]


def test_the_night_the_clock_goes_back_shows_the_hour_twice_and_says_so() -> None:
    paris = ZoneInfo("Europe/Paris")
    start_s = datetime(2026, 10, 25, 1, 0, tzinfo=paris).timestamp()
    axis = clock_axis(0.0, 4.0 * 3600.0, start_s, paris)
    assert [label.split("\n")[0] for _, label in axis.ticks] == ["01:00", "02:00", "02:00", "03:00", "04:00"]
    assert axis.title == "local time (UTC+02:00, changing to UTC+01:00)"


BERLIN = ZoneInfo("Europe/Berlin")  # clocks go back on 25 Oct 2026 at 03:00, and forward on 29 Mar 2026 at 02:00


@pytest.mark.parametrize(
    ("year", "month", "day", "labels", "hours_between"),
    [
        (2026, 10, 24, ["20:00", "22:00", "00:00", "02:00", "04:00", "06:00"], [2, 2, 2, 3, 2]),
        (2026, 3, 28, ["20:00", "22:00", "00:00", "04:00", "06:00", "08:00"], [2, 2, 3, 2, 2]),
    ],
)
def test_after_the_clock_was_changed_ticks_stand_on_round_times_again(
    year: int, month: int, day: int, labels: list[str], hours_between: list[int]
) -> None:
    start_s = datetime(year, month, day, 20, 0, tzinfo=BERLIN).timestamp()
    axis = clock_axis(0.0, 11.5 * 3600.0, start_s, BERLIN)
    assert [label.split("\n")[0] for _, label in axis.ticks] == labels
    assert [(after - before) / 3600.0 for (before, _), (after, _) in pairwise(axis.ticks)] == hours_between


def test_days_begin_at_midnight_on_both_sides_of_a_change() -> None:
    start_s = datetime(2026, 10, 22, 12, 0, tzinfo=BERLIN).timestamp()
    axis = clock_axis(0.0, 6.0 * 86_400.0, start_s, BERLIN)
    assert [label for _, label in axis.ticks] == [f"00:00\n{day} Oct" for day in range(23, 29)]


def test_the_moment_the_clock_is_changed_is_found_to_the_second() -> None:
    start_s = datetime(2026, 10, 25, 0, 0, 0, 250_000, tzinfo=BERLIN).timestamp()
    assert offsets_along(0.0, 5.0 * 86_400.0, start_s, BERLIN) == ((0.0, 7200.0), (10_799.75, 3600.0))
    assert offsets_along(20_000.0, 90_000.0, start_s, BERLIN) == ((20_000.0, 3600.0),)


@pytest.mark.parametrize("day", [24, 25])
def test_every_label_is_what_the_clock_on_the_wall_said(day: int) -> None:
    """By the time zone database of the standard library, for a whole night of starts."""
    for minutes in range(0, 600, 7):
        start_s = datetime(2026, 10, day, 17, 0, tzinfo=BERLIN).timestamp() + 60.0 * minutes
        for at_s, label in clock_axis(0.0, 9.0 * 3600.0, start_s, BERLIN).ticks:
            assert label.split("\n")[0] == f"{datetime.fromtimestamp(start_s + at_s, BERLIN):%H:%M}"


def test_elapsed_time_counts_from_the_start_of_the_run() -> None:
    axis = elapsed_axis(0.0, 2.0 * 3600.0)
    assert axis.ticks[1] == (1_800.0, "0:30")
    assert axis.ticks[-1] == (7_200.0, "2:00")


@given(st.floats(1.0, 400.0 * 3600.0), st.integers(0, 2_000_000_000), st.integers(2, 12))
def test_never_more_ticks_than_asked_for_and_all_inside(length_s: float, start_utc_s: int, most: int) -> None:
    for axis in (clock_axis(0.0, length_s, start_utc_s, UTC, most), elapsed_axis(0.0, length_s, most)):
        assert len(axis.ticks) <= most + 1
        assert all(0.0 <= at_s <= length_s for at_s, _ in axis.ticks)
