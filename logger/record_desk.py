"""The desk beside one record: takes requests out of it, carries alerts to the notification channels, and notices when
the record or a channel is in trouble. One thread for each record, so that a record that hangs holds up no other.
"""

import logging
import shutil
import threading
import time
from collections.abc import Callable, Mapping
from math import inf
from typing import Final

from logger.alert import AlertEvent, Episode, Fact
from logger.alert_book import AlertBook
from logger.alert_rules import AlertKind
from logger.clock import Clock
from logger.errors import SoaktallyError
from logger.notify import Notifier
from logger.notify_settings import NotifySettings
from logger.record import RecordReader, RecordWriter, RequestRow
from logger.requests import ACKNOWLEDGE, ANSWERED, GOOD_FOR_S, Answer, Answering
from logger.run_time import Timeline
from logger.situation import IdleSituation, Situation
from logger.views.oven_state import state_values

log = logging.getLogger("soaktally.desk")

LOOK_EVERY_S: Final = 0.5
"""How often requests are looked for [s of real time]."""

SPACE_EVERY_S: Final = 30.0
LEAST_SPACE_BYTES, ENOUGH_SPACE_BYTES = 100_000_000, 150_000_000
"""Less room than this on the record's disk is told of, until there is as much as that again (our choice: a year of one
oven's readings)."""

TAKEN: Final = "requests taken"
"""The setting that keeps the number of the last request that was taken."""

HandOn = Callable[[RequestRow, Answering], None]


class RecordDesk:
    """What goes on around one record. ``writer`` is the record's one writer.

    Parameters
    ----------
    writer : the record's one writer; closed with the desk
    clock : whose time the alerts of the desk follow
    notify : who is told, for each oven that is recorded here
    hand_on : called for each request, with how to answer it; from the desk's thread
    say : called with every alert event and its oven's name, None where it is about no oven
    left_out : ovens (or oven files) that nobody watches, and why
    """

    def __init__(
        self,
        writer: RecordWriter,
        clock: Clock,
        notify: Mapping[str, NotifySettings],
        hand_on: HandOn,
        say: Callable[[AlertEvent, str | None], None] = lambda event, oven: None,
        make_notifier: Callable[..., Notifier] = Notifier,
        left_out: Mapping[str, str] | None = None,
    ) -> None:
        self.writer = writer
        self._clock = clock
        self._hand_on = hand_on
        self._say = say
        self._make_notifier = make_notifier
        self._left_out = left_out if left_out is not None else {}
        self._settings = dict(notify)
        self._notifiers: dict[NotifySettings, Notifier] = {}
        for settings in self._settings.values():
            self._notifiers.setdefault(settings, self._notifier(settings))
        self._book = AlertBook(writer, self.announce)
        self._timeline = Timeline(clock.utc_s(), clock.monotonic_s())
        self._reader: RecordReader | None = None
        self._taken = 0
        self._space_s = -inf
        self._short_of_space = False
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._work, name=f"desk {writer.path.name}", daemon=True)

    def start(self) -> None:
        """Begin to deliver, and to take requests."""
        self._restore()
        for notifier in self._notifiers.values():
            notifier.start()
        self._thread.start()

    def close(self) -> None:
        """Stop; deliver what can be delivered at once, and close the record."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join()
        for notifier in self._notifiers.values():
            notifier.close()
        self.writer.close()

    # --- from any thread ---

    def announce(self, name: str, event: AlertEvent, utc_s: float, oven: str | None, run: str | None) -> None:
        """Carry one recorded alert event out: through its oven's channels, or through all where it has no oven."""
        self._say(event, oven)
        concerned = self._notifiers.values() if oven is None else (self._notifiers[self._settings[oven]],)
        for notifier in list(concerned):
            notifier.send(name, event, utc_s=utc_s, oven=oven, run=run)

    def publish(self, oven: str, situation: Situation | IdleSituation) -> None:
        """Show an oven's state on every channel that keeps it for later."""
        self._notifiers[self._settings[oven]].publish_state(oven, state_values(situation))

    def open_alerts(self) -> tuple[Episode, ...]:
        """The open alerts about the record and the channels themselves."""
        return self._book.open()

    def renew(self, oven: str, settings: NotifySettings) -> None:
        """Tell others, or otherwise, from now on. What waits on the old channels goes on waiting in the record."""
        if settings == self._settings[oven]:
            return
        if settings not in self._notifiers:
            self._notifiers[settings] = self._notifier(settings)
            started = self._notifiers[settings]
        else:
            started = None
        self._settings[oven] = settings
        for old in [one for one in self._notifiers if one not in self._settings.values()]:
            self._notifiers.pop(old).close(1.0)
        if started is not None:
            started.start()

    # --- the desk's thread ---

    def _notifier(self, settings: NotifySettings) -> Notifier:
        return self._make_notifier(settings, self.writer, is_mine=self._is_mine(settings))

    def _is_mine(self, settings: NotifySettings) -> Callable[[str | None, str], bool]:
        """Whether what was left over about an oven, or about none, is for the channels of these settings."""

        def is_mine(oven: str | None, channel: str) -> bool:
            if oven in self._settings:
                return self._settings[oven] == settings
            have = [one for one in self._notifiers if channel in (each.name for each in one.channels)]
            return settings in have if have else settings == next(iter(self._notifiers))

        return is_mine

    def _moment(self) -> tuple[float, float]:
        return self._timeline.at(self._clock.monotonic_s()), self._clock.utc_s()

    def _restore(self) -> None:
        try:
            with RecordReader(self.writer.path) as reader:
                self._book.restore(row.event for row in reader.alerts(without_run=True))
                self._taken = int(reader.setting(TAKEN) or 0)
        except SoaktallyError as fault:
            log.warning("record %s cannot be read yet: %s", self.writer.path, fault)

    def _work(self) -> None:
        while not self._stop.wait(LOOK_EVERY_S):
            try:
                self._take_requests()
                self._book.judge(self._facts(), *self._moment())
            except Exception:  # our own mistake: the desk goes on
                log.exception("desk of %s", self.writer.path)
        self._close_reader()

    def _facts(self) -> list[Fact]:
        trouble = self.writer.trouble
        path = self.writer.path
        facts = [Fact(AlertKind.RECORD_TROUBLE, path.name, active=trouble != "", text=trouble)]
        if time.monotonic() - self._space_s >= SPACE_EVERY_S:
            self._space_s = time.monotonic()
            facts += self._space_facts()
        for notifier in list(self._notifiers.values()):
            facts += notifier.facts()
        left_out = [Fact(AlertKind.NOT_WATCHED, name, True, f"{name}: {why}") for name, why in self._left_out.items()]
        known = {episode.fact.key for episode in self._book.open() if episode.fact.kind is AlertKind.NOT_WATCHED}
        back = [
            Fact(AlertKind.NOT_WATCHED, name, False, f"{name}: watched again") for name in known - self._left_out.keys()
        ]
        return [*facts, *left_out, *back]

    def _space_facts(self) -> list[Fact]:
        try:
            free_bytes = shutil.disk_usage(self.writer.path.parent).free
        except OSError:
            return []
        limit_bytes = ENOUGH_SPACE_BYTES if self._short_of_space else LEAST_SPACE_BYTES
        self._short_of_space = free_bytes < limit_bytes
        return [
            Fact(
                AlertKind.DISK_SPACE,
                self.writer.path.name,
                active=self._short_of_space,
                text=f"the disk of {self.writer.path}",
                number=f"{free_bytes / 1e6:.0f} MB free",
            )
        ]

    def _take_requests(self) -> None:
        if self.writer.trouble:
            self._close_reader()
            return
        try:
            if self._reader is None:
                self._reader = RecordReader(self.writer.path)
            asked = self._reader.requests(after=self._taken)
        except SoaktallyError as fault:
            log.warning("requests in %s cannot be read: %s", self.writer.path, fault)
            self._close_reader()
            return
        for request in asked:
            self._taken = request.number
            self._keep_taken()
            answer = self._answering(request)
            old_s = time.time() - request.utc_s
            if old_s > GOOD_FOR_S:
                answer(Answer(False, f"nobody was watching when this was asked, {old_s:.0f} s ago"))
                continue
            try:
                self._hand_on(request, self._with_own(request, answer))
            except Exception as error:
                log.exception("request %s", request.kind)
                answer(Answer(False, f"a mistake of our own: {type(error).__name__}: {error}"))

    def _with_own(self, request: RequestRow, answer: Answering) -> Answering:
        """An acknowledgement concerns the desk's own alerts, too: done if either had something to acknowledge."""
        if request.kind != ACKNOWLEDGE:
            return answer
        wanted, key, who = (str(request.detail.get(name, "") or "") for name in ("alert", "key", "who"))
        own = [
            episode.words
            for episode in self._book.open()
            if episode.is_named(wanted, key)
            and self._book.acknowledge(episode.fact.kind, episode.fact.key, *self._moment(), who)
        ]
        if not own:
            return answer
        words = "acknowledged: " + "; ".join(own)
        return lambda found: answer(Answer(True, f"{found.text}; {'; '.join(own)}" if found.done else words, found.run))

    def _answering(self, request: RequestRow) -> Answering:
        def answer(found: Answer) -> None:
            log.info("request %s: %s: %s", request.kind, "done" if found.done else "refused", found.text)
            detail = {"request": request.id, "asked": request.kind, "done": found.done, "run": found.run}
            try:
                self.writer.append_event(
                    ANSWERED, found.text, utc_s=self._clock.utc_s(), run=found.run or None, detail=detail
                )
            except SoaktallyError as fault:
                log.error("the answer to a request waits in memory: %s", fault)

        return answer

    def _keep_taken(self) -> None:
        try:
            self.writer.keep_setting(TAKEN, str(self._taken), utc_s=self._clock.utc_s())
        except SoaktallyError as fault:
            log.error("which requests were taken waits in memory: %s", fault)

    def _close_reader(self) -> None:
        if self._reader is not None:
            self._reader.close()
            self._reader = None
