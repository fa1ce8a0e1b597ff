"""Writing a record: one thread, one connection, every row durable before anyone relies on it.

While the record cannot be written (disk full, read-only, damaged, locked), rows go to the journal beside it and are
merged when the record is back; `RecordWriter.trouble` says so meanwhile. Only what neither takes is not acknowledged.
"""

import json
import logging
import queue
import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from concurrent.futures import TimeoutError as StillRunning
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

from logger.alert import AlertEvent
from logger.errors import InputFault, OutsideFault, SoaktallyError
from logger.journal import RESERVE_BYTES, Journal
from logger.reading import Reading
from logger.record_file import (
    BUSY_TIMEOUT_S,
    NotARecord,
    WatchLock,
    fault_of,
    open_for_writing,
    savepoint,
    transaction,
    translated,
)
from logger.record_operations import (
    Appender,
    Operation,
    Value,
    event,
    new_id,
    next_run_id,
    note,
    one,
    readings,
    run_id_without_record,
)

log = logging.getLogger("soaktally.record")

TRY_AGAIN_S: Final = 5.0
"""How often a record that cannot be written is tried again (our choice)."""

ANSWER_WITHIN_S: Final = 30.0
"""A disk that takes longer than this for one write is taken for hung (our choice: far above any card's worst)."""

BUSY_TIMEOUT_IN_TROUBLE_S: Final = 0.2
"""How long a trial in trouble waits for another program: readings are waiting behind it (our choice)."""

MOST_HELD: Final = 100_000
"""How many operations are kept in memory at most, when neither record nor journal takes them (our choice)."""


@dataclass(slots=True)
class _Job:
    """Something to write: ``make`` gives the operations and what to answer, knowing the database if it can be read."""

    make: Callable[[sqlite3.Connection | None], tuple[Sequence[Operation], Any]]
    again: bool = False  # rows that are there already are passed over
    done: "Future[Any]" = field(default_factory=Future)


class RecordWriter:
    """The one writer of a record. Safe to call from any thread; every call blocks until its rows are durable.

    ``even_if_damaged`` starts on the journal when the record cannot be written at the moment of opening: for a
    watch that comes back by itself in the night, where any record is better than none.

    Raises (on opening)   InputFault     not a record, a newer one, no such folder
                          OutsideFault   another soaktally writes it; locked, full, read-only, damaged
    Raises (on writing)   OutsideFault   neither record nor journal takes the rows: they are kept in memory only
    """

    def __init__(
        self,
        path: Path,
        *,
        even_if_damaged: bool = False,
        utc_s: Callable[[], float] = time.time,
        busy_timeout_s: float = BUSY_TIMEOUT_S,
        answer_within_s: float = ANSWER_WITHIN_S,
        try_again_s: float = TRY_AGAIN_S,
        reserve_bytes: int = RESERVE_BYTES,
    ) -> None:
        self.path = path
        self._utc_s = utc_s
        self._busy_timeout_s = busy_timeout_s
        self._answer_within_s = answer_within_s
        self._try_again_s = try_again_s
        self._known = WatchLock.file_of(path).exists()  # a soaktally has written here before
        self._lock = WatchLock(path)
        self._journal = Journal(path, reserve_bytes)
        self._jobs: queue.SimpleQueue[_Job | None] = queue.SimpleQueue()
        self._closed = False
        self._trouble = ""
        self._tried_s = 0.0  # when the record was last tried while in trouble [s, monotonic]
        self._hung = False
        self._db: sqlite3.Connection | None = None
        self._file_number = 0
        self._appender: Appender | None = None
        self._open_runs: dict[str, Operation] = {}
        self._held: deque[Operation] = deque(maxlen=MOST_HELD)
        opened: Future[None] = Future()
        self._thread = threading.Thread(
            target=self._work, args=(opened, even_if_damaged), name="record writer", daemon=True
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

    @property
    def trouble(self) -> str:
        """Why the record is not being written now, in one line; empty while all is well."""
        if self._hung:
            return f"record {self.path}: the disk does not answer"
        return self._trouble

    def close(self) -> None:
        """Finish what is waiting, fold the write-ahead log into the file, let go of the record."""
        if self._closed:
            return
        self._closed = True
        self._jobs.put(None)
        self._thread.join()
        self._lock.release()

    # What can be written ---------------------------------------------------------------------------------------------

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

        def make(db: sqlite3.Connection | None) -> tuple[Sequence[Operation], Any]:
            taken = self._open_runs
            run = run_id_without_record(started_utc_s, taken) if db is None else next_run_id(db, started_utc_s)
            begun = _run(
                run,
                oven=oven,
                channels=channels,
                sheet_name=sheet_name,
                sheet_text=sheet_text,
                started_utc_s=started_utc_s,
                clock=clock,
                software=software,
                poll_interval_s=poll_interval_s,
            )
            return (begun,), run

        return str(self._do(_Job(make)))

    def append_readings(self, run: str, batch: Sequence[Reading]) -> None:
        """Append readings to a run; they are durable when this returns."""
        if batch:
            self._append(readings(run, batch))

    def append_all(self, operations: Sequence[Operation]) -> None:
        """Append operations, all or none; rows that are there already are passed over."""
        self._do(_Job(lambda _: (operations, None), again=True))

    def append_alert(
        self, event: AlertEvent, *, utc_s: float, oven: str | None = None, run: str | None = None, id: str = ""
    ) -> str:
        """Append an alert event; returns the id under which its deliveries are kept (a new one unless given)."""
        row: dict[str, Value] = {
            "id": id or new_id(),
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
        self._append(event(kind, text, utc_s=utc_s, oven=oven, run=run, time_s=time_s, detail=detail))

    def append_deliveries(
        self, alerts_and_channels: Sequence[tuple[str, str]], outcome: str, *, utc_s: float, reason: str = ""
    ) -> None:
        """Append what became of alerts on notification channels: queued, failed, delivered, given up."""
        rows: list[dict[str, Value]] = [
            {
                "id": new_id(),
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
        """Append what was shown at a moment of a run, as plain values; the first of a moment stays."""
        row: dict[str, Value] = {"run": run, "time_s": float(time_s), "summary": json.dumps(dict(summary))}
        self._append(Operation("estimate", (row,)), again=True)

    def add_note(self, run: str, text: str, *, utc_s: float, time_s: float | None = None, author: str = "") -> None:
        """Append a note to a run, running or finished."""
        self._append(note(run, text, utc_s=utc_s, time_s=time_s, author=author))

    def keep_setting(self, name: str, value: str, *, utc_s: float) -> None:
        """Remember a value under a name; the newest one holds."""
        self._append(one("setting", utc_s=float(utc_s), name=name, value=value))

    def end_run(self, run: str, how: str, *, ended_utc_s: float) -> None:
        """Close a run, saying how it ended; a run that is closed stays as it was closed."""

        row: dict[str, Value] = {"run": run, "ended_utc_s": float(ended_utc_s), "how": how}
        self._append(Operation("run_end", (row,)), again=True)

    # The writing thread ----------------------------------------------------------------------------------------------

    def _append(self, operation: Operation, again: bool = False) -> None:
        self._do(_Job(lambda _: ((operation,), None), again))

    def _do(self, job: _Job) -> Any:
        if self._closed:
            raise RuntimeError(f"the record {self.path} has been closed")
        self._jobs.put(job)
        try:
            result = job.done.result(timeout=self._answer_within_s)
        except StillRunning:
            self._hung = True
            raise OutsideFault(
                f"record {self.path}: the disk does not answer within {self._answer_within_s:g} s; "
                "what was to be written is kept in memory"
            ) from None
        self._hung = False
        return result

    def _work(self, opened: "Future[None]", even_if_damaged: bool) -> None:
        try:
            self._open(even_if_damaged)
        except BaseException as error:
            self._let_go()
            opened.set_exception(error)
            return
        opened.set_result(None)
        closing = False
        while not closing:
            jobs, closing = self._waiting()
            try:
                if self._trouble and (closing or time.monotonic() - self._tried_s >= self._try_again_s):
                    self._come_back()
                if jobs:
                    self._commit(jobs)
            except Exception as error:  # our own mistake: told to whoever asked, and the thread lives on
                log.exception("record writer")
                for job in jobs:
                    if not job.done.done():
                        job.done.set_exception(error)
        self._let_go()

    def _open(self, even_if_damaged: bool) -> None:
        """Open record and journal, and merge what the journal holds from before."""
        try:
            self._connect(self._busy_timeout_s)
        except OutsideFault as fault:
            if not even_if_damaged:
                raise
            self._begin_trouble(fault)
        except NotARecord as fault:
            # Once it was a record; a power cut can leave such a file. A wrong name in an oven file was never one.
            if not (even_if_damaged and self._known):
                raise
            self._begin_trouble(fault)
        try:
            self._journal.lay_out()
            if not self._trouble:
                self._merge()
        except (OSError, SoaktallyError) as error:
            log.warning("journal of %s: %s", self.path, error)

    def _connect(self, busy_timeout_s: float) -> None:
        self._db = open_for_writing(self.path, busy_timeout_s)
        self._appender = Appender(self._db)
        self._file_number = self.path.stat().st_ino
        with translated(self.path):
            for run in _unfinished(self._db):
                self._open_runs.setdefault(str(run.rows[0]["id"]), run)

    def _let_go(self) -> None:
        """Close everything; a write-ahead log that cannot be folded in now is folded in at the next opening."""
        if self._db is not None:
            with suppress(sqlite3.Error):
                self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").close()
            with suppress(sqlite3.Error):
                self._db.close()
            self._db = self._appender = None
        with suppress(OSError):
            self._journal.close()

    def _waiting(self) -> tuple[list[_Job], bool]:
        """Everything there is to write, waiting for the first (not for ever in trouble); whether to close after it."""
        jobs: list[_Job] = []
        with suppress(queue.Empty):
            job = self._jobs.get(timeout=self._try_again_s if self._trouble else None)
            while job is not None:
                jobs.append(job)
                job = self._jobs.get_nowait()
            return jobs, True
        return jobs, False

    def _commit(self, jobs: Sequence[_Job]) -> None:
        """Write several jobs in one transaction; one that is refused does not take the others with it."""
        if self._trouble:
            self._keep(jobs)
            return
        assert self._db is not None
        assert self._appender is not None
        refused: dict[int, Exception] = {}
        results: dict[int, tuple[Sequence[Operation], Any]] = {}
        try:
            with translated(self.path), transaction(self._db):
                for number, job in enumerate(jobs):
                    try:
                        with savepoint(self._db):
                            operations, answer = job.make(self._db)
                            for operation in operations:
                                self._appender.apply(operation, job.again)
                            results[number] = (operations, answer)
                    except (sqlite3.IntegrityError, ValueError) as error:
                        self._appender.forget()
                        refused[number] = error
                if not self._in_place():
                    raise OutsideFault(f"record {self.path}: the file has been moved or deleted while it was written")
        except (OutsideFault, InputFault) as fault:
            self._begin_trouble(fault)
            self._keep(jobs)
            return
        except Exception as error:
            self._appender.forget()
            for job in jobs:
                job.done.set_exception(error)
            return
        for number, job in enumerate(jobs):
            if number in refused:
                job.done.set_exception(refused[number])
            else:
                operations, answer = results[number]
                self._follow_runs(operations)
                job.done.set_result(answer)

    def _in_place(self) -> bool:
        """Whether the file being written is still the one that has the record's name."""
        try:
            return self.path.stat().st_ino == self._file_number
        except OSError:
            return False

    def _follow_runs(self, operations: Sequence[Operation]) -> None:
        """Know the runs that are open: a journal, or a new record, must be able to say what they are."""
        for operation in operations:
            for row in operation.rows:
                if operation.kind == "runs":
                    self._open_runs[str(row["id"])] = Operation("runs", (row,))
                elif operation.kind == "run_end":
                    self._open_runs.pop(str(row["run"]), None)

    # Trouble ---------------------------------------------------------------------------------------------------------

    def _begin_trouble(self, fault: SoaktallyError) -> None:
        """From now on the journal. It begins with the open runs, so that it can be understood without the record."""
        self._trouble = str(fault)
        self._tried_s = time.monotonic()
        log.error("%s", fault)
        if self._appender is not None:
            self._appender.forget()
        try:
            self._journal.append(tuple(self._open_runs.values()))
        except OSError as error:
            log.error("journal of %s: %s", self.path, error)

    def _keep(self, jobs: Sequence[_Job]) -> None:
        """Put jobs into the journal, or at least into memory."""
        made: list[tuple[_Job, Sequence[Operation], Any]] = []
        for job in jobs:
            try:
                operations, answer = job.make(None)
            except ValueError as error:
                job.done.set_exception(error)
                continue
            self._follow_runs(operations)
            made.append((job, operations, answer))
        everything = [operation for _, operations, _ in made for operation in operations]
        try:
            self._journal.append(everything)
        except OSError as error:
            self._held.extend(everything)
            fault = OutsideFault(f"{self._trouble}; nor does the journal beside it take anything: {fault_words(error)}")
            for job, _, _ in made:
                job.done.set_exception(fault)
            return
        for job, _, answer in made:
            job.done.set_result(answer)

    def _come_back(self) -> None:
        """Try the record again; once it can be written, merge what was kept elsewhere."""
        self._tried_s = time.monotonic()
        self._disconnect()  # a connection that has met a full or failing disk is not trusted again
        try:
            self._connect(BUSY_TIMEOUT_IN_TROUBLE_S)
            self._merge()
        except (OSError, SoaktallyError) as error:
            self._disconnect()
            words = str(error) if isinstance(error, SoaktallyError) else str(fault_of(self.path, error))
            if words != self._trouble:
                self._trouble = words
                log.error("%s", words)
            return
        assert self._db is not None
        self._db.execute(f"PRAGMA busy_timeout = {int(1000 * self._busy_timeout_s)}").close()
        self._trouble = ""
        log.warning("record %s can be written again; what was kept beside it has been merged", self.path)

    def _disconnect(self) -> None:
        if self._db is not None:
            with suppress(sqlite3.Error):
                self._db.close()
        self._db = self._appender = None

    def _merge(self) -> None:
        """Bring into the record what the journal and memory hold, then empty both.

        Raises   OutsideFault, OSError   nothing is lost: it is all still where it was
        """
        assert self._db is not None
        assert self._appender is not None
        kept, unreadable = self._journal.operations()
        operations = [*kept, *self._held]
        if self._trouble or operations:
            detail = {"operations": len(operations), "unreadable": unreadable, "trouble": self._trouble}
            text = "what was kept beside the record has been merged"
            operations.append(event("record back", text, utc_s=self._utc_s(), detail=detail))
            operations[:0] = self._open_runs.values()
        refused = self._apply_again(operations) if operations else 0
        if unreadable or refused:
            aside = self._journal.put_aside()
            log.error("journal: %d lines not readable, %d refused; kept as %s", unreadable, refused, aside)
        if kept or unreadable:
            self._journal.empty()
        self._held.clear()

    def _apply_again(self, operations: Sequence[Operation]) -> int:
        """Append operations of which any may be there already, all or none; returns how many were refused."""
        assert self._db is not None
        assert self._appender is not None
        refused = 0
        self._appender.forget()
        with translated(self.path), transaction(self._db):
            for operation in operations:
                try:
                    with savepoint(self._db):
                        self._appender.apply(operation, again=True)
                except sqlite3.IntegrityError as error:
                    self._appender.forget()
                    refused += 1
                    log.error("journal: an operation of kind %s is refused: %s", operation.kind, error)
        return refused


def fault_words(error: OSError) -> str:
    """What the operating system says, in words."""
    return (error.strerror or str(error)).lower()


def _unfinished(db: sqlite3.Connection) -> list[Operation]:
    """The runs that are not closed, as the operations that would begin them."""
    rows = db.execute(
        "SELECT id, oven, sheet_name, sheet_text, started_utc_s, clock, software, poll_interval_s FROM runs "
        "WHERE ended_utc_s IS NULL ORDER BY number"
    ).fetchall()
    runs = []
    for id_, oven, sheet_name, sheet_text, started_utc_s, clock, software, poll_interval_s in rows:
        channels = db.execute(
            "SELECT channel.name FROM channel JOIN oven ON oven.number = channel.oven WHERE oven.name = ? "
            "ORDER BY channel.number",
            (oven,),
        ).fetchall()
        runs.append(
            _run(
                id_,
                oven=oven,
                channels=[str(row[0]) for row in channels],
                sheet_name=sheet_name,
                sheet_text=sheet_text,
                started_utc_s=started_utc_s,
                clock=clock,
                software=software,
                poll_interval_s=poll_interval_s,
            )
        )
    return runs


def _run(
    run: str,
    *,
    oven: str,
    channels: Sequence[str],
    sheet_name: str,
    sheet_text: str,
    started_utc_s: float,
    clock: str,
    software: str,
    poll_interval_s: float,
) -> Operation:
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
    return Operation("runs", (row,))
