"""Plan: which heat makes of this piece, in this pack and canister, what is wanted; and what would if none does.

The whole map of temperatures and times is worked out at once (`logger.plan_map`); what it proposes is then lived
through by itself, by the very estimate that watches and reviews, and its hold corrected until it comes to what is
wanted. Pure.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from math import inf

import numpy as np

from logger.errors import Fault, InputFault
from logger.estimate import estimate, load_temperature, uncertainty
from logger.estimate.bands import CarbonBands
from logger.estimate.carbon_result import NETWORK_WT_PCT, CarbonMembers
from logger.estimate.ensemble_bands import carbon_bands
from logger.estimate.estimate import Problem
from logger.estimate.result import Estimate
from logger.estimate.supposed_heat import carbon_after, windows_alike
from logger.estimate.temperature_windows import LOWEST_K
from logger.history import History
from logger.plan_advice import closest, possible
from logger.plan_map import LONGEST_LAG_S, PlanMap, Tell, lag_s, lag_shape, replace_correction
from logger.plan_program import Program, history_of, sheet_of
from logger.plan_trial import Trials
from logger.plan_ways import LEAST_LONGEST_S, LONGEST_TRIED, Way, allowed, map_of, share_reached, ways_on, within
from logger.remark import Remark
from logger.sheet import RunSheet, level_shown_wt_pct
from logger.sheet_parts import Quantity, Shape, Target
from logger.steel.phase_limits import HIGHEST_K
from logger.thermocouple import Thermocouple
from logger.wishes import Wishes

LAGS = 4.0
"""A hold of so many lags of the steel behind the oven: what is not known of the lag is then a small part of it."""

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
    estimate: Estimate
    bands: CarbonBands | None
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
        expected = (
            "a plate or a round: plan the plates before they are stacked, or try a heat with `soaktally piece heat`"
        )
        raise InputFault(Fault("plan", "a layered piece", expected))
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
    trials = Trials(sheet, known, level)
    for number, (why, programs) in enumerate(found):
        if len(lived) == MOST_TOLD:
            break
        tried = (_corrected(trials, wishes, program) for program in programs[:TRIES])
        corrected = next((program for program in tried if program is not None), None)
        if corrected is not None and not any(_alike(corrected, one.program) for one in lived):
            lived.append(_lived(sheet, known, wishes, trials, corrected, why, members))
        tell(0.4 + 0.6 * (number + 1) / len(found))
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


def _corrected(trials: Trials, wishes: Wishes, program: Program) -> Program | None:
    """The program with its holds corrected until it comes to what is wanted; None where it then passes a bound."""
    best: Program | None = None
    short: tuple[float, float] | None = None  # longest hold seen that falls short [s], and how far it came
    enough: tuple[float, float] | None = None  # shortest that does not
    passed: tuple[float, float] | None = None  # diffuse stage [s] after which a bound was still passed, by what part
    for _ in range(ROUNDS):
        outcome = trials.outcome(program)
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
    aim = 1.0 + 0.25 * CLOSE_ENOUGH
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
        return max(60.0 * float(np.ceil(duration_s / 60.0 - 1e-6)), 0.0) + 0.0

    return replace(program, hold_s=up(program.hold_s), diffuse_s=up(program.diffuse_s))


def _lived(
    sheet: RunSheet,
    thermocouple: Thermocouple,
    wishes: Wishes,
    trials: Trials,
    program: Program,
    why: str,
    members: int,
) -> Planned:
    """A program lived through by the estimate, with bands; its hold put right where a trial was not exact enough."""
    problem, history, result = _nominal(sheet, thermocouple, program)
    share = _share_of(wishes, result)
    if not 1.0 - 0.25 * CLOSE_ENOUGH <= share <= 1.0 + CLOSE_ENOUGH:
        righted = _in_minutes(replace(program, hold_s=_next_hold_s((program.hold_s, share), None)))
        longest = righted.hold_s + righted.diffuse_s > wishes.longest_s + 60.0
        if righted != program and not longest and within(wishes, trials.outcome(righted)):
            again = _nominal(sheet, thermocouple, righted)
            if 1.0 - 0.25 * CLOSE_ENOUGH <= _share_of(wishes, again[2]) < share or share < 1.0:
                program, (problem, history, result) = righted, again
    bands, meets = None, None
    if members:
        carbon = _members(problem.sheet, thermocouple, program, history, members)
        bands = carbon_bands(carbon, problem.levels_wt_pct)
        meets = _share_met(wishes, carbon)
    shape_s, shape = lag_shape(sheet, thermocouple, program.hold_K, program.climb_K_per_s, LONGEST_LAG_S)
    return Planned(
        program=program,
        why=why,
        sheet=problem.sheet,
        problem=problem,
        estimate=result,
        bands=bands,
        lag_s=lag_s(shape_s, shape, program.hold_K, program.climb_s),
        margin_K=trials.margin_K(program),
        meets_share=meets,
        fuel=_fuel(program, wishes),
        history=history,
    )


def _nominal(sheet: RunSheet, thermocouple: Thermocouple, program: Program) -> tuple[Problem, History, Estimate]:
    """What the estimate that watches and reviews says of a program."""
    history = history_of(program)
    problem = estimate.problem_from_sheet(sheet_of(sheet, program), thermocouple, members=0)
    # Nobody asks how it got there: no trail.
    state = replace(estimate.begin(problem, history.channel), next_trail_s=inf)
    return problem, history, estimate.at_end(problem, estimate.advance(problem, state, history))


def _share_of(wishes: Wishes, result: Estimate) -> float:
    """The least part of the way to anything that is to be reached [-]."""
    carbon = result.carbon
    assert carbon is not None
    pairs = [(wishes.mean_wt_pct, carbon.mean_wt_pct), (wishes.core_wt_pct, carbon.core_wt_pct)]
    if wishes.case_depth_m is not None and wishes.at_carbon_wt_pct is not None:
        pairs.append((wishes.case_depth_m, carbon.case_depth_m(wishes.at_carbon_wt_pct)))
    return min(value / wanted for wanted, value in pairs if wanted is not None)


def _members(
    sheet: RunSheet, thermocouple: Thermocouple, program: Program, history: History, members: int
) -> CarbonMembers:
    """The carbon of a program's members when all is done."""
    ensemble = uncertainty.problem_from_sheet(sheet, thermocouple, members=members)
    load, steel = load_temperature.advance(ensemble.load, load_temperature.begin(ensemble.load), history)
    samples = load_temperature.joined([steel, load_temperature.at_end(ensemble.load, load).tail])
    # A thermocouple's error must not carry a member out of what the nominal run may see.
    temperature_K = np.clip(samples.temperature_K, LOWEST_K, HIGHEST_K)
    time_s = samples.time_s
    corners_s = (float(time_s[0]), program.climb_s + program.hold_s, program.hot_s, float(time_s[-1]))
    return carbon_after(ensemble.carbon, windows_alike(time_s, temperature_K, corners_s), temperature_K[:, -1])


def _share_met(wishes: Wishes, carbon: CarbonMembers) -> float:
    """Part of the members that meet every wish to within 5 % [-]: of a wish met exactly by the nominal, half would."""
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


def _alike(one: Program, other: Program) -> bool:
    """Whether two programs are too much alike to choose between."""
    return abs(other.hold_K - one.hold_K) < 5.0 and abs(other.hot_s - one.hot_s) < 0.1 * one.hot_s


def _remarks(lived: list[Planned], wishes: Wishes) -> Iterator[Remark]:
    """What to know of the program that is proposed."""
    if not lived:
        return
    first = lived[0]
    if first.bands is not None and first.bands.melted_share > 0.0:
        share = f"{100.0 * first.bands.melted_share:.0f}"
        yield Remark("in {share} % of the cases tried the skin melts: go cooler and longer", share=share)
    if first.program.diffuse_s > 0.0:
        yield Remark(
            "without the pack the faces must stay sealed from air, in a spent pack or clean sand, or they lose carbon"
        )
    if wishes.heating_W is None and wishes.gas_kg_per_s is None:
        yield Remark("state the oven's power or gas in [plan] to be told what the heat costs")
