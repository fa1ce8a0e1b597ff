"""Numbers in words: the right number, the right unit, and words where there is no number."""

from datetime import UTC, datetime, timedelta, timezone
from math import inf, nan
from zoneinfo import ZoneInfo

import pytest

from logger.units import DisplayUnits, kelvin_from_celsius
from logger.views import wording

METRIC, INCH = DisplayUnits("C", "mm"), DisplayUnits("F", "in")
EAST = timezone(timedelta(hours=2))


@pytest.mark.parametrize(
    ("temperature_C", "units", "words"),
    [(927.0, METRIC, "927 C"), (927.0, INCH, "1701 F"), (-40.0, INCH, "-40 F"), (19.6, METRIC, "20 C")],
)
def test_temperatures(temperature_C: float, units: DisplayUnits, words: str) -> None:
    assert wording.temperature_words(kelvin_from_celsius(temperature_C), units) == words


@pytest.mark.parametrize(
    ("length_m", "units", "words"),
    [(0.62e-3, METRIC, "0.62 mm"), (0.62e-3, INCH, "0.024 in"), (6.0e-3, METRIC, "6.00 mm"), (0.0, INCH, "0.000 in")],
)
def test_lengths(length_m: float, units: DisplayUnits, words: str) -> None:
    assert wording.length_words(length_m, units) == words


@pytest.mark.parametrize(
    ("duration_s", "words"),
    [
        (0.0, "0 s"),
        (119.0, "119 s"),
        (119.6, "2 min"),
        (3569.0, "59 min"),
        (3599.0, "1 h"),
        (6600.0, "1 h 50 min"),
        (7500.0, "2 h 05 min"),
        (180_000.0, "50 h"),
    ],
)
def test_durations(duration_s: float, words: str) -> None:
    assert wording.duration_words(duration_s) == words


@pytest.mark.parametrize("nothing", [None, nan, inf])
def test_what_is_not_known_is_said_never_numbered(nothing: float | None) -> None:
    assert wording.temperature_words(nothing, METRIC) == "not known"
    assert wording.length_words(nothing, METRIC) == "not known"
    assert wording.duration_words(nothing) == "not known"
    assert wording.hours_words(nothing) == "not known"
    assert wording.carbon_words(nothing) == "not known"
    assert wording.hardness_words(nothing) == "not known"


def test_hardness_below_the_scale_is_not_given_as_a_number() -> None:
    assert wording.hardness_words(61.2) == "61 HRC"
    assert wording.hardness_words(12.0) == "below 20 HRC"


def test_clock_times_half_a_day_away_or_more_name_their_day() -> None:
    now_s = datetime(2026, 3, 14, 23, 10, tzinfo=EAST).timestamp()
    assert wording.clock_words(now_s + 600.0, EAST, now_s) == "23:20"
    assert wording.clock_words(now_s + 3.5 * 3600.0, EAST, now_s) == "02:40"
    assert wording.clock_words(now_s + 13.0 * 3600.0, EAST, now_s) == "12:10 tomorrow"
    assert wording.clock_words(now_s - 13.0 * 3600.0, EAST, now_s) == "10:10 today"
    assert wording.clock_words(now_s - 86_400.0, EAST, now_s) == "23:10 yesterday"
    assert wording.clock_words(now_s + 3.0 * 86_400.0, EAST, now_s) == "23:10 on 17 Mar 2026"


def test_the_zone_is_the_one_in_force_at_that_moment() -> None:
    paris = ZoneInfo("Europe/Paris")
    assert wording.zone_words(datetime(2026, 1, 1, tzinfo=UTC).timestamp(), paris) == "UTC+01:00"
    assert wording.zone_words(datetime(2026, 7, 1, tzinfo=UTC).timestamp(), paris) == "UTC+02:00"
    assert wording.zone_words(0.0, timezone(-timedelta(hours=3, minutes=30))) == "UTC-03:30"
    assert wording.zone_words(0.0, UTC) == "UTC"


def test_a_size_has_no_more_decimals_than_a_caliper() -> None:
    """6 mm and 25.4 mm over 25.4 mm/in, exact by definition."""
    inches = DisplayUnits("F", "in")
    assert wording.plain_length_words(0.006, inches) == "0.236 in"
    assert wording.plain_length_words(0.0254, inches) == "1 in"
    assert wording.plain_length_words(0.006, DisplayUnits()) == "6 mm"
