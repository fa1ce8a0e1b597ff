"""What the page reads from the records: runs, their traces, alerts, notes and photos. Only reads.

One record may hold the runs of several ovens, and each oven may have a record of its own: a run is named by its oven
and its id together.
"""

import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, Final

from logger.alert import Phase
from logger.board import Board
from logger.errors import Fault, InputFault
from logger.history import History
from logger.page.reader import Reader
from logger.record import PHOTO, AlertRow, RecordReader, RunRow
from logger.situation import Situation
from logger.views.wording import clock_words, date_words, duration_words, temperature_words, zone_words

KEPT_TRACES: Final = 8


class NotThere(InputFault):
    """An oven, a run or a photo that is not there."""


@dataclass(frozen=True, slots=True)
class Sources:
    """Where everything on the page comes from: the board for what is now, a record for each oven for what was."""

    board: Board
    records: Mapping[str, Path]

    def record_of(self, oven: str) -> Path:
        """The record that holds an oven's runs.

        Raises   InputFault   no such oven
        """
        if oven in self.records:
            return self.records[oven]
        for path in self.paths():
            with RecordReader(path) as reader:
                if any(row.oven == oven for row in reader.runs()):
                    return path
        raise NotThere(Fault("oven", f'"{oven[:60]}"', f"one of {', '.join(self.records) or 'none at all'}"))

    def paths(self) -> tuple[Path, ...]:
        """Every record that exists, each once."""
        return tuple(path for path in dict.fromkeys(self.records.values()) if path.exists())


def run_row(sources: Sources, oven: str, run: str) -> tuple[Path, RunRow]:
    """The record and the row of a run, by its full id or ``last``.

    Raises   InputFault   no such oven or run
    """
    record = sources.record_of(oven)
    with RecordReader(record) as reader:
        for row in reversed(reader.runs(oven)):
            if run in (row.id, "last"):
                return record, row
    raise NotThere(Fault("run", f'"{run[:60]}"', f"a run of {oven}"))


def run_list(sources: Sources, reader: Reader, peaks: dict[tuple[Path, str], float | None]) -> list[dict[str, Any]]:
    """Every recorded run, the newest first; ``peaks`` [K] of finished runs are remembered between calls."""
    found: list[tuple[float, dict[str, Any]]] = []
    for path in sources.paths():
        with RecordReader(path) as record:
            for row in record.runs():
                key = (path, row.id)
                peak_K = peaks[key] if key in peaks else record.peak_K(row.id)
                if row.ended_utc_s is not None:
                    peaks[key] = peak_K
                found.append((row.started_utc_s, run_object(row, reader, peak_K)))
    return [one for _, one in sorted(found, key=lambda each: -each[0])]


def run_object(row: RunRow, reader: Reader, peak_K: float | None) -> dict[str, Any]:
    """One line of the list of runs."""
    from logger.sheet_file import called

    name, own = called(row.sheet_text, row.sheet_name)
    units = reader.units(own)
    started = f"{date_words(row.started_utc_s, reader.zone)}, {clock_words(row.started_utc_s, reader.zone)}"
    return {
        "oven": row.oven,
        "run": row.id,
        "name": name,
        "started": f"{started} {zone_words(row.started_utc_s, reader.zone)}",
        "started_utc_s": row.started_utc_s,
        "ended_utc_s": row.ended_utc_s,
        "lasted": "" if row.ended_utc_s is None else duration_words(row.ended_utc_s - row.started_utc_s),
        "how_ended": "goes on" if row.ended_utc_s is None else row.how_ended or "",
        "hottest": "" if peak_K is None else temperature_words(peak_K, units),
        "units": {"temperature": units.temperature, "length": units.length},
        "clock": "" if row.clock == "real" else row.clock,
    }


def entries(record: Path, row: RunRow, reader: Reader) -> list[dict[str, Any]]:
    """What people added to a run, notes, marks and photos, and its alerts without the reminders, in order of time."""
    found: list[tuple[float, dict[str, Any]]] = []

    def add(kind: str, utc_s: float, text: str, **more: Any) -> None:
        at = clock_words(utc_s, reader.zone)
        found.append((utc_s, {"kind": kind, "at": at, "utc_s": utc_s, "text": text, **more}))

    with RecordReader(record) as reading, reading.snapshot():
        for note in reading.notes(row.id):
            add("note" if note.time_s is None else "mark", note.utc_s, note.text, author=note.author)
        for event in reading.events(run=row.id):
            if event.kind == PHOTO and isinstance(event.detail.get("file"), str):
                author = str(event.detail.get("author", ""))
                add("photo", event.utc_s, event.text, author=author, file=event.detail["file"])
        for alert in reading.alerts(run=row.id):
            if alert.event.phase is Phase.REMINDED:
                continue
            words = ": ".join(part for part in (alert.event.title, alert.event.message.rstrip(".")) if part)
            add("alert", alert.utc_s, words, phase=str(alert.event.phase), severity=str(alert.event.severity))
    return [one for _, one in sorted(found, key=lambda each: each[0])]


class Traces:
    """The traces of runs that go on, read from the record once and then only by what is new; safe between threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._kept: OrderedDict[tuple[Path, str], tuple[dict[str, History], History]] = OrderedDict()

    def with_traces(self, situation: Situation, record: Path) -> Situation:
        """A watched situation with its histories, set points and alerts as the record holds them."""
        key = (record, situation.run)
        with self._lock, RecordReader(record) as reader, reader.snapshot():
            histories, set_points = self._kept.pop(key, ({}, None))
            histories = {
                channel: _longer(histories.get(channel), partial(reader.history, situation.run, channel))
                for channel in reader.channels(situation.run)
            }
            set_points = _longer(set_points, partial(reader.set_points, situation.run))
            alerts: tuple[AlertRow, ...] = reader.alerts(run=situation.run)
            self._kept[key] = (histories, set_points)
            while len(self._kept) > KEPT_TRACES:
                self._kept.popitem(last=False)
        return replace(
            situation,
            histories={channel: history for channel, history in histories.items() if len(history)},
            set_points=set_points,
            alert_events=tuple(alert.event for alert in alerts),
        )


def _longer(kept: History | None, read: Callable[[float | None], History]) -> History:
    """A history with what the record has had since."""
    if kept is None or not len(kept):
        return read(None)
    new = read(float(kept.time_s[-1]))
    if not len(new):
        return kept
    return kept.then(new)
