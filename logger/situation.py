"""Situation: everything that is true of one run at one moment, for whoever shows or prints it.

A running watch and a review of a finished run give the same value, so every view works for both. An oven that is
watched without a run has an `IdleSituation`: its readings, and nothing that would need a run sheet.
"""

from dataclasses import dataclass, field, replace
from math import nan

from logger.alert import AlertEvent, Episode
from logger.estimate.bands import Bands
from logger.estimate.estimate import EstimateState, Problem
from logger.estimate.result import Estimate
from logger.estimate.soak import Uniformity
from logger.history import History
from logger.oven_trend import HeatEffort
from logger.reading import Quality
from logger.target import Forecast, TargetStatus
from logger.thermocouple import Thermocouple, ThermocoupleCaution
from logger.thermocouple_pair import PairComparison
from logger.units import DisplayUnits


@dataclass(frozen=True, slots=True)
class ChannelNow:
    """The newest answer of one temperature channel.

    ``temperature_K`` [K] is NaN unless ``quality`` is good; ``raw`` is what the controller said; ``utc_s`` [s since
    1970 UTC] is when. ``suspicions`` say in words what is odd about the channel although it may be right.
    """

    name: str
    temperature_K: float
    quality: Quality
    raw: str
    utc_s: float
    suspicions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class IdleSituation:
    """One oven that is watched while no run is going on: live readings, open alerts, and what does not answer.

    ``now_utc_s`` [s since 1970 UTC] is its moment; a channel whose answer is older than ``stale_after_s`` [s] is old.
    ``set_point_K`` [K] and ``output_pct`` [%] are what the controller says, NaN where it does not. Also up after a
    run: ``last_run`` is the newest run of this oven since the watch began, empty where there was none.
    """

    oven: str
    channels: tuple[ChannelNow, ...]
    now_utc_s: float
    display: DisplayUnits
    set_point_K: float = nan
    output_pct: float = nan
    open_alerts: tuple[Episode, ...] = ()
    links_lost: tuple[str, ...] = ()
    clock: str = ""
    stale_after_s: float = 90.0
    last_run: str = ""


@dataclass(frozen=True, slots=True)
class KeptNote:
    """A note as kept: run time it is about [s] (None: the whole run), wall clock of writing [s since 1970 UTC]."""

    time_s: float | None
    utc_s: float
    author: str
    text: str


@dataclass(frozen=True, slots=True)
class KeptPhoto:
    """A photo as kept: its caption, who added it, the name of its file, and the SHA-256 that file had."""

    caption: str
    author: str
    file: str
    sha256: str


@dataclass(frozen=True, slots=True)
class Kept:
    """What a record keeps of a run around its temperatures.

    ``how_ended`` is None while the run goes on, ``software`` what recorded it, ``poll_interval_s`` how often it asked
    [s]. By channel: the ``thermocouples`` as the oven file told them, and of the ``readings`` how many of each quality.
    """

    how_ended: str | None
    software: str
    poll_interval_s: float
    thermocouples: dict[str, Thermocouple] = field(default_factory=dict)
    readings: dict[str, dict[str, int]] = field(default_factory=dict)
    notes: tuple[KeptNote, ...] = ()
    photos: tuple[KeptPhoto, ...] = ()


@dataclass(frozen=True, slots=True)
class Situation:
    """One run at one moment.

    ``now_s`` is run time [s] and ``now_utc_s`` the wall clock [s since 1970 UTC] of the same moment; it is None for a
    trace that carries no dates. ``last_good_s`` is the run time of the last good reading of the driving channel;
    older than ``stale_after_s`` [s] it is called old; ``behind_s`` [s] is how much newer the newest answer is than the
    last one worked out, where a computer does not keep up. ``links_lost`` says what does not answer at this moment, in
    words. ``channels`` are the newest answers of every temperature channel of a running watch.
    ``histories``, ``set_points`` and ``alert_events`` are there on review; a running watch leaves them to the
    record. ``bands`` are None where none were worked out; a running watch works them out now and then. ``kept`` is
    what the record knows besides, on review of a recorded run. ``comparisons``: every other thermocouple against the
    driving one, on review; ``cautions`` what to mind of the thermocouples, each with its channel; ``uniformity`` of the
    load's thermocouples in each soak, on review.
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
    output_pct: float = nan
    heating_K_per_s: float = nan
    channels: tuple[ChannelNow, ...] = ()
    open_alerts: tuple[Episode, ...] = ()
    links_lost: tuple[str, ...] = ()
    alert_events: tuple[AlertEvent, ...] = ()
    histories: dict[str, History] = field(default_factory=dict)
    set_points: History | None = None
    clock: str = ""
    stale_after_s: float = 90.0
    behind_s: float = 0.0
    finished: bool = False
    kept: Kept | None = None
    comparisons: tuple[PairComparison, ...] = ()
    cautions: tuple[tuple[str, ThermocoupleCaution], ...] = ()
    uniformity: tuple[Uniformity, ...] = ()

    def shown_in(self, units: DisplayUnits) -> "Situation":
        """The same moment in other units than those of its sheet."""
        return replace(self, problem=replace(self.problem, sheet=replace(self.problem.sheet, display=units)))


@dataclass(frozen=True, slots=True, eq=False)
class SeasonRun:
    """One run among others: its situation at the end, and what it asked of the oven."""

    situation: Situation
    effort: HeatEffort
