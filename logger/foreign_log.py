"""A heat logged by something else: any table of times and temperatures, read by a mapping of its columns.

The mapping says how the text is laid out and what each column is. `logger.foreign_guess` proposes one; a person looks
at what it makes of the file before it counts. Numbers keep the unit they were written in, so nothing is lost.
"""

import csv
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from math import nan
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np

from logger.errors import Fault, InputFault
from logger.trace_file import HOTTEST_K
from logger.units import FloatArray, TemperatureUnit, kelvin_from_celsius, kelvin_from_fahrenheit

WORDS_FOR_UNITS: Final = {"seconds": 1.0, "minutes": 60.0, "hours": 3600.0, "milliseconds": 1e-3, "days": 86400.0}
"""Times written as a number: the unit in a mapping, and how many seconds it is."""

UNIX: Final = {"unix seconds": 1.0, "unix milliseconds": 1e-3}
CLOCK: Final = "clock"
"""Time of day or time since the start, hours, minutes and perhaps seconds parted by colons; may pass midnight."""

SPREADSHEET_DAYS: Final = "spreadsheet days"
SPREADSHEET_ZERO: Final = datetime(1899, 12, 30, tzinfo=UTC)
"""Day 0 of the dates that spreadsheets write as numbers."""

TO_KELVIN: Final = {"C": kelvin_from_celsius, "F": kelvin_from_fahrenheit}
MOST_FAULTS_TOLD: Final = 20
LOWEST_K: Final = 73.15
"""Below -200 °C no thermocouple here measures: a sensor's code, not a temperature (ASTM E230)."""

_TRAILING_UNIT: Final = re.compile(r"\s*(?:°|º|deg)?\s*[CFcf]\s*$")


@dataclass(frozen=True, slots=True)
class ChannelMapping:
    """One temperature column: its number from 1, the channel's name, the unit it is written in."""

    column: int
    name: str
    unit: TemperatureUnit = "C"


@dataclass(frozen=True, slots=True)
class Mapping:
    """How a foreign log is laid out.

    ``delimiter`` parts the columns ("space": any run of spaces), ``decimal`` is the decimal sign, ``first_row`` the
    number of the first line with readings. ``time_columns`` (one, or date and time) are written in ``time_format``: a
    strptime pattern, a unit such as "seconds", "unix seconds", "clock" or "spreadsheet days". ``zone`` is that of dates
    without an offset: an IANA name, or an offset such as "+01:00"; empty: no wall clock is known. ``missing`` are the
    texts that stand for no reading.
    """

    delimiter: str
    decimal: str
    first_row: int
    time_columns: tuple[int, ...]
    time_format: str
    channels: tuple[ChannelMapping, ...]
    zone: str = ""
    missing: tuple[str, ...] = ()
    encoding: str = "utf-8"


@dataclass(frozen=True, slots=True, eq=False)
class ForeignHeat:
    """What a mapping makes of a log.

    ``time_s`` (n,) run time [s] from the first row; ``values`` by channel (n,), in the channel's own unit, NaN where
    there was no reading; ``start_utc_s`` None where no wall clock is known; ``remarks`` say what was done on the way.
    """

    mapping: Mapping
    time_s: FloatArray
    values: dict[str, FloatArray]
    start_utc_s: float | None
    remarks: tuple[str, ...] = field(default=())

    def kelvin(self, channel: str) -> FloatArray:
        """A channel's temperatures [K]."""
        unit = next(one.unit for one in self.mapping.channels if one.name == channel)
        return TO_KELVIN[unit](self.values[channel])


def decoded(path: Path) -> tuple[str, str]:
    """The text of a foreign file and the encoding it is in: UTF-8, UTF-16 by its mark, else Latin.

    Raises   InputFault    missing, a folder, empty, not readable
    """
    expected = "a table of times and temperatures"
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        raise InputFault(Fault(str(path), "no such file", expected)) from None
    except IsADirectoryError:
        raise InputFault(Fault(str(path), "a folder", expected)) from None
    except OSError as error:
        raise InputFault(Fault(str(path), (error.strerror or str(error)).lower(), "a file that can be read")) from None
    if not content.strip():
        raise InputFault(Fault(str(path), "an empty file", expected))
    if content[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return _text(path, content, "utf-16"), "utf-16"
    try:
        return content.decode("utf-8-sig"), "utf-8"
    except UnicodeDecodeError:
        return _text(path, content, "cp1252"), "cp1252"


def _text(path: Path, content: bytes, encoding: str) -> str:
    try:
        return content.decode(encoding)
    except UnicodeDecodeError:
        raise InputFault(Fault(str(path), "bytes that are no text", "a table of times and temperatures")) from None


def cells_of(line: str, delimiter: str) -> list[str]:
    """The cells of one line, stripped; for "space", parted by any run of spaces."""
    if delimiter == "space":
        return line.split()
    return [cell.strip() for cell in next(csv.reader(io.StringIO(line), delimiter=delimiter), [])]


def number_of(cell: str, decimal: str) -> float:
    """A number as it is written in a log, with or without thousands parted, with or without its unit after it.

    Raises   ValueError    anything else
    """
    text = _TRAILING_UNIT.sub("", cell.strip()).replace("\u2212", "-").replace("\u00a0", "").replace("'", "")
    other = "," if decimal == "." else "."
    if other in text:
        whole, _, fraction = text.partition(decimal)
        groups = whole.lstrip("+-").split(other)
        if other in fraction or not all(len(group) == 3 for group in groups[1:]) or not 1 <= len(groups[0]) <= 3:
            raise ValueError(cell)
        text = text.replace(other, "")
    text = text.replace(decimal, ".")
    if not re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", text):
        raise ValueError(cell)
    return float(text)


def clock_s(cell: str, decimal: str = ".") -> float:
    """Hours, minutes and perhaps seconds parted by colons, in seconds [s].

    Raises   ValueError    anything else
    """
    found = re.fullmatch(r"(\d+):([0-5]?\d)(?::([0-5]?\d(?:[.,]\d+)?))?", cell.strip())
    if not found:
        raise ValueError(cell)
    seconds = float((found[3] or "0").replace(",", "."))
    return 3600.0 * int(found[1]) + 60.0 * int(found[2]) + seconds


def naive(text: str, form: str) -> datetime:
    """A date written in a strptime pattern, with its offset only where the pattern has one.

    Raises   ValueError    anything else
    """
    return datetime.strptime(text, form)  # noqa: DTZ007 - a log's dates are local; the mapping says of which zone


def zone_of(name: str) -> tzinfo | None:
    """A time zone by its IANA name or its offset from UTC; None for an empty name.

    Raises   InputFault    neither
    """
    if not name:
        return None
    found = re.fullmatch(r"(?:UTC)?([+-])(\d{1,2}):?(\d{2})?", name.strip())
    if name.strip().upper() in ("UTC", "Z"):
        return UTC
    if found:
        offset = timedelta(hours=int(found[2]), minutes=int(found[3] or 0))
        if offset < timedelta(hours=24):
            return timezone(offset if found[1] == "+" else -offset)
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        expected = 'a zone such as "Europe/Vienna" or "+01:00"'
        raise InputFault(Fault("time zone", f'"{name}"', expected)) from None


def apply(text: str, mapping: Mapping, name: str = "log") -> ForeignHeat:
    """What a mapping makes of the text of a log.

    Parameters
    ----------
    text : the whole file
    mapping : how it is laid out
    name : of the file, for messages

    Returns    ForeignHeat
    Raises     InputFault    every row that cannot be read by this mapping (the first 20 and how many more)
    """
    return _Reader(mapping, name).read(text)


class _Reader:
    """One reading of one log; gathers faults and remarks as it goes."""

    def __init__(self, mapping: Mapping, name: str) -> None:
        self.mapping, self.name = mapping, name
        self.faults: list[Fault] = []
        self.remarks: list[str] = []
        self.zone = zone_of(mapping.zone)
        self.missing = {text.casefold() for text in mapping.missing}

    def read(self, text: str) -> ForeignHeat:
        mapping = self.mapping
        rows = [
            (number, cells_of(line, mapping.delimiter))
            for number, line in enumerate(text.splitlines(), start=1)
            if number >= mapping.first_row and line.strip()
        ]
        if not rows:
            found = f"nothing from line {mapping.first_row} on"
            raise InputFault(Fault(self.name, found, "readings"))
        stamps = [self._stamp(number, cells) for number, cells in rows]
        columns = {one.name: [self._value(number, cells, one) for number, cells in rows] for one in mapping.channels}
        if self.faults:
            told, more = self.faults[:MOST_FAULTS_TOLD], len(self.faults) - MOST_FAULTS_TOLD
            if more > 0:
                told.append(Fault(self.name, f"{more} more like these", "none"))
            raise InputFault(told)
        times_s, start_utc_s = self._times(stamps)
        times_s = self._spread(times_s)
        keep = np.concatenate([[True], times_s[1:] > np.maximum.accumulate(times_s)[:-1]])
        if not keep.all():
            self.remarks.append(f"{int((~keep).sum())} rows whose time does not go on were left out")
        values = {channel: np.array(column)[keep] for channel, column in columns.items()}
        times_s = times_s[keep]
        offset_s = float(times_s[0])
        return ForeignHeat(
            mapping,
            times_s - offset_s,
            values,
            None if start_utc_s is None else start_utc_s + offset_s,
            tuple(self.remarks),
        )

    def _cell(self, cells: Sequence[str], column: int) -> str | None:
        return cells[column - 1] if len(cells) >= column else None

    def _fault(self, number: int, column: int, found: str, expected: str) -> None:
        self.faults.append(Fault(f"{self.name}, line {number}, column {column}", found, expected))

    def _stamp(self, number: int, cells: Sequence[str]) -> float | datetime:
        """The time of one row: a number of seconds, or a date."""
        mapping, written = self.mapping, [self._cell(cells, column) for column in self.mapping.time_columns]
        text = " ".join(part for part in written if part)
        form = mapping.time_format
        try:
            if form in WORDS_FOR_UNITS or form in UNIX or form == SPREADSHEET_DAYS:
                return number_of(text, mapping.decimal)
            if form == CLOCK:
                return clock_s(text, mapping.decimal)
            if form == "ISO 8601":
                return datetime.fromisoformat(text)
            return naive(text, form)
        except ValueError:
            expected = form if form not in WORDS_FOR_UNITS else f"a number of {form}"
            self._fault(
                number, mapping.time_columns[0], f'"{text}"' if text else "nothing", f"a time written as {expected}"
            )
            return nan

    def _value(self, number: int, cells: Sequence[str], channel: ChannelMapping) -> float:
        text = self._cell(cells, channel.column)
        if text is None or not text or text.casefold() in self.missing or text.casefold() in ("nan", "-nan"):
            return nan
        try:
            value = number_of(text, self.mapping.decimal)
        except ValueError:
            expected = 'a temperature, or a text listed under "missing"'
            self._fault(number, channel.column, f'"{text}"', expected)
            return nan
        kelvin = TO_KELVIN[channel.unit](value)
        if not LOWEST_K <= kelvin <= HOTTEST_K:
            remark = f"{channel.name}: values no thermocouple reads, such as {text}, were taken as no reading"
            if remark.split(",")[0] not in {one.split(",")[0] for one in self.remarks}:
                self.remarks.append(remark)
            return nan
        return value

    def _times(self, stamps: list[float | datetime]) -> tuple[FloatArray, float | None]:
        """Times in seconds [s] and the wall clock where the first of these counts from [s since 1970 UTC]."""
        form = self.mapping.time_format
        if form in UNIX:
            return np.array([UNIX[form] * float(one) for one in stamps if not isinstance(one, datetime)]), 0.0
        if form == SPREADSHEET_DAYS:
            days = [float(one) for one in stamps if not isinstance(one, datetime)]
            return self._local(
                [SPREADSHEET_ZERO.replace(tzinfo=None) + timedelta(seconds=round(86400.0 * one, 3)) for one in days]
            )
        if form == CLOCK:
            return self._past_midnight([float(one) for one in stamps if not isinstance(one, datetime)]), None
        if form in WORDS_FOR_UNITS:
            scale = WORDS_FOR_UNITS[form]
            return np.array([scale * float(one) for one in stamps if not isinstance(one, datetime)]), None
        return self._local([one for one in stamps if isinstance(one, datetime)])

    def _past_midnight(self, clock: list[float]) -> FloatArray:
        """Times of day made to go on past midnight."""
        times, days = [], 0
        for number, seconds in enumerate(clock):
            if number and seconds < clock[number - 1] - 43200.0:
                days += 1
            times.append(seconds + 86400.0 * days)
        if days:
            self.remarks.append("the clock passed midnight")
        return np.array(times)

    def _local(self, dates: list[datetime]) -> tuple[FloatArray, float | None]:
        """Dates as seconds since 1970 UTC where their zone is known, else from the first one on.

        In the hour that comes twice in autumn, the second time is meant once the clock has gone back.
        """
        if all(one.tzinfo is not None for one in dates):
            return np.array([one.timestamp() for one in dates]), 0.0
        if self.zone is None:
            first = dates[0].replace(tzinfo=None)
            return np.array([(one.replace(tzinfo=None) - first).total_seconds() for one in dates]), None
        times: list[float] = []
        fold = 0
        for number, one in enumerate(dates):
            if number and one < dates[number - 1] - timedelta(minutes=10):
                fold = 1
            times.append(one.replace(tzinfo=self.zone, fold=fold).timestamp())
        return np.array(times), 0.0

    def _spread(self, times_s: FloatArray) -> FloatArray:
        """Rows that share a time because it is written to the minute, or the second, are spread evenly over it."""
        if times_s.size < 3:
            return times_s
        steps = np.diff(times_s)
        if not (steps == 0.0).any() or not (steps > 0.0).any():
            return times_s
        unit_s = float(np.median(steps[steps > 0.0]))
        starts = np.concatenate([[0], np.flatnonzero(steps != 0.0) + 1])
        counts = np.diff(np.append(starts, times_s.size))
        usual = float(np.median(counts))
        if usual < 2.0:
            return times_s
        spread = times_s.copy()
        for start, count in zip(starts.tolist(), counts.tolist(), strict=True):
            spread[start : start + count] += unit_s * np.arange(count) / max(count, usual)
        self.remarks.append(f"{usual:.0f} rows share each time: they were spread evenly over {unit_s:g} s")
        return spread


def trace_text(heat: ForeignHeat) -> str:
    """The heat as a TRACE.csv: run time, wall clock where it is known, each channel in the unit it was written in."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    dated = heat.start_utc_s is not None
    columns = [f"{one.name}_{one.unit}" for one in heat.mapping.channels]
    writer.writerow(["time_s", *(["time"] if dated else []), *columns])
    for row, time_s in enumerate(heat.time_s.tolist()):
        cells = [repr(time_s)]
        if heat.start_utc_s is not None:
            moment = datetime.fromtimestamp(heat.start_utc_s + time_s, UTC)
            cells.append(moment.isoformat(timespec="milliseconds"))
        for one in heat.mapping.channels:
            value = float(heat.values[one.name][row])
            cells.append("" if np.isnan(value) else repr(value))
        writer.writerow(cells)
    return out.getvalue()
