"""A run out of the record as plain files, and back into a record without losing a digit.

Two files: ``<run>.csv``, one row for each moment, for people, spreadsheets and `soaktally review`; and ``<run>.jsonl``,
everything else of the run (sheet, alerts, events, notes), one JSON object a line. Columns of the table:

    time_s                    run time [s]
    utc, local                wall clock, with its offset
    monotonic_s               the machine's steady clock [s]
    <channel>_C or _F         temperature of a good reading; blank where there was none to be believed
    <channel>_quality         good, missing, sensor open, ...; blank where the channel was not read at that moment
    <channel>_raw             what the controller answered
    <channel>_kelvin          the value as read, only where the temperature column does not hold it to the last digit
    <channel>_set_point_kelvin, <channel>_output_pct     what the controller wanted, where known
"""

import csv
import io
import json
import math
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from decimal import Decimal
from math import isnan, nan
from pathlib import Path
from typing import Final

from logger.errors import Fault, InputFault, OutsideFault
from logger.reading import Quality, Reading
from logger.record_operations import Operation, readings
from logger.record_reader import RecordReader
from logger.record_writer import RecordWriter
from logger.units import (
    TemperatureUnit,
    celsius_from_kelvin,
    fahrenheit_from_kelvin,
    kelvin_from_celsius,
    kelvin_from_fahrenheit,
)

FROM_KELVIN: Final[Mapping[str, Callable[[float], float]]] = {"C": celsius_from_kelvin, "F": fahrenheit_from_kelvin}
TO_KELVIN: Final[Mapping[str, Callable[[float], float]]] = {"C": kelvin_from_celsius, "F": kelvin_from_fahrenheit}
FIXED_COLUMNS: Final = ("time_s", "utc", "local", "monotonic_s")
CHANNEL_COLUMNS: Final = ("quality", "raw", "kelvin", "set_point_kelvin", "output_pct")


@dataclass(frozen=True, slots=True)
class Exported:
    """Where a run was written to."""

    table: Path
    rest: Path


def export_run(
    reader: RecordReader,
    run: str,
    folder: Path,
    *,
    unit: TemperatureUnit = "C",
    decimal_comma: bool = False,
    zone: tzinfo | None = None,
) -> Exported:
    """Write a run into a folder. ``zone`` is that of the ``local`` column (None: this machine's).

    With ``decimal_comma`` numbers are written as some spreadsheets want them, and columns are parted by semicolons.

    Raises   InputFault     no such run; no such folder; a file of that name is there already
             OutsideFault   the disk is full or not writable
    """
    row = reader.run(run)
    written = Exported(folder / f"{row.id}.csv", folder / f"{row.id}.jsonl")
    if not folder.is_dir():
        raise InputFault(Fault(f"export to {folder}", "no such folder", "an existing folder"))
    for file in (written.table, written.rest):
        if file.exists():
            raise InputFault(Fault(f"export to {file}", "a file of that name", "a folder without one"))
    with reader.snapshot():
        rest = [operation.to_json() for operation in reader.operations(row.id)]
        table = _table(list(reader.readings(row.id)), reader.channels(row.id), unit, decimal_comma, zone)
    _write(written.table, table)
    _write(written.rest, "\n".join(rest) + "\n")
    return written


def import_run(writer: RecordWriter, reader: RecordReader, table: Path) -> str:
    """Bring an exported run into a record, and return its id. The ``.jsonl`` file is looked for beside the table.

    Raises   InputFault     a file that is missing or not as exported, each fault with its line; the run is in the
                            record already
             OutsideFault   the record cannot be written
    """
    rest = table.with_suffix(".jsonl")
    operations = _read_rest(rest)
    begun = [row for operation in operations if operation.kind == "runs" for row in operation.rows]
    if len(begun) != 1:
        raise InputFault(Fault(f"{rest}", f"{len(begun)} runs", "one run, as `soaktally export` wrote it"))
    run = str(begun[0]["id"])
    if any(row.id == run for row in reader.runs()):
        raise InputFault(Fault(f"run {run}", "a run of that name in the record already", "a run that is not there yet"))
    batch = _read_table(table)
    begin = [operation for operation in operations if operation.kind == "runs"]
    others = [operation for operation in operations if operation.kind != "runs"]
    writer.append_all([*begin, readings(run, batch), *others])
    return run


# --------------------------------------------------------------------------------------------------------------------
# Out


def _table(
    batch: Sequence[Reading], channels: Sequence[str], unit: TemperatureUnit, decimal_comma: bool, zone: tzinfo | None
) -> str:
    out = io.StringIO()
    writer = csv.writer(out, delimiter=";" if decimal_comma else ",", lineterminator="\n")
    columns = [f"{channel}_{column}" for channel in channels for column in (unit, *CHANNEL_COLUMNS)]
    writer.writerow([*FIXED_COLUMNS, *columns])
    for moment, at_once in _by_moment(batch):
        time_s, utc_s, monotonic_s = moment
        local = datetime.fromtimestamp(utc_s, UTC).astimezone(zone).isoformat(sep=" ", timespec="seconds")
        cells = [_number(time_s), written_utc(utc_s), local, _number(monotonic_s)]
        for channel in channels:
            cells += _channel_cells(at_once.get(channel), unit)
        if decimal_comma:
            numeric = {0, 3} | {4 + 6 * n + k for n in range(len(channels)) for k in (0, 3, 4, 5)}
            cells = [cell.replace(".", ",") if n in numeric else cell for n, cell in enumerate(cells)]
        writer.writerow(cells)
    return out.getvalue()


def _by_moment(batch: Sequence[Reading]) -> Iterator[tuple[tuple[float, float, float], dict[str, Reading]]]:
    """Readings that share all three clocks, in time order; NaN counts as equal to NaN."""
    moments: dict[tuple[str, str, str], dict[str, Reading]] = {}
    for reading in batch:
        key = (repr(reading.time_s), repr(reading.utc_s), repr(reading.monotonic_s))
        moments.setdefault(key, {})[reading.channel] = reading
    for at_once in moments.values():
        first = next(iter(at_once.values()))
        yield (first.time_s, first.utc_s, first.monotonic_s), at_once


def _channel_cells(reading: Reading | None, unit: TemperatureUnit) -> list[str]:
    if reading is None:
        return [""] * 6
    shown, exact = "", _number(reading.temperature_K)
    if reading.quality is Quality.GOOD:
        shown, lossless = written_temperature(reading.temperature_K, unit)
        exact = "" if lossless else exact
    return [
        shown,
        str(reading.quality),
        reading.raw,
        exact,
        _number(reading.set_point_K),
        _number(reading.output_pct),
    ]


def written_temperature(temperature_K: float, unit: TemperatureUnit) -> tuple[str, bool]:
    """A temperature in a person's unit with as few decimals as give back the same kelvin; whether any do."""
    value = FROM_KELVIN[unit](temperature_K)
    for decimals in range(1, 18):
        text = f"{value:.{decimals}f}"
        if TO_KELVIN[unit](float(text)) == temperature_K:
            return text, True
    return repr(value), False


def written_utc(utc_s: float) -> str:
    """A moment (1970 or later) as ISO 8601 in UTC, with as many decimals of a second as give back the same moment."""
    whole = math.floor(utc_s)
    text = datetime.fromtimestamp(whole, UTC).strftime("%Y-%m-%dT%H:%M:%S")
    for decimals in range(3, 18):
        fraction = f"{utc_s - whole:.{decimals}f}"
        if fraction.startswith("0") and whole + float(fraction) == utc_s:
            return f"{text}{fraction[1:]}Z"
    return f"{text}{format(Decimal(utc_s - whole), 'f')[1:]}Z"


def _number(value: float) -> str:
    return "" if isnan(value) else repr(value)


def _write(file: Path, text: str) -> None:
    part = file.with_name(file.name + ".part")
    try:
        with part.open("w", encoding="utf-8", newline="") as out:
            out.write(text)
            out.flush()
            os.fsync(out.fileno())
        os.replace(part, file)
    except OSError as error:
        with suppress(OSError):
            part.unlink()
        raise OutsideFault(f"export to {file}: {(error.strerror or str(error)).lower()}") from None


# --------------------------------------------------------------------------------------------------------------------
# Back in


def _read(file: Path) -> str:
    try:
        return file.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise InputFault(Fault(f"{file}", "no such file", "a file that `soaktally export` wrote")) from None
    except (OSError, UnicodeError) as error:
        raise InputFault(Fault(f"{file}", str(error), "a file that can be read")) from None


def _read_rest(file: Path) -> list[Operation]:
    operations, faults = [], []
    # Split at line feeds only: other line separators may stand inside a note.
    for number, line in enumerate(_read(file).split("\n"), start=1):
        if not line.strip():
            continue
        try:
            operations.append(Operation.from_json(line))
        except (ValueError, json.JSONDecodeError):
            faults.append(Fault(f"{file}: line {number}", "something else", "a line that `soaktally export` wrote"))
    if faults:
        raise InputFault(faults)
    return operations


def _read_table(file: Path) -> list[Reading]:
    text = _read(file)
    semicolon = ";" in text.partition("\n")[0]
    rows = list(csv.reader(io.StringIO(text), delimiter=";" if semicolon else ","))
    header = rows[0] if rows else []
    channels = [name.removesuffix("_quality") for name in header if name.endswith("_quality")]
    missing = [name for name in FIXED_COLUMNS if name not in header]
    if missing or not channels:
        found = f"no column {missing[0]}" if missing else "no channel"
        raise InputFault(Fault(f"{file}", found, "a table that `soaktally export` wrote"))
    batch: list[Reading] = []
    faults: list[Fault] = []
    for number, cells in enumerate(rows[1:], start=2):
        try:
            if len(cells) != len(header):
                raise ValueError(f"{len(cells)} cells")
            batch += _readings_of(dict(zip(header, cells, strict=True)), channels, "," if semicolon else ".")
        except ValueError as error:
            faults.append(Fault(f"{file}: line {number}", str(error), "a row that `soaktally export` wrote"))
    if faults:
        raise InputFault(faults[:20])
    return batch


def _readings_of(row: Mapping[str, str], channels: Sequence[str], decimal: str) -> Iterator[Reading]:
    def number(column: str) -> float:
        text = row.get(column, "").replace(decimal, ".")
        return float(text) if text else nan

    for channel in channels:
        if not row[f"{channel}_quality"]:
            continue
        temperature_K = number(f"{channel}_kelvin")
        for unit, to_kelvin in TO_KELVIN.items():
            if isnan(temperature_K) and row.get(f"{channel}_{unit}"):
                temperature_K = to_kelvin(number(f"{channel}_{unit}"))
        yield Reading(
            channel,
            number("time_s"),
            read_utc(row["utc"]),
            temperature_K,
            Quality(row[f"{channel}_quality"]),
            row[f"{channel}_raw"],
            number("monotonic_s"),
            number(f"{channel}_set_point_kelvin"),
            number(f"{channel}_output_pct"),
        )


def read_utc(text: str) -> float:
    """The moment [s since 1970 UTC] that `written_utc` wrote. Raises ValueError for anything else."""
    whole, point, fraction = text.removesuffix("Z").partition(".")
    if not text.endswith("Z") or not point or not fraction.isdigit():
        raise ValueError(f"time {text!r}")
    seconds = datetime.strptime(whole, "%Y-%m-%dT%H:%M:%S").replace(tzinfo=UTC).timestamp()
    return seconds + float(f"0.{fraction}")
