"""The schema of the record, as named steps. A step is never edited once it has been released; a new one is added.

Rules of the schema, so that anyone with SQL can read a record years from now:

* units are in the column names; times are seconds (``utc_s`` since 1970-01-01 UTC, ``time_s`` since the run began);
* every table is STRICT and append-only: the file itself refuses UPDATE and DELETE;
* rows that may have to be written twice (from the journal) carry an ``id`` that makes the second time a no-op.
"""

import sqlite3
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from sqlite_utils import Database
    from sqlite_utils.migrations import Migrations

APPLICATION_ID: Final = 0x736F616B
"""SQLite ``application_id`` of a record: the letters "soak"."""

MIGRATIONS_TABLE: Final = "_sqlite_migrations"
"""Where the library that applies the steps keeps which of them a file has had."""


def applied(db: sqlite3.Connection) -> list[str]:
    """The steps a file has had, in order; read without the library, which only a file with pending steps needs."""
    if not db.execute("SELECT 1 FROM sqlite_master WHERE name = ?", (MIGRATIONS_TABLE,)).fetchone():
        return []
    rows = db.execute(f"SELECT name FROM {MIGRATIONS_TABLE} WHERE migration_set = 'record' ORDER BY rowid").fetchall()
    return [str(name) for (name,) in rows]


def pending(db: sqlite3.Connection) -> list[str]:
    """The steps a file still needs, in order."""
    done = applied(db)
    return [step.__name__ for step in STEPS if step.__name__ not in done]


def migrations() -> "Migrations":
    """All steps, to be applied."""
    from sqlite_utils.migrations import Migrations

    record = Migrations("record")
    for step in STEPS:
        record()(step)
    return record


def append_only(db: "Database", table: str) -> None:
    """Make the file refuse to change or delete a row of ``table``."""
    for verb in ("UPDATE", "DELETE"):
        db.conn.execute(
            f"CREATE TRIGGER {table}_refuses_{verb.lower()} BEFORE {verb} ON {table} "
            f"BEGIN SELECT RAISE(ABORT, 'the record is append-only: {table} rows are never changed'); END"
        )


def _create(db: "Database", table: str, definition: str) -> None:
    db.conn.execute(definition)
    append_only(db, table)


def runs_and_readings(db: "Database") -> None:
    """Ovens, their channels, runs, readings."""
    db.conn.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    _create(
        db,
        "oven",
        """CREATE TABLE oven (
            number INTEGER PRIMARY KEY,
            name TEXT NOT NULL UNIQUE
        ) STRICT""",
    )
    _create(
        db,
        "channel",
        """CREATE TABLE channel (
            number INTEGER PRIMARY KEY,
            oven INTEGER NOT NULL REFERENCES oven(number),
            name TEXT NOT NULL,
            UNIQUE (oven, name)
        ) STRICT""",
    )
    _create(
        db,
        "run",
        """CREATE TABLE run (
            number INTEGER PRIMARY KEY,
            id TEXT NOT NULL UNIQUE,              -- what a person types: the day, and a letter
            oven INTEGER NOT NULL REFERENCES oven(number),
            sheet_name TEXT NOT NULL,
            sheet_text TEXT NOT NULL,             -- the run sheet, letter for letter
            started_utc_s REAL NOT NULL,
            clock TEXT NOT NULL,                  -- "real", or how a simulated clock ran
            software TEXT NOT NULL,
            poll_interval_s REAL NOT NULL
        ) STRICT""",
    )
    _create(
        db,
        "run_end",
        """CREATE TABLE run_end (
            run INTEGER PRIMARY KEY REFERENCES run(number),
            ended_utc_s REAL NOT NULL,
            how TEXT NOT NULL
        ) STRICT""",
    )
    _create(
        db,
        "reading",
        """CREATE TABLE reading (
            run INTEGER NOT NULL REFERENCES run(number),
            channel INTEGER NOT NULL REFERENCES channel(number),
            time_s REAL NOT NULL,
            utc_s REAL NOT NULL,
            monotonic_s REAL,                     -- the machine's steady clock; starts anew at every boot
            temperature_K REAL,                   -- as read, whatever its quality; NULL where there was no number
            quality TEXT NOT NULL,
            raw TEXT NOT NULL,                    -- what the controller answered
            set_point_K REAL,
            output_pct REAL,
            PRIMARY KEY (run, channel, time_s),
            CHECK (quality <> 'good' OR temperature_K IS NOT NULL)
        ) STRICT, WITHOUT ROWID""",
    )


def alerts_events_notes(db: "Database") -> None:
    """What happened around the readings, and who was told."""
    _create(
        db,
        "alert",
        """CREATE TABLE alert (
            number INTEGER PRIMARY KEY,
            id TEXT NOT NULL UNIQUE,
            oven INTEGER REFERENCES oven(number),
            run INTEGER REFERENCES run(number),
            time_s REAL NOT NULL,
            utc_s REAL NOT NULL,
            kind TEXT NOT NULL,
            key TEXT NOT NULL,                    -- which one of that kind: a channel, a target
            episode INTEGER NOT NULL,
            phase TEXT NOT NULL,                  -- raised, reminded, escalated, acknowledged, cleared
            severity TEXT NOT NULL,
            title TEXT NOT NULL,
            message TEXT NOT NULL,
            advice TEXT NOT NULL
        ) STRICT""",
    )
    db.conn.execute("CREATE INDEX alert_by_run ON alert (run, number)")
    _create(
        db,
        "delivery",
        """CREATE TABLE delivery (
            number INTEGER PRIMARY KEY,
            id TEXT NOT NULL UNIQUE,
            alert TEXT NOT NULL,                  -- alert.id
            channel TEXT NOT NULL,                -- the name of a notification channel
            utc_s REAL NOT NULL,
            outcome TEXT NOT NULL CHECK (outcome IN ('queued', 'failed', 'delivered', 'given up')),
            reason TEXT NOT NULL
        ) STRICT""",
    )
    db.conn.execute("CREATE INDEX delivery_by_alert ON delivery (alert, channel)")
    _create(
        db,
        "event",
        """CREATE TABLE event (
            number INTEGER PRIMARY KEY,
            id TEXT NOT NULL UNIQUE,
            oven INTEGER REFERENCES oven(number),
            run INTEGER REFERENCES run(number),
            time_s REAL,
            utc_s REAL NOT NULL,
            kind TEXT NOT NULL,
            text TEXT NOT NULL,
            detail TEXT NOT NULL                  -- JSON object
        ) STRICT""",
    )
    db.conn.execute("CREATE INDEX event_by_run ON event (run, number)")
    _create(
        db,
        "note",
        """CREATE TABLE note (
            number INTEGER PRIMARY KEY,
            id TEXT NOT NULL UNIQUE,
            run INTEGER NOT NULL REFERENCES run(number),
            time_s REAL,                          -- the moment it is about; NULL: the whole run
            utc_s REAL NOT NULL,                  -- when it was written
            author TEXT NOT NULL,
            text TEXT NOT NULL
        ) STRICT""",
    )
    _create(
        db,
        "estimate",
        """CREATE TABLE estimate (
            run INTEGER NOT NULL REFERENCES run(number),
            time_s REAL NOT NULL,
            summary TEXT NOT NULL,                -- JSON object: what was shown at that moment
            PRIMARY KEY (run, time_s)
        ) STRICT, WITHOUT ROWID""",
    )
    _create(
        db,
        "setting",
        """CREATE TABLE setting (
            number INTEGER PRIMARY KEY,
            id TEXT NOT NULL UNIQUE,
            utc_s REAL NOT NULL,
            name TEXT NOT NULL,                   -- the newest row of a name holds
            value TEXT NOT NULL
        ) STRICT""",
    )
    _create(
        db,
        "request",
        """CREATE TABLE request (
            number INTEGER PRIMARY KEY,
            id TEXT NOT NULL UNIQUE,
            utc_s REAL NOT NULL,
            kind TEXT NOT NULL,                   -- what another process asks of the one that watches
            detail TEXT NOT NULL                  -- JSON object
        ) STRICT""",
    )


def views_for_people(db: "Database") -> None:
    """Views that join the numbers back to names, for anyone with SQL."""
    db.conn.execute(
        """CREATE VIEW runs AS
        SELECT run.number, run.id, oven.name AS oven, run.sheet_name, run.sheet_text, run.started_utc_s,
               run_end.ended_utc_s, run_end.how AS how_ended, run.clock, run.software, run.poll_interval_s
        FROM run JOIN oven ON oven.number = run.oven LEFT JOIN run_end ON run_end.run = run.number"""
    )
    db.conn.execute(
        """CREATE VIEW trace AS
        SELECT run.id AS run, channel.name AS channel, reading.time_s,
               datetime(reading.utc_s, 'unixepoch') AS utc, reading.temperature_K, reading.quality, reading.raw
        FROM reading JOIN run ON run.number = reading.run JOIN channel ON channel.number = reading.channel"""
    )


def pieces_and_measurements(db: "Database") -> None:
    """What happened to pieces before and after their heats, and what was measured on them and on coupons."""
    _create(
        db,
        "piece_step",
        """CREATE TABLE piece_step (
            number INTEGER PRIMARY KEY,
            id TEXT NOT NULL UNIQUE,
            piece TEXT NOT NULL,
            step INTEGER NOT NULL,                -- counts from 1 in each piece
            utc_s REAL NOT NULL,                  -- when it was entered
            kind TEXT NOT NULL,
            detail TEXT NOT NULL,                 -- JSON object, SI units in its keys
            note TEXT NOT NULL,
            UNIQUE (piece, step)
        ) STRICT""",
    )
    _create(
        db,
        "measurement",
        """CREATE TABLE measurement (
            number INTEGER PRIMARY KEY,
            id TEXT NOT NULL UNIQUE,
            run INTEGER NOT NULL REFERENCES run(number),
            utc_s REAL NOT NULL,
            kind TEXT NOT NULL,                   -- weight, depth, hardness, carbon; withdrawn: of another one
            detail TEXT NOT NULL,                 -- JSON object, SI units in its keys: the coupon and what was found
            note TEXT NOT NULL
        ) STRICT""",
    )
    db.conn.execute("CREATE INDEX measurement_by_run ON measurement (run, number)")
    _create(
        db,
        "spark_test",
        """CREATE TABLE spark_test (
            number INTEGER PRIMARY KEY,
            id TEXT NOT NULL UNIQUE,
            run INTEGER REFERENCES run(number),
            piece TEXT,
            utc_s REAL NOT NULL,
            class INTEGER NOT NULL CHECK (class BETWEEN 1 AND 5),
            note TEXT NOT NULL,
            photo_name TEXT,
            photo_base64 TEXT
        ) STRICT""",
    )
    _create(
        db,
        "correction",
        """CREATE TABLE correction (
            number INTEGER PRIMARY KEY,
            id TEXT NOT NULL UNIQUE,
            utc_s REAL NOT NULL,
            software TEXT NOT NULL,
            detail TEXT NOT NULL                  -- JSON object: coefficients by recipe and iron lot, with the evidence
        ) STRICT""",
    )


STEPS: Final = (runs_and_readings, alerts_events_notes, views_for_people, pieces_and_measurements)
"""Every step, in order."""
