"""Where the ticks of a time axis stand and what they say: local clock time, or hours since the run began."""

from dataclasses import dataclass
from datetime import tzinfo
from math import ceil, floor

from logger.views.wording import MONTHS, local_time, zone_words

STEPS_MIN = (1, 2, 5, 10, 15, 30, 60, 120, 180, 240, 360, 720, 1440, 2880, 10080)


@dataclass(frozen=True, slots=True)
class TimeAxis:
    """Ticks (run time [s], label) in time order, and the line that says what clock it is."""

    ticks: tuple[tuple[float, str], ...]
    title: str


def clock_axis(from_s: float, to_s: float, start_utc_s: float, zone: tzinfo | None, most: int = 7) -> TimeAxis:
    """Local clock time along a run.

    Parameters
    ----------
    from_s, to_s : ends of the axis, run time [s]
    start_utc_s : wall clock at run time 0 [s since 1970 UTC]
    zone : time zone of the reader; None for the machine's own
    most : no more ticks than this

    Returns    ticks on round local times; the first of each day carries the date; a change of the clock is in the title
    """
    step_s = 60.0 * _step_min(from_s, to_s, most)
    first = local_time(start_utc_s + from_s, zone)
    offset = first.utcoffset()
    shift_s = 0.0 if offset is None else offset.total_seconds()
    ticks: list[tuple[float, str]] = []
    day = None
    for n in range(ceil((start_utc_s + from_s + shift_s) / step_s), floor((start_utc_s + to_s + shift_s) / step_s) + 1):
        utc_s = n * step_s - shift_s
        at = local_time(utc_s, zone)
        date = f"\n{at.day} {MONTHS[at.month - 1]}" if at.date() != day else ""
        day = at.date()
        ticks.append((utc_s - start_utc_s, f"{at:%H:%M}{date}"))
    before, after = (zone_words(start_utc_s + end_s, zone) for end_s in (from_s, to_s))
    named = before if before == after else f"{before}, changing to {after}"
    return TimeAxis(tuple(ticks), f"local time ({named})")


def elapsed_axis(from_s: float, to_s: float, most: int = 7) -> TimeAxis:
    """Hours and minutes since the run began, for ends [s]; ``most`` ticks at the most."""
    step_s = 60.0 * _step_min(from_s, to_s, most)
    ticks = []
    for n in range(ceil(from_s / step_s), floor(to_s / step_s) + 1):
        minutes = round(n * step_s / 60.0)
        ticks.append((n * step_s, f"{minutes // 60}:{minutes % 60:02d}"))
    return TimeAxis(tuple(ticks), "hours:minutes since the run began")


def _step_min(from_s: float, to_s: float, most: int) -> float:
    """Smallest round step [min] that needs no more than ``most`` ticks."""
    span_min = max(to_s - from_s, 1.0) / 60.0
    return next((float(step) for step in STEPS_MIN if span_min / step <= most), ceil(span_min / most / 1440) * 1440.0)
