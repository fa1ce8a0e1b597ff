"""Frozen values as what JSON holds, and back to the last bit."""

import json
from dataclasses import dataclass, field
from enum import StrEnum
from math import inf, nan
from typing import NamedTuple

import numpy as np
import pytest

from logger.plain_values import of_plain, plain
from logger.units import FloatArray


class Colour(StrEnum):
    STRAW = "straw"


class Point(NamedTuple):
    time_s: float
    levels: tuple[float, ...]


@dataclass(frozen=True)
class Whole:
    points: tuple[Point, ...]
    pair: tuple[int, str]
    colour: Colour
    by_level: dict[float, tuple[float, float]]
    values: FloatArray
    nothing: Point | None
    flag: bool
    seen: int = field(init=False, default=7)


def test_a_value_comes_back_to_the_last_bit_through_json() -> None:
    values = np.array([[0.1, -0.0, nan], [inf, -inf, np.nextafter(1.0, 2.0)]])
    whole = Whole((Point(0.1 + 0.2, (nan, 5e-324)),), (3, "a"), Colour.STRAW, {0.3: (1.0, 2.0)}, values, None, True)
    back = of_plain(Whole, json.loads(json.dumps(plain(whole))))
    assert repr(back) == repr(whole)
    assert back.values.tobytes() == values.tobytes()
    assert (type(back.points[0]), type(back.colour), back.seen) == (Point, Colour, 7)


def test_an_empty_array_keeps_its_shape_and_kind() -> None:
    for array in (np.empty((3, 0)), np.zeros(0, dtype=np.int64), np.zeros((2, 2), dtype=bool)):
        back = of_plain(np.ndarray, json.loads(json.dumps(plain(array))))
        assert (back.shape, back.dtype) == (array.shape, array.dtype)


def test_what_has_no_plain_form_is_refused() -> None:
    with pytest.raises(TypeError, match="object has no plain form"):
        plain(object())
    with pytest.raises(TypeError, match="no plain form"):
        of_plain(object, [])
