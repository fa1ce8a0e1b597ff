"""Equivalent time: the hours at one reference temperature that would have let as much diffuse.

    t_eq = integral of exp(-(Q/R) (1/T - 1/T_ref)) dt

over the whole history, heating and cooling and all. The steel below its transformation counts too: the weight there
is small (a ramp from 20 to 950 C at 5 C/min adds a quarter of an hour at 950 C, under 3 % of it from below 727 C),
and one plain integral can be checked by anyone. Between two samples the temperature is a straight line, and each
line is integrated to better than 1e-9 of its value, however long it is.
"""

from dataclasses import dataclass

import numpy as np

from logger.sheet import RunSheet
from logger.steel.coefficients import GAS_CONSTANT_J_PER_MOL_K
from logger.units import FloatArray

LONG_LINE = 0.5
"""A line across which the exponent changes by more than this is integrated in closed form, else by Gauss points."""

HOTTEST_K = 2000.0
"""Above the melting point of iron: no steel is hotter."""

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(6)


@dataclass(frozen=True, slots=True)
class EquivalentTimeProblem:
    """Activation energy [J/mol] and reference temperature [K]."""

    energy_J_per_mol: float = 148000.0
    reference_K: float = 1223.15


@dataclass(frozen=True, slots=True, eq=False)
class EquivalentTimeState:
    """Equivalent time so far (members,) [s] and the last sample; NaN and empty before the first."""

    equivalent_s: FloatArray
    last_s: float
    last_K: FloatArray


def problem_from_sheet(sheet: RunSheet) -> EquivalentTimeProblem:
    """The problem a sheet states.

    Parameters
    ----------
    sheet : RunSheet

    Returns    EquivalentTimeProblem
    """
    return EquivalentTimeProblem(sheet.equivalent_energy_J_per_mol, sheet.reference_temperature_K)


def begin(problem: EquivalentTimeProblem) -> EquivalentTimeState:
    """State before the first sample."""
    return EquivalentTimeState(np.zeros(1), float("nan"), np.empty(0))


def advance(
    problem: EquivalentTimeProblem, state: EquivalentTimeState, time_s: FloatArray, temperature_K: FloatArray
) -> EquivalentTimeState:
    """Take the next samples.

    Parameters
    ----------
    problem : EquivalentTimeProblem
    state : EquivalentTimeState            not changed
    time_s : array, (n,)                   times [s], later than all before
    temperature_K : array, (n,) or (members, n)   steel temperature [K], finite

    Returns    EquivalentTimeState
    Source     integral of D(t) dt, Crank, The Mathematics of Diffusion, section 7.1, from memory
    """
    T = np.atleast_2d(temperature_K)
    if not time_s.size:
        return state
    if not state.last_K.size:
        state = EquivalentTimeState(np.zeros(T.shape[0]), float(time_s[0]), T[:, 0].copy())
        time_s, T = time_s[1:], T[:, 1:]
        if not time_s.size:
            return state
    width = np.diff(time_s, prepend=state.last_s)
    knots = np.concatenate([state.last_K[:, None], T], axis=1)
    parts = width * mean_weight(knots[:, :-1], knots[:, 1:], problem)
    # Added one after the other, so that any cut of the history gives the same sum.
    total = np.add.accumulate(np.concatenate([state.equivalent_s[:, None], parts], axis=1), axis=1)[:, -1]
    return EquivalentTimeState(total.copy(), float(time_s[-1]), T[:, -1].copy())


def at_end(problem: EquivalentTimeProblem, state: EquivalentTimeState) -> FloatArray:
    """Equivalent time so far (members,) [s]."""
    return state.equivalent_s


def rate(problem: EquivalentTimeProblem, temperature_K: FloatArray) -> FloatArray:
    """Seconds of equivalent time per second at a temperature, any shape [K]."""
    return np.exp(
        (problem.energy_J_per_mol / GAS_CONSTANT_J_PER_MOL_K) * (1.0 / problem.reference_K - 1.0 / temperature_K)
    )


def mean_weight(from_K: FloatArray, to_K: FloatArray, problem: EquivalentTimeProblem) -> FloatArray:
    """Mean of the Arrhenius weight along straight lines of temperature.

    Parameters
    ----------
    from_K, to_K : arrays, one shape       ends of the lines [K]
    problem : EquivalentTimeProblem

    Returns    array, same shape           mean weight [-]
    Source     integral of exp(-u/T) dT = T E2(u/T), exponential integral; Gauss-Legendre, six points, for short lines
    """
    theta = problem.energy_J_per_mol / GAS_CONSTANT_J_PER_MOL_K
    at_reference = theta / problem.reference_K
    middle, half = 0.5 * (from_K + to_K), 0.5 * (to_K - from_K)
    mean = np.zeros(np.shape(middle))
    for node, weight in zip(_NODES, _WEIGHTS, strict=True):
        mean += (0.5 * weight) * np.exp(at_reference - theta / (middle + node * half))
    long = np.abs(theta / from_K - theta / to_K) > LONG_LINE
    if np.any(long):
        a, b = from_K[long], to_K[long]
        mean[long] = (_primitive(b, theta, at_reference) - _primitive(a, theta, at_reference)) / (b - a)
    return mean


def _primitive(T: FloatArray, theta: float, at_reference: float) -> FloatArray:
    """Integral of the weight from 0 K to T: T E2(u) with u = theta/T, by the continued fraction of e^u E2(u).

    Source     Abramowitz, Stegun, Handbook of Mathematical Functions, 5.1.22, from memory; its error after n terms
               falls like exp(-4 sqrt(n u)), by trial
    """
    u = theta / T
    # As many terms as the hottest steel needs, whatever is asked, so that any cut of the history gives the same bits.
    terms = 8 + int(np.ceil(60.0 * HOTTEST_K / theta))
    fraction = u + 2.0 * (terms + 1)
    for k in range(terms, 0, -1):
        fraction = u + 2.0 * k - k * (k + 1) / fraction
    return T * np.exp(at_reference - u) / fraction
