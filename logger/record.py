"""The record: one SQLite file of facts that are only ever added to. One writer, any number of readers.

`RecordWriter` owns the only writing connection on a thread of its own; every call returns once its rows are durable
(write-ahead log, synchronous) or raises. `RecordReader` opens its own connection, which cannot write. Another process
that has a note to add or something to ask of the watching process uses `append_from_outside`.
"""

import json
import queue
import sqlite3
import threading
import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future
from contextlib import contextmanager
from dataclasses import dataclass
from difflib import get_close_matches
from math import nan
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

import numpy as np
from sqlite_utils import Database

from logger.alert import AlertEvent, AlertKind, Phase, Severity
from logger.errors import Fault, InputFault
from logger.history import History
from logger.reading import Quality, Reading
from logger.record_file import (
    BUSY_TIMEOUT_S,
    WatchLock,
    open_for_reading,
    open_for_writing,
    transaction,
    translated,
)
from logger.record_operations import (
    Appender,
    Operation,
    Value,
    next_run_id,
    number_or_none,
    readings,
)

LAST: Final = "last"
"""What a person types for the newest run."""


@dataclass(frozen=True, slots=True)
class RunRow:
    """One run as recorded. ``ended_utc_s`` and ``how_ended`` are None while it goes on."""

    number: int
    id: str
    oven: str
    sheet_name: str
    sheet_text: str
    started_utc_s: float
    ended_utc_s: float | None
    how_ended: str | None
    clock: str
    software: str
    poll_interval_s: float


@dataclass(frozen=True, slots=True)
class AlertRow:
    """One recorded alert event: its ``id``, where it belongs, when, and the event itself."""

    id: str
    oven: str | None
    run: str | None
    utc_s: float
    event: AlertEvent


@dataclass(frozen=True, slots=True)
class EventRow:
    """Something that happened around the readings: a lost link, a clock jump, a restart."""

    number: int
    id: str
    oven: str | None
    run: str | None
    time_s: float | None
    utc_s: float
    kind: str
    text: str
    detail: dict[str, Any]


@dataclass(frozen=True, slots=True)
class NoteRow:
    """A note: about the moment ``time_s`` of the run, or about the whole run where that is None."""

    id: str
    time_s: float | None
    utc_s: float
    author: str
    text: str


@dataclass(frozen=True, slots=True)
class DeliveryRow:
    """One thing that happened to one alert on its way out through one notification channel."""

    alert: str
    channel: str
    utc_s: float
    outcome: str  # queued, failed, delivered, given up
    reason: str


@dataclass(frozen=True, slots=True)
class RequestRow:
    """What another process asks of the watching one, e.g. to acknowledge an alert or end a run."""

    number: int
    utc_s: float
    kind: str
    detail: dict[str, Any]


Job = tuple[Callable[[Database, Appender], Any], "Future[Any]"]


class RecordWriter:
    """The one writer of a record. Safe to call from any thread; every call blocks until durable.

    Raises (on opening)   InputFault     not a record, a newer one, no such folder
                          OutsideFault   another soaktally writes it; locked, full, read-only, damaged
    """

    def __init__(self, path: Path, busy_timeout_s: float = BUSY_TIMEOUT_S) -> None:
        self.path = path
        self._lock = WatchLock(path)
        self._jobs: queue.SimpleQueue[Job | None] = queue.SimpleQueue()
        self._closed = False
        opened: Future[None] = Future()
        self._thread = threading.Thread(
            target=self._work, args=(busy_timeout_s, opened), name="record writer", daemon=True
        )
        self._thread.start()
        try:
            opened.result()
        except BaseException:
            self._closed = True
            self._thread.join()
            self._lock.release()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Finish what is waiting, fold the write-ahead log into the file, let go of the record."""
        if self._closed:
            return
        self._closed = True
        self._jobs.put(None)
        self._thread.join()
        self._lock.release()

    def begin_run(
        self,
        *,
        oven: str,
        channels: Sequence[str],
        sheet_name: str,
        sheet_text: str,
        started_utc_s: float,
        clock: str = "real",
        software: str,
        poll_interval_s: float,
    ) -> str:
        """Begin a run and return its id: the local day and a letter, as in 2026-11-25-a."""

        def begin(db: Database, appender: Appender) -> str:
            run = next_run_id(db, started_utc_s)
            row: dict[str, Value] = {
                "id": run,
                "oven": oven,
                "channels": json.dumps(list(channels), ensure_ascii=False),
                "sheet_name": sheet_name,
                "sheet_text": sheet_text,
                "started_utc_s": float(started_utc_s),
                "clock": clock,
                "software": software,
                "poll_interval_s": float(poll_interval_s),
            }
            appender.apply(Operation("runs", (row,)))
            return run

        return str(self._do(begin))

    def append_readings(self, run: str, batch: Sequence[Reading]) -> None:
        """Append readings to a run; they are durable when this returns."""
        if batch:
            self._append(readings(run, batch))

    def append_alert(self, event: AlertEvent, *, utc_s: float, oven: str | None = None, run: str | None = None) -> str:
        """Append an alert event; returns the id under which its deliveries are kept."""
        row: dict[str, Value] = {
            "id": _new_id(),
            "oven": oven,
            "run": run,
            "time_s": float(event.time_s),
            "utc_s": float(utc_s),
            "kind": str(event.kind),
            "key": event.key,
            "episode": event.episode,
            "phase": str(event.phase),
            "severity": str(event.severity),
            "title": event.title,
            "message": event.message,
            "advice": event.advice,
        }
        self._append(Operation("alert", (row,)))
        return str(row["id"])

    def append_event(
        self,
        kind: str,
        text: str,
        *,
        utc_s: float,
        oven: str | None = None,
        run: str | None = None,
        time_s: float | None = None,
        detail: Mapping[str, Any] | None = None,
    ) -> None:
        """Append something that happened: link lost or back, clock jump, gap, restart."""
        self._append(
            _one(
                "event",
                oven=oven,
                run=run,
                time_s=number_or_none(time_s),
                utc_s=float(utc_s),
                kind=kind,
                text=text,
                detail=json.dumps(dict(detail or {}), ensure_ascii=False),
            )
        )

    def append_deliveries(
        self, alerts_and_channels: Sequence[tuple[str, str]], outcome: str, *, utc_s: float, reason: str = ""
    ) -> None:
        """Append what became of alerts on notification channels: queued, failed, delivered, given up."""
        rows: list[dict[str, Value]] = [
            {
                "id": _new_id(),
                "alert": alert,
                "channel": channel,
                "utc_s": float(utc_s),
                "outcome": outcome,
                "reason": reason,
            }
            for alert, channel in alerts_and_channels
        ]
        if rows:
            self._append(Operation("delivery", tuple(rows)))

    def append_estimate(self, run: str, time_s: float, summary: Mapping[str, Any]) -> None:
        """Append what was shown at a moment of a run, as plain values."""
        row: dict[str, Value] = {"run": run, "time_s": float(time_s), "summary": json.dumps(dict(summary))}
        self._append(Operation("estimate", (row,)))

    def add_note(self, run: str, text: str, *, utc_s: float, time_s: float | None = None, author: str = "") -> None:
        """Append a note to a run, running or finished."""
        self._append(note(run, text, utc_s=utc_s, time_s=time_s, author=author))

    def keep_setting(self, name: str, value: str, *, utc_s: float) -> None:
        """Remember a value under a name; the newest one holds."""
        self._append(_one("setting", utc_s=float(utc_s), name=name, value=value))

    def end_run(self, run: str, how: str, *, ended_utc_s: float) -> None:
        """Close a run, saying how it ended; a run that is closed stays as it was closed."""

        def end(db: Database, appender: Appender) -> None:
            row: dict[str, Value] = {"run": run, "ended_utc_s": float(ended_utc_s), "how": how}
            appender.apply(Operation("run_end", (row,)), again=True)

        self._do(end)

    def _append(self, operation: Operation) -> None:
        self._do(lambda db, appender: appender.apply(operation))

    def _do(self, work: Callable[[Database, Appender], Any]) -> Any:
        if self._closed:
            raise RuntimeError(f"the record {self.path} has been closed")
        done: Future[Any] = Future()
        self._jobs.put((work, done))
        return done.result()

    def _work(self, busy_timeout_s: float, opened: "Future[None]") -> None:
        try:
            db = open_for_writing(self.path, busy_timeout_s)
        except BaseException as error:
            opened.set_exception(error)
            return
        opened.set_result(None)
        appender = Appender(db)
        try:
            while jobs := self._waiting():
                self._commit(db, appender, jobs)
        finally:
            with translated(self.path):
                db.conn.execute("PRAGMA wal_checkpoint(TRUNCATE)").close()
            db.close()

    def _waiting(self) -> list[Job]:
        """Everything there is to write, waiting for the first; empty once the record is to be closed."""
        first = self._jobs.get()
        jobs = [] if first is None else [first]
        while first is not None and not self._jobs.empty():
            job = self._jobs.get()
            if job is None:
                self._jobs.put(None)  # for the next round, after these
                break
            jobs.append(job)
        return jobs

    def _commit(self, db: Database, appender: Appender, jobs: Sequence[Job]) -> None:
        """Write several jobs in one transaction; one that is refused does not take the others with it."""
        results: list[tuple[Future[Any], Any, Exception | None]] = []
        try:
            with translated(self.path), transaction(db):
                for work, done in jobs:
                    try:
                        with db.atomic():
                            results.append((done, work(db, appender), None))
                    except (sqlite3.IntegrityError, ValueError) as error:
                        appender.forget()
                        results.append((done, None, error))
        except Exception as error:
            appender.forget()
            for _, done in jobs:
                done.set_exception(error)
            return
        for done, result, refused in results:
            if refused is None:
                done.set_result(result)
            else:
                done.set_exception(refused)


def _new_id() -> str:
    return uuid.uuid4().hex


def _one(table: str, /, **row: Value) -> Operation:
    return Operation(table, ({"id": _new_id(), **row},))


def note(run: str, text: str, *, utc_s: float, time_s: float | None = None, author: str = "") -> Operation:
    """The operation that adds a note to a run; see `append_from_outside`."""
    return _one("note", run=run, time_s=number_or_none(time_s), utc_s=float(utc_s), author=author, text=text)


def request(kind: str, *, utc_s: float, **detail: Any) -> Operation:
    """The operation that asks something of the watching process; see `append_from_outside`."""
    return _one("request", utc_s=float(utc_s), kind=kind, detail=json.dumps(detail, ensure_ascii=False))


def append_from_outside(path: Path, operation: Operation, busy_timeout_s: float = BUSY_TIMEOUT_S) -> None:
    """Append a note or a request to a record that another process may be writing.

    Raises   InputFault     no such record, not a record, another version, no such run
             OutsideFault   locked, full, read-only, damaged
    """
    if not path.exists():
        raise InputFault(Fault(f"record {path}", "no such file", "a soaktally record"))
    with translated(path):
        db = open_for_writing(path, busy_timeout_s, migrate=False)
        try:
            with transaction(db):
                Appender(db).apply(operation)
        except sqlite3.IntegrityError as error:
            raise InputFault(Fault(f"record {path}", str(error), "a run that is in the record")) from error
        finally:
            db.close()


class RecordReader:
    """Reads a record, also while it is being written. Belongs to the thread that opens it.

    Raises (on opening)   InputFault     no such file, not a record, another version
                          OutsideFault   locked, damaged, not readable
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._db = open_for_reading(path)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the record."""
        self._db.close()

    @contextmanager
    def snapshot(self) -> Iterator[None]:
        """Everything read inside belongs to one moment, whatever is written meanwhile."""
        with translated(self.path):
            self._db.conn.execute("BEGIN")
            try:
                yield
            finally:
                self._db.conn.execute("COMMIT")

    def runs(self, oven: str | None = None) -> tuple[RunRow, ...]:
        """Every run, the oldest first; of one oven where named."""
        rows = self._all("SELECT * FROM runs WHERE :oven IS NULL OR oven = :oven ORDER BY number", oven=oven)
        return tuple(RunRow(*row) for row in rows)

    def run(self, run: str) -> RunRow:
        """The run of an id, of the beginning of an id that fits only one, or the ``last`` one.

        Raises   InputFault   none, or several: names those that are near
        """
        if run == LAST:
            rows = self._all("SELECT * FROM runs ORDER BY number DESC LIMIT 1")
            if not rows:
                raise InputFault(Fault(f"record {self.path}", "no runs yet", "a record with at least one run"))
            return RunRow(*rows[0])
        rows = self._all("SELECT * FROM runs WHERE substr(id, 1, length(:run)) = :run ORDER BY number", run=run)
        exact = [row for row in rows if row[1] == run]
        if run and (exact or len(rows) == 1):
            return RunRow(*(exact or rows)[0])
        if run and rows:
            several = ", ".join(str(row[1]) for row in rows[-5:])
            raise InputFault(Fault(f"run {run}", f"{len(rows)} runs that begin so", f"one of {several}"))
        ids = [str(row[0]) for row in self._all("SELECT id FROM run ORDER BY number")]
        near = get_close_matches(run, ids, n=3) or ids[-3:]
        raise InputFault(Fault(f"run {run}", "no such run", f"one of {', '.join(near)}" if near else "a recorded run"))

    def unfinished_run(self, oven: str) -> RunRow | None:
        """The newest run of an oven if it has not been closed: what to take up again after a restart."""
        rows = self._all("SELECT * FROM runs WHERE oven = :oven ORDER BY number DESC LIMIT 1", oven=oven)
        row = RunRow(*rows[0]) if rows else None
        return row if row is not None and row.ended_utc_s is None else None

    def channels(self, run: str) -> tuple[str, ...]:
        """The channels of a run's oven, in the order in which they were first named."""
        rows = self._all(
            "SELECT channel.name FROM channel JOIN run ON run.oven = channel.oven WHERE run.id = :run "
            "ORDER BY channel.number",
            run=run,
        )
        return tuple(str(row[0]) for row in rows)

    def history(self, run: str, channel: str, after_s: float | None = None) -> History:
        """One channel of a run: NaN wherever the reading was not good; only later than ``after_s`` [s] if given."""
        rows = self._all(
            "SELECT time_s, CASE quality WHEN 'good' THEN temperature_K END FROM reading "
            "WHERE run = (SELECT number FROM run WHERE id = :run) "
            "AND channel = (SELECT channel.number FROM channel JOIN run ON run.oven = channel.oven "
            "               WHERE run.id = :run AND channel.name = :channel) "
            "AND (:after_s IS NULL OR time_s > :after_s) ORDER BY time_s",
            run=run,
            channel=channel,
            after_s=after_s,
        )
        values = np.array(rows, dtype=np.float64).reshape(-1, 2)
        interval_s = float(self._all("SELECT poll_interval_s FROM run WHERE id = :run", run=run)[0][0])
        return History(channel, values[:, 0], values[:, 1], interval_s)

    def histories(self, run: str) -> dict[str, History]:
        """Every channel of a run that has readings, by name."""
        found = {channel: self.history(run, channel) for channel in self.channels(run)}
        return {channel: history for channel, history in found.items() if len(history)}

    def readings(self, run: str) -> Iterator[Reading]:
        """Every reading of a run exactly as recorded, in time order, then in channel order."""
        rows = self._all(
            "SELECT channel.name, time_s, utc_s, temperature_K, quality, raw, monotonic_s, set_point_K, output_pct "
            "FROM reading JOIN channel ON channel.number = reading.channel "
            "WHERE run = (SELECT number FROM run WHERE id = :run) ORDER BY time_s, channel.number",
            run=run,
        )
        for channel, time_s, utc_s, temperature_K, quality, raw, monotonic_s, set_point_K, output_pct in rows:
            yield Reading(
                channel,
                time_s,
                utc_s,
                _nan(temperature_K),
                Quality(quality),
                raw,
                _nan(monotonic_s),
                _nan(set_point_K),
                _nan(output_pct),
            )

    def last_reading(self, run: str) -> Reading | None:
        """The newest reading of a run on any channel: where to take it up again."""
        rows = self._all(
            "SELECT channel.name, time_s, utc_s, temperature_K, quality, raw, monotonic_s, set_point_K, output_pct "
            "FROM channel JOIN reading ON reading.channel = channel.number "
            "AND reading.run = (SELECT number FROM run WHERE id = :run) "
            "AND reading.time_s = (SELECT max(time_s) FROM reading AS newest WHERE newest.run = reading.run "
            "                      AND newest.channel = channel.number) "
            "ORDER BY time_s DESC LIMIT 1",
            run=run,
        )
        if not rows:
            return None
        channel, time_s, utc_s, temperature_K, quality, raw, *others = rows[0]
        return Reading(channel, time_s, utc_s, _nan(temperature_K), Quality(quality), raw, *(_nan(v) for v in others))

    def alerts(self, run: str | None = None, oven: str | None = None) -> tuple[AlertRow, ...]:
        """Recorded alert events in the order they happened: of one run, of one oven, or all."""
        rows = self._all(
            "SELECT alert.id, oven.name, run.id, alert.utc_s, alert.kind, alert.key, alert.episode, alert.phase, "
            "alert.time_s, alert.severity, alert.title, alert.message, alert.advice "
            "FROM alert LEFT JOIN run ON run.number = alert.run LEFT JOIN oven ON oven.number = alert.oven "
            "WHERE (:run IS NULL OR run.id = :run) AND (:oven IS NULL OR oven.name = :oven) ORDER BY alert.number",
            run=run,
            oven=oven,
        )
        return tuple(_alert_row(row) for row in rows)

    def events(self, run: str | None = None, after: int = 0) -> tuple[EventRow, ...]:
        """Recorded events in the order they happened, of one run or all; only numbers above ``after``."""
        rows = self._all(
            "SELECT event.number, event.id, oven.name, run.id, event.time_s, event.utc_s, event.kind, event.text, "
            "event.detail FROM event LEFT JOIN run ON run.number = event.run "
            "LEFT JOIN oven ON oven.number = event.oven "
            "WHERE event.number > :after AND (:run IS NULL OR run.id = :run) ORDER BY event.number",
            run=run,
            after=after,
        )
        return tuple(_event_row(row) for row in rows)

    def notes(self, run: str) -> tuple[NoteRow, ...]:
        """The notes of a run, in the order they were written."""
        rows = self._all(
            "SELECT note.id, note.time_s, note.utc_s, note.author, note.text FROM note "
            "JOIN run ON run.number = note.run WHERE run.id = :run ORDER BY note.number",
            run=run,
        )
        return tuple(NoteRow(*row) for row in rows)

    def estimates(self, run: str) -> tuple[tuple[float, dict[str, Any]], ...]:
        """What was shown during a run: run time [s] and the values, in time order."""
        rows = self._all(
            "SELECT time_s, summary FROM estimate WHERE run = (SELECT number FROM run WHERE id = :run) ORDER BY time_s",
            run=run,
        )
        return tuple((float(time_s), json.loads(summary)) for time_s, summary in rows)

    def deliveries(self, alert: str | None = None) -> tuple[DeliveryRow, ...]:
        """What became of one alert, or of all, on the notification channels, in order."""
        rows = self._all(
            "SELECT alert, channel, utc_s, outcome, reason FROM delivery "
            "WHERE :alert IS NULL OR alert = :alert ORDER BY number",
            alert=alert,
        )
        return tuple(DeliveryRow(*row) for row in rows)

    def undelivered(self) -> tuple[tuple[str, AlertRow], ...]:
        """Notification channel and alert for everything queued and neither delivered nor given up, oldest first."""
        rows = self._all(
            "SELECT delivery.channel, alert.id, oven.name, run.id, alert.utc_s, alert.kind, alert.key, alert.episode, "
            "alert.phase, alert.time_s, alert.severity, alert.title, alert.message, alert.advice "
            "FROM delivery JOIN alert ON alert.id = delivery.alert "
            "LEFT JOIN run ON run.number = alert.run LEFT JOIN oven ON oven.number = alert.oven "
            "WHERE delivery.outcome = 'queued' AND NOT EXISTS (SELECT 1 FROM delivery AS done "
            "  WHERE done.alert = delivery.alert AND done.channel = delivery.channel "
            "  AND done.outcome IN ('delivered', 'given up')) ORDER BY delivery.number"
        )
        return tuple((str(row[0]), _alert_row(row[1:])) for row in rows)

    def requests(self, after: int = 0) -> tuple[RequestRow, ...]:
        """What other processes have asked for, numbers above ``after``, in order."""
        rows = self._all(
            "SELECT number, utc_s, kind, detail FROM request WHERE number > :after ORDER BY number", after=after
        )
        return tuple(RequestRow(number, utc_s, kind, json.loads(detail)) for number, utc_s, kind, detail in rows)

    def setting(self, name: str) -> str | None:
        """The newest value remembered under a name."""
        rows = self._all("SELECT value FROM setting WHERE name = :name ORDER BY number DESC LIMIT 1", name=name)
        return str(rows[0][0]) if rows else None

    def _all(self, sql: str, **values: Any) -> list[Any]:
        with translated(self.path):
            return self._db.conn.execute(sql, values).fetchall()


def _nan(value: float | None) -> float:
    return nan if value is None else value


def _alert_row(row: Sequence[Any]) -> AlertRow:
    id_, oven, run, utc_s, kind, key, episode, phase, time_s, severity, title, message, advice = row
    event = AlertEvent(AlertKind(kind), key, episode, Phase(phase), time_s, Severity(severity), title, message, advice)
    return AlertRow(id_, oven, run, utc_s, event)


def _event_row(row: Sequence[Any]) -> EventRow:
    number, id_, oven, run, time_s, utc_s, kind, text, detail = row
    return EventRow(number, id_, oven, run, time_s, utc_s, kind, text, json.loads(detail))
