"""Reading a record, also while it is being written: the rows people and programs ask for."""

import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from difflib import get_close_matches
from math import nan
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

import numpy as np

from logger.alert import AlertEvent, Phase
from logger.alert_rules import AlertKind, Severity
from logger.errors import Fault, InputFault
from logger.history import History
from logger.reading import Quality, Reading
from logger.record_file import open_for_reading, translated
from logger.record_operations import Operation, Value
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
from logger.units import FloatArray

LAST: Final = "last"
"""What a person types for the newest run."""


class RecordReader:
    """Reads a record, also while it is being written. Belongs to the thread that opens it.

    Raises (on opening)   InputFault     no such file, not a record, another version
                          OutsideFault   locked, damaged, not readable
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._db = open_for_reading(path)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the record."""
        self._db.close()

    @contextmanager
    def snapshot(self) -> Iterator[None]:
        """Everything read inside belongs to one moment, whatever is written meanwhile."""
        with translated(self.path):
            self._db.execute("BEGIN")
            try:
                yield
            finally:
                self._db.execute("COMMIT")

    def runs(self, oven: str | None = None) -> tuple[RunRow, ...]:
        """Every run, the oldest first; of one oven where named."""
        rows = self._all("SELECT * FROM runs WHERE :oven IS NULL OR oven = :oven ORDER BY number", oven=oven)
        return tuple(RunRow(*row) for row in rows)

    def run(self, run: str) -> RunRow:
        """The run of an id, of the beginning of an id that fits only one, or the ``last`` one.

        Raises   InputFault   none, or several: names those that are near
        """
        if run == LAST:
            rows = self._all("SELECT * FROM runs ORDER BY number DESC LIMIT 1")
            if not rows:
                raise InputFault(Fault(f"record {self.path}", "no runs yet", "a record with at least one run"))
            return RunRow(*rows[0])
        rows = self._all("SELECT * FROM runs WHERE substr(id, 1, length(:run)) = :run ORDER BY number", run=run)
        exact = [row for row in rows if row[1] == run]
        if run and (exact or len(rows) == 1):
            return RunRow(*(exact or rows)[0])
        if run and rows:
            several = ", ".join(str(row[1]) for row in rows[-5:])
            raise InputFault(Fault(f"run {run}", f"{len(rows)} runs that begin so", f"one of {several}"))
        ids = [str(row[0]) for row in self._all("SELECT id FROM run ORDER BY number")]
        near = get_close_matches(run, ids, n=3) or ids[-3:]
        raise InputFault(Fault(f"run {run}", "no such run", f"one of {', '.join(near)}" if near else "a recorded run"))

    def unfinished_run(self, oven: str) -> RunRow | None:
        """The newest run of an oven if it has not been closed: what to take up again after a restart."""
        rows = self._all("SELECT * FROM runs WHERE oven = :oven ORDER BY number DESC LIMIT 1", oven=oven)
        row = RunRow(*rows[0]) if rows else None
        return row if row is not None and row.ended_utc_s is None else None

    def channels(self, run: str) -> tuple[str, ...]:
        """The channels of a run's oven, in the order in which they were first named."""
        rows = self._all(
            "SELECT channel.name FROM channel JOIN run ON run.oven = channel.oven WHERE run.id = :run "
            "ORDER BY channel.number",
            run=run,
        )
        return tuple(str(row[0]) for row in rows)

    def history(self, run: str, channel: str, after_s: float | None = None) -> History:
        """One channel of a run: NaN wherever the reading was not good; only later than ``after_s`` [s] if given."""
        values = self._numbers(
            2,
            "SELECT time_s, CASE quality WHEN 'good' THEN temperature_K END FROM reading "
            "WHERE run = (SELECT number FROM run WHERE id = :run) "
            "AND channel = (SELECT channel.number FROM channel JOIN run ON run.oven = channel.oven "
            "               WHERE run.id = :run AND channel.name = :channel) "
            "AND (:after_s IS NULL OR time_s > :after_s) ORDER BY time_s",
            run=run,
            channel=channel,
            after_s=after_s,
        )
        interval_s = float(self._all("SELECT poll_interval_s FROM run WHERE id = :run", run=run)[0][0])
        return History(channel, values[:, 0], values[:, 1], interval_s)

    def drive(self, run: str, channel: str) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """What the controller wanted and did along a run, by one channel: time [s], temperature [K] (NaN where not
        good), set point [K], output [%]; arrays of one length."""
        values = self._numbers(
            4,
            "SELECT time_s, CASE quality WHEN 'good' THEN temperature_K END, set_point_K, output_pct FROM reading "
            "WHERE run = (SELECT number FROM run WHERE id = :run) "
            "AND channel = (SELECT channel.number FROM channel JOIN run ON run.oven = channel.oven "
            "               WHERE run.id = :run AND channel.name = :channel) ORDER BY time_s",
            run=run,
            channel=channel,
        )
        return values[:, 0], values[:, 1], values[:, 2], values[:, 3]

    def histories(self, run: str) -> dict[str, History]:
        """Every channel of a run that has readings, by name."""
        found = {channel: self.history(run, channel) for channel in self.channels(run)}
        return {channel: history for channel, history in found.items() if len(history)}

    def set_points(self, run: str, after_s: float | None = None) -> History:
        """What the controller wanted during a run: NaN wherever it did not say; only later than ``after_s`` [s]."""
        values = self._numbers(
            2,
            "SELECT time_s, max(set_point_K) FROM reading WHERE run = (SELECT number FROM run WHERE id = :run) "
            "AND (:after_s IS NULL OR time_s > :after_s) GROUP BY time_s ORDER BY time_s",
            run=run,
            after_s=after_s,
        )
        return History("set point", values[:, 0], values[:, 1])

    def readings(self, run: str) -> Iterator[Reading]:
        """Every reading of a run exactly as recorded, in time order, then in channel order."""
        rows = self._all(
            "SELECT channel.name, time_s, utc_s, temperature_K, quality, raw, monotonic_s, set_point_K, output_pct "
            "FROM reading JOIN channel ON channel.number = reading.channel "
            "WHERE run = (SELECT number FROM run WHERE id = :run) ORDER BY time_s, channel.number",
            run=run,
        )
        for channel, time_s, utc_s, temperature_K, quality, raw, monotonic_s, set_point_K, output_pct in rows:
            yield Reading(
                channel,
                time_s,
                utc_s,
                _nan(temperature_K),
                Quality(quality),
                raw,
                _nan(monotonic_s),
                _nan(set_point_K),
                _nan(output_pct),
            )

    def qualities(self, run: str) -> dict[str, dict[str, int]]:
        """Of each channel with readings, how many there are of each quality, the most frequent first."""
        rows = self._all(
            "SELECT channel.name, quality, count(*) FROM reading JOIN channel ON channel.number = reading.channel "
            "WHERE run = (SELECT number FROM run WHERE id = :run) "
            "GROUP BY channel.number, quality ORDER BY channel.number, count(*) DESC, quality",
            run=run,
        )
        found: dict[str, dict[str, int]] = {}
        for channel, quality, count in rows:
            found.setdefault(channel, {})[quality] = count
        return found

    def found(self, words: str, oven: str | None = None) -> tuple[RunRow, ...]:
        """The runs that have every one of some words, the oldest first: in id, oven, name, sheet, ending or notes.

        Upper and lower case are the same for letters without accents.
        """
        runs = self.runs(oven)
        for word in words.split():
            rows = self._all(
                "SELECT id FROM runs WHERE instr(lower(id || ' ' || oven || ' ' || sheet_name || ' ' || sheet_text "
                "|| ' ' || coalesce(how_ended, '')), lower(:word)) "
                "UNION SELECT run.id FROM note JOIN run ON run.number = note.run "
                "WHERE instr(lower(note.author || ' ' || note.text), lower(:word))",
                word=word,
            )
            with_it = {str(row[0]) for row in rows}
            runs = tuple(run for run in runs if run.id in with_it)
        return runs

    def peaks_K(self, runs: Sequence[str]) -> dict[str, float]:
        """The highest good reading of each of some runs on any channel [K]; runs without one are left out."""
        rows = self._all(
            "SELECT run.id, (SELECT max(temperature_K) FROM reading WHERE reading.run = run.number "
            "                AND quality = 'good') AS peak FROM run JOIN json_each(:runs) AS asked "
            "ON asked.value = run.id WHERE peak IS NOT NULL",
            runs=json.dumps(list(runs)),
        )
        return {str(run): float(peak) for run, peak in rows}

    def peak_K(self, run: str) -> float | None:
        """The highest good reading of a run on any channel [K]; None where there is none."""
        rows = self._all(
            "SELECT max(temperature_K) FROM reading "
            "WHERE run = (SELECT number FROM run WHERE id = :run) AND quality = 'good'",
            run=run,
        )
        return None if rows[0][0] is None else float(rows[0][0])

    def last_reading(self, run: str) -> Reading | None:
        """The newest reading of a run on any channel: where to take it up again."""
        rows = self._all(
            "SELECT channel.name, time_s, utc_s, temperature_K, quality, raw, monotonic_s, set_point_K, output_pct "
            "FROM channel JOIN reading ON reading.channel = channel.number "
            "AND reading.run = (SELECT number FROM run WHERE id = :run) "
            "AND reading.time_s = (SELECT max(time_s) FROM reading AS newest WHERE newest.run = reading.run "
            "                      AND newest.channel = channel.number) "
            "ORDER BY time_s DESC LIMIT 1",
            run=run,
        )
        if not rows:
            return None
        channel, time_s, utc_s, temperature_K, quality, raw, *others = rows[0]
        return Reading(channel, time_s, utc_s, _nan(temperature_K), Quality(quality), raw, *(_nan(v) for v in others))

    def alerts(
        self, run: str | None = None, oven: str | None = None, *, without_run: bool = False
    ) -> tuple[AlertRow, ...]:
        """Recorded alert events in the order they happened: of one run, of one oven, or all.

        ``without_run``: only those that belong to no run, and, where no oven is named, to no oven either.
        """
        rows = self._all(
            "SELECT alert.id, oven.name, run.id, alert.utc_s, alert.kind, alert.key, alert.episode, alert.phase, "
            "alert.time_s, alert.severity, alert.title, alert.message, alert.advice "
            "FROM alert LEFT JOIN run ON run.number = alert.run LEFT JOIN oven ON oven.number = alert.oven "
            "WHERE (:run IS NULL OR run.id = :run) AND (:oven IS NULL OR oven.name = :oven) "
            "AND (NOT :without_run OR (alert.run IS NULL AND (:oven IS NOT NULL OR alert.oven IS NULL))) "
            "ORDER BY alert.number",
            run=run,
            oven=oven,
            without_run=without_run,
        )
        return tuple(_alert_row(row) for row in rows)

    def events(self, run: str | None = None, after: int = 0) -> tuple[EventRow, ...]:
        """Recorded events in the order they happened, of one run or all; only numbers above ``after``."""
        rows = self._all(
            "SELECT event.number, event.id, oven.name, run.id, event.time_s, event.utc_s, event.kind, event.text, "
            "event.detail FROM event LEFT JOIN run ON run.number = event.run "
            "LEFT JOIN oven ON oven.number = event.oven "
            "WHERE event.number > :after AND (:run IS NULL OR run.id = :run) ORDER BY event.number",
            run=run,
            after=after,
        )
        return tuple(_event_row(row) for row in rows)

    def notes(self, run: str) -> tuple[NoteRow, ...]:
        """The notes of a run, in the order they were written."""
        rows = self._all(
            "SELECT note.id, note.time_s, note.utc_s, note.author, note.text FROM note "
            "JOIN run ON run.number = note.run WHERE run.id = :run ORDER BY note.number",
            run=run,
        )
        return tuple(NoteRow(*row) for row in rows)

    def photos(self, run: str) -> tuple[PhotoRow, ...]:
        """The photos of a run, in the order they were added; whether their files are there is not looked at."""
        found = []
        for event in self.events(run=run):
            name = event.detail.get("file")
            if event.kind == PHOTO and isinstance(name, str):
                file = photo_folder(self.path, run) / Path(name).name
                author, digest = str(event.detail.get("author", "")), str(event.detail.get("sha256", ""))
                found.append(PhotoRow(event.text, author, file, digest))
        return tuple(found)

    def estimates(self, run: str) -> tuple[tuple[float, dict[str, Any]], ...]:
        """What was shown during a run: run time [s] and the values, in time order."""
        rows = self._all(
            "SELECT time_s, summary FROM estimate WHERE run = (SELECT number FROM run WHERE id = :run) ORDER BY time_s",
            run=run,
        )
        return tuple((float(time_s), json.loads(summary)) for time_s, summary in rows)

    def deliveries(self, alert: str | None = None) -> tuple[DeliveryRow, ...]:
        """What became of one alert, or of all, on the notification channels, in order."""
        rows = self._all(
            "SELECT alert, channel, utc_s, outcome, reason FROM delivery "
            "WHERE :alert IS NULL OR alert = :alert ORDER BY number",
            alert=alert,
        )
        return tuple(DeliveryRow(*row) for row in rows)

    def undelivered(self) -> tuple[tuple[str, AlertRow], ...]:
        """Notification channel and alert for everything queued and neither delivered nor given up, oldest first."""
        rows = self._all(
            "SELECT delivery.channel, alert.id, oven.name, run.id, alert.utc_s, alert.kind, alert.key, alert.episode, "
            "alert.phase, alert.time_s, alert.severity, alert.title, alert.message, alert.advice "
            "FROM delivery JOIN alert ON alert.id = delivery.alert "
            "LEFT JOIN run ON run.number = alert.run LEFT JOIN oven ON oven.number = alert.oven "
            "WHERE delivery.outcome = 'queued' AND NOT EXISTS (SELECT 1 FROM delivery AS done "
            "  WHERE done.alert = delivery.alert AND done.channel = delivery.channel "
            "  AND done.outcome IN ('delivered', 'given up')) ORDER BY delivery.number"
        )
        return tuple((str(row[0]), _alert_row(row[1:])) for row in rows)

    def requests(self, after: int = 0) -> tuple[RequestRow, ...]:
        """What other processes have asked for, numbers above ``after``, in order."""
        rows = self._all(
            "SELECT number, utc_s, kind, detail, id FROM request WHERE number > :after ORDER BY number", after=after
        )
        return tuple(
            RequestRow(number, utc_s, kind, json.loads(detail), id_) for number, utc_s, kind, detail, id_ in rows
        )

    def answer_to(self, request: str, kind: str) -> EventRow | None:
        """The event of a kind that answers the request of this id; None while there is none."""
        rows = self._all(
            "SELECT event.number, event.id, oven.name, run.id, event.time_s, event.utc_s, event.kind, event.text, "
            "event.detail FROM event LEFT JOIN run ON run.number = event.run "
            "LEFT JOIN oven ON oven.number = event.oven "
            "WHERE event.kind = :kind AND json_extract(event.detail, '$.request') = :request LIMIT 1",
            request=request,
            kind=kind,
        )
        return _event_row(rows[0]) if rows else None

    def piece_steps(self, piece: str | None = None) -> tuple[PieceStepRow, ...]:
        """The steps of every piece, or of one, in the order they were entered."""
        rows = self._all(
            "SELECT piece, step, utc_s, kind, detail, note FROM piece_step "
            "WHERE :piece IS NULL OR piece = :piece ORDER BY number",
            piece=piece,
        )
        return tuple(
            PieceStepRow(piece, step, utc_s, kind, json.loads(detail), note)
            for piece, step, utc_s, kind, detail, note in rows
        )

    def measurements(self, run: str | None = None) -> tuple[MeasurementRow, ...]:
        """Everything measured on coupons of every run, or of one, in the order it was entered; withdrawals too."""
        rows = self._all(
            "SELECT measurement.number, measurement.id, run.id, measurement.utc_s, kind, detail, note "
            "FROM measurement JOIN run ON run.number = measurement.run "
            "WHERE :run IS NULL OR run.id = :run ORDER BY measurement.number",
            run=run,
        )
        return tuple(
            MeasurementRow(number, id_, of_run, utc_s, kind, json.loads(detail), note)
            for number, id_, of_run, utc_s, kind, detail, note in rows
        )

    def spark_tests(self) -> tuple[SparkTestRow, ...]:
        """Every spark test, in the order they were entered."""
        rows = self._all(
            "SELECT spark_test.id, run.id, piece, spark_test.utc_s, class, note, photo_name, photo_base64 "
            "FROM spark_test LEFT JOIN run ON run.number = spark_test.run ORDER BY spark_test.number"
        )
        return tuple(SparkTestRow(*row) for row in rows)

    def newest_correction(self) -> CorrectionRow | None:
        """The correction entered last; None where nothing has been learned yet."""
        rows = self._all("SELECT id, utc_s, software, detail FROM correction ORDER BY number DESC LIMIT 1")
        if not rows:
            return None
        id_, utc_s, software, detail = rows[0]
        return CorrectionRow(id_, utc_s, software, json.loads(detail))

    def setting(self, name: str) -> str | None:
        """The newest value remembered under a name."""
        rows = self._all("SELECT value FROM setting WHERE name = :name ORDER BY number DESC LIMIT 1", name=name)
        return str(rows[0][0]) if rows else None

    def operations(self, run: str) -> tuple[Operation, ...]:
        """Everything of a run but its readings, as what would append it to another record."""
        begun = self.run(run)
        row: dict[str, Value] = {
            "id": begun.id,
            "oven": begun.oven,
            "channels": json.dumps(list(self.channels(run)), ensure_ascii=False),
            "sheet_name": begun.sheet_name,
            "sheet_text": begun.sheet_text,
            "started_utc_s": begun.started_utc_s,
            "clock": begun.clock,
            "software": begun.software,
            "poll_interval_s": begun.poll_interval_s,
        }
        found = [Operation("runs", (row,))]
        for table, columns, belongs in _OF_A_RUN:
            rows = self._all(
                f"SELECT {', '.join(columns).format(table=table)} FROM {table} WHERE {belongs}",
                run=begun.id,
                number=begun.number,
            )
            names = [column.rpartition(" ")[2] for column in columns]
            found += [Operation(table, (dict(zip(names, values, strict=True)),)) for values in rows]
        return tuple(found)

    def _numbers(self, columns: int, sql: str, **values: Any) -> FloatArray:
        """What a query finds as an array (rows, columns), NaN for NULL; a few rows at a time become numbers, for as
        Python's own values a day of readings takes ten times the room."""
        parts = [np.empty((0, columns))]
        with translated(self.path):
            cursor = self._db.execute(sql, values)
            while rows := cursor.fetchmany(4096):
                parts.append(np.array(rows, dtype=np.float64))
        return np.concatenate(parts)

    def _all(self, sql: str, **values: Any) -> list[Any]:
        with translated(self.path):
            return self._db.execute(sql, values).fetchall()


_OVEN = "(SELECT oven.name FROM oven WHERE oven.number = {table}.oven) AS oven"
_RUN = ":run AS run"
_OF_A_RUN: Final[tuple[tuple[str, tuple[str, ...], str], ...]] = (
    (
        "alert",
        (
            *("id", _OVEN, _RUN, "time_s", "utc_s", "kind", "key", "episode", "phase"),
            *("severity", "title", "message", "advice"),
        ),
        "run = :number ORDER BY number",
    ),
    (
        "delivery",
        ("id", "alert", "channel", "utc_s", "outcome", "reason"),
        "alert IN (SELECT id FROM alert WHERE run = :number) ORDER BY number",
    ),
    ("event", ("id", _OVEN, _RUN, "time_s", "utc_s", "kind", "text", "detail"), "run = :number ORDER BY number"),
    ("note", ("id", _RUN, "time_s", "utc_s", "author", "text"), "run = :number ORDER BY number"),
    ("measurement", ("id", _RUN, "utc_s", "kind", "detail", "note"), "run = :number ORDER BY number"),
    (
        "spark_test",
        ("id", _RUN, "piece", "utc_s", "class", "note", "photo_name", "photo_base64"),
        "run = :number ORDER BY number",
    ),
    ("estimate", (_RUN, "time_s", "summary"), "run = :number ORDER BY time_s"),
    ("run_end", (_RUN, "ended_utc_s", "how"), "run = :number"),
)
"""What belongs to a run besides its readings: table, columns in words instead of numbers, and which rows."""


def _nan(value: float | None) -> float:
    return nan if value is None else value


def _alert_row(row: Sequence[Any]) -> AlertRow:
    id_, oven, run, utc_s, kind, key, episode, phase, time_s, severity, title, message, advice = row
    event = AlertEvent(AlertKind(kind), key, episode, Phase(phase), time_s, Severity(severity), title, message, advice)
    return AlertRow(id_, oven, run, utc_s, event)


def _event_row(row: Sequence[Any]) -> EventRow:
    number, id_, oven, run, time_s, utc_s, kind, text, detail = row
    return EventRow(number, id_, oven, run, time_s, utc_s, kind, text, json.loads(detail))
