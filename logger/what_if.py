"""What if: stop now, go on for an hour, go on hotter: what the steel would then be, with its band.

The run so far is carried on through a supposed course of the oven, by the same solvers and the same members: hold,
then cool as this oven was seen to cool. Nothing of it is kept; the run itself stays as it is.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import isfinite, log

import numpy as np

from logger.errors import Fault, InputFault
from logger.estimate import estimate, uncertainty
from logger.estimate.bands import Bands
from logger.estimate.estimate import EstimateState, Problem
from logger.estimate.gaps import ROOM_K, SHORT_COOLING_S, STILL_CLIMBING_K_PER_S
from logger.estimate.result import Estimate
from logger.history import History
from logger.units import SECONDS_PER_HOUR, celsius_from_kelvin, hours_from_seconds, kelvin_from_celsius

COLD_K = kelvin_from_celsius(100.0)
"""A supposed course ends when the oven is this cold: neither carbon nor temper moves any more."""

STEP_S = 300.0
"""Supposed readings are this far apart: the straight lines between them miss the curve by less than a kelvin."""

USUAL_CLIMB_K_PER_S = 5.0 / 60.0
"""Climb to a hotter hold of an oven not yet seen climbing (our choice)."""

HOTTEST_K = kelvin_from_celsius(1350.0)
"""No course is supposed beyond this: the solvers end at 1400 C and a thermocouple may be off."""

LOOK_S = 1200.0
"""While hot, a target is looked at this often [s]: carbon and depth are near to straight lines between."""

LOOKS_COOLING_S = np.array([0.0, 300.0, 1200.0])
"""And at these times into the cooling [s]: while there is still something to come."""

LONGEST_HOLD_S = 48.0 * SECONDS_PER_HOUR


@dataclass(frozen=True, slots=True)
class Course:
    """What the oven does from now on: change by ``change_K`` [K], hold for ``hold_s`` [s] in all, then cool."""

    hold_s: float = 0.0
    change_K: float = 0.0


STOP_NOW = Course()
ONE_HOUR_MORE = Course(hold_s=SECONDS_PER_HOUR)
HOTTER = Course(hold_s=SECONDS_PER_HOUR, change_K=25.0)
USUAL_COURSES = (STOP_NOW, ONE_HOUR_MORE, HOTTER)


@dataclass(frozen=True, slots=True, eq=False)
class Answer:
    """What a course would come to when the oven is cold again. ``state`` is the nominal run carried on so far."""

    course: Course
    state: EstimateState
    estimate: Estimate
    bands: Bands | None


def what_ifs(problem: Problem, state: EstimateState, courses: Sequence[Course]) -> list[Answer]:
    """As `what_if` for several courses: the members are brought to the present once for all of them."""
    seen = estimate.caught_up(problem, state)
    return [what_if(problem, seen, course) for course in courses]


def what_if(problem: Problem, state: EstimateState, course: Course) -> Answer:
    """What the steel would be after a supposed course of the oven; the state stays as it is.

    Parameters
    ----------
    problem, state : the run so far
    course : what the oven is supposed to do

    Returns    Answer
    Raises     InputFault    no reading yet to go on from, or a course hotter than anything here is made for
    """
    ahead = supposed(problem, state, course)
    alone = replace(problem, ensemble=None)
    carried = _carried(alone, state, ahead, course.hold_s)
    result, bands = estimate.at_end(alone, carried), None
    if problem.ensemble is not None:
        companies = estimate.members_now(problem, state)
        carried_on = tuple((of, uncertainty.supposed(of, members, ahead)) for of, members in companies)
        bands = estimate.bands_beside(carried_on, result)
    return Answer(course, carried, result, bands)


def _carried(alone: Problem, state: EstimateState, ahead: History, hold_s: float) -> EstimateState:
    """The nominal run over a course, looked at only where a target may be met: while hot, and at the end.

    Looks every two minutes, as a live run has them, would take as long as the solvers.
    """
    marks_s = state.last_time_s + np.concatenate([np.arange(LOOK_S, hold_s, LOOK_S), hold_s + LOOKS_COOLING_S])
    ends = [*(np.searchsorted(ahead.time_s, marks_s, side="right")).tolist(), len(ahead)]
    for first, end in pairwise([0, *ends]):
        if end > first:
            piece = ahead.piece(first, end)
            state = estimate.advance(alone, replace(state, next_trail_s=float(piece.time_s[-1])), piece)
    return state


def supposed(problem: Problem, state: EstimateState, course: Course) -> History:
    """The readings a course would give, from just after the last one to a cold oven.

    Parameters
    ----------
    problem, state : the run so far
    course : what the oven is supposed to do

    Returns    History
    Raises     InputFault    no reading yet, or too hot a course
    """
    habits, from_K = state.load.habits, state.load.last_K
    if not isfinite(from_K):
        raise InputFault(Fault("what if", "no good reading yet", "a run with at least one temperature"))
    hold_K = from_K + course.change_K
    if not (isfinite(hold_K) and hold_K <= HOTTEST_K):
        found, most = (f"{celsius_from_kelvin(each_K):.0f} C" for each_K in (hold_K, HOTTEST_K))
        raise InputFault(Fault("what if", f"a hold at {found}", f"at most {most}"))
    if not (isfinite(course.hold_s) and 0.0 <= course.hold_s <= LONGEST_HOLD_S):
        found, most = (f"{hours_from_seconds(each_s):g} h" for each_s in (course.hold_s, LONGEST_HOLD_S))
        raise InputFault(Fault("what if", f"a hold of {found}", f"0 to {most}"))
    climb = habits.climb_K_per_s if habits.climb_K_per_s > STILL_CLIMBING_K_PER_S else USUAL_CLIMB_K_PER_S
    cooling = habits.cooling_per_s or 1.0 / SHORT_COOLING_S
    there_s = abs(course.change_K) / climb
    cold_s = log(max((hold_K - ROOM_K) / (COLD_K - ROOM_K), 1.0)) / cooling
    hold_s = max(course.hold_s, there_s) if course.change_K else course.hold_s
    after_s = np.unique(np.concatenate([np.arange(STEP_S, hold_s + cold_s + STEP_S, STEP_S), [there_s, hold_s]]))
    after_s = after_s[after_s > 0.0]
    held_K = np.interp(after_s, [0.0, max(there_s, 1e-9)], [from_K, hold_K])
    cooled_K = ROOM_K + (hold_K - ROOM_K) * np.exp(-cooling * np.maximum(after_s - hold_s, 0.0))
    temperature_K = np.where(after_s <= hold_s, held_K, cooled_K)
    return History(state.channel, state.last_time_s + after_s, temperature_K, interval_s=STEP_S)
