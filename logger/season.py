"""A season of runs out of the record: what each asked of the oven, and what each did to its steel."""

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from logger.errors import Fault, InputFault
from logger.oven_trend import HeatEffort, effort
from logger.record import RecordReader, RunRow
from logger.review import review_run
from logger.situation import SeasonRun


def efforts_of(record: Path, oven: str | None = None, last: int | None = None) -> dict[str, tuple[HeatEffort, ...]]:
    """What every run asked of its oven, by oven, in time order; of one oven, of the ``last`` runs, where named.

    Raises   InputFault     no runs; no oven of that name
             OutsideFault   a record that cannot be read
    """
    with RecordReader(record) as reader, reader.snapshot():
        found: dict[str, list[HeatEffort]] = {}
        for row in _rows(reader, record, oven, last):
            found.setdefault(row.oven, []).append(_effort(reader, row))
    return {name: tuple(efforts) for name, efforts in found.items()}


def season_of(
    record: Path,
    oven: str | None = None,
    last: int | None = None,
    tell: Callable[[int, int, str], None] = lambda number, count, run: None,
) -> tuple[SeasonRun, ...]:
    """Runs with everything that came of them, in time order; of one oven, the ``last`` ones, where named.

    ``tell`` is called before each run with its number, how many there are, and its id.

    Raises   InputFault     no runs; no oven of that name; a sheet that cannot be used
             OutsideFault   a record that cannot be read
    """
    with RecordReader(record) as reader:
        rows = _rows(reader, record, oven, last)
        efforts = [_effort(reader, row) for row in rows]
    found = []
    for number, (row, one) in enumerate(zip(rows, efforts, strict=True), start=1):
        tell(number, len(rows), row.id)
        found.append(SeasonRun(review_run(record, row.id, even_without_readings=True), one))
    return tuple(found)


def _rows(reader: RecordReader, record: Path, oven: str | None, last: int | None) -> Sequence[RunRow]:
    rows = sorted(reader.runs(oven), key=lambda row: row.started_utc_s)
    if not rows:
        ovens = dict.fromkeys(row.oven for row in reader.runs())
        if oven is not None and ovens:
            raise InputFault(Fault(f"--oven {oven}", "no run of an oven of that name", f"one of {', '.join(ovens)}"))
        raise InputFault(Fault(f"record {record}", "no runs yet", "a record with at least one run"))
    return rows if last is None else rows[-last:]


def _effort(reader: RecordReader, row: RunRow) -> HeatEffort:
    """What a run asked of the oven, by the first of its channels whose controller says its output."""
    drives = {channel: reader.drive(row.id, channel) for channel in reader.channels(row.id)}
    drives = {channel: drive for channel, drive in drives.items() if drive[0].size}
    if not drives:
        return HeatEffort(row.id, row.started_utc_s)
    channel = next((name for name, drive in drives.items() if np.isfinite(drive[3]).any()), next(iter(drives)))
    time_s, temperature_K, set_point_K, output_pct = drives[channel]
    other_K = None
    for name, (other_s, kelvin, _, _) in drives.items():
        good = np.isfinite(kelvin)
        if name != channel and good.sum() > 1:
            other_K = np.interp(time_s, other_s[good], kelvin[good], left=np.nan, right=np.nan)
            break
    return effort(row.id, row.started_utc_s, time_s, temperature_K, set_point_K, output_pct, other_K)
