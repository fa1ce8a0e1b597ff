"""Whether an oven holds what its controller asks for: not getting there, or falling away once it was there. Pure.

Judged by the controller's own set point and the temperature it works with. A set point that moves is a ramp and begins
the judgement anew. Where the controller asks for no heat, or for all it has, nothing is said here: the first is an oven
that was switched off, the second is told by what full heat does (`logger.reading_quality`). All limits are this
project's choice.
"""

from dataclasses import dataclass, replace
from math import isfinite, nan

from logger.reading_quality import FULL_HEAT, NO_HEAT

MOVED_K = 2.0
"""A set point that differs by more than this from where it stood has moved [K]."""

REACHED_K = 8.0
"""A hold is reached this close below its set point [K]."""

SHORT_K, STALLED_S, STALLED_K = 15.0, 1800.0, 3.0
"""Short by more than this [K], and no hotter by so much [K] within so long [s]: it will not get there."""

WARMED_K = 20.0
"""Where the output is not known, an oven counts as heated once it has warmed by this much [K] at this set point."""

LOST_K, BACK_K = 20.0, 10.0
"""A hold that was reached is lost this far below its set point [K], and back again this far [K]."""

UNSEEN_S = 300.0
"""After so long without a reading [s] the judgement begins anew: what happened meanwhile is another alert's matter."""


@dataclass(frozen=True, slots=True)
class HoldState:
    """What the judgement remembers: the set point [K] that stands and what the temperature has done since."""

    set_point_K: float = nan
    start_K: float = nan
    best_s: float = nan
    best_K: float = nan
    last_s: float = nan
    reached: bool = False
    not_reached: bool = False
    lost: bool = False


def judge(state: HoldState, time_s: float, temperature_K: float, set_point_K: float, output: float = nan) -> HoldState:
    """The state after one more reading.

    Parameters
    ----------
    state : what was before; `HoldState()` before the first
    time_s : time of the reading [s], later than all before
    temperature_K : the temperature the controller works with [K]; NaN: no reading, nothing changes
    set_point_K : what the controller wants [K]; NaN: not known, nothing changes
    output : its output, 0 to 1 of full power; NaN: not known

    Returns    HoldState; ``not_reached`` and ``lost`` are what is to be told
    """
    if not (isfinite(temperature_K) and isfinite(set_point_K)):
        return state
    if not (abs(set_point_K - state.set_point_K) <= MOVED_K and time_s - state.last_s <= UNSEEN_S):
        state = HoldState(set_point_K, temperature_K, time_s, temperature_K)
    state = replace(state, last_s=time_s)
    if temperature_K >= set_point_K - REACHED_K:
        return replace(state, reached=True, not_reached=False, lost=False)
    if isfinite(output) and not NO_HEAT < output < FULL_HEAT:
        return replace(state, not_reached=False, lost=False, best_s=time_s, best_K=temperature_K)
    if state.reached:
        limit_K = BACK_K if state.lost else LOST_K
        return replace(state, lost=set_point_K - temperature_K >= limit_K)
    if temperature_K > state.best_K + STALLED_K:
        return replace(state, best_s=time_s, best_K=temperature_K, not_reached=False)
    heated = isfinite(output) or state.best_K - state.start_K >= WARMED_K
    stalled = time_s - state.best_s >= STALLED_S and set_point_K - temperature_K > SHORT_K
    return replace(state, not_reached=heated and stalled)
