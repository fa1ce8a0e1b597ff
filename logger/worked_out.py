"""Worked out: what a finished run or a heat of a piece came to, in a file beside the record so that it opens at once.

Nothing of it is a fact of its own: it is used only where it came from the very readings, sheet, thermocouple, steps,
formulas and libraries that are there now, to the last bit, and may be deleted at any time. It is in no export and no
backup.
"""

import hashlib
import json
import os
import platform
import sys
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from logger.estimate.bands import Bands
from logger.estimate.estimate import EstimateState
from logger.history import History
from logger.plain_values import of_plain, plain
from logger.sheet import RunSheet
from logger.thermocouple import Thermocouple
from logger.versions import versions

FORMAT = 1
"""Of the file: another number makes older files useless, not wrong."""

_VERSIONS = versions()
"""As they were when this process began: what is installed meanwhile has worked nothing out yet."""

Value = TypeVar("Value")


@dataclass(frozen=True, slots=True, eq=False)
class WorkedOut:
    """A run at its last reading: its state, without the members of the ensemble, and its bands."""

    state: EstimateState
    bands: Bands | None


class ReadingsSeen:
    """A digest of the driving channel's readings as they came, the same however they are cut."""

    def __init__(self, *histories: History) -> None:
        self._digest = hashlib.sha256()
        for history in histories:
            self.add(history)

    def add(self, history: History) -> None:
        """Take in the next readings."""
        temperature_K = np.where(np.isnan(history.temperature_K), np.nan, history.temperature_K)
        readings = np.stack([history.time_s, temperature_K], axis=1)
        self._digest.update(readings.astype("<f8").tobytes())

    def hexdigest(self) -> str:
        """The digest of all readings so far."""
        return self._digest.hexdigest()


def basis(
    sheet: RunSheet, thermocouple: Thermocouple | None, channel: str, interval_s: float, readings: ReadingsSeen
) -> str:
    """The `digest` of everything an estimate comes from.

    Parameters
    ----------
    sheet : the run sheet, with the correction it goes by
    thermocouple : the driving channel's as the oven file knows it
    channel : the driving channel
    interval_s : how often it was asked [s]
    readings : its readings
    """
    return digest(plain(sheet), plain(thermocouple), channel, float(interval_s), readings.hexdigest())


def digest(*parts: Any) -> str:
    """A digest of plain parts and of the software: what comes of the same is the same, to the last bit."""
    software = [dict(sorted(_VERSIONS.items())), sys.version, platform.machine()]
    return hashlib.sha256(json.dumps([FORMAT, software, *parts]).encode()).hexdigest()


def file_of(record: Path, name: str) -> Path:
    """Where what a run of this id, or a piece's step of this name, came to is kept: beside the record."""
    return record.with_name(f"{record.stem}-worked-out") / f"{name}.json.z"


def keep(record: Path, name: str, its_basis: str, value: Any) -> bool:
    """Keep what something came to, in place of what was kept of that name before.

    Returns    whether that could be done: where nothing may be written, it is only worked out again the next time
    """
    body = zlib.compress(json.dumps(plain(value)).encode(), 1)
    head = json.dumps({"basis": its_basis, "sha256": hashlib.sha256(body).hexdigest()})
    file = file_of(record, name)
    unfinished = file.with_name(f"{file.name}.{os.getpid()}")
    try:
        file.parent.mkdir(exist_ok=True)
        try:
            unfinished.write_bytes(head.encode() + b"\n" + body)
            unfinished.replace(file)
        finally:
            unfinished.unlink(missing_ok=True)
    except OSError:
        return False
    return True


def kept(record: Path, name: str, its_basis: str, kind: type[Value]) -> Value | None:
    """What something came to, where it was kept whole and came from the same basis; None: it is to be worked out."""
    try:
        head, _, body = file_of(record, name).read_bytes().partition(b"\n")
        told = json.loads(head)
        if told["basis"] != its_basis or told["sha256"] != hashlib.sha256(body).hexdigest():
            return None
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return of_plain(kind, json.loads(zlib.decompress(body)))
