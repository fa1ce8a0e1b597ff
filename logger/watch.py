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

from logger import alert, hold, run_facts, target, worked_out
from logger.alert import Episode, Fact
from logger.alert_book import AlertBook, Announce
from logger.alert_rules import AlertKind
from logger.clock import Clock
from logger.controllers.controller import RawReading
from logger.controllers.settings import Quantity as ChannelQuantity
from logger.correction_used import CORRECTION_USED, plain_correction
from logger.errors import OutsideFault
from logger.estimate import estimate
from logger.estimate.bands import Bands
from logger.estimate.estimate import EstimateState, Problem
from logger.estimate.result import Estimate
from logger.estimate.soak import Soak
from logger.history import History
from logger.hold import HoldState
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
from logger.views.contract import review_object
from logger.worked_out import ReadingsSeen, WorkedOut

log = logging.getLogger("soaktally.watch")

FORECAST_EVERY_S = 300.0
"""How often bands and forecast are made anew [s of run time]: often enough to follow, seldom enough to cost nothing."""

FORECAST_EVERY_REAL_S = 5.0
"""Nor oftener than this [s of real time], where a simulated clock runs fast."""

RATE_OVER_S = 600.0
"""The oven's present rate of heating is taken over this long [s]."""

KEPT_ESTIMATE = ("thermal", "carbon", "tempering", "targets", "warnings")
"""What of the shown estimate is kept in the record, every few minutes and at the end."""

STALE_AFTER_S, STALE_INTERVALS, STALE_REAL_S = 90.0, 5.0, 3.0
"""What is shown is called old after this long [s], this many polls, and this long of real time [s]: the longest."""

WATCH_STARTED = "watch started"

log = logging.getLogger("soaktally.watch")


def stale_after_s(poll_interval_s: float, clock: Clock) -> float:
    """After how long [s] what is shown of an oven asked every so often [s] is called old."""
    return max(STALE_AFTER_S, STALE_INTERVALS * poll_interval_s, STALE_REAL_S * clock.speed)


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
    _hold: HoldState = field(default_factory=HoldState)
    _suspicions: dict[str, frozenset[Suspicion]] = field(default_factory=dict)
    _mistake: str = ""
    _next_forecast_s: float = 0.0
    _awaited: Future[Outlook] | None = None
    _soaks_begun: int = 0
    _soaks_ended: int = 0
    _ended: Moment | None = None
    _links_lost: dict[str, str] = field(default_factory=dict)
    _recent: list[tuple[float, float]] = field(default_factory=list)
    _driving_seen: ReadingsSeen = field(default_factory=ReadingsSeen)
    _all_used: bool = True

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

    def end(self, how: str, monotonic_s: float | None = None) -> None:
        """Close the run, saying how it ended; at that moment of the clock [s], else now."""
        if self.finished:
            return
        now = self._moment()
        if monotonic_s is not None and 0.0 <= self._timeline.at(monotonic_s) <= self._time_s(now):
            now = Moment(now.utc_s - (now.monotonic_s - monotonic_s), monotonic_s, self.boot)
        self.finished, self._ended = True, now
        if self._awaited is not None:
            self._awaited.cancel()
            self._awaited = None
        self.bands = estimate.bands_at_end(self.problem, self.state)
        self._keep_estimate()
        self._judge([Fact(AlertKind.RUN_ENDED, self.run, active=True, text=how)], now)
        try:
            self.record.end_run(self.run, how, ended_utc_s=now.utc_s)
        except OutsideFault as fault:
            log.error("run %s: its end waits in memory: %s", self.run, fault)
        self._keep_worked_out()

    def _keep_worked_out(self) -> None:
        """Keep what the run came to, so that it opens at once from now on; the record's readings still judge that."""
        if not (self._all_used and isfinite(self.state.last_time_s)):
            return
        channel = self.state.channel
        known, seen = self.thermocouples.get(channel), self._driving_seen
        its_basis = worked_out.basis(self.sheet, known, channel, self.poll_interval_s, seen)
        came_to = WorkedOut(estimate.without_members(self.state), self.bands)
        if not worked_out.keep(self.record.path, self.run, its_basis, came_to):
            log.info("run %s: what it came to could not be kept beside the record", self.run)

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
        facts = [
            *run_facts.sensor_facts(readings, self._suspicions),
            *run_facts.alarm_facts(brought.readings),
            *self._oven_facts(readings),
            *self._hold_facts(brought, moment),
            *self._run_facts(),
        ]
        self._mistake = ""
        self._judge(facts, moment)

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
            stale_after_s=stale_after_s(self.poll_interval_s, self.clock),
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
        """Now; of a run that has ended, when it did."""
        return self._ended or Moment(self.clock.utc_s(), self.clock.monotonic_s(), self.boot)

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
            self._all_used = False
            self._mistake = f"the estimate failed: {type(error).__name__}: {error}"
        else:
            self.state, self._seen = state, seen
            self._driving_seen.add(chunk)

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
        self._keep_estimate()

    def _keep_estimate(self) -> None:
        """Keep what is shown now in the record: what was known when can be looked up, and a resumed run be compared."""
        if not isfinite(self.state.last_time_s):
            return
        shown = review_object(self.now())
        kept = {part: shown[part] for part in KEPT_ESTIMATE}
        if kept["carbon"] is not None:
            kept["carbon"] = {key: value for key, value in kept["carbon"].items() if key != "profile"}
        try:
            self.record.append_estimate(self.run, self.state.last_time_s, kept)
        except OutsideFault as fault:
            log.error("run %s: an estimate waits in memory: %s", self.run, fault)

    def _heating_K_per_s(self) -> float:
        if len(self._recent) < 2 or self._recent[-1][0] <= self._recent[0][0]:
            return nan
        (from_s, from_K), (to_s, to_K) = self._recent[0], self._recent[-1]
        return (to_K - from_K) / (to_s - from_s)

    def _oven_facts(self, readings: list[Reading]) -> list[Fact]:
        """What the oven itself gives to hear: too hot, heating by itself, not heating, not holding."""
        display = self.sheet.display
        hottest_K = max((one.temperature_K for one in readings if one.quality is Quality.GOOD), default=nan)
        facts = run_facts.suspected_facts(self.oven, self._suspicions, hottest_K, display)
        limit_K = self.over_temperature_K
        if limit_K is not None and isfinite(hottest_K):
            self._over_temperature = alert.holds(hottest_K, limit_K, limit_K - 5.0, self._over_temperature)
            facts.append(
                run_facts.over_temperature_fact(self.oven, hottest_K, limit_K, self._over_temperature, display)
            )
        return facts

    def _hold_facts(self, brought: PollResult, moment: Moment) -> list[Fact]:
        """Whether the oven follows its set point, by the first temperature of the controller that says it."""
        if not any(raw.quantity is ChannelQuantity.SET_POINT for raw in brought.readings):
            return []
        first = next((raw for raw in brought.readings if raw.quantity is ChannelQuantity.TEMPERATURE), None)
        if first is None or first.quality is not Quality.GOOD or not isfinite(self.set_point_K):
            return []
        self._hold = hold.judge(
            self._hold, self._time_s(moment), first.temperature_K, self.set_point_K, self.output_pct / 100.0
        )
        return run_facts.hold_facts(self.oven, self._hold, first.temperature_K, self.set_point_K, self.sheet.display)

    def _run_facts(self) -> list[Fact]:
        """What the estimate and the targets say that somebody should hear."""
        seen, display = self._seen, self.sheet.display
        statuses = target.statuses(self.problem, self.state, self.bands)
        return [
            *run_facts.target_facts(statuses, self.forecast, self.state.last_time_s, display),
            *self._soak_facts(seen.thermal.soaks),
            *run_facts.ruin_facts(self.oven, seen, self.bands, display),
            Fact(AlertKind.OWN_MISTAKE, self.oven, active=self._mistake != "", text=self._mistake),
        ]

    def _soak_facts(self, soaks: tuple[Soak, ...]) -> list[Fact]:
        """The news of soaks that began or ended since the last time; each is told once, however its band is revised."""
        facts = []
        ended = [soak for soak in soaks if soak.end_s is not None]
        if len(soaks) > self._soaks_begun:
            self._soaks_begun = len(soaks)
            facts.append(run_facts.soak_started_fact(len(soaks), soaks[-1], self.sheet.display))
        if len(ended) > self._soaks_ended:
            self._soaks_ended = len(ended)
            facts.append(run_facts.soak_ended_fact(len(ended), ended[-1]))
        return facts

    def _take_link(self, event: LinkEvent, moment: Moment) -> None:
        name = event.controller or event.port
        log.info("oven %s: %s %s: %s", self.oven, name, event.state, event.why)
        self._say(f"link {event.state}", f"{name}: {event.why or event.state}", moment)
        if event.state is LinkState.PAUSED:
            return  # the gap in the readings speaks for itself
        lost = event.state is not LinkState.RESTORED
        if lost:
            self._links_lost[name] = str(event.why)
        else:
            self._links_lost.pop(name, None)
        text = event.why if lost else f"{name}: answers again"
        self._judge([Fact(AlertKind.LINK_LOST, name, active=lost, text=text)], moment)

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
