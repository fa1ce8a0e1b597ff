"""Carbon as weight per cent, mole fraction and site fraction; what alloying does to the carbon at equal activity."""

from collections.abc import Mapping

import numpy as np

from logger.units import FloatArray, Number

CARBON_MOLAR_MASS_G_PER_MOL = 12.011
IRON_MOLAR_MASS_G_PER_MOL = 55.847
"""Atomic masses as used by the published Fe-C assessments (IUPAC of the time)."""


def carbon_mole_fraction(carbon_wt_pct: Number) -> Number:
    """Mole fraction of carbon x [-] in Fe-C of a carbon content [wt%]. Source: by definition."""
    carbon_mol = carbon_wt_pct / CARBON_MOLAR_MASS_G_PER_MOL
    iron_mol = (100.0 - carbon_wt_pct) / IRON_MOLAR_MASS_G_PER_MOL
    return carbon_mol / (carbon_mol + iron_mol)


def carbon_site_fraction(carbon_wt_pct: Number) -> Number:
    """Carbon atoms per iron atom y = x / (1 - x) [-] of a carbon content [wt%]. Source: by definition."""
    return (carbon_wt_pct * IRON_MOLAR_MASS_G_PER_MOL) / ((100.0 - carbon_wt_pct) * CARBON_MOLAR_MASS_G_PER_MOL)


def carbon_wt_pct_of_site_fraction(site_fraction: Number) -> Number:
    """Carbon [wt%] of carbon atoms per iron atom y [-]. Source: by definition."""
    carbon_g = site_fraction * CARBON_MOLAR_MASS_G_PER_MOL
    return 100.0 * carbon_g / (carbon_g + IRON_MOLAR_MASS_G_PER_MOL)


GUNNARSON_LOG10_PER_WT_PCT = {"Si": 0.055, "Mn": -0.013, "Cr": -0.040, "Ni": 0.014, "Mo": -0.013}
"""log10(carbon potential / carbon of the alloy) per wt% of each element, at equal carbon activity."""

GUNNARSON_SOURCE = "S. Gunnarson, Härterei-Technische Mitteilungen 22 (1967) 293; coefficients from memory"


def potential_per_alloy_carbon(alloy_wt_pct: Mapping[str, float]) -> float:
    """Ratio [-] of the carbon an iron foil would take to the carbon this alloy takes, at equal activity.

    Silicon and nickel raise it (the alloy takes less carbon); manganese, chromium and molybdenum lower it.

    Parameters
    ----------
    alloy_wt_pct : alloying elements [wt%] by symbol; elements without a published coefficient count as none

    Returns    ratio [-]; 1 for plain iron
    Source     S. Gunnarson, Härterei-Technische Mitteilungen 22 (1967) 293; coefficients from memory; low alloy only
    """
    exponent = sum(GUNNARSON_LOG10_PER_WT_PCT.get(element, 0.0) * wt_pct for element, wt_pct in alloy_wt_pct.items())
    return float(10.0**exponent)


def mass_per_area_kg_per_m2(carbon_wt_pct_m: float | FloatArray, density_kg_per_m3: float) -> float | FloatArray:
    """Carbon mass per face area [kg/m2] of an integral of carbon over depth [wt% m] at a density [kg/m3].

    Source    by definition
    """
    return np.multiply(carbon_wt_pct_m, density_kg_per_m3 / 100.0)


CARBON_CONTENT_LEAST_SPREAD_WT_PCT = 0.015
CARBON_CONTENT_SPREAD_PER_WT_PCT = 0.025
"""One-sigma scatter of a stated carbon content: what the limits of the trade's grades leave, read as 90 % limits.

SAE 1018 is 0.15 to 0.20 %, 1045 0.43 to 0.50 %, 1095 0.90 to 1.03 % (from memory): half-widths of 0.025, 0.035 and
0.065 %, so 0.015, 0.021 and 0.040 % one sigma. Iron of unknown origin scatters more; the sheet's number is then a
guess.
"""


def carbon_content_spread_wt_pct(carbon_wt_pct: Number) -> Number:
    """One-sigma scatter [wt%] of a stated carbon content [wt%]: 0.015 + 0.025 C.

    Source    limits of the plain carbon grades of SAE J403, from memory
    """
    return CARBON_CONTENT_LEAST_SPREAD_WT_PCT + CARBON_CONTENT_SPREAD_PER_WT_PCT * carbon_wt_pct
