"""What can be appended to a record, as plain values: the same operation goes into the database or into the journal.

An operation names runs, ovens and channels by their words, never by row numbers, and holds nothing but text, numbers
and None, so that it can wait in a text file until the database is back. Applying one twice changes nothing.
"""

import json
import sqlite3
import uuid
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from math import isfinite, isnan
from typing import Any, Final

from logger.reading import Reading

Value = str | float | int | None
Row = Mapping[str, Value]


@dataclass(frozen=True, slots=True)
class Operation:
    """Rows to append: ``kind`` is a key of `APPLY`; each row holds plain values."""

    kind: str
    rows: tuple[dict[str, Value], ...]

    def to_json(self) -> str:
        """One line of text."""
        return json.dumps({"kind": self.kind, "rows": self.rows}, ensure_ascii=False, separators=(",", ":"))

    @classmethod
    def from_json(cls, line: str) -> "Operation":
        """The operation of one line of text. Raises ValueError where the line is not one."""
        value = json.loads(line)
        if not isinstance(value, dict) or value.get("kind") not in APPLY or not isinstance(value.get("rows"), list):
            raise ValueError("not an operation of a record")
        rows = tuple(value["rows"])
        if not all(isinstance(row, dict) and all(name.isidentifier() for name in row) for row in rows):
            raise ValueError("not rows of a record")
        return cls(value["kind"], rows)


def number_or_none(value: float | None) -> float | None:
    """A number as the record keeps it: a plain float, None for NaN. Raises ValueError for infinity."""
    if value is None or isnan(value):
        return None
    if not isfinite(value):
        raise ValueError("an infinite value cannot be recorded")
    return float(value)


def readings(run: str, batch: Sequence[Reading]) -> Operation:
    """The operation that appends ``batch`` to ``run``."""
    return Operation(
        "readings",
        tuple(
            {
                "run": run,
                "channel": reading.channel,
                "time_s": float(reading.time_s),
                "utc_s": float(reading.utc_s),
                "monotonic_s": number_or_none(reading.monotonic_s),
                "temperature_K": number_or_none(reading.temperature_K),
                "quality": str(reading.quality),
                "raw": reading.raw.encode("utf-8", "backslashreplace").decode(),
                "set_point_K": number_or_none(reading.set_point_K),
                "output_pct": number_or_none(reading.output_pct),
            }
            for reading in batch
        ),
    )


def new_id() -> str:
    """An id that no other row has."""
    return uuid.uuid4().hex


def one(table: str, /, **row: Value) -> Operation:
    """The operation that appends one row, under a new id, to a table."""
    return Operation(table, ({"id": new_id(), **row},))


def event(
    kind: str,
    text: str,
    *,
    utc_s: float,
    oven: str | None = None,
    run: str | None = None,
    time_s: float | None = None,
    detail: Mapping[str, Any] | None = None,
) -> Operation:
    """The operation that appends something that happened around the readings."""
    return one(
        "event",
        oven=oven,
        run=run,
        time_s=number_or_none(time_s),
        utc_s=float(utc_s),
        kind=kind,
        text=text,
        detail=json.dumps(dict(detail or {}), ensure_ascii=False),
    )


def note(run: str, text: str, *, utc_s: float, time_s: float | None = None, author: str = "") -> Operation:
    """The operation that adds a note to a run; see `append_from_outside`."""
    return one("note", run=run, time_s=number_or_none(time_s), utc_s=float(utc_s), author=author, text=text)


def request(kind: str, *, utc_s: float, **detail: Any) -> Operation:
    """The operation that asks something of the watching process; see `append_from_outside`."""
    return one("request", utc_s=float(utc_s), kind=kind, detail=json.dumps(detail, ensure_ascii=False))


def run_id(day: str, ordinal: int) -> str:
    """Name of the run number ``ordinal`` (from 0) of a day: 2026-11-25-a, ... -z, -aa, -ab, ..."""
    letters = ""
    ordinal += 1
    while ordinal:
        ordinal, digit = divmod(ordinal - 1, 26)
        letters = chr(ord("a") + digit) + letters
    return f"{day}-{letters}"


def day_of(utc_s: float) -> str:
    """The local calendar day of a moment, as in 2026-11-25."""
    return datetime.fromtimestamp(utc_s, UTC).astimezone().date().isoformat()


def run_id_without_record(started_utc_s: float, taken: Collection[str]) -> str:
    """A run id while nobody can say which letters of the day are taken: the day and the local time of day."""
    started = datetime.fromtimestamp(started_utc_s, UTC).astimezone()
    run = started.strftime("%Y-%m-%d-at-%H%M%S")
    number = 2
    while run in taken:
        run = started.strftime("%Y-%m-%d-at-%H%M%S") + f"-{number}"
        number += 1
    return run


def next_run_id(db: sqlite3.Connection, started_utc_s: float) -> str:
    """The first free run id of the local day on which a run starts."""
    day = day_of(started_utc_s)
    taken = {str(row[0]) for row in _all(db, "SELECT id FROM run WHERE id LIKE ? || '-%'", day)}
    ordinal = 0
    while run_id(day, ordinal) in taken:
        ordinal += 1
    return run_id(day, ordinal)


# --------------------------------------------------------------------------------------------------------------------
# Into the database. Each function runs inside a transaction of the caller.

READING_SQL: Final = """
INSERT INTO reading (run, channel, time_s, utc_s, monotonic_s, temperature_K, quality, raw, set_point_K, output_pct)
VALUES (:run, :channel, :time_s, :utc_s, :monotonic_s, :temperature_K, :quality, :raw, :set_point_K, :output_pct)
"""
AGAIN: Final = {
    "reading": "ON CONFLICT (run, channel, time_s) DO NOTHING",
    "estimate": "ON CONFLICT (run, time_s) DO NOTHING",
    "run_end": "ON CONFLICT (run) DO NOTHING",
}


class Appender:
    """Appends operations through one connection, remembering the numbers behind names."""

    def __init__(self, db: sqlite3.Connection) -> None:
        self._db = db
        self._numbers: dict[tuple[str, ...], int] = {}

    def apply(self, operation: Operation, again: bool = False) -> None:
        """Append the rows of an operation; ``again``: rows that are already there are passed over."""
        APPLY[operation.kind](self, operation.rows, again)

    def forget(self) -> None:
        """Drop remembered numbers: a transaction that may have made them was rolled back."""
        self._numbers.clear()

    def _number(self, find: str, make: str, *words: str | int) -> int:
        row = self._db.execute(find, words).fetchone()
        if row is None:
            self._db.execute(make, words)
            row = self._db.execute(find, words).fetchone()
        return int(row[0])

    def _oven(self, name: str) -> int:
        key = ("oven", name)
        if key not in self._numbers:
            self._numbers[key] = self._number(
                "SELECT number FROM oven WHERE name = ?", "INSERT INTO oven (name) VALUES (?)", name
            )
        return self._numbers[key]

    def _run(self, run: str) -> tuple[int, int]:
        """Number of a run and of its oven."""
        key, oven_key = ("run", run), ("oven of", run)
        if key not in self._numbers:
            row = self._db.execute("SELECT number, oven FROM run WHERE id = ?", (run,)).fetchone()
            if row is None:
                raise sqlite3.IntegrityError(f"there is no run {run} in the record")
            self._numbers[key], self._numbers[oven_key] = int(row[0]), int(row[1])
        return self._numbers[key], self._numbers[oven_key]

    def _channel(self, oven: int, name: str) -> int:
        key = ("channel", str(oven), name)
        if key not in self._numbers:
            self._numbers[key] = self._number(
                "SELECT number FROM channel WHERE oven = ? AND name = ?",
                "INSERT INTO channel (oven, name) VALUES (?, ?)",
                oven,
                name,
            )
        return self._numbers[key]

    def runs(self, rows: Sequence[Row], again: bool) -> None:
        """Begin runs. A row's ``channels`` is a JSON list of names."""
        for row in rows:
            oven = self._oven(str(row["oven"]))
            for channel in json.loads(str(row["channels"])):
                self._channel(oven, channel)
            self._db.execute(
                "INSERT INTO run (id, oven, sheet_name, sheet_text, started_utc_s, clock, software, poll_interval_s) "
                "VALUES (:id, :oven, :sheet_name, :sheet_text, :started_utc_s, :clock, :software, :poll_interval_s)"
                + (" ON CONFLICT (id) DO NOTHING" if again else ""),
                {**row, "oven": oven},
            )

    def readings(self, rows: Sequence[Row], again: bool) -> None:
        """Append readings."""
        numbered: list[dict[str, Value]] = []
        for row in rows:
            run, oven = self._run(str(row["run"]))
            numbered.append({**row, "run": run, "channel": self._channel(oven, str(row["channel"]))})
        self._db.executemany(READING_SQL + (AGAIN["reading"] if again else ""), numbered)

    def in_table(self, table: str, rows: Sequence[Row], again: bool) -> None:
        """Append rows to a table whose columns are the keys of the rows; ``run`` and ``oven`` come as words."""
        for row in rows:
            numbered = dict(row)
            if isinstance(row.get("run"), str):
                numbered["run"] = self._run(str(row["run"]))[0]
            if isinstance(row.get("oven"), str):
                numbered["oven"] = self._oven(str(row["oven"]))
            sql = f"INSERT INTO {table} ({', '.join(numbered)}) VALUES ({', '.join(':' + name for name in numbered)})"
            if again:
                sql += " " + AGAIN.get(table, "ON CONFLICT (id) DO NOTHING")
            self._db.execute(sql, numbered)


def _into(table: str) -> Callable[[Appender, Sequence[Row], bool], None]:
    return lambda appender, rows, again: appender.in_table(table, rows, again)


APPLY: Final[Mapping[str, Callable[[Appender, Sequence[Row], bool], None]]] = {
    "runs": Appender.runs,
    "readings": Appender.readings,
    **{
        table: _into(table)
        for table in (
            *("run_end", "alert", "delivery", "event", "note", "estimate", "setting", "request"),
            *("piece_step", "measurement", "spark_test", "correction"),
        )
    },
}
"""Every kind of operation, and how it is appended."""


def _all(db: sqlite3.Connection, sql: str, *values: Any) -> list[Any]:
    return db.execute(sql, values).fetchall()
