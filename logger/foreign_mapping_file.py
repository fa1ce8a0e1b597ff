"""A mapping of a foreign log as a small TOML file: written by a guess, corrected by a person, read back."""

from pathlib import Path
from typing import Annotated

from pydantic import Field

from logger.errors import InputFault
from logger.foreign_log import CLOCK, SPREADSHEET_DAYS, UNIX, WORDS_FOR_UNITS, ChannelMapping, Mapping, zone_of
from logger.toml_file import Name, Table, Text, Whole, one_of, read_document

SPELLED = {"comma": ",", "semicolon": ";", "tab": "\t", "bar": "|", "space": "space"}
DECIMALS = {"point": ".", "comma": ","}
EXPECTED = "a mapping such as `soaktally translate LOG --write-mapping MAP.toml` writes"


class TimeTable(Table):
    """``[time]``: where the time stands and how it is written."""

    columns: list[Whole] = Field(default_factory=list)
    format: Text | None = None
    zone: Text = ""


class ChannelTable(Table):
    """``[[channel]]``: one temperature column."""

    column: Whole | None = None
    name: Name | None = None
    unit: Annotated[str, one_of(("C", "F"))] = "C"


class MappingFile(Table):
    """The whole file."""

    delimiter: Annotated[str, one_of(SPELLED)] = "comma"
    decimal: Annotated[str, one_of(DECIMALS)] = "point"
    encoding: Annotated[str, one_of(("utf-8", "utf-16", "cp1252"))] = "utf-8"
    first_row: Whole = 2
    missing: list[Text] = Field(default_factory=list)
    time: TimeTable | None = None
    channel: list[ChannelTable] = Field(default_factory=list)


def read_mapping(path: Path) -> Mapping:
    """The mapping in a file.

    Raises   InputFault    every fault in it at once
    """
    document = read_document(path, MappingFile, EXPECTED)
    file = document.table()
    assert isinstance(file, MappingFile)
    time = file.time or TimeTable()
    if not time.columns or len(time.columns) > 2 or min(time.columns) < 1:
        document.fault(
            ("time", "columns"), "no usable column", "one column, or date and time, counted from 1: [1] or [1, 2]"
        )
    if time.format is None:
        expected = f'a strptime pattern, "ISO 8601", "{CLOCK}", "{SPREADSHEET_DAYS}" or a unit such as "seconds"'
        document.fault(("time", "format"), "nothing", expected)
    if not file.channel:
        document.fault(("channel",), "nothing", "at least one [[channel]] with its column")
    names = [one.name or f"channel {one.column}" for one in file.channel]
    for number, one in enumerate(file.channel):
        if one.column is None or one.column < 1:
            document.fault(("channel", number, "column"), "nothing usable", "the number of its column, counted from 1")
        if names.count(names[number]) > 1 and names.index(names[number]) != number:
            document.fault(("channel", number, "name"), f'"{names[number]}" a second time', "a name of its own")
    try:
        zone_of(time.zone)
    except InputFault as fault:
        document.fault(("time", "zone"), fault.faults[0].found, fault.faults[0].expected)
    document.refuse_faults()
    return Mapping(
        delimiter=SPELLED[file.delimiter],
        decimal=DECIMALS[file.decimal],
        first_row=file.first_row,
        time_columns=tuple(time.columns),
        time_format=time.format or "",
        channels=tuple(
            ChannelMapping(one.column or 0, name, "F" if one.unit == "F" else "C")
            for one, name in zip(file.channel, names, strict=True)
        ),
        zone=time.zone,
        missing=tuple(file.missing),
        encoding=file.encoding,
    )


def mapping_text(mapping: Mapping) -> str:
    """The mapping as a file that `read_mapping` reads."""
    spelled = {sign: word for word, sign in SPELLED.items()}
    units = ", ".join([*WORDS_FOR_UNITS, *UNIX, CLOCK, SPREADSHEET_DAYS])
    lines = [
        "# How a foreign log is laid out: what `soaktally translate` guessed. Correct what is wrong.",
        f'delimiter = "{spelled[mapping.delimiter]}"          # {", ".join(SPELLED)}',
        f'decimal = "{"comma" if mapping.decimal == "," else "point"}"            # point, comma',
        f'encoding = "{mapping.encoding}"',
        f"first_row = {mapping.first_row}               # the first line with readings, counted from 1",
        f"missing = {_array(mapping.missing)}                # texts that stand for no reading",
        "",
        "[time]",
        "# one column, or date and time",
        f"columns = [{', '.join(str(column) for column in mapping.time_columns)}]",
        f"# a strptime pattern, ISO 8601, or: {units}",
        f"format = {_quoted(mapping.time_format)}",
        "# of dates without an offset, such as Europe/Vienna or +01:00; empty: only time since the first row",
        f"zone = {_quoted(mapping.zone)}",
    ]
    for one in mapping.channels:
        lines += ["", "[[channel]]", f"column = {one.column}", f"name = {_quoted(one.name)}", f'unit = "{one.unit}"']
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return (
        '"' + "".join(f"\\u{ord(sign):04x}" if ord(sign) < 32 or ord(sign) == 127 else sign for sign in escaped) + '"'
    )


def _array(texts: tuple[str, ...]) -> str:
    return "[" + ", ".join(_quoted(text) for text in texts) + "]"
