"""The schedule of a port: steady, complete, and never held up by one silent controller."""

import os
import threading
from collections.abc import Callable

import pytest

from logger.clock import FastClock, RealClock
from logger.controllers.controller import RawReading
from logger.controllers.link import Connected
from logger.controllers.link_faults import BadAnswer, LinkFault, LinkLost, NoAnswer, PortMissing
from logger.controllers.settings import (
    ChannelSettings,
    ControllerSettings,
    PortSettings,
    RegisterAddress,
    RegisterSource,
)
from logger.polling import LinkEvent, LinkState, Poller, PollResult
from logger.reading import Quality
from logger.reading_quality import Suspicion
from tests.controllers.scripted_bus import RegisterTable, ScriptedBus, registers_answer

FIRST_REGISTER = RegisterSource(RegisterAddress(3, 0))


def oven(name: str, unit: int = 1, interval_s: float = 1.0, **more) -> ControllerSettings:
    channels = (ChannelSettings(name, FIRST_REGISTER),)
    return ControllerSettings(name, channels, unit, interval_s, answer_deadline_s=0.1, slowest_answer_s=0.1, **more)


class Collected:
    """A sink that keeps everything and can be waited on."""

    def __init__(self) -> None:
        self.everything: list[PollResult | LinkEvent] = []
        self._changed = threading.Condition()

    def __call__(self, one: PollResult | LinkEvent) -> None:
        with self._changed:
            self.everything.append(one)
            self._changed.notify_all()

    def wait_for(self, condition: Callable[["Collected"], bool], timeout_s: float = 20.0) -> None:
        with self._changed:
            assert self._changed.wait_for(lambda: condition(self), timeout_s), self.everything[-5:]

    def results(self, controller: str) -> list[PollResult]:
        return [one for one in self.everything if isinstance(one, PollResult) and one.controller == controller]

    def events(self) -> list[tuple[str, LinkState]]:
        return [(one.controller, one.state) for one in self.everything if isinstance(one, LinkEvent)]


class SteppedClock:
    """Time stands still except where something waits for it or takes it."""

    def __init__(self) -> None:
        self.now_s = 1000.0

    def utc_s(self) -> float:
        return 1.7e9 + self.now_s

    def monotonic_s(self) -> float:
        return self.now_s

    def wait_until_s(self, monotonic_s: float, stop: threading.Event) -> bool:
        if stop.is_set():
            return False
        self.now_s = max(self.now_s, monotonic_s)
        return True

    def describe(self) -> str:
        return "stepped"


class PlannedLink:
    """A link without a wire: each opening and each question takes the time and has the outcome it is told."""

    def __init__(self, clock: SteppedClock) -> None:
        self.clock = clock
        self.is_open = False
        self.opening: Callable[[], None] = lambda: None

    def open(self) -> None:
        self.opening()
        self.is_open = True

    def close(self) -> None:
        self.is_open = False


class PlannedController:
    def __init__(
        self, name: str, clock: SteppedClock, answer: Callable[[int], float | LinkFault], takes_s: float = 0.01
    ):
        self.name, self.clock, self.answer, self.takes_s = name, clock, answer, takes_s
        self.asked_at_s: list[float] = []

    def ready(self) -> bool:
        return True

    def read(self) -> list[RawReading]:
        self.asked_at_s.append(self.clock.now_s)
        outcome = self.answer(len(self.asked_at_s))
        self.clock.now_s += self.takes_s
        if isinstance(outcome, LinkFault):
            raise outcome
        return [RawReading(self.name, outcome, Quality.GOOD)]

    def close(self) -> None: ...


def run_planned(
    settings: tuple[ControllerSettings, ...],
    controllers: tuple[PlannedController, ...],
    clock: SteppedClock,
    until_s: float,
    link: PlannedLink | None = None,
) -> tuple[Collected, Poller]:
    sink = Collected()
    link = link or PlannedLink(clock)

    def take(one: PollResult | LinkEvent) -> None:
        sink(one)
        if one.monotonic_s >= 1000.0 + until_s:
            poller.stop()

    poller = Poller(PortSettings("port", controllers=settings), clock, take, lambda *_: Connected(link, controllers))
    poller.start()
    assert poller.join(20.0)
    return sink, poller


def test_the_schedule_does_not_drift_however_long_answers_take():
    clock = SteppedClock()
    controller = PlannedController("oven", clock, lambda n: 300.0, takes_s=0.3)
    run_planned((oven("oven"),), (controller,), clock, 100.0)
    assert controller.asked_at_s[:100] == [1000.0 + n for n in range(100)]


def test_missed_slots_are_skipped_and_counted_and_the_rest_stay_on_the_grid():
    clock = SteppedClock()
    controller = PlannedController("oven", clock, lambda n: 300.0, takes_s=0.1)

    def slow_once(n: int) -> float:
        if n == 3:
            clock.now_s += 4.5  # the computer slept
        return 300.0

    controller.answer = slow_once
    _, poller = run_planned((oven("oven"),), (controller,), clock, 12.0)
    slots = [at_s - 1000.0 for at_s in controller.asked_at_s]
    assert slots[:5] == pytest.approx([0.0, 1.0, 2.0, 6.6, 7.0])
    assert poller.hit_rates()["oven"].skipped == 3


def test_every_slot_ends_in_one_result_also_without_an_answer():
    clock = SteppedClock()
    controller = PlannedController("oven", clock, lambda n: NoAnswer("nobody") if n % 2 else 300.0)
    sink, poller = run_planned((oven("oven"),), (controller,), clock, 9.5)
    results = sink.results("oven")
    assert [result.readings[0].quality for result in results[:4]] == [Quality.MISSING, Quality.GOOD] * 2
    assert results[0].readings[0].raw == "nobody"
    assert str(results[0].fault) == "nobody"
    rate = poller.hit_rates()["oven"]
    assert (rate.asked, rate.good) == (len(results), len(results) // 2)


def test_a_garbled_answer_is_asked_for_once_more_in_the_same_slot():
    clock = SteppedClock()
    controller = PlannedController("oven", clock, lambda n: BadAnswer("noise") if n == 1 else 300.0)
    sink, _ = run_planned((oven("oven"),), (controller,), clock, 2.5)
    assert sink.results("oven")[0].readings[0].quality is Quality.GOOD
    assert len(sink.results("oven")) == len(controller.asked_at_s) - 1


def test_one_silent_controller_does_not_hold_up_the_others_beyond_its_deadline():
    clock = SteppedClock()
    silent = PlannedController("silent", clock, lambda n: NoAnswer("nobody"), takes_s=0.5)
    others = tuple(PlannedController(name, clock, lambda n: 300.0) for name in ("left", "middle", "right"))
    settings = tuple(oven(each.name) for each in (silent, *others))
    sink, _ = run_planned(settings, (silent, *others), clock, 60.0)
    for other in others:
        lateness_s = [at_s - 1000.0 - n for n, at_s in enumerate(other.asked_at_s)]
        assert len(lateness_s) >= 60
        assert max(lateness_s) < 0.5 + 0.05
    assert len(silent.asked_at_s) < 15  # after a while it is asked less often
    assert len(sink.results("silent")) >= 60  # and each of its slots is a missing reading all the same
    assert ("silent", LinkState.LOST) in sink.events()


def test_a_missing_port_is_tried_again_with_growing_pauses_and_told_once():
    clock = SteppedClock()
    link = PlannedLink(clock)
    tried_at_s: list[float] = []

    def opening() -> None:
        tried_at_s.append(clock.now_s - 1000.0)
        if clock.now_s < 1060.0:
            raise PortMissing("port: not there")

    link.opening = opening
    controller = PlannedController("oven", clock, lambda n: 300.0)
    sink, poller = run_planned((oven("oven", interval_s=7.0),), (controller,), clock, 90.0, link)
    assert tried_at_s == pytest.approx([0.0, 0.5, 1.5, 3.5, 7.5, 15.5, 30.5, 45.5, 60.5])
    assert sink.events() == [("", LinkState.LOST), ("", LinkState.RESTORED)]
    first = sink.results("oven")[0]
    assert first.readings[0].quality is Quality.MISSING
    assert first.readings[0].raw == "port: not there"
    assert poller.hit_rates()["oven"].good == len(controller.asked_at_s)


def test_a_mistake_of_our_own_is_told_and_not_hidden():
    clock = SteppedClock()
    caught: list[threading.ExceptHookArgs] = []
    before, threading.excepthook = threading.excepthook, caught.append

    def broken(n: int) -> float:
        raise ZeroDivisionError("our mistake")

    try:
        sink, _ = run_planned((oven("oven"),), (PlannedController("oven", clock, broken),), clock, 9.0)
    finally:
        threading.excepthook = before
    assert sink.events() == [("", LinkState.FAILED)]
    assert caught[0].exc_type is ZeroDivisionError


def test_what_a_channel_said_before_decides_whether_a_reading_is_believed():
    clock = SteppedClock()
    controller = PlannedController("oven", clock, lambda n: 1300.0 if n == 5 else 1200.0 + 0.1 * n)
    sink, _ = run_planned((oven("oven"),), (controller,), clock, 8.0)
    qualities = [result.readings[0].quality for result in sink.results("oven")[:7]]
    assert qualities == [Quality.GOOD] * 4 + [Quality.SPIKE] + [Quality.GOOD] * 2
    assert sink.results("oven")[4].readings[0].temperature_K == 1300.0  # kept as it was read


def test_suspicions_travel_with_the_results():
    clock = SteppedClock()
    controller = PlannedController("oven", clock, lambda n: 1300.0 if n % 2 else 1200.0)
    sink, _ = run_planned((oven("oven"),), (controller,), clock, 20.0)
    assert sink.results("oven")[-1].suspicions == (("oven", Suspicion.SPIKES),)


def test_a_computer_that_slept_says_for_how_long_nothing_was_asked():
    clock = SteppedClock()

    def sleep_once(n: int) -> float:
        clock.now_s += 7200.0 if n == 3 else 0.0
        return 300.0

    sink, _ = run_planned((oven("oven"),), (PlannedController("oven", clock, sleep_once),), clock, 7210.0)
    events = [one for one in sink.everything if isinstance(one, LinkEvent)]
    assert [(one.state, one.why) for one in events] == [(LinkState.PAUSED, "nothing was asked for 7199 s")]


# -- over a real port -------------------------------------------------------------------------------------------


def test_readings_arrive_over_a_real_port_with_both_times():
    with ScriptedBus(RegisterTable({0: 925})) as bus:
        sink = Collected()
        clock = RealClock()
        before_s = clock.monotonic_s()
        poller = Poller(PortSettings(bus.name, controllers=(oven("oven", interval_s=0.05),)), clock, sink)
        poller.start()
        sink.wait_for(lambda sink: len(sink.results("oven")) >= 3)
        poller.stop()
        assert poller.join(5.0)
        result = sink.results("oven")[0]
        assert result.readings == (RawReading("oven", 925.0 + 273.15, Quality.GOOD, "925"),)
        assert result.monotonic_s >= before_s
        assert abs(result.utc_s - clock.utc_s()) < 60.0


def test_an_unplugged_adapter_is_lost_and_its_return_under_another_name_restores_the_link(tmp_path):
    by_id = tmp_path / "by-id"
    first = ScriptedBus(RegisterTable({0: 925, 1: 0, 2: 0, 3: 0}))
    os.symlink(first.name, by_id)
    sink = Collected()
    poller = Poller(PortSettings(str(by_id), controllers=(oven("oven", interval_s=0.05),)), FastClock(3.0), sink)
    poller.start()
    sink.wait_for(lambda sink: len(sink.results("oven")) >= 2)
    first.vanish()
    sink.wait_for(lambda sink: ("", LinkState.LOST) in sink.events())
    with ScriptedBus(RegisterTable({0: 930, 1: 0, 2: 0, 3: 0})) as second:
        by_id.unlink()
        os.symlink(second.name, by_id)
        sink.wait_for(lambda sink: sink.results("oven")[-1].readings[0].raw == "930")
        poller.stop()
        assert poller.join(5.0)
    assert sink.events() == [("", LinkState.LOST), ("", LinkState.RESTORED)]
    assert isinstance(next(one for one in sink.results("oven") if one.fault).fault, LinkLost)


def test_several_controllers_share_one_line():
    tables = {unit: RegisterTable({0: 100 * unit, 1: 0, 2: 0, 3: 0}, unit) for unit in (1, 2, 3)}
    with ScriptedBus(lambda request: tables[request[0]](request) if request[0] in tables else []) as bus:
        sink = Collected()
        controllers = tuple(oven(f"oven {unit}", unit, interval_s=0.1) for unit in (1, 2, 3, 4))
        poller = Poller(PortSettings(bus.name, controllers=controllers), RealClock(), sink)
        poller.start()
        sink.wait_for(lambda sink: all(len(sink.results(f"oven {unit}")) >= 4 for unit in (1, 2, 3, 4)))
        poller.stop()
        assert poller.join(5.0)
    for unit in (1, 2, 3):
        good = [one for result in sink.results(f"oven {unit}") for one in result.readings if one.quality == "good"]
        assert {one.raw for one in good} == {str(100 * unit)}
    assert {result.readings[0].quality for result in sink.results("oven 4")} == {Quality.MISSING}


def test_stopping_does_not_wait_for_the_next_slot():
    with ScriptedBus(lambda request: [registers_answer(1, 3, [9])]) as bus:
        sink = Collected()
        poller = Poller(PortSettings(bus.name, controllers=(oven("oven", interval_s=3600.0),)), RealClock(), sink)
        poller.start()
        sink.wait_for(lambda sink: len(sink.results("oven")) == 1)
        poller.stop()
        assert poller.join(5.0)
