"""Uncertainty: the same run for many members, each with its own thermocouple, canister, pack and steel.

Member 0 is the nominal run; every other one draws each uncertain number from the spread stated beside it. All are
advanced by the solvers of the nominal estimate, side by side, over the same readings:

    problem = problem_from_sheet(sheet, thermocouple)
    state = begin(problem)
    state = advance(problem, state, history)
    members = at_end(problem, state)              # arrays, one value for each member
    bands = ensemble_bands.bands_of(problem, members)   # 5, 50 and 95 %

The draws are seeded: the same sheet always gives the same members. What is not varied, because no source says how
much: phase limits, liquid diffusivity, the enthalpy peak of steel, open air's scale.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from statistics import NormalDist

import numpy as np

from logger.estimate import (
    canister,
    carbon_problem,
    carbon_profile,
    equivalent_time,
    load_temperature,
    profile_tempering,
    soak,
    steel_trace,
    supposed_heat,
    tempering,
)
from logger.estimate.canister import CanisterParameters
from logger.estimate.carbon_problem import CarbonProblem, SheetSpread
from logger.estimate.carbon_profile import CarbonState
from logger.estimate.carbon_result import CarbonMembers
from logger.estimate.equivalent_time import EquivalentTimeProblem, EquivalentTimeState
from logger.estimate.grid import COARSE
from logger.estimate.load_temperature import LoadProblem, LoadState, SteelSamples
from logger.estimate.soak import SoakProblem, SoakState
from logger.estimate.temperature_windows import LOWEST_K
from logger.estimate.tempering import TemperingProblem, TemperingState, softened_HRC
from logger.history import History
from logger.sheet import RunSheet
from logger.sheet_parts import Quantity, Target
from logger.steel.carbon_diffusion import DIFFUSIVITY_FACTOR_SPREAD, PUBLISHED_LAWS
from logger.steel.composition import carbon_content_spread_wt_pct
from logger.steel.phase_limits import HIGHEST_K
from logger.steel.tempering import (
    CARBON_WT_PCT,
    CONSTANT,
    HARDNESS_RMS_HRC,
    HIGHEST_PARAMETER_K,
    equivalent_time_s,
    fitted_constant,
    lowest_parameter_K,
    tempered_hardness_HRC,
)
from logger.thermocouple import CALIBRATED_SHARE, Thermocouple, usable_tolerance_K
from logger.units import FloatArray

MEMBERS = 64
"""Enough for a band whose limits are themselves good to a sixth of its width."""

SEED = 1722
"""Of every ensemble: two reviews of one run must not differ."""

THIN_S = 15.0
STEP_TOLERANCE_WT_PCT = 5e-3
"""Members are stepped this coarsely: their own error stays below a tenth of the narrowest band
(tests/estimate/test_uncertainty.py), and the nominal run, solved by itself, does not notice."""


@dataclass(frozen=True, slots=True)
class Economy:
    """How the members are solved: step tolerance [wt%], over how long readings are taken together [s], how fine a grid.

    ``fineness`` is the grid's [-]: `grid.COARSE` as usual, 1 as a nominal run.
    """

    step_tolerance_wt_pct: float = STEP_TOLERANCE_WT_PCT
    thin_s: float = THIN_S
    fineness: float = COARSE


AS_NOMINAL = Economy(carbon_problem.TOLERANCE_WT_PCT, 0.0, 1.0)
"""The very steps and cells of a nominal run."""


@dataclass(frozen=True, slots=True, eq=False)
class Draws:
    """What each member has drawn, shape (m,) each, member 0 nominal: standard deviations [-] unless stated.

    ``reading_error`` in tolerances of the thermocouple, ``gap_position`` from -1 (low) to +1 (high), ``law`` numbers
    the published diffusivity laws.
    """

    reading_error: FloatArray
    gap_position: FloatArray
    activity: FloatArray
    potential: FloatArray
    transfer: FloatArray
    diffusivity: FloatArray
    law: np.ndarray
    start_carbon: FloatArray
    tempering_constant: FloatArray
    hardness: FloatArray
    martensite_start: FloatArray
    quenched_hardness: FloatArray
    canister: CanisterParameters | None

    @property
    def members(self) -> int:
        """How many."""
        return int(self.reading_error.size)


@dataclass(frozen=True, slots=True, eq=False)
class EnsembleProblem:
    """The problems of all members; ``softening`` is the temper with the stated constant, ``alike`` with drawn ones."""

    sheet: RunSheet
    draws: Draws
    load: LoadProblem
    carbon: CarbonProblem
    soak: SoakProblem
    equivalent_time: EquivalentTimeProblem
    softening: TemperingProblem | None
    alike: TemperingProblem | None
    levels_wt_pct: tuple[float, ...]

    @property
    def members(self) -> int:
        """How many."""
        return self.draws.members


@dataclass(frozen=True, slots=True, eq=False)
class EnsembleState:
    """One state per solver, all members in it, all at the same steel sample."""

    load: LoadState
    carbon: CarbonState
    soak: SoakState
    equivalent_time: EquivalentTimeState
    softening: TemperingState | None
    alike: TemperingState | None


@dataclass(frozen=True, slots=True, eq=False)
class Members:
    """Every member's values at one moment, arrays (m,). ``soak_s`` is NaN where nobody asked for it.

    ``tempering_parameter_K``, ``tempering_equivalent_time_s`` and ``hardness_HRC`` are NaN before a temper.
    ``has_gaps``: there is a gap that was not bridged. ``temper_ends_K`` (2, m): the tempering parameter with the least
    and the most constant, for a piece of many carbons (else None); ``temper_peak_K`` the hottest of that temper [K].
    """

    time_s: float
    carbon: CarbonMembers
    steel_temperature_K: FloatArray
    peak_K: FloatArray
    equivalent_time_s: FloatArray
    soak_s: FloatArray
    tempering_parameter_K: FloatArray
    tempering_equivalent_time_s: FloatArray
    hardness_HRC: FloatArray
    has_gaps: bool
    temper_ends_K: FloatArray | None
    temper_peak_K: FloatArray


def draw(sheet: RunSheet, thermocouple: Thermocouple, members: int = MEMBERS, seed: int = SEED) -> Draws:
    """Draw every uncertain number of a run for every member.

    Parameters
    ----------
    sheet : RunSheet
    thermocouple : the driving channel's
    members : how many, the nominal one included, at least 1
    seed : of all random numbers

    Returns    Draws
    Raises     InputFault       a canister that cannot be
    Source     each drawn stratified (M.D. McKay, R.J. Beckman, W.J. Conover, Technometrics 21 (1979) 239, from memory);
               a tolerance is a limit, evenly likely inside (JCGM 100:2008, 4.3.7, from memory)
    """

    def even(number: int) -> FloatArray:
        # A stream for each coefficient: one more of them leaves the others' draws as they were.
        return even_draws(members, seed, number)

    def normal(number: int) -> FloatArray:
        return normal_draws(members, seed, number)

    law = np.minimum((len(PUBLISHED_LAWS) * even(7)).astype(np.int64), len(PUBLISHED_LAWS) - 1)
    law[0] = 0
    activity, transfer, diffusivity, start_carbon = normal(3), normal(5), normal(6), normal(8)
    if sheet.correction is not None:
        # What coupons have taught goes in place of the book's spreads, and of the choice between laws.
        law = np.zeros_like(law)
        own = np.stack([activity, transfer, start_carbon, diffusivity])
        spread = _root(np.array(sheet.correction.covariance))
        activity, transfer, start_carbon, diffusivity = np.array(sheet.correction.mean)[:, None] + spread @ own
    modelled = sheet.canister.sensor == "oven"
    calibrated = bool(thermocouple.correction.reading_K)
    return Draws(
        reading_error=(2.0 * even(1) - 1.0) * (CALIBRATED_SHARE if calibrated else 1.0),
        gap_position=2.0 * even(2) - 1.0,
        activity=activity,
        potential=normal(4),
        transfer=transfer,
        diffusivity=diffusivity,
        law=law,
        start_carbon=start_carbon,
        tempering_constant=normal(9),
        hardness=normal(10),
        martensite_start=normal(12),
        quenched_hardness=normal(13),
        canister=canister.draw_canisters(np.random.default_rng([seed, 11]), sheet, members) if modelled else None,
    )


def _root(covariance: FloatArray) -> FloatArray:
    """A matrix that, times independent draws, scatters as a covariance does; rounding may have made that singular."""
    sizes, directions = np.linalg.eigh(covariance)
    return np.asarray((directions * np.sqrt(np.maximum(sizes, 0.0))) @ directions.T)


def even_draws(members: int, *stream: int) -> FloatArray:
    """Numbers between 0 and 1, stratified, from a ``stream`` of their own: (members,), the first 0.5 [-]."""
    rng = np.random.default_rng(stream)
    strata = (rng.permutation(members - 1) + rng.random(members - 1)) / max(members - 1, 1)
    return np.concatenate([[0.5], strata])


def normal_draws(members: int, *stream: int) -> FloatArray:
    """Standard deviations [-], stratified, from a ``stream`` of their own: shape (members,), the first 0."""
    normal = NormalDist()
    return np.array([normal.inv_cdf(part) for part in even_draws(members, *stream).tolist()])


def problem_from_sheet(
    sheet: RunSheet,
    thermocouple: Thermocouple | None = None,
    *,
    members: int = MEMBERS,
    seed: int = SEED,
    economy: Economy | None = None,
    draws: Draws | None = None,
) -> EnsembleProblem:
    """The problem a sheet states, for many members.

    Parameters
    ----------
    sheet : RunSheet
    thermocouple : the driving channel's; None: a type K without correction
    members : how many, the nominal one included, at least 1
    seed : of all random numbers
    economy : how coarsely they are solved; None: as usual
    draws : what each member has drawn, in place of ``members`` and ``seed``

    Returns    EnsembleProblem
    Raises     InputFault, OutOfRange    a sheet that cannot be
    """
    known = thermocouple or Thermocouple()
    economy = economy or Economy()
    draws = draws or draw(sheet, known, members, seed)
    nominal = carbon_problem.problem_from_sheet(sheet)
    softening, alike = _tempering_problems(sheet, draws)
    return EnsembleProblem(
        sheet=sheet,
        draws=draws,
        load=load_temperature.problem_from_sheet(
            sheet,
            thermocouple=known,
            parameters=draws.canister,
            gap_position=draws.gap_position,
            reading_error=draws.reading_error,
            thin_s=economy.thin_s,
        ),
        carbon=replace(
            carbon_problem.problem_from_sheet(sheet, carbon_spread(draws), economy.fineness),
            tolerance_wt_pct=max(economy.step_tolerance_wt_pct, nominal.tolerance_wt_pct),
        ),
        soak=soak.problem_from_sheet(sheet),
        equivalent_time=equivalent_time.problem_from_sheet(sheet),
        softening=softening,
        alike=alike,
        levels_wt_pct=levels_wt_pct(sheet),
    )


CASE_DEPTH_LEVELS_WT_PCT = (0.30, 0.35, 0.40, 0.60, 0.80)
"""Case depths are always given to these carbon contents, besides those the targets name."""


def levels_wt_pct(sheet: RunSheet) -> tuple[float, ...]:
    """Carbon contents [wt%] to which the case depths of a run are given, in order."""
    wished = {target.at_carbon_wt_pct for target in sheet.targets if target.at_carbon_wt_pct is not None}
    return tuple(sorted(wished.union(CASE_DEPTH_LEVELS_WT_PCT)))


def carbon_spread(draws: Draws) -> SheetSpread:
    """What the members have drawn, as the carbon problem takes it."""
    laws = tuple(PUBLISHED_LAWS[number] for number in draws.law.tolist())
    return SheetSpread(
        members=draws.members,
        activity=draws.activity,
        potential=draws.potential,
        transfer=draws.transfer,
        start_carbon=draws.start_carbon,
        diffusivity_factor=np.exp(np.log1p(DIFFUSIVITY_FACTOR_SPREAD) * draws.diffusivity),
        laws=laws[:1] if len(set(draws.law.tolist())) == 1 else laws,
    )


def _tempering_problems(sheet: RunSheet, draws: Draws) -> tuple[TemperingProblem | None, TemperingProblem | None]:
    """The temper with the nominal constant and drawn hardness, and with drawn constants for the equivalent time.

    For a piece of many carbons, the first is every member with the least constant, then every member with the most.
    """
    if profile_tempering.varies(sheet):
        nominal = profile_tempering.problem_from_sheet(sheet)
        if nominal is None:
            return None, None
        ends = np.repeat(profile_tempering.constants(sheet, 2), draws.members)
        return replace(nominal, constant=ends), None
    nominal = tempering.problem_from_sheet(sheet)
    if nominal is None:
        return None, None
    carbon = None
    if nominal.carbon_wt_pct is not None:
        stated_wt_pct = np.asarray(nominal.carbon_wt_pct)
        carbon = np.clip(
            stated_wt_pct + draws.start_carbon * carbon_content_spread_wt_pct(stated_wt_pct), *CARBON_WT_PCT
        )
    softening = replace(nominal, carbon_wt_pct=carbon, hardness_offset_HRC=draws.hardness * HARDNESS_RMS_HRC.value)
    spread = CONSTANT.spread if sheet.tempering_constant is None else 0.0
    constant = np.clip(nominal.constant + draws.tempering_constant * spread, 5.0, 40.0)
    return softening, replace(nominal, constant=constant, carbon_wt_pct=None, quenched_hardness_HRC=None)


def begin(problem: EnsembleProblem) -> EnsembleState:
    """State before the first reading."""
    return EnsembleState(
        load=load_temperature.begin(problem.load),
        carbon=carbon_profile.begin(problem.carbon),
        soak=soak.begin(problem.soak),
        equivalent_time=equivalent_time.begin(problem.equivalent_time),
        softening=None if problem.softening is None else tempering.begin(problem.softening),
        alike=None if problem.alike is None else tempering.begin(problem.alike),
    )


def advance(problem: EnsembleProblem, state: EnsembleState, readings: History) -> EnsembleState:
    """State after the next readings of the driving channel, any number of them, bad ones included.

    Parameters
    ----------
    problem : EnsembleProblem
    state : EnsembleState                  not changed
    readings : the next readings

    Returns    EnsembleState
    """
    if not len(readings):
        return state
    load, steel = load_temperature.advance(problem.load, state.load, readings)
    return replace(_solved(problem, state, steel), load=load)


def supposed(problem: EnsembleProblem, state: EnsembleState, readings: History) -> EnsembleState:
    """State after readings that are only supposed, all of them at once: `advance`, but with carbon in far fewer steps.

    For looking at, not for going on from live: members pass the course in step (`logger.estimate.supposed_heat`).
    """
    load, steel = load_temperature.advance(problem.load, state.load, readings)
    return replace(_solved(problem, state, steel, supposed_heat.carbon_carried_on), load=load)


def _solved(
    problem: EnsembleProblem,
    state: EnsembleState,
    steel: SteelSamples,
    with_carbon: Callable[[CarbonProblem, CarbonState, FloatArray, FloatArray], CarbonState] = carbon_profile.advance,
) -> EnsembleState:
    """Every solver over the next samples of the members' steel temperatures."""
    if not len(steel):
        return state
    time_s = steel.time_s
    # A thermocouple's error must not carry a member out of what the nominal run may see.
    temperature_K = np.clip(steel.temperature_K, LOWEST_K, HIGHEST_K)
    softening, alike = state.softening, state.alike
    if problem.softening is not None and softening is not None:
        twice = softening.parameter_K.size == 2 * temperature_K.shape[0]
        each_K = np.tile(temperature_K, (2, 1)) if twice else temperature_K
        softening = tempering.advance(problem.softening, softening, time_s, each_K)
    if problem.alike is not None and alike is not None:
        alike = tempering.advance(problem.alike, alike, time_s, temperature_K)
    return EnsembleState(
        load=state.load,
        carbon=with_carbon(problem.carbon, state.carbon, time_s, temperature_K),
        soak=soak.advance(problem.soak, state.soak, time_s, temperature_K, steel.driving_K),
        equivalent_time=equivalent_time.advance(problem.equivalent_time, state.equivalent_time, time_s, temperature_K),
        softening=softening,
        alike=alike,
    )


def at_end(problem: EnsembleProblem, state: EnsembleState, *, with_soak: bool = True) -> Members:
    """Every member's values at the last reading; the state stays as it is.

    Parameters
    ----------
    problem : EnsembleProblem
    state : EnsembleState
    with_soak : whether the times at heat are wanted, which look at the whole run again

    Returns    Members
    """
    load = load_temperature.at_end(problem.load, state.load)
    state = _solved(problem, state, load.tail)
    nothing = np.full(problem.members, np.nan)
    parameter, hardness, alike_s = nothing, nothing, nothing
    carbon = carbon_profile.members_at_end(problem.carbon, state.carbon)
    ends_K, temper_peak_K = None, nothing
    if problem.softening is not None and state.softening is not None and profile_tempering.varies(problem.sheet):
        ends_K = state.softening.parameter_K.reshape(2, -1)
        temper_peak_K = state.softening.peak_K[: problem.members]
        if np.all(np.isfinite(ends_K)):
            parameter, hardness, alike_s = _richest_tempered(problem, carbon, ends_K, temper_peak_K)
    elif problem.softening is not None and state.softening is not None:
        soft = tempering.at_end(problem.softening, state.softening)
        if soft.begun:
            parameter = np.asarray(soft.parameter_K)
            hardness = nothing if soft.hardness_HRC is None else np.asarray(soft.hardness_HRC)
    if problem.alike is not None and state.alike is not None:
        alike = tempering.at_end(problem.alike, state.alike)
        alike_s = np.asarray(alike.equivalent_time_s) if alike.begun else nothing
    peak_K = state.soak.trace.peak_K[:-1]
    equivalent_s = equivalent_time.at_end(problem.equivalent_time, state.equivalent_time)
    return Members(
        time_s=load.time_s,
        carbon=carbon,
        steel_temperature_K=load.steel_K,
        peak_K=peak_K if peak_K.size else nothing,
        equivalent_time_s=np.broadcast_to(equivalent_s, (problem.members,)),
        soak_s=_soaked_s(problem, state.soak) if with_soak else nothing,
        tempering_parameter_K=np.broadcast_to(parameter, (problem.members,)),
        tempering_equivalent_time_s=np.broadcast_to(alike_s, (problem.members,)),
        hardness_HRC=np.broadcast_to(hardness, (problem.members,)),
        has_gaps=any(not gap.bridged for gap in load.gaps),
        temper_ends_K=ends_K,
        temper_peak_K=temper_peak_K,
    )


def untempered(members: Members) -> Members:
    """The same members as of a piece that is not hard: nothing is tempered, however warm it was."""
    nothing = np.full(members.hardness_HRC.shape, np.nan)
    return replace(members, tempering_parameter_K=nothing, tempering_equivalent_time_s=nothing, hardness_HRC=nothing)


def section_parameter_K(problem: EnsembleProblem, members: Members, constant: FloatArray) -> FloatArray | None:
    """Every member's tempering parameter [K] for a ``constant`` (m, n) of its own [1]; None before a temper has begun.

    Straight between the two constants that were added up: a third of a kelvin off for two tempers (see the tests).
    """
    ends_K = members.temper_ends_K
    if ends_K is None or not np.all(np.isfinite(ends_K)):
        return None
    return _between(problem.sheet, ends_K, constant)


def _between(sheet: RunSheet, ends_K: FloatArray, constant: FloatArray) -> FloatArray:
    """Parameter [K] for constants (m,) or (m, n), from those of the least and the most constant (2, m)."""
    least, most = profile_tempering.constants(sheet, 2)
    low_K, high_K = (ends_K[row].reshape(-1, *(1,) * (constant.ndim - 1)) for row in (0, 1))
    return np.asarray(low_K + (high_K - low_K) * (constant - least) / (most - least))


def _richest_tempered(
    problem: EnsembleProblem, carbon: CarbonMembers, ends_K: FloatArray, peak_K: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Parameter [K], hardness [HRC] and equivalent time [s] of every member's richest carbon, (m,) each."""
    sheet, draws = problem.sheet, problem.draws
    C = np.clip(carbon.carbon_wt_pct.max(axis=1), *CARBON_WT_PCT)
    fit_constant = fitted_constant(C)
    stated = sheet.tempering_constant
    constant = np.full(C.shape, fit_constant[0] if stated is None else stated)
    spread = CONSTANT.spread if stated is None else 0.0
    drawn = np.clip(constant + draws.tempering_constant * spread, 5.0, 40.0)
    Mn = profile_tempering.manganese(sheet.piece.alloy_wt_pct)
    offset = draws.hardness * HARDNESS_RMS_HRC.value
    fit_K = np.minimum(_between(sheet, ends_K, fit_constant), HIGHEST_PARAMETER_K)
    quenched = tempered_hardness_HRC(lowest_parameter_K(C), C, Mn) + offset
    if sheet.quenched_hardness_HRC is not None:
        quenched = np.full(C.shape, sheet.quenched_hardness_HRC)
    hardness = softened_HRC(quenched, tempered_hardness_HRC(fit_K, C, Mn) + offset, peak_K)
    reference_K = sheet.tempering_reference_K
    alike_s = equivalent_time_s(_between(sheet, ends_K, drawn), reference_K, drawn)
    return _between(sheet, ends_K, constant), hardness, alike_s


def _soaked_s(problem: EnsembleProblem, state: SoakState) -> FloatArray:
    """Every member's time at heat (m,) [s].

    Where the band is the run's own plateau, as the thermocouple shows it, the thermocouple's error moves plateau and
    steel alike; against a temperature the sheet states, it counts.
    """
    trace = steel_trace.at_end(state.trace)
    rule = problem.soak.rule
    total = np.zeros(problem.members)
    if trace.time_s.size < 2:
        return total
    driving_K, steel_K = trace.temperature_K[-1], trace.temperature_K[:-1]
    for middle_K in soak.band_middles_K(rule, trace.time_s, driving_K):
        off_K = np.zeros(problem.members)
        if rule.temperature_K is None:
            off_K = problem.draws.reading_error * usable_tolerance_K(problem.load.thermocouple, middle_K)
        low_K, high_K = middle_K - rule.half_band_K, middle_K + rule.half_band_K
        for first in range(0, problem.members, soak.ROWS_AT_ONCE):
            few = slice(first, first + soak.ROWS_AT_ONCE)
            total[few] += soak.soaked_s(trace.time_s, steel_K[few] - off_K[few, None], low_K, high_K)
    return total


def measure(target: Target, members: Members) -> FloatArray:
    """Every member's value of what a target is about, shape (m,), in the target's own unit [m, wt%, s, K or HRC]."""
    carbon = members.carbon
    match target.quantity:
        case Quantity.SOAK_TIME:
            return members.soak_s
        case Quantity.EQUIVALENT_TIME:
            return members.equivalent_time_s
        case Quantity.TEMPERING_PARAMETER:
            return members.tempering_parameter_K
        case Quantity.HARDNESS:
            return members.hardness_HRC
        case Quantity.CASE_DEPTH if target.at_carbon_wt_pct is not None:
            return carbon.case_depth_m(target.at_carbon_wt_pct)
        case Quantity.SURFACE_CARBON:
            return carbon.surface_wt_pct
        case Quantity.CORE_CARBON:
            return carbon.core_wt_pct
        case Quantity.MEAN_CARBON:
            return carbon.mean_wt_pct
    return np.full(carbon.members, np.nan)


def wants_soak(sheet: RunSheet) -> bool:
    """Whether a target is about the time at heat."""
    return any(target.quantity is Quantity.SOAK_TIME for target in sheet.targets)


def target_values(problem: EnsembleProblem, state: EnsembleState) -> list[FloatArray]:
    """Every member's value of each target on the sheet now, (m,) each, in the target's own unit [m, wt%, s, K, HRC]."""
    members = at_end(problem, state, with_soak=wants_soak(problem.sheet))
    return [measure(target, members) for target in problem.sheet.targets]
