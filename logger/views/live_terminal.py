"""The live view of a watch in a terminal, and its quiet form where nobody can see a screen being redrawn.

On a terminal the view redraws in place: the sentence first, then what is true, the targets, what is wrong, and the
caution that belongs to the moment. Into a pipe or a log file the same sentence goes as one line now and then, and at
once when something changes that somebody should know.
"""

import re
import time
from collections.abc import Callable
from math import inf
from types import TracebackType
from typing import Final, Self

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from logger.alert_rules import Severity
from logger.views.cautions import Moment, caution
from logger.views.snapshot import STILL_HOT_K, Snapshot, aim_lines, facts, headline, worst
from logger.views.text import printable
from logger.views.wording import clock_words, date_words, duration_words, zone_words

CALM_PACE_S: Final = 300.0
"""One line in this time is enough for a log (our choice)."""

SOONEST_S: Final = 10.0
"""What changes gets its line after this time; only what is worse than before, or the end, does not wait (our choice:
a condition that flickers must not fill a log)."""

WAY_LETTERS: Final = 24
NARROW_LETTERS: Final = 72
SIGNS: Final = {Severity.NEWS: "(i)", Severity.WARNING: "/!\\", Severity.DANGER: "<!>"}
STYLES: Final = {Severity.NEWS: "cyan", Severity.WARNING: "bold yellow", Severity.DANGER: "bold white on red"}


class LiveTerminal:
    """Shows snapshots as they come. Use as a context manager; `show` may be called as often as there are readings.

    ``console`` None makes one for standard output; ``monotonic_s`` is the clock of the calm pace. On a terminal no
    more than ``frames_per_s`` screens a second are drawn, with ``footer`` (how to leave) under them.
    """

    def __init__(
        self,
        console: Console | None = None,
        monotonic_s: Callable[[], float] = time.monotonic,
        frames_per_s: float = 4.0,
        footer: str = "",
    ) -> None:
        self._console = console if console is not None else Console(highlight=False, emoji=False)
        self._monotonic_s = monotonic_s
        self._live = Live(console=self._console, auto_refresh=False, transient=False)
        self._footer = footer
        self._seconds_per_frame = 1.0 / frames_per_s
        self._last_s: float | None = None
        self._last_changes: tuple[object, ...] = ()
        self._last_urgency = -1

    def __enter__(self) -> Self:
        if self._console.is_terminal:
            self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._console.is_terminal:
            self._live.stop()

    def show(self, now: Snapshot) -> None:
        """Show one snapshot, unless it comes too soon after the last and says nothing new."""
        changes, urgency = _changes(now), _urgency(now)
        time_s = self._monotonic_s()
        waited_s = inf if self._last_s is None else time_s - self._last_s
        if urgency <= self._last_urgency and waited_s < self._pace_s(changes):
            return
        self._last_s, self._last_changes, self._last_urgency = time_s, changes, urgency
        if self._console.is_terminal:
            self._live.update(screen(now, self._console.width, self._footer), refresh=True)
        else:
            self._console.print(Text(calm_line(now)), soft_wrap=True)

    def _pace_s(self, changes: tuple[object, ...]) -> float:
        if self._console.is_terminal:
            return self._seconds_per_frame
        return CALM_PACE_S if changes == self._last_changes else SOONEST_S

    def say(self, words: str) -> None:
        """A line that stays, above the live view."""
        self._console.print(Text(printable(words)))


def calm_line(now: Snapshot) -> str:
    """The moment in one line: date, time, zone, run, sentence."""
    note = f" ({now.clock_note})" if now.clock_note else ""
    if now.now_utc_s is None:
        when = f"after {duration_words(now.time_s)}"
    else:
        day = date_words(now.now_utc_s, now.zone)
        when = f"{day} {clock_words(now.now_utc_s, now.zone)} {zone_words(now.now_utc_s, now.zone)}"
    return printable(f"{when}{note}  {now.run_name}: {headline(now)}")


def screen(now: Snapshot, width: int = 100, footer: str = "") -> RenderableType:
    """Everything the live view shows of a snapshot, for a terminal so many letters wide; the urgent first."""
    parts: list[RenderableType] = [_title(now), Text(), _sentence(now)]
    if now.alerts or now.warnings:
        parts += [Text(), _troubles(now)]
    parts += [Text(), _facts(now, narrow=width < NARROW_LETTERS)]
    if now.aims:
        parts += [Text(), _aims(now)]
    moment = moment_of(now)
    if moment is not None:
        parts += [Text(), Text(caution(moment), style="italic")]
    if footer:
        parts += [Text(), Text(footer, style="dim")]
    return Group(*parts)


def moment_of(now: Snapshot) -> Moment | None:
    """What somebody may be about to do now, for the caution that is shown."""
    hot = now.steel_K is not None and now.steel_K > STILL_HOT_K
    if worst(now) is Severity.DANGER and now.carbon is not None:
        return Moment.NEAR_MELTING
    if now.carbon is None or not hot:
        return None
    reached = any(aim.reached_at_s is not None and not aim.limit for aim in now.aims)
    return Moment.OPENING_HOT if reached or now.finished else Moment.BESIDE_THE_OVEN


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


def _title(now: Snapshot) -> Table:
    line = Table.grid(expand=True)
    line.add_column(ratio=1)
    line.add_column(justify="right")
    went_on = "finished after" if now.finished else "running for"
    clock = "" if now.now_utc_s is None else clock_words(now.now_utc_s, now.zone)
    clock += "" if now.now_utc_s is None else f" {zone_words(now.now_utc_s, now.zone)}"
    note = f", {now.clock_note}" if now.clock_note else ""
    line.add_row(
        Text(printable(f"{now.run_name} in {now.oven}, {went_on} {duration_words(now.time_s)}"), style="bold"),
        Text(printable(clock + note), style="dim"),
    )
    return line


def _sentence(now: Snapshot) -> Text:
    severity = worst(now)
    sign = "(+)" if severity is None else SIGNS[severity]
    style = "bold green" if severity is None else STYLES[severity]
    return Text.assemble((f" {sign} ", style), " ", (printable(headline(now)), "bold"))


def _facts(now: Snapshot, narrow: bool) -> Table:
    table = Table.grid(padding=(0, 2))
    table.add_column(style="dim", justify="left" if narrow else "right")
    table.add_column(no_wrap=not narrow)
    if not narrow:
        table.add_column(style="dim")
    for fact in facts(now):
        sign = "" if fact.severity is None else f" {SIGNS[fact.severity]}"
        value = Text(printable(fact.value) + sign, style="bold" if fact.severity is None else STYLES[fact.severity])
        if narrow:
            table.add_row(fact.label, Text.assemble(value, ("\n" if fact.note else "") + printable(fact.note)))
        else:
            table.add_row(fact.label, value, printable(fact.note))
    return table


def _aims(now: Snapshot) -> RenderableType:
    lines: list[RenderableType] = []
    for aim in aim_lines(now):
        style = "bold" if aim.severity is None else STYLES[aim.severity]
        lines.append(Text.assemble(("Target: ", "dim"), (printable(aim.name), style)))
        way = "" if aim.share is None else f"{way_words(aim.share)}  "
        lines.append(Padding(Text(f"{way}{printable(aim.value)}; {printable(aim.outcome)}"), (0, 0, 0, 2)))
    return Group(*lines)


def way_words(share: float) -> str:
    """How much of the way is done, 0 to 1, as a row of strokes and a number: readable without colour."""
    done = int(share * WAY_LETTERS)
    return f"|{'=' * done}{'.' * (WAY_LETTERS - done)}| {int(100.0 * share):3d} %"


def _troubles(now: Snapshot) -> Table:
    table = Table.grid(padding=(0, 2))
    table.add_column(no_wrap=True)
    table.add_column(no_wrap=True)
    table.add_column()
    for alert in sorted(now.alerts, key=lambda alert: -alert.severity.rank):
        seen = " (acknowledged)" if alert.acknowledged else ""
        since = now.clock(alert.since_s)
        mark = Text(f"{SIGNS[alert.severity]} {alert.severity}", style=STYLES[alert.severity])
        table.add_row(mark, f"since {since}", printable(alert.words) + seen)
    for warning in now.warnings:
        mark = Text(f"{SIGNS[Severity.WARNING]} {Severity.WARNING}", style=STYLES[Severity.WARNING])
        table.add_row(mark, "now", printable(warning))
    return table
