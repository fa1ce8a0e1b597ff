"""A supposed heat: a course known from beginning to end, cut into few windows that all members pass side by side.

A live history comes sample by sample, and members that lag behind each other are at different temperatures at one
time: every one of them bounds the steps of all. A heat that is only supposed need not go by the clock. Each member's
course is cut at the same parts of its own way (time and kelvin together), so that all climb, hold and cool in step,
each for as long as it takes itself: few steps, and no member waits for another. What is planned so is lived through
afterwards by `logger.estimate.estimate` as any run is.
"""

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from logger.estimate import carbon_profile
from logger.estimate.carbon_problem import CarbonProblem
from logger.estimate.carbon_profile import CarbonState
from logger.estimate.carbon_result import CarbonMembers
from logger.estimate.temperature_windows import TemperatureWindows, mobility, mobility_temperature_K
from logger.steel.phase_limits import A1_K
from logger.units import FloatArray

WINDOW_K = 8.0
"""A window's temperature moves about so far [K]: carbon within 0.001 % and case depth within 5 um of cutting a quarter
as wide, surface carbon within 0.005 % (tests/estimate/test_supposed_heat.py)."""

WIDE_WINDOW_K = 16.0
"""As far for members that only a band is made of: within 2 % of the band's width, carbon of a face cooled slowly within
0.015 % (tests/core/test_what_if.py)."""

FINE_K = 1.0
"""Samples are looked at this finely between them [K]: where a member passes A1, and how mobile carbon is on the way."""

ROUNDING = 1e-10
"""Part of the mobility that summing up may lose or add [-]."""


def windows_alike(
    time_s: FloatArray, temperature_K: FloatArray, corners_s: Sequence[float], window_K: float = WINDOW_K
) -> TemperatureWindows:
    """The windows of a whole course, the same number for every member.

    Parameters
    ----------
    time_s : array, (n,)               run time [s], increasing
    temperature_K : array, (m, n)      steel temperature [K], linear between samples
    corners_s : first and last time [s], and those between at which something touching the faces changes
    window_K : about how far the temperature may move in a window [K]

    Returns    TemperatureWindows      a window that ends at a corner ends there for all members; between corners the
                                       ends are no times of the clock
    """
    parts = [
        _between(time_s, temperature_K, from_s, to_s, window_K) for from_s, to_s in pairwise(corners_s) if to_s > from_s
    ]
    hot_s = np.concatenate([part[1] for part in parts], axis=1)
    relative = np.concatenate([part[2] for part in parts], axis=1)
    end_s = np.concatenate([part[0] for part in parts])
    before = np.zeros((3, len(hot_s)))
    return TemperatureWindows(float(corners_s[0]), end_s, hot_s, mobility_temperature_K(relative), relative, before)


def _between(
    time_s: FloatArray, temperature_K: FloatArray, from_s: float, to_s: float, window_K: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Ends (k,) [s], seconds above A1 (m, k) and mean relative mobility in them (m, k), of windows between corners."""
    members = temperature_K.shape[0]
    fine_s, fine_K = _fine(time_s, temperature_K, from_s, to_s)
    lasts_s = np.diff(fine_s)
    middle_K = 0.5 * (fine_K[:, 1:] + fine_K[:, :-1])
    hot_s = np.where(middle_K > A1_K, lasts_s, 0.0)
    moved_K = np.abs(np.diff(np.maximum(fine_K, A1_K), axis=1))
    total_s, total_K = hot_s.sum(axis=1, keepdims=True), moved_K.sum(axis=1, keepdims=True)
    # A member's way: half of it the seconds it is hot, half of it the kelvin it moves.
    in_time = hot_s / np.where(total_s > 0.0, total_s, 1.0)
    in_heat = np.where(total_K > 0.0, moved_K / np.where(total_K > 0.0, total_K, 1.0), in_time)
    way = _summed(0.5 * (in_time + in_heat))
    count = int(np.ceil(2.0 * float(total_K.max()) / window_K)) + 2
    parts = np.linspace(0.0, 1.0, count + 1)
    places = np.arange(fine_s.size, dtype=float)
    at = np.array([np.interp(parts * way[member, -1], way[member], places) for member in range(members)])
    at[:, 0], at[:, -1] = 0.0, places[-1]
    low = np.minimum(at.astype(np.int64), fine_s.size - 2)
    share = at - low

    def sums(values: FloatArray) -> FloatArray:
        total = _summed(values)
        before = np.take_along_axis(total, low, axis=1)
        return np.diff(before + share * np.take_along_axis(values, low, axis=1), axis=1)

    window_hot_s = np.maximum(sums(hot_s), 0.0)
    weight_s = sums(hot_s * mobility(np.maximum(middle_K, A1_K)))
    hot = window_hot_s > 0.0
    relative = np.where(hot, weight_s / np.where(hot, window_hot_s, 1.0), mobility(np.array(A1_K)))
    # A mean of equals must not come out above them: a hold at 1000 C is not a hold above it.
    relative *= 1.0 - ROUNDING
    end_s = from_s + parts[1:] * (to_s - from_s)
    end_s[-1] = to_s
    return end_s, window_hot_s, relative


def _fine(time_s: FloatArray, temperature_K: FloatArray, from_s: float, to_s: float) -> tuple[FloatArray, FloatArray]:
    """The samples between two times [s], with as many put in between that nothing moves far at once."""
    inside = (time_s > from_s) & (time_s < to_s)
    ends_K = np.array([np.interp([from_s, to_s], time_s, line) for line in temperature_K])
    at_s = np.concatenate([[from_s], time_s[inside], [to_s]])
    at_K = np.concatenate([ends_K[:, :1], temperature_K[:, inside], ends_K[:, 1:]], axis=1)
    pieces = np.maximum(np.ceil(np.abs(np.diff(at_K, axis=1)).max(axis=0) / FINE_K), 1.0).astype(np.int64)
    interval = np.repeat(np.arange(pieces.size), pieces)
    part = (np.arange(interval.size) - (np.cumsum(pieces) - pieces)[interval] + 1.0) / pieces[interval]
    fine_s = at_s[interval] + part * np.diff(at_s)[interval]
    fine_K = at_K[:, interval] + part * np.diff(at_K, axis=1)[:, interval]
    return np.concatenate([at_s[:1], fine_s]), np.concatenate([at_K[:, :1], fine_K], axis=1)


def _summed(values: FloatArray) -> FloatArray:
    """Running sums along each row, beginning with 0."""
    return np.concatenate([np.zeros((values.shape[0], 1)), np.cumsum(values, axis=1)], axis=1)


def carbon_after(problem: CarbonProblem, windows: TemperatureWindows, last_K: FloatArray) -> CarbonMembers:
    """What the carbon is after all windows of a supposed heat.

    Parameters
    ----------
    problem : CarbonProblem            its faces change at corners of the windows
    windows : as `windows_alike` gives them
    last_K : array, (m,)               steel temperature at the end [K]

    Returns    CarbonMembers
    """
    begun = replace(carbon_profile.begin(problem), time_s=windows.start_s)
    return carbon_profile.members_at_end(problem, _before(begun, windows, last_K))


def carbon_carried_on(
    problem: CarbonProblem, state: CarbonState, time_s: FloatArray, temperature_K: FloatArray
) -> CarbonState:
    """The state after a supposed course that goes on from a state's last sample, for looking at; not for going on live.

    Parameters
    ----------
    problem : CarbonProblem
    state : the run so far                 at least one sample
    time_s : array, (n,)                   run time [s], later than all before, increasing
    temperature_K : array, (m, n)          steel temperature [K], linear between samples

    Returns    CarbonState                 stepped to the last sample
    """
    if not time_s.size:
        return state
    present = carbon_profile.settled(problem, state)
    time_s = np.concatenate([present.open_time_s, time_s])
    temperature_K = np.concatenate([present.open_K, temperature_K], axis=1)
    from_s, to_s = float(time_s[0]), float(time_s[-1])
    changes = [change_s for change_s in problem.change_times_s if from_s < change_s < to_s]
    windows = windows_alike(time_s, temperature_K, (from_s, *changes, to_s), WIDE_WINDOW_K)
    return carbon_profile.settled(problem, _before(present, windows, temperature_K[:, -1]))


def _before(state: CarbonState, windows: TemperatureWindows, last_K: FloatArray) -> CarbonState:
    """The state with nothing but these windows still to step over."""
    return replace(state, windows=windows, open_time_s=windows.end_s[-1:], open_K=last_K[:, None])
