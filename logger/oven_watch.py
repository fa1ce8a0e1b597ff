"""One oven being watched, with or without a run: its ports' pollers, its thread, its alerts.

Pollers (a thread per port) put what they bring into the oven's inbox, requests come in by the same way, and the oven's
own thread takes out one thing at a time. Nothing is shared with other ovens but the record's writer, so an oven whose
port, controller or estimate fails disturbs no other.
"""

import logging
import queue
import threading
import time
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from math import inf, isfinite
from typing import Any

from logger.alert import Episode, Fact
from logger.alert_book import AlertBook, Announce
from logger.alert_rules import AlertKind
from logger.clock import Clock
from logger.correction_used import corrected_as_recorded, corrected_for_new_run
from logger.errors import Fault, InputFault, OutsideFault, SoaktallyError
from logger.estimate import estimate
from logger.oven_file import OvenSettings
from logger.oven_now import OvenNow
from logger.oven_ports import MakePoller, OvenPorts
from logger.polling import LinkEvent, LinkState, Poller, PollResult
from logger.record import NotARecord, RecordReader, RecordWriter
from logger.requests import ACKNOWLEDGE, MARK, START, STOP, Answer, Answering
from logger.run_time import Timeline
from logger.sheet_file import parse_sheet
from logger.situation import IdleSituation, Situation
from logger.units import InUnits
from logger.watch import Watch, stale_after_s

log = logging.getLogger("soaktally.oven")

TICK_S = 1.0
"""How long to wait for a reading before looking at the clock [s of real time]."""

SHOW_EVERY_S, PIN_EVERY_S, PUBLISH_EVERY_S = 0.1, 1.0, 5.0
"""The situation is shown, pinned on the board, and published at most this often [s of real time]."""

LOOK_AGAIN_S = 5.0
"""So often is a record that could not be read looked at again for a run to take up [s of real time]."""

MISTAKE_STANDS_S = 60.0
"""For so long after a mistake of our own an oven counts as hindered by it [s of real time]."""


@dataclass(frozen=True, slots=True)
class Order:
    """What somebody asks of one oven: a kind and its details as in `logger.requests`."""

    kind: str
    detail: Mapping[str, Any]
    answer: Answering


@dataclass(frozen=True, slots=True)
class Reload:
    """New settings for an oven; answered once they are in force, or refused."""

    settings: OvenSettings
    answer: Answering


def _nothing(*_: Any) -> None:
    pass


def _no_alerts() -> tuple[Episode, ...]:
    return ()


@dataclass(frozen=True, slots=True)
class Outlets:
    """Where an oven's news goes. Each is called from the oven's thread.

    ``announce`` carries alerts out; ``show`` gets the situation of a run after every answer; ``pin`` the situation,
    idle or not, about once a second; ``publish`` the same for whoever keeps it outside; ``also_open`` says which alerts
    of the daemon itself are open.
    """

    announce: Announce
    show: Callable[[Situation], None] = _nothing
    pin: Callable[[str, Situation | IdleSituation, float], None] = _nothing
    publish: Callable[[str, Situation | IdleSituation], None] = _nothing
    also_open: Callable[[], tuple[Episode, ...]] = _no_alerts


@dataclass
class OvenWatch:
    """One oven. Build it, `open`, `start`; `put` orders; `stop` and `join`.

    Parameters
    ----------
    settings : the oven
    record : the writer of its record
    clock : where its time comes from
    outlets : where its news goes
    software, boot : what the record keeps about this program and this computer
    until_s : ends a run by itself at that run time [s]; None: never
    in_units : what a run is shown and told in, from the units of its sheet

    Raises   InputFault    a port that cannot be what its settings say
    """

    settings: OvenSettings
    record: RecordWriter
    clock: Clock
    outlets: Outlets
    software: str = ""
    boot: str = ""
    until_s: float | None = None
    in_units: InUnits = field(default=lambda own: own, kw_only=True)
    make_poller: MakePoller = Poller
    run: Watch | None = None
    last_run: str = ""
    _inbox: "queue.SimpleQueue[PollResult | LinkEvent | Order | Reload | None]" = field(
        default_factory=queue.SimpleQueue
    )
    _now: OvenNow = field(default_factory=OvenNow)
    _heard_s: float = -inf  # the newest answer that a poller brought, and the newest worked out [s, monotonic]
    _taken_s: float = -inf
    _stopped_s: float | None = None  # when it was told to stop [s, monotonic]; what waited then was worked out after it
    _looked: bool = False  # whether the record has been looked at for a run to take up
    _look_again_s: float = 0.0
    _told_unread: bool = False
    _mistake: str = ""
    _told_mistake: bool = False
    _mistake_s: float = -inf
    _done_s: dict[str, float] = field(default_factory=dict)  # when something was last done [s of real time]

    def __post_init__(self) -> None:
        self.name = self.settings.name
        self.ended = threading.Event()
        """Set once a run has ended by itself or by request."""
        self.alive_s = time.monotonic()
        """When the thread last came round [s of real time]."""
        self._stopping = threading.Event()
        self._worker = ThreadPoolExecutor(1, thread_name_prefix=f"outlook {self.name}")
        self._thread = threading.Thread(target=self._work, name=f"oven {self.name}", daemon=True)
        self._timeline = Timeline(self.clock.utc_s(), self.clock.monotonic_s())
        self._book = AlertBook(self.record, self.outlets.announce, self.name)
        self.ports = self._ports_of(self.settings)

    # --- from another thread ---

    def open(self, timeout_s: float = 5.0) -> None:
        """Begin to poll, and wait until every port has brought something or the timeout [s] is over."""
        self.ports.start()
        self.ports.wait_for_news(timeout_s)

    def begin(self, sheet_name: str, sheet_text: str) -> str:
        """Before `start`: begin a run of this sheet, or go on with one of the same sheet; returns its id.

        Raises   InputFault      a sheet that cannot be used for this oven
                 OutsideFault    neither record nor journal takes it
        """
        self._looked = True
        run = self._watch(sheet_name, sheet_text)
        try:
            with RecordReader(self.settings.record) as reader:
                unfinished = reader.unfinished_run(self.name)
                if unfinished is not None and unfinished.sheet_text == sheet_text:
                    run = self._watch(sheet_name, sheet_text, going_on=unfinished.id)
                    run.take_up(unfinished, reader)
                    self._take_on(run)
                    return run.run
        except OutsideFault as fault:
            log.error("%s: no run can be looked for in the record: %s", self.name, fault)
            unfinished = None
        if unfinished is not None:
            self.record.end_run(unfinished.id, "broken off; another sheet was begun", ended_utc_s=self.clock.utc_s())
        run.begin()
        self._take_on(run)
        return run.run

    def start(self) -> None:
        """Begin to watch."""
        self._thread.start()

    def put(self, order: Order | Reload) -> None:
        """Hand in an order; it is answered from the oven's thread."""
        self._inbox.put(order)

    def stop(self) -> None:
        """Ask the thread to end; returns at once. A run that goes on stays open, to be taken up again."""
        self._stopped_s = self.clock.monotonic_s()
        self.ports.stop()
        self._stopping.set()
        self._inbox.put(None)

    def join(self) -> None:
        """Wait until the oven is no longer watched."""
        if self._thread.is_alive():
            self._thread.join()
        self.ports.stop()
        self.ports.join()
        self._worker.shutdown(wait=False, cancel_futures=True)

    def end_run(self, how: str) -> None:
        """After `join`: close the run that was going on, and show it once more."""
        if self.run is not None:
            self._end_run(how, self._stopped_s)

    def standing_still_s(self) -> float:
        """For how long the thread has not come round [s of real time]."""
        return time.monotonic() - self.alive_s

    def _receive(self, brought: PollResult | LinkEvent) -> None:
        """From a poller: hand in what it brought."""
        if isinstance(brought, PollResult):
            self._heard_s = brought.monotonic_s
        self._inbox.put(brought)

    # --- the oven's thread ---

    def _work(self) -> None:
        self._carefully(self._restore)
        while not self._stopping.is_set():
            self.alive_s = time.monotonic()
            try:
                piece = self._inbox.get(timeout=TICK_S)
            except queue.Empty:
                piece = None
            self._carefully(self._come_round, piece)
        self.ports.stop()
        self.ports.join()
        while not self._inbox.empty():  # what the pollers brought before they stopped is kept all the same
            self._carefully(self._take, self._inbox.get())

    def _carefully(self, act: Callable[..., None], *given: Any) -> None:
        """Do something; a mistake of our own is logged and alerted about, and the oven goes on being watched."""
        try:
            act(*given)
        except Exception as error:
            words = f"{type(error).__name__}: {error}"
            if words != self._mistake:
                log.exception("oven %s", self.name)
            self._mistake, self._mistake_s = words, time.monotonic()

    def _come_round(self, piece: PollResult | LinkEvent | Order | Reload | None) -> None:
        try:
            self._take(piece)
        finally:
            self._look_at_ports()
            if not self._looked and time.monotonic() >= self._look_again_s:
                self._take_up()
            self._notice_mistake()
            if self.run is not None and self.until_s is not None and self._time_s(self.run, piece) >= self.until_s:
                taken_s = piece.monotonic_s if isinstance(piece, PollResult | LinkEvent) else None
                self._end_run("the time asked for was over", taken_s)
            self._show()

    def _time_s(self, run: Watch, piece: PollResult | LinkEvent | Order | Reload | None) -> float:
        """Run time [s] of what was just taken: what still waits in the inbox belongs to the run as well."""
        if isinstance(piece, PollResult | LinkEvent):
            return run.time_of(piece)
        return run.time_s() if piece is None else -inf

    def _take(self, piece: PollResult | LinkEvent | Order | Reload | None) -> None:
        match piece:
            case PollResult():
                self._taken_s = piece.monotonic_s
                self._now.note(piece)
                if self.run is not None:
                    self.run.take(piece)
                else:
                    self._judge(self._now.idle_facts(piece, self.settings))
            case LinkEvent():
                self._note_link(piece)
                if self.run is not None:  # what was lost before the run began is news to the run
                    self.run.take(piece if self.run.time_of(piece) >= 0.0 else self._as_of_now(piece))
            case Order():
                piece.answer(self._done(piece))
            case Reload():
                piece.answer(self._reloaded(piece.settings))
            case None if self.run is not None:
                self.run.tick()
            case None:
                self._judge([])

    # --- runs ---

    def _watch(
        self, sheet_name: str, sheet_text: str, settings: OvenSettings | None = None, going_on: str = ""
    ) -> Watch:
        """The watch of a run that has not begun yet, or of the one ``going_on``, by its own correction.

        Raises   InputFault
        """
        oven = settings or self.settings
        sheet = parse_sheet(sheet_text, f"run sheet {sheet_name}" if sheet_name else "run sheet")
        if going_on:
            with RecordReader(oven.record) as reader:
                sheet = corrected_as_recorded(reader, going_on, sheet)
        else:
            sheet = corrected_for_new_run(oven.record, sheet)
        sheet = replace(sheet, display=self.in_units(sheet.display))
        if not oven.temperature_channels:
            raise InputFault(Fault(f"oven {oven.name}", "no temperature channel", "one that a run can be judged by"))
        return Watch(
            oven=oven.name,
            channels=oven.temperature_channels,
            sheet=sheet,
            sheet_name=sheet_name,
            sheet_text=sheet_text,
            record=self.record,
            clock=self.clock,
            poll_interval_s=oven.poll_interval_s(estimate.driving_channel(oven.temperature_channels, sheet)),
            software=self.software,
            announce=self.outlets.announce,
            thermocouples=oven.thermocouples,
            over_temperature_K=oven.over_temperature_K,
            boot=self.boot,
            worker=self._worker,
        )

    def _take_on(self, run: Watch) -> None:
        """From now on the run looks after the oven's alerts; it is told at once what does not answer."""
        self._book.close(*self._moment())
        self._now.leave_to_run()
        self.run, self.last_run = run, run.run
        log.info("oven %s: run %s is being watched", self.name, run.run)
        for lost in self._now.links_lost.values():
            run.take(self._as_of_now(lost))

    def _as_of_now(self, event: LinkEvent) -> LinkEvent:
        return replace(event, utc_s=self.clock.utc_s(), monotonic_s=self.clock.monotonic_s())

    def _take_up(self) -> None:
        """Go on with the run that was going on when this oven was last watched, if there is one."""
        self._look_again_s = time.monotonic() + LOOK_AGAIN_S
        if self.record.trouble:
            return
        try:
            with RecordReader(self.settings.record) as reader:
                row = reader.unfinished_run(self.name)
                if row is not None:
                    run = self._watch(row.sheet_name, row.sheet_text, going_on=row.id)
                    run.take_up(row, reader)
                    self._take_on(run)
        except (OutsideFault, NotARecord) as fault:
            if not self._told_unread:
                log.warning("oven %s: no run can be looked for yet: %s", self.name, fault)
            self._told_unread = True
            return
        except InputFault as refusal:
            words = f"{self.name}: a run that was going on cannot be gone on with: {refusal}"
            log.error("%s", words)
            self._judge([Fact(AlertKind.NOT_WATCHED, self.name, active=True, text=words)])
        self._looked = True

    def _restore(self) -> None:
        try:
            with RecordReader(self.settings.record) as reader:
                self._book.restore(row.event for row in reader.alerts(oven=self.name, without_run=True))
        except SoaktallyError as fault:
            log.warning("oven %s: its open alerts cannot be read: %s", self.name, fault)
        if self.run is None:
            self._take_up()
        else:
            self._book.close(*self._moment())

    def _end_run(self, how: str, taken_s: float | None) -> None:
        """End the run at that moment of the clock [s], with what was taken last; None: now."""
        assert self.run is not None
        run = self.run
        run.end(how, taken_s)
        log.info("oven %s: run %s has ended: %s", self.name, run.run, how)
        self.outlets.show(self._situation_of(run))
        self.run = None
        self.ended.set()
        self._done_s.clear()

    # --- orders ---

    def _done(self, order: Order) -> Answer:
        """Do what was ordered, or refuse it with the reason."""
        try:
            match order.kind:
                case "start":
                    return self._started(str(order.detail.get("sheet_name", "")), str(order.detail["sheet_text"]))
                case "stop":
                    run = self._going_on()
                    # What waits in the inbox belongs to the run no more: behind, it ends with what it has.
                    taken_s = self._taken_s if self._behind_s() else None
                    self._end_run(str(order.detail.get("how") or "stopped"), taken_s)
                    return Answer(True, f"run {run.run} is ended", run.run)
                case "mark":
                    run = self._going_on()
                    time_s = run.mark(str(order.detail["text"]), str(order.detail.get("author", "")))
                    return Answer(True, f"marked at {time_s / 60.0:.1f} min of run {run.run}", run.run)
                case "acknowledge":
                    return self._acknowledged(order.detail)
        except SoaktallyError as refusal:
            return Answer(False, str(refusal))
        except KeyError as missing:
            return Answer(False, f"request {order.kind}: found no {missing}, expected one")
        expected = ", ".join((START, STOP, MARK, ACKNOWLEDGE))
        return Answer(False, f'request: found "{order.kind}", expected one of {expected}')

    def _started(self, sheet_name: str, sheet_text: str) -> Answer:
        if not self._looked:
            self._take_up()
        if self.run is not None:
            return Answer(False, f"oven {self.name}: run {self.run.run} is going on; stop it first", self.run.run)
        if not self._looked:
            return Answer(False, f"oven {self.name}: the record cannot be read yet, so no run can begin")
        run = self._watch(sheet_name, sheet_text)
        run.begin()
        self.ended.clear()
        self._take_on(run)
        self._done_s.clear()
        return Answer(True, f"run {run.run} has begun on oven {self.name}", run.run)

    def _going_on(self) -> Watch:
        if self.run is None:
            raise InputFault(Fault(f"oven {self.name}", "no run going on", "one; begin it with `soaktally start`"))
        return self.run

    def _acknowledged(self, detail: Mapping[str, Any]) -> Answer:
        """Acknowledge open alerts of a kind, or all of them."""
        wanted, key, who = (str(detail.get(name, "") or "") for name in ("alert", "key", "who"))
        run = self.run
        episodes = run.open_alerts() if run is not None else self._book.open()
        words = [
            episode.words for episode in episodes if episode.is_named(wanted, key) and self._acknowledge(episode, who)
        ]
        if not words:
            return Answer(False, f"oven {self.name}: no open alert of that kind that nobody has acknowledged yet")
        return Answer(True, "acknowledged: " + "; ".join(words), run.run if run is not None else "")

    def _acknowledge(self, episode: Episode, who: str) -> bool:
        kind, key = episode.fact.kind, episode.fact.key
        if self.run is not None:
            return self.run.acknowledge(kind, key, who)
        return self._book.acknowledge(kind, key, *self._moment(), who)

    def _reloaded(self, settings: OvenSettings) -> Answer:
        """Put new settings in force; a run that goes on is worked out again from the record with them."""
        old, run = self.settings, self.run
        for what, before, after in (("name", old.name, settings.name), ("record", old.record, settings.record)):
            if before != after:
                return Answer(False, f"oven {old.name}: a new {what} takes effect when soaktally is started again")
        if old.clock_speed != settings.clock_speed:
            return Answer(False, f"oven {old.name}: another clock takes effect when soaktally is started again")
        if run is not None and self.record.trouble:  # the run could not be worked out again from it
            return Answer(False, f"oven {old.name}: not while its record cannot be written")
        try:
            ports = self._ports_of(settings)
            again = None if run is None else self._watch(run.sheet_name, run.sheet_text, settings, run.run)
            if (
                run is not None
                and again is not None
                and (again.poll_interval_s != run.poll_interval_s or again.state.channel != run.state.channel)
            ):
                return Answer(False, f"oven {old.name}: its driving channel is not changed while a run goes on")
        except SoaktallyError as refusal:
            return Answer(False, str(refusal))
        self.ports.stop()
        self.ports.join()
        try:
            if run is not None and again is not None:
                with RecordReader(settings.record) as reader:
                    again.take_up(reader.run(run.run), reader, restarted=False)
                self.run = again
        except SoaktallyError as refusal:
            self.ports = self._ports_of(old)
            self.ports.start()
            return Answer(False, str(refusal))
        self.settings, self.ports = settings, ports
        self._now.keep_only(settings.temperature_channels)
        lost, self._now.links_lost = tuple(self._now.links_lost), {}
        if self.run is not None and lost:  # what is still lost will be told anew, under the name it has now
            words = "looked at anew, with other settings"
            self.run.notice([Fact(AlertKind.LINK_LOST, name, active=False, text=f"{name}: {words}") for name in lost])
        ports.start()
        return Answer(True, f"oven {old.name}: the new settings are in force", run.run if run is not None else "")

    # --- what the pollers bring ---

    def _ports_of(self, settings: OvenSettings) -> OvenPorts:
        return OvenPorts(settings.ports, self.clock, self._receive, self.make_poller)

    def _note_link(self, event: LinkEvent) -> None:
        self._now.note_link(event)
        if event.state is LinkState.FAILED:
            log.error("oven %s, port %s: polling stopped by a mistake of our own: %s", self.name, event.port, event.why)
            self.ports.has_stopped(event.port)

    def _look_at_ports(self) -> None:
        """A port whose reader stopped, or does not come back at all, looks like peace and is none."""
        facts = [Fact(AlertKind.LINK_LOST, name, active=False) for name in self.ports.poll_again()]
        for fact in facts:
            self._now.links_lost.pop(fact.key, None)
        for name, silent, words in self.ports.fallen_silent():
            log.warning("oven %s, %s", self.name, words)
            facts.append(Fact(AlertKind.LINK_LOST, name, active=silent, text=words))
        if facts and self.run is not None:
            self.run.notice(facts)

    def _notice_mistake(self) -> None:
        """A mistake of our own that hinders this oven is told as well; the watch goes on."""
        mistake = self.mistake()
        if bool(mistake) == self._told_mistake:
            return
        self._told_mistake = bool(mistake)
        fact = Fact(AlertKind.OWN_MISTAKE, f"watch of {self.name}", active=bool(mistake), text=mistake)
        if self.run is not None:
            self.run.notice([fact])
        else:
            self._judge([fact])

    # --- alerts without a run ---

    def _moment(self) -> tuple[float, float]:
        """The moment for alerts that belong to no run: seconds that only go forward, and the wall clock [s]."""
        return self._timeline.at(self.clock.monotonic_s()), self.clock.utc_s()

    def _judge(self, facts: list[Fact]) -> None:
        self._book.judge(facts, *self._moment())

    def mistake(self) -> str:
        """The mistake of our own that hinders this oven now; empty while there is none."""
        return self._mistake if time.monotonic() - self._mistake_s < MISTAKE_STANDS_S else ""

    # --- who sees it ---

    def _show(self) -> None:
        """Hand the situation on, to each outlet as often as it wants it."""
        if self.run is not None and self._due("show", SHOW_EVERY_S):
            self.outlets.show(self._situation_of(self.run))
        if self._due("pin", PIN_EVERY_S):
            self.outlets.pin(self.name, self.situation(), self.clock.utc_s())
        if self._due("publish", PUBLISH_EVERY_S):
            self.outlets.publish(self.name, self.situation())

    def _due(self, what: str, every_s: float) -> bool:
        now_s = time.monotonic()
        if now_s - self._done_s.get(what, -inf) < every_s:
            return False
        self._done_s[what] = now_s
        return True

    def situation(self) -> Situation | IdleSituation:
        """What is true of this oven now. Only from the oven's thread."""
        if self.run is not None:
            return self._situation_of(self.run)
        slowest_s = max(controller.poll_interval_s for port in self.settings.ports for controller in port.controllers)
        return IdleSituation(
            oven=self.name,
            channels=self._now.channels(self.settings.temperature_channels),
            now_utc_s=self.clock.utc_s(),
            display=self.settings.display,
            set_point_K=self._now.set_point_K,
            output_pct=self._now.output_pct,
            open_alerts=(*self._book.open(), *self.outlets.also_open()),
            links_lost=tuple(event.why for event in self._now.links_lost.values()),
            clock=self.clock.describe(),
            stale_after_s=stale_after_s(slowest_s, self.clock),
            last_run=self.last_run,
        )

    def _behind_s(self) -> float:
        """How much newer the newest answer brought is than the newest worked out [s]."""
        return max(0.0, self._heard_s - self._taken_s) if isfinite(self._taken_s) else 0.0

    def _situation_of(self, run: Watch) -> Situation:
        now = run.now()
        return replace(
            now,
            behind_s=self._behind_s(),
            channels=self._now.channels(self.settings.temperature_channels),
            open_alerts=(*now.open_alerts, *self.outlets.also_open()),
        )
