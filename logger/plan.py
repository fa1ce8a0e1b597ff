"""Plan: which heat makes of this piece, in this pack and canister, what is wanted; and what would if none does.

The whole map of temperatures and times is worked out at once (`logger.plan_map`); what it proposes is then lived
through by itself, by the very estimate that watches and reviews, and its hold corrected until it comes to what is
wanted. Pure.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from math import log

import numpy as np

from logger.errors import Fault, InputFault
from logger.estimate import carbon_problem, carbon_profile, estimate, load_temperature, uncertainty
from logger.estimate.bands import Bands
from logger.estimate.carbon_result import NETWORK_WT_PCT
from logger.estimate.estimate import EstimateState, Problem
from logger.estimate.gaps import ROOM_K, SHORT_COOLING_S
from logger.estimate.result import Estimate
from logger.history import History
from logger.plan_advice import closest, possible
from logger.plan_map import (
    Outcomes,
    PlanMap,
    Tell,
    lag_s,
    lag_shape,
    program_history,
    replace_correction,
    solidus_K,
)
from logger.plan_ways import LEAST_LONGEST_S, LONGEST_TRIED, Way, allowed, map_of, share_reached, ways_on, within
from logger.remark import Remark
from logger.sheet import RunSheet, level_shown_wt_pct
from logger.sheet_parts import Quantity, Shape, Stage, StageKind, Target
from logger.thermocouple import Thermocouple
from logger.units import kelvin_from_celsius
from logger.wishes import Wishes

COLD_K = kelvin_from_celsius(100.0)
COOLING_STEP_S = 300.0
LAGS = 4.0
"""A hold of so many lags of the steel behind the oven: what is not known of the lag is then a small part of it."""

LONGEST_LAG_S = 12.0 * 3600.0
TRIAL_TOLERANCE_WT_PCT = 1.5e-3
"""Step tolerance while a hold is looked for: a third of what would be noticed in what is told."""

CLOSE_ENOUGH = 0.004
"""A hold is corrected until what is reached is within this part above what is wanted."""

ROUNDS = 7
MOST_TOLD = 3
"""More programs than this side by side help nobody to choose."""

MEMBERS = 32
"""Members of a program's bands: their limits are good to a quarter of their width."""

TRIES = 2
"""Programs of one kind that are tried: the map's best may lie just beyond a bound when it is lived through."""


@dataclass(frozen=True, slots=True)
class Program:
    """What the oven is set to: climb to ``hold_K`` [K], ``hold_s`` in the pack, then ``diffuse_s`` without it [s]."""

    hold_K: float
    hold_s: float
    diffuse_s: float
    climb_K_per_s: float

    @property
    def climb_s(self) -> float:
        """Time of the climb [s]."""
        return (self.hold_K - ROOM_K) / self.climb_K_per_s

    @property
    def hot_s(self) -> float:
        """Time until the oven is switched off [s]."""
        return self.climb_s + self.hold_s + self.diffuse_s


@dataclass(frozen=True, slots=True)
class Fuel:
    """What a program takes: energy [J] and gas [kg], None where the shop's figures were not stated."""

    energy_J: float | None
    gas_kg: float | None


@dataclass(frozen=True, slots=True, eq=False)
class Planned:
    """A program lived through: what it comes to when cold, with bands.

    ``sheet`` is the run sheet of that heat, its stages stated. ``why`` says what it is the best of. ``lag_s``: how long
    the steel takes after the oven to come within 10 K [s]. ``margin_K``: the least distance from melting while hot [K].
    ``meets_share``: part of the members that meet every wish [-], None without bands.
    """

    program: Program
    why: str
    sheet: RunSheet
    problem: Problem
    state: EstimateState
    estimate: Estimate
    bands: Bands | None
    lag_s: float
    margin_K: float
    meets_share: float | None
    fuel: Fuel
    history: History


@dataclass(frozen=True, slots=True, eq=False)
class Plan:
    """The answer: programs, the first the one to take; none where it cannot be done.

    Then ``closest`` says how near anything comes and ``possible`` what would make it possible. ``map`` is what the
    picture is drawn from; ``remarks`` what to know of the first program.
    """

    wishes: Wishes
    sheet: RunSheet
    level_wt_pct: float
    map: PlanMap
    programs: tuple[Planned, ...]
    closest: tuple[Remark, ...]
    possible: tuple[Remark, ...]
    remarks: tuple[Remark, ...]


def wishes_of(sheet: RunSheet) -> Wishes:
    """The wishes of a sheet: its [plan], and where that says nothing its targets.

    Raises   InputFault    nothing is to be reached, or no pack to reach it with
    """
    wishes = sheet.wishes or Wishes()
    for target in sheet.targets:
        wishes = _with_target(wishes, target)
    if not wishes.reaches:
        found = "nothing to be reached"
        raise InputFault(Fault("plan", found, "a mean or core carbon or a case depth, in [plan] or as a [[target]]"))
    if sheet.pack is None:
        raise InputFault(Fault("plan", "no [pack] on the sheet", "the pack the piece is carburized in"))
    if sheet.piece.shape is Shape.LAYERED:
        raise InputFault(Fault("plan", "a layered piece", "a plate or a round: layers are followed by watch and piece"))
    return wishes


def _with_target(wishes: Wishes, target: Target) -> Wishes:
    quantity = target.quantity
    if quantity is Quantity.SURFACE_CARBON and target.limit and wishes.surface_at_most_wt_pct is None:
        return replace(wishes, surface_at_most_wt_pct=target.value)
    if target.limit:
        return wishes
    if quantity is Quantity.MEAN_CARBON and wishes.mean_wt_pct is None:
        return replace(wishes, mean_wt_pct=target.value)
    if quantity is Quantity.CORE_CARBON and wishes.core_wt_pct is None:
        return replace(wishes, core_wt_pct=target.value)
    if quantity is Quantity.CASE_DEPTH and wishes.case_depth_m is None:
        return replace(wishes, case_depth_m=target.value, at_carbon_wt_pct=target.at_carbon_wt_pct)
    return wishes


def plan(
    sheet: RunSheet,
    wishes: Wishes,
    thermocouple: Thermocouple | None = None,
    *,
    members: int = MEMBERS,
    tell: Tell = lambda share: None,
) -> Plan:
    """The programs that bring a piece to what is wanted.

    Parameters
    ----------
    sheet : RunSheet        piece, pack and canister; its stages do not count
    wishes : Wishes         as `wishes_of` gives them
    thermocouple : the driving one, for the bands; None: the sheet's, else a type K
    members : how many cases the bands come from [-]; 0: no bands
    tell : called with the share of the work that is done

    Returns    Plan
    Raises     InputFault   a sheet whose parts do not fit each other
    """
    known = replace_correction(sheet.thermocouple or thermocouple or Thermocouple())
    sheet = replace(sheet, stages=(), thermocouple=known)
    level = wishes.at_carbon_wt_pct or level_shown_wt_pct(sheet)
    longest_s = max(wishes.longest_s * LONGEST_TRIED, LEAST_LONGEST_S)
    whole = map_of(sheet, known, wishes, level, longest_s, lambda share: tell(0.4 * share))
    found = list(_programs(whole, wishes))
    lived: list[Planned] = []
    for number, (why, programs) in enumerate(found):
        if len(_without_doubles(lived)) == MOST_TOLD:
            break
        tried = (_corrected(sheet, known, wishes, level, program) for program in programs[:TRIES])
        corrected = next((program for program in tried if program is not None), None)
        if corrected is not None:
            lived.append(_lived(sheet, known, wishes, corrected, why, members))
        tell(0.4 + 0.6 * (number + 1) / len(found))
    lived = _without_doubles(lived)
    near: tuple[Remark, ...] = ()
    would: tuple[Remark, ...] = ()
    if not lived:
        near = tuple(closest(whole, wishes))
        would = tuple(possible(sheet, known, wishes, level, whole))
        tell(1.0)
    return Plan(wishes, sheet, level, whole, tuple(lived), near, would, tuple(_remarks(lived, wishes)))


def _programs(whole: PlanMap, wishes: Wishes) -> Iterator[tuple[str, list[Program]]]:
    """The kinds of programs worth living through, each with the next best ones after it."""
    ways = [way for way in ways_on(whole, wishes, wishes.diffuse) if allowed(way, wishes)]
    if not ways:
        return

    def programs(of: list[Way]) -> list[Program]:
        return [Program(way.hold_K, way.hold_s, way.diffuse_s, wishes.climb_K_per_s) for way in of]

    quick = sorted(ways, key=lambda way: way.hot_s)
    steady = [way for way in quick if way.hold_s + way.diffuse_s >= LAGS * whole.lag_s]
    if steady and steady[0] != quick[0]:
        yield "quick, and the lag matters little", programs(steady)
        yield "the quickest, but unsure for the lag", programs(quick)
    else:
        yield "the quickest", programs(quick)
    cool = sorted(ways, key=lambda way: (way.hold_K, way.hot_s))
    if cool[0].hold_K < quick[0].hold_K - 1.0:
        yield "the coolest", programs(cool)
    others = [way for way in quick if (way.diffuse_s > 0.0) != (quick[0].diffuse_s > 0.0)]
    if others:
        kind = "all of it in the pack" if quick[0].diffuse_s > 0.0 else "the pack taken away for a part of it"
        yield f"quickest with {kind}", programs(others)


def sheet_of(sheet: RunSheet, program: Program) -> RunSheet:
    """The run sheet of a program: the piece in its pack, and sealed for as long as the pack is taken away."""
    if program.diffuse_s <= 0.0:
        return replace(sheet, stages=(Stage(StageKind.CARBURIZE),))
    turn_s = program.climb_s + program.hold_s
    return replace(sheet, stages=(Stage(StageKind.CARBURIZE, 0.0, turn_s), Stage(StageKind.DIFFUSE, turn_s)))


def history_of(program: Program, channel: str = "oven") -> History:
    """The oven's readings in a program, until it is cold; it cools by itself.

    Parameters
    ----------
    program : Program
    channel : name of the driving channel

    Returns    History    in true temperatures
    """
    corners = [(ROOM_K, 0.0), (program.hold_K, program.climb_s), (program.hold_K, program.hold_s + program.diffuse_s)]
    turn_s = program.climb_s + program.hold_s
    hot = program_history(channel, corners)
    if program.diffuse_s > 0.0:
        time_s = np.unique(np.append(hot.time_s, turn_s))
        hot = History(channel, time_s, np.interp(time_s, hot.time_s, hot.temperature_K), hot.interval_s)
    cold_s = SHORT_COOLING_S * log((program.hold_K - ROOM_K) / (COLD_K - ROOM_K))
    after_s = np.arange(COOLING_STEP_S, cold_s + COOLING_STEP_S, COOLING_STEP_S)
    cooling_K = ROOM_K + (program.hold_K - ROOM_K) * np.exp(-after_s / SHORT_COOLING_S)
    return History(
        channel,
        np.concatenate([hot.time_s, hot.time_s[-1] + after_s]),
        np.concatenate([hot.temperature_K, cooling_K]),
        interval_s=hot.interval_s,
    )


def _corrected(
    sheet: RunSheet, thermocouple: Thermocouple, wishes: Wishes, level: float, program: Program
) -> Program | None:
    """The program with its holds corrected until it comes to what is wanted; None where it then passes a bound."""
    best: Program | None = None
    short: tuple[float, float] | None = None  # longest hold seen that falls short [s], and how far it came
    enough: tuple[float, float] | None = None  # shortest that does not
    passed: tuple[float, float] | None = None  # diffuse stage [s] after which a bound was still passed, by what part
    for _ in range(ROUNDS):
        outcome = _outcome(sheet, thermocouple, level, program)
        share, kept = float(share_reached(wishes, outcome)), bool(within(wishes, outcome))
        if share >= 1.0 and not kept:
            if program.diffuse_s <= 0.0 or best is not None:
                break
            now = (program.diffuse_s, _over(wishes, float(outcome.richest_wt_pct)))
            program = replace(program, diffuse_s=_next_diffuse_s(now, passed))
            passed = now
        else:
            if share >= 1.0:
                best, enough = program, (program.hold_s, share)
                if share < 1.0 + CLOSE_ENOUGH or program.hold_s <= 60.0:
                    break
            else:
                short = (program.hold_s, share)
            program = replace(program, hold_s=_next_hold_s(short, enough))
        if program.hold_s + program.diffuse_s > wishes.longest_s:
            if best is not None or short is None or short[0] + program.diffuse_s >= wishes.longest_s - 60.0:
                break
            program = replace(program, hold_s=max(wishes.longest_s - program.diffuse_s, 60.0))
    return None if best is None else _in_minutes(best)


def _over(wishes: Wishes, richest_wt_pct: float) -> float:
    """By what part the most carbon anywhere passes its bound [-]; 0 where none is."""
    bounds = [wishes.surface_at_most_wt_pct, NETWORK_WT_PCT if wishes.no_network else None]
    return max((richest_wt_pct / bound - 1.0 for bound in bounds if bound is not None), default=0.0)


def _next_diffuse_s(now: tuple[float, float], before: tuple[float, float] | None) -> float:
    """The next diffuse stage to try [s], from one or two too short: (stage [s], part a bound is passed by [-])."""
    diffuse_s, over = now
    if before is None or before[1] <= over or diffuse_s <= before[0]:
        return diffuse_s * (1.0 + max(2.0 * over, 0.02))
    slope = (over - before[1]) / np.log(diffuse_s / before[0])
    return diffuse_s * float(np.exp(min(-(over + 0.001) / slope, 1.0)))


def _next_hold_s(short: tuple[float, float] | None, enough: tuple[float, float] | None) -> float:
    """The next hold to try [s], from one that falls short and one that does not (hold [s], share reached [-])."""
    aim = 1.0 + 0.4 * CLOSE_ENOUGH
    if short is None or enough is None:
        known = enough or short
        assert known is not None
        # Carbon goes with the square root of time.
        return known[0] * (aim / min(max(known[1], 0.5), 2.0)) ** 2
    part = (aim - short[1]) / max(enough[1] - short[1], 1e-9)
    part = min(max(part, 0.05), 0.98)
    return float(np.exp(np.log(short[0]) + part * (np.log(enough[0]) - np.log(short[0]))))


def _in_minutes(program: Program) -> Program:
    """The program as it can be set: whole minutes, rounded up."""

    def up(duration_s: float) -> float:
        return 60.0 * float(np.ceil(duration_s / 60.0 - 1e-6))

    return replace(program, hold_s=up(program.hold_s), diffuse_s=max(up(program.diffuse_s), 0.0))


def _outcome(sheet: RunSheet, thermocouple: Thermocouple, level: float, program: Program) -> Outcomes:
    """What a program comes to, by itself, without bands."""
    lived = sheet_of(sheet, program)
    load = load_temperature.problem_from_sheet(lived, thermocouple=thermocouple)
    problem = replace(carbon_problem.problem_from_sheet(lived), tolerance_wt_pct=TRIAL_TOLERANCE_WT_PCT)
    load_state, steel = load_temperature.advance(load, load_temperature.begin(load), history_of(program))
    samples = load_temperature.joined([steel, load_temperature.at_end(load, load_state).tail])
    # The richest and hottest moment is the last one in the pack.
    turn = int(np.searchsorted(samples.time_s, program.climb_s + program.hold_s, side="right"))
    state = carbon_profile.begin(problem)
    state = carbon_profile.advance(problem, state, samples.time_s[:turn], samples.temperature_K[:, :turn])
    richest = carbon_profile.members_at_end(problem, state).carbon_wt_pct.max(axis=1)
    margin_K = float(solidus_K(richest)[0]) - program.hold_K
    state = carbon_profile.advance(problem, state, samples.time_s[turn:], samples.temperature_K[:, turn:])
    members = carbon_profile.members_at_end(problem, state)
    result = carbon_profile.at_end(problem, state)
    return Outcomes(
        mean_wt_pct=np.array(result.mean_wt_pct),
        core_wt_pct=np.array(result.core_wt_pct),
        surface_wt_pct=np.array(result.surface_wt_pct),
        richest_wt_pct=np.array(float(result.carbon_wt_pct.max())),
        case_depth_m=np.array(result.case_depth_m(level)),
        margin_K=np.array(min(margin_K, -1.0) if result.liquid_depth_m > 0.0 else margin_K),
        coarse_s=np.array(float(members.ever.coarsening_s[0])),
    )


def _lived(
    sheet: RunSheet, thermocouple: Thermocouple, wishes: Wishes, program: Program, why: str, members: int
) -> Planned:
    """A program lived through by the estimate, with bands."""
    lived, history = sheet_of(sheet, program), history_of(program)
    problem = estimate.problem_from_sheet(lived, thermocouple, members=0)
    state = estimate.over_history(problem, history)
    result = estimate.at_end(problem, state)
    bands, share = None, None
    if members:
        ensemble = uncertainty.problem_from_sheet(lived, thermocouple, members=members)
        there = uncertainty.advance(ensemble, uncertainty.begin(ensemble), history)
        bands = estimate.bands_beside(((ensemble, there),), result)
        share = _share(wishes, uncertainty.at_end(ensemble, there, with_soak=False))
    shape_s, shape = lag_shape(lived, thermocouple, program.hold_K, program.climb_K_per_s, LONGEST_LAG_S)
    assert result.carbon is not None
    outcome = _outcome(sheet, thermocouple, wishes.at_carbon_wt_pct or 0.4, program)
    return Planned(
        program=program,
        why=why,
        sheet=lived,
        problem=problem,
        state=state,
        estimate=result,
        bands=bands,
        lag_s=lag_s(shape_s, shape, program.hold_K, program.climb_s),
        margin_K=float(outcome.margin_K),
        meets_share=share,
        fuel=_fuel(program, wishes),
        history=history,
    )


def _share(wishes: Wishes, members: uncertainty.Members) -> float:
    """Part of the members that meet every wish to within 5 % [-]: of a wish met exactly by the nominal, half would."""
    carbon = members.carbon
    level = wishes.at_carbon_wt_pct or 0.4
    slack = 0.95
    met = np.ones(carbon.members, dtype=bool)
    if wishes.mean_wt_pct is not None:
        met &= carbon.mean_wt_pct >= slack * wishes.mean_wt_pct
    if wishes.core_wt_pct is not None:
        met &= carbon.core_wt_pct >= slack * wishes.core_wt_pct
    if wishes.case_depth_m is not None:
        met &= carbon.case_depth_m(level) >= slack * wishes.case_depth_m
    if wishes.surface_at_most_wt_pct is not None:
        met &= carbon.carbon_wt_pct.max(axis=1) <= wishes.surface_at_most_wt_pct / slack
    met &= carbon.ever.liquid_depth_m <= 0.0
    return float(np.mean(met))


def _fuel(program: Program, wishes: Wishes) -> Fuel:
    energy_J = gas_kg = None
    if wishes.heating_W is not None and wishes.holding_W is not None:
        held_s = program.hold_s + program.diffuse_s
        energy_J = wishes.heating_W * program.climb_s + wishes.holding_W * held_s
    if wishes.gas_kg_per_s is not None:
        gas_kg = wishes.gas_kg_per_s * program.hot_s
    return Fuel(energy_J, gas_kg)


def _without_doubles(lived: list[Planned]) -> list[Planned]:
    kept: list[Planned] = []
    for one in lived:
        same = [
            other
            for other in kept
            if abs(other.program.hold_K - one.program.hold_K) < 5.0
            and abs(other.program.hot_s - one.program.hot_s) < 0.1 * one.program.hot_s
        ]
        if not same and len(kept) < MOST_TOLD:
            kept.append(one)
    return kept


def _remarks(lived: list[Planned], wishes: Wishes) -> Iterator[Remark]:
    """What to know of the program that is proposed."""
    if not lived:
        return
    first = lived[0]
    if first.bands is not None and first.bands.carbon.melted_share > 0.0:
        share = f"{100.0 * first.bands.carbon.melted_share:.0f}"
        yield Remark("in {share} % of the cases tried the skin melts: go cooler and longer", share=share)
    if first.program.diffuse_s > 0.0:
        yield Remark(
            "without the pack the faces must stay sealed from air, in a spent pack or clean sand, or they lose carbon"
        )
    if wishes.heating_W is None and wishes.gas_kg_per_s is None:
        yield Remark("state the oven's power or gas in [plan] to be told what the heat costs")
