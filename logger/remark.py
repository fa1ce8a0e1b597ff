"""Remark: a sentence about the steel with its quantities in SI, said in the units of whoever reads it.

A remark from the core is a template whose fields carry their unit in their name; views choose the units:

    Remark("harden from nearer to {low_K}, {deep_m} down", low_K=1053.15, deep_m=0.0004).said(units)
"""

from collections.abc import Mapping

from logger.errors import Fault
from logger.units import DisplayUnits


class Remark:
    """Plain words with quantities in them.

    Fields ending in ``_K`` are temperatures [K], in ``_diff_K`` differences [K], in ``_K_per_s`` rates of cooling
    [K/s], in ``_m`` lengths [m], in ``_about_m`` rough ones; a `Fault` is said in the same units; all others are put
    in as they are. ``str`` says it in Celsius and millimetres.
    """

    __slots__ = ("template", "values")

    def __init__(self, template: str, **values: float | str | Fault) -> None:
        self.template = template
        self.values: Mapping[str, float | str | Fault] = values

    def said(self, units: DisplayUnits) -> str:
        """The words with every quantity in these units."""
        return self.template.format(**{name: _in(units, name, value) for name, value in self.values.items()})

    def __str__(self) -> str:
        return self.said(DisplayUnits())

    def __repr__(self) -> str:
        return f"Remark({str(self)!r})"

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Remark) and (self.template, self.values) == (other.template, other.values)

    def __hash__(self) -> int:
        return hash((self.template, tuple(sorted(self.values.items()))))

    def __getstate__(self) -> tuple[str, dict[str, float | str | Fault]]:
        return self.template, dict(self.values)

    def __setstate__(self, state: tuple[str, dict[str, float | str | Fault]]) -> None:
        self.template, self.values = state


def _in(units: DisplayUnits, name: str, value: float | str | Fault) -> str:
    if isinstance(value, Fault):
        return str(value.said(units))
    if isinstance(value, str):
        return value
    if name.endswith("_K_per_s"):
        rate = units.temperature_difference(value)
        return f"{rate:.0f} {units.temperature}/s" if abs(rate) >= 10.0 else f"{rate:.2g} {units.temperature}/s"
    if name.endswith("_diff_K"):
        return f"{units.temperature_difference(value):.0f} {units.temperature}"
    if name.endswith("_K"):
        return f"{units.temperature_from_kelvin(value):.0f} {units.temperature}"
    if name.endswith("_about_m"):
        return f"{units.length_from_metres(value):.{0 if units.length == 'mm' else 1}f} {units.length}"
    if name.endswith("_m"):
        return f"{units.length_from_metres(value):.{2 if units.length == 'mm' else 3}f} {units.length}"
    return f"{value:g}"
