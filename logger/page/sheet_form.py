"""The start form as a run sheet: what is filled in becomes the words of a SHEET.toml, and is checked as one.

The form knows no rule of its own. A plain number gets the unit beside its field as the ending of its key; anything
else goes in as it was typed ("1/4 in"), so that whatever a file may say the form may say too.
"""

import re
from dataclasses import dataclass
from typing import Any, Final, Literal

from logger.errors import Fault, InputFault
from logger.estimate import estimate
from logger.sheet import RunSheet
from logger.sheet_file import parse_sheet
from logger.sheet_parts import PACK_KINDS
from logger.steel.pack_recipes import PACK_RECIPES
from logger.units import DisplayUnits

SHEET_NAME: Final = "sheet"
LONGEST_SHEET: Final = 20_000

Kind = Literal["text", "length", "carbon", "time", "hardness", "number"]

ENDINGS: Final[dict[str, str]] = {"carbon": "_wt_pct", "time": "_h", "hardness": "_HRC"}


@dataclass(frozen=True, slots=True)
class Field:
    """One field: its name in the form, the table and key it becomes, and what is typed into it."""

    name: str
    table: str
    key: str
    kind: Kind
    label: str
    hint: str = ""
    choices: tuple[str, ...] = ()
    shown_for: str = ""


FIELDS: Final[tuple[Field, ...]] = (
    Field("name", "", "name", "text", "What to call the run", "Plane-iron straps"),
    Field("shape", "piece", "shape", "text", "Form of the piece", choices=("plate", "round")),
    Field("thickness", "piece", "thickness", "length", "Thickness", "6 or 1/4 in", shown_for="plate"),
    Field("diameter", "piece", "diameter", "length", "Diameter", "12 or 1/2 in", shown_for="round"),
    Field("carbon", "piece", "carbon", "carbon", "Carbon it starts with, wt%", "0.05"),
    Field("manganese", "piece", "Mn", "number", "Manganese, wt%", "0.05"),
    Field("silicon", "piece", "Si", "number", "Silicon, wt%", "0.10"),
    Field("iron_lot", "piece", "iron_lot", "text", "Where the iron is from", "barn-door strap"),
    Field("recipe", "pack", "recipe", "text", "Pack", choices=tuple(PACK_RECIPES), shown_for="carburize"),
    Field("pack_lot", "pack", "lot", "text", "Which batch of the pack", "autumn 2026", shown_for="carburize"),
    Field("sensor", "canister", "sensor", "text", "Thermocouple", choices=("oven", "inside")),
    Field("canister_shape", "canister", "shape", "text", "Form of the canister", choices=("tube", "box")),
    Field("outer", "canister", "outer", "length", "Canister across, outside", "60"),
    Field("wall", "canister", "wall", "length", "Wall of the canister", "2"),
    Field("pack_kind", "canister", "pack_kind", "text", "What fills the canister", choices=PACK_KINDS),
    Field("depth", "target", "reach", "length", "Case depth to reach", "0.8", shown_for="carburize"),
    Field("at_carbon", "target", "at_carbon", "carbon", "measured to wt% carbon", "0.40", shown_for="carburize"),
    Field("soak", "target", "reach", "time", "Time at heat inside, h", "2"),
    Field("hardness", "target", "reach", "hardness", "Hardness to reach, HRC", "61", shown_for="temper"),
    Field("channel", "", "channel", "text", "Thermocouple that judges the run", "only where there are several"),
)
BY_NAME: Final = {field.name: field for field in FIELDS}
PURPOSES: Final = ("carburize", "temper", "watch only")

_PLAIN_NUMBER = re.compile(r"[+-]?\d+(?:\.\d*)?|[+-]?\.\d+")


@dataclass(frozen=True, slots=True)
class CheckedSheet:
    """A sheet's words, what is wrong with them, and the field of the form each fault belongs to ("" where to none)."""

    text: str
    faults: tuple[tuple[str, Fault], ...]
    sheet: RunSheet | None

    def plain(self) -> dict[str, Any]:
        """As JSON."""
        return {
            "sheet_text": self.text,
            "sound": not self.faults,
            "faults": [
                {"field": field, "where": fault.where, "found": fault.found, "expected": fault.expected}
                for field, fault in self.faults
            ],
        }


def checked(text: str, name: str = SHEET_NAME) -> CheckedSheet:
    """A sheet's words judged exactly as the file would be."""
    try:
        sheet = parse_sheet(text, name)
        estimate.problem_from_sheet(sheet, members=0)
    except InputFault as refusal:
        return CheckedSheet(text, tuple((_field_of(fault), fault) for fault in refusal.faults), None)
    return CheckedSheet(text, (), sheet)


def sheet_text(filled: dict[str, str], units: DisplayUnits) -> str:
    """The words of a run sheet from a filled-in form.

    Parameters
    ----------
    filled : by field name, as typed; ``purpose`` is one of `PURPOSES`
    units : the units beside the fields

    Raises   InputFault   a field that is none
    """
    unknown = [name for name in filled if name not in BY_NAME and name != "purpose"]
    if unknown:
        raise InputFault(Fault(f"form, {unknown[0][:40]}", "an unknown field", f"one of {', '.join(BY_NAME)}"))
    purpose = filled.get("purpose", PURPOSES[0])
    if purpose not in PURPOSES:
        raise InputFault(Fault("form, purpose", f'"{purpose[:40]}"', " or ".join(PURPOSES)))
    given = {name: value.strip() for name, value in filled.items() if name != "purpose" and value.strip()}
    given = {name: value for name, value in given.items() if _belongs(BY_NAME[name], purpose, given)}
    lines = [_line(name, given, units) for name in ("name", "channel") if name in given]
    lines += ["", "[piece]", *_lines_of("piece", given, units)]
    alloy = [f"{element} = {_number_or_text(given[name])}" for name, element in _ALLOY if name in given]
    if alloy:
        lines.append(f"alloy_wt_pct = {{ {', '.join(alloy)} }}")
    if purpose == "carburize":
        lines += ["", "[pack]", *_lines_of("pack", given, units)]
    lines += ["", "[canister]", *_lines_of("canister", given, units)]
    if purpose == "temper":
        lines += ["", "[[stage]]", 'kind = "temper"']
    if "depth" in given or "at_carbon" in given:
        lines += ["", "[[target]]", 'quantity = "case depth"']
        lines += [_line(name, given, units) for name in ("at_carbon", "depth") if name in given]
    for name, quantity in (("soak", "soak time"), ("hardness", "hardness")):
        if name in given:
            lines += ["", "[[target]]", f'quantity = "{quantity}"', _line(name, given, units)]
    lines += ["", "[display]", f'temperature = "{units.temperature}"', f'length = "{units.length}"']
    return "\n".join(lines).strip() + "\n"


_ALLOY: Final = (("manganese", "Mn"), ("silicon", "Si"))


def _belongs(field: Field, purpose: str, given: dict[str, str]) -> bool:
    """Whether a field is on show for what is chosen: what is hidden is not sent into the sheet."""
    return field.shown_for in ("", purpose, given.get("shape", "plate"))


def _lines_of(table: str, given: dict[str, str], units: DisplayUnits) -> list[str]:
    return [
        _line(field.name, given, units)
        for field in FIELDS
        if field.table == table and field.name in given and field.kind != "number"
    ]


def _line(name: str, given: dict[str, str], units: DisplayUnits) -> str:
    """One key and its value, a plain number with the unit beside the field as the ending of its key."""
    field, value = BY_NAME[name], given[name]
    if field.kind != "text" and _PLAIN_NUMBER.fullmatch(value):
        ending = f"_{units.length}" if field.kind == "length" else ENDINGS[field.kind]
        return f"{field.key}{ending} = {_number_or_text(value)}"
    return f"{field.key} = {toml_string(value)}"


def _number_or_text(value: str) -> str:
    """A plain number as TOML writes it, which takes ``.5``, ``5.`` and ``007`` for mistakes; anything else as text."""
    if not _PLAIN_NUMBER.fullmatch(value):
        return toml_string(value)
    sign = "-" if value.startswith("-") else ""
    whole, point, part = value.lstrip("+-").partition(".")
    return f"{sign}{whole.lstrip('0') or '0'}{f'.{part}' if point and part else ''}"


def toml_string(value: str) -> str:
    """A text as TOML writes it on one line, whatever is in it."""
    plain = {'"': '\\"', "\\": "\\\\", "\n": "\\n", "\r": "\\r", "\t": "\\t"}
    safe = (
        plain.get(char) or (f"\\u{ord(char):04x}" if ord(char) < 0x20 or ord(char) == 0x7F else char)
        for char in value.encode("utf-8", "replace").decode("utf-8")
    )
    return f'"{"".join(safe)}"'


def _field_of(fault: Fault) -> str:
    """The field a fault of the sheet belongs to; "" where it is about something the form does not have."""
    place = fault.where.rpartition(": ")[2]
    table, _, key = place.rpartition(".")
    table = re.sub(r"\[\d+\]", "", table)
    for field in FIELDS:
        if field.table == table and field.key and (key == field.key or key.startswith(f"{field.key}_")):
            if field.table != "target":
                return field.name
            return "at_carbon" if key.startswith("at_carbon") else _target_field(place, fault)
    return "manganese" if table == "piece.alloy_wt_pct" and key != "Si" else "silicon" if key == "Si" else ""


def _target_field(place: str, fault: Fault) -> str:
    for words, name in (("depth", "depth"), ("time", "soak"), ("hardness", "hardness")):
        if words in fault.expected:
            return name
    return "depth" if "[0]" in place else "soak"
