"""What a temper still needs: how long at this temperature, or how hot for this long, to a hardness or a parameter."""

from math import inf
from typing import Final

import numpy as np

from logger.errors import Fault, InputFault, OutOfRange
from logger.estimate.tempering import (
    NOTHING_SOFTENS_K,
    TemperingProblem,
    TemperingState,
    quenched_HRC,
    softening_share,
)
from logger.steel.crossing import crossing
from logger.steel.tempering import (
    CARBON_WT_PCT,
    SOFTENS_ABOVE_K,
    fitted_constant,
    lowest_parameter_K,
    parameter_for_hardness_K,
    temperature_for_parameter_K,
    tempered_hardness_HRC,
    time_to_parameter_s,
)
from logger.units import FloatArray

LONGEST_S: Final = 1e6 * 3600.0
"""A hold longer than this is no hold."""


def time_to_target_s(
    problem: TemperingProblem,
    state: TemperingState,
    temperature_K: float,
    *,
    hardness_HRC: float | None = None,
    parameter_K: float | None = None,
) -> float | FloatArray:
    """How long a hold at one temperature still takes to a hardness or to a tempering parameter.

    Parameters
    ----------
    problem : TemperingProblem    what is tempered
    state : TemperingState        state now
    temperature_K : float         temperature held from now on [K]
    hardness_HRC : float          hardness to come down to [HRC]; or
    parameter_K : float           tempering parameter to reach [K]

    Returns    float, or array (m,)    time [s]; 0 where it is reached, infinity where this temperature does not do it
    Raises     InputFault              not exactly one target; OutOfRange a hardness or carbon outside the data
    Source     Hollomon and Jaffe 1945 with additivity, see `logger.estimate.tempering`
    """
    wanted = _wanted_K(problem, state, np.maximum(state.peak_K, temperature_K), hardness_HRC, parameter_K)
    times = np.array(
        [
            0.0 if now >= goal else inf if goal == inf else time_to_parameter_s(now, goal, temperature_K, constant)
            for now, goal, constant in wanted
        ]
    )
    times = np.where(times > LONGEST_S, inf, times)
    return float(times[0]) if state.single else times


def temperature_to_target_K(
    problem: TemperingProblem,
    state: TemperingState,
    duration_s: float,
    *,
    hardness_HRC: float | None = None,
    parameter_K: float | None = None,
) -> float | FloatArray:
    """Which temperature, held for a stated time from now, brings a hardness or a tempering parameter.

    Parameters
    ----------
    problem : TemperingProblem    what is tempered
    state : TemperingState        state now
    duration_s : float            time of the hold [s]
    hardness_HRC : float          hardness to come down to [HRC]; or
    parameter_K : float           tempering parameter to reach [K]

    Returns    float, or array (m,)    temperature [K]; not a number where the target is reached already
    Raises     InputFault              not exactly one target, no time; OutOfRange a hardness outside the data, or a
                                       temperature at which the steel would turn to austenite
    Source     Hollomon and Jaffe 1945 with additivity, see `logger.estimate.tempering`
    """
    if not duration_s > 0.0:
        raise InputFault(Fault("time for the temper", f"{duration_s:g} s", "more than 0 s"))
    hot = np.maximum(state.peak_K, SOFTENS_ABOVE_K)
    found = np.array(
        [
            np.nan if now >= goal else temperature_for_parameter_K(now, goal, duration_s, constant)
            for now, goal, constant in _wanted_K(problem, state, hot, hardness_HRC, parameter_K)
        ]
    )
    if np.any(found > problem.austenite_above_K):
        hottest = float(np.nanmax(found))
        raise OutOfRange("temperature of the temper", hottest, 0.0, problem.austenite_above_K, "K", "austenite forms")
    mild = (found < SOFTENS_ABOVE_K) & (state.peak_K < SOFTENS_ABOVE_K)
    if hardness_HRC is not None and np.any(mild):
        # Between 100 and 150 C only a part of the softening counts, so it takes hotter than the fit alone says.
        for member in np.flatnonzero(mild):
            found[member] = _mild_temperature_K(problem, state, duration_s, hardness_HRC, int(member))
    return float(found[0]) if state.single else found


def _mild_temperature_K(
    problem: TemperingProblem, state: TemperingState, duration_s: float, hardness_HRC: float, member: int
) -> float:
    """Temperature [K] between 100 and 150 C whose hold of this length [s] does it; 150 C where none colder does."""

    def left(temperature_K: float) -> float:
        at_K = np.maximum(state.peak_K, temperature_K)
        now, goal, constant = _wanted_K(problem, state, at_K, hardness_HRC, None)[member]
        taken_s = (
            0.0 if now >= goal else inf if goal == inf else time_to_parameter_s(now, goal, temperature_K, constant)
        )
        return float(np.log10(max(min(taken_s, LONGEST_S), 1e-3) / duration_s))

    if left(SOFTENS_ABOVE_K) >= 0.0:
        return SOFTENS_ABOVE_K
    lowest_K = NOTHING_SOFTENS_K + 0.5
    return crossing(left, lowest_K, SOFTENS_ABOVE_K, xtol=1e-3) if left(lowest_K) > 0.0 else lowest_K


def _wanted_K(
    problem: TemperingProblem,
    state: TemperingState,
    peak_K: FloatArray,
    hardness_HRC: float | None,
    parameter_K: float | None,
) -> list[tuple[float, float, float]]:
    """For each member: parameter now, parameter wanted [K], and the constant both are in.

    ``peak_K`` (m,) is the hottest the temper will have been [K]; the wanted parameter is infinite where so mild a
    temper never brings the hardness.
    """
    if hardness_HRC is not None and parameter_K is not None:
        raise InputFault(Fault("target of the temper", "both a hardness and a parameter", "one of them"))
    members = state.parameter_K.size

    def each(value: float | FloatArray) -> list[float]:
        return [float(part) for part in np.broadcast_to(np.asarray(value, dtype=float), (members,))]

    if parameter_K is not None:
        return list(zip(each(state.parameter_K), [parameter_K] * members, each(problem.constant), strict=True))
    if hardness_HRC is None:
        raise InputFault(Fault("target of the temper", "nothing", "a hardness or a parameter"))
    if problem.carbon_wt_pct is None:
        found, (low, high) = "no carbon inside the data of the fit", CARBON_WT_PCT
        raise InputFault(Fault("hardness target", found, f"carbon of {low:g} to {high:g} wt%, or a target in P"))
    goals = [
        _goal_K(hardness_HRC, quenched, offset, carbon, manganese, share)
        for quenched, offset, carbon, manganese, share in zip(
            each(quenched_HRC(problem, problem.carbon_wt_pct)),
            each(problem.hardness_offset_HRC),
            each(problem.carbon_wt_pct),
            each(problem.manganese_wt_pct),
            each(softening_share(peak_K)),
            strict=True,
        )
    ]
    return list(zip(each(state.fit_parameter_K), goals, each(fitted_constant(problem.carbon_wt_pct)), strict=True))


def _goal_K(wanted_HRC: float, quenched: float, offset: float, carbon: float, manganese: float, share: float) -> float:
    """Parameter [K] at which a hardness is come down to, where only a share of the fit's softening counts."""
    if wanted_HRC >= quenched:
        return -inf
    hardest = float(tempered_hardness_HRC(lowest_parameter_K(carbon), carbon, manganese)) + offset
    if wanted_HRC < hardest:
        parameter_for_hardness_K(wanted_HRC - offset, carbon, manganese)  # refuses what the fit does not cover
    if share <= 0.0:
        return inf
    fitted_HRC = quenched - (quenched - wanted_HRC) / share
    if fitted_HRC >= hardest:
        return float(lowest_parameter_K(carbon))
    try:
        return parameter_for_hardness_K(fitted_HRC - offset, carbon, manganese)
    except OutOfRange:
        return inf
