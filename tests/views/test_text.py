"""Plain text for a terminal."""

from dataclasses import replace
from datetime import UTC, datetime

from logger.units import DisplayUnits, kelvin_from_celsius
from logger.views.text import GapLine, Review, RunLine, SoakLine, StageLine, review_text, runs_text
from tests.views.invented_snapshots import BLANK, FINISHED, HOUR_S, NOW_UTC_S

METRIC, INCH = DisplayUnits("C", "mm"), DisplayUnits("F", "in")
STARTED_S = datetime(2026, 3, 14, 20, 40, tzinfo=UTC).timestamp()
LINES = (
    RunLine("7", "Strap lot 12", "left oven", STARTED_S, 30_600.0, kelvin_from_celsius(931.2), "reached"),
    RunLine("8", "Plane iron", "left oven", STARTED_S + 86_400.0, None, None, ""),
)


def test_runs_are_listed_one_a_line_in_the_readers_unit_and_zone() -> None:
    assert runs_text(LINES, UTC).split("\n") == [
        "run  started            lasted       peak       oven       name          outcome",
        "-" * 80,
        "7    14 Mar 2026 20:40  8 h 30 min   931 C      left oven  Strap lot 12  reached",
        "8    15 Mar 2026 20:40  still going  not known  left oven  Plane iron",
        "",
        "Times are local (UTC).",
    ]
    assert "1708 F" in runs_text([replace(LINES[0], units=INCH)], UTC)


def test_an_empty_record_says_so() -> None:
    assert runs_text((), UTC) == "No runs in the record yet."


def test_a_name_cannot_send_orders_to_the_terminal() -> None:
    line = RunLine("1", "strap\x1b[2J\nlot\u202e", "oven", STARTED_S, 60.0, None, "")
    text = runs_text((line,), UTC)
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert len(text.split("\n")) == 5


def K(temperature_C: float) -> float:
    return kelvin_from_celsius(temperature_C)


REVIEW = Review(
    run_id="7",
    now=replace(FINISHED, warnings=("Carbide network likely on slow cooling.",)),
    start_utc_s=NOW_UTC_S - 4.0 * HOUR_S,
    stages=(
        StageLine("heat-up", 0.0, 7_200.0, K(20.0), K(915.0), K(915.0), 895.0 / 7_200.0),
        StageLine("carburize", 7_200.0, None, K(915.0), K(927.0), K(931.4), 0.0),
    ),
    soaks=(SoakLine(7_200.0, 13_900.0, 6_600.0, K(926.6), 4.2, (K(913.0), K(941.0)), 3.0),),
    gaps=(GapLine(9_000.0, 9_900.0, K(880.0), K(955.0)),),
    next_step=("Normalize before hardening.",),
    basis=("Thermocouple inside the canister.",),
    above=((K(727.0), 9_000.0), (K(1000.0), 0.0)),
    gap_cases=(("at heat inside", "1 h 20 min", "1 h 50 min", "1 h 51 min"),),
    spikes_s=(4_000.0, 5_000.0),
    thermocouples=('"air" and "load" agree.',),
)


def test_a_review_reads_from_top_to_bottom() -> None:
    *lines, caution = review_text(REVIEW).split("\n\n")
    assert "can glow for hours" in caution
    assert "\n\n".join(lines).split("\n") == [
        "Strap lot 12 in left oven",
        "Run 7, 4 h. 14 Mar 2026 20:40 to 15 Mar 2026 00:40, local time (UTC+01:00).",
        "",
        "1 h 50 min at heat inside, hottest 931 C. 0.62 mm to 0.40 % C; 0.80 mm not reached. Carbide network",
        "likely on slow cooling.",
        "",
        "What is known",
        "  Steel                   40 C               measured inside",
        "  Hottest                 931 C",
        "  Oven                    931 C              set point 927 C",
        "  Stage                   carburize          for 2 h",
        "  Soak                    1 h 50 min         inside 913 to 941 C, not at heat now",
        "  Equivalent time         2.10 h             at 950 C",
        "  Case depth to 0.40 % C  0.62 mm            0.51 to 0.75 mm",
        "  Surface and core        0.98 and 0.10 % C",
        "",
        "Targets",
        "  case depth to 0.40 % C: 0.62 mm; 0.80 mm not reached",
        "",
        "Stages",
        "  stage      from   to       lasted  began at  ended at  hottest  mean rate",
        "  --------------------------------------------------------------------------",
        "  heat-up    20:40  22:40    2 h     20 C      915 C     915 C    +7.5 C/min",
        "  carburize  22:40  the end  2 h     915 C     927 C     931 C    +0.0 C/min",
        "  above 727 C for 2 h 30 min",
        "",
        "Soaks of the steel",
        "  from   to     at heat inside  band          mean   spread  most over",
        "  --------------------------------------------------------------------",
        "  22:40  00:31  1 h 50 min      913 to 941 C  927 C  4.2 C   3.0 C",
        "",
        "Time without readings",
        "  23:10 to 23:25, 15 min; the oven was somewhere in 880 to 955 C",
        "",
        "  what the gaps may have changed  oven off    straight across  oven kept on",
        "  -------------------------------------------------------------------------",
        "  at heat inside                  1 h 20 min  1 h 50 min       1 h 51 min",
        "  2 single readings left out that jumped and came straight back: 21:46, 22:03",
        "",
        "Thermocouples",
        '  "air" and "load" agree.',
        "",
        "Warnings",
        "  ! Carbide network likely on slow cooling.",
        "",
        "For the next step",
        "  Normalize before hardening.",
        "",
        "Rests on",
        "  Thermocouple inside the canister.",
    ]


def test_a_review_in_the_other_units_has_no_number_left_in_the_first() -> None:
    text = review_text(replace(REVIEW, now=replace(REVIEW.now, units=INCH)))
    assert "0.024 in to 0.40 % C" in text
    assert "1675 to 1726 F" in text
    assert "+13.4 F/min" in text
    assert "7.6 F" in text
    assert " mm" not in text
    assert not any(f"{digit} C" in text for digit in "0123456789")


def test_without_a_wall_clock_the_review_counts_from_the_start() -> None:
    text = review_text(replace(REVIEW, start_utc_s=None))
    assert "The wall clock is not known: times count from the start, in hours:minutes." in text
    assert "heat-up    0:00  2:00" in text


def test_a_run_with_nothing_in_it_says_what_is_missing() -> None:
    text = review_text(Review("9", replace(BLANK, finished=True), NOW_UTC_S))
    assert "No temperature yet. Run finished." in text
    assert "none: the run is too short to have any" in text
    assert "no soak" in text
    assert "nan" not in text
    assert "Targets" not in text
