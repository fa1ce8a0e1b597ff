"""What other processes append to a record that may be being written at that moment: a note, a request, a step."""

import sqlite3
from pathlib import Path

from logger.errors import Fault, InputFault
from logger.record_file import BUSY_TIMEOUT_S, open_for_reading, open_for_writing, transaction, translated
from logger.record_operations import Appender, Operation


def append_from_outside(path: Path, operation: Operation, busy_timeout_s: float = BUSY_TIMEOUT_S) -> None:
    """Append a note or a request to a record that another process may be writing.

    Raises   InputFault     no such record, not a record, another version, no such run
             OutsideFault   locked, full, read-only, damaged
    """
    if not path.exists():
        raise InputFault(Fault(f"record {path}", "no such file", "a soaktally record"))
    with translated(path):
        db = open_for_writing(path, busy_timeout_s, migrate=False, look_through=False)
        try:
            with transaction(db):
                Appender(db).apply(operation)
        except sqlite3.IntegrityError as error:
            raise InputFault(Fault(f"record {path}", str(error), "a run that is in the record")) from error
        finally:
            db.close()


def append_to_workbench(path: Path, *operations: Operation, busy_timeout_s: float = BUSY_TIMEOUT_S) -> None:
    """Append what was done or measured at the bench; a record that is not there yet is made, an older one brought up
    to date. All operations, or none.

    Raises   InputFault     not a record, a newer version, no such folder, no such run; a step another process has
                            entered under the same number meanwhile
             OutsideFault   locked, full, read-only, damaged
    """
    with translated(path):
        db = open_for_writing(path, busy_timeout_s, look_through=False)
        try:
            with transaction(db):
                appender = Appender(db)
                for operation in operations:
                    appender.apply(operation)
        except sqlite3.IntegrityError as error:
            expected = "a run that is in the record, and nobody else entering a step of the same piece meanwhile"
            raise InputFault(Fault(f"record {path}", str(error), expected)) from error
        finally:
            db.close()


def brought_up_to_date(path: Path) -> None:
    """Make sure that a record that is there can be read by this version. Raises InputFault, OutsideFault."""
    if not path.exists():
        return
    try:
        open_for_reading(path).close()
    except InputFault:
        with translated(path):
            open_for_writing(path).close()
