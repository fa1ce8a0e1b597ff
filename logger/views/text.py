"""What a terminal shows as plain text: the list of runs, and the review of one."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo

from logger.units import DisplayUnits
from logger.views.wording import clock_words, date_words, duration_words, temperature_words, zone_words


@dataclass(frozen=True, slots=True)
class RunLine:
    """One run in a list. ``started_utc_s`` [s since 1970 UTC]; ``duration_s`` [s] is None while it is still going."""

    run_id: str
    name: str
    oven: str
    started_utc_s: float
    duration_s: float | None
    peak_K: float | None
    outcome: str


def runs_text(runs: Sequence[RunLine], units: DisplayUnits, zone: tzinfo | None) -> str:
    """Runs as a table, one a line, in the order given; times in the reader's zone."""
    if not runs:
        return "No runs in the record yet."
    head = ("run", "started", "lasted", "peak", "oven", "name", "outcome")
    rows = [
        (
            run.run_id,
            f"{date_words(run.started_utc_s, zone)} {clock_words(run.started_utc_s, zone)}",
            "still going" if run.duration_s is None else duration_words(run.duration_s),
            temperature_words(run.peak_K, units),
            run.oven,
            run.name,
            run.outcome,
        )
        for run in runs
    ]
    zones = {zone_words(run.started_utc_s, zone) for run in runs}
    return table(head, rows) + f"\n\nTimes are local ({' and '.join(sorted(zones))})."


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Columns as wide as their longest cell, two spaces apart, no line ending in spaces."""
    cells = [[printable(cell) for cell in row] for row in (head, *rows)]
    widths = [max(len(row[column]) for row in cells) for column in range(len(head))]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in cells]
    return "\n".join([lines[0], "  ".join("-" * width for width in widths), *lines[1:]])


def printable(words: str) -> str:
    """Words on one line with nothing in them that a terminal would obey: control characters become spaces."""
    return "".join(letter if letter.isprintable() else " " for letter in words)
