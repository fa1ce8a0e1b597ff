"""Where iron-carbon changes phase: each boundary as a published fit of carbon [wt%] over temperature.

Fitted to the Fe-C assessment of P. Gustafson, Scandinavian Journal of Metallurgy 14 (1985) 259, with cementite of
B. Hallstedt et al., Calphad 34 (2010) 129, as computed by pycalphad from its packaged data file; the largest error
of each fit stands beside it. Plain Fe-C at 1 atm: phosphorus, sulphur and silicon lower the melting of real iron.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np

from logger.steel.carbon_activity import carbon_at_activity_wt_pct
from logger.steel.carbon_diffusion import ferrite_diffusivity_m2_per_s, liquid_diffusivity_m2_per_s
from logger.units import FloatArray, celsius_from_kelvin, kelvin_from_celsius

SOURCE = "P. Gustafson, Scandinavian Journal of Metallurgy 14 (1985) 259; B. Hallstedt et al., Calphad 34 (2010) 129"

A1_K = kelvin_from_celsius(726.53)
"""Austenite + ferrite + cementite [K]; below it no useful carbon moves."""

A3_IRON_K = kelvin_from_celsius(911.7)
"""Ferrite to austenite in pure iron [K]."""

EUTECTIC_K = kelvin_from_celsius(1148.16)
"""Austenite + cementite + liquid [K]: below it nothing here melts."""

GRAPHITE_EUTECTOID_K = kelvin_from_celsius(738.02)
"""Austenite + ferrite + graphite [K]."""

GRAPHITE_EUTECTIC_K = kelvin_from_celsius(1153.43)
"""Austenite + graphite + liquid [K]."""

HIGHEST_K = kelvin_from_celsius(1400.0)
"""The fits end here [K]; delta ferrite appears not far above."""

EUTECTOID_WT_PCT = 0.762
"""Carbon of austenite at A1 [wt%]: above it, cementite forms along grain boundaries on slow cooling."""

CEMENTITE_WT_PCT = 6.69
"""Carbon of cementite Fe3C [wt%]."""

SMALLEST_LIMIT_WT_PCT = 1e-9


def _hundreds_above_1000_C(temperature_K: FloatArray) -> FloatArray:
    return (celsius_from_kelvin(temperature_K) - 1000.0) / 100.0


def _hundreds_below_iron_a3(temperature_K: FloatArray) -> FloatArray:
    return np.maximum((A3_IRON_K - temperature_K) / 100.0, 0.0)


def ferrite_limit_wt_pct(temperature_K: FloatArray) -> FloatArray:
    """Carbon ferrite holds beside austenite [wt%]; 0 above 911.7 C. Fit error 1e-4 wt% over 727 to 900 C.

    Parameters
    ----------
    temperature_K : array, shape (n,)      metal temperature [K]; from A1 up

    Returns    array, shape (n,)           carbon [wt%]
    Source     fit to the assessment named in this module's first lines
    """
    s = _hundreds_below_iron_a3(temperature_K)
    result: FloatArray = s * (0.01230268 + s * (-0.00196326 + s * 0.00046756))
    return result


def austenite_low_limit_wt_pct(temperature_K: FloatArray) -> FloatArray:
    """Carbon of austenite beside ferrite, the A3 line [wt%]; 0 above 911.7 C. Fit error 0.0015 wt%.

    Parameters
    ----------
    temperature_K : array, shape (n,)      metal temperature [K]; from A1 up

    Returns    array, shape (n,)           carbon [wt%]
    Source     fit to the assessment named in this module's first lines
    """
    s = _hundreds_below_iron_a3(temperature_K)
    result: FloatArray = s * (0.20747 + s * (0.053147 + s * 0.030567))
    return result


def cementite_line_wt_pct(temperature_K: FloatArray) -> FloatArray:
    """Carbon of austenite saturated with cementite, A_cm [wt%]. Fit error 0.0006 wt% over 727 to 1148 C.

    Parameters
    ----------
    temperature_K : array, shape (n,)      metal temperature [K]; A1 to the eutectic

    Returns    array, shape (n,)           carbon [wt%]
    Source     fit to the assessment named in this module's first lines
    """
    t = _hundreds_above_1000_C(temperature_K)
    result: FloatArray = 1.53444 + t * (0.324087 + t * (0.0168183 + t * 0.00062496))
    return result


def graphite_line_wt_pct(temperature_K: FloatArray) -> FloatArray:
    """Carbon of austenite in equilibrium with graphite [wt%], continued above the eutectic as activity 1.

    Parameters
    ----------
    temperature_K : array, shape (n,)      metal temperature [K]; A1 to 1400 C

    Returns    array, shape (n,)           carbon [wt%]
    Source     closed form of the assessment named in this module's first lines
    """
    return carbon_at_activity_wt_pct(temperature_K, np.ones_like(temperature_K))


def solidus_wt_pct(temperature_K: FloatArray) -> FloatArray:
    """Carbon at which austenite begins to melt [wt%]. Fit error 0.0006 wt% over 1149 to 1400 C.

    Parameters
    ----------
    temperature_K : array, shape (n,)      metal temperature [K]; the eutectic to 1400 C

    Returns    array, shape (n,)           carbon [wt%]
    Source     fit to the assessment named in this module's first lines
    """
    t = _hundreds_above_1000_C(temperature_K)
    result: FloatArray = 2.69293 + t * (-0.376346 + t * (-0.0411888 + t * 0.00269185))
    return result


def liquidus_wt_pct(temperature_K: FloatArray) -> FloatArray:
    """Carbon at which no austenite is left in the melt [wt%]. Fit error 0.0006 wt% over 1149 to 1400 C.

    Parameters
    ----------
    temperature_K : array, shape (n,)      metal temperature [K]; the eutectic to 1400 C

    Returns    array, shape (n,)           carbon [wt%]
    Source     fit to the assessment named in this module's first lines
    """
    t = _hundreds_above_1000_C(temperature_K)
    result: FloatArray = 5.58908 + t * (-0.777178 + t * (-0.0142176 - t * 0.0069096))
    return result


def liquid_at_graphite_wt_pct(temperature_K: FloatArray) -> FloatArray:
    """Carbon of liquid saturated with graphite [wt%]. Fit error 0.0008 wt% over 1154 to 1300 C.

    Parameters
    ----------
    temperature_K : array, shape (n,)      metal temperature [K]; the graphite eutectic to 1400 C

    Returns    array, shape (n,)           carbon [wt%]
    Source     fit to the assessment named in this module's first lines
    """
    result: FloatArray = 3.93988 + 0.2599 * _hundreds_above_1000_C(temperature_K)
    return result


def solidus_temperature_K(carbon_wt_pct: float) -> float:
    """Temperature [K] at which steel of a carbon content [wt%] begins to melt; the eutectic from 2.054 % up.

    Below 0.3 % the fit's end (1400 C) is returned: nothing the tool covers melts there.

    Source    `solidus_wt_pct`, inverted
    """
    temperatures_K = np.linspace(EUTECTIC_K, HIGHEST_K, 1000)
    solidus = solidus_wt_pct(temperatures_K)
    return float(np.interp(-carbon_wt_pct, -solidus, temperatures_K))


@dataclass(frozen=True, slots=True)
class PhaseTable:
    """Every boundary and phase property on an even temperature grid, for quick look-up inside the solver."""

    lowest_K: float
    step_K: float
    rows: FloatArray
    columns: FloatArray
    numbers: FloatArray

    def at(self, temperature_K: FloatArray) -> FloatArray:
        """Rows at temperatures [K], shape (m,): array (m, columns). See `phase_table` for the columns."""
        place = (temperature_K - self.lowest_K) / self.step_K
        index = np.minimum(np.maximum(place.astype(np.int64), 0), len(self.rows) - 2)
        part = (place - index)[:, None]
        low = self.rows[index]
        result: FloatArray = low + part * (self.rows[index + 1] - low)
        return result

    def column_at(self, column: int, temperature_K: FloatArray) -> FloatArray:
        """One column at temperatures [K] of any shape."""
        place = (temperature_K - self.lowest_K) / self.step_K
        result: FloatArray = np.interp(place, self.numbers, self.columns[column])
        return result

    def least_saturation_wt_pct(self, lowest_K: float, highest_K: float) -> float:
        """The least carbon [wt%] austenite can hold between two temperatures [K], or a little less.

        Saturation rises to the eutectic and falls above it, so one of the ends has it; a row of the table stands for
        all temperatures up to the next.
        """
        column, last = self.columns[SATURATION], len(self.rows) - 1
        low, high = ((one_K - self.lowest_K) / self.step_K for one_K in (lowest_K, highest_K))
        return float(min(column[max(int(low), 0)], column[min(int(high) + 1, last)]))


FERRITE_LIMIT, A3, SATURATION, LIQUIDUS, LIQUID_SLOPE, FERRITE_D, LIQUID_D, HIGHEST_W = range(8)
"""Columns of the phase table.

FERRITE_LIMIT, A3      carbon of ferrite and of austenite side by side [wt%]
SATURATION, LIQUIDUS   most carbon of austenite: A_cm, above the eutectic the solidus; carbon of the first full liquid
                       (below the eutectic: cementite) [wt%]
LIQUID_SLOPE           rise of austenite-equivalent carbon per carbon of the liquid [-]
FERRITE_D, LIQUID_D    diffusivities [m2/s]
HIGHEST_W              the most austenite-equivalent carbon a pack can hold at the surface [wt%]
"""

TABLE_STEP_K = 0.25


@cache
def phase_table() -> PhaseTable:
    """The phase table from A1 to 1400 C; made once."""
    # Grid points fall on both sides of the eutectic, where saturation turns from A_cm to the solidus within a step.
    count = int(np.ceil((HIGHEST_K - A1_K) / TABLE_STEP_K)) + 1
    T: FloatArray = A1_K + TABLE_STEP_K * np.arange(count, dtype=np.float64)
    molten = T > EUTECTIC_K
    hot = np.maximum(T, EUTECTIC_K)
    ferrite, a3 = ferrite_limit_wt_pct(T), austenite_low_limit_wt_pct(T)
    cementite, solidus = cementite_line_wt_pct(np.minimum(T, EUTECTIC_K)), solidus_wt_pct(hot)
    saturation = np.where(molten, np.minimum(solidus, cementite), cementite)
    graphite = graphite_line_wt_pct(T)
    # Just above the graphite eutectic both differences vanish; their ratio hardly changes with temperature.
    slope_K = np.maximum(T, GRAPHITE_EUTECTIC_K + 10.0)
    slope = (graphite_line_wt_pct(slope_K) - solidus_wt_pct(slope_K)) / (
        liquid_at_graphite_wt_pct(slope_K) - liquidus_wt_pct(slope_K)
    )
    rows = np.empty((count, 8))
    rows[:, FERRITE_LIMIT], rows[:, A3] = ferrite, np.minimum(a3, saturation)
    rows[:, SATURATION] = saturation
    rows[:, LIQUIDUS] = np.where(molten, liquidus_wt_pct(hot), CEMENTITE_WT_PCT)
    rows[:, LIQUID_SLOPE] = slope
    rows[:, FERRITE_D] = ferrite_diffusivity_m2_per_s(T)
    rows[:, LIQUID_D] = liquid_diffusivity_m2_per_s(hot)
    rows[:, HIGHEST_W] = np.where(molten, np.maximum(graphite, saturation), saturation)
    rows.setflags(write=False)
    return PhaseTable(A1_K, TABLE_STEP_K, rows, np.ascontiguousarray(rows.T), np.arange(count, dtype=np.float64))
