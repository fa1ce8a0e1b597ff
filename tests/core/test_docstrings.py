"""The core's docstrings say what a reader needs and cannot rot: parameters, units, sources."""

import importlib
import inspect
import pkgutil
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from types import ModuleType
from typing import Any

import pytest

PURE = ("units", "errors", "quantities", "reading", "history", "thermocouple", "sheet", "target", "alert", "run_time")
PURE += ("situation", "piece", "piece_now", "piece_plain", "piece_steps", "oven_trend")
PURE += ("sheet_parts", "sheet_limits", "alert_rules")
PURE += ("coupon", "coupon_prediction", "coupon_doubts", "correction", "correction_fit")

UNIT_IN_NAME = re.compile(
    r"(^|_)(K|C|F|s|h|m|mm|in|um|kg|mV|wt_pct|wt_pct_m|HRC|HV|nm|K_per_\w+|m2?_per_s|J_per_mol|kg_per_m[23]|W_per_m_K)$"
    r"|_K_|time|fraction|share|factor|fineness|number|index|mole"
)
"""A name that carries its unit, or that of a bare number."""

A_NUMBER = re.compile(r"\b(float|Number|ndarray|FloatArray)\b")
A_UNIT = re.compile(r"\[[^\]\n]{1,40}\]|\bwhether\b")


@dataclass(frozen=True)
class Documented:
    """A public function or method of the core."""

    name: str
    function: Callable[..., Any]

    def __str__(self) -> str:
        return self.name

    @property
    def text(self) -> str:
        """Its docstring."""
        return inspect.getdoc(self.function) or ""

    @property
    def parameters(self) -> list[inspect.Parameter]:
        """Its parameters but for self and cls."""
        every = inspect.signature(self.function).parameters.values()
        return [each for each in every if each.name not in ("self", "cls")]

    @property
    def section(self) -> dict[str, str]:
        """Parameters section: name -> what is said of it; empty where there is none."""
        body = re.search(r"Parameters\n-+\n(.*?)(?:\n\n|\Z)", self.text, re.DOTALL)
        said: dict[str, str] = {}
        names: list[str] = []
        for line in body[1].splitlines() if body else []:
            if entry := re.match(r"(\*?\w+(?:, \*?\w+)*) : (.*)", line):
                names = entry[1].split(", ")
                said.update(dict.fromkeys(names, entry[2]))
            elif names:
                said.update({name: f"{said[name]} {line.strip()}" for name in names})
        return said


def core_modules() -> Iterator[ModuleType]:
    yield from (importlib.import_module(f"logger.{name}") for name in PURE)
    for package in ("logger.steel", "logger.estimate"):
        yield importlib.import_module(package)
        for module in pkgutil.iter_modules(importlib.import_module(package).__path__):
            yield importlib.import_module(f"{package}.{module.name}")


def public(module: ModuleType) -> Iterator[tuple[str, Any]]:
    for name, thing in vars(module).items():
        if not name.startswith("_") and getattr(thing, "__module__", None) == module.__name__:
            yield f"{module.__name__.removeprefix('logger.')}.{name}", thing


def documented() -> Iterator[Documented]:
    for module in core_modules():
        for name, thing in public(module):
            if inspect.isfunction(thing):
                yield Documented(name, thing)
            for part, inner in vars(thing).items() if inspect.isclass(thing) else ():
                function = inner.fget if isinstance(inner, property) else getattr(inner, "__func__", inner)
                if not part.startswith("_") and inspect.isfunction(function):
                    yield Documented(f"{name}.{part}", function)


EVERY = list(documented())
STEEL = [each for each in EVERY if each.name.startswith("steel.") and each.name.count(".") == 2]


@pytest.mark.parametrize("module", list(core_modules()), ids=lambda module: module.__name__)
def test_every_module_and_class_says_what_it_is(module: ModuleType) -> None:
    assert module.__doc__
    silent = [
        name
        for name, thing in public(module)
        if inspect.isclass(thing) and (not thing.__doc__ or thing.__doc__.startswith(f"{thing.__name__}("))
    ]
    assert silent == []


@pytest.mark.parametrize("it", EVERY, ids=str)
def test_every_function_says_what_it_does_and_names_what_it_takes(it: Documented) -> None:
    assert it.text
    taken = [each.name for each in it.parameters]
    if it.section:
        assert sorted(name.lstrip("*") for name in it.section) == sorted(taken)
    else:
        assert len(taken) <= 5, "more than five parameters want a Parameters section"
        unsaid = [name for name in taken if not re.search(rf"\b{name}\b", it.text) and not UNIT_IN_NAME.search(name)]
        plain = [each.name for each in it.parameters if each.name in unsaid and A_NUMBER.search(str(each.annotation))]
        assert plain == []


@pytest.mark.parametrize("it", EVERY, ids=str)
def test_every_number_has_a_unit_in_its_name_or_beside_it(it: Documented) -> None:
    for each in it.parameters:
        if A_NUMBER.search(str(each.annotation)) and "Callable" not in str(each.annotation):
            beside = it.section.get(each.name, it.text)
            assert UNIT_IN_NAME.search(each.name) or A_UNIT.search(beside), each.name
    returned = str(inspect.signature(it.function).return_annotation)
    if A_NUMBER.search(returned) and "Callable" not in returned:
        assert UNIT_IN_NAME.search(it.name.rpartition(".")[2]) or A_UNIT.search(it.text), "what it returns"


@pytest.mark.parametrize("it", STEEL, ids=str)
def test_every_formula_of_steel_has_a_source(it: Documented) -> None:
    if A_NUMBER.search(str(inspect.signature(it.function).return_annotation)):
        assert re.search(r"\bSource\b", it.text)
