"""Martensite: where it starts, how much austenite it leaves, how hard it is.

The formulas for its start were made for steels of up to about 0.6 % carbon and part by 60 to 110 C above that, so
they are kept side by side and their spread is part of the answer.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from logger.errors import OutOfRange
from logger.steel.coefficients import Coefficient
from logger.steel.hardness_conversion import LEAST_HV, MOST_HV, rockwell_HRC, vickers_HV
from logger.units import FloatArray, kelvin_from_celsius


@dataclass(frozen=True, slots=True)
class StartFormula:
    """A published linear formula for the start of martensite: Ms [C] = at_zero + sum of per_wt_pct times wt%.

    ``high_carbon_wt_pct`` is the carbon its steels went up to; ``group`` is "1940s" for the three older formulas,
    which lie nearer to measured diagrams above 0.6 % carbon.
    """

    name: str
    at_zero_C: float
    per_wt_pct: Mapping[str, float]
    high_carbon_wt_pct: float
    group: str
    source: str


START_FORMULAS: Final = (
    StartFormula(
        "Andrews",
        539.0,
        {"C": -423.0, "Mn": -30.4, "Ni": -17.7, "Cr": -12.1, "Mo": -7.5},
        0.60,
        "1956 and later",
        "K.W. Andrews, J. Iron Steel Inst. 203 (1965) 721, linear form; limit of carbon from memory",
    ),
    StartFormula(
        "Steven and Haynes",
        561.0,
        {"C": -474.0, "Mn": -33.0, "Ni": -17.0, "Cr": -17.0, "Mo": -21.0},
        0.60,
        "1956 and later",
        "W. Steven, A.G. Haynes, J. Iron Steel Inst. 183 (1956) 349; constants as quoted by later work",
    ),
    StartFormula(
        "Rowland and Lyle",
        499.0,
        {"C": -324.0, "Mn": -32.4, "Cr": -27.0, "Ni": -16.2, "Si": -10.8, "Mo": -10.8, "W": -10.8},
        1.00,
        "1940s",
        "E.S. Rowland, S.R. Lyle, Trans. ASM 37 (1946) 27; constants and limit of carbon from memory",
    ),
    StartFormula(
        "Grange and Stewart",
        538.0,
        {"C": -361.0, "Mn": -39.0, "Cr": -39.0, "Ni": -19.5, "Mo": -28.0},
        1.00,
        "1940s",
        "R.A. Grange, H.M. Stewart, Trans. AIME 167 (1946) 467; constants as quoted by later work, limit from memory",
    ),
    StartFormula(
        "Payson and Savage",
        499.0,
        {"C": -317.0, "Mn": -33.0, "Cr": -28.0, "Ni": -17.0, "Si": -11.0, "Mo": -11.0, "W": -11.0},
        1.00,
        "1940s",
        "P. Payson, C.H. Savage, Trans. ASM 33 (1944) 261; constants as quoted by later work, limit from memory",
    ),
)
"""Every published linear formula in use. The product form of 1965 is left out: it turns upwards near 1 % carbon."""

KOISTINEN_MARBURGER: Final = Coefficient(
    name="Koistinen-Marburger rate",
    value=0.011,
    unit="1/K",
    source="D.P. Koistinen, R.E. Marburger, Acta Metall. 7 (1959) 59",
    low=0.0,
    high=1.1,
    argument_unit="wt% C",
)

RETAINED_AUSTENITE_HV: Final = Coefficient(
    name="hardness of retained austenite",
    value=300.0,
    unit="HV",
    source="from memory; between 200 and 400 HV for high-carbon austenite",
    spread=70.0,
    spread_is_absolute=True,
)

MEASURED_QUENCHED: Final = ((0.74, 0.66, 66.5), (0.89, 0.55, 67.0), (0.98, 0.30, 66.5), (1.15, 0.58, 64.5))
"""Carbon [wt%], manganese [wt%], hardness [HRC] of water-quenched plain carbon discs above the A255 range:
J.H. Hollomon, L.D. Jaffe, Trans. AIME 162 (1945) 223 (retained austenite included, as it was)."""

OLDER: Final = np.array([formula.group == "1940s" for formula in START_FORMULAS])
"""Which rows of `START_FORMULAS` make the best value: nearer to measured diagrams of high-carbon steels."""

MOST_CARBON_WT_PCT: Final = 2.06
"""Austenite holds no more carbon than this, at the eutectic."""

A255_CARBON_WT_PCT: Final = (0.10, 0.69)
ROOM_K: Final = kelvin_from_celsius(25.0)
USUAL_MANGANESE_WT_PCT: Final = 0.60
"""Manganese taken for the measured discs (0.30 to 0.66) and for A255's plain steels."""


@dataclass(frozen=True, slots=True)
class FormulaStart:
    """One formula's answer [K]; ``inside`` is false where its steels did not reach this carbon."""

    name: str
    start_K: float
    inside: bool


@dataclass(frozen=True, slots=True)
class MartensiteStart:
    """Start of martensite by every formula.

    ``best_K`` is the mean of the 1940s group; ``low_K`` and ``high_K`` are the extremes of all formulas.
    """

    best_K: float
    low_K: float
    high_K: float
    each: tuple[FormulaStart, ...]


def start_by_formula_K(carbon_wt_pct: ArrayLike, alloy_wt_pct: Mapping[str, float] | None = None) -> FloatArray:
    """Temperature at which martensite starts to form, one row for each of `START_FORMULAS`, inside its range or not.

    Parameters
    ----------
    carbon_wt_pct : array, shape (n,)     carbon in solution in the austenite [wt%]; 0 to 2.06
    alloy_wt_pct : mapping                alloying elements [wt%]; those a formula does not know count as none there

    Returns    array, shape (5, n)        start of martensite [K]
    Raises     OutOfRange                 carbon below 0 or beyond what austenite can hold
    Source     the five sources of `START_FORMULAS`
    """
    C = np.asarray(carbon_wt_pct, dtype=float)
    outside = np.atleast_1d(~((C >= 0.0) & (C <= MOST_CARBON_WT_PCT)))
    if np.any(outside):
        worst = float(np.atleast_1d(C)[outside][0])
        raise OutOfRange("carbon in solution for the start of martensite", worst, 0.0, MOST_CARBON_WT_PCT, "wt%")
    alloy = alloy_wt_pct or {}
    rows = []
    for formula in START_FORMULAS:
        level = formula.at_zero_C + sum(formula.per_wt_pct.get(name, 0.0) * part for name, part in alloy.items())
        rows.append(kelvin_from_celsius(level + formula.per_wt_pct["C"] * C))
    return np.stack(rows)


def martensite_start(carbon_wt_pct: float, alloy_wt_pct: Mapping[str, float] | None = None) -> MartensiteStart:
    """Temperature at which martensite starts to form, by every published formula, with their spread.

    Parameters
    ----------
    carbon_wt_pct : float          carbon in solution in the austenite [wt%]; 0 to 2.06, each formula has its own limit
    alloy_wt_pct : mapping         alloying elements [wt%]; those a formula does not know count as none there

    Returns    MartensiteStart     [K]; a formula beyond its own steels is marked
    Raises     OutOfRange          carbon below 0 or beyond what austenite can hold
    Source     the five sources of `START_FORMULAS`
    """
    starts = start_by_formula_K(np.array([carbon_wt_pct]), alloy_wt_pct)[:, 0]
    each = tuple(
        FormulaStart(formula.name, float(start_K), carbon_wt_pct <= formula.high_carbon_wt_pct)
        for formula, start_K in zip(START_FORMULAS, starts, strict=True)
    )
    return MartensiteStart(float(starts[OLDER].mean()), float(starts.min()), float(starts.max()), each)


def retained_austenite(martensite_start_K: ArrayLike, quench_end_K: ArrayLike) -> FloatArray:
    """Share of austenite that is still there at the end of a quench.

    Parameters
    ----------
    martensite_start_K : array     start of martensite [K]
    quench_end_K : array           coldest temperature of the quench [K]

    Returns    array               share by volume [-], 0 to 1
    Source     D.P. Koistinen, R.E. Marburger, Acta Metall. 7 (1959) 59: exp[-0.011 (Ms - T)]
    """
    below_K = np.asarray(martensite_start_K, dtype=float) - np.asarray(quench_end_K, dtype=float)
    return np.asarray(np.exp(-KOISTINEN_MARBURGER.value * np.maximum(below_K, 0.0)))


def full_martensite_HRC(carbon_wt_pct: ArrayLike) -> FloatArray:
    """Hardness of steel quenched wholly to martensite, by its carbon: the initial hardness of ASTM A255.

    Parameters
    ----------
    carbon_wt_pct : array      carbon [wt%]; valid 0.10 to 0.69

    Returns    array           hardness [HRC]
    Raises     OutOfRange      beyond; above 0.69 use `quenched_hardness_HV`, which follows measured discs to 1.15
    Source     ASTM A255 / SAE J406, polynomial in carbon; coefficients seen in public sources that quote the standard
    """
    C = _inside_a255(carbon_wt_pct, "carbon for the hardness of martensite")
    return np.asarray(np.polynomial.polynomial.polyval(C, (33.087, 50.723, 33.662, -2.7048, -107.02, 43.523)))


def half_martensite_HRC(carbon_wt_pct: ArrayLike) -> FloatArray:
    """Hardness of steel that is half martensite, by its carbon: where ASTM A255 ends the hardened depth.

    Parameters
    ----------
    carbon_wt_pct : array      carbon [wt%]; valid 0.10 to 0.69

    Returns    array           hardness [HRC]
    Raises     OutOfRange      beyond
    Source     ASTM A255 / SAE J406, polynomial in carbon; coefficients from memory
    """
    C = _inside_a255(carbon_wt_pct, "carbon for the hardness of half martensite")
    return np.asarray(np.polynomial.polynomial.polyval(C, (22.974, 6.214, 356.364, -1091.488, 1464.88, -750.441)))


def maynier_martensite_HV(
    carbon_wt_pct: float, alloy_wt_pct: Mapping[str, float], cooling_rate_K_per_h: float
) -> float:
    """Hardness of martensite by composition and cooling rate at 700 C.

    Parameters
    ----------
    carbon_wt_pct : float              carbon [wt%]; valid 0.10 to 0.50
    alloy_wt_pct : mapping             Si, Mn, Ni, Cr [wt%]
    cooling_rate_K_per_h : float       cooling rate at 700 C [K/h], above 0

    Returns    float                   hardness [HV]
    Raises     OutOfRange              carbon beyond; the next best is `quenched_hardness_HV`
    Source     P. Maynier, J. Dollet, P. Bastien, Hardenability Concepts (AIME 1978) 518: composition terms seen, the
               term of the cooling rate and the limits from memory
    """
    if not 0.10 <= carbon_wt_pct <= 0.50:
        raise OutOfRange(
            "carbon for Maynier's hardness", carbon_wt_pct, 0.10, 0.50, "wt%", "beyond it use the measured curve"
        )
    terms = {"Si": 27.0, "Mn": 11.0, "Ni": 8.0, "Cr": 16.0}
    alloy = sum(factor * alloy_wt_pct.get(element, 0.0) for element, factor in terms.items())
    return 127.0 + 949.0 * carbon_wt_pct + alloy + 21.0 * float(np.log10(cooling_rate_K_per_h))


def quenched_hardness_HV(carbon_wt_pct: ArrayLike, austenite_share: ArrayLike) -> FloatArray:
    """Hardness of martensite with its retained austenite, by carbon in solution.

    Up to 0.69 % it is the A255 hardness, from 0.74 to 1.15 % the measured discs: both of plain steel quenched to room
    temperature, with the austenite that leaves. More or less austenite than that counts as a mixture by volume. Above
    1.15 % the martensite stays that of 1.15 % and only the austenite grows.

    Parameters
    ----------
    carbon_wt_pct : array          carbon in solution in the austenite [wt%]; valid 0.10 to 2.06
    austenite_share : array        retained austenite of this quench [-]

    Returns    array               hardness [HV]
    Raises     OutOfRange          carbon below 0.10 wt%
    Source     ASTM A255 polynomial; J.H. Hollomon, L.D. Jaffe, Trans. AIME 162 (1945) 223; the mixture is our choice
    """
    C = np.asarray(carbon_wt_pct, dtype=float)
    low, high = A255_CARBON_WT_PCT[0], MEASURED_QUENCHED[-1][0]
    if np.any(low - 1e-9 > C):
        raise OutOfRange("carbon for the quenched hardness", float(np.min(C)), low, MOST_CARBON_WT_PCT, "wt%", "A255")
    known = np.clip(C, low, high)
    reference_K = start_by_formula_K(known, {"Mn": USUAL_MANGANESE_WT_PCT})[OLDER].mean(axis=0)
    kept, soft_HV = retained_austenite(reference_K, ROOM_K), RETAINED_AUSTENITE_HV.value
    # What the martensite alone must be for the mixture at room temperature to be the measured hardness.
    martensite_HV = (vickers_HV(_measured_HRC(known)) - kept * soft_HV) / (1.0 - kept)
    share = np.asarray(austenite_share, dtype=float)
    return np.asarray((1.0 - share) * martensite_HV + share * soft_HV)


def _measured_HRC(carbon_wt_pct: FloatArray) -> FloatArray:
    """Quenched hardness [HRC] at room temperature: A255 to 0.69, measured points from 0.74, a line between."""
    low, high = A255_CARBON_WT_PCT
    at = [high, *(carbon for carbon, _, _ in MEASURED_QUENCHED)]
    hardness = [float(full_martensite_HRC(high)), *(HRC for _, _, HRC in MEASURED_QUENCHED)]
    return np.where(
        carbon_wt_pct <= high,
        full_martensite_HRC(np.clip(carbon_wt_pct, low, high)),
        np.interp(carbon_wt_pct, at, hardness),
    )


def _inside_a255(carbon_wt_pct: ArrayLike, what: str) -> FloatArray:
    C = np.asarray(carbon_wt_pct, dtype=float)
    low, high = A255_CARBON_WT_PCT
    outside = np.atleast_1d(~((low - 1e-9 <= C) & (high + 1e-9 >= C)))
    if np.any(outside):
        worst = float(np.atleast_1d(C)[outside][0])
        raise OutOfRange(what, worst, low, high, "wt%", "ASTM A255; above it the measured discs to 1.15 wt%")
    return C


def reported_quenched_HRC(hardness_HV: ArrayLike) -> FloatArray:
    """Rockwell C hardness of a quenched hardness: not a number below the scale (20 HRC), 68 at its end and beyond.

    Parameters
    ----------
    hardness_HV : array        hardness [HV]

    Returns    array           hardness [HRC]
    Source     ASTM E140 Table 1
    """
    HV = np.asarray(hardness_HV, dtype=float)
    on_scale = HV >= LEAST_HV
    return np.where(on_scale, rockwell_HRC(np.clip(np.where(on_scale, HV, LEAST_HV), LEAST_HV, MOST_HV)), np.nan)
