"""Raw thermocouple millivolts and the temperature they mean, with the terminals' temperature taken into account.

The reference functions are those of NIST Monograph 175 (1993), the ITS-90; the package thermocouple-its90 holds them.
"""

from thermocouple_its90 import RangeError, get

from logger.controllers.settings import ThermocoupleType
from logger.units import celsius_from_kelvin, kelvin_from_celsius


class OutsideTable(ValueError):
    """Millivolts or a temperature that the reference function of this thermocouple type does not cover."""


def hot_junction_K(emf_mV: float, cold_junction_K: float, thermocouple_type: ThermocoupleType) -> float:
    """Temperature of the hot junction [K] from the voltage at the terminals [mV] and their own temperature [K].

    The voltage of the terminals' temperature is added, never the temperature itself.

    Raises   OutsideTable    the sum lies outside the reference function
    Source   NIST Monograph 175 (1993)
    """
    thermocouple = get(thermocouple_type)
    try:
        temperature_C = thermocouple.temperature(emf_mV, reference=celsius_from_kelvin(cold_junction_K))
    except RangeError as error:
        raise OutsideTable(str(error)) from None
    return kelvin_from_celsius(float(temperature_C))


def millivolts_from_temperature(
    temperature_K: float, cold_junction_K: float, thermocouple_type: ThermocoupleType
) -> float:
    """Voltage at the terminals [mV] of a hot junction [K] when the terminals are at their own temperature [K].

    Raises   OutsideTable    a temperature outside the reference function
    Source   NIST Monograph 175 (1993)
    """
    thermocouple = get(thermocouple_type)
    try:
        hot_mV, cold_mV = (
            float(thermocouple.emf(celsius_from_kelvin(junction_K))) for junction_K in (temperature_K, cold_junction_K)
        )
    except RangeError as error:
        raise OutsideTable(str(error)) from None
    return hot_mV - cold_mV
