"""What a record's rows are to whoever reads them."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from logger.alert import AlertEvent


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


PHOTO: Final = "photo"
"""The kind of event that tells of a photo; its detail names the file and its SHA-256."""


def photo_folder(record: Path, run: str) -> Path:
    """Where the photos of a run lie: beside the record."""
    return record.with_name(f"{record.stem}-photos") / run


@dataclass(frozen=True, slots=True)
class PhotoRow:
    """A photo of a run: its caption, who added it, where its file should be, and the SHA-256 of that file."""

    caption: str
    author: str
    file: Path
    sha256: str


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
    id: str


@dataclass(frozen=True, slots=True)
class PieceStepRow:
    """One line of a piece's ledger as recorded; ``detail`` is in SI."""

    piece: str
    step: int
    utc_s: float
    kind: str
    detail: dict[str, Any]
    note: str


@dataclass(frozen=True, slots=True)
class MeasurementRow:
    """Something measured on a coupon of a run, or (kind "withdrawn") the withdrawal of one; ``detail`` is in SI."""

    number: int
    id: str
    run: str
    utc_s: float
    kind: str
    detail: dict[str, Any]
    note: str


@dataclass(frozen=True, slots=True)
class SparkTestRow:
    """A spark test as a note: ``spark_class`` 1 (straight, few forks) to 5 (short, bushy, at the wheel); never a number
    to reckon with."""

    id: str
    run: str | None
    piece: str | None
    utc_s: float
    spark_class: int
    note: str
    photo_name: str | None
    photo_base64: str | None


@dataclass(frozen=True, slots=True)
class CorrectionRow:
    """What had been learned of packs and lots of iron when it was entered."""

    id: str
    utc_s: float
    software: str
    detail: dict[str, Any]
