"""The only unit conversions in the project, and what a person prefers to read.

Inside the core everything is SI; nothing outside this module adds 273.15 or multiplies by 25.4.
All conversions take floats or numpy arrays alike.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, TypeVar

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]

Number = TypeVar("Number", float, "FloatArray")


def __getattr__(name: str) -> Any:
    """``FloatArray`` for whoever asks for it: commands that convert single numbers start without loading numpy."""
    if name != "FloatArray":
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    import numpy as np
    from numpy.typing import NDArray

    return NDArray[np.float64]


ZERO_CELSIUS_K = 273.15
SECONDS_PER_HOUR = 3600.0
METRES_PER_INCH = 0.0254

TemperatureUnit = Literal["C", "F"]
LengthUnit = Literal["mm", "in"]


def kelvin_from_celsius(temperature_C: Number) -> Number:
    """Absolute temperature [K] of a Celsius temperature [C]."""
    return temperature_C + ZERO_CELSIUS_K


def celsius_from_kelvin(temperature_K: Number) -> Number:
    """Celsius temperature [C] of an absolute temperature [K]."""
    return temperature_K - ZERO_CELSIUS_K


def kelvin_from_fahrenheit(temperature_F: Number) -> Number:
    """Absolute temperature [K] of a Fahrenheit temperature [F]."""
    return (temperature_F - 32.0) / 1.8 + ZERO_CELSIUS_K


def fahrenheit_from_kelvin(temperature_K: Number) -> Number:
    """Fahrenheit temperature [F] of an absolute temperature [K]."""
    return (temperature_K - ZERO_CELSIUS_K) * 1.8 + 32.0


def metres_from_millimetres(length_mm: Number) -> Number:
    """Length [m] of a length in millimetres [mm]."""
    return length_mm / 1000.0


def millimetres_from_metres(length_m: Number) -> Number:
    """Length in millimetres [mm] of a length [m]."""
    return length_m * 1000.0


def metres_from_inches(length_in: Number) -> Number:
    """Length [m] of a length in inches [in]."""
    return length_in * METRES_PER_INCH


def inches_from_metres(length_m: Number) -> Number:
    """Length in inches [in] of a length [m]."""
    return length_m / METRES_PER_INCH


def hours_from_seconds(duration_s: Number) -> Number:
    """Duration in hours [h] of a duration [s]."""
    return duration_s / SECONDS_PER_HOUR


def seconds_from_hours(duration_h: Number) -> Number:
    """Duration [s] of a duration in hours [h]."""
    return duration_h * SECONDS_PER_HOUR


@dataclass(frozen=True, slots=True)
class DisplayUnits:
    """The units a person reads: remembered from how the sheet or the oven file was written."""

    temperature: TemperatureUnit = "C"
    length: LengthUnit = "mm"

    def temperature_from_kelvin(self, temperature_K: Number) -> Number:
        """Temperature [K] in the person's unit."""
        if self.temperature == "C":
            return celsius_from_kelvin(temperature_K)
        return fahrenheit_from_kelvin(temperature_K)

    def temperature_difference(self, difference_K: Number) -> Number:
        """Temperature difference [K] in the person's degrees."""
        return difference_K if self.temperature == "C" else difference_K * 1.8

    def length_from_metres(self, length_m: Number) -> Number:
        """Length [m] in the person's unit."""
        return millimetres_from_metres(length_m) if self.length == "mm" else inches_from_metres(length_m)

    def said(self, value: float, unit: str) -> str:
        """A quantity in words, in the person's unit where there is a choice.

        Parameters
        ----------
        value : the quantity [``unit``]
        unit : "m", "K" (a temperature), "difference_K", "s_as_h" (seconds, said in hours), "parameter_K" (kelvin that
            are no temperature); anything else is put behind the number as it is
        """
        return " ".join(self._parts(value, unit)).rstrip()

    def said_span(self, low: float, high: float, unit: str) -> str:
        """From ``low`` to ``high`` [``unit``, as in `said`] in words, the unit once: "600 to 1147 C"."""
        least, _ = self._parts(low, unit)
        return f"{least} to {self.said(high, unit)}"

    def _parts(self, value: float, unit: str) -> tuple[str, str]:
        match unit:
            case "m":
                return _digits(self.length_from_metres(value)), self.length
            case "K":
                return _digits(self.temperature_from_kelvin(value)), self.temperature
            case "difference_K":
                return _digits(self.temperature_difference(value)), self.temperature
            case "s_as_h":
                return _digits(hours_from_seconds(value)), "h"
        return _digits(value), unit.removeprefix("parameter_")


def _digits(value: float) -> str:
    """Four digits are enough to find a mistake by; never a power of ten where the digits can be written."""
    return f"{value:.0f}" if 1e4 <= abs(value) < 1e9 else f"{value:.4g}"


InUnits = Callable[[DisplayUnits], DisplayUnits]
"""What turns a sheet's units into those somebody asked for."""
