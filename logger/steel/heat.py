"""Heat in and around the steel: heat capacities with the transformation peak, pack conductivity, radiation."""

from dataclasses import dataclass

import numpy as np

from logger.errors import Fault, InputFault
from logger.units import FloatArray, celsius_from_kelvin

STEFAN_BOLTZMANN_W_PER_M2_K4 = 5.670374419e-8
"""CODATA 2018 value, exact from the defined constants [W/m2/K4]."""

JOULES_PER_CALORIE = 4.184
GRAPHITE_KG_PER_MOL = 0.012011
COLDEST_TABLE_K, HOTTEST_TABLE_K, TABLE_STEP_K = 200.0, 2000.0, 1.0


@dataclass(frozen=True, slots=True)
class Spread:
    """A coefficient's usual value and the limits that hold it nine times in ten, with unit and where they are from."""

    value: float
    low: float
    high: float
    unit: str
    source: str


def steel_heat_capacity_J_per_kg_K(temperature_K: FloatArray) -> FloatArray:
    """Apparent specific heat of plain carbon steel on heating, with the transformation peak at 735 C.

    Parameters
    ----------
    temperature_K : array, any shape       steel temperature [K]; 293 to 1473; held constant beyond both ends

    Returns    array, same shape           specific heat [J/kg/K]
    Source     EN 1993-1-2:2005, 3.4.1.2(1), from memory. On cooling the peak comes 50 to 100 K lower; one curve
               serves for both here. Spread of the smooth part about 5 %, of the peak's heat about 20 %.
    """
    T = np.clip(celsius_from_kelvin(np.asarray(temperature_K, dtype=np.float64)), 20.0, 1200.0)
    below = 425.0 + 0.773 * T - 1.69e-3 * T**2 + 2.22e-6 * T**3
    rising = 666.0 + 13002.0 / np.maximum(738.0 - T, 3.0)
    falling = 545.0 + 17820.0 / np.maximum(T - 731.0, 4.0)
    return np.where(T < 600.0, below, np.where(T <= 735.0, rising, np.where(T < 900.0, falling, 650.0)))


def steel_enthalpy_J_per_kg(temperature_K: FloatArray) -> FloatArray:
    """Heat in plain carbon steel above 20 C: the exact integral of `steel_heat_capacity_J_per_kg_K`.

    Parameters
    ----------
    temperature_K : array, any shape       steel temperature [K]; beyond 293 to 1473 K the end values continue

    Returns    array, same shape           enthalpy [J/kg]
    Source     EN 1993-1-2:2005, 3.4.1.2(1), from memory, integrated by hand
    """
    T_all = celsius_from_kelvin(np.asarray(temperature_K, dtype=np.float64))
    T = np.clip(T_all, 20.0, 1200.0)

    def smooth(t: FloatArray) -> FloatArray:
        return 425.0 * t + 0.773 / 2 * t**2 - 1.69e-3 / 3 * t**3 + 2.22e-6 / 4 * t**4

    h = smooth(np.minimum(T, 600.0)) - smooth(np.array(20.0))
    t = np.clip(T, 600.0, 735.0)
    h = h + 666.0 * (t - 600.0) + 13002.0 * np.log(138.0 / (738.0 - t))
    t = np.clip(T, 735.0, 900.0)
    h = h + 545.0 * (t - 735.0) + 17820.0 * np.log((t - 731.0) / 4.0)
    h = h + 650.0 * (np.maximum(T, 900.0) - 900.0)
    return h + (T_all - T) * steel_heat_capacity_J_per_kg_K(temperature_K)


def carbon_heat_capacity_J_per_kg_K(temperature_K: FloatArray) -> FloatArray:
    """Specific heat of graphite, used for charcoal and coke too.

    Parameters
    ----------
    temperature_K : array, any shape       pack temperature [K]; 298 to 2300; constant below 298

    Returns    array, same shape           specific heat [J/kg/K]
    Source     Cp = 4.03 + 1.14e-3 T - 2.04e5 / T^2 cal/mol/K, a graphite maker's data page; agrees with
               0.69 to 0.72 kJ/kg/K at 25 C. Charcoal's ash and bound gas: 10 % spread.
    """
    T = np.maximum(np.asarray(temperature_K, dtype=np.float64), 298.15)
    return (4.03 + 1.14e-3 * T - 2.04e5 / T**2) * (JOULES_PER_CALORIE / GRAPHITE_KG_PER_MOL)


def carbon_enthalpy_J_per_kg(temperature_K: FloatArray) -> FloatArray:
    """Heat in carbon above 25 C: the exact integral of `carbon_heat_capacity_J_per_kg_K`.

    Parameters
    ----------
    temperature_K : array, any shape       pack temperature [K]

    Returns    array, same shape           enthalpy [J/kg]
    Source     as the heat capacity, integrated by hand
    """
    T_all = np.asarray(temperature_K, dtype=np.float64)
    T = np.maximum(T_all, 298.15)
    T0 = 298.15
    calories = 4.03 * (T - T0) + 0.57e-3 * (T**2 - T0**2) + 2.04e5 * (1.0 / T - 1.0 / T0)
    below = (T_all - T) * carbon_heat_capacity_J_per_kg_K(np.array(T0))
    return calories * (JOULES_PER_CALORIE / GRAPHITE_KG_PER_MOL) + below


def pack_conductivity_W_per_m_K(
    temperature_K: FloatArray, contact_W_per_m_K: float | FloatArray, radiation_length_m: float | FloatArray
) -> FloatArray:
    """Effective conductivity of a loose bed: through grains and gas, plus radiation across the voids.

    Parameters
    ----------
    temperature_K : array, any shape       bed temperature [K]
    contact_W_per_m_K : conductivity of the cold bed [W/m/K]
    radiation_length_m : exchange factor times the distance light travels between grains [m]

    Returns    array, same shape           conductivity [W/m/K]
    Source     k = k_cold + 4 sigma l T^3, the diffusion form of radiation between grains; from memory
    """
    T = np.asarray(temperature_K, dtype=np.float64)
    return contact_W_per_m_K + (4.0 * STEFAN_BOLTZMANN_W_PER_M2_K4) * radiation_length_m * (T * T * T)


def radiation_coefficient_W_per_m2_K(
    from_K: FloatArray, to_K: FloatArray, emissivity: float | FloatArray
) -> FloatArray:
    """Heat-transfer coefficient that gives exactly the radiation between two temperatures.

    Parameters
    ----------
    from_K, to_K : arrays, one shape       temperatures of the two surfaces [K]
    emissivity : effective emissivity of the pair [-]; 0 to 1

    Returns    array, same shape           coefficient [W/m2/K]: times (from - to) gives the heat flow
    Source     Stefan-Boltzmann law, factored
    """
    return emissivity * STEFAN_BOLTZMANN_W_PER_M2_K4 * (from_K * from_K + to_K * to_K) * (from_K + to_K)


@dataclass(frozen=True, slots=True)
class PackBed:
    """How a packed bed of one kind carries and stores heat: cold conductivity, radiation length, bulk density."""

    kind: str
    contact_W_per_m_K: Spread
    radiation_length_m: Spread
    density_kg_per_m3: Spread


_CHARCOAL_K = "0.03 (published bed, 155 kg/m3) to 0.2 W/m/K for charcoal powders, from memory"
_GLOW = "hot bed two to three times the cold one, from memory"

PACK_BEDS: dict[str, PackBed] = {
    bed.kind: bed
    for bed in (
        PackBed(
            "charcoal",
            Spread(0.09, 0.04, 0.20, "W/m/K", _CHARCOAL_K),
            Spread(3.5e-4, 1.2e-4, 1.0e-3, "m", _GLOW),
            Spread(290.0, 190.0, 440.0, "kg/m3", "bulk 155 to 450 kg/m3: one published bed, the rest from memory"),
        ),
        PackBed(
            "charcoal and carbonate",
            Spread(0.12, 0.05, 0.26, "W/m/K", _CHARCOAL_K + "; a carbonate fills the voids"),
            Spread(3.5e-4, 1.2e-4, 1.0e-3, "m", _GLOW),
            Spread(380.0, 260.0, 550.0, "kg/m3", "a fifth carbonate by weight in charcoal, from memory"),
        ),
        PackBed(
            "bone charcoal",
            Spread(0.15, 0.08, 0.28, "W/m/K", "powders in gas 0.1 to 0.5 W/m/K"),
            Spread(3.0e-4, 1.2e-4, 7.0e-4, "m", _GLOW),
            Spread(650.0, 500.0, 850.0, "kg/m3", "from memory"),
        ),
        PackBed(
            "activated carbon",
            Spread(
                0.20, 0.12, 0.36, "W/m/K", "0.36 W/m/K at 600 kg/m3, Front. Energy 5 (2011), 10.1007/s11708-011-0145-y"
            ),
            Spread(4.0e-4, 1.5e-4, 9.0e-4, "m", _GLOW),
            Spread(520.0, 400.0, 620.0, "kg/m3", "600 kg/m3 in the same paper"),
        ),
        PackBed(
            "coke",
            Spread(0.18, 0.09, 0.36, "W/m/K", "powders in gas 0.1 to 0.5 W/m/K"),
            Spread(6.0e-4, 2.5e-4, 1.4e-3, "m", _GLOW),
            Spread(550.0, 420.0, 720.0, "kg/m3", "from memory"),
        ),
        PackBed(
            "graphite",
            Spread(0.35, 0.18, 0.70, "W/m/K", "powders in gas 0.1 to 0.5 W/m/K; graphite's grains conduct better"),
            Spread(1.5e-4, 5.0e-5, 4.0e-4, "m", "finer grains than charcoal, from memory"),
            Spread(800.0, 550.0, 1100.0, "kg/m3", "from memory"),
        ),
    )
}
"""The packs whose heat flow is known, by the name the sheet uses."""


def pack_bed(kind: str) -> PackBed:
    """Thermal coefficients of a pack by its name on the sheet.

    Parameters
    ----------
    kind : name of the pack

    Returns    PackBed
    Raises     InputFault                  a name that is not one of `PACK_BEDS`
    Source     `PACK_BEDS`
    """
    if kind not in PACK_BEDS:
        known = ", ".join(f'"{name}"' for name in PACK_BEDS)
        raise InputFault(Fault("canister.pack_kind", f'"{kind}"', f"one of {known}"))
    return PACK_BEDS[kind]


CONVECTION = Spread(10.0, 5.0, 20.0, "W/m2/K", "still oven air around a can, natural convection; from memory")
EMISSIVITY = Spread(
    0.75, 0.55, 0.90, "-", "oxidised steel 0.8 to 0.9, from memory; less for what the oven's own wall lacks"
)
MOISTURE_FACTOR = Spread(
    1.08, 0.98, 1.22, "-", "heat to dry 5 % damp out of charcoal and to split carbonates; worked out"
)


def _table_grid() -> FloatArray:
    return np.arange(COLDEST_TABLE_K, HOTTEST_TABLE_K + 0.5 * TABLE_STEP_K, TABLE_STEP_K)


STEEL_ENTHALPY_TABLE = steel_enthalpy_J_per_kg(_table_grid())
CARBON_ENTHALPY_TABLE = carbon_enthalpy_J_per_kg(_table_grid())
"""Enthalpies [J/kg] each `TABLE_STEP_K` from `COLDEST_TABLE_K`: what solvers interpolate in."""
