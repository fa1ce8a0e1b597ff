"""The record: one SQLite file of facts that are only ever added to. One writer, any number of readers.

`RecordWriter` owns the only writing connection on a thread of its own; every call returns once its rows are durable.
`RecordReader` opens its own connection, which cannot write. Another process that has a note to add or something to ask
of the watching process uses `append_from_outside`. This module is what the rest of the program imports.
"""

from logger.record_file import NotARecord, back_up
from logger.record_operations import event, note, request
from logger.record_outside import append_from_outside, append_to_workbench, brought_up_to_date
from logger.record_reader import LAST, RecordReader
from logger.record_rows import (
    PHOTO,
    AlertRow,
    CorrectionRow,
    DeliveryRow,
    EventRow,
    MeasurementRow,
    NoteRow,
    PhotoRow,
    PieceStepRow,
    RequestRow,
    RunRow,
    SparkTestRow,
    photo_folder,
)
from logger.record_writer import RecordWriter

__all__ = [
    "LAST",
    "PHOTO",
    "AlertRow",
    "CorrectionRow",
    "DeliveryRow",
    "EventRow",
    "MeasurementRow",
    "NotARecord",
    "NoteRow",
    "PhotoRow",
    "PieceStepRow",
    "RecordReader",
    "RecordWriter",
    "RequestRow",
    "RunRow",
    "SparkTestRow",
    "append_from_outside",
    "append_to_workbench",
    "back_up",
    "brought_up_to_date",
    "event",
    "note",
    "photo_folder",
    "request",
]
