"""TRACE.csv: a recorded heat as a table of times and temperatures -> histories.

Header row; ``time_s`` (seconds) or ``time`` (ISO 8601 with offset); one column per channel, ``<channel>_C`` or
``<channel>_F``. Beside ``time_s`` a column ``time`` or ``utc`` may say the date: its first row counts. A blank or NaN
cell is a missing reading. Lines before the header that begin with ``#`` are remarks. Columns of any other name are left
out and listed in `Trace.left_out`.
"""

import csv
import io
import re
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import NoReturn

import numpy as np

from logger.errors import Fault, InputFault
from logger.history import History, typical_interval_s
from logger.input_file import read_text
from logger.quantities import TEMPERATURE
from logger.units import (
    FloatArray,
    celsius_from_kelvin,
    fahrenheit_from_kelvin,
    kelvin_from_celsius,
    kelvin_from_fahrenheit,
)

MOST_FAULTS_TOLD = 20
"""A trace with a broken column has thousands of faults; this many are listed, the rest counted."""

HOTTEST_K = 2800.0
"""Above what any thermocouple measures (type C ends at 2315 C, ASTM E230): a sensor-break code, not a temperature."""

SECONDS_PER_DAY = 86400.0
LONGEST_S = 100.0 * SECONDS_PER_DAY
"""No heat is longer (our choice); three hours written in milliseconds would be."""

EXPECTED_FILE = "a CSV table with a header such as time_s,oven_C"
FROM_ELSEWHERE = "; soaktally translate makes a trace of a log from elsewhere"
EXPECTED_COLUMN = f"one named <channel>_C or <channel>_F, such as oven_C{FROM_ELSEWHERE}"
EXPECTED_TIME = "a date and time with its offset from UTC, such as 2026-03-01T18:30:00+01:00"
_MISSING = {"", "nan", "NaN", "NAN", "-nan"}
_ALMOST_A_CHANNEL = re.compile(r"(?P<channel>.+?)(?:[\s_(\[]|deg|°|º)+(?P<unit>[cCfFkK])[)\]]?")
"""Ways a temperature column is named by mistake: oven_c, oven (C), oven_degF, oven_K."""


@dataclass(frozen=True, slots=True)
class Trace:
    """A recorded heat.

    ``histories`` by channel, all on the same times; ``channel`` is the one the run is judged by. ``start_utc_s``
    is the wall clock at run time 0 where the file has dates, else None. ``left_out`` are columns not understood.
    """

    histories: dict[str, History]
    channel: str
    start_utc_s: float | None = None
    left_out: tuple[str, ...] = ()

    @property
    def history(self) -> History:
        """The history the run is judged by."""
        return self.histories[self.channel]


def read_trace(path: str | Path, channel: str | None = None, *, even_without_readings: bool = False) -> Trace:
    """Every channel of a recorded heat.

    Parameters
    ----------
    path : CSV file
    channel : the channel the run is judged by; None: the only one there is
    even_without_readings : whether a trace in which no cell of that channel holds a temperature is read as well

    Returns    Trace; times in seconds [s] (from the first row where the file has dates), temperatures [K]
    Raises     InputFault    every fault in the file, each with line and column (the first 20 and how many more)
    """
    return _TraceReader(Path(path), even_without_readings).read(channel)


@dataclass(frozen=True, slots=True)
class _Column:
    channel: str
    unit: str
    index: int
    title: str


class _TraceReader:
    """One reading of one file; gathers faults as it goes."""

    def __init__(self, path: Path, even_without_readings: bool) -> None:
        self.path, self.even_without_readings = path, even_without_readings
        self.faults: list[tuple[int, Fault]] = []

    def read(self, channel: str | None) -> Trace:
        titles, rows, lines = self._rows(read_text(self.path, EXPECTED_FILE))
        time_title = self._time_title(titles)
        columns = self._columns(titles)
        self._judge_channel(columns, channel)
        if time_title is None or not columns:
            self._refuse()
        if not rows:
            self._fault(0, "a header and no rows", "readings under it")
            self._refuse()
        cells = self._even_rows(rows, lines, len(titles))
        if not cells:
            self._refuse()
        lines = [lines[i] for i in range(len(rows)) if len(rows[i]) == len(titles)]
        start_utc_s: float | None = None
        times = cells[titles.index(time_title)]
        if time_title == "time_s":
            time_s = self._numbers(times, lines, "time_s", "seconds such as 90.0", blank_allowed=False)
            dated = next((title for title in ("time", "utc") if title in titles), None)
            if dated is not None:
                start_utc_s = _start(cells[titles.index(dated)], time_s)
        else:
            utc_s = self._dates(times, lines)
            start_utc_s = float(utc_s[0])
            time_s = utc_s - start_utc_s
        self._judge_order(times, time_s, lines)
        temperatures = {c.channel: self._temperatures(c, cells[c.index], lines) for c in columns}
        wanted = channel if channel is not None else columns[0].channel
        missing = wanted in temperatures and np.all(np.isnan(temperatures[wanted]))
        if missing and not self.faults and not self.even_without_readings:
            self._fault(0, f"no reading at all of {wanted}", "temperatures")
        if self.faults:
            self._refuse()
        interval_s = typical_interval_s(time_s)
        known = {time_title, "time", "utc", *(c.title for c in columns)}
        return Trace(
            {name: History(name, time_s, kelvin, interval_s) for name, kelvin in temperatures.items()},
            wanted,
            start_utc_s,
            tuple(title for title in titles if title and title not in known),
        )

    def _fault(self, line: int, found: str, expected: str, column: str = "") -> None:
        where = f"{self.path}, line {line}" if line else str(self.path)
        self.faults.append((line, Fault(f"{where}, column {column}" if column else where, found, expected)))

    def _refuse(self) -> NoReturn:
        in_order = [fault for _, fault in sorted(self.faults, key=lambda each: each[0])]
        told, more = in_order[:MOST_FAULTS_TOLD], len(in_order) - MOST_FAULTS_TOLD
        if more > 0:
            told.append(Fault(str(self.path), f"{more} more fault{'s' if more > 1 else ''} like these", "none"))
        raise InputFault(told)

    def _rows(self, text: str) -> tuple[list[str], list[list[str]], list[int]]:
        """Titles, rows of cells and the line each row ends on; blank lines and remarks left out."""
        reader = csv.reader(io.StringIO(text, newline=""), strict=True)
        titles: list[str] | None = None
        rows: list[list[str]] = []
        lines: list[int] = []
        try:
            for row in reader:
                if not row or (len(row) == 1 and not row[0].strip()):
                    continue
                if titles is None:
                    if not row[0].lstrip().startswith("#"):
                        titles = [cell.strip() for cell in row]
                        self._judge_separator(titles, reader.line_num)
                else:
                    rows.append(row)
                    lines.append(reader.line_num)
        except csv.Error:
            self._fault(
                reader.line_num,
                "quotation marks that do not match",
                f"each opening one closed in its cell{FROM_ELSEWHERE}",
            )
            self._refuse()
        if titles is None:
            self._fault(0, "only remarks", EXPECTED_FILE)
            self._refuse()
        return titles, rows, lines

    def _judge_separator(self, titles: list[str], line: int) -> None:
        for sign, name in ((";", "semicolons"), ("\t", "tabs"), ("|", "bars")):
            if len(titles) == 1 and sign in titles[0]:
                self._fault(
                    line, f"columns separated by {name}", f"commas, and points in decimal numbers{FROM_ELSEWHERE}"
                )
                self._refuse()

    def _time_title(self, titles: list[str]) -> str | None:
        if all(_is_number(title) for title in titles):
            self._fault(0, "numbers in the first row", f"a header row such as time_s,oven_C{FROM_ELSEWHERE}")
            self._refuse()
        for title in ("time_s", "time"):
            if title in titles:
                if titles.count(title) > 1:
                    self._fault(0, f"{titles.count(title)} columns named {title}", "one")
                return title
        expected = f"time_s (seconds) or time (ISO 8601 with offset){FROM_ELSEWHERE}"
        self._fault(0, f"no time among the columns {_listed(titles)}", expected)
        return None

    def _columns(self, titles: list[str]) -> list[_Column]:
        columns: list[_Column] = []
        for index, title in enumerate(titles):
            channel, mark, unit = title.rpartition("_")
            if mark and channel and unit in ("C", "F"):
                columns.append(_Column(channel, unit, index, title))
                continue
            if almost := _ALMOST_A_CHANNEL.fullmatch(title):
                units = {"C": "C", "F": "F"}.get(almost["unit"].upper(), "CF")
                names = " or ".join(f"{almost['channel']}_{unit}" for unit in units)
                self._fault(0, f"a column named {title}", names)
        if not columns and not self.faults:
            self._fault(0, f"no temperature among the columns {_listed(titles)}", EXPECTED_COLUMN)
        channels = [column.channel for column in columns]
        for name in dict.fromkeys(channels):
            if channels.count(name) > 1:
                twice = [column.title for column in columns if column.channel == name]
                self._fault(0, f"channel {name} more than once ({_listed(twice)})", "each channel in one column")
        return columns

    def _judge_channel(self, columns: list[_Column], channel: str | None) -> None:
        names = list(dict.fromkeys(column.channel for column in columns))
        if channel is None and len(names) > 1:
            one = f'channel = "{names[0]}"'
            self._fault(0, f"the channels {_listed(names)} and none chosen", f"one of them, on the sheet: {one}")
        if channel is not None and names and channel not in names:
            have = f"the channels {_listed(names)}" if len(names) > 1 else f"only the channel {names[0]}"
            self._fault(0, have, f"one named {channel}, as the sheet asks")

    def _even_rows(self, rows: list[list[str]], lines: list[int], width: int) -> list[list[str]]:
        """Columns of the rows that have as many cells as the header; the others are faults."""
        for row, line in zip(rows, lines, strict=True):
            if len(row) != width:
                cells = "1 cell" if len(row) == 1 else f"{len(row)} cells"
                self._fault(line, cells, f"{width}, as in the header")
        even = [row for row in rows if len(row) == width] if self.faults else rows
        return [list(column) for column in zip(*even, strict=True)]

    def _numbers(
        self, cells: list[str], lines: list[int], title: str, expected: str, blank_allowed: bool = True
    ) -> FloatArray:
        """A column of finite numbers; NaN where a blank is allowed (or a fault was found)."""
        try:
            numbers = np.array(list(map(_number, cells)))
        except ValueError:
            numbers = np.array([_number(cell) if _is_number(cell) else np.nan for cell in cells])
        for i in np.flatnonzero(~np.isfinite(numbers)):
            cell = cells[i].strip()
            if cell not in _MISSING:
                self._fault(lines[i], f'"{cell}"', expected, title)
            elif not blank_allowed:
                self._fault(lines[i], f'"{cell}"' if cell else "nothing", expected, title)
        return np.where(np.isfinite(numbers), numbers, np.nan)

    def _temperatures(self, column: _Column, cells: list[str], lines: list[int]) -> FloatArray:
        written = self._numbers(cells, lines, column.title, "a temperature, or nothing where there was no reading")
        to_kelvin, from_kelvin = {
            "C": (kelvin_from_celsius, celsius_from_kelvin),
            "F": (kelvin_from_fahrenheit, fahrenheit_from_kelvin),
        }[column.unit]
        temperature_K = to_kelvin(written)
        lowest = TEMPERATURE.lowest or 0.0
        for i in np.flatnonzero((temperature_K < lowest) | (temperature_K > HOTTEST_K)):
            span = f"{from_kelvin(lowest):.2f} to {from_kelvin(HOTTEST_K):.0f} {column.unit}"
            expected = f"a temperature of {span}, or nothing where there was no reading"
            self._fault(lines[i], f"{cells[i].strip()} {column.unit}", expected, column.title)
        return temperature_K

    def _dates(self, cells: list[str], lines: list[int]) -> FloatArray:
        """Seconds since 1970 UTC; NaN where a cell is not a date with an offset."""
        utc_s = np.full(len(cells), np.nan)
        for i, cell in enumerate(cells):
            try:
                moment = datetime.fromisoformat(cell.strip())
            except ValueError:
                self._fault(lines[i], f'"{cell.strip()}"' if cell.strip() else "nothing", EXPECTED_TIME, "time")
                continue
            if moment.tzinfo is None:
                self._fault(lines[i], f'"{cell.strip()}" without an offset', EXPECTED_TIME, "time")
                continue
            utc_s[i] = (moment - _EPOCH).total_seconds()
        return utc_s

    def _judge_order(self, cells: list[str], time_s: FloatArray, lines: list[int]) -> None:
        timed = np.flatnonzero(np.isfinite(time_s))
        for step in np.flatnonzero(np.diff(time_s[timed]) <= 0.0):
            i, before = timed[step + 1], timed[step]
            found = f"time {cells[i].strip()} after {cells[before].strip()} on line {lines[before]}"
            self._fault(lines[i], found, "times that increase")
        span_s = time_s[timed[-1]] - time_s[timed[0]] if timed.size else 0.0
        if span_s > LONGEST_S:
            found = f"{span_s / SECONDS_PER_DAY:.4g} days from the first row to the last"
            expected = f"one heat, {LONGEST_S / SECONDS_PER_DAY:.0f} days at most, with time_s in seconds"
            self._fault(0, f"{found}", expected)


_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def _start(dates: list[str], time_s: FloatArray) -> float | None:
    """Wall clock at run time 0 [s since 1970 UTC] from the first row's date, where it has a usable one."""
    try:
        moment = datetime.fromisoformat(dates[0].strip())
    except ValueError:
        return None
    return None if moment.tzinfo is None else float((moment - _EPOCH).total_seconds() - time_s[0])


def _number(cell: str) -> float:
    """A cell as a number; a blank one is NaN."""
    try:
        return float(cell)
    except ValueError:
        if cell and not cell.isspace():
            raise
        return np.nan


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


def _listed(names: list[str]) -> str:
    return ", ".join(name or '""' for name in names)
