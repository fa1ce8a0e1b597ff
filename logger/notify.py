"""Carries alert events out: one thread and one queue per channel, remembered in the record until delivered.

A channel that fails is tried again ever more slowly; one that hangs is left after its deadline; neither holds up
another channel, nor anything that reads an oven. What was not delivered before a restart is delivered after it. A
message can arrive twice (a crash between the delivery and the note of it) but is never lost silently.
"""

import logging
import threading
import time
from collections import Counter, deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Future
from concurrent.futures import TimeoutError as StillRunning
from contextlib import suppress
from dataclasses import dataclass, fields, replace
from functools import partial
from typing import Any, Final

from logger.alert import AlertEvent, Fact, Phase
from logger.alert_rules import RULES, AlertKind, Severity
from logger.errors import Fault, InputFault, OutsideFault, SoaktallyError
from logger.notify_channels import MailSender, Message, Sender, TerminalSender, WebhookSender, redacted, reveal
from logger.notify_machine import DesktopSender, SoundSender
from logger.notify_mqtt import MqttSender
from logger.notify_push import PushSender
from logger.notify_settings import (
    Channel,
    DesktopChannel,
    MailChannel,
    MqttChannel,
    NotifySettings,
    PushChannel,
    Secret,
    SoundChannel,
    TerminalChannel,
    WebhookChannel,
)
from logger.record import AlertRow, RecordReader, RecordWriter

log = logging.getLogger("soaktally.notify")

ABANDON_AFTER_DEADLINES: Final = 30
"""An attempt that does not even come back after this many deadlines is taken for hung for good (our choice)."""

BUNDLE_SHOWS: Final = 10
"""How many messages of a bundle are spelled out (our choice: what fits on a phone)."""


@dataclass(frozen=True, slots=True)
class ChannelState:
    """How a channel is doing: for the page, the terminal and the alert about a channel that does not deliver."""

    name: str
    kind: str
    waiting: int
    delivered: int
    failures_in_a_row: int
    last_reason: str
    last_delivered_utc_s: float | None
    failing_since_utc_s: float | None


@dataclass(frozen=True, slots=True)
class Trial:
    """What became of a test message on one channel; ``reason`` is empty where it was taken."""

    channel: str
    kind: str
    reason: str
    duration_s: float

    @property
    def delivered(self) -> bool:
        """Whether the channel took the message."""
        return not self.reason


def sender_for(channel: Channel) -> Sender:
    """The sender of a channel. Raises InputFault or OutsideFault where it cannot be made."""
    match channel:
        case TerminalChannel():
            return TerminalSender()
        case WebhookChannel():
            return WebhookSender(channel)
        case MailChannel():
            return MailSender(channel)
        case PushChannel():
            return PushSender(channel)
        case MqttChannel():
            return MqttSender(channel)
        case SoundChannel():
            return SoundSender(channel)
        case DesktopChannel():
            return DesktopSender(channel)
    raise InputFault(Fault(f"channel {channel.name}", f"kind {channel.kind}", "a kind of channel that can send"))


def message_of(alert: str, event: AlertEvent, utc_s: float, oven: str | None, run: str | None) -> Message:
    """The message that carries one alert event; ``alert`` is its id in the record."""
    return Message(
        id=alert,
        oven=oven or "",
        run=run or "",
        kind=str(event.kind),
        key=event.key,
        phase=str(event.phase),
        severity=str(event.severity),
        title=event.title,
        text=event.message,
        advice=event.advice,
        utc_s=utc_s,
        time_s=event.time_s,
        episode=event.episode,
    )


def bundled(messages: Sequence[Message]) -> Message:
    """Several waiting messages as one, the most serious first; the newest speaks for the moment."""
    order = {str(severity): -severity.rank for severity in Severity}
    ranked = sorted(messages, key=lambda message: (order[message.severity], -message.utc_s))
    lines = [f"{message.headline}. {message.text}" for message in ranked[:BUNDLE_SHOWS]]
    if len(ranked) > BUNDLE_SHOWS:
        rest = Counter(message.title for message in ranked[BUNDLE_SHOWS:])
        lines.append("and: " + ", ".join(f"{title} ({count})" for title, count in rest.most_common(BUNDLE_SHOWS)))
    newest = max(messages, key=lambda message: message.utc_s)
    ovens = sorted({message.oven for message in messages if message.oven})
    return replace(
        ranked[0],
        id=f"{ranked[0].id}-and-{len(messages) - 1}",
        oven=", ".join(ovens[:3]) + (" …" if len(ovens) > 3 else ""),
        phase=str(Phase.RAISED),
        title=f"{len(messages)} messages, first: {ranked[0].title}",
        text="\n".join(lines),
        utc_s=newest.utc_s,
        time_s=newest.time_s,
        count=len(messages),
    )


class Notifier:
    """Every channel of some ovens. `start` picks up what an earlier process left undelivered.

    ``is_mine`` says whether what was left over about an oven (None: about none) for a channel of a name is for these.
    """

    def __init__(
        self,
        settings: NotifySettings,
        record: RecordWriter | None = None,
        make_sender: Callable[[Channel], Sender] = sender_for,
        utc_s: Callable[[], float] = time.time,
        is_mine: Callable[[str | None, str], bool] = lambda oven, channel: True,
    ) -> None:
        self._record = record
        self._is_mine = is_mine
        self._utc_s = utc_s
        self._channels = [
            _ChannelQueue(channel, settings, make_sender, self._note, utc_s) for channel in settings.channels
        ]

    def start(self) -> None:
        """Begin delivering, first what is left over from before."""
        if self._record is not None:
            by_name = {queue.channel.name: queue for queue in self._channels}
            for name, row in _left_over(self._record):
                if not self._is_mine(row.oven, name):
                    continue
                if name in by_name:
                    by_name[name].put([_message_of_row(row)])
                else:
                    self._note([(row.id, name)], "given up", "there is no channel of that name any more")
        for queue in self._channels:
            queue.start()

    def send(
        self, alert: str, event: AlertEvent, *, utc_s: float, oven: str | None = None, run: str | None = None
    ) -> None:
        """Queue one recorded alert event for every channel that carries it. Never waits for a channel."""
        message = message_of(alert, event, utc_s, oven, run)
        queues = [queue for queue in self._channels if queue.channel.carries(event)]
        self._note([(alert, queue.channel.name) for queue in queues], "queued", "")
        for queue in queues:
            queue.put([message])

    def publish_state(self, oven: str, values: Mapping[str, Any]) -> None:
        """Show what is true of an oven now on every channel that can keep it for later. Never waits."""
        for queue in self._channels:
            queue.publish_state(oven, values)

    def states(self) -> tuple[ChannelState, ...]:
        """How every channel is doing now."""
        return tuple(queue.state() for queue in self._channels)

    def facts(self) -> tuple[Fact, ...]:
        """For the alerts: which channels do not deliver."""
        return tuple(
            Fact(
                AlertKind.CHANNEL_TROUBLE,
                state.name,
                active=state.failures_in_a_row > 0,
                text=f"{state.name} ({state.kind}): {state.last_reason}" if state.failures_in_a_row else "",
                number=f"{state.waiting} waiting" if state.failures_in_a_row else "",
            )
            for state in self.states()
        )

    def wait_until_idle(self, timeout_s: float, or_failing: bool = False) -> bool:
        """Wait until nothing waits on any channel; False where that takes longer than the timeout [s]."""
        until = time.monotonic() + timeout_s
        return all(queue.wait_until_idle(until - time.monotonic(), or_failing) for queue in self._channels)

    def close(self, deadline_s: float = 5.0) -> None:
        """Stop. What is waiting on a channel that works gets until the deadline [s]; the rest goes after a restart."""
        self.wait_until_idle(deadline_s, or_failing=True)
        for queue in self._channels:
            queue.stop()
        for queue in self._channels:
            queue.join()

    def _note(self, alerts_and_channels: Sequence[tuple[str, str]], outcome: str, reason: str) -> None:
        """Write down what became of messages. A record that cannot be written must not stop an alert."""
        if self._record is None:
            return
        try:
            self._record.append_deliveries(alerts_and_channels, outcome, utc_s=self._utc_s(), reason=reason)
        except (SoaktallyError, RuntimeError) as fault:
            log.warning("what became of messages could not be recorded: %s", fault)


def alert_test(
    settings: NotifySettings,
    only: str | None = None,
    make_sender: Callable[[Channel], Sender] = sender_for,
    utc_s: Callable[[], float] = time.time,
) -> tuple[Trial, ...]:
    """Send a test message through every channel (or ``only`` one), at once and once, and say what became of it.

    Raises   InputFault   no channels, or none of that name
    """
    channels = [channel for channel in settings.channels if only in (None, channel.name)]
    if not channels:
        names = ", ".join(channel.name for channel in settings.channels)
        raise InputFault(
            Fault("notification channels", f"no channel {only}" if only else "none", names or "at least one channel")
        )
    rule = RULES[AlertKind.TEST]
    results = []
    for channel in channels:
        event = AlertEvent(
            AlertKind.TEST, channel.name, 1, Phase.RAISED, 0.0, rule.severity, rule.title, rule.meaning, ""
        )
        message = message_of(f"test-{channel.name}-{utc_s():.0f}", event, utc_s(), None, None)
        began_s = time.monotonic()
        attempt = _Attempt(channel, make_sender)
        reason = attempt.outcome(message)
        attempt.close()
        results.append(Trial(channel.name, channel.kind, reason, time.monotonic() - began_s))
    return tuple(results)


# --------------------------------------------------------------------------------------------------------------------


class _Attempt:
    """Attempts through one channel, each on a thread that can be left behind when it does not come back."""

    def __init__(self, channel: Channel, make_sender: Callable[[Channel], Sender]) -> None:
        self._channel = channel
        self._make_sender = make_sender
        self._sender: Sender | None = None
        self._late: tuple[str, Future[None], float] | None = None

    def outcome(self, message: Message) -> str:
        """Try once: empty where the message was taken, else the reason, without secrets."""
        deadline_s = self._channel.deadline_s
        if self._late is not None:
            late_id, late, began_s = self._late
            with suppress(StillRunning):
                late.exception(timeout=deadline_s)
            if not late.done() and time.monotonic() - began_s < ABANDON_AFTER_DEADLINES * deadline_s:
                return f"still no answer after {time.monotonic() - began_s:.0f} s"
            self._late = None
            if late.done() and late.exception() is None and late_id == message.id:
                return ""  # it arrived after all; sending it again would be a second message
        done: Future[None] = Future()
        threading.Thread(
            target=self._send, args=(message, done), name=f"attempt {self._channel.name}", daemon=True
        ).start()
        try:
            # A little longer than the sender's own deadline, whose words say better what happened.
            error = done.exception(timeout=deadline_s * 1.1 + 0.2)
        except StillRunning:
            self._late = (message.id, done, time.monotonic())
            return f"no complete answer in {deadline_s:g} s"
        if error is None:
            return ""
        if not isinstance(error, SoaktallyError):
            log.error("channel %s: our own mistake", self._channel.name, exc_info=error)
        return self._without_secrets(" ".join(str(error).split()) or type(error).__name__)

    @property
    def sender(self) -> Sender | None:
        """The sender, once there is one."""
        return self._sender

    def prepare(self) -> None:
        """Make the sender before there is anything to send; why it cannot be made is said at the first attempt."""
        with suppress(SoaktallyError):
            self._sender = self._make_sender(self._channel)

    @property
    def under_way(self) -> bool:
        """Whether an earlier attempt has still not come back."""
        return self._late is not None

    def close(self) -> None:
        """Let go of connections."""
        if self._sender is not None:
            with suppress(OSError, SoaktallyError):
                self._sender.close()

    def _send(self, message: Message, done: "Future[None]") -> None:
        try:
            if self._sender is None:
                self._sender = self._make_sender(self._channel)
            self._sender.send(message, self._channel.deadline_s)
        except BaseException as error:
            done.set_exception(error)
        else:
            done.set_result(None)

    def _without_secrets(self, reason: str) -> str:
        secrets = []
        for field in fields(self._channel):
            value = getattr(self._channel, field.name)
            if isinstance(value, Secret) or field.name == "url":
                with suppress(OutsideFault):
                    secrets.append(reveal(value))
        return redacted(reason, secrets)


class _ChannelQueue:
    """One channel's waiting messages and the thread that carries them out."""

    def __init__(
        self,
        channel: Channel,
        settings: NotifySettings,
        make_sender: Callable[[Channel], Sender],
        note: Callable[[Sequence[tuple[str, str]], str, str], None],
        utc_s: Callable[[], float],
    ) -> None:
        self.channel = channel
        self._settings = settings
        self._note = note
        self._utc_s = utc_s
        self._attempt = _Attempt(channel, make_sender)
        self._waiting: deque[tuple[Message, float]] = deque()  # with the moment it was put here [s, monotonic]
        self._in_flight: list[Message] = []
        self._changed = threading.Condition()
        self._stopping = False
        self._urgent = False
        self._delivered = 0
        self._failures = 0
        self._reason = ""
        self._delivered_utc_s: float | None = None
        self._failing_since_utc_s: float | None = None
        self._thread = threading.Thread(target=self._work, name=f"channel {channel.name}", daemon=True)

    def start(self) -> None:
        """Begin delivering."""
        self._thread.start()

    def put(self, messages: Iterable[Message]) -> None:
        """Add messages. A reminder replaces the reminder of the same episode that is still waiting."""
        replaced: list[str] = []
        with self._changed:
            here = {message.id for message, _ in self._waiting}
            for message in messages:
                if message.id in here:
                    continue
                if message.phase == Phase.REMINDED:
                    replaced += self._remove(partial(_same_reminder, message))
                self._waiting.append((message, time.monotonic()))
                self._urgent = self._urgent or message.severity == Severity.DANGER
            self._changed.notify_all()
        self._note([(alert, self.channel.name) for alert in replaced], "given up", "a newer reminder took its place")

    def publish_state(self, oven: str, values: Mapping[str, Any]) -> None:
        """Show what is true of an oven now, where the channel can."""
        sender = self._attempt.sender
        if isinstance(sender, MqttSender):
            sender.publish_state(oven, values)

    def state(self) -> ChannelState:
        """How the channel is doing."""
        with self._changed:
            return ChannelState(
                self.channel.name,
                self.channel.kind,
                len(self._waiting),
                self._delivered,
                self._failures,
                self._reason,
                self._delivered_utc_s,
                self._failing_since_utc_s,
            )

    def wait_until_idle(self, timeout_s: float, or_failing: bool) -> bool:
        """Wait until nothing waits; False where that takes longer than the timeout [s]."""
        with self._changed:
            return self._changed.wait_for(
                lambda: not self._waiting or (or_failing and self._failures > 0), max(0.0, timeout_s)
            )

    def stop(self) -> None:
        """Ask the thread to end."""
        with self._changed:
            self._stopping = True
            self._changed.notify_all()

    def join(self) -> None:
        """Wait for the thread, as long as one attempt may take."""
        if self._thread.is_alive():
            self._thread.join(self.channel.deadline_s * 1.1 + 1.0)
        self._attempt.close()

    def _work(self) -> None:
        if isinstance(self.channel, MqttChannel):
            self._attempt.prepare()  # its last will and the ovens' states are there before the first alert
        while self._wait_for_work():
            self._give_up_old()
            batch = self._batch()
            reason = self._attempt.outcome(batch[0] if len(batch) == 1 else bundled(batch))
            ids = [(message.id, self.channel.name) for message in batch]
            if not reason:
                self._note(ids, "delivered", "")
            elif reason != self._reason:  # a long outage is one line, not one for every attempt
                self._note(ids[:1], "failed", reason)
                log.warning("channel %s: %s", self.channel.name, reason)
            self._take_in(batch, reason)

    def _wait_for_work(self) -> bool:
        """Wait until there is something to try and its time has come; False when stopping."""
        with self._changed:
            if self._failures:
                doubled_s = self._settings.retry_first_s * 2.0 ** min(self._failures - 1, 30)
                pause_s = min(doubled_s, self._settings.retry_longest_s)
                # Danger does not wait for a long pause to end, but a stream of dangers is no reason to try at once.
                least_s = min(pause_s, self._settings.retry_first_s)
                self._changed.wait_for(lambda: self._stopping, least_s)
                self._changed.wait_for(lambda: self._stopping or self._urgent, pause_s - least_s)
            self._changed.wait_for(lambda: self._stopping or bool(self._waiting))
            self._urgent = False
            return not self._stopping

    def _batch(self) -> list[Message]:
        """What to try now: what is still under way, else everything as one where much waits, else the oldest."""
        if self._attempt.under_way:
            return self._in_flight
        with self._changed:
            waiting = [message for message, _ in self._waiting]
        self._in_flight = waiting if len(waiting) > self._settings.bundle_over else waiting[:1]
        return self._in_flight

    def _take_in(self, batch: Sequence[Message], reason: str) -> None:
        """Remember how an attempt went."""
        now_utc_s = self._utc_s()
        tried = {message.id for message in batch}
        with self._changed:
            self._reason = reason
            if reason:
                self._failures += 1
                self._failing_since_utc_s = self._failing_since_utc_s or now_utc_s
            else:
                self._failures = 0
                self._delivered += len(batch)
                self._delivered_utc_s, self._failing_since_utc_s = now_utc_s, None
                self._remove(lambda message, _: message.id in tried)
            self._changed.notify_all()

    def _give_up_old(self) -> None:
        """Let go of what has waited too long; the newest message always stays."""
        with self._changed:
            newest = self._waiting[-1][0]
            oldest_s = time.monotonic() - self._settings.give_up_after_s
            old = self._remove(lambda message, since_s: since_s < oldest_s and message is not newest)
        self._note([(alert, self.channel.name) for alert in old], "given up", "waited too long")

    def _remove(self, which: Callable[[Message, float], bool]) -> list[str]:
        """Take messages out of the queue; their ids. Only with the condition held."""
        gone = {message.id for message, since_s in self._waiting if which(message, since_s)}
        if gone:
            self._waiting = deque(one for one in self._waiting if one[0].id not in gone)
        return sorted(gone)


def _same_reminder(one: Message, other: Message, _since_s: float) -> bool:
    return (one.phase, one.oven, one.kind, one.key, one.episode) == (
        other.phase,
        other.oven,
        other.kind,
        other.key,
        other.episode,
    )


def _message_of_row(row: AlertRow) -> Message:
    return message_of(row.id, row.event, row.utc_s, row.oven, row.run)


def _left_over(record: RecordWriter) -> tuple[tuple[str, AlertRow], ...]:
    """What an earlier process left undelivered; nothing where the record cannot be read now."""
    try:
        with RecordReader(record.path) as reader:
            return reader.undelivered()
    except SoaktallyError as fault:
        log.warning("messages left over from before could not be read: %s", fault)
        return ()
