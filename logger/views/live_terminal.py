"""The live view of a watch in a terminal, redrawn in place: the sentence first, then what is true, the targets, what is
wrong, and the caution that belongs to the moment. Where nobody can see a screen being redrawn: `calm_lines`.
"""

import time
from collections.abc import Callable
from types import TracebackType
from typing import Final, Self

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from logger.alert_rules import Severity
from logger.views.calm_lines import CalmLines
from logger.views.cautions import Moment, caution
from logger.views.snapshot import STILL_HOT_K, Snapshot, aim_lines, facts, headline, worst
from logger.views.text import printable
from logger.views.wording import clock_words, duration_words, zone_words

WAY_LETTERS: Final = 24
NARROW_LETTERS: Final = 72
SIGNS: Final = {Severity.NEWS: "(i)", Severity.WARNING: "/!\\", Severity.DANGER: "<!>"}
STYLES: Final = {Severity.NEWS: "cyan", Severity.WARNING: "bold yellow", Severity.DANGER: "bold white on red"}


class LiveTerminal(CalmLines):
    """Shows snapshots as they come, each as a screen redrawn in place; no more than ``frames_per_s`` a second.

    ``console`` None makes one for standard output; ``footer`` (how to leave) stands under every screen.
    """

    def __init__(
        self,
        console: Console | None = None,
        monotonic_s: Callable[[], float] = time.monotonic,
        frames_per_s: float = 4.0,
        footer: str = "",
    ) -> None:
        super().__init__(None, monotonic_s)
        self._console = console if console is not None else Console(highlight=False, emoji=False)
        self._live = Live(console=self._console, auto_refresh=False, transient=False)
        self._footer = footer
        self._seconds_per_frame = 1.0 / frames_per_s

    def __enter__(self) -> Self:
        self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._live.stop()

    def say(self, words: str) -> None:
        """A line that stays, above the live view."""
        self._console.print(Text(printable(words)))

    def _draw(self, now: Snapshot) -> None:
        self._live.update(screen(now, self._console.width, self._footer), refresh=True)

    def _pace_s(self, changes: tuple[object, ...]) -> float:
        return self._seconds_per_frame


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
