"""Everything that can happen in a night beside a simulated oven: each event is one alert, a clean night is none."""

from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from logger.alert import Phase
from logger.alert_rules import RULES, AlertKind
from logger.commands.situations import asked_units
from logger.oven_watch import Order
from logger.record import RecordReader
from logger.situation import Situation
from logger.units import DisplayUnits, kelvin_from_celsius
from sim.faults import FaultPlan, plan_from_text
from sim.program import Off, Program, Ramp, Soak
from sim.registers import Display
from tests.whole.stepped import Night, full_disk, night

TEMPER = """
name = "plane iron, invented"
[piece]
shape = "plate"
thickness_mm = 6.0
carbon_wt_pct = 0.85
[canister]
sensor = "inside"
[[stage]]
kind = "temper"
"""

HOT_PACK = """
name = "thin strap, invented"
[piece]
shape = "plate"
thickness_mm = 3.0
carbon_wt_pct = 0.10
[pack]
recipe = "graphite with bicarbonate"
[canister]
sensor = "inside"
"""

BARE = """
name = "left bare, invented"
[piece]
shape = "plate"
thickness_mm = 6.0
carbon_wt_pct = 0.85
front = "open air"
back = "open air"
[canister]
sensor = "inside"
"""

HOLD_S = 3600.0


def after_an_event(folder: Path, faults: str, to_s: float = 9000.0, **more: object) -> Night:
    """A night of tempering with faults in its hold; it is over when this returns."""
    with night(folder, sheet=TEMPER, **more) as one:
        one.burn("temper", plan_from_text(faults))
        one.pass_to(to_s)
    return one


def test_a_clean_night_tells_of_soaks_and_targets_and_of_nothing_else(tmp_path: Path) -> None:
    with night(tmp_path, poll_s=60.0, limits="over_temperature_C = 960") as one:
        one.burn()
        one.pass_to(6 * 3600.0)
        assert one.episodes() == [(AlertKind.TARGET_REACHED, "soak time")]
        assert one.episodes(news=True) == [
            (AlertKind.SOAK_STARTED, "1"),
            (AlertKind.TARGET_SOON, "soak time"),
            (AlertKind.TARGET_REACHED, "soak time"),
            (AlertKind.SOAK_ENDED, "1"),
        ]
        soon, reached = (
            next(e for e in one.told if e.kind is kind) for kind in (AlertKind.TARGET_SOON, AlertKind.TARGET_REACHED)
        )
        assert 600.0 <= reached.time_s - soon.time_s <= 1200.0
        assert "in about" in soon.message
        assert "wanted 1 h" in reached.message
        cleared = next(e for e in one.told if e.kind is AlertKind.TARGET_SOON and e.phase is Phase.CLEARED)
        assert cleared.message == "soak time: reached."
        assert not cleared.announce


@pytest.mark.parametrize(
    ("faults", "kind", "key"),
    [
        (f"sensor-break@{HOLD_S}-{HOLD_S + 900}", AlertKind.SENSOR_FAULT, "air"),
        (f"frozen@{HOLD_S}-{HOLD_S + 2400}", AlertKind.SENSOR_FAULT, "air"),
        (f"exact-zero@{HOLD_S}-{HOLD_S + 900}", AlertKind.SENSOR_FAULT, "air"),
        (f"spikes@{HOLD_S}-{HOLD_S + 900},p=0.4,amount=300", AlertKind.SENSOR_FAULT, "air"),
        (f"lost-link@{HOLD_S}-{HOLD_S + 900}", AlertKind.LINK_LOST, "controller"),
        (f"unplug@{HOLD_S}-{HOLD_S + 900}", AlertKind.LINK_LOST, "stepped"),
        (f"power-cut@{HOLD_S}-{HOLD_S + 900}", AlertKind.LINK_LOST, "controller"),
    ],
)
def test_what_comes_and_goes_is_one_alert_with_an_all_clear(
    tmp_path: Path, faults: str, kind: AlertKind, key: str
) -> None:
    one = after_an_event(tmp_path, faults)
    assert one.episodes() == [(kind, key)]
    phases = one.phases(kind)
    assert phases[0] is Phase.RAISED
    assert phases[-1] is Phase.CLEARED
    assert phases.count(Phase.CLEARED) == 1
    raised = next(event for event in one.told if event.kind is kind)
    assert HOLD_S <= raised.time_s <= HOLD_S + 600.0 + RULES[kind].raise_after_s
    assert raised.advice.startswith(RULES[kind].meaning)


def test_a_flicker_shorter_than_the_delay_is_no_alert(tmp_path: Path) -> None:
    one = after_an_event(tmp_path, f"lost-link@{HOLD_S}-{HOLD_S + 60}; sensor-break@{HOLD_S + 600}-{HOLD_S + 640}")
    assert one.episodes() == []


def test_an_opened_door_is_no_sensor_fault(tmp_path: Path) -> None:
    one = after_an_event(tmp_path, f"door-open@{HOLD_S}-{HOLD_S + 300},amount=2")
    assert one.episodes() == []


def test_a_relay_that_welds_shut_is_told_with_the_temperature_until_somebody_answers(tmp_path: Path) -> None:
    with night(tmp_path, sheet=TEMPER, limits="over_temperature_C = 300") as one:
        one.burn("temper", plan_from_text(f"stuck-relay@{HOLD_S}-{HOLD_S + 1200}"))
        one.pass_to(HOLD_S + 1200.0)
        assert sorted(one.episodes()) == [(AlertKind.OVER_TEMPERATURE, "east"), (AlertKind.STUCK_RELAY, "east")]
        assert one.phases(AlertKind.STUCK_RELAY)[:3] == [Phase.RAISED, Phase.REMINDED, Phase.ESCALATED]
        hot = next(event for event in one.told if event.kind is AlertKind.OVER_TEMPERATURE)
        assert hot.message.endswith("(the limit is 300 C).")
        assert "breaker" in hot.advice
        assert one.ask("acknowledge", alert="all", who="Ada").done
        told = len(one.told)
        one.pass_to(HOLD_S + 6000.0)
        later = [(event.kind, event.phase) for event in one.told[told:]]
        assert (AlertKind.STUCK_RELAY, Phase.CLEARED) in later
        assert (AlertKind.OVER_TEMPERATURE, Phase.CLEARED) in later
        assert all(phase is Phase.CLEARED for _, phase in later)


def test_an_element_that_dies_is_one_alert(tmp_path: Path) -> None:
    one = after_an_event(tmp_path, f"dead-element@{HOLD_S}-", to_s=HOLD_S + 1500.0)
    assert one.episodes() == [(AlertKind.DEAD_ELEMENT, "east")]


def test_a_hold_that_is_lost_is_told_where_the_output_is_not_known(tmp_path: Path) -> None:
    one = after_an_event(tmp_path, f"dead-element@{HOLD_S}-", to_s=HOLD_S + 1500.0, says_output=False)
    assert one.episodes() == [(AlertKind.HOLD_LOST, "east")]
    lost = next(event for event in one.told if event.kind is AlertKind.HOLD_LOST)
    assert "(the set point is 205 C)" in lost.message


class TooWeak:
    """A controller at two thirds of its power whose oven warms to 180 C and no further, with 205 C wanted."""

    time_s = 0.0

    def advance_to(self, time_s: float) -> None:
        self.time_s = time_s

    def display(self) -> Display:
        warm = 20.0 + 160.0 * min(1.0, self.time_s / 1800.0)
        return Display(warm + 0.1 * (self.time_s // 30.0 % 3.0), 205.0, output_percent=66.0)


def test_a_hold_that_is_not_reached_is_told(tmp_path: Path) -> None:
    with night(tmp_path, sheet=TEMPER) as one:
        one.burn("temper")
        one.line.heat = cast(Any, TooWeak())
        one.pass_to(5400.0)
        assert one.episodes() == [(AlertKind.HOLD_NOT_REACHED, "east")]
        told = next(event for event in one.told if event.kind is AlertKind.HOLD_NOT_REACHED)
        assert told.message == "180 C (the set point is 205 C)."
        assert told.time_s == pytest.approx(3700.0, abs=120.0)


@pytest.mark.slow
def test_a_skin_about_to_melt_and_then_melting_is_told_in_that_order_and_stays_told(tmp_path: Path) -> None:
    with night(tmp_path, poll_s=60.0, sheet=HOT_PACK) as one:
        one.burn("too-hot")
        one.pass_to(6 * 3600.0)
        kinds = [kind for kind, _ in one.episodes()]
        assert kinds == [AlertKind.NEAR_MELTING, AlertKind.MELTING]
        assert "left" in next(event for event in one.told if event.kind is AlertKind.NEAR_MELTING).message
        assert Phase.CLEARED not in one.phases(AlertKind.MELTING), "it has cooled, and nobody has seen it yet"
        last = {kind: [event for event in one.told if event.kind is kind][-1] for kind in kinds}
        assert (last[AlertKind.MELTING].phase, last[AlertKind.MELTING].title) == (Phase.REMINDED, "Skin has melted")
        assert last[AlertKind.NEAR_MELTING].message == "past that: it melted."
        assert one.ask("acknowledge", alert="melting").done
        one.pass_to(6.5 * 3600.0)
        assert one.phases(AlertKind.MELTING)[-1] is Phase.CLEARED


def test_steel_that_loses_carbon_is_told(tmp_path: Path) -> None:
    with night(tmp_path, poll_s=60.0, sheet=BARE) as one:
        one.burn("plane-iron")
        one.pass_to(3 * 3600.0)
        assert one.episodes() == [(AlertKind.DECARBURIZING, "east")]
        assert "% C" in next(event for event in one.told if event.kind is AlertKind.DECARBURIZING).message


def test_heating_up_to_harden_tells_of_no_temper_that_would_have_to_be_taken_back(tmp_path: Path) -> None:
    """Nobody stated the stages: to 800 C and a soak, past the heat at which 58 HRC would be left of a hard piece."""
    unstated = TEMPER.replace('[[stage]]\nkind = "temper"\n', '[[target]]\nquantity = "hardness"\nreach_HRC = 58\n')
    assert unstated != TEMPER
    with night(tmp_path, poll_s=60.0, sheet=unstated) as one:
        one.burn(program=Program((Ramp(kelvin_from_celsius(800.0), 400.0 / 3600.0), Soak(1800.0), Off())))
        one.pass_to(4 * 3600.0)
        assert {AlertKind.TARGET_REACHED, AlertKind.TARGET_SOON}.isdisjoint(event.kind for event in one.told)


def test_a_limit_that_is_passed_is_told_with_value_and_limit(tmp_path: Path) -> None:
    sheet = TEMPER + '[[target]]\nquantity = "soak time"\nreach_h = 0.25\nlimit = true\n'
    with night(tmp_path, sheet=sheet) as one:
        one.burn("temper")
        one.pass_to(HOLD_S + 600.0)
        assert one.episodes() == [(AlertKind.TARGET_PASSED, "soak time")]
        assert "the limit is 15 min" in next(e for e in one.told if e.kind is AlertKind.TARGET_PASSED).message


def test_a_wall_clock_that_is_set_is_news_and_the_run_does_not_feel_it(tmp_path: Path) -> None:
    with night(tmp_path, sheet=TEMPER) as one:

        def set_forward() -> None:
            one.clock.ahead_s = 3600.0

        one.burn("temper")
        one.pass_to(HOLD_S, {1800.0: set_forward})
        assert [kind for kind, _ in one.episodes(news=True)].count(AlertKind.CLOCK_JUMP) == 1
        (jump,) = [event for event in one.told if event.kind is AlertKind.CLOCK_JUMP]
        assert jump.message == "+3600 s."
        assert jump.time_s == pytest.approx(1800.0, abs=60.0)


def test_a_computer_that_was_switched_off_in_mid_run_tells_of_it_once(tmp_path: Path) -> None:
    with night(tmp_path, sheet=TEMPER) as one:

        def blink() -> None:
            one.switch_off()
            one.clock.now_s += 120.0
            one.switch_on()

        one.burn("temper")
        one.pass_to(HOLD_S + 600.0, {1800.0: blink, HOLD_S: blink})
        assert one.episodes() == [(AlertKind.RESTARTED, one.runs[0])] * 2
        assert one.oven.run is not None
        assert one.oven.run.run == one.runs[0]


def test_a_full_disk_is_one_alert_nothing_is_lost_and_the_watch_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with night(tmp_path, sheet=TEMPER) as one:
        one.burn("temper")
        one.pass_to(1200.0)
        with full_disk(monkeypatch):
            one.pass_to(2400.0)
            assert one.episodes() == [(AlertKind.RECORD_TROUBLE, "record.db")]
        one.pass_to(HOLD_S)
        assert one.phases(AlertKind.RECORD_TROUBLE)[-1] is Phase.CLEARED
        assert one.episodes() == [(AlertKind.RECORD_TROUBLE, "record.db")]
        assert (AlertKind.RECORD_TROUBLE, "record.db", Phase.RAISED) in one.recorded()
        with RecordReader(one.settings.record) as reader:
            times = reader.history(one.runs[0], "air").time_s
        assert times.size == 121
        assert set((times[1:] - times[:-1]).round(3)) == {30.0}


def test_a_disk_that_fills_up_is_told_while_there_is_still_room_and_taken_back_once_there_is_more(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Told below 100 MB, taken back at 150 MB: what lies between is neither news nor an all-clear."""
    free_MB = [500.0]
    monkeypatch.setattr("logger.record_desk.SPACE_EVERY_S", 0.0)
    monkeypatch.setattr(
        "logger.record_desk.shutil.disk_usage", lambda folder: SimpleNamespace(free=int(1e6 * free_MB[0]))
    )
    with night(tmp_path, sheet=TEMPER) as one:
        one.burn("temper")
        for to_s, free, phases in (
            (600.0, 120.0, []),
            (1800.0, 99.0, [Phase.RAISED]),
            (3000.0, 120.0, [Phase.RAISED]),
            (6000.0, 151.0, [Phase.RAISED, Phase.CLEARED]),
        ):
            free_MB[0] = free
            one.pass_to(to_s)
            told = [phase for phase in one.phases(AlertKind.DISK_SPACE) if phase is not Phase.REMINDED]
            assert told == phases, (to_s, free)
        assert one.episodes() == [(AlertKind.DISK_SPACE, "record.db")]
        raised = next(event for event in one.told if event.kind is AlertKind.DISK_SPACE)
        assert raised.message == f"the disk of {one.settings.record}. 99 MB free."


def test_an_idle_oven_that_is_too_hot_is_told_and_passed_on_to_the_run_that_begins(tmp_path: Path) -> None:
    with night(tmp_path, sheet=TEMPER, limits="over_temperature_C = 150") as one:
        one.line.burn("temper", FaultPlan(), 1)
        one.pass_to(2400.0)
        assert one.episodes() == [(AlertKind.OVER_TEMPERATURE, "east")]
        answer = one.ask("start", sheet_name="strap", sheet_text=TEMPER)
        one.pass_to(2700.0)
        assert one.episodes() == [(AlertKind.OVER_TEMPERATURE, "east")] * 2
        assert one.oven._book.open() == ()
        assert one.oven.run is not None
        assert [episode.fact.kind for episode in one.oven.run.open_alerts()] == [AlertKind.OVER_TEMPERATURE]
        assert answer.done


def test_a_mistake_of_our_own_in_the_estimate_is_told_and_the_readings_are_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object) -> None:
        raise ZeroDivisionError("planted")

    with night(tmp_path, sheet=TEMPER) as one:
        one.burn("temper")
        one.pass_to(600.0)
        with monkeypatch.context() as patched:
            patched.setattr("logger.watch.estimate.advance", fails)
            one.pass_to(1200.0)
        one.pass_to(2400.0)
        assert one.episodes() == [(AlertKind.OWN_MISTAKE, "east")]
        told = next(event for event in one.told if event.kind is AlertKind.OWN_MISTAKE)
        assert told.message == "the estimate failed: ZeroDivisionError: planted."
        assert one.phases(AlertKind.OWN_MISTAKE)[-1] is Phase.CLEARED
        with RecordReader(one.settings.record) as reader:
            assert reader.history(one.runs[0], "air").time_s.size == 81


def test_every_kind_of_alert_says_what_it_means_and_what_to_do(tmp_path: Path) -> None:
    for kind, rule in RULES.items():
        assert rule.meaning, kind
        assert rule.advice or rule.severity == "news", kind


def test_alerts_and_every_view_are_in_the_units_a_watch_was_asked_for(tmp_path: Path) -> None:
    with night(tmp_path, poll_s=60.0) as one:
        one.oven.in_units = asked_units("F", None)
        one.burn()
        one.pass_to(2.0 * 3600.0)
        (begun,) = [event for event in one.told if event.kind is AlertKind.SOAK_STARTED]
        now = one.oven.situation()
        assert isinstance(now, Situation)
        words, unit = begun.message.removeprefix("inside ").removesuffix(".").rsplit(" ", 1)
        low_F, high_F = map(float, words.split(" to "))
        assert unit == "F"
        assert 1650.0 < low_F < high_F < 1750.0  # the heat holds 925 C, 1697 F
        assert high_F - low_F == pytest.approx(50.4, abs=1.0)  # 14 C either side
        assert now.problem.sheet.display == DisplayUnits("F", "mm")


def test_what_waits_to_be_worked_out_is_told_from_an_oven_that_is_silent(tmp_path: Path) -> None:
    with night(tmp_path, poll_s=60.0) as one:
        one.burn()
        one.pass_to(600.0)
        (poller,) = one.oven.ports.pollers.values()
        for _ in range(20):
            poller._one_round()
        slow = one.oven.situation()
        assert isinstance(slow, Situation)
        assert slow.behind_s == pytest.approx(1200.0)
        one._drain()
        again = one.oven.situation()
        assert isinstance(again, Situation)
        assert again.behind_s == 0.0


@pytest.mark.parametrize("ended_by", ["the time asked for", "a request"])
def test_a_run_ends_with_its_last_reading_where_the_computer_is_behind(tmp_path: Path, ended_by: str) -> None:
    with night(tmp_path, poll_s=60.0) as one:
        run = one.burn()
        (poller,) = one.oven.ports.pollers.values()
        for number in range(20):
            if number == 10 and ended_by == "a request":
                one.oven.put(Order("stop", {}, lambda answer: None))
            poller._one_round()
        if ended_by == "the time asked for":
            one.oven.until_s = 500.0
        one._drain()
        with RecordReader(one.settings.record) as reader:
            row, last = reader.run(run), reader.last_reading(run)
        assert last is not None
        assert row.ended_utc_s == last.utc_s
        assert last.time_s < 700.0 < one.clock.now_s - one.line.began_s
