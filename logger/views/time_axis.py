"""Where the ticks of a time axis stand and what they say: local clock time, or hours since the run began."""

from dataclasses import dataclass
from datetime import tzinfo
from itertools import pairwise
from math import ceil, floor

from logger.views.wording import MONTHS, local_time, zone_words

LOOK_EVERY_S = 12.0 * 3600.0
"""No zone changes its clock twice within so long [s]."""

NEAREST_PART = 0.6
"""Where the clock is changed, a tick nearer to the one before than this part of the step is left out."""

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

    Returns    ticks on round local times, also after the clock was changed; the first of each day carries the date; a
               change of the clock is in the title
    """
    step_s = 60.0 * _step_min(from_s, to_s, most)
    ticks: list[tuple[float, str]] = []
    day = None
    pieces = offsets_along(from_s, to_s, start_utc_s, zone)
    for (begin_s, offset_s), (end_s, _) in pairwise((*pieces, (to_s, 0.0))):
        local_0_s = start_utc_s + offset_s
        for n in range(ceil((local_0_s + begin_s) / step_s), floor((local_0_s + end_s) / step_s) + 1):
            at_s = n * step_s - local_0_s
            if at_s >= end_s and end_s < to_s:
                continue  # the hour that the clock does not have, or has again from here on
            if ticks and at_s - ticks[-1][0] < NEAREST_PART * step_s:
                continue
            at = local_time(start_utc_s + at_s, zone)
            date = f"\n{at.day} {MONTHS[at.month - 1]}" if at.date() != day else ""
            day = at.date()
            ticks.append((at_s, f"{at:%H:%M}{date}"))
    before, after = (zone_words(start_utc_s + end_s, zone) for end_s in (from_s, to_s))
    named = before if before == after else f"{before}, changing to {after}"
    return TimeAxis(tuple(ticks), f"local time ({named})")


def offsets_along(
    from_s: float, to_s: float, start_utc_s: float, zone: tzinfo | None
) -> tuple[tuple[float, float], ...]:
    """How far local time is from UTC along a run.

    Parameters
    ----------
    from_s, to_s : ends of the stretch, run time [s]
    start_utc_s : wall clock at run time 0 [s since 1970 UTC]
    zone : time zone of the reader; None for the machine's own

    Returns    run time [s] from which, offset [s] east of UTC: one for the beginning, one more for each change
    """

    def offset_s(at_s: float) -> float:
        offset = local_time(start_utc_s + at_s, zone).utcoffset()
        return 0.0 if offset is None else offset.total_seconds()

    found = [(from_s, offset_s(from_s))]
    at_s = from_s
    while at_s < to_s:
        next_s = min(at_s + LOOK_EVERY_S, to_s)
        if offset_s(next_s) != found[-1][1]:
            before_s, after_s = at_s, next_s
            while after_s - before_s > 0.5:
                middle_s = 0.5 * (before_s + after_s)
                before_s, after_s = (middle_s, after_s) if offset_s(middle_s) == found[-1][1] else (before_s, middle_s)
            changed_s = round(start_utc_s + after_s) - start_utc_s  # clocks are changed on whole seconds
            found.append((changed_s, offset_s(next_s)))
        at_s = next_s
    return tuple(found)


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
