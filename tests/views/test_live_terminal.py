"""The live view: all of it on a terminal, a calm line now and then everywhere else."""

import io
import re
from dataclasses import replace

import pytest
from rich.console import Console

from logger.alert_rules import Severity
from logger.views.calm_lines import CalmLines, calm_line
from logger.views.cautions import CAUTIONS, Moment, caution
from logger.views.live_terminal import LiveTerminal, moment_of, screen, way_words
from logger.views.snapshot import AlertNow, Snapshot
from tests.views.invented_snapshots import (
    BLANK,
    CARBURIZING,
    EVERY,
    FINISHED,
    HEATING,
    MELTING,
    TEMPERING,
)


def drawn(now: Snapshot, width: int = 100, footer: str = "") -> str:
    out = io.StringIO()
    Console(file=out, width=width, force_terminal=False, highlight=False).print(screen(now, width, footer))
    return out.getvalue()


class Clock:
    """Monotonic seconds that move when told to."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def piped(clock: Clock) -> tuple[CalmLines, io.StringIO]:
    out = io.StringIO()
    return CalmLines(out, monotonic_s=clock), out


def test_the_screen_shows_sentence_facts_targets_and_how_to_leave() -> None:
    text = drawn(CARBURIZING, footer="Ctrl-C ends the run.")
    assert "Strap lot 12 in left oven, running for 4 h" in text
    assert "00:40 UTC+01:00" in text
    assert re.search(r"Case depth to 0\.40 % C +0\.62 mm +0\.51 to 0\.75 mm", text)
    assert "Target: case depth to 0.40 % C\n  |==================......|  77 %  0.62 mm; 0.80 mm at about 02:40" in text
    assert text.rstrip().endswith("Ctrl-C ends the run.")


@pytest.mark.parametrize("now", EVERY)
@pytest.mark.parametrize("width", [32, 46, 72, 200])
def test_the_screen_fits_any_width(now: Snapshot, width: int) -> None:
    assert max(len(line) for line in drawn(now, width).split("\n")) <= width


def test_severity_is_a_sign_and_a_word_not_only_a_colour() -> None:
    text = drawn(MELTING)
    assert "<!>  Danger: skin is melting" in text
    assert "<!> danger   since 00:30  Skin is melting: 0.60 mm is liquid" in text
    assert "/!\\ warning  since 23:50  Case depth 0.80 mm to 0.40 % C reached" in text
    assert "(+)  Steel 927 C" in drawn(CARBURIZING)


def test_markup_and_orders_in_names_are_only_letters() -> None:
    text = drawn(replace(CARBURIZING, run_name="[bold]lot[/bold] \x1b[2J :fire: \u202e"))
    assert "[bold]lot[/bold]" in text
    assert "\x1b" not in text
    assert "\u202e" not in text


def test_a_pipe_gets_one_line_now_and_then() -> None:
    clock = Clock()
    terminal, out = piped(clock)
    with terminal:
        for clock.now_s in range(900):
            terminal.show(replace(CARBURIZING, steel_K=1_200.0 + clock.now_s / 1_000.0))
    lines = out.getvalue().splitlines()
    assert len(lines) == 3
    assert lines[0] == "15 Mar 2026 00:40 UTC+01:00  Strap lot 12: " + calm_line(CARBURIZING).split("12: ")[1]


def test_a_pipe_gets_news_at_once() -> None:
    clock = Clock()
    terminal, out = piped(clock)
    with terminal:
        terminal.show(HEATING)
        clock.now_s = 10.0
        terminal.show(CARBURIZING)
        clock.now_s = 11.0
        terminal.show(replace(CARBURIZING, alerts=(AlertNow("Over temperature", Severity.DANGER, 9_000.0),)))
        clock.now_s = 12.0
        terminal.show(FINISHED)
    lines = out.getvalue().splitlines()
    assert len(lines) == 4
    assert "Danger: over temperature." in lines[2]
    assert lines[3].endswith("Run finished.")


@pytest.mark.parametrize(
    "changed",
    [
        replace(CARBURIZING, stage="cool"),
        replace(CARBURIZING, soaking_now=False),
        replace(CARBURIZING, reading_age_s=260.0),
        replace(CARBURIZING, warnings=("Carbide network likely",)),
        replace(CARBURIZING, aims=(replace(CARBURIZING.aims[0], reached_at_s=9_000.0),)),
    ],
)
def test_each_change_that_matters_is_a_line_of_its_own(changed: Snapshot) -> None:
    clock = Clock()
    terminal, out = piped(clock)
    with terminal:
        for now in (CARBURIZING, CARBURIZING, changed, changed):
            clock.now_s += 11.0
            terminal.show(now)
    assert len(out.getvalue().splitlines()) == 2


def test_what_flickers_does_not_fill_a_log_but_what_gets_worse_does_not_wait() -> None:
    clock = Clock()
    terminal, out = piped(clock)
    warned = replace(CARBURIZING, warnings=("Decarburizing: the surface is at 0.02 % C.",))
    with terminal:
        terminal.show(CARBURIZING)
        for number in range(40):
            clock.now_s += 0.5
            terminal.show(warned if number % 2 == 0 else CARBURIZING)
        before = len(out.getvalue().splitlines())
        terminal.show(MELTING)
    assert before <= 4
    assert "Danger" in out.getvalue().splitlines()[-1]


def test_a_number_that_moves_in_an_alert_is_no_news() -> None:
    clock = Clock()
    terminal, out = piped(clock)
    with terminal:
        for number in range(20):
            clock.now_s += 12.0
            words = f"Case depth 0.{60 + number} mm, in about {20 - number} min"
            terminal.show(replace(CARBURIZING, alerts=(AlertNow(words, Severity.WARNING, 9_000.0),)))
    assert len(out.getvalue().splitlines()) == 1


def test_a_line_for_a_log_is_one_line_without_colour() -> None:
    for now in EVERY:
        assert "\n" not in calm_line(now)
        assert "\x1b" not in calm_line(now)


def test_a_moment_without_a_wall_clock_counts_from_the_start() -> None:
    dateless = replace(CARBURIZING, now_utc_s=None)
    assert calm_line(dateless).startswith("after 4 h  Strap lot 12: Steel 927 C")
    assert "UTC" not in drawn(dateless)


def test_a_simulated_clock_is_named_in_both_forms() -> None:
    fast = replace(CARBURIZING, clock_note="simulated, 200 times real time")
    assert "simulated, 200 times real time" in calm_line(fast)
    assert "simulated, 200 times real time" in drawn(fast)


def test_a_terminal_is_redrawn_in_place() -> None:
    out = io.StringIO()
    clock = Clock()
    console = Console(file=out, width=100, height=40, force_terminal=True, color_system=None)
    with LiveTerminal(console, monotonic_s=clock) as terminal:
        terminal.show(HEATING)
        clock.now_s = 10.0
        terminal.show(CARBURIZING)
        terminal.say("Run 7 is being recorded.")
    assert "\x1b[" in out.getvalue()
    assert "Steel about 640 C" in out.getvalue()
    assert "0.62 mm" in out.getvalue()
    assert "Run 7 is being recorded." in out.getvalue()


@pytest.mark.parametrize(("share", "words"), [(0.0, "  0 %"), (0.999, " 99 %"), (1.0, "100 %")])
def test_the_way_is_only_full_when_the_target_is_reached(share: float, words: str) -> None:
    assert way_words(share).endswith(words)
    assert ("." in way_words(share)) == (share < 1.0)


def test_the_caution_shown_belongs_to_the_moment() -> None:
    assert moment_of(CARBURIZING) is Moment.BESIDE_THE_OVEN
    assert moment_of(MELTING) is Moment.NEAR_MELTING
    reached = replace(CARBURIZING, aims=(replace(CARBURIZING.aims[0], reached_at_s=9_000.0),))
    assert moment_of(reached) is Moment.OPENING_HOT
    assert moment_of(TEMPERING) is None
    assert moment_of(BLANK) is None
    assert "carbon monoxide" in drawn(CARBURIZING)


@pytest.mark.parametrize("moment", list(Moment))
def test_every_caution_is_short_and_defers_to_local_rules(moment: Moment) -> None:
    assert set(CAUTIONS) == set(Moment)
    assert 60 < len(CAUTIONS[moment]) < 300
    assert "Local codes" in caution(moment)
    assert "no safety device" in caution(moment)
