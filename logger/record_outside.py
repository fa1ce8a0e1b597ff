"""A note or a request from another process: appended to a record that somebody else may be writing at that moment."""

import sqlite3
from pathlib import Path

from logger.errors import Fault, InputFault
from logger.record_file import BUSY_TIMEOUT_S, open_for_writing, transaction, translated
from logger.record_operations import Appender, Operation


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
