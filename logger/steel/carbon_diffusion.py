"""How fast carbon moves in iron: published diffusivity laws for austenite, ferrite and liquid.

The three carbon-dependent austenite laws agree to 9 % at no carbon and to 20 % at 1.2 % C from 900 C up; together
they are the model spread. A law is any object with `at(temperature_K, carbon_wt_pct)`, so a textbook's constant or
Arrhenius value takes the same place.
"""

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from logger.steel.coefficients import CALORIE_GAS_CONSTANT, GAS_CONSTANT_J_PER_MOL_K
from logger.steel.composition import carbon_mole_fraction, carbon_site_fraction
from logger.units import FloatArray


class DiffusivityLaw(Protocol):
    """Chemical diffusivity of carbon in austenite, in the law's own published form."""

    @property
    def name(self) -> str:
        """Short name of the law."""

    @property
    def source(self) -> str:
        """Where the law was published."""

    def at(self, temperature_K: FloatArray, carbon_wt_pct: FloatArray) -> FloatArray:
        """Diffusivity [m2/s] at temperatures [K] and carbon contents [wt%]; arrays broadcast."""

    def __hash__(self) -> int:
        """Laws are plain numbers, so that what is worked out for one can be kept."""


@dataclass(frozen=True, slots=True)
class AgrenDiffusivity:
    """Carbon in austenite by Ågren: the nominal law."""

    name: str = "Ågren 1986"
    source: str = "J. Ågren, Scripta Metallurgica 20 (1986) 1507"

    def at(self, temperature_K: FloatArray, carbon_wt_pct: FloatArray) -> FloatArray:
        """Diffusivity [m2/s], 4.53e-7 [1 + y(1-y) 8339.9/T] exp{-(1/T - 2.221e-4)(17767 - 26436 y)}.

        Parameters
        ----------
        temperature_K : array         metal temperature [K]; fitted to data from about 1000 to 1400 K
        carbon_wt_pct : array         carbon in austenite [wt%], 0 to about 2

        Returns    array, broadcast   diffusivity [m2/s]
        Source     J. Ågren, Scripta Metallurgica 20 (1986) 1507
        """
        T = temperature_K
        y = carbon_site_fraction(carbon_wt_pct)
        result: FloatArray = (
            4.53e-7 * (1.0 + y * (1.0 - y) * (8339.9 / T)) * np.exp((17767.0 - 26436.0 * y) * (2.221e-4 - 1.0 / T))
        )
        return result


@dataclass(frozen=True, slots=True)
class TibbettsDiffusivity:
    """Carbon in austenite with exp(-1.6 C) and an energy that falls with carbon."""

    name: str = "Tibbetts 1980"
    source: str = "attributed to G.G. Tibbetts, Journal of Applied Physics 51 (1980) 4813 (attribution from memory)"

    def at(self, temperature_K: FloatArray, carbon_wt_pct: FloatArray) -> FloatArray:
        """Diffusivity [m2/s], 0.47e-4 exp(-1.6 C) exp{-(37000 - 6600 C)/(1.987 T)}.

        Parameters
        ----------
        temperature_K : array         metal temperature [K]; about 1070 to 1370 K
        carbon_wt_pct : array         carbon in austenite [wt%], 0 to about 1.5

        Returns    array, broadcast   diffusivity [m2/s]
        Source     attributed to G.G. Tibbetts, Journal of Applied Physics 51 (1980) 4813 (attribution from memory)
        """
        C, T = carbon_wt_pct, temperature_K
        result: FloatArray = 0.47e-4 * np.exp(-1.6 * C - (37000.0 - 6600.0 * C) / (CALORIE_GAS_CONSTANT * T))
        return result


@dataclass(frozen=True, slots=True)
class SlyckeEricssonDiffusivity:
    """Carbon in austenite by Slycke and Ericsson."""

    name: str = "Slycke-Ericsson 1981"
    source: str = "J. Slycke, T. Ericsson, Journal of Heat Treating 2 (1981) 3 and 97"

    def at(self, temperature_K: FloatArray, carbon_wt_pct: FloatArray) -> FloatArray:
        """Diffusivity [m2/s], 4.84e-5 exp(-320 x/R)/(1 - 5x) exp{-(155000 - 570000 x)/(R T)}.

        Parameters
        ----------
        temperature_K : array         metal temperature [K]; about 1070 to 1370 K
        carbon_wt_pct : array         carbon in austenite [wt%], 0 to about 1.5

        Returns    array, broadcast   diffusivity [m2/s]
        Source     J. Slycke, T. Ericsson, Journal of Heat Treating 2 (1981) 3 and 97
        """
        T, R = temperature_K, GAS_CONSTANT_J_PER_MOL_K
        x = carbon_mole_fraction(carbon_wt_pct)
        exponent = -320.0 * x / R - (155000.0 - 570000.0 * x) / (R * T)
        result: FloatArray = 4.84e-5 / (1.0 - 5.0 * x) * np.exp(exponent)
        return result


@dataclass(frozen=True, slots=True)
class ArrheniusDiffusivity:
    """D0 exp(-Q/RT) whatever the carbon: the form of the textbook tables."""

    prefactor_m2_per_s: float
    energy_J_per_mol: float
    name: str = "Arrhenius"
    source: str = "as stated by the user of it"

    def at(self, temperature_K: FloatArray, carbon_wt_pct: FloatArray) -> FloatArray:
        """Diffusivity [m2/s] at temperatures [K], the same for every carbon content [wt%]."""
        D = self.prefactor_m2_per_s * np.exp(-self.energy_J_per_mol / (GAS_CONSTANT_J_PER_MOL_K * temperature_K))
        result: FloatArray = D + 0.0 * carbon_wt_pct
        return result


@dataclass(frozen=True, slots=True)
class ConstantDiffusivity:
    """One stated diffusivity: what most worked examples use."""

    diffusivity_m2_per_s: float
    name: str = "constant"
    source: str = "as stated by the user of it"

    def at(self, temperature_K: FloatArray, carbon_wt_pct: FloatArray) -> FloatArray:
        """Diffusivity [m2/s] whatever the temperature [K] and the carbon [wt%]."""
        result: FloatArray = self.diffusivity_m2_per_s + 0.0 * (temperature_K + carbon_wt_pct)
        return result


AGREN = AgrenDiffusivity()
TIBBETTS = TibbettsDiffusivity()
SLYCKE_ERICSSON = SlyckeEricssonDiffusivity()

PUBLISHED_LAWS: tuple[DiffusivityLaw, ...] = (AGREN, TIBBETTS, SLYCKE_ERICSSON)
"""The nominal law first; the three together are the model spread."""

DIFFUSIVITY_FACTOR_SPREAD = 0.05
"""One-sigma relative scatter that none of the laws holds (alloy, impurities, grain size): our estimate, no source.

The laws themselves differ by 6 to 20 %, and this must not hide that.
"""


def ferrite_diffusivity_m2_per_s(temperature_K: FloatArray) -> FloatArray:
    """Diffusivity [m2/s] of carbon in ferrite, 2e-6 exp(-10115/T) exp{0.5898 [1 + (2/pi) atan(14.985 - 15309/T)]}.

    Parameters
    ----------
    temperature_K : array, shape (n,)      metal temperature [K]; room temperature to 1184 K

    Returns    array, shape (n,)           diffusivity [m2/s]
    Source     J. Ågren, Acta Metallurgica 30 (1982) 841; textbook values differ from it by a factor of 2 to 5
    """
    T = temperature_K
    magnetic = 0.5898 * (1.0 + (2.0 / np.pi) * np.arctan(14.985 - 15309.0 / T))
    result: FloatArray = 2.0e-6 * np.exp(-10115.0 / T + magnetic)
    return result


LIQUID_PREFACTOR_M2_PER_S = 5.2e-7
LIQUID_ENERGY_J_PER_MOL = 51000.0
LIQUID_FACTOR_SPREAD = 2.0
"""One-sigma factor on the liquid diffusivity: published values scatter by a factor of two to three (from memory)."""


def liquid_diffusivity_m2_per_s(temperature_K: FloatArray) -> FloatArray:
    """Diffusivity [m2/s] of carbon in liquid Fe-C, 5.2e-7 exp(-51000/(R T)).

    About 8e-9 at 1200 C, some thirty times austenite: a melted skin is nearly even, so its exact value hardly matters.

    Parameters
    ----------
    temperature_K : array, shape (n,)      metal temperature [K]; 1420 to 1900 K

    Returns    array, shape (n,)           diffusivity [m2/s]
    Source     magnitude of the capillary measurements of the 1960s and 70s, from memory; good to a factor of two
    """
    T = temperature_K
    result: FloatArray = LIQUID_PREFACTOR_M2_PER_S * np.exp(-LIQUID_ENERGY_J_PER_MOL / (GAS_CONSTANT_J_PER_MOL_K * T))
    return result
