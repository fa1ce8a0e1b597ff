"""Opening the record's file: who may write, what is wrong with it, and a copy while it is being written.

Every way a file can disappoint becomes one line: `InputFault` where the user named the wrong file,
`OutsideFault` where the disk or another program is in the way.
"""

import os
import sqlite3
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import IO, Final

from logger.errors import Fault, InputFault, OutsideFault, SoaktallyError
from logger.record_migrations import APPLICATION_ID, MIGRATIONS_TABLE, STEPS, applied, migrations, pending

BUSY_TIMEOUT_S: Final = 10.0
"""How long to wait for another process that is just writing a note or a request (our choice)."""

_MISTAKES: Final = (sqlite3.IntegrityError, sqlite3.ProgrammingError, sqlite3.InterfaceError)
"""Our own mistakes: never reworded, so that they show with a traceback."""


class NotARecord(InputFault):
    """A file of that name is no database at all: another file was named, or this one has been destroyed."""


class WatchLock:
    """The right to watch into one record, held by one process and gone when that process is.

    The operating system holds the lock on ``<record>.lock`` and drops it however the process ends, so a lock
    file left behind by a crash locks nobody out.
    """

    def __init__(self, record: Path) -> None:
        self._path = self.file_of(record)
        with translated(record):
            self._file: IO[str] = self._path.open("a+", encoding="utf-8")
        try:
            _lock_whole(self._file)
        except OSError:
            self._file.seek(0)
            holder = self._file.read().strip() or "unknown"
            self._file.close()
            raise OutsideFault(
                f"{record}: already being written by another soaktally (process {holder}); "
                "stop that one first, or give this one a record of its own"
            ) from None
        self._file.truncate(0)
        self._file.write(f"{os.getpid()}\n")
        self._file.flush()

    @staticmethod
    def file_of(record: Path) -> Path:
        """The lock file of a record."""
        return record.with_name(record.name + ".lock")

    def release(self) -> None:
        """Give up the right to write."""
        self._file.close()


if sys.platform == "win32":
    import msvcrt

    def _lock_whole(file: IO[str]) -> None:
        file.seek(2**30)  # far beyond the text, so that a second process can still read who holds the lock
        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)

else:
    import fcntl

    def _lock_whole(file: IO[str]) -> None:
        fcntl.flock(file.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)


@contextmanager
def translated(path: Path) -> Iterator[None]:
    """Turn what SQLite and the file system raise about ``path`` into our two kinds of fault."""
    try:
        yield
    except SoaktallyError:
        raise
    except _MISTAKES:
        raise
    except (sqlite3.Error, OSError) as error:
        raise fault_of(path, error) from error


def fault_of(path: Path, error: Exception) -> SoaktallyError:
    """The fault to show for an error about ``path``: one line with what to do."""
    if not path.parent.is_dir():
        return InputFault(
            Fault(f"record {path}", f"no folder {path.parent}", "an existing folder; make it, or name another")
        )
    if path.is_dir():
        return InputFault(Fault(f"record {path}", "a folder", "the name of a file"))
    text = str(error).lower()
    if "not a database" in text:
        return NotARecord(Fault(f"record {path}", "a file that is not a database", "a soaktally record, or no file"))
    if "malformed" in text or "corrupt" in text:
        what = "the file is damaged; move it aside (keep it) and restore a backup, or let a new record begin"
    elif "full" in text or "no space" in text or "quota" in text:
        what = "the disk is full; free some space"
    elif "locked" in text or "busy" in text:
        what = "another program holds the file; close it"
    elif "readonly" in text or "read-only" in text:
        what = "the file, its folder or the disk is read-only; allow writing there"
    elif "unable to open" in text or "permission" in text or "not permitted" in text:
        what = "the file or its folder may not be opened by this user; check owner and permissions"
    else:
        what = f"the disk answers: {error}"
    return OutsideFault(f"record {path}: {what}")


def open_for_writing(
    path: Path, busy_timeout_s: float = BUSY_TIMEOUT_S, *, migrate: bool = True, look_through: bool = True
) -> sqlite3.Connection:
    """A connection that writes durably: made and migrated if need be. Belongs to the thread that opens it.

    ``look_through``: look for damage in all of the file first. That reads the whole of it, a second and more for every
    hundred megabytes of a slow disk: for whoever begins to watch, not for whoever adds a line.

    Raises   InputFault     not a record, or one of a newer version
             OutsideFault   locked, full, read-only, damaged
    """
    with translated(path):
        db = sqlite3.connect(path, timeout=busy_timeout_s, isolation_level=None)
        try:
            _recognise(db, path)
            db.execute("PRAGMA journal_mode = WAL").close()
            db.execute("PRAGMA synchronous = FULL").close()
            db.execute("PRAGMA foreign_keys = ON").close()
            db.execute("PRAGMA recursive_triggers = ON").close()  # else REPLACE would get round append-only
            _migrated(db, path, migrate)
            damage = db.execute("PRAGMA quick_check(1)").fetchone()[0] if look_through else "ok"
            if damage != "ok":
                raise sqlite3.DatabaseError(f"malformed: {damage}")
        except BaseException:
            db.close()
            raise
    return db


def open_for_reading(path: Path, busy_timeout_s: float = BUSY_TIMEOUT_S) -> sqlite3.Connection:
    """A connection that cannot write. Belongs to the thread that opens it.

    Raises   InputFault     no such file, not a record, or one of another version
             OutsideFault   locked, damaged, not readable
    """
    if not path.exists():
        raise InputFault(Fault(f"record {path}", "no such file", "a soaktally record"))
    if path.is_file() and not path.stat().st_size and not path.with_name(f"{path.name}-wal").exists():
        raise InputFault(Fault(f"record {path}", "an empty file", "a soaktally record"))
    with translated(path):
        db = _connect_read_only(path, busy_timeout_s)
        try:
            _recognise(db, path)
            if pending(db):
                raise InputFault(
                    Fault(
                        f"record {path}",
                        "a record of an older version",
                        "one that `soaktally watch` has opened since the update, which brings it up to date",
                    )
                )
        except BaseException:
            db.close()
            raise
    return db


def _connect_read_only(path: Path, busy_timeout_s: float) -> sqlite3.Connection:
    uri = path.resolve().as_uri()
    db = sqlite3.connect(f"{uri}?mode=ro", uri=True, timeout=busy_timeout_s, isolation_level=None)
    try:
        db.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.OperationalError:
        # A finished record on a read-only disk: SQLite wants to make its shared-memory file beside it and cannot.
        # With nothing waiting in a write-ahead log the file alone is the whole truth and may be read as it is.
        db.close()
        log = path.with_name(path.name + "-wal")
        if log.exists() and log.stat().st_size > 0:
            raise
        db = sqlite3.connect(f"{uri}?mode=ro&immutable=1", uri=True, isolation_level=None)
    return db


def _recognise(db: sqlite3.Connection, path: Path) -> None:
    """Refuse a database that is not a record, or is one that this version does not know.

    Only SQLite ever opens the file of a record: to close it by hand would drop the locks that this process holds on it
    (a rule of POSIX), and another process could then take away the write-ahead log under a writer that goes on.
    """
    marked = int(db.execute("PRAGMA application_id").fetchone()[0]) == APPLICATION_ID
    tables = [str(row[0]) for row in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall()]
    if tables and not marked and tables != [MIGRATIONS_TABLE]:
        raise InputFault(
            Fault(
                f"record {path}", f"a database of something else (tables {', '.join(tables[:5])})", "a soaktally record"
            )
        )
    known = {step.__name__ for step in STEPS}
    newer = [name for name in applied(db) if name not in known]
    if newer:
        raise InputFault(
            Fault(f"record {path}", f"a record of a newer version (step {newer[0]})", "this version, or an older one")
        )


def _migrated(db: sqlite3.Connection, path: Path, migrate: bool) -> None:
    if not pending(db):
        return
    if not migrate:
        raise InputFault(
            Fault(
                f"record {path}",
                "a record of an older version",
                "one that `soaktally watch` has opened since the update, which brings it up to date",
            )
        )
    from sqlite_utils import Database

    migrations().apply(Database(db))


@contextmanager
def transaction(db: sqlite3.Connection) -> Iterator[None]:
    """One transaction that takes the right to write at once, so that it never fails half-way for want of it."""
    db.execute("BEGIN IMMEDIATE")
    try:
        yield
        db.execute("COMMIT")
    except BaseException:
        with suppress(sqlite3.Error):
            if db.in_transaction:
                db.execute("ROLLBACK")
        raise


@contextmanager
def savepoint(db: sqlite3.Connection) -> Iterator[None]:
    """A part of a transaction that is undone by itself where it fails."""
    db.execute("SAVEPOINT part")
    try:
        yield
    except BaseException:
        if db.in_transaction:  # some errors undo the whole transaction at once
            db.execute("ROLLBACK TO part")
            db.execute("RELEASE part")
        raise
    db.execute("RELEASE part")


def back_up(record: Path, copy: Path) -> None:
    """Write a consistent copy of a record, also while it is being written. The copy appears whole or not at all.

    Raises   InputFault     the copy exists already, or its folder does not; the record is not one
             OutsideFault   the disk is full, not writable
    """
    if copy.exists():
        raise InputFault(Fault(f"backup {copy}", "a file of that name", "a name that is not taken"))
    part = copy.with_name(copy.name + ".part")
    source = open_for_reading(record)
    try:
        with translated(copy), closing(sqlite3.connect(part, isolation_level=None)) as target:
            source.backup(target)
            target.execute("PRAGMA journal_mode = DELETE").close()
        with translated(copy):
            with part.open("rb+") as file:
                os.fsync(file.fileno())
            os.replace(part, copy)
    finally:
        source.close()
        part.unlink(missing_ok=True)
