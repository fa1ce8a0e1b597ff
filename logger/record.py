"""The record: one SQLite file of facts that are only ever added to. One writer, any number of readers.

`RecordWriter` owns the only writing connection on a thread of its own; every call returns once its rows are durable.
`RecordReader` opens its own connection, which cannot write. Another process that has a note to add or something to ask
of the watching process uses `append_from_outside`. This module is what the rest of the program imports.
"""

from logger.record_export import export_run, import_run
from logger.record_file import back_up
from logger.record_operations import note, request
from logger.record_outside import append_from_outside
from logger.record_reader import (
    LAST,
    AlertRow,
    DeliveryRow,
    EventRow,
    NoteRow,
    RecordReader,
    RequestRow,
    RunRow,
)
from logger.record_writer import RecordWriter

__all__ = [
    "LAST",
    "AlertRow",
    "DeliveryRow",
    "EventRow",
    "NoteRow",
    "RecordReader",
    "RecordWriter",
    "RequestRow",
    "RunRow",
    "append_from_outside",
    "back_up",
    "export_run",
    "import_run",
    "note",
    "request",
]
