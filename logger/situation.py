"""Situation: everything that is true of one run at one moment, for whoever shows or prints it.

A running watch and a review of a finished run give the same value, so every view works for both.
"""

from dataclasses import dataclass, field
from math import nan

from logger.alert import AlertEvent, Episode
from logger.estimate.bands import Bands
from logger.estimate.estimate import EstimateState, Problem
from logger.estimate.result import Estimate
from logger.history import History
from logger.target import Forecast, TargetStatus


@dataclass(frozen=True, slots=True)
class Situation:
    """One run at one moment.

    ``now_s`` is run time [s] and ``now_utc_s`` the wall clock [s since 1970 UTC] of the same moment; it is None for a
    trace that carries no dates. ``last_good_s`` is the run time of the last good reading of the driving channel;
    older than ``stale_after_s`` [s] it is called old. ``links_lost`` says what does not answer at
    this moment, in words. ``histories`` and ``alert_events`` are there on review; a running watch leaves them to the
    record. ``bands`` are None where none were worked out; a running watch works them out now and then.
    """

    oven: str
    run: str
    name: str
    problem: Problem
    state: EstimateState
    estimate: Estimate
    statuses: tuple[TargetStatus, ...]
    now_s: float
    now_utc_s: float | None
    last_good_s: float | None
    forecast: Forecast | None = None
    bands: Bands | None = None
    set_point_K: float = nan
    heating_K_per_s: float = nan
    open_alerts: tuple[Episode, ...] = ()
    links_lost: tuple[str, ...] = ()
    alert_events: tuple[AlertEvent, ...] = ()
    histories: dict[str, History] = field(default_factory=dict)
    clock: str = ""
    stale_after_s: float = 90.0
    finished: bool = False
