"""Plain values: our frozen values as what JSON holds, and back again to the last bit, by their declared types.

What is read back is only ever made of the types that are asked for, so a file can bring wrong numbers but no code.
"""

import base64
from dataclasses import fields, is_dataclass
from enum import Enum
from functools import cache
from types import NoneType, UnionType
from typing import Any, Literal, TypeVar, Union, get_args, get_origin, get_type_hints

import numpy as np

Value = TypeVar("Value")


def plain(value: Any) -> Any:
    """A value as lists, numbers and words: dataclasses and tuples in the order of their parts, arrays with their shape.

    Raises   TypeError    something that is none of these
    """
    if value is None or isinstance(value, (str, bool, int, float)):
        return value.value if isinstance(value, Enum) else value
    if isinstance(value, np.ndarray):
        whole = np.ascontiguousarray(value, dtype=value.dtype.newbyteorder("<"))
        return [
            value.dtype.kind + str(value.dtype.itemsize),
            list(value.shape),
            base64.b64encode(whole.tobytes()).decode(),
        ]
    if is_dataclass(value) and not isinstance(value, type):
        return [plain(getattr(value, field.name)) for field in fields(value) if field.init]
    if isinstance(value, (tuple, list)):
        return [plain(one) for one in value]
    if isinstance(value, dict):
        return [[plain(key), plain(one)] for key, one in value.items()]
    if isinstance(value, frozenset):
        return sorted(plain(one) for one in value)
    if isinstance(value, np.generic):
        return value.item()
    raise TypeError(f"{type(value).__name__} has no plain form")


def of_plain(kind: type[Value], value: Any) -> Value:
    """The value of a type from its plain form.

    Parameters
    ----------
    kind : a dataclass, a named tuple, an enumeration or anything such a one is made of
    value : what `plain` has made of one

    Raises   TypeError    a type that has no plain form
    """
    made: Value = _made(kind, value)
    return made


def _made(kind: Any, value: Any) -> Any:
    origin, parts = get_origin(kind), get_args(kind)
    if origin in (Union, UnionType):
        (only,) = (part for part in parts if part is not NoneType)
        return None if value is None else _made(only, value)
    if kind is np.ndarray or origin is np.ndarray:
        dtype, shape, whole = value
        return np.frombuffer(base64.b64decode(whole), dtype=np.dtype("<" + dtype)).reshape(shape).copy()
    if origin is tuple:
        if len(parts) == 2 and parts[1] is Ellipsis:
            return tuple(_made(parts[0], one) for one in value)
        return tuple(_made(part, one) for part, one in zip(parts, value, strict=True))
    if origin is dict:
        return {_made(parts[0], key): _made(parts[1], one) for key, one in value}
    if origin is Literal or kind in (str, bool, int, float):
        return value
    if isinstance(kind, type) and issubclass(kind, Enum):
        return kind(value)
    if isinstance(kind, type) and (is_dataclass(kind) or hasattr(kind, "_fields")):
        return kind(*(_made(part, one) for part, one in zip(_types(kind), value, strict=True)))
    raise TypeError(f"{kind} has no plain form")


@cache
def _types(kind: Any) -> tuple[Any, ...]:
    """The types of a dataclass's or named tuple's parts, in order."""
    hints = get_type_hints(kind)
    names = [field.name for field in fields(kind) if field.init] if is_dataclass(kind) else kind._fields
    return tuple(hints[name] for name in names)
