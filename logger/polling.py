"""Asks every controller on a port in turn, on a schedule that does not drift, and hands on whatever comes back.

One thread per port; nothing else touches the port. Every slot of the schedule ends in exactly one `PollResult`, also
when nobody answered. A port that is lost is opened again, with growing pauses, for as long as it takes.
"""

import threading
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from enum import StrEnum
from math import nan

from logger.clock import Clock
from logger.controllers.channel_reading import missing, says_zero
from logger.controllers.controller import RawReading
from logger.controllers.link import Connected, PolledController, connect_port
from logger.controllers.link_faults import LinkFault, LinkLost, NoAnswer, PortMissing, PortTaken
from logger.controllers.settings import ControllerSettings, PortSettings, Quantity
from logger.errors import OutsideFault
from logger.reading import Quality
from logger.reading_quality import Observation, QualityState, Suspicion, judge, no_reading

FIRST_PAUSE_S = 0.5
LONGEST_PAUSE_S = 15.0
"""Pauses between attempts to open a lost port [s], doubling from the first to the longest (our choice)."""

SILENT_BEFORE_SPARING = 5
MOST_SPARED_SLOTS = 8
"""A controller silent so often in a row is asked only every 2nd, 4th, at last every 8th slot, so that its deadline does
not eat the time of the others on its line (our choice)."""

NOT_READY_WAIT_S = 0.02

PAUSE_S = 30.0
"""A schedule that stood still for longer than this [s], and three intervals, is told (our choice)."""


@dataclass(frozen=True, slots=True)
class PollResult:
    """What one slot of a controller's schedule brought: its readings, or why there are none.

    ``readings`` always holds one reading per channel; when there was no answer their quality is ``MISSING`` and
    ``fault`` says why. The times are those of the answer (or of giving up): the clock's own and UTC [s].
    The readings' quality is final: what each channel said before is taken into account. ``suspicions`` are what is odd
    about a channel at this moment, whether its readings are believed or not.
    """

    port: str
    controller: str
    monotonic_s: float
    utc_s: float
    readings: tuple[RawReading, ...]
    fault: LinkFault | None = None
    suspicions: tuple[tuple[str, Suspicion], ...] = ()


class LinkState(StrEnum):
    """What became of a port, or of one controller on it."""

    LOST = "lost"
    RESTORED = "restored"
    FAILED = "failed"  # a mistake of our own: the poller of this port has stopped
    PAUSED = "paused"  # nothing was asked for a while: the computer slept, or had no time


@dataclass(frozen=True, slots=True)
class LinkEvent:
    """A port (``controller`` empty) or a controller stopped, or began again, to answer."""

    port: str
    controller: str
    monotonic_s: float
    utc_s: float
    state: LinkState
    why: str = ""


Sink = Callable[[PollResult | LinkEvent], None]


@dataclass(frozen=True, slots=True)
class HitRate:
    """How often a channel brought a good reading when it was asked, and how many slots passed unasked."""

    asked: int = 0
    good: int = 0
    skipped: int = 0

    @property
    def fraction(self) -> float:
        """Good readings per question, 0 to 1; 1 before the first question."""
        return self.good / self.asked if self.asked else 1.0


@dataclass
class _Schedule:
    """One controller's place in the port's round."""

    settings: ControllerSettings
    controller: PolledController
    due_s: float
    tries_left: int
    silent_in_a_row: int = 0
    spared: int = 0
    answering: bool | None = None
    asked: int = 0
    skipped: int = 0
    good: dict[str, int] = field(default_factory=dict)
    quality: dict[str, QualityState] = field(default_factory=dict)


class Poller:
    """Polls the controllers of one port in a thread of its own until stopped.

    The sink is called from that thread, in time order; it should return quickly.
    """

    def __init__(
        self,
        port: PortSettings,
        clock: Clock,
        sink: Sink,
        connect: Callable[[PortSettings, Clock], Connected] = connect_port,
    ) -> None:
        self.port = port
        self._clock = clock
        self._sink = sink
        self._stop = threading.Event()
        self._connected = connect(port, clock)
        now_s = clock.monotonic_s()
        self._schedules = [
            _Schedule(settings, controller, now_s, settings.tries)
            for settings, controller in zip(port.controllers, self._connected.controllers, strict=True)
        ]
        self._pause_s = 0.0
        self._open_again_s = now_s
        self._port_lost: bool | None = None
        self._lost_because: LinkFault = LinkLost(f"{port.name}: not open yet")
        self._thread = threading.Thread(target=self._run, name=f"polling {port.name}", daemon=True)

    def start(self) -> None:
        """Begin to poll."""
        self._thread.start()

    def stop(self) -> None:
        """Ask the thread to end after the question it is waiting on; returns at once."""
        self._stop.set()

    def join(self, timeout_s: float | None = None) -> bool:
        """Wait until the thread has ended: True; False when it has not within the timeout [s]."""
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def hit_rates(self) -> dict[str, HitRate]:
        """Hit rate of every channel on this port, by name."""
        return {
            channel.name: HitRate(schedule.asked, schedule.good.get(channel.name, 0), schedule.skipped)
            for schedule in self._schedules
            for channel in schedule.settings.channels
        }

    # -- the thread --------------------------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            for schedule in self._schedules:
                schedule.due_s = self._clock.monotonic_s()
            while not self._stop.is_set():
                self._one_round()
        except BaseException as error:
            self._tell(LinkState.FAILED, "", f"{type(error).__name__}: {error}")
            raise
        finally:
            for schedule in self._schedules:
                schedule.controller.close()
            self._connected.link.close()

    def _one_round(self) -> None:
        self._try_to_open()
        schedule = min(self._schedules, key=lambda each: each.due_s)
        wake_s = schedule.due_s if self._connected.link.is_open else min(schedule.due_s, self._open_again_s)
        if not self._clock.wait_until_s(wake_s, self._stop):
            return
        if schedule.due_s > self._clock.monotonic_s():
            return  # time to try the port again
        now_s = self._clock.monotonic_s()
        due = sorted((each for each in self._schedules if each.due_s <= now_s), key=lambda each: each.due_s)
        ready = next((each for each in due if not self._connected.link.is_open or each.controller.ready()), None)
        if ready is None:
            self._stop.wait(NOT_READY_WAIT_S)
            return
        self._ask(ready)

    def _try_to_open(self) -> None:
        if self._connected.link.is_open or self._clock.monotonic_s() < self._open_again_s:
            return
        try:
            self._connected.link.open()
        except OutsideFault as fault:
            self._lost(fault)
            self._pause_s = min(LONGEST_PAUSE_S, max(FIRST_PAUSE_S, 2.0 * self._pause_s))
            self._open_again_s = self._clock.monotonic_s() + self._pause_s

    def _lost(self, fault: OutsideFault) -> None:
        if self._port_lost is not True:
            self._tell(LinkState.LOST, "", str(fault))
        self._port_lost = True
        self._lost_because = fault if isinstance(fault, LinkFault) else LinkLost(str(fault))

    def _ask(self, schedule: _Schedule) -> None:
        if not self._connected.link.is_open:
            self._end_slot(schedule, None, self._lost_because)
            return
        if schedule.spared > 0:
            schedule.spared -= 1
            schedule.asked -= 1
            self._end_slot(schedule, None, NoAnswer(f"{schedule.settings.name}: silent, asked less often"))
            return
        schedule.tries_left -= 1
        try:
            readings = schedule.controller.read()
        except (LinkLost, PortMissing, PortTaken) as fault:
            self._connected.link.close()
            self._lost(fault)
            self._open_again_s = self._clock.monotonic_s()
            self._end_slot(schedule, None, fault)
        except LinkFault as fault:
            if schedule.tries_left > 0 and not isinstance(fault, NoAnswer):
                return  # once more in the same slot, as soon as the line is ready for it
            self._count_silence(schedule, fault)
            self._end_slot(schedule, None, fault)
        else:
            self._answered(schedule)
            self._end_slot(schedule, readings, None)

    def _judged(self, schedule: _Schedule, readings: list[RawReading], now_s: float) -> list[RawReading]:
        """The same readings with their quality as it is in the light of what each channel said before."""
        output = next(
            (each.value for each in readings if each.quantity is Quantity.OUTPUT and each.quality == "good"), nan
        )
        judged = []
        for channel, reading in zip(schedule.settings.channels, readings, strict=True):
            if reading.quantity is not Quantity.TEMPERATURE:
                judged.append(reading)
                continue
            state = schedule.quality.get(channel.name, QualityState())
            if reading.quality is not Quality.GOOD:
                schedule.quality[channel.name] = no_reading(state)
                judged.append(reading)
                continue
            is_zero = channel.thermocouple is None and says_zero(reading.raw)
            seen = Observation(now_s, reading.temperature_K, output, is_zero)
            judgement = judge(state, seen, channel.rate_limit_K_per_s)
            schedule.quality[channel.name] = judgement.state
            judged.append(replace(reading, quality=judgement.quality))
        return judged

    def _answered(self, schedule: _Schedule) -> None:
        schedule.silent_in_a_row = 0
        self._pause_s = 0.0
        if self._port_lost is True:
            self._tell(LinkState.RESTORED, "")
        self._port_lost = False
        if schedule.answering is False:
            self._tell(LinkState.RESTORED, schedule.settings.name)
        schedule.answering = True

    def _count_silence(self, schedule: _Schedule, fault: LinkFault) -> None:
        schedule.silent_in_a_row += 1
        if schedule.silent_in_a_row == SILENT_BEFORE_SPARING and schedule.answering is not False:
            schedule.answering = False
            self._tell(LinkState.LOST, schedule.settings.name, str(fault))
        beyond = schedule.silent_in_a_row - SILENT_BEFORE_SPARING
        if beyond >= 0 and len(self._schedules) > 1 and isinstance(fault, NoAnswer):
            schedule.spared = min(MOST_SPARED_SLOTS, 2 ** (beyond + 1)) - 1

    def _end_slot(self, schedule: _Schedule, readings: list[RawReading] | None, fault: LinkFault | None) -> None:
        now_s = self._clock.monotonic_s()
        if readings is None:
            readings = [missing(channel, str(fault)) for channel in schedule.settings.channels]
        readings = self._judged(schedule, readings, now_s)
        for reading in readings:
            if reading.quality is Quality.GOOD:
                schedule.good[reading.channel] = schedule.good.get(reading.channel, 0) + 1
        suspicions = tuple(
            (name, suspicion) for name, state in schedule.quality.items() for suspicion in sorted(state.suspicions)
        )
        utc_s = self._clock.utc_s()
        self._sink(PollResult(self.port.name, schedule.settings.name, now_s, utc_s, tuple(readings), fault, suspicions))
        schedule.asked += 1
        schedule.tries_left = schedule.settings.tries
        schedule.due_s += schedule.settings.poll_interval_s
        missed = int((now_s - schedule.due_s) // schedule.settings.poll_interval_s)
        if missed > 0:  # a slot less than one interval late is still asked; whole missed ones are skipped and counted
            schedule.skipped += missed
            stood_still_s = missed * schedule.settings.poll_interval_s
            if stood_still_s > max(PAUSE_S, 3.0 * schedule.settings.poll_interval_s):
                self._tell(LinkState.PAUSED, schedule.settings.name, f"nothing was asked for {stood_still_s:.0f} s")
            schedule.due_s += missed * schedule.settings.poll_interval_s

    def _tell(self, state: LinkState, controller: str, why: str = "") -> None:
        self._sink(LinkEvent(self.port.name, controller, self._clock.monotonic_s(), self._clock.utc_s(), state, why))
