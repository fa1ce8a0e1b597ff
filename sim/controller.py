"""The controller on the simulated oven: PID, output limits, alarms, and what its display and registers show. Pure.

It knows nothing of the oven but what its thermocouple input gives it, just like a real one.
"""

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from sim.thermocouple import ZERO_CELSIUS_K

Unit = Literal["C", "F"]

# Bits of the status word; the same order is used for coils and discrete inputs.
ALARM_HIGH = 1 << 0
ALARM_DEVIATION = 1 << 1
SENSOR_BREAK = 1 << 2
OUTPUT_AT_LIMIT = 1 << 3
PROGRAM_RUNNING = 1 << 4
PROGRAM_WAITING = 1 << 5
HEATER_ON = 1 << 6


@dataclass(frozen=True, slots=True)
class Tuning:
    """How the controller is set up.

    gain_per_K               output fraction per kelvin of error [1/K]
    integral_s, derivative_s reset and rate times [s]; the rate acts on the measured value, filtered over a tenth
    output_low, output_high  limits of the output, 0 to 1
    scan_s                   how often it measures and decides [s]
    cycle_s                  time-proportioning period of the relay [s]; 0 drives the heater steplessly
    noise_K                  standard deviation of the thermocouple input [K]
    offset_K                 constant error of the thermocouple [K]
    decimal_places           of the displayed value
    span_K                   range of the input [K]; beyond it the break code is shown
    """

    gain_per_K: float = 0.025
    integral_s: float = 240.0
    derivative_s: float = 25.0
    output_low: float = 0.0
    output_high: float = 1.0
    scan_s: float = 1.0
    cycle_s: float = 0.0
    noise_K: float = 0.25
    offset_K: float = 0.0
    decimal_places: int = 1
    unit: Unit = "C"
    high_alarm_K: float = 1250.0 + ZERO_CELSIUS_K
    deviation_alarm_K: float = 25.0
    span_K: tuple[float, float] = (173.15, 1653.15)


@dataclass(frozen=True, slots=True)
class ControllerState:
    """What the controller remembers between two scans.

    measured_K    last measured value [K]; nan when the sensor is broken
    output        0 to 1; heater_on is what the relay does with it now
    """

    measured_K: float = math.nan
    set_point_K: float = math.nan
    output: float = 0.0
    integral: float = 0.0
    filtered_K: float = math.nan
    slope_K_per_s: float = 0.0
    cycle_elapsed_s: float = 0.0
    heater_on: bool = False
    status: int = 0


def measure_K(tuning: Tuning, true_K: float, rng: np.random.Generator) -> float:
    """What the input makes of a thermocouple at `true_K` [K]: offset and noise; nan outside the span."""
    if math.isnan(true_K):
        return math.nan
    value = true_K + tuning.offset_K
    if tuning.noise_K > 0:
        value += tuning.noise_K * float(rng.standard_normal())
    low, high = tuning.span_K
    return value if low <= value <= high else math.nan


def scan(
    tuning: Tuning,
    state: ControllerState,
    measured_K: float,
    set_point_K: float,
    *,
    heating: bool,
    waiting: bool = False,
) -> ControllerState:
    """One scan: the next output from the measured value and the set point [K].

    The integral moves only when the output is inside its limits or the error drives it back inside, so it cannot
    wind up during a long ramp at full power. A broken sensor (nan) turns the output off.
    """
    running = PROGRAM_RUNNING if heating else 0
    running |= PROGRAM_WAITING if waiting else 0
    elapsed = (state.cycle_elapsed_s + tuning.scan_s) % tuning.cycle_s if tuning.cycle_s > 0 else 0.0
    if math.isnan(measured_K):
        return replace(
            state,
            measured_K=math.nan,
            set_point_K=set_point_K,
            output=0.0,
            filtered_K=math.nan,
            slope_K_per_s=0.0,
            cycle_elapsed_s=elapsed,
            heater_on=False,
            status=SENSOR_BREAK | running,
        )
    dt = tuning.scan_s
    filter_s = 0.1 * tuning.derivative_s + dt
    if math.isnan(state.filtered_K):
        filtered, slope = measured_K, 0.0
    else:
        filtered = state.filtered_K + (measured_K - state.filtered_K) * dt / filter_s
        slope = (filtered - state.filtered_K) / dt
    error = set_point_K - measured_K
    proportional = tuning.gain_per_K * error
    rate = -tuning.gain_per_K * tuning.derivative_s * slope
    step = tuning.gain_per_K * error * dt / tuning.integral_s if tuning.integral_s > 0 else 0.0
    wanted = proportional + state.integral + step + rate
    pushes_out = (wanted > tuning.output_high and step > 0) or (wanted < tuning.output_low and step < 0)
    integral = state.integral if pushes_out else state.integral + step
    integral = min(max(integral, tuning.output_low), tuning.output_high)
    wanted = proportional + integral + rate
    output = min(max(wanted, tuning.output_low), tuning.output_high)
    if not heating:
        output, integral = 0.0, 0.0
    on = output > 0 if tuning.cycle_s <= 0 else elapsed < output * tuning.cycle_s
    status = running | (HEATER_ON if on else 0)
    status |= ALARM_HIGH if measured_K > tuning.high_alarm_K else 0
    status |= ALARM_DEVIATION if heating and abs(error) > tuning.deviation_alarm_K else 0
    status |= OUTPUT_AT_LIMIT if heating and output in (tuning.output_low, tuning.output_high) else 0
    return ControllerState(measured_K, set_point_K, output, integral, filtered, slope, elapsed, on, status)


def heater_fraction(tuning: Tuning, state: ControllerState) -> float:
    """How much of the heater's power flows until the next scan, 0 to 1."""
    return (1.0 if state.heater_on else 0.0) if tuning.cycle_s > 0 else state.output


def displayed(temperature_K: float, unit: Unit, decimal_places: int) -> float:
    """A temperature [K] as the display shows it: in its unit, rounded to its decimals; nan stays nan."""
    celsius = temperature_K - ZERO_CELSIUS_K
    value = celsius if unit == "C" else celsius * 1.8 + 32.0
    return value if math.isnan(value) else round(value, decimal_places)
