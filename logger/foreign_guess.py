"""A proposal of how a foreign log is laid out: parting sign, decimal sign, header, dates, units; and what is doubtful.

Nothing guessed here counts by itself. Whoever brings the file sees what the proposal makes of it and says yes, or
writes the mapping down and corrects it.
"""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import Final

from logger.errors import Fault, InputFault
from logger.foreign_log import (
    CLOCK,
    SPREADSHEET_DAYS,
    WORDS_FOR_UNITS,
    ChannelMapping,
    Mapping,
    cells_of,
    clock_s,
    naive,
    number_of,
)
from logger.units import TemperatureUnit

DELIMITERS: Final = (";", "\t", "|", ",", "space")
DELIMITER_WORDS: Final = {";": "semicolons", "\t": "tabs", "|": "bars", ",": "commas", "space": "spaces"}

_DAYS: Final = (
    "%d.%m.%Y",
    "%d.%m.%y",
    "%d/%m/%Y",
    "%m/%d/%Y",
    "%d/%m/%y",
    "%m/%d/%y",
    "%Y/%m/%d",
    "%Y-%m-%d",
    "%Y.%m.%d",
)
_DAYS_IN_WORDS: Final = ("%d-%m-%Y", "%m-%d-%Y", "%d-%b-%Y", "%d-%b-%y", "%d %b %Y", "%b %d %Y", "%b %d, %Y", "%Y%m%d")
_CLOCKS: Final = ("%H:%M:%S", "%H:%M:%S.%f", "%H:%M", "%I:%M:%S %p", "%I:%M %p", "%H.%M.%S", "%H%M%S")
DATE_FORMATS: Final = tuple(
    f"{day}{gap}{clock}" for day in _DAYS + _DAYS_IN_WORDS for clock in _CLOCKS for gap in (" ", "T", ", ")
)
"""Ways dates are written; those with day and month the other way round stand next to each other."""

SWAPPED: Final = {"%d/%m": "%m/%d", "%d.%m": "%m.%d", "%d-%m": "%m-%d"}

_UNIT: Final = re.compile(
    r"(?:°|º|deg(?:rees)?\.?\s*|[\s_(\[/])\s*([CF])(?:elsius|ahrenheit|el)?\b|^([CF])$|(celsius|fahrenheit)",
    re.IGNORECASE,
)
_CELL_UNIT: Final = re.compile(r"\d\s*(?:°|º|deg)?\s*([CFcf])\s*$")
_NO_TEMPERATURE: Final = re.compile(
    r"%|\bout(put)?\b|power|duty|volt|amp|humid|\bno\.?$|index|record|sample|count|alarm|status|segment", re.IGNORECASE
)
_SET_POINT: Final = re.compile(r"set\s*-?_?\s*point|\bsp\b|\bsv\b|target|soll", re.IGNORECASE)
_TIME_WORD: Final = re.compile(
    r"time|date|clock|zeit|datum|heure|hora|elapsed|sec|min|hour|^t$|\bh\b|\bs\b", re.IGNORECASE
)
_TIME_UNITS: Final = (
    ("milliseconds", re.compile(r"\bms\b|milli", re.IGNORECASE)),
    ("minutes", re.compile(r"\bmin", re.IGNORECASE)),
    ("hours", re.compile(r"\bh(ours?|rs?)?\b|stunden", re.IGNORECASE)),
    ("seconds", re.compile(r"\bs(ec(onds?)?)?\b|_s$|sekunden", re.IGNORECASE)),
)

LOOKED_AT: Final = 4000
"""As many rows are looked at, spread over the file."""

ROOM_F: Final = (43.0, 108.0)
"""Where an oven that has stood cold begins in °F: 6 to 42 °C. In °C it begins lower."""


@dataclass(frozen=True, slots=True)
class Proposal:
    """A guessed mapping, the header's titles by column number, what was left out, and what is doubtful, in words."""

    mapping: Mapping
    titles: tuple[str, ...]
    left_out: tuple[str, ...]
    doubts: tuple[str, ...]


def propose(
    text: str,
    encoding: str = "utf-8",
    *,
    zone: str = "",
    day_first: bool | None = None,
    unit: TemperatureUnit | None = None,
) -> Proposal:
    """How a log seems to be laid out.

    Parameters
    ----------
    text : the whole file
    encoding : what it was decoded from
    zone : of dates without an offset: an IANA name, or an offset from UTC; "": not known
    day_first : whether the day comes before the month where both are possible; None: guessed
    unit : of the temperatures, where the file does not say; None: guessed

    Returns    Proposal
    Raises     InputFault    no table, no time or no temperature in it
    """
    lines = text.splitlines()
    delimiter, width = _delimiter(lines)
    table = [(number, cells_of(line, delimiter)) for number, line in enumerate(lines, start=1) if line.strip()]
    decimal = _decimal([cells for _, cells in table if len(cells) == width], delimiter)
    first = next((place for place, (_, cells) in enumerate(table) if _is_data(cells, width, decimal)), None)
    if first is None:
        raise InputFault(Fault("log", "no row with a time and a temperature", "a table of times and temperatures"))
    before = [cells for _, cells in table[:first] if len(cells) == width]
    titles = tuple(before[-1]) if before else ("",) * width
    rows = [cells for _, cells in table[first:] if len(cells) >= width]
    step = max(1, len(rows) // LOOKED_AT)
    columns = [[row[column] for row in rows[::step]] for column in range(width)]
    doubts: list[str] = []
    time_columns, time_format = _time(titles, columns, decimal, day_first, doubts)
    channels, left_out, missing = _channels(titles, columns, decimal, time_columns, unit, text[:4000], doubts)
    if not channels:
        listed = ", ".join(title or f"column {number}" for number, title in enumerate(titles, start=1))
        raise InputFault(Fault("log", f"no temperature among {listed}", "at least one column of temperatures"))
    if zone == "" and time_format not in (*WORDS_FOR_UNITS, CLOCK) and not time_format.startswith("unix"):
        offset = time_format.endswith("%z") or (
            time_format == "ISO 8601" and _has_offset(columns[time_columns[0] - 1][0])
        )
        if not offset:
            doubts.append("dates without a time zone: say --zone, or only the time since the first row is kept")
    mapping = Mapping(
        delimiter=delimiter,
        decimal=decimal,
        first_row=table[first][0],
        time_columns=time_columns,
        time_format=time_format,
        channels=channels,
        zone=zone,
        missing=missing,
        encoding=encoding,
    )
    return Proposal(mapping, titles, left_out, tuple(doubts))


def _delimiter(lines: Sequence[str]) -> tuple[str, int]:
    """The sign that parts the most lines into the same number of columns, and that number."""
    sample = [line for line in lines if line.strip()]
    tail = sample[len(sample) // 5 :][:LOOKED_AT] or sample
    # Titles and remarks at the top may be parted otherwise, or hold spaces: rows of numbers have more digits.
    tail = [line for line in tail if sum(map(str.isdigit, line)) > sum(map(str.isalpha, line))] or tail
    best: tuple[float, int, int] | None = None
    chosen, width = ",", 1
    for order, delimiter in enumerate(DELIMITERS):
        counts = Counter(len(cells_of(line, delimiter)) for line in tail)
        columns, share = counts.most_common(1)[0]
        if columns < 2:
            continue
        score = (round(share / len(tail), 2), -order, columns)
        if best is None or score > best:
            best, chosen, width = score, delimiter, columns
    if best is None:
        raise InputFault(Fault("log", "one column only", "columns parted by commas, semicolons, tabs, bars or spaces"))
    return chosen, width


def _decimal(rows: Sequence[Sequence[str]], delimiter: str) -> str:
    """The decimal sign: a comma where numbers with one comma are frequent and none have a point."""
    if delimiter == ",":
        quoted = sum(bool(re.fullmatch(r"[+-]?\d+,\d{1,2}|[+-]?\d+,\d{4,}", cell)) for row in rows for cell in row)
        return "," if quoted > len(rows) // 2 else "."
    commas = points = 0
    for row in rows[:LOOKED_AT]:
        for cell in row:
            bare = re.sub(r"\s*(?:°|º|deg)?\s*[CFcf]$", "", cell)
            commas += bool(re.fullmatch(r"[+-]?(\d{1,3}(\.\d{3})*|\d+),\d+", bare))
            points += bool(re.fullmatch(r"[+-]?(\d{1,3}(,\d{3})*|\d+)\.\d+", bare))
    return "," if commas > points else "."


def _number(cell: str, decimal: str) -> float | None:
    try:
        return number_of(cell, decimal)
    except ValueError:
        return None


def _is_data(cells: Sequence[str], width: int, decimal: str) -> bool:
    """Whether a row holds readings: as many cells as most, and most of them begin with a digit."""
    if len(cells) < width:
        return False
    filled = [cell for cell in cells if cell]
    return bool(filled) and 2 * sum(bool(re.match(r"[+-]?[.,]?\d", cell)) for cell in filled) > len(filled)


def _time(
    titles: Sequence[str], columns: Sequence[Sequence[str]], decimal: str, day_first: bool | None, doubts: list[str]
) -> tuple[tuple[int, ...], str]:
    """The columns that say when, and how it is written."""
    for number, cells in enumerate(columns, start=1):
        form = _date_format(cells, day_first, doubts)
        if form is not None:
            return (number,), form
    for number in range(1, len(columns)):
        both = [f"{day} {clock}" for day, clock in zip(columns[number - 1], columns[number], strict=True)]
        form = _date_format(both, day_first, doubts)
        if form is not None:
            return (number, number + 1), form
    for number, cells in enumerate(columns, start=1):
        if _all(cells, clock_s):
            return (number,), CLOCK
    return _counted(titles, columns, decimal, doubts)


def _counted(
    titles: Sequence[str], columns: Sequence[Sequence[str]], decimal: str, doubts: list[str]
) -> tuple[tuple[int, ...], str]:
    """A column of numbers that only ever go up, and their unit."""
    rising = []
    for number, cells in enumerate(columns, start=1):
        numbers = [_number(cell, decimal) for cell in cells]
        known = [value for value in numbers if value is not None]
        if len(known) == len(numbers) and len(known) > 1 and all(b >= a for a, b in pairwise(known)):
            if known[-1] > known[0]:
                rising.append((number, known))
        elif len(known) == len(numbers) == 1:
            rising.append((number, known))
    if not rising:
        raise InputFault(Fault("log", "no column that says when", "dates, times of day, or a count that goes up"))
    named = [one for one in rising if _TIME_WORD.search(titles[one[0] - 1])]
    number, known = (named or rising)[0]
    title = titles[number - 1]
    if 20_000.0 < known[0] < 80_000.0 and known[-1] - known[0] < 60.0 and any(value % 1.0 for value in known):
        return (number,), SPREADSHEET_DAYS
    if known[0] > 1e11:
        return (number,), "unix milliseconds"
    if known[0] > 4e8:
        return (number,), "unix seconds"
    for unit, pattern in _TIME_UNITS:
        if pattern.search(title.replace("_", " ").replace("(", " ")) or pattern.search(title):
            return (number,), unit
    doubts.append(f"the time in column {number} is taken as seconds: nothing says so")
    return (number,), "seconds"


def _all(cells: Sequence[str], read: object) -> bool:
    assert callable(read)
    try:
        for cell in cells:
            read(cell)
    except ValueError:
        return False
    return bool(cells)


def _has_offset(cell: str) -> bool:
    try:
        return datetime.fromisoformat(cell).tzinfo is not None
    except ValueError:
        return False


def _date_format(cells: Sequence[str], day_first: bool | None, doubts: list[str]) -> str | None:
    """How dates are written, None where these are none."""
    first = cells[0] if cells else ""
    if not re.search(r"\d", first) or len(first) < 8:
        return None
    if re.match(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d", first) and _all(cells, datetime.fromisoformat):
        return "ISO 8601"
    fitting = [
        form for form in DATE_FORMATS if _fits(first, form) and _all(cells, lambda cell, form=form: naive(cell, form))
    ]
    if not fitting:
        return None
    form = fitting[0]
    other = next((swapped for swapped in fitting[1:] if _swapped(form) == swapped), None)
    if other is None:
        return form
    pair = sorted((form, other), key=lambda one: one.index("%m"))  # month first, day first
    month, day = pair
    if day_first is not None:
        return day if day_first else month
    spans = {one: _span_s([naive(cell, one) for cell in cells]) for one in pair}
    if spans[day] != spans[month]:
        return min(pair, key=lambda one: spans[one])
    doubts.append(f"{first}: day or month first is not to be told; taken as day first (say --month-first if it is not)")
    return day


def _fits(cell: str, form: str) -> bool:
    try:
        naive(cell, form)
    except ValueError:
        return False
    return True


def _swapped(form: str) -> str:
    for one, other in SWAPPED.items():
        if one in form:
            return form.replace(one, other)
        if other in form:
            return form.replace(other, one)
    return form


def _span_s(dates: Sequence[datetime]) -> float:
    """How far dates are apart from the first to the last, going backwards counted heavily [s]."""
    steps = [(later - earlier).total_seconds() for earlier, later in pairwise(dates)]
    return sum(abs(step) * (100.0 if step < 0.0 else 1.0) for step in steps)


def _channels(
    titles: Sequence[str],
    columns: Sequence[Sequence[str]],
    decimal: str,
    time_columns: tuple[int, ...],
    stated: TemperatureUnit | None,
    beginning: str,
    doubts: list[str],
) -> tuple[tuple[ChannelMapping, ...], tuple[str, ...], tuple[str, ...]]:
    """The temperature columns, what was left out, and the texts that stand for no reading."""
    found: list[ChannelMapping] = []
    left_out: list[str] = []
    missing: dict[str, None] = {}
    for number, cells in enumerate(columns, start=1):
        title = titles[number - 1]
        if number in time_columns:
            continue
        numbers = [_number(cell, decimal) for cell in cells]
        known = [value for value in numbers if value is not None]
        texts = [cell for cell, value in zip(cells, numbers, strict=True) if value is None and cell]
        shown = title or f"column {number}"
        if len(known) < max(1, len(cells) // 5) or len(set(texts)) > 6:
            left_out.append(f"{shown}: no numbers")
        elif _SET_POINT.search(title):
            left_out.append(f"{shown}: a set point, not a temperature that was measured")
        elif _NO_TEMPERATURE.search(title):
            left_out.append(f"{shown}: no temperature by its title")
        elif _counts_up(known) and not _unit_in(title):
            left_out.append(f"{shown}: counts up by one")
        elif not _hot_enough(known) and not _unit_in(title):
            left_out.append(f"{shown}: never as hot as an oven")
        else:
            unit = _unit(title, cells, known, stated, beginning, shown, doubts)
            name = _name(title, number, {one.name for one in found})
            found.append(ChannelMapping(number, name, unit))
            missing.update(dict.fromkeys(texts))
    return tuple(found), tuple(left_out), tuple(missing)


def _counts_up(known: Sequence[float]) -> bool:
    return len(known) > 2 and all(later - earlier == 1.0 for earlier, later in pairwise(known))


def _hot_enough(known: Sequence[float]) -> bool:
    """Whether the values may be an oven's: they change, and get past what a room is; or there are too few to say."""
    return len(known) < 5 or max(known) > 60.0


def _unit_in(title: str) -> TemperatureUnit | None:
    found = _UNIT.search(title)
    if not found:
        return None
    return "C" if next(group for group in found.groups() if group)[0].upper() == "C" else "F"


def _unit(
    title: str,
    cells: Sequence[str],
    known: Sequence[float],
    stated: TemperatureUnit | None,
    beginning: str,
    shown: str,
    doubts: list[str],
) -> TemperatureUnit:
    """The unit of a column: as its title, its cells or the head of the file say; else from how cold it begins."""
    said = _unit_in(title)
    if said is not None:
        return said
    units = {found[1].upper() for cell in cells if (found := _CELL_UNIT.search(cell))}
    if len(units) == 1:
        return "C" if units == {"C"} else "F"
    if stated is not None:
        return stated
    words = {
        found.lower()[0]
        for found in re.findall(r"celsius|fahrenheit|°\s*[CF]\b", beginning, re.IGNORECASE)
        if found[0] != "°"
    }
    words |= {found.lower() for found in re.findall(r"°\s*([CF])\b", beginning, re.IGNORECASE)}
    if len(words) == 1:
        return "C" if words == {"c"} else "F"
    start = min(known[:5])
    guess: TemperatureUnit = "F" if ROOM_F[0] <= start <= ROOM_F[1] else "C"
    doubts.append(
        f"{shown}: nothing says °C or °F; taken as °{guess} as it begins at {start:g} (say --unit if it is not)"
    )
    return guess


def _name(title: str, number: int, taken: set[str]) -> str:
    """A channel's name out of a title: without its unit, without signs that have a meaning elsewhere."""
    bare = _UNIT.sub(" ", title)
    bare = re.sub(r"[^\w \-]+", " ", bare).replace("_", " ")
    name = " ".join(bare.split()).strip(" -") or f"channel {number}"
    name = name[:40].strip().lower() if name.isupper() else name[:40].strip()
    while name in taken:
        name = f"{name} {number}"
    return name
