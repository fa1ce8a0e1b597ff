"""TOML files a person writes -> checked tables, with every fault told at once by file, line and key.

A schema is a tree of `Table` classes (pydantic). Every key in it is optional: what must be there is asked for
afterwards with `Document.require`, so that one missing key never hides another fault. Each fault is told in this
project's words; what pydantic says is only used to know where and what kind.
"""

import difflib
import re
from collections.abc import Iterable, Iterator, Mapping
from copy import deepcopy
from dataclasses import dataclass, field
from datetime import date, datetime, time
from enum import StrEnum
from functools import cache
from math import nan
from pathlib import Path
from typing import Annotated, Any, TypeVar, cast, get_args

from pydantic import BaseModel, BeforeValidator, ConfigDict, GetCoreSchemaHandler, ValidationError, model_validator
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from logger.errors import Fault, InputFault
from logger.input_file import read_text
from logger.quantities import Dimension, Written
from logger.toml_text import KeyPath, lines_of_keys, parse_toml


@dataclass(frozen=True, slots=True)
class Stem:
    """What the keys of a quantity begin with, where that is not the field's own name; and further whole keys."""

    stem: str
    also: Mapping[str, str] = field(default_factory=dict)  # key -> unit


@dataclass(frozen=True, slots=True)
class Given:
    """A quantity as the file gives it: under which key (or keys, a fault), with which unit in the key."""

    key: str
    unit: str | None
    raw: object
    again: str = ""


UNKNOWN = Given("", None, None)
"""A quantity whose fault is already noted: it is read as NaN, so that nothing is concluded from it."""


def unfit(expected: str, found: str = "") -> PydanticCustomError:
    """The error a validator raises: what was expected, and what was found where that is not the value itself."""
    return PydanticCustomError("unfit", "{expected}", {"expected": expected, "found": found})


@dataclass(frozen=True, slots=True)
class Measure:
    """Marks a quantity: its key ends in a unit (``thickness_mm``), or its text names one (``thickness = "6 mm"``)."""

    dimension: Dimension

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(self.read)

    def read(self, given: object) -> Written:
        """The quantity under its key.

        Raises   PydanticCustomError    not such a quantity, or given twice
        """
        if given is UNKNOWN:
            return Written(nan, "")
        if not isinstance(given, Given):
            raise unfit(self.dimension.expected)
        if given.again:
            raise unfit("one of them", f"{given.key} and {given.again} together")
        try:
            return self.dimension.read(given.raw, given.unit)
        except ValueError as problem:
            without = " without a unit" if given.unit is None and _is_number(given.raw) else ""
            raise unfit(str(problem), f"{shown(given.raw)}{without}") from None


def _is_number(raw: object) -> bool:
    return isinstance(raw, int | float) and not isinstance(raw, bool)


def _read_text(raw: object) -> str:
    if not isinstance(raw, str):
        raise unfit("text in quotation marks")
    return raw


def _read_name(raw: object) -> str:
    if not isinstance(raw, str) or not raw.strip():
        raise unfit("a name in quotation marks")
    return raw.strip()


def _read_number(raw: object) -> float:
    if not _is_number(raw) or not abs(cast(float, raw)) < 1e300:
        raise unfit("a number")
    return float(cast(float, raw))


def _read_whole(raw: object) -> int:
    if isinstance(raw, bool) or not isinstance(raw, int):
        raise unfit("a whole number")
    return raw


def _read_switch(raw: object) -> bool:
    if not isinstance(raw, bool):
        raise unfit("true or false")
    return raw


def _read_day(raw: object) -> str:
    """A day as ISO 8601 text, from a TOML date or from text."""
    try:
        if isinstance(raw, date) and not isinstance(raw, datetime):
            return raw.isoformat()
        return date.fromisoformat(cast(str, raw)).isoformat()
    except (TypeError, ValueError):
        raise unfit("a day such as 2026-01-15") from None


def _read_three(raw: object) -> tuple[float, float, float]:
    if not isinstance(raw, list) or len(raw) != 3 or not all(_is_number(one) and abs(one) < 1e300 for one in raw):
        found = f"a list of {len(raw)}" if isinstance(raw, list) and len(raw) != 3 else ""
        raise unfit("a list of three numbers", found)
    first, second, third = (float(one) for one in raw)
    return first, second, third


Text = Annotated[str, BeforeValidator(_read_text)]
Name = Annotated[str, BeforeValidator(_read_name)]
Number = Annotated[float, BeforeValidator(_read_number)]
Whole = Annotated[int, BeforeValidator(_read_whole)]
Three = Annotated[tuple[float, float, float], BeforeValidator(_read_three)]
Switch = Annotated[bool, BeforeValidator(_read_switch)]
Day = Annotated[str, BeforeValidator(_read_day)]


def one_of(choices: Iterable[str]) -> BeforeValidator:
    """Validator for text that is one of a few; the message lists them."""
    allowed = tuple(choices)
    expected = either([f'"{choice}"' for choice in allowed])

    def read(raw: object) -> str:
        if not isinstance(raw, str) or raw not in allowed:
            raise unfit(expected)
        return raw

    return BeforeValidator(read)


def one_kind_of(kinds: type[StrEnum]) -> BeforeValidator:
    """Validator for text that is a value of an enumeration; the message lists them."""
    expected = either([f'"{kind.value}"' for kind in kinds])

    def read(raw: object) -> StrEnum:
        try:
            return kinds(cast(str, raw))
        except ValueError:
            raise unfit(expected) from None

    return BeforeValidator(read)


def either(names: list[str]) -> str:
    """Names as a choice: ``a``, ``a or b``, ``a, b or c``."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} or {names[-1]}"


class Table(BaseModel):
    """One table of a file; a subclass lists its keys. Quantities are fields of `Written` marked by a `Measure`."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, arbitrary_types_allowed=True)

    @classmethod
    @cache
    def keys(cls) -> dict[str, tuple[str, str | None]]:
        """Every key this table may hold -> its field and, for a quantity, the unit the key names."""
        keys: dict[str, tuple[str, str | None]] = {}
        for name, info in cls.model_fields.items():
            measure = cls.measure(name)
            stem = next((mark for mark in info.metadata if isinstance(mark, Stem)), Stem(name))
            if measure is None:
                keys[stem.stem] = (name, None)
                continue
            for unit in measure.dimension.scales:
                keys[f"{stem.stem}_{unit}"] = (name, unit)
            keys[stem.stem] = (name, None)
            keys.update({key: (name, unit) for key, unit in stem.also.items()})
        return keys

    @classmethod
    def measure(cls, name: str) -> Measure | None:
        """What marks a field as a quantity, None for other fields."""
        info = cls.model_fields.get(name)
        return next((mark for mark in info.metadata if isinstance(mark, Measure)), None) if info else None

    @classmethod
    def inner(cls, name: str) -> "type[Table] | None":
        """The class of the table (or tables) in a field, None for other fields."""
        info = cls.model_fields.get(name)
        return next(_tables_in(info.annotation), None) if info is not None else None

    @model_validator(mode="before")
    @classmethod
    def _gather(cls, table: object) -> object:
        if not isinstance(table, dict):
            return table
        gathered: dict[str, object] = {}
        keys = cls.keys()
        for key, raw in table.items():
            name, unit = keys.get(key, (key, None))
            if raw is UNKNOWN or key not in keys or cls.measure(name) is None:
                gathered[name] = raw
            elif isinstance(before := gathered.get(name), Given):
                gathered[name] = Given(before.key, before.unit, before.raw, again=key)
            else:
                gathered[name] = Given(key, unit, raw)
        return gathered


AnyTable = TypeVar("AnyTable", bound=Table)


def _tables_in(annotation: object) -> Iterator[type[Table]]:
    if isinstance(annotation, type) and issubclass(annotation, Table):
        yield annotation
    for inner in get_args(annotation):
        yield from _tables_in(inner)


def shown(raw: object) -> str:
    """A value of a TOML file as it may stand in a message."""
    if isinstance(raw, bool):
        return "true" if raw else "false"
    if isinstance(raw, str):
        return f'"{raw}"' if len(raw) <= 40 and raw.isprintable() else f'"{raw[:40]!s}..."'.replace("\n", " ")
    if isinstance(raw, int | float):
        return repr(raw) if isinstance(raw, float) or abs(raw) < 10**30 else "a number of many digits"
    if isinstance(raw, dict):
        return "a table"
    if isinstance(raw, list):
        return "a list"
    return "a date or time" if isinstance(raw, date | datetime | time) else "nothing"


def _location(error: Mapping[str, Any]) -> KeyPath:
    return tuple(step for step in error["loc"] if step != "[key]")


class Document:
    """One TOML file being read: its content, where each key stands, and the faults found so far."""

    def __init__(self, path: Path, content: dict[str, Any], text: str, root: type[Table]) -> None:
        self.path, self.content, self.root = path, content, root
        self._lines = lines_of_keys(text)
        self._faults: list[tuple[int, Fault]] = []
        self._removed: set[KeyPath] = set()
        self._noted: set[KeyPath] = set()

    def table(self) -> Table:
        """The file as its root table; keys with faults are left out of it (and remembered as faulty)."""
        sound = deepcopy(self.content)
        while True:
            try:
                return self.root.model_validate(sound)
            except ValidationError as refusal:
                errors = [cast(Mapping[str, Any], error) for error in refusal.errors(include_url=False)]
                for error in errors:
                    self._tell(error)
                for error in reversed(errors):  # last first, so that positions in lists stay true
                    self._take_out(_location(error), sound)

    def fault(self, path: KeyPath, found: str, expected: str) -> None:
        """Note a fault at a path of field names and list positions: one for each path, none within a removed one."""
        if path not in self._noted and not any(path[: len(removed)] == removed for removed in self._removed):
            self._noted.add(path)
            self._note(self._keys_at(path), found, expected)

    def pass_over(self, path: KeyPath) -> None:
        """From now on take no fault at a path or within it: it cannot be judged without something that is missing."""
        self._removed.add(path)

    def is_sound(self) -> bool:
        """Whether no fault has been noted so far."""
        return not self._faults

    def refuse_faults(self) -> None:
        """Raise every fault noted, in the order of the file.

        Raises     InputFault    if there is one
        """
        if self._faults:
            raise InputFault(fault for _, fault in sorted(self._faults, key=lambda each: each[0]))

    def _note(self, keys: KeyPath, found: str, expected: str) -> None:
        around = [keys[:n] for n in range(len(keys), 0, -1)]
        places = [place for path in around for place in (path, (*path, 0))]  # a list stands where its first table does
        line = next((self._lines[place] for place in places if place in self._lines), 0)
        where = f"{self.path}, line {line}" if line else str(self.path)
        self._faults.append((line, Fault(f"{where}: {dotted(keys)}" if keys else where, found, expected)))

    def _tell(self, error: Mapping[str, Any]) -> None:
        """Note one of pydantic's errors in our words."""
        location, kind, context = _location(error), error["type"], error.get("ctx", {})
        raw = error["input"].raw if isinstance(error["input"], Given) else error["input"]
        if kind == "extra_forbidden":
            self._note((*self._keys_at(location[:-1]), location[-1]), "an unknown key", self._nearest(location))
            return
        header = dotted(self._keys_at(location), bare=True)
        if kind == "unfit":
            found = context["found"] or ("an unknown key" if "[key]" in error["loc"] else shown(raw))
            self.fault(location, found, context["expected"])
        elif kind == "list_type":
            self.fault(
                location, shown(raw), f"one or more tables [[{header}]]" if self._holds_tables(location) else "a list"
            )
        elif kind in ("model_type", "model_attributes_type", "dict_type"):
            in_list = location and isinstance(location[-1], int)
            self.fault(location, shown(raw), f"a table [[{header}]]" if in_list else f"a table [{header}]")
        else:
            raise AssertionError(f"a schema type without words of its own: {kind}")
        self._removed.add(location)

    def _holds_tables(self, location: KeyPath) -> bool:
        """Whether the list (or the item of one) at a location is one of tables."""
        names = [step for step in location if isinstance(step, str)]
        above = self._kind_at(location[: location.index(names[-1])])
        return above is not None and above.inner(names[-1]) is not None

    def _take_out(self, location: KeyPath, sound: dict[str, Any]) -> None:
        """Remove what is at fault; a quantity, or one whose key is misspelt, becomes `UNKNOWN`."""
        table: Any = sound
        kind: type[Table] | None = self.root
        for step in location[:-1]:
            if isinstance(step, int):
                table = table[step]
                continue
            key = next((key for key in table if _field_of(kind, key) == step), step)
            table, kind = table[key], kind.inner(step) if kind else None
        last = location[-1]
        if isinstance(last, int):
            table[last : last + 1] = [{}] if self._holds_tables(location) else []
            return
        for key in [key for key in table if _field_of(kind, key) == last]:
            del table[key]
        if kind is None:
            return
        meant = _field_of(kind, closest(last, list(kind.keys())) or last)
        if any(_field_of(kind, key) == meant for key in table):
            return
        self._removed.add((*location[:-1], meant))
        if kind.measure(meant) is not None:
            table[meant] = UNKNOWN

    def _kind_at(self, path: KeyPath) -> type[Table] | None:
        kind: type[Table] | None = self.root
        for step in path:
            if isinstance(step, str) and kind is not None:
                kind = kind.inner(step)
        return kind

    def _keys_at(self, path: KeyPath) -> KeyPath:
        """A path of field names as the keys the file has there, or would have."""
        keys: list[str | int] = []
        table: Any = self.content
        kind: type[Table] | None = self.root
        for step in path:
            if isinstance(step, int):
                keys.append(step)
                table = table[step] if isinstance(table, list) and step < len(table) else None
                continue
            here = [key for key in table if _field_of(kind, key) == step] if isinstance(table, dict) else []
            usual = [key for key, (name, _) in kind.keys().items() if name == step] if kind else []
            key = next(iter([*here, *usual]), step)
            keys.append(key)
            table = table.get(key) if isinstance(table, dict) else None
            kind = kind.inner(step) if kind else None
        return tuple(keys)

    def _nearest(self, location: KeyPath) -> str:
        kind = self._kind_at(location[:-1])
        if kind is None:
            return "no such key"
        return closest(str(location[-1]), list(kind.keys())) or f"one of {', '.join(_usual_keys(kind))}"


def closest(word: str, known: list[str]) -> str | None:
    """The known word most like a mistaken one; None where none is like it."""
    by_small = {name.lower(): name for name in reversed(known)}
    close = difflib.get_close_matches(word.lower(), by_small, n=1, cutoff=0.7)
    return by_small[close[0]] if close else None


def _usual_keys(kind: type[Table]) -> list[str]:
    """One key for each field, the one in the first unit."""
    usual: dict[str, str] = {}
    for key, (name, _) in kind.keys().items():
        usual.setdefault(name, key)
    return list(usual.values())


def _field_of(kind: type[Table] | None, key: str) -> str:
    """The field a key of the file belongs to; a key that belongs to none stays itself."""
    return kind.keys().get(key, (key, None))[0] if kind else key


def dotted(keys: KeyPath, bare: bool = False) -> str:
    """Keys as a path: ``target[0].reach_mm``; ``bare`` leaves the positions out, as headers do."""
    text = ""
    for key in keys:
        if isinstance(key, int):
            text += "" if bare else f"[{key}]"
        else:
            text += f".{key}" if text else key
    return text


def path_of(where: str) -> KeyPath:
    """The inverse of `dotted`: ``target[0].reach`` -> ("target", 0, "reach")."""
    parts = re.findall(r"[^.\[\]]+|\[\d+\]", where)
    return tuple(int(part[1:-1]) if part.startswith("[") else part for part in parts)


def read_document(path: Path, root: type[Table], expected: str) -> Document:
    """A TOML file, parsed but not yet checked.

    Parameters
    ----------
    path : the file as the person named it
    root : schema of the whole file
    expected : what such a file is, for the message

    Returns    Document
    Raises     InputFault    the file cannot be read or is not TOML
    """
    return parse_document(path, read_text(path, expected), root, expected)


def parse_document(path: Path, text: str, root: type[Table], expected: str) -> Document:
    """A TOML text that was read from, or is to be called, ``path``: parsed but not yet checked; see `read_document`."""
    text = text.replace("\r\n", "\n")
    return Document(path, parse_toml(path, text, expected), text, root)
