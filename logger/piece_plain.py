"""Steps of a piece as plain values, to be kept in a record or handed to programs, and back."""

from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from enum import Enum
from types import UnionType
from typing import Any, Union, get_args, get_origin, get_type_hints

from logger.errors import Fault, InputFault
from logger.piece_steps import (
    Begin,
    Clad,
    Cut,
    DrawOut,
    Fold,
    Grind,
    HeatRun,
    HeatTyped,
    Measure,
    Quench,
    Stack,
    Step,
    Temper,
    TemperRun,
    Undo,
    Used,
)

KINDS: Mapping[str, type[Any]] = {
    "new": Begin,
    "heat, recorded": HeatRun,
    "heat": HeatTyped,
    "grind": Grind,
    "stack": Stack,
    "used": Used,
    "clad": Clad,
    "draw out": DrawOut,
    "fold": Fold,
    "cut": Cut,
    "quench": Quench,
    "temper": Temper,
    "temper, recorded": TemperRun,
    "measure": Measure,
    "undo": Undo,
}
KIND_OF = {step: kind for kind, step in KINDS.items()}


def kind_of(step: Step) -> str:
    """What a step is called in the ledger."""
    return KIND_OF[type(step)]


def plain_step(step: Step) -> dict[str, Any]:
    """A step as plain values, SI units in the keys."""
    result = _plain(step)
    assert isinstance(result, dict)
    return result


def _plain(value: Any) -> Any:
    if isinstance(value, Enum):
        return value.value
    if is_dataclass(value) and not isinstance(value, type):
        return {field.name: _plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, tuple):
        return [_plain(each) for each in value]
    return value


def step_from_plain(kind: str, detail: Mapping[str, Any]) -> Step:
    """The step of a ledger line. Raises InputFault for a line this version does not know."""
    if kind not in KINDS:
        raise InputFault(Fault("piece ledger", f'a step "{kind}"', "one this version knows"))
    step: Step = _from_plain(KINDS[kind], detail)
    return step


def _from_plain(kind: Any, value: Any) -> Any:
    if get_origin(kind) in (Union, UnionType):
        if value is None:
            return None
        kind = next(each for each in get_args(kind) if each is not type(None))
    if get_origin(kind) is tuple:
        return tuple(_from_plain(get_args(kind)[0], each) for each in value)
    if isinstance(kind, type) and is_dataclass(kind):
        hints = get_type_hints(kind)
        return kind(**{name: _from_plain(hints[name], each) for name, each in value.items() if name in hints})
    return kind(value) if isinstance(kind, type) and issubclass(kind, Enum) else value
