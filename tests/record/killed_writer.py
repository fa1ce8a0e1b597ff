"""A process that watches into a record, resumes the run it finds, says what was acknowledged, and is killed."""

import sqlite3
import time
from multiprocessing.connection import Connection
from pathlib import Path

from logger.reading import Reading
from logger.record import RecordReader, RecordWriter
from logger.record_writer import _Job

CHANNELS = ("air", "canister")


def batch(number: int) -> list[Reading]:
    """The readings of poll ``number``: both channels, and a value that follows from the number."""
    return [Reading(channel, float(number), 0.0, 300.0 + number, raw=f"{number}") for channel in CHANNELS]


def watch(path: Path, said: Connection, stop_before_commit: int = 0) -> None:
    """Append batch after batch and say the number of each once it is acknowledged.

    With ``stop_before_commit`` the process says "committing" and stands still in that commit from now, after the
    rows have been written and before they are committed.
    """
    writer = RecordWriter(path)
    with RecordReader(path) as reader:
        run = reader.unfinished_run("back room")
        last = reader.last_reading(run.id) if run else None
    run_id = run.id if run else begin(writer)
    number = int(last.time_s) + 1 if last else 0
    if stop_before_commit:
        writer._do(_Job(lambda db: _trap(db, said, stop_before_commit)))
    while True:
        writer.append_readings(run_id, batch(number))
        said.send(number)
        number += 1


def begin(writer: RecordWriter) -> str:
    return writer.begin_run(
        oven="back room",
        channels=CHANNELS,
        sheet_name="",
        sheet_text="",
        started_utc_s=0.0,
        software="",
        poll_interval_s=1.0,
    )


def _trap(db: sqlite3.Connection | None, said: Connection, stop_before_commit: int) -> tuple[tuple[()], None]:
    assert db is not None
    commits = 0

    def seen(statement: str) -> None:
        nonlocal commits
        if statement == "COMMIT":
            commits += 1
            if commits == stop_before_commit + 1:  # the first is the one that sets the trap
                said.send("committing")
                time.sleep(3600.0)

    db.set_trace_callback(seen)
    return (), None
