"""The text of a TOML file: what is wrong with it as TOML, in plain words, and the line each key stands on."""

import re
import tomllib
from pathlib import Path
from typing import Any, NoReturn

from logger.errors import Fault, InputFault

KeyPath = tuple[str | int, ...]


def parse_toml(path: Path, text: str, expected: str) -> dict[str, Any]:
    """The content of a TOML text.

    Parameters
    ----------
    path : the file it comes from, for messages
    text : its text
    expected : what such a file is, for messages

    Returns    nested dict
    Raises     InputFault    not TOML; line, column and what to do
    """
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as problem:
        _refuse_syntax(path, text, problem)
    except (ValueError, RecursionError):
        raise InputFault(Fault(str(path), "a number of too many digits or lists too deep in lists", expected)) from None


_PLACE = re.compile(r"(?P<what>.*?) \(at (?:line (?P<line>\d+), column (?P<column>\d+)|end of document)\)", re.DOTALL)

_SYNTAX: list[tuple[str, str, str]] = [
    (r"Expected '=' after a key", "a key without a value", "key = value"),
    (r"Invalid initial character|Invalid statement", "neither a key nor a [table]", "key = value, or a [table] header"),
    (r"Expected newline or end of document", "more after the value", 'one value; text and units in "quotation marks"'),
    (r"Invalid value", "a value that cannot be read", 'a number, true, false, or text in "quotation marks"'),
    (r"Illegal character '\\n'|Unterminated string|Expected \"'\"", "text without a closing quotation mark",
     "one at the end of the text"),
    (r"Unclosed array", "a list without its closing ]", "a ] at its end"),
    (r"Unclosed inline table", "a table without its closing }", "a } at its end, on the same line"),
    (r"Cannot overwrite|Duplicate inline table key|Cannot mutate", "a key given twice", "each key once"),
    (r"Cannot declare|Cannot redefine", "a table given twice", "each [table] once; [[table]] where there are several"),
    (r"Expected '\]' at the end of a table", "a [table] header without its closing ]", "[table]"),
    (r"Expected '\]\]' at the end of an array", "a [[table]] header without its closing ]]", "[[table]]"),
    (r"Unescaped '\\'", "a backslash in text", "a double one, or text in 'single quotation marks'"),
    (r"Illegal character|Found invalid character", "a character that may not stand here", "plain text"),
    (r"Invalid date", "a date or time that does not exist", "one such as 2026-03-01T18:30:00+01:00"),
]  # fmt: skip


def _refuse_syntax(path: Path, text: str, problem: tomllib.TOMLDecodeError) -> NoReturn:
    place = _PLACE.match(str(problem))
    what = place["what"] if place else str(problem)
    if place and place["line"]:
        line, column = int(place["line"]), int(place["column"])
    else:
        line, column = text.rstrip().count("\n") + 1, len(text.rstrip().rpartition("\n")[2]) + 1
    found, expected = "something that is not TOML", "key = value lines under [table] headers"
    for pattern, these, those in _SYNTAX:
        if re.search(pattern, what):
            found, expected = these, those
            break
    words = text.split("\n")[line - 1].strip() if line <= text.count("\n") + 1 else ""
    quoted = f" in: {words if len(words) <= 60 else words[:60] + '...'}" if words else ""
    raise InputFault(Fault(f"{path}, line {line}, column {column}", f"{found}{quoted}", expected)) from None


_HEADER = re.compile(r"\s*(\[\[?)(.*?)\]\]?\s*(?:#.*)?$")


def lines_of_keys(text: str) -> dict[KeyPath, int]:
    """The line each key and table of a sound TOML text begins on."""
    lines: dict[KeyPath, int] = {}
    counts: dict[KeyPath, int] = {}
    table: KeyPath = ()
    statement, begun = "", 0
    for number, line in enumerate(text.split("\n"), start=1):
        if not statement and (not line.strip() or line.lstrip().startswith("#")):
            continue
        if not statement and (header := _HEADER.match(line)) and _parse(f"{header[2]} = 0") is not None:
            table = _numbered(_first_path(_parse(f"{header[2]} = 0")), counts, one_more=header[1] == "[[")
            lines.setdefault(table, number)
            continue
        begun = begun or number
        statement += line + "\n"
        if (parsed := _parse(statement)) is not None:
            path = (*table, *_first_path(parsed))
            for depth in range(len(table) + 1, len(path) + 1):
                lines.setdefault(path[:depth], begun)
            statement, begun = "", 0
    return lines


def _parse(text: str) -> dict[str, Any] | None:
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError):
        return None


def _first_path(parsed: object) -> KeyPath:
    """The keys of a table of one key in one key ...: only as deep as the key itself was written, or its value."""
    keys: list[str | int] = []
    while isinstance(parsed, dict) and len(parsed) == 1:
        key, parsed = next(iter(parsed.items()))
        keys.append(key)
    return tuple(keys)


def _numbered(header: KeyPath, counts: dict[KeyPath, int], one_more: bool) -> KeyPath:
    """A header's path with the positions of the [[tables]] it lies in."""
    path: KeyPath = ()
    for depth, key in enumerate(header, start=1):
        path = (*path, key)
        if one_more and depth == len(header):
            counts[path] = counts.get(path, -1) + 1
        if path in counts:
            path = (*path, counts[path])
    return path
