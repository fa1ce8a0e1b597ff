"""Outlook: what of a running heat is worked out only now and then, because it is costly: its bands and what is ahead.

A pure function of the run so far, so that it can be worked out anywhere: a watch hands it to another thread and goes
on taking readings meanwhile.
"""

from dataclasses import dataclass
from math import isfinite

from logger import target
from logger.estimate import estimate
from logger.estimate.bands import Bands
from logger.estimate.estimate import EstimateState, Problem
from logger.target import Forecast


@dataclass(frozen=True, slots=True, eq=False)
class Outlook:
    """Bands at run time ``time_s`` [s], the last reading's, and the forecast from there; None where there is none."""

    time_s: float
    bands: Bands | None
    forecast: Forecast | None


def outlook(problem: Problem, state: EstimateState, ahead_K: float, heating_K_per_s: float) -> Outlook:
    """The outlook of a run.

    Parameters
    ----------
    problem, state : the run so far
    ahead_K : temperature [K] the oven is supposed to go to and hold; NaN: not known, so nothing is forecast
    heating_K_per_s : rate [K/s] at which it gets there; NaN: not known

    Returns    Outlook
    """
    seen = estimate.caught_up(problem, state)
    forecast = None
    if isfinite(ahead_K) and problem.sheet.targets:
        forecast = target.forecast(problem, seen, ahead_K, heating_K_per_s=heating_K_per_s)
    return Outlook(state.last_time_s, estimate.bands_at_end(problem, seen), forecast)
