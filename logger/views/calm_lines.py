"""A watch for somebody who reads a log: the sentence of the moment as one line now and then, and at once when something
changes that somebody should know. On a terminal `logger.views.live_terminal` draws whole screens at the same calls.
"""

import re
import sys
import time
from collections.abc import Callable
from math import inf
from types import TracebackType
from typing import Final, Self, TextIO

from logger.alert_rules import Severity
from logger.views.snapshot import Snapshot, headline, worst
from logger.views.text import printable
from logger.views.wording import clock_words, date_words, duration_words, zone_words

CALM_PACE_S: Final = 300.0
"""One line in this time is enough for a log (our choice)."""

SOONEST_S: Final = 10.0
"""What changes gets its line after this time; only what is worse than before, or the end, does not wait (our choice:
a condition that flickers must not fill a log)."""


class CalmLines:
    """Shows snapshots as they come, as lines. Use as a context manager; `show` may be called at every reading.

    ``out`` None: standard output. ``monotonic_s`` is the clock of the calm pace.
    """

    def __init__(self, out: TextIO | None = None, monotonic_s: Callable[[], float] = time.monotonic) -> None:
        self._out = out
        self._monotonic_s = monotonic_s
        self._last_s: float | None = None
        self._last_changes: tuple[object, ...] = ()
        self._last_urgency = -1

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        return None

    def show(self, now: Snapshot) -> None:
        """Show one snapshot, unless it comes too soon after the last and says nothing new."""
        changes, urgency = _changes(now), _urgency(now)
        time_s = self._monotonic_s()
        waited_s = inf if self._last_s is None else time_s - self._last_s
        if urgency <= self._last_urgency and waited_s < self._pace_s(changes):
            return
        self._last_s, self._last_changes, self._last_urgency = time_s, changes, urgency
        self._draw(now)

    def say(self, words: str) -> None:
        """A line that stays."""
        print(printable(words), file=self._out or sys.stdout, flush=True)

    def _draw(self, now: Snapshot) -> None:
        print(calm_line(now), file=self._out or sys.stdout, flush=True)

    def _pace_s(self, changes: tuple[object, ...]) -> float:
        return CALM_PACE_S if changes == self._last_changes else SOONEST_S


def live_view(footer: str) -> CalmLines:
    """What a watch is shown by: whole screens with a ``footer`` (how to leave) on a terminal, else lines."""
    if not sys.stdout.isatty():
        return CalmLines()
    from logger.views.live_terminal import LiveTerminal

    return LiveTerminal(footer=footer)


def calm_line(now: Snapshot) -> str:
    """The moment in one line: date, time, zone, run, sentence."""
    note = f" ({now.clock_note})" if now.clock_note else ""
    if now.now_utc_s is None:
        when = f"after {duration_words(now.time_s)}"
    else:
        day = date_words(now.now_utc_s, now.zone)
        when = f"{day} {clock_words(now.now_utc_s, now.zone)} {zone_words(now.now_utc_s, now.zone)}"
    return printable(f"{when}{note}  {now.run_name}: {headline(now)}")


def _changes(now: Snapshot) -> tuple[object, ...]:
    """What is worth a line of its own the moment it changes."""
    return (
        now.stage,
        now.is_stale,
        now.soaking_now,
        now.finished,
        tuple((_gist(alert.words), alert.acknowledged) for alert in now.alerts if alert.severity is not Severity.NEWS),
        tuple(_gist(warning) for warning in now.warnings),
        tuple(aim.reached_at_s is not None for aim in now.aims),
    )


def _gist(words: str) -> str:
    """Words without their numbers: what stays the same while a number in them moves."""
    return re.sub(r"[\d.,]+", "", words)


def _urgency(now: Snapshot) -> int:
    """How urgent a moment is: 0 all well, then by the worst that stands, most of all the end of the run."""
    found = worst(now)
    return len(Severity) + 1 if now.finished else 0 if found is None else found.rank + 1
