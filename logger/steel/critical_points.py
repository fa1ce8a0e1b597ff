"""Temperatures at which steel turns to austenite on heating, and the windows to heat it into.

Andrews' formulas carry the alloying of low-alloy steel; the carbon dependence of A_cm, and of A3 near the eutectoid,
is that of plain Fe-C (`logger.steel.phase_limits`).
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.errors import OutOfRange
from logger.steel.coefficients import Coefficient
from logger.steel.crossing import crossing
from logger.steel.phase_limits import A1_K, EUTECTIC_K, EUTECTOID_WT_PCT, cementite_line_wt_pct
from logger.units import kelvin_from_celsius

ANDREWS: Final = "K.W. Andrews, J. Iron Steel Inst. 203 (1965) 721"

AC1_PER_WT_PCT: Final = {"Mn": -10.7, "Ni": -16.9, "Si": 29.1, "Cr": 16.9, "As": 290.0, "W": 6.38}
"""Change of Ac1 [K] per wt%."""

AC3_PER_WT_PCT: Final = {"Ni": -15.2, "Si": 44.7, "V": 104.0, "Mo": 31.5, "W": 13.1}
"""Change of Ac3 [K] per wt%, as seen in the public quotation."""

AC3_MORE_PER_WT_PCT: Final = {"Mn": -30.0, "Cr": -11.0, "Cu": -20.0, "P": 700.0, "Al": 400.0, "As": 120.0}
"""Further terms of Ac3 [K] per wt%, from memory; one quotation has some signs reversed, so they are kept apart."""

SPREAD_K: Final = Coefficient(
    name="standard error of Andrews' critical points",
    value=15.0,
    unit="K",
    source="from memory: about 11.5 K for Ac1 and 16.7 K for Ac3",
)

WINDOW_ABOVE_K: Final = (30.0, 90.0)
"""Austenitizing window above Ac3 (common practice, no source: 30 to 90 C)."""

WINDOW_ABOVE_AC1_K: Final = (50.0, 100.0)
"""Window above Ac1 where the carbon is near or above the eutectoid (common practice, no source: 50 to 100 C)."""

NORMALIZE_ABOVE_K: Final = (20.0, 120.0)
"""Normalizing window above Ac3 or A_cm (common practice, no source; above it grains coarsen)."""

COARSENS_ABOVE_K: Final = kelvin_from_celsius(980.0)
"""Plain steel without grain refiner coarsens fast above this (common practice, no source: 950 to 1000 C)."""


@dataclass(frozen=True, slots=True)
class CriticalPoints:
    """Temperatures on heating [K] of one steel.

    ``complete_K`` is where the last ferrite (below the eutectoid) or the last cementite (above) has dissolved.
    ``hypereutectoid`` says which. ``spread_K`` is one standard deviation.
    """

    ac1_K: float
    complete_K: float
    hypereutectoid: bool
    spread_K: float
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Window:
    """Temperatures to heat into [K], from low to high, and why."""

    low_K: float
    high_K: float
    reason: str


def ac1_K(alloy_wt_pct: Mapping[str, float]) -> float:
    """Temperature at which austenite starts to form on heating.

    Parameters
    ----------
    alloy_wt_pct : mapping     alloying elements [wt%], low alloy

    Returns    float           Ac1 [K]
    Source     Andrews 1965: 723 - 10.7 Mn - 16.9 Ni + 29.1 Si + 16.9 Cr + 290 As + 6.38 W
    """
    return kelvin_from_celsius(723.0 + _sum(AC1_PER_WT_PCT, alloy_wt_pct))


def ac3_K(carbon_wt_pct: float, alloy_wt_pct: Mapping[str, float], all_terms: bool = True) -> float:
    """Temperature at which the last ferrite dissolves on heating.

    Parameters
    ----------
    carbon_wt_pct : float      carbon [wt%]; valid 0 to 0.60
    alloy_wt_pct : mapping     alloying elements [wt%], low alloy
    all_terms : bool           with the terms that are from memory (Mn, Cr, Cu, P, Al, As)

    Returns    float           Ac3 [K]
    Raises     OutOfRange      carbon above the steels of the formula; `critical_points` carries on to the eutectoid
    Source     Andrews 1965: 910 - 203 sqrt(C) - 15.2 Ni + 44.7 Si + 104 V + 31.5 Mo + 13.1 W, and further terms
    """
    if not 0.0 <= carbon_wt_pct <= AC3_CARBON_WT_PCT:
        raise OutOfRange(
            "carbon for Andrews' Ac3", carbon_wt_pct, 0.0, AC3_CARBON_WT_PCT, "wt%", "beyond it use critical_points"
        )
    terms = AC3_PER_WT_PCT | (AC3_MORE_PER_WT_PCT if all_terms else {})
    return kelvin_from_celsius(910.0 - 203.0 * float(np.sqrt(carbon_wt_pct)) + _sum(terms, alloy_wt_pct))


AC3_CARBON_WT_PCT: Final = 0.60
"""Highest carbon of Andrews' steels (from memory)."""


def acm_K(carbon_wt_pct: float) -> float:
    """Temperature at which the last cementite of plain Fe-C dissolves.

    Parameters
    ----------
    carbon_wt_pct : float      carbon [wt%]; valid 0.761 to 2.05

    Returns    float           A_cm [K]
    Raises     OutOfRange      carbon below the eutectoid (there is no cementite line) or beyond the eutectic
    Source     `logger.steel.phase_limits.cementite_line_wt_pct` solved for temperature
    """
    low, high = (_saturation_wt_pct(T) for T in (A1_K, EUTECTIC_K))
    if not low <= carbon_wt_pct <= high:
        raise OutOfRange("carbon for A_cm", carbon_wt_pct, round(low, 3), round(high, 3), "wt%", "below it use Ac3")
    return crossing(lambda T: _saturation_wt_pct(T) - carbon_wt_pct, A1_K, EUTECTIC_K)


def critical_points(carbon_wt_pct: float, alloy_wt_pct: Mapping[str, float] | None = None) -> CriticalPoints:
    """Where this steel starts and ends turning to austenite on heating.

    Between 0.60 % and the eutectoid Ac3 goes in a straight line to Ac1. A_cm is that of plain Fe-C, shifted as Ac1 is.

    Parameters
    ----------
    carbon_wt_pct : float      carbon [wt%]; valid 0 to 2.05
    alloy_wt_pct : mapping     alloying elements [wt%], low alloy

    Returns    CriticalPoints  [K]
    Raises     OutOfRange      carbon that is not steel's
    Source     Andrews 1965; Fe-C by Gustafson 1985; the joints are our choice
    """
    alloy = dict(alloy_wt_pct or {})
    notes = []
    start_K = ac1_K(alloy)
    if any(alloy.get(element) for element in AC3_MORE_PER_WT_PCT):
        notes.append("Ac3 uses terms of Andrews' formula that are from memory (Mn, Cr, Cu, P, Al, As)")
    highest = _saturation_wt_pct(EUTECTIC_K)
    if not 0.0 <= carbon_wt_pct <= highest:
        raise OutOfRange("carbon for the critical points", carbon_wt_pct, 0.0, round(highest, 3), "wt%", "steel")
    if carbon_wt_pct > EUTECTOID_WT_PCT:
        complete_K = max(acm_K(max(carbon_wt_pct, EUTECTOID_WT_PCT + 1e-3)) + start_K - A1_K, start_K)
        notes.append("A_cm is that of plain Fe-C, shifted with Ac1")
        return CriticalPoints(start_K, complete_K, True, SPREAD_K.value, tuple(notes))
    edge_K = max(ac3_K(min(carbon_wt_pct, AC3_CARBON_WT_PCT), alloy), start_K)
    if carbon_wt_pct > AC3_CARBON_WT_PCT:
        share = (carbon_wt_pct - AC3_CARBON_WT_PCT) / (EUTECTOID_WT_PCT - AC3_CARBON_WT_PCT)
        edge_K += share * (start_K - edge_K)
        notes.append("Ac3 between 0.60 % and the eutectoid is a straight line to Ac1")
    return CriticalPoints(start_K, edge_K, False, SPREAD_K.value, tuple(notes))


def austenitizing_window(carbon_wt_pct: float, alloy_wt_pct: Mapping[str, float] | None = None) -> Window:
    """Temperatures to harden from.

    Parameters
    ----------
    carbon_wt_pct : float      carbon [wt%]; valid 0 to 2.05
    alloy_wt_pct : mapping     alloying elements [wt%], low alloy

    Returns    Window          [K]
    Raises     OutOfRange      carbon that is not steel's
    Source     common practice, no source: 30 to 90 C above Ac3, at least 50 to 100 C above Ac1
    """
    points = critical_points(carbon_wt_pct, alloy_wt_pct)
    low_K, high_K = (points.ac1_K + above for above in WINDOW_ABOVE_AC1_K)
    if points.hypereutectoid:
        return Window(low_K, high_K, "above Ac1 and not far: some cementite may stay, so that little austenite is kept")
    above = (points.complete_K + more for more in WINDOW_ABOVE_K)
    low_K, high_K = (max(pair) for pair in zip((low_K, high_K), above, strict=True))
    return Window(low_K, high_K, "above Ac3, so that no ferrite is left, and not so far that grains coarsen")


def normalizing_window(carbon_wt_pct: float, alloy_wt_pct: Mapping[str, float] | None = None) -> Window:
    """Temperatures to normalize from: everything dissolves, and a carbide network with it.

    Parameters
    ----------
    carbon_wt_pct : float      carbon [wt%]; valid 0 to 2.05
    alloy_wt_pct : mapping     alloying elements [wt%], low alloy

    Returns    Window          [K]
    Raises     OutOfRange      carbon that is not steel's
    Source     common practice, no source: 20 to 120 C above Ac3 or A_cm
    """
    points = critical_points(carbon_wt_pct, alloy_wt_pct)
    low_K, high_K = (points.complete_K + above for above in NORMALIZE_ABOVE_K)
    what = "A_cm, so that the carbide network dissolves" if points.hypereutectoid else "Ac3, so that no ferrite is left"
    return Window(low_K, max(high_K, low_K + 20.0), f"above {what}")


def _sum(factors: Mapping[str, float], parts: Mapping[str, float]) -> float:
    return sum(factor * parts.get(element, 0.0) for element, factor in factors.items())


def _saturation_wt_pct(temperature_K: float) -> float:
    return float(cementite_line_wt_pct(np.array([temperature_K]))[0])
