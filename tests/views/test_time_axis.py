"""Ticks stand on round times of the reader's own clock."""

from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

from hypothesis import given
from hypothesis import strategies as st

from logger.views.time_axis import clock_axis, elapsed_axis


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


def test_elapsed_time_counts_from_the_start_of_the_run() -> None:
    axis = elapsed_axis(0.0, 2.0 * 3600.0)
    assert axis.ticks[1] == (1_800.0, "0:30")
    assert axis.ticks[-1] == (7_200.0, "2:00")


@given(st.floats(1.0, 400.0 * 3600.0), st.integers(0, 2_000_000_000), st.integers(2, 12))
def test_never_more_ticks_than_asked_for_and_all_inside(length_s: float, start_utc_s: int, most: int) -> None:
    for axis in (clock_axis(0.0, length_s, start_utc_s, UTC, most), elapsed_axis(0.0, length_s, most)):
        assert len(axis.ticks) <= most + 1
        assert all(0.0 <= at_s <= length_s for at_s, _ in axis.ticks)
