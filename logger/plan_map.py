"""Plan map: what many heats would come to, by how hot and for how long, worked out side by side by the carbon solver.

Every temperature of the map is one member of a single solver run, so that the whole map costs little more than one
heat. A diffuse stage is branched off from chosen moments: once the faces are sealed, how it goes on depends only on the
profile and the temperature, so all branches run side by side as well.
"""

from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from functools import lru_cache

import numpy as np

from logger.estimate import carbon_problem, carbon_profile, load_temperature
from logger.estimate.carbon_problem import SEALED, CarbonProblem
from logger.estimate.carbon_profile import CarbonState
from logger.estimate.carbon_result import CarbonMembers
from logger.estimate.gaps import ROOM_K
from logger.estimate.grid import COARSE
from logger.plan_program import program_history
from logger.sheet import RunSheet
from logger.steel.phase_limits import EUTECTIC_K, HIGHEST_K, austenite_low_limit_wt_pct, solidus_wt_pct
from logger.thermocouple import Thermocouple
from logger.units import FloatArray

TOLERANCE_WT_PCT = 5e-3
"""The map is stepped as coarsely as an ensemble: every program that comes of it is worked out again by itself."""

MOMENTS = 32
"""Moments of the hold that the map keeps, evenly in the logarithm of time."""

SHORTEST_HOLD_S = 600.0
STEP_S = 300.0
"""Supposed steel temperatures are this far apart."""

LONGEST_LAG_S = 12.0 * 3600.0
SETTLED = 0.9998
"""Steel that has come so far [-] of its way to the hold stays there."""

HOTTEST_BRANCH_K = EUTECTIC_K - 15.0
"""Hotter than this nothing is branched off: what may be partly molten is no case to be evened out."""

LEANEST_WT_PCT = 0.02
"""Iron with less carbon turns to austenite within a few kelvin of pure iron."""

TOGETHER = 4
"""Temperatures whose branches are solved side by side: the slowest of them sets the pace of all."""

BRANCHES, BRANCH_MOMENTS = 9, 14
"""Moments from which a diffuse stage branches off, and moments kept of each."""

Tell = Callable[[float], None]
"""Called with the share of the work that is done [-]."""


@dataclass(frozen=True, slots=True, eq=False)
class Outcomes:
    """What heats come to, arrays of one shape: carbon [wt%], depth [m], margin to melting [K], time above 1000 C [s].

    ``margin_K`` is the least while hot; negative or zero: molten. ``richest_wt_pct`` is the most carbon anywhere.
    """

    mean_wt_pct: FloatArray
    core_wt_pct: FloatArray
    surface_wt_pct: FloatArray
    richest_wt_pct: FloatArray
    case_depth_m: FloatArray
    margin_K: FloatArray
    coarse_s: FloatArray

    def each(self, change: Callable[[FloatArray], FloatArray]) -> "Outcomes":
        """The outcomes with every array changed alike."""
        return Outcomes(*(change(getattr(self, one.name)) for one in fields(self)))


@dataclass(frozen=True, slots=True, eq=False)
class PlanMap:
    """Outcomes (temperatures, moments) of holds without a diffuse stage, and of those with one.

    ``temperature_K`` (t,) of oven and steel; ``hold_s`` (n,) how long the oven has been held there; ``climb_s`` (t,)
    how long it takes to get there. ``branch_hold_s`` (b,) holds after which the faces are sealed, ``branch_more_s``
    (r,) how long it is held after that, ``diffused`` (s, b, r) what comes of it, for the first s of the temperatures
    (none so hot that it may melt; not a number where part of the iron is still ferrite); None where no branch was asked
    for. ``lag_s``: how long after the oven the steel is within 10 K [s].
    """

    temperature_K: FloatArray
    climb_s: FloatArray
    hold_s: FloatArray
    held: Outcomes
    branch_hold_s: FloatArray
    branch_more_s: FloatArray
    diffused: Outcomes | None
    lag_s: float


def plan_map(
    sheet: RunSheet,
    thermocouple: Thermocouple,
    temperature_K: FloatArray,
    longest_s: float,
    climb_K_per_s: float,
    level_wt_pct: float,
    *,
    branches: bool,
    tell: Tell = lambda share: None,
) -> PlanMap:
    """The map of a sheet's piece and pack.

    Parameters
    ----------
    sheet : RunSheet               piece, pack, canister; its stages do not count
    thermocouple : the driving one
    temperature_K : array, (t,)    temperatures to try [K], increasing
    longest_s : longest hold of the oven [s]
    climb_K_per_s : climb of the oven [K/s]
    level_wt_pct : carbon the case depth is measured to [wt%]
    branches : whether diffuse stages are wanted
    tell : called with the share that is done

    Returns    PlanMap
    """
    problem = replace(
        carbon_problem.problem_from_sheet(replace(sheet, stages=()), fineness=COARSE),
        members=temperature_K.size,
        tolerance_wt_pct=TOLERANCE_WT_PCT,
    )
    middle_K = float(np.median(temperature_K))
    climb_s = (temperature_K - ROOM_K) / climb_K_per_s
    shape_s, shape = lag_shape(sheet, thermocouple, middle_K, climb_K_per_s, longest_s)
    up_s = (middle_K - ROOM_K) / climb_K_per_s
    lag = lag_s(shape_s, shape, middle_K, up_s)
    hold_s = np.geomspace(SHORTEST_HOLD_S, longest_s, MOMENTS)

    def steel_K(time_s: FloatArray) -> FloatArray:
        return ROOM_K + (temperature_K[:, None] - ROOM_K) * np.interp(time_s, shape_s, shape)[None, :]

    state, at_s = carbon_profile.begin(problem), 0.0
    first_s = np.array([0.0])
    state = carbon_profile.advance(problem, state, first_s, steel_K(first_s))
    kept: list[tuple[Outcomes, FloatArray]] = []
    margin_K = np.full(temperature_K.size, np.inf)
    for number, moment_s in enumerate(up_s + hold_s):
        steps = np.linspace(at_s, moment_s, max(2, int(np.ceil((moment_s - at_s) / STEP_S)) + 1))[1:]
        state = carbon_profile.advance(problem, state, steps, steel_K(steps))
        at_s = float(moment_s)
        members = carbon_profile.members_at_end(problem, state)
        margin_K = np.minimum(margin_K, _margin_K(members, temperature_K))
        kept.append((outcomes_of(members, level_wt_pct, margin_K), members.carbon_wt_pct[:, 1:-1]))
        tell((number + 1) / MOMENTS * (0.6 if branches else 1.0))
    held = _stacked([outcome for outcome, _ in kept])
    empty = np.empty(0)
    if not branches:
        return PlanMap(temperature_K, climb_s, hold_s, held, empty, empty, None, lag)
    # Below A3 of the iron itself part of it stays ferrite, and nothing is gained by evening out so slowly.
    austenite = austenite_low_limit_wt_pct(temperature_K) <= max(sheet.piece.carbon_wt_pct, LEANEST_WT_PCT)
    first_row = int(np.argmax(austenite)) if austenite.any() else temperature_K.size
    solid = int(np.searchsorted(temperature_K, HOTTEST_BRANCH_K, side="right"))
    if first_row >= solid:
        return PlanMap(temperature_K, climb_s, hold_s, held, empty, empty, None, lag)
    chosen = np.unique(np.linspace(2, MOMENTS - 3, BRANCHES).astype(int))
    more_s = np.geomspace(SHORTEST_HOLD_S, longest_s, BRANCH_MOMENTS)
    groups = []
    for first in range(first_row, solid, TOGETHER):
        rows = slice(first, min(first + TOGETHER, solid))
        start = np.concatenate([kept[number][1][rows] for number in chosen])
        before = [_rows(kept[number][0], rows) for number in chosen]
        groups.append(_branched(problem, temperature_K[rows], start, before, more_s, level_wt_pct))
        tell(0.6 + 0.4 * min(first + TOGETHER, solid) / solid)
    diffused = Outcomes(*(np.concatenate([getattr(group, f.name) for group in groups]) for f in fields(Outcomes)))
    missing = ((first_row, 0), (0, 0), (0, 0))
    diffused = diffused.each(lambda values: np.pad(values, missing, constant_values=np.nan))
    return PlanMap(temperature_K, climb_s, hold_s, held, hold_s[chosen], more_s, diffused, lag)


def lag_shape(
    sheet: RunSheet, thermocouple: Thermocouple, hold_K: float, climb_K_per_s: float, longest_s: float
) -> tuple[FloatArray, FloatArray]:
    """How the steel follows the oven: times [s] and the part of its way up it has come (0 to 1), for a hold [K].

    The oven climbs at ``climb_K_per_s`` [K/s] and stays for ``longest_s`` [s]. A course that has settled ends early.
    """
    up_s = (hold_K - ROOM_K) / climb_K_per_s
    load = load_temperature.problem_from_sheet(sheet, thermocouple=replace_correction(thermocouple))

    def following(stay_s: float) -> tuple[FloatArray, FloatArray]:
        oven = program_history("oven", [(ROOM_K, 0.0), (hold_K, up_s), (hold_K, stay_s)])
        state, steel = load_temperature.advance(load, load_temperature.begin(load), oven)
        samples = load_temperature.joined([steel, load_temperature.at_end(load, state).tail])
        return samples.time_s, np.clip((samples.temperature_K[0] - ROOM_K) / (hold_K - ROOM_K), 0.0, 1.0)

    time_s, shape = following(min(longest_s, LONGEST_LAG_S))
    if longest_s > LONGEST_LAG_S and shape[-1] < SETTLED:
        return following(longest_s)
    return time_s, shape


def lag_s(shape_s: FloatArray, shape: FloatArray, hold_K: float, climb_s: float) -> float:
    """How long after the oven the steel is within 10 K of a hold [s]; infinite where it never is.

    ``shape_s`` [s] and ``shape`` [-] as `lag_shape` gives them for ``hold_K`` [K], reached after ``climb_s`` [s].
    """
    near = shape >= 1.0 - 10.0 / (hold_K - ROOM_K)
    return max(float(shape_s[int(np.argmax(near))]) - climb_s, 0.0) if near.any() else float("inf")


def replace_correction(thermocouple: Thermocouple) -> Thermocouple:
    """The thermocouple without its correction: a plan is in true temperatures, not in readings."""
    return Thermocouple(
        type=thermocouple.type, tolerance_class=thermocouple.tolerance_class, sheathed=thermocouple.sheathed
    )


def outcomes_of(members: CarbonMembers, level_wt_pct: float, margin_K: FloatArray) -> Outcomes:
    """Outcomes (m,) of members, case depth to a level [wt%], with the least margin to melting while hot (m,) [K]."""
    molten = members.ever.liquid_depth_m > 0.0
    return Outcomes(
        mean_wt_pct=members.mean_wt_pct,
        core_wt_pct=members.core_wt_pct,
        surface_wt_pct=members.surface_wt_pct,
        richest_wt_pct=members.carbon_wt_pct.max(axis=1),
        case_depth_m=members.case_depth_m(level_wt_pct),
        margin_K=np.where(molten, np.minimum(margin_K, -1.0), margin_K),
        coarse_s=members.ever.coarsening_s,
    )


def _margin_K(members: CarbonMembers, temperature_K: FloatArray) -> FloatArray:
    """How far the richest steel of each member is from melting at its own temperature [K]."""
    return solidus_K(members.carbon_wt_pct.max(axis=1)) - temperature_K


@lru_cache(maxsize=1)
def _solidus_table() -> tuple[FloatArray, FloatArray]:
    temperatures_K = np.linspace(EUTECTIC_K, HIGHEST_K, 400)
    return -solidus_wt_pct(temperatures_K), temperatures_K


def solidus_K(carbon_wt_pct: FloatArray) -> FloatArray:
    """Temperature [K] at which steel of carbon contents [wt%] begins to melt: `solidus_temperature_K` for arrays."""
    table, temperatures_K = _solidus_table()
    return np.asarray(np.interp(-carbon_wt_pct, table, temperatures_K))


def _stacked(outcomes: list[Outcomes]) -> Outcomes:
    """Outcomes (t,) of several moments as (t, moments)."""
    return Outcomes(*(np.stack([getattr(o, f.name) for o in outcomes], axis=-1) for f in fields(Outcomes)))


def _rows(outcomes: Outcomes, rows: slice) -> Outcomes:
    return outcomes.each(lambda values: values[rows])


def _branched(
    problem: CarbonProblem,
    temperature_K: FloatArray,
    start_wt_pct: FloatArray,
    before: list[Outcomes],
    more_s: FloatArray,
    level_wt_pct: float,
) -> Outcomes:
    """Outcomes (t, b, r) of holds with sealed faces, from starting profiles (b t, cells) [wt%]."""
    count, branches = temperature_K.size, len(before)
    each_K = np.tile(temperature_K, branches)
    sealed = replace(
        problem,
        start_carbon_wt_pct=np.maximum(start_wt_pct, 0.0),
        front=SEALED,
        back=SEALED,
        members=each_K.size,
        highest_start_wt_pct=7.0,
    )
    state: CarbonState = carbon_profile.begin(sealed)
    state = carbon_profile.advance(sealed, state, np.array([0.0]), each_K[:, None])
    margin_K = np.concatenate([outcome.margin_K for outcome in before])
    coarse_s = np.concatenate([outcome.coarse_s for outcome in before])
    at_s, found = 0.0, []
    for moment_s in more_s:
        steps = np.linspace(at_s, moment_s, max(2, int(np.ceil((moment_s - at_s) / (4.0 * STEP_S))) + 1))[1:]
        state = carbon_profile.advance(sealed, state, steps, np.repeat(each_K[:, None], steps.size, axis=1))
        at_s = float(moment_s)
        members = carbon_profile.members_at_end(sealed, state)
        outcome = outcomes_of(members, level_wt_pct, margin_K)
        found.append(replace(outcome, coarse_s=outcome.coarse_s + coarse_s))
    return _stacked(found).each(lambda values: values.reshape(branches, count, more_s.size).transpose(1, 0, 2))
