"""Target: what the run should reach or must not pass; whether it has, when it did, and when it will.

Values come from the estimate's trail (its record of itself along the run), so a target is met at the same moment
whether the run is watched live, resumed, or reviewed years later.
"""

from dataclasses import dataclass, replace
from math import inf, isfinite

import numpy as np

from logger.estimate import estimate, uncertainty
from logger.estimate.bands import Band, Bands
from logger.estimate.estimate import EstimateState, Problem
from logger.history import History
from logger.sheet_parts import Quantity, StageKind, Target
from logger.steel.phase_limits import A1_K
from logger.units import FloatArray, kelvin_from_celsius

FALLING = frozenset({Quantity.HARDNESS})
"""Quantities that a run brings down: tempering softens."""

FIRST_STEP_S = 60.0
MEMBERS_FIRST_STEP_S = 300.0
"""The members look ahead in longer steps: the range they give is not read to the minute."""

MEMBERS_PAST_NOMINAL = 4.0
"""The members look this much further ahead than the nominal estimate: half the carbon takes four times as long."""

UNSEEN_MEMBERS_S = 12.0 * 3600.0
"""Where the nominal estimate never gets there, the members look this far: a working day and a night's beginning."""

ASLEEP_BELOW_K = kelvin_from_celsius(690.0)
"""No carbon moves below A1 (727 C); no thermocouple in use is wrong by the rest."""

TEMPERS = frozenset({Quantity.HARDNESS, Quantity.TEMPERING_PARAMETER})

SETTLED_S, SETTLED_K = 600.0, 6.0
"""A temper that nobody stated is judged where the steel has risen by no more than this [K] in so long [s] (our choice,
the slope of a recognised hold): a piece on its way up to be hardened passes the heat of every temper."""

ENOUGH_PART = 0.97
"""When this part of the members has met a target, both ends of its range are known."""

STEP_GROWTH = 1.15
LONGEST_STEP_S = 1800.0
SLOWEST_HEATING_K_PER_S = 1.0 / 60.0


@dataclass(frozen=True, slots=True)
class TargetStatus:
    """How far one target is.

    ``value`` is the momentary value in the target's own unit, NaN while there is none. ``reached_at_s`` is the run
    time [s] at which it first met the wanted value; for a limit, at which it was first passed. A target judged by the
    pessimistic side is reached when nineteen members in twenty have reached it, and a limit of that kind is passed
    when one in twenty has passed it. ``band`` is the value's at the moment of the bands, None where there are none.
    ``judged`` is false while what is asked of a temper waits until it shows whether this is one.
    """

    target: Target
    value: float
    reached: bool
    reached_at_s: float | None
    band: Band | None = None
    judged: bool = True

    @property
    def name(self) -> str:
        """The target in words, without its number."""
        if self.target.at_carbon_wt_pct is None:
            return str(self.target.quantity)
        return f"{self.target.quantity} to {self.target.at_carbon_wt_pct:.2f} % C"


@dataclass(frozen=True, slots=True, eq=False)
class ProfileAhead:
    """Carbon [wt%] over depth [m], shape (n,) each, at the run time [s] at which target ``number`` will be met."""

    number: int
    time_s: float
    depth_m: FloatArray
    carbon_wt_pct: FloatArray


@dataclass(frozen=True, slots=True)
class Forecast:
    """When each target will be met [run time, s] if the oven goes on as supposed; None: not within the horizon.

    ``range_s``: between which run times [s] nine members in ten meet each target; None where no bands are wanted or
    the target was met before; the later end None where some will not within the horizon. ``profile``: the nominal
    carbon at the first target still ahead; None where none will be met.
    """

    reached_at_s: tuple[float | None, ...]
    hold_temperature_K: float
    horizon_s: float
    range_s: tuple[tuple[float, float | None] | None, ...] = ()
    profile: ProfileAhead | None = None

    def says_anything_of(self, target: Target) -> bool:
        """Whether the hold supposed says when a target will be met: below A1 no carbon moves, however long it is."""
        return self.hold_temperature_K > A1_K or target.quantity not in OF_CARBON


OF_CARBON = frozenset({Quantity.CASE_DEPTH, Quantity.SURFACE_CARBON, Quantity.CORE_CARBON, Quantity.MEAN_CARBON})


def statuses(problem: Problem, state: EstimateState, bands: Bands | None = None) -> tuple[TargetStatus, ...]:
    """Status of every target on the run sheet, in the sheet's order, with the latest bands where there are any."""
    trail = state.trail
    time_s = np.array([point.time_s for point in trail])
    steel_K = np.array([point.steel_temperature_K for point in trail])
    stated = any(stage.kind is StageKind.TEMPER for stage in problem.sheet.stages)
    found = []
    for number, target in enumerate(problem.sheet.targets):
        values = np.array([point.target_values[number] for point in trail])
        value = float(values[-1]) if values.size else float("nan")
        at_s = time_s
        if target.judged_by == "pessimistic" and problem.ensemble is not None:
            side = judging_side(target)
            at_s = np.array([point.time_s for point in state.band_trail])
            values = np.array([point.targets[number][side] for point in state.band_trail])
        judged = np.ones(at_s.size, dtype=bool)
        if target.quantity in TEMPERS:
            values = since_hardened(values)
            if not stated:
                judged = settled(at_s, time_s, steel_K)
        reached_at_s = first_crossing_s(at_s, values, target, judged)
        band = None if bands is None else bands.targets[number]
        waits = bool(judged.size) and not bool(judged[-1])
        found.append(TargetStatus(target, value, reached_at_s is not None, reached_at_s, band, not waits))
    return tuple(found)


def settled(at_s: FloatArray, time_s: FloatArray, steel_K: FloatArray) -> np.ndarray:
    """Whether the steel was on no way up, at several run times.

    Parameters
    ----------
    at_s : array, shape (k,)        run times asked for [s]
    time_s : array, shape (n,)      run times of the trail [s]
    steel_K : array, shape (n,)     the steel's temperature there [K]

    Returns    array of bool, shape (k,)     false in the first minutes, and where the temperature is not known
    """
    known = np.isfinite(steel_K)
    if not known.any():
        return np.zeros(at_s.size, dtype=bool)
    time_s, steel_K = time_s[known], steel_K[known]
    risen_K = np.interp(at_s, time_s, steel_K) - np.interp(at_s - SETTLED_S, time_s, steel_K)
    result: np.ndarray = (at_s - SETTLED_S >= time_s[0]) & (risen_K <= SETTLED_K)
    return result


def since_hardened(values: FloatArray) -> FloatArray:
    """The ``values`` of a temper, shape (n,) [HRC or K], with NaN for those of before the piece was last hardened.

    A piece on its way up to be hardened passes the heat of a temper first: what that did is gone with the austenite,
    while which there is no value.
    """
    known = np.isfinite(values)
    ended = known[:-1] & ~known[1:]
    if not ended.any():
        return values
    kept = values.copy()
    kept[: int(np.flatnonzero(ended)[-1]) + 1] = np.nan
    return kept


def judging_side(target: Target) -> int:
    """Which end of a band (0 the lower, 2 the upper) judges a target on the pessimistic side.

    What shall be reached is judged by those slowest to reach it, what must not be passed by those first to pass it.
    """
    slow = 2 if target.quantity in FALLING else 0
    return 2 - slow if target.limit else slow


def first_crossing_s(
    time_s: FloatArray, values: FloatArray, target: Target, judged: np.ndarray | None = None
) -> float | None:
    """First run time [s] at which values, shape (n,), meet the target; linear between points; None if they do not.

    ``judged``, shape (n,): where whether they do may be asked (None: everywhere). What is met there was met when the
    values first did, be that before.
    """
    known = np.isfinite(values)
    time_s, values = time_s[known], values[known]
    met = _met(values, target)
    if not (met if judged is None else met & judged[known]).any():
        return None
    first = int(np.argmax(met))
    if first == 0:
        return float(time_s[0])
    before, after = values[first - 1], values[first]
    share = (target.value - before) / (after - before)
    return float(time_s[first - 1] + share * (time_s[first] - time_s[first - 1]))


def forecast(
    problem: Problem,
    state: EstimateState,
    hold_temperature_K: float,
    *,
    heating_K_per_s: float = 0.0,
    horizon_s: float = 48.0 * 3600.0,
) -> Forecast:
    """When each target will be met if the oven goes to a temperature and stays there.

    Parameters
    ----------
    problem, state : the run so far
    hold_temperature_K : oven temperature from now on [K]
    heating_K_per_s : rate [K/s] at which the oven gets there from its last reading; at least 1 K/min is supposed, also
        where it is not known (NaN)
    horizon_s : how far to look ahead [s]

    Returns    Forecast; times already reached are given as they were
    """
    channel, targets = state.channel, problem.sheet.targets
    start_s, start_K = state.last_time_s, estimate.at_end(problem, state).thermal.oven_temperature_K
    if not targets or not isfinite(start_K):
        return Forecast((None,) * len(targets), hold_temperature_K, horizon_s, (None,) * len(targets))
    rate = max(abs(heating_K_per_s), SLOWEST_HEATING_K_PER_S) if isfinite(heating_K_per_s) else SLOWEST_HEATING_K_PER_S
    arrival_s = start_s + abs(hold_temperature_K - start_K) / rate

    def supposed(from_s: float, to_s: float) -> History:
        """The oven's way from one supposed reading to the next, its corner included."""
        times = [corner for corner in (arrival_s,) if from_s < corner < to_s] + [to_s]
        at_K = np.interp(times, [start_s, max(arrival_s, start_s + 1e-9)], [start_K, hold_temperature_K])
        return History(channel, np.array(times), at_K, interval_s=LONGEST_STEP_S)

    alone = replace(problem, ensemble=None)
    ahead, at_s, value_s, values = state, start_s, [], []
    behind = [(start_s, state)]
    reached_from: dict[tuple[int, float], tuple[float, EstimateState]] = {}
    judged_alone = [target.judged_by != "pessimistic" or problem.ensemble is None for target in targets]
    for time_s in supposed_times_s(start_s, start_s + horizon_s):
        ahead = estimate.advance(alone, ahead, supposed(at_s, time_s))
        at_s = time_s
        now = statuses(alone, ahead)
        for number, status in enumerate(now):
            if status.reached_at_s is not None and (number, status.reached_at_s) not in reached_from:
                reached_from[number, status.reached_at_s] = _last_by(behind, max(status.reached_at_s, behind[0][0]))
        if all(status.reached for status in now):
            break
        behind.append((at_s, ahead))
        # What is reached later lies after the newest point of the trail: of the states before it the last one will do,
        # and all of them together would be the largest thing a daemon holds.
        while len(behind) > 1 and ahead.trail and behind[1][0] <= ahead.trail[-1].time_s:
            del behind[0]
    reached = [status.reached_at_s for status in statuses(alone, ahead)]
    profile = None
    following = _following(targets, reached, start_s)
    then_s = None if following is None else reached[following]
    if following is not None and then_s is not None:
        from_s, there = reached_from[following, then_s]
        if then_s > from_s:
            there = estimate.advance(alone, there, supposed(from_s, then_s))
        carbon = estimate.at_end(alone, there).carbon
        if carbon is not None:
            profile = ProfileAhead(following, then_s, carbon.depth_m, carbon.carbon_wt_pct)
    if problem.ensemble is None:
        return Forecast(tuple(reached), hold_temperature_K, horizon_s, (None,) * len(targets), profile)

    before = statuses(problem, state)
    met = [status.reached for status in before]
    look_s = _members_horizon_s(targets, reached, met, start_s, max(start_K, hold_temperature_K), horizon_s)
    if look_s == 0.0:
        reached = [at_s if own else None for at_s, own in zip(reached, judged_alone, strict=True)]
        for number, status in enumerate(before):
            if status.reached:
                reached[number] = status.reached_at_s
        return Forecast(tuple(reached), hold_temperature_K, horizon_s, (None,) * len(targets), profile)
    (_, members), *_ = estimate.members_now(problem, state)
    at_s = start_s
    for time_s in (start_s, *supposed_times_s(start_s, start_s + look_s, MEMBERS_FIRST_STEP_S)):
        if time_s > start_s:
            members = uncertainty.advance(problem.ensemble, members, supposed(at_s, time_s))
        at_s = time_s
        value_s.append(time_s)
        values.append(uncertainty.target_values(problem.ensemble, members))
        latest = values[-1]
        if all(
            done or np.mean(_met(latest[number], target)) > ENOUGH_PART
            for number, (target, done) in enumerate(zip(targets, met, strict=True))
        ):
            break
    ranges: list[tuple[float, float | None] | None] = []
    for number, target in enumerate(targets):
        if met[number]:
            ranges.append(None)
            reached[number] = before[number].reached_at_s
            continue
        by_member = np.array([value[number] for value in values]).T
        crossing = [first_crossing_s(np.array(value_s), row, target) for row in by_member]
        ordered = np.sort([inf if one is None else one for one in crossing])
        low_s, high_s = (_among(ordered, part) for part in (0.05, 0.95))
        ranges.append(None if low_s == inf else (low_s, high_s if high_s < inf else None))
        if not judged_alone[number]:
            judging_s = low_s if target.limit else high_s
            reached[number] = judging_s if judging_s < inf else None
    return Forecast(tuple(reached), hold_temperature_K, horizon_s, tuple(ranges), profile)


def _last_by(behind: list[tuple[float, EstimateState]], time_s: float) -> tuple[float, EstimateState]:
    """The last of some states with their run times [s] that is not later than a run time [s]."""
    return max((one for one in behind if one[0] <= time_s), key=lambda one: one[0])


def _following(targets: tuple[Target, ...], reached_at_s: list[float | None], start_s: float) -> int | None:
    """The number of the first target, in the sheet's order, that is still to be reached after a run time [s]."""
    for number, (target, at_s) in enumerate(zip(targets, reached_at_s, strict=True)):
        if not target.limit and (at_s is None or at_s > start_s):
            return number
    return None


def _members_horizon_s(
    targets: tuple[Target, ...],
    reached_at_s: list[float | None],
    met: list[bool],
    start_s: float,
    hottest_K: float,
    horizon_s: float,
) -> float:
    """How far the members, the costly part of a forecast, must look ahead [s]; 0: not at all.

    In an oven that stays too cold for carbon to move there is no range to give, unless something is tempered. Elsewhere
    they go well past the moment of the nominal estimate, or half a day where that never gets there.
    """
    wanted = [(target, at_s) for target, at_s, done in zip(targets, reached_at_s, met, strict=True) if not done]
    asleep = hottest_K < ASLEEP_BELOW_K and not any(target.quantity in TEMPERS for target, _ in wanted)
    if asleep or not wanted:
        return 0.0
    looks_s = [
        UNSEEN_MEMBERS_S if at_s is None else MEMBERS_PAST_NOMINAL * (at_s - start_s) + LONGEST_STEP_S
        for _, at_s in wanted
    ]
    return min(horizon_s, max(looks_s))


def _met(values: FloatArray, target: Target) -> np.ndarray:
    """Which values meet a target."""
    result: np.ndarray = values <= target.value if target.quantity in FALLING else values >= target.value
    return result


def _among(ordered: FloatArray, part: float) -> float:
    """The value at a part of ordered ones that may end in infinities, as `bands.band` takes it."""
    place = min(max(part * (ordered.size + 1) - 1.0, 0.0), ordered.size - 1.0)
    low, high = ordered[int(np.floor(place))], ordered[int(np.ceil(place))]
    return float(low if low == high else inf if high == inf else low + (place % 1.0) * (high - low))


def supposed_times_s(start_s: float, end_s: float, first_step_s: float = FIRST_STEP_S) -> list[float]:
    """Run times [s] at which a forecast supposes readings: ``first_step_s`` [s] apart at first, then ever wider."""
    times, step_s = [], first_step_s
    time_s = start_s
    while time_s < end_s:
        time_s += step_s
        times.append(time_s)
        step_s = min(step_s * STEP_GROWTH, LONGEST_STEP_S)
    return times
