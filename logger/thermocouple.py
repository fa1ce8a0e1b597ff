"""Thermocouple: how far a reading may be off, what is known of its error, what two of them say about each other.

Raw readings are never changed: a correction is applied on the way into an estimate and stays a table of its own.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from math import isfinite
from typing import Any

import numpy as np

from logger.errors import Fault, InputFault, OutOfRange
from logger.units import FloatArray, celsius_from_kelvin, kelvin_from_celsius


class ThermocoupleType(StrEnum):
    """Letter of the pair of metals (IEC 60584-1, ASTM E230)."""

    K = "K"
    N = "N"
    J = "J"
    T = "T"
    R = "R"
    S = "S"


class ToleranceClass(StrEnum):
    """Whose tolerance the wire was bought to."""

    E230_STANDARD = "standard"
    E230_SPECIAL = "special"
    IEC_CLASS_1 = "class 1"
    IEC_CLASS_2 = "class 2"


@dataclass(frozen=True, slots=True)
class Tolerance:
    """The larger of ``least_K`` and ``share`` of the degrees above ``from_C``; holds from ``low_C`` to ``high_C``."""

    least_K: float
    share: float
    low_C: float
    high_C: float
    from_C: float = 0.0
    adds: bool = False  # the share comes on top of least_K instead of instead of it
    source: str = "ASTM E230/E230M-12"


_IEC = "IEC 60584-1:2013"
_IEC_MEMORY = _IEC + ", from memory"

TOLERANCES: dict[tuple[ThermocoupleType, ToleranceClass], Tolerance] = {
    (ThermocoupleType.K, ToleranceClass.E230_STANDARD): Tolerance(2.2, 0.0075, 0.0, 1260.0),
    (ThermocoupleType.K, ToleranceClass.E230_SPECIAL): Tolerance(1.1, 0.004, 0.0, 1260.0),
    (ThermocoupleType.N, ToleranceClass.E230_STANDARD): Tolerance(2.2, 0.0075, 0.0, 1260.0),
    (ThermocoupleType.N, ToleranceClass.E230_SPECIAL): Tolerance(1.1, 0.004, 0.0, 1260.0),
    (ThermocoupleType.J, ToleranceClass.E230_STANDARD): Tolerance(2.2, 0.0075, 0.0, 760.0),
    (ThermocoupleType.J, ToleranceClass.E230_SPECIAL): Tolerance(1.1, 0.004, 0.0, 760.0),
    (ThermocoupleType.T, ToleranceClass.E230_STANDARD): Tolerance(1.0, 0.0075, 0.0, 370.0),
    (ThermocoupleType.T, ToleranceClass.E230_SPECIAL): Tolerance(0.5, 0.004, 0.0, 370.0),
    (ThermocoupleType.R, ToleranceClass.E230_STANDARD): Tolerance(1.5, 0.0025, 0.0, 1480.0),
    (ThermocoupleType.R, ToleranceClass.E230_SPECIAL): Tolerance(0.6, 0.001, 0.0, 1480.0),
    (ThermocoupleType.S, ToleranceClass.E230_STANDARD): Tolerance(1.5, 0.0025, 0.0, 1480.0),
    (ThermocoupleType.S, ToleranceClass.E230_SPECIAL): Tolerance(0.6, 0.001, 0.0, 1480.0),
    (ThermocoupleType.K, ToleranceClass.IEC_CLASS_1): Tolerance(1.5, 0.004, -40.0, 1000.0, source=_IEC),
    (ThermocoupleType.K, ToleranceClass.IEC_CLASS_2): Tolerance(2.5, 0.0075, -40.0, 1200.0, source=_IEC),
    (ThermocoupleType.N, ToleranceClass.IEC_CLASS_1): Tolerance(1.5, 0.004, -40.0, 1000.0, source=_IEC),
    (ThermocoupleType.N, ToleranceClass.IEC_CLASS_2): Tolerance(2.5, 0.0075, -40.0, 1200.0, source=_IEC),
    (ThermocoupleType.J, ToleranceClass.IEC_CLASS_1): Tolerance(1.5, 0.004, -40.0, 750.0, source=_IEC_MEMORY),
    (ThermocoupleType.J, ToleranceClass.IEC_CLASS_2): Tolerance(2.5, 0.0075, -40.0, 750.0, source=_IEC_MEMORY),
    (ThermocoupleType.T, ToleranceClass.IEC_CLASS_1): Tolerance(0.5, 0.004, -40.0, 350.0, source=_IEC_MEMORY),
    (ThermocoupleType.T, ToleranceClass.IEC_CLASS_2): Tolerance(1.0, 0.0075, -40.0, 350.0, source=_IEC_MEMORY),
    (ThermocoupleType.R, ToleranceClass.IEC_CLASS_1): Tolerance(1.0, 0.003, 0.0, 1600.0, 1100.0, True, _IEC),
    (ThermocoupleType.R, ToleranceClass.IEC_CLASS_2): Tolerance(1.5, 0.0025, 0.0, 1600.0, source=_IEC),
    (ThermocoupleType.S, ToleranceClass.IEC_CLASS_1): Tolerance(1.0, 0.003, 0.0, 1600.0, 1100.0, True, _IEC),
    (ThermocoupleType.S, ToleranceClass.IEC_CLASS_2): Tolerance(1.5, 0.0025, 0.0, 1600.0, source=_IEC),
}
"""Tolerances of new wire by type and class."""


CALIBRATED_SHARE = 0.3
"""Part of the tolerance that is left of a calibrated thermocouple's error (our estimate, no source).

A calibration against a reference is good to 1 to 2 K at 950 C (from memory), a new type K to 7 K.
"""


@dataclass(frozen=True, slots=True)
class Correction:
    """What a calibration found: at each reading [K], what to add to it [K]. Linear between, flat beyond the ends.

    Raises   InputFault    readings that do not increase, or a value that is not finite
    """

    reading_K: tuple[float, ...] = ()
    add_K: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        if len(self.reading_K) != len(self.add_K):
            raise InputFault(
                Fault("correction", f"{len(self.reading_K)} readings and {len(self.add_K)} offsets", "as many of each")
            )
        if not all(isfinite(value) for value in (*self.reading_K, *self.add_K)):
            raise InputFault(Fault("correction", "a value that is not finite", "temperatures"))
        for lower, upper in pairwise(self.reading_K):
            if not lower < upper:
                raise InputFault(Fault("correction", f"{upper:g} K after {lower:g} K", "readings that increase"))

    def corrected_K(self, reading_K: FloatArray) -> FloatArray:
        """Readings [K], any shape, with the correction added; the very same values where there is none."""
        if not self.reading_K:
            return reading_K
        return reading_K + np.interp(reading_K, self.reading_K, self.add_K)


@dataclass(frozen=True, slots=True)
class Thermocouple:
    """One thermocouple: type, tolerance class, what calibration found, and whether a closed sheath covers it.

    ``calibrated_on`` is the day of its last calibration (ISO 8601), empty where nobody says.
    """

    type: ThermocoupleType = ThermocoupleType.K
    tolerance_class: ToleranceClass = ToleranceClass.E230_STANDARD
    correction: Correction = Correction()
    sheathed: bool = True
    calibrated_on: str = ""


def plain(thermocouple: Thermocouple) -> dict[str, Any]:
    """A thermocouple as plain values that a record can keep; `from_plain` makes it again."""
    return {
        "type": str(thermocouple.type),
        "tolerance": str(thermocouple.tolerance_class),
        "reading_K": list(thermocouple.correction.reading_K),
        "add_K": list(thermocouple.correction.add_K),
        "sheathed": thermocouple.sheathed,
        "calibrated_on": thermocouple.calibrated_on,
    }


def from_plain(kept: Mapping[str, Any]) -> Thermocouple:
    """The thermocouple that `plain` was given."""
    return Thermocouple(
        ThermocoupleType(kept["type"]),
        ToleranceClass(kept["tolerance"]),
        Correction(tuple(kept["reading_K"]), tuple(kept["add_K"])),
        bool(kept["sheathed"]),
        str(kept.get("calibrated_on", "")),
    )


def tolerance_K(thermocouple: Thermocouple, temperature_K: FloatArray | float) -> FloatArray:
    """How far new wire may be off at a temperature.

    Parameters
    ----------
    thermocouple : Thermocouple            type and class
    temperature_K : array, any shape       temperature [K]; within the class's range

    Returns    array, same shape           tolerance, plus or minus [K]
    Raises     InputFault                  a class its type does not have
    Raises     OutOfRange                  a temperature the class says nothing about
    Source     ASTM E230/E230M-12 and IEC 60584-1:2013 as `TOLERANCES` says for each
    """
    rule = _tolerance(thermocouple)
    T_C = np.asarray(celsius_from_kelvin(np.asarray(temperature_K, dtype=np.float64)))
    slack_K = 1e-9  # a limit itself, converted to kelvin and back, is inside
    outside = (rule.low_C - T_C > slack_K) | (T_C - rule.high_C > slack_K)
    if np.any(outside):
        what = f"temperature of a type {thermocouple.type} thermocouple, {thermocouple.tolerance_class}"
        found_C = float(T_C[outside].flat[0])
        found_K, low_K, high_K = (kelvin_from_celsius(each) for each in (found_C, rule.low_C, rule.high_C))
        raise OutOfRange(what, found_K, low_K, high_K, "K", rule.source)
    return _tolerance_value(rule, T_C)


def usable_tolerance_K(thermocouple: Thermocouple, temperature_K: FloatArray | float) -> FloatArray:
    """As `tolerance_K`, and beyond the class's range what its rule would give if it went on.

    A band must not stop because a shop is below freezing or a sensor is used hotter than its class covers.

    Parameters
    ----------
    thermocouple : Thermocouple            type and class
    temperature_K : array, any shape       temperature [K]

    Returns    array, same shape           tolerance, plus or minus [K]
    Source     as `tolerance_K`, extrapolated
    """
    T_C = np.asarray(celsius_from_kelvin(np.asarray(temperature_K, dtype=np.float64)))
    return _tolerance_value(_tolerance(thermocouple), T_C)


def _tolerance(thermocouple: Thermocouple) -> Tolerance:
    rule = TOLERANCES.get((thermocouple.type, thermocouple.tolerance_class))
    if rule is None:
        found = f"type {thermocouple.type}, {thermocouple.tolerance_class}"
        raise InputFault(Fault("thermocouple", found, "a type and a class with a published tolerance"))
    return rule


def _tolerance_value(rule: Tolerance, T_C: FloatArray) -> FloatArray:
    part = rule.share * np.maximum(np.abs(T_C) - rule.from_C, 0.0)
    return rule.least_K + part if rule.adds else np.maximum(rule.least_K, part)


# Cautions


@dataclass(frozen=True, slots=True)
class ThermocoupleCaution:
    """Something about a thermocouple that bites at these conditions: which way it errs, and what helps."""

    name: str
    text: str


def cautions(
    thermocouple: Thermocouple, peak_K: float, in_carbon: bool, hours_above_800_C: float = 0.0
) -> tuple[ThermocoupleCaution, ...]:
    """Cautions that apply to one thermocouple in one run.

    Parameters
    ----------
    thermocouple : Thermocouple
    peak_K : hottest it was or will be [K]
    in_carbon : whether it sits in the pack or in gas that comes out of it
    hours_above_800_C : hours spent above 800 C so far, in this and earlier runs, if known [h]

    Returns    tuple of ThermocoupleCaution
    Source     type K: short-range ordering and green rot as thermocouple makers' manuals describe them; numbers from
               memory where the text says about
    """
    said: list[ThermocoupleCaution] = []
    kind, peak_C = thermocouple.type, celsius_from_kelvin(peak_K)
    base_metal = kind in (ThermocoupleType.K, ThermocoupleType.N)
    if kind is ThermocoupleType.K and in_carbon and peak_C > 800.0 and not thermocouple.sheathed:
        said.append(
            ThermocoupleCaution(
                "green rot",
                "bare type K in carbon monoxide at 800 to 1050 C loses chromium and reads LOW, by tens of degrees in"
                " time: a controller on it overheats. Put it in a closed sheath, or use type N.",
            )
        )
    if kind is ThermocoupleType.K and peak_C > 1000.0:
        said.append(
            ThermocoupleCaution(
                "type K above 1000 C",
                "type K drifts with every hour above 1000 C, faster in thin wire. Compare it with a fresh one, and do"
                " not trust it lower down afterwards.",
            )
        )
    if kind is ThermocoupleType.K and hours_above_800_C > 100.0:
        said.append(
            ThermocoupleCaution(
                "old type K",
                f"this type K has spent about {hours_above_800_C:.0f} h above 800 C: the tolerance of new wire no"
                " longer holds. Compare it with a fresh one.",
            )
        )
    if base_metal and peak_C > 1200.0:
        said.append(
            ThermocoupleCaution(f"type {kind} above 1200 C", f"type {kind} is near the end of its range above 1200 C.")
        )
    if kind in (ThermocoupleType.R, ThermocoupleType.S) and in_carbon:
        said.append(
            ThermocoupleCaution(
                "platinum in carbon",
                f"carbon, carbon monoxide and metal vapours spoil the platinum of a type {kind}: it needs a clean"
                " closed ceramic sheath.",
            )
        )
    top_C = _tolerance(thermocouple).high_C
    if peak_C > top_C:
        said.append(
            ThermocoupleCaution(
                "beyond its class",
                f"{thermocouple.tolerance_class} for type {kind} ends at {top_C:.0f} C; {peak_C:.0f} C is beyond it.",
            )
        )
    return tuple(said)
