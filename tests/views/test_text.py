"""Plain text for a terminal."""

from datetime import UTC, datetime

from logger.units import DisplayUnits, kelvin_from_celsius
from logger.views.text import RunLine, runs_text

METRIC, INCH = DisplayUnits("C", "mm"), DisplayUnits("F", "in")
STARTED_S = datetime(2026, 3, 14, 20, 40, tzinfo=UTC).timestamp()
LINES = (
    RunLine("7", "Strap lot 12", "left oven", STARTED_S, 30_600.0, kelvin_from_celsius(931.2), "reached"),
    RunLine("8", "Plane iron", "left oven", STARTED_S + 86_400.0, None, None, ""),
)


def test_runs_are_listed_one_a_line_in_the_readers_unit_and_zone() -> None:
    assert runs_text(LINES, METRIC, UTC).split("\n") == [
        "run  started            lasted       peak       oven       name          outcome",
        "---  -----------------  -----------  ---------  ---------  ------------  -------",
        "7    14 Mar 2026 20:40  8 h 30 min   931 C      left oven  Strap lot 12  reached",
        "8    15 Mar 2026 20:40  still going  not known  left oven  Plane iron",
        "",
        "Times are local (UTC).",
    ]
    assert "1708 F" in runs_text(LINES, INCH, UTC)


def test_an_empty_record_says_so() -> None:
    assert runs_text((), METRIC, UTC) == "No runs in the record yet."


def test_a_name_cannot_send_orders_to_the_terminal() -> None:
    line = RunLine("1", "strap\x1b[2J\nlot\u202e", "oven", STARTED_S, 60.0, None, "")
    text = runs_text((line,), METRIC, UTC)
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert len(text.split("\n")) == 5
