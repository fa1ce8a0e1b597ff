"""Watch: one run of one oven, from its first reading to its last.

Every reading goes into the record before anything is worked out from it; then the estimate is advanced, the targets
and warnings are judged, and what deserves it becomes an alert. Nothing here owns a thread or a port: `logger.daemon`
calls `take` with what the pollers bring, `tick` when they bring nothing, and `end`. Bands and forecast take so long
that readings would wait for them: a worker of the daemon makes them, and the watch takes them when they are done.
"""

import logging
from collections.abc import Mapping
from concurrent.futures import Executor, Future
from dataclasses import dataclass, field
from math import isfinite, nan
from typing import Any

import numpy as np

from logger import alert, target
from logger.alert import AlertKind, Episode, Fact
from logger.alert_book import AlertBook, Announce
from logger.clock import Clock
from logger.controllers.controller import RawReading
from logger.controllers.settings import Quantity as ChannelQuantity
from logger.correction_record import CORRECTION_USED, plain_correction
from logger.errors import OutsideFault
from logger.estimate import estimate
from logger.estimate.bands import Bands
from logger.estimate.carbon_result import CarbonWarningKind
from logger.estimate.estimate import EstimateState, Problem
from logger.estimate.result import Estimate
from logger.estimate.soak import Soak
from logger.history import History
from logger.outlook import Outlook, outlook
from logger.polling import LinkEvent, LinkState, PollResult
from logger.reading import Quality, Reading
from logger.reading_quality import Suspicion
from logger.record import RecordReader, RecordWriter, RunRow
from logger.run_time import JUMP_S, Moment, Timeline, clock_jump_s, resume
from logger.sheet import RunSheet
from logger.situation import Situation
from logger.target import Forecast
from logger.thermocouple import Thermocouple, ThermocoupleCaution, cautions, from_plain, plain

log = logging.getLogger("soaktally.watch")

FORECAST_EVERY_S = 300.0
"""How often bands and forecast are made anew [s of run time]: often enough to follow, seldom enough to cost nothing."""

FORECAST_EVERY_REAL_S = 5.0
"""Nor oftener than this [s of real time], where a simulated clock runs fast."""

SOON_S = 900.0
"""A target this near [s] is announced: time to get dressed and walk to the shop (our choice)."""

RATE_OVER_S = 600.0
"""The oven's present rate of heating is taken over this long [s]."""

WARNING_ALERTS = {
    CarbonWarningKind.NEAR_MELTING: AlertKind.NEAR_MELTING,
    CarbonWarningKind.MOLTEN: AlertKind.MELTING,
    CarbonWarningKind.DECARBURIZING: AlertKind.DECARBURIZING,
}
"""Which warnings of the estimate wake somebody up."""

STALE_AFTER_S, STALE_INTERVALS, STALE_REAL_S = 90.0, 5.0, 3.0
"""What is shown is called old after this long [s], this many polls, and this long of real time [s]: the longest."""

SUSPECTED = {
    Suspicion.RISING_WITHOUT_HEAT: AlertKind.STUCK_RELAY,
    Suspicion.FALLING_AT_FULL_HEAT: AlertKind.DEAD_ELEMENT,
    Suspicion.NO_PROGRESS: AlertKind.DEAD_ELEMENT,
}
"""What the behaviour of a channel says about the oven."""

SENSOR_SUSPECTED = {
    Suspicion.SPIKES: "jumps again and again: a loose connection, or interference",
    Suspicion.FALLING_ON_HEATING: "falls while it should heat up: are the thermocouple's wires swapped?",
    Suspicion.STAYS_COLD: "stays at room temperature while the oven is heated: is the thermocouple shorted, or not in?",
}
"""What the behaviour of a channel says about its thermocouple."""

WATCH_STARTED = "watch started"

log = logging.getLogger("soaktally.watch")


@dataclass
class Watch:
    """One run being watched. Call `begin` (or `take_up`) once, then `take` and `tick`, then `end`.

    Parameters
    ----------
    oven : name of the oven
    channels : names of its temperature channels
    sheet, sheet_name, sheet_text : the run sheet, its name, and its words as they were written
    record : the record's one writer
    clock : where time comes from
    poll_interval_s : how often the driving channel is asked [s]
    thermocouples : what is known of each channel's thermocouple
    announce : called with everything that is to be carried out, once it is recorded
    worker : works out bands and forecast beside the watch; None: the watch does it itself, at once

    Raises   InputFault    several temperature channels and a sheet that does not say which one drives the run
    """

    oven: str
    channels: tuple[str, ...]
    sheet: RunSheet
    sheet_name: str
    sheet_text: str
    record: RecordWriter
    clock: Clock
    poll_interval_s: float
    software: str
    announce: Announce
    thermocouples: Mapping[str, Thermocouple] = field(default_factory=dict)
    over_temperature_K: float | None = None
    boot: str = ""
    worker: Executor | None = None
    run: str = ""
    finished: bool = False
    problem: Problem = field(init=False)
    state: EstimateState = field(init=False)
    forecast: Forecast | None = None
    bands: Bands | None = None
    set_point_K: float = nan
    output_pct: float = nan
    last_good_s: float | None = None
    _book: AlertBook = field(init=False)
    _seen: Estimate = field(init=False)
    _timeline: Timeline = field(init=False)
    _last: Moment | None = None
    _over_temperature: bool = False
    _suspicions: dict[str, frozenset[Suspicion]] = field(default_factory=dict)
    _mistake: str = ""
    _next_forecast_s: float = 0.0
    _awaited: Future[Outlook] | None = None
    _soaks_begun: int = 0
    _soaks_ended: int = 0
    _links_lost: dict[str, str] = field(default_factory=dict)
    _recent: list[tuple[float, float]] = field(default_factory=list)

    def __post_init__(self) -> None:
        driving = estimate.driving_channel(self.channels, self.sheet)
        self.problem = estimate.problem_from_sheet(self.sheet, self.thermocouples.get(driving))
        self.state = estimate.begin(self.problem, driving)
        self._seen = estimate.at_end(self.problem, self.state)
        self._book = AlertBook(self.record, self.announce, self.oven)

    # --- from begin to end ---

    def begin(self) -> str:
        """Begin a run and return its id."""
        now = self._moment()
        self.run = self.record.begin_run(
            oven=self.oven,
            channels=self.channels,
            sheet_name=self.sheet_name,
            sheet_text=self.sheet_text,
            started_utc_s=now.utc_s,
            clock=self.clock.describe() or "real",
            software=self.software,
            poll_interval_s=self.poll_interval_s,
        )
        self._book.run = self.run
        self._timeline = Timeline(0.0, now.monotonic_s)
        self._started(now)
        correction = self.sheet.correction
        if correction is not None:
            learned = f"from {', '.join(correction.evidence)}" if correction.evidence else "from the run sheet"
            self._say(CORRECTION_USED, learned, now, correction=plain_correction(correction))
        return self.run

    def take_up(self, row: RunRow, reader: RecordReader, restarted: bool = True) -> None:
        """Go on with a run that was broken off: the estimate is worked out again from the record, to the same bits.

        Parameters
        ----------
        row, reader : the run, and the record it is in
        restarted : whether nobody watched meanwhile, which is worth an alert; False when only settings have changed
        """
        self.run = self._book.run = row.id
        self.poll_interval_s = row.poll_interval_s
        history = reader.history(row.id, self.state.channel)
        self._advance(history)
        self._book.restore(kept.event for kept in reader.alerts(run=row.id))
        counts = self._book.state.counts
        self._soaks_begun = len([key for kind, key in counts if kind is AlertKind.SOAK_STARTED])
        self._soaks_ended = len([key for kind, key in counts if kind is AlertKind.SOAK_ENDED])
        now = self._moment()
        last = reader.last_reading(row.id)
        if last is None:
            self._timeline = Timeline(max(0.0, now.utc_s - row.started_utc_s), now.monotonic_s)
            self._started(now)
            return
        good = history.time_s[history.good]
        self.last_good_s = float(good[-1]) if good.size else None
        again = resume(last.time_s, Moment(last.utc_s, last.monotonic_s, _boot_of(reader, row.id)), now)
        self._timeline = again.timeline
        self._started(now)
        if not restarted:
            return
        self._say("taken up", f"the run goes on after {again.gap_s:.0f} s nobody watched: {again.why}", now)
        self._judge([Fact(AlertKind.RESTARTED, row.id, active=True, text=again.why)], now)

    def end(self, how: str) -> None:
        """Close the run, saying how it ended."""
        if self.finished:
            return
        self.finished = True
        if self._awaited is not None:
            self._awaited.cancel()
            self._awaited = None
        self.bands = estimate.bands_at_end(self.problem, self.state)
        now = self._moment()
        self._judge([Fact(AlertKind.RUN_ENDED, self.run, active=True, text=how)], now)
        try:
            self.record.end_run(self.run, how, ended_utc_s=now.utc_s)
        except OutsideFault as fault:
            log.error("run %s: its end waits in memory: %s", self.run, fault)

    # --- what the pollers bring ---

    def take(self, brought: PollResult | LinkEvent) -> None:
        """Take in one answer, or the news that there is none. What is older than the run is left alone."""
        if self.time_of(brought) < 0.0:
            return
        moment = Moment(brought.utc_s, brought.monotonic_s, self.boot)
        self._notice_clock(moment)
        if isinstance(brought, LinkEvent):
            self._take_link(brought, moment)
            return
        readings = self._readings(brought, moment)
        try:
            self.record.append_readings(self.run, readings)
        except OutsideFault as fault:  # they wait in memory until the record is back; the watch goes on
            log.error("run %s: %s", self.run, fault)
        self._suspect(brought)
        for reading in readings:
            if reading.channel == self.state.channel:
                self._take_driving(reading)
        self._take_outlook()
        self._judge([*self._sensor_facts(readings), *self._oven_facts(readings), *self._run_facts()], moment)

    def tick(self) -> None:
        """Let time pass where nothing was brought: reminders, and silence that has lasted too long."""
        self._take_outlook()
        self._judge([], self._moment())

    def notice(self, facts: list[Fact]) -> None:
        """Take in facts from elsewhere: the port that says nothing at all, a mistake of our own."""
        self._judge(facts, self._moment())

    def acknowledge(self, kind: AlertKind, key: str, who: str = "") -> bool:
        """Somebody has seen an open alert; False where it is not open or was acknowledged before."""
        now = self._moment()
        return self._book.acknowledge(kind, key, self._time_s(now), now.utc_s, who)

    def open_alerts(self) -> tuple[Episode, ...]:
        """The open alerts of this run, the most serious first."""
        return self._book.open()

    def mark(self, text: str, author: str) -> float:
        """Keep a note about this moment of the run; returns its run time [s]. Raises OutsideFault."""
        now = self._moment()
        time_s = self._time_s(now)
        self.record.add_note(self.run, text, utc_s=now.utc_s, time_s=time_s, author=author)
        return time_s

    def time_s(self) -> float:
        """Run time [s] now."""
        return self._time_s(self._moment())

    def time_of(self, brought: PollResult | LinkEvent) -> float:
        """Run time [s] of what a poller brought."""
        return self._timeline.at(brought.monotonic_s)

    def now(self) -> Situation:
        """Everything that is true at this moment."""
        moment = self._moment()
        return Situation(
            oven=self.oven,
            run=self.run,
            name=self.sheet.name or self.sheet_name,
            problem=self.problem,
            state=self.state,
            estimate=self._seen,
            bands=self.bands,
            statuses=target.statuses(self.problem, self.state, self.bands),
            forecast=self.forecast,
            set_point_K=self.set_point_K,
            output_pct=self.output_pct,
            heating_K_per_s=self._heating_K_per_s(),
            last_good_s=self.last_good_s,
            now_s=self._time_s(moment),
            now_utc_s=moment.utc_s,
            open_alerts=self._book.open(),
            links_lost=tuple(self._links_lost.values()),
            clock=self.clock.describe(),
            stale_after_s=max(STALE_AFTER_S, STALE_INTERVALS * self.poll_interval_s, STALE_REAL_S * self.clock.speed),
            finished=self.finished,
            cautions=self._cautions(),
        )

    # --- inside ---

    def _cautions(self) -> tuple[tuple[str, ThermocoupleCaution], ...]:
        """What to mind of the driving thermocouple by now."""
        peak_K, sheet, channel = self._seen.thermal.peak_K, self.sheet, self.state.channel
        if not isfinite(peak_K):
            return ()
        inside = sheet.canister.sensor == "inside"
        hottest_K = peak_K if inside else self.state.load.habits.hottest_K
        couple = sheet.thermocouple or self.thermocouples.get(channel) or Thermocouple()
        in_carbon = inside and sheet.pack is not None
        return tuple((channel, one) for one in cautions(couple, hottest_K, in_carbon))

    def _moment(self) -> Moment:
        return Moment(self.clock.utc_s(), self.clock.monotonic_s(), self.boot)

    def _time_s(self, moment: Moment) -> float:
        return self._timeline.at(moment.monotonic_s)

    def _readings(self, brought: PollResult, moment: Moment) -> list[Reading]:
        """The temperatures of one answer as readings, with what the controller wanted beside them."""
        for raw in brought.readings:
            if raw.quantity is ChannelQuantity.SET_POINT:
                self.set_point_K = raw.temperature_K if raw.quality is Quality.GOOD else nan
            elif raw.quantity is ChannelQuantity.OUTPUT:
                self.output_pct = 100.0 * raw.value if raw.quality is Quality.GOOD else nan
        return [self._reading(raw, moment) for raw in brought.readings if raw.quantity is ChannelQuantity.TEMPERATURE]

    def _reading(self, raw: RawReading, moment: Moment) -> Reading:
        return Reading(
            channel=raw.channel,
            time_s=self._time_s(moment),
            utc_s=moment.utc_s,
            temperature_K=raw.temperature_K,
            quality=raw.quality,
            raw=raw.raw,
            monotonic_s=moment.monotonic_s,
            set_point_K=self.set_point_K,
            output_pct=self.output_pct,
        )

    def _take_driving(self, reading: Reading) -> None:
        """Advance the estimate by one reading of the driving channel."""
        good = reading.quality is Quality.GOOD
        temperature_K = reading.temperature_K if good else nan
        chunk = History(
            reading.channel, np.array([reading.time_s]), np.array([temperature_K]), interval_s=self.poll_interval_s
        )
        self._advance(chunk)
        if good:
            self.last_good_s = reading.time_s
            self._recent = [kept for kept in self._recent if kept[0] > reading.time_s - RATE_OVER_S]
            self._recent.append((reading.time_s, temperature_K))
        if reading.time_s >= self._next_forecast_s and self._awaited is None:
            self._next_forecast_s = reading.time_s + max(FORECAST_EVERY_S, FORECAST_EVERY_REAL_S * self.clock.speed)
            self._ask_outlook()

    def _advance(self, chunk: History) -> None:
        """Advance the estimate. A mistake of our own in it must not stop the recording, nor the other alerts."""
        try:
            state = estimate.advance(self.problem, self.state, chunk)
            seen = estimate.at_end(self.problem, state)
        except Exception as error:
            log.exception("run %s: the estimate failed", self.run)
            self._mistake = f"the estimate failed: {type(error).__name__}: {error}"
        else:
            self.state, self._seen = state, seen

    def _suspect(self, brought: PollResult) -> None:
        """Note what is odd about each channel of one answer."""
        for raw in brought.readings:
            self._suspicions[raw.channel] = frozenset(
                suspicion for channel, suspicion in brought.suspicions if channel == raw.channel
            )

    def _ask_outlook(self) -> None:
        """Have bands and forecast made from where the run stands now."""
        here_K = self._recent[-1][1] if self._recent else nan
        ahead_K = self.set_point_K if isfinite(self.set_point_K) and isfinite(here_K) else here_K
        asked = (self.problem, self.state, ahead_K, self._heating_K_per_s())
        if self.worker is not None:
            self._awaited = self.worker.submit(outlook, *asked)
            return
        self._awaited = Future()
        self._awaited.set_result(outlook(*asked))

    def _take_outlook(self) -> None:
        """Take in the outlook that was asked for, if it is there by now."""
        if self._awaited is None or not self._awaited.done():
            return
        made, self._awaited = self._awaited, None
        if (mistake := made.exception()) is not None:
            # The run goes on: what was shown before grows old, and the record keeps every reading.
            log.error("no outlook for %s", self.oven, exc_info=mistake)
            return
        found = made.result()
        self.bands, self.forecast = found.bands, found.forecast or self.forecast

    def _heating_K_per_s(self) -> float:
        if len(self._recent) < 2 or self._recent[-1][0] <= self._recent[0][0]:
            return nan
        (from_s, from_K), (to_s, to_K) = self._recent[0], self._recent[-1]
        return (to_K - from_K) / (to_s - from_s)

    def _sensor_facts(self, readings: list[Reading]) -> list[Fact]:
        facts = []
        for reading in readings:
            odd = [words for kind, words in SENSOR_SUSPECTED.items() if kind in self._suspicions[reading.channel]]
            bad = reading.quality not in (Quality.GOOD, Quality.MISSING)
            if bad and not odd:
                odd = [f"{reading.quality}, the controller said {reading.raw or 'nothing'}"]
            text = f"{reading.channel}: {odd[0]}" if odd else f"{reading.channel}: believable again"
            if reading.quality is not Quality.MISSING:  # silence says nothing about the sensor
                facts.append(Fact(AlertKind.SENSOR_FAULT, reading.channel, active=bool(odd), text=text))
        return facts

    def _suspected_facts(self) -> list[Fact]:
        """What the channels' behaviour says about the oven: one condition, however many channels show it."""
        said = {suspicion for suspicions in self._suspicions.values() for suspicion in suspicions}
        return [
            Fact(
                kind,
                self.oven,
                active=(active := [str(one) for one in said if SUSPECTED.get(one) is kind]) != [],
                text=f"{self.oven}: {', '.join(sorted(active))}" if active else "",
            )
            for kind in dict.fromkeys(SUSPECTED.values())
        ]

    def _oven_facts(self, readings: list[Reading]) -> list[Fact]:
        facts = self._suspected_facts()
        limit_K = self.over_temperature_K
        hottest_K = max((one.temperature_K for one in readings if one.quality is Quality.GOOD), default=nan)
        if limit_K is None or not isfinite(hottest_K):
            return facts
        self._over_temperature = alert.holds(hottest_K, limit_K, limit_K - 5.0, self._over_temperature)
        display = self.sheet.display
        hottest, limit = (display.temperature_from_kelvin(one_K) for one_K in (hottest_K, limit_K))
        facts.append(
            Fact(
                AlertKind.OVER_TEMPERATURE,
                self.oven,
                active=self._over_temperature,
                number=f"{hottest:.0f} °{display.temperature}",
                band=f"the limit is {limit:.0f} °{display.temperature}",
            )
        )
        return facts

    def _run_facts(self) -> list[Fact]:
        """What the estimate and the targets say that somebody should hear."""
        statuses = target.statuses(self.problem, self.state)
        seen = self._seen
        facts = []
        for number, status in enumerate(statuses):
            kind = AlertKind.TARGET_PASSED if status.target.limit else AlertKind.TARGET_REACHED
            facts.append(Fact(kind, status.name, active=status.reached, text=status.name))
            expected_s = self.forecast.reached_at_s[number] if self.forecast else None
            if status.reached:
                facts.append(Fact(AlertKind.TARGET_SOON, status.name, active=False, text=f"{status.name}: reached"))
            elif expected_s is not None:
                left_s = expected_s - self.state.last_time_s
                soon = left_s <= SOON_S
                when = f"in about {max(left_s / 60.0, 1.0):.0f} min" if soon else "not soon any more"
                facts.append(Fact(AlertKind.TARGET_SOON, status.name, active=soon, text=status.name, number=when))
        facts.extend(self._soak_facts(seen.thermal.soaks))
        standing = {warning.kind: warning for warning in seen.warnings}
        for name, kind in WARNING_ALERTS.items():
            warning = standing.get(name)
            facts.append(Fact(kind, self.oven, active=warning is not None, text=warning.words if warning else ""))
        facts.append(Fact(AlertKind.OWN_MISTAKE, self.oven, active=self._mistake != "", text=self._mistake))
        self._mistake = ""
        return facts

    def _soak_facts(self, soaks: tuple[Soak, ...]) -> list[Fact]:
        """The news of soaks that began or ended since the last time; each is told once, however its band is revised."""
        facts = []
        ended = sum(soak.end_s is not None for soak in soaks)
        if len(soaks) > self._soaks_begun:
            self._soaks_begun = len(soaks)
            low_K, high_K = soaks[-1].band_K
            band = " to ".join(
                f"{self.sheet.display.temperature_from_kelvin(limit_K):.0f}" for limit_K in (low_K, high_K)
            )
            words = f"inside {band} °{self.sheet.display.temperature}"
            facts.append(Fact(AlertKind.SOAK_STARTED, str(len(soaks)), active=True, text=words))
        if ended > self._soaks_ended:
            self._soaks_ended = ended
            minutes = next(soak.in_band_s for soak in reversed(soaks) if soak.end_s is not None) / 60.0
            facts.append(
                Fact(AlertKind.SOAK_ENDED, str(ended), active=True, text=f"after {minutes:.0f} min at heat inside")
            )
        return facts

    def _take_link(self, event: LinkEvent, moment: Moment) -> None:
        name = event.controller or event.port
        self._say(f"link {event.state}", f"{name}: {event.why or event.state}", moment)
        if event.state is LinkState.PAUSED:
            return  # the gap in the readings speaks for itself
        lost = event.state is not LinkState.RESTORED
        if lost:
            self._links_lost[name] = str(event.why)
        else:
            self._links_lost.pop(name, None)
        self._judge([Fact(AlertKind.LINK_LOST, name, active=lost, text=event.why)], moment)

    def _notice_clock(self, moment: Moment) -> None:
        step_s = clock_jump_s(self._last, moment, JUMP_S * self.clock.speed) if self._last is not None else 0.0
        self._last = moment
        if step_s:
            self._say("clock jump", f"the wall clock moved {step_s:+.0f} s against the steady clock", moment)
            self._judge(
                [Fact(AlertKind.CLOCK_JUMP, f"{moment.utc_s:.0f}", active=True, number=f"{step_s:+.0f} s")], moment
            )

    def _started(self, moment: Moment) -> None:
        known = {channel: plain(thermocouple) for channel, thermocouple in self.thermocouples.items()}
        self._say(WATCH_STARTED, self.software, moment, boot=self.boot, thermocouples=known)

    def _say(self, kind: str, text: str, moment: Moment, **detail: Any) -> None:
        try:
            self.record.append_event(
                kind,
                text,
                utc_s=moment.utc_s,
                oven=self.oven,
                run=self.run,
                time_s=self._time_s(moment),
                detail=detail,
            )
        except OutsideFault as fault:
            log.error("run %s, %s: %s (waits in memory): %s", self.run, kind, text, fault)

    def _judge(self, facts: list[Fact], moment: Moment) -> None:
        self._book.judge(facts, self._time_s(moment), moment.utc_s)


def _boot_of(reader: RecordReader, run: str) -> str:
    """The boot of the computer under which a run was last watched; empty where that was not noted."""
    return str(_last_start(reader, run).get("boot", ""))


def recorded_thermocouples(reader: RecordReader, run: str) -> dict[str, Thermocouple]:
    """The thermocouples of a run's oven by channel, as they were known when it was last watched."""
    return {channel: from_plain(kept) for channel, kept in _last_start(reader, run).get("thermocouples", {}).items()}


def _last_start(reader: RecordReader, run: str) -> dict[str, Any]:
    starts = [event for event in reader.events(run=run) if event.kind == WATCH_STARTED]
    return starts[-1].detail if starts else {}
