"""Estimate: everything a run's history says about the steel, at one moment. Plain values in SI."""

from dataclasses import dataclass
from typing import NamedTuple

from logger.estimate.bands import Band
from logger.estimate.carbon_result import CarbonResult, CarbonWarning
from logger.estimate.gaps import GapMark
from logger.estimate.heat_treatment import HeatTreatment
from logger.estimate.screening import SpikeMark
from logger.estimate.soak import Soak
from logger.estimate.stages import StageSeen
from logger.estimate.tempering import TemperingResult


@dataclass(frozen=True, slots=True)
class ThermalResult:
    """What the steel lived through.

    Temperatures in K (NaN before the first good reading), ``peak_K`` the steel's highest, ``equivalent_time_s``
    Arrhenius-weighted seconds at ``reference_temperature_K``, ``soak_s`` the steel's time at heat and ``oven_soak_s``
    the driving thermocouple's [s], ``seconds_above`` the time [s] the steel spent above each stated line [K].
    ``assumed_cold_start``: the oven was hot at the first reading and the load was taken as cold. ``late_readings`` came
    with a time not after the one before, ``unbelievable_readings`` were no oven's temperature: both were left out.
    """

    oven_temperature_K: float
    steel_temperature_K: float
    steel_is_modelled: bool
    peak_K: float
    equivalent_time_s: float
    reference_temperature_K: float
    soaks: tuple[Soak, ...]
    soak_s: float
    oven_soak_s: float
    stages: tuple[StageSeen, ...]
    gaps: tuple[GapMark, ...]
    spikes: tuple[SpikeMark, ...]
    assumed_cold_start: bool
    seconds_above: dict[float, float]
    late_readings: int = 0
    unbelievable_readings: int = 0


@dataclass(frozen=True, slots=True)
class Estimate:
    """The estimate at run time ``time_s``; ``carbon``, ``tempering`` and ``treatment`` are None where there is no such
    part."""

    time_s: float
    thermal: ThermalResult
    carbon: CarbonResult | None
    tempering: TemperingResult | None
    warnings: tuple[CarbonWarning, ...] = ()
    treatment: HeatTreatment | None = None


class TrailPoint(NamedTuple):
    """What the estimate was at one moment of the run: the line that pictures and targets are made from.

    ``time_s`` run time [s], temperatures [K], carbon [wt%], depths [m] by carbon level, times [s]; NaN where there
    is no such value. ``target_values`` holds the sheet's targets in order, each in its own unit.
    """

    time_s: float
    oven_temperature_K: float
    steel_temperature_K: float
    surface_wt_pct: float
    core_wt_pct: float
    mean_wt_pct: float
    case_depth_m: tuple[float, ...]
    liquid_depth_m: float
    carbide_depth_m: float
    equivalent_time_s: float
    tempering_parameter_K: float
    hardness_HRC: float
    target_values: tuple[float, ...]


class BandPoint(NamedTuple):
    """Where the members of the ensemble stood at one moment: 5, 50 and 95 %.

    ``time_s`` run time [s]; ``case_depth_m`` to the level shown in the foreground [m]; ``targets`` the sheet's in
    order, each in its own unit.
    """

    time_s: float
    case_depth_m: Band
    targets: tuple[Band, ...]
