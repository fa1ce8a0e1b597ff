"""Estimate: runs every solver over a run's history, live or years later, through the same two calls.

    problem = problem_from_sheet(sheet)
    state = begin(problem, channel)
    state = advance(problem, state, history)      # the next readings of the driving channel, as many as there are
    estimate = at_end(problem, state)

However the history is cut into calls, the states and estimates are the same to the last bit.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf, nan

import numpy as np

from logger.errors import Fault, InputFault
from logger.estimate import (
    carbon_problem,
    carbon_profile,
    ensemble_bands,
    equivalent_time,
    gap_cases,
    heat_treatment,
    hot_trace,
    load_temperature,
    profile_tempering,
    section_uncertainty,
    soak,
    stages,
    tempering,
    uncertainty,
)
from logger.estimate.bands import Bands, band
from logger.estimate.carbon_problem import CarbonProblem
from logger.estimate.carbon_profile import CarbonState
from logger.estimate.carbon_result import CarbonResult
from logger.estimate.equivalent_time import EquivalentTimeProblem, EquivalentTimeState
from logger.estimate.heats import HeatsJudgement
from logger.estimate.hot_trace import HotTraceState
from logger.estimate.load_temperature import LoadProblem, LoadState, SteelSamples, joined
from logger.estimate.result import BandPoint, Estimate, ThermalResult, TrailPoint
from logger.estimate.soak import SoakProblem, SoakState
from logger.estimate.stages import StageProblem, StageState
from logger.estimate.tempering import TemperingProblem, TemperingResult, TemperingState
from logger.estimate.uncertainty import EnsembleProblem, EnsembleState
from logger.history import History
from logger.sheet import RunSheet, level_shown_wt_pct
from logger.sheet_parts import Quantity, StageKind, Target
from logger.thermocouple import Thermocouple

TRAIL_INTERVAL_S = 120.0
"""The estimate notes where it stands at the first reading in each interval of this length of run time."""

MEMBERS_INTERVAL_S = 300.0
"""The members are advanced at the first reading in each interval of this length of run time; a part of the next two."""

BAND_INTERVAL_S, PESSIMISTIC_INTERVAL_S = 1800.0, 300.0
"""The members are asked where they stand at the first reading in each interval of this length of run time: often enough
for a line in a picture, and oftener where a target is judged by them."""


@dataclass(frozen=True, slots=True)
class Problem:
    """Everything about a run that is fixed before it starts. ``tempering`` is None where nothing is tempered.

    ``ensemble`` is None where no bands are wanted.
    """

    sheet: RunSheet
    load: LoadProblem
    carbon: CarbonProblem
    soak: SoakProblem
    stages: StageProblem
    equivalent_time: EquivalentTimeProblem
    tempering: TemperingProblem | None
    levels_wt_pct: tuple[float, ...]
    ensemble: EnsembleProblem | None = None

    @property
    def band_interval_s(self) -> float:
        """How often the members are asked where they stand [s]."""
        asked = any(target.judged_by == "pessimistic" for target in self.sheet.targets)
        return PESSIMISTIC_INTERVAL_S if asked else BAND_INTERVAL_S


@dataclass(frozen=True, slots=True, eq=False)
class Solvers:
    """One frozen state per solver, all at the same steel sample."""

    carbon: CarbonState
    soak: SoakState
    stages: StageState
    equivalent_time: EquivalentTimeState
    tempering: TemperingState | None
    hot_trace: HotTraceState


@dataclass(frozen=True, slots=True, eq=False)
class EstimateState:
    """The run so far: what the load lives through, what the solvers made of it, and the trail.

    Can be pickled and gone on from exactly. ``last_time_s`` is the newest reading's run time [s], whatever its quality.
    The members of the ensemble wait: ``unseen`` are the readings they have not been advanced by. From the first long
    gap on, ``gap_members`` are the same members with the lowest and with the highest course through every gap.
    """

    channel: str
    load: LoadState
    solvers: Solvers
    last_time_s: float = nan
    trail: tuple[TrailPoint, ...] = ()
    next_trail_s: float = -inf
    ensemble: EnsembleState | None = None
    unseen: tuple[History, ...] = ()
    band_trail: tuple[BandPoint, ...] = ()
    next_band_s: float = -inf
    next_members_s: float = -inf
    gap_members: tuple[EnsembleState, EnsembleState] | None = None


def problem_from_sheet(
    sheet: RunSheet, thermocouple: Thermocouple | None = None, members: int = uncertainty.MEMBERS
) -> Problem:
    """The problem a run sheet states.

    Parameters
    ----------
    sheet : RunSheet
    thermocouple : the driving channel's as the oven knows it; the sheet's own goes before it
    members : size of the ensemble the bands come from [-]; 0: no bands

    Raises   InputFault    a sheet whose parts do not fit each other or lie outside the models
    """
    known = sheet.thermocouple or thermocouple
    tempers = profile_tempering if profile_tempering.varies(sheet) else tempering
    return Problem(
        sheet=sheet,
        load=load_temperature.problem_from_sheet(sheet, thermocouple=known),
        carbon=carbon_problem.problem_from_sheet(sheet),
        soak=soak.problem_from_sheet(sheet),
        stages=stages.problem_from_sheet(sheet),
        equivalent_time=equivalent_time.problem_from_sheet(sheet),
        tempering=tempers.problem_from_sheet(sheet),
        levels_wt_pct=uncertainty.levels_wt_pct(sheet),
        ensemble=uncertainty.problem_from_sheet(sheet, known, members=members) if members else None,
    )


def driving_channel(channels: Sequence[str], sheet: RunSheet) -> str:
    """The temperature channel a run is judged by.

    Raises   InputFault    the sheet names none and there are several, or it names one that is not there
    """
    if strange := [name for name in sheet.soak.sensors if name not in channels]:
        expected = f"temperature channels: {', '.join(channels) or 'none'}"
        raise InputFault(Fault("run sheet, soak.sensors", ", ".join(f'"{name}"' for name in strange), expected))
    if sheet.channel in channels:
        return str(sheet.channel)
    names = ", ".join(channels) or "none"
    if sheet.channel is not None:
        raise InputFault(Fault("run sheet, channel", f'"{sheet.channel}"', f"one of the temperature channels: {names}"))
    if len(channels) == 1:
        return channels[0]
    raise InputFault(
        Fault(
            "run sheet, channel",
            "none named",
            f'the one that judges the run, such as channel = "{channels[0]}"; there are {names}',
        )
        if channels
        else Fault("channels", "no temperature channel", "at least one")
    )


def begin(problem: Problem, channel: str) -> EstimateState:
    """The state before the first reading of the driving ``channel``."""
    solvers = Solvers(
        carbon=carbon_profile.begin(problem.carbon),
        soak=soak.begin(problem.soak),
        stages=stages.begin(problem.stages),
        equivalent_time=equivalent_time.begin(problem.equivalent_time),
        tempering=None if problem.tempering is None else tempering.begin(problem.tempering),
        hot_trace=hot_trace.begin(),
    )
    ensemble = None if problem.ensemble is None else uncertainty.begin(problem.ensemble)
    return EstimateState(channel, load_temperature.begin(problem.load), solvers, ensemble=ensemble)


def advance(problem: Problem, state: EstimateState, readings: History) -> EstimateState:
    """The state after the next readings of the driving channel (any number of them, bad ones included)."""
    first, next_trail_s = 0, state.next_trail_s
    with_soak = uncertainty.wants_soak(problem.sheet)
    pieces: list[SteelSamples] = []
    while (index := int(np.searchsorted(readings.time_s, next_trail_s))) < len(readings):
        state = _integrate(problem, state, readings.piece(first, index + 1), with_soak, pieces)
        state = replace(state, trail=(*state.trail, _trail_point(problem, state, with_soak)))
        first = index + 1
        next_trail_s = _next_mark_s(float(readings.time_s[index]), TRAIL_INTERVAL_S)
    state = _integrate(problem, state, readings.piece(first, len(readings)), with_soak, pieces)
    solvers = _holds(problem, state.solvers, joined(pieces), with_soak=not with_soak)
    state = replace(state, solvers=solvers, next_trail_s=next_trail_s)
    return state if problem.ensemble is None else _ask_members(problem, problem.ensemble, state, readings)


def _next_mark_s(time_s: float, interval_s: float) -> float:
    """Run time [s] at which the next interval begins."""
    return (time_s // interval_s + 1.0) * interval_s


def _ask_members(problem: Problem, ensemble: EnsembleProblem, state: EstimateState, readings: History) -> EstimateState:
    """Let the readings wait for the members; advance them by all that wait every few minutes, so that no one reading
    has long to do, and ask them where they stand at wider marks."""
    first, next_s = 0, state.next_members_s
    while (index := int(np.searchsorted(readings.time_s, next_s))) < len(readings):
        time_s = float(readings.time_s[index])
        state = _shown_to_members(ensemble, replace(state, unseen=(*state.unseen, readings.piece(first, index + 1))))
        if time_s >= state.next_band_s:
            point = _band_point(problem, ensemble, state, time_s)
            next_band_s = _next_mark_s(time_s, problem.band_interval_s)
            state = replace(state, band_trail=(*state.band_trail, point), next_band_s=next_band_s)
        first, next_s = index + 1, _next_mark_s(time_s, MEMBERS_INTERVAL_S)
    waiting = readings.piece(first, len(readings))
    unseen = (*state.unseen, waiting) if len(waiting) else state.unseen
    return replace(state, unseen=unseen, next_members_s=next_s)


def _shown_to_members(ensemble: EnsembleProblem, state: EstimateState) -> EstimateState:
    """The members advanced by all readings that wait for them, as one piece however they came."""
    if state.ensemble is None or not state.unseen:
        return state
    waiting = History(
        state.channel,
        np.concatenate([piece.time_s for piece in state.unseen]),
        np.concatenate([piece.temperature_K for piece in state.unseen]),
        state.unseen[0].interval_s,
    )
    drawn = uncertainty.advance(ensemble, state.ensemble, waiting)
    beside = state.gap_members
    if beside is None and gap_cases.has_long_gap(drawn.load.gaps):
        beside = (state.ensemble, state.ensemble)
    if beside is not None:
        low, high = (
            uncertainty.advance(gap_cases.on_course(ensemble, position), members, waiting)
            for position, members in zip((gap_cases.LOW, gap_cases.HIGH), beside, strict=True)
        )
        beside = (low, high)
    return replace(state, ensemble=drawn, gap_members=beside, unseen=())


def without_members(state: EstimateState) -> EstimateState:
    """The same state without the members of the ensemble: all that views need, a tenth of the size.

    Not for going on from: there are no bands of it any more.
    """
    return replace(state, ensemble=None, gap_members=None, unseen=())


Companies = tuple[tuple[EnsembleProblem, EnsembleState], ...]
"""The members on courses of their own and, where a gap hides something, all on the lowest and all on the highest."""


def members_now(problem: Problem, state: EstimateState) -> Companies:
    """The members advanced by every reading so far; empty where no bands are wanted."""
    if problem.ensemble is None:
        return ()
    if state.ensemble is None:
        raise ValueError("a state whose members were left out has no bands")
    return _companies(problem.ensemble, _shown_to_members(problem.ensemble, state))


def _companies(ensemble: EnsembleProblem, state: EstimateState) -> Companies:
    drawn = state.ensemble or uncertainty.begin(ensemble)
    if not gap_cases.has_long_gap(load_temperature.at_end(ensemble.load, drawn.load).gaps):
        return ((ensemble, drawn),)
    low, high = state.gap_members or (drawn, drawn)
    return (
        (ensemble, drawn),
        (gap_cases.on_course(ensemble, gap_cases.LOW), low),
        (gap_cases.on_course(ensemble, gap_cases.HIGH), high),
    )


def caught_up(problem: Problem, state: EstimateState) -> EstimateState:
    """The same state with its members advanced by every reading: for whoever asks them more than one thing.

    Not for going on from: where members catch up is a rule of the readings, never of who asks.
    """
    return state if problem.ensemble is None else _shown_to_members(problem.ensemble, state)


def bands_at_end(problem: Problem, state: EstimateState) -> Bands | None:
    """The bands of everything at the last reading; None where no bands are wanted. The state stays as it is."""
    if problem.ensemble is None:
        return None
    return bands_beside(members_now(problem, state), at_end(problem, state))


def bands_beside(companies: Companies, nominal: Estimate) -> Bands:
    """The bands of members that stand where a nominal estimate does: of what that estimate has, and nothing else."""
    members = [uncertainty.at_end(ensemble, state) for ensemble, state in companies]
    if nominal.tempering is None:
        members = [uncertainty.untempered(of) for of in members]
    found = []
    for (ensemble, _), of in zip(companies, members, strict=True):
        section = None
        if nominal.treatment is not None:
            section = section_uncertainty.section_bands(ensemble, of, nominal.treatment)
        bands = replace(ensemble_bands.bands_of(ensemble, of), section=section)
        found.append(bands if nominal.carbon is None else ensemble_bands.at_depths(bands, nominal.carbon.depth_m))
    if len(found) == 1:
        return found[0]
    drawn, low, high = members
    cases = gap_cases.cases_of(companies[0][0], nominal, drawn, low, high)
    widest: Bands = gap_cases.widest(*found)
    return replace(widest, gap_cases=cases)


def _band_point(problem: Problem, ensemble: EnsembleProblem, state: EstimateState, time_s: float) -> BandPoint:
    """Where the members stand at the reading of a run time [s], for the trail of bands."""
    level, with_soak = level_shown_wt_pct(problem.sheet), uncertainty.wants_soak(problem.sheet)
    cold = problem.tempering is not None and at_end_alone(problem, state).tempering is None
    points = []
    for of, company in _companies(ensemble, state):
        members = uncertainty.at_end(of, company, with_soak=with_soak)
        if cold:
            members = uncertainty.untempered(members)
        targets = tuple(band(uncertainty.measure(target, members)) for target in problem.sheet.targets)
        points.append(BandPoint(time_s, band(members.carbon.case_depth_m(level)), targets))
    widest: BandPoint = gap_cases.widest(*points)
    return widest


def at_end_alone(problem: Problem, state: EstimateState) -> Estimate:
    """As `at_end` without stages, soaks and treatment: for whoever asks often."""
    return _at_end(problem, state, with_stages=False, with_soak=False)


def at_end(problem: Problem, state: EstimateState) -> Estimate:
    """The estimate at the last reading, with a provisional step over what no solver has closed yet."""
    return _at_end(problem, state, with_stages=True)


def _at_end(problem: Problem, state: EstimateState, with_stages: bool, with_soak: bool = True) -> Estimate:
    """As `at_end`; stages and soaks are recognised anew each time, so the trail leaves what it does not keep."""
    load = load_temperature.at_end(problem.load, state.load)
    solvers = _solve(problem, state.solvers, load.tail)
    solvers = _holds(problem, solvers, load.tail, with_soak=with_soak, with_stages=with_stages)
    carbon = carbon_profile.at_end(problem.carbon, solvers.carbon)
    soaked = soak.at_end(problem.soak, solvers.soak) if with_soak else soak.NOTHING_ASKED
    seen = stages.at_end(problem.stages, solvers.stages) if with_stages else None
    heats = None
    if with_stages or _judges_temper(problem, solvers):
        heats = heat_treatment.heats_seen(problem.sheet, *hot_trace.at_end(solvers.hot_trace), _richest_wt_pct(carbon))
    temper = _temper(problem, solvers, heats)
    treatment = None
    if with_stages and heats is not None:
        stages_seen = () if seen is None else seen.stages
        treatment = heat_treatment.treated(
            problem.sheet, carbon, heats, stages_seen, float(load.steel_K[0]), temper, _reached(problem, state)
        )
    return Estimate(
        time_s=state.last_time_s,
        thermal=ThermalResult(
            oven_temperature_K=load.driving_K,
            steel_temperature_K=float(load.steel_K[0]),
            steel_is_modelled=load.is_modelled,
            peak_K=nan if seen is None else float(seen.peak_K[0]),
            equivalent_time_s=float(equivalent_time.at_end(problem.equivalent_time, solvers.equivalent_time)[0]),
            reference_temperature_K=problem.sheet.reference_temperature_K,
            soaks=soaked.soaks,
            soak_s=float(soaked.in_band_s[0]),
            oven_soak_s=soaked.oven_in_band_s,
            stages=() if seen is None else seen.stages,
            gaps=load.gaps,
            spikes=load.spikes,
            assumed_cold_start=load.assumed_cold_start,
            seconds_above={}
            if seen is None
            else {line_K: float(seconds[0]) for line_K, seconds in seen.seconds_above.items()},
            late_readings=load.late_readings,
            unbelievable_readings=load.unbelievable_readings,
        ),
        carbon=carbon,
        tempering=None if temper is None else _tempered(problem.sheet, temper, carbon),
        warnings=carbon.warnings,
        treatment=treatment,
    )


def _richest_wt_pct(carbon: CarbonResult) -> float:
    """The most carbon anywhere in the piece [wt%]: what is hardened for."""
    return float(carbon.carbon_wt_pct.max())


def _judges_temper(problem: Problem, solvers: Solvers) -> bool:
    """Whether it takes the heats so far to say if the run has a temper: none is stated, and there may be one."""
    stated = any(stage.kind is StageKind.TEMPER for stage in problem.sheet.stages)
    return not stated and problem.tempering is not None and solvers.tempering is not None


def _temper(
    problem: Problem, solvers: Solvers, heats: HeatsJudgement | None
) -> tuple[TemperingProblem, TemperingState] | None:
    """The temper, where the run has one: what is soft is not tempered, however warm it is kept."""
    if problem.tempering is None or solvers.tempering is None:
        return None
    if _judges_temper(problem, solvers) and (
        heats is None or not heat_treatment.is_hard(heats.heats, problem.tempering.begins_hardened)
    ):
        return None
    return problem.tempering, solvers.tempering


def _tempered(
    sheet: RunSheet, temper: tuple[TemperingProblem, TemperingState], carbon: CarbonResult
) -> TemperingResult:
    """The temper's result: of the richest carbon where that varies."""
    if profile_tempering.varies(sheet):
        return profile_tempering.at_carbon(*temper, sheet, _richest_wt_pct(carbon))
    return tempering.at_end(*temper)


def _reached(problem: Problem, state: EstimateState) -> tuple[bool, ...]:
    """For each target, whether the trail has met it: values come down to a hardness and up to everything else."""
    met = []
    for number, target in enumerate(problem.sheet.targets):
        values = (point.target_values[number] for point in state.trail)
        falls = target.quantity is Quantity.HARDNESS
        met.append(any(value <= target.value if falls else value >= target.value for value in values))
    return tuple(met)


def over_history(problem: Problem, history: History) -> EstimateState:
    """The state after a whole finished history."""
    return advance(problem, begin(problem, history.channel), history)


def measure(target: Target, result: Estimate) -> float:
    """The momentary value of what a target is about, in its own unit [m, wt%, s, K or HRC]; NaN while there is none."""
    carbon, tempered = result.carbon, result.tempering
    match target.quantity:
        case Quantity.SOAK_TIME:
            return result.thermal.soak_s
        case Quantity.EQUIVALENT_TIME:
            return result.thermal.equivalent_time_s
        case Quantity.TEMPERING_PARAMETER | Quantity.HARDNESS:
            if tempered is None or not tempered.begun:
                return nan
            if target.quantity is Quantity.TEMPERING_PARAMETER:
                return float(tempered.parameter_K)
            return nan if tempered.hardness_HRC is None else float(tempered.hardness_HRC)
        case Quantity.CASE_DEPTH if carbon is not None and target.at_carbon_wt_pct is not None:
            return carbon.case_depth_m(target.at_carbon_wt_pct)
        case Quantity.SURFACE_CARBON if carbon is not None:
            return carbon.surface_wt_pct
        case Quantity.CORE_CARBON if carbon is not None:
            return carbon.core_wt_pct
        case Quantity.MEAN_CARBON if carbon is not None:
            return carbon.mean_wt_pct
    return nan


def _integrate(
    problem: Problem, state: EstimateState, readings: History, with_soak: bool, pieces: list[SteelSamples]
) -> EstimateState:
    """The solvers a trail point needs over the next readings; no trail point falls inside them.

    The steel's samples are put to ``pieces`` for the others, which are quicker over many at once.
    """
    if not len(readings):
        return state
    load, steel = load_temperature.advance(problem.load, state.load, readings)
    pieces.append(steel)
    solvers = _holds(problem, _solve(problem, state.solvers, steel), steel, with_soak=with_soak, with_stages=False)
    return replace(state, load=load, solvers=solvers, last_time_s=float(readings.time_s[-1]))


def _solve(problem: Problem, solvers: Solvers, steel: SteelSamples) -> Solvers:
    """Carbon, equivalent time and temper over the next samples of the steel's temperature."""
    if not len(steel):
        return solvers
    time_s, temperature_K = steel.time_s, steel.temperature_K
    tempered = solvers.tempering
    if problem.tempering is not None and tempered is not None:
        alone = temperature_K[0] if temperature_K.shape[0] == 1 else temperature_K
        tempered = tempering.advance(problem.tempering, tempered, time_s, alone)
    return replace(
        solvers,
        carbon=carbon_profile.advance(problem.carbon, solvers.carbon, time_s, temperature_K),
        equivalent_time=equivalent_time.advance(
            problem.equivalent_time, solvers.equivalent_time, time_s, temperature_K
        ),
        tempering=tempered,
        hot_trace=hot_trace.advance(solvers.hot_trace, time_s, temperature_K[0]),
    )


def _holds(
    problem: Problem, solvers: Solvers, steel: SteelSamples, *, with_soak: bool, with_stages: bool = True
) -> Solvers:
    """Soaks and stages over the next samples of the steel's temperature."""
    if not len(steel):
        return solvers
    time_s, temperature_K = steel.time_s, steel.temperature_K
    soaked, seen = solvers.soak, solvers.stages
    if with_soak:
        soaked = soak.advance(problem.soak, soaked, time_s, temperature_K, steel.driving_K)
    if with_stages:
        seen = stages.advance(problem.stages, seen, time_s, temperature_K)
    return replace(solvers, soak=soaked, stages=seen)


def _trail_point(problem: Problem, state: EstimateState, with_soak: bool) -> TrailPoint:
    """Where the estimate stands now, for the trail."""
    result = _at_end(problem, state, with_stages=False, with_soak=with_soak)
    carbon, tempered = result.carbon, result.tempering
    has_temper = tempered is not None and tempered.begun
    return TrailPoint(
        time_s=result.time_s,
        oven_temperature_K=result.thermal.oven_temperature_K,
        steel_temperature_K=result.thermal.steel_temperature_K,
        surface_wt_pct=carbon.surface_wt_pct if carbon else nan,
        core_wt_pct=carbon.core_wt_pct if carbon else nan,
        mean_wt_pct=carbon.mean_wt_pct if carbon else nan,
        case_depth_m=tuple(carbon.case_depth_m(level) if carbon else nan for level in problem.levels_wt_pct),
        liquid_depth_m=carbon.liquid_depth_m if carbon else nan,
        carbide_depth_m=carbon.carbide_depth_m if carbon else nan,
        equivalent_time_s=result.thermal.equivalent_time_s,
        tempering_parameter_K=float(tempered.parameter_K) if has_temper and tempered else nan,
        hardness_HRC=(
            float(tempered.hardness_HRC) if has_temper and tempered and tempered.hardness_HRC is not None else nan
        ),
        target_values=tuple(measure(target, result) for target in problem.sheet.targets),
    )
