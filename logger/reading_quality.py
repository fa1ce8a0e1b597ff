"""Whether a temperature is to be believed, judged against what the same channel said before. Pure.

A reading arrives here with its number already in range and no break code. What remains are numbers that look like
temperatures and are none: spikes, a value that stands still, an exact zero from a dead amplifier. They are told from
real changes by what an oven can do and by the channel's own flicker, and each rule lets go later than it takes hold,
so that nothing flutters. The number itself is never changed.

Beside the quality there are suspicions: readings that are true but should not be, given how much heating power the
controller asks for. They are for alerts and for the check of a new installation.

All limits are this project's choice unless a source stands beside them.
"""

import math
from dataclasses import dataclass, field, replace
from enum import StrEnum

from logger.reading import Quality
from logger.units import ZERO_CELSIUS_K

LEAST_JUMP_K = 8.0
"""A change up to here between two readings is never a spike [K], ..."""
JUMP_SIGMAS = 6.0
"""... nor one within this many standard deviations of the channel's own noise."""
FAST_RATE_K_PER_S, FAST_SPAN_S = 2.0, 30.0
"""On top, what the air of an oven does in its fastest half minute [K/s, s], ..."""
SLOW_RATE_K_PER_S = 0.4
"""... and after that [K/s]: 24 K/min, faster than small ovens heat or cool."""

BEYOND_SPAN_S, BEYOND_RATE_K_PER_S, FORGOTTEN_K_PER_S = 10.0, 1.0, 0.1
"""A door or a moved thermocouple can be faster than the above: up to the channel's rate limit for so long [s], then so
fast [K/s]; to where the oven has not been lately (a peak is forgotten at the third of these [K/s]) no faster than that
from the start. Such a change is believed once it has lasted a few readings; a still faster one only when so much time
has passed that an oven could have got there, ..."""
DOOR_LEAVES, DOOR_COOLS_S, ROOM_K = 0.35, 900.0, 293.15
"""An open door leaves this share of what the air was above the room [K], falling by a factor of e in this long [s]:
less is no air of an oven that was hot just now, ..."""
CONFIRMING_READINGS = 4
YOUNG_READINGS, OUTVOTED_READINGS, OUTVOTED_S = 10, 20, 60.0
"""... or when what was believed so far rests on a few first readings and is outvoted by more, for longer [s]."""

RESCALED_WITHIN_S, RESCALED_K, RESCALED_K_PER_S = 150.0, 3.0, 0.15
"""A jump within this long [s] that lands, this near [K] and so much farther for every second [K/s], on the same
temperature told in the other unit or with the decimal point moved is such a change, and no temperature for as long as
it explains the readings better than their own number does."""
_RESCALINGS = ((1.8, 32.0), (1.0 / 1.8, -32.0 / 1.8), (10.0, 0.0), (0.1, 0.0), (10.0, 160.0), (0.1, -16.0))
"""What such a change makes of a Celsius temperature t: a t + b. C for F and F for C; the point moved in C, and in F."""

FROZEN_LEAST_READINGS = 8
FROZEN_CHANCE = 1e-7
"""So unlikely must a run of equal readings be, by the channel's own flicker, before it counts as frozen."""
STOPPED_K, STOPPED_READINGS, TREND_S = 3.0, 5, 60.0
"""A channel that flickers and was moving, over about so long [s], is frozen sooner: when it should have moved by this
much [K] meanwhile, and has given the same number so often."""
FLICKER_LEARNT_READINGS = 60
REAL_NOISE_STEPS = 0.6
"""Noise above this share of the display's step flickers by itself; below it a steady oven may show one number long."""
FROZEN_LONG_S, FROZEN_LONG_READINGS, OUTPUT_CYCLES = 600.0, 60, 0.3
FROZEN_AFTER_CYCLE_S = 300.0
"""Without flicker: equal for so long [s], and so often, and still so long [s] after the output has moved by this
fraction of full power."""

NO_HEAT, FULL_HEAT = 0.02, 0.98
"""Output fractions that count as none and all."""
COASTING_S = 180.0
"""What the oven does in the first minutes after such a change says nothing [s]."""
TELLING_CHANGE_K = 5.0
PERSISTING_S = 300.0
RECOVERY_S = 900.0
"""A closed door lets the air climb back for so long although nothing heats [s]."""
COLD_K = 333.15
STAYS_COLD_S, STAYS_COLD_K, WARMING_OUTPUT = 2400.0, 15.0, 0.5
"""Heated at this output for so long [s], a cold thermocouple must have risen by this much [K], even in a canister."""
NO_PROGRESS_S, NO_PROGRESS_K = 1800.0, 3.0
SPIKES_OF_RECENT, SPIKES_LEFT, RECENT_READINGS = 5, 1, 100
REAL_CHANGE_READINGS = 3
"""So many doubted readings in a row that agree among themselves were a change, such as a door, and no spikes."""


class Suspicion(StrEnum):
    """What is odd about a channel although its readings may be true."""

    SPIKES = "spikes"
    FROZEN = "frozen value"
    RISING_WITHOUT_HEAT = "rising at 0 % output"
    FALLING_AT_FULL_HEAT = "falling at 100 % output"
    NO_PROGRESS = "no progress at 100 % output"
    FALLING_ON_HEATING = "falling while it should heat up"
    STAYS_COLD = "stays at room temperature while heated"
    EXACT_ZERO = "exactly zero"
    RESCALED = "unit or decimal point changed"


@dataclass(frozen=True, slots=True)
class Observation:
    """One reading to be judged.

    ``output`` is the controller's output as a fraction of full power, NaN when it is not known. ``is_zero`` says that
    the bare number read was exactly 0.
    """

    time_s: float
    temperature_K: float
    output: float = math.nan
    is_zero: bool = False


@dataclass(frozen=True, slots=True)
class _Run:
    """Readings that agree among themselves but not with what was last believed.

    ``rescaled`` is the number of the change in `_RESCALINGS` by which they are the believed temperature told in another
    unit or with another decimal point, and ``meant_K`` the temperature they mean then [K].
    """

    first_s: float
    first_K: float
    last_s: float
    last_K: float
    count: int = 1
    rescaled: int | None = None
    meant_K: float = math.nan


@dataclass(frozen=True, slots=True)
class _Flicker:
    """How much neighbours differ by noise alone: from second differences [K2], which a steady ramp leaves at 0.

    ``trend_K_per_s`` is how fast the channel has been moving over the last minute or so [K/s].
    """

    variance: float = 1.0
    learnt: int = 0
    step_K: float = math.inf
    before: tuple[tuple[float, float], ...] = ()
    trend_K_per_s: float = 0.0

    @property
    def sigma_K(self) -> float:
        """Standard deviation of the noise [K]."""
        return math.sqrt(self.variance)


@dataclass(frozen=True, slots=True)
class _Equal:
    """The present run of equal readings and the longest harmless one before it."""

    value_K: float = math.nan
    since_s: float = 0.0
    count: int = 0
    longest: int = 1
    least_output: float = math.inf
    most_output: float = -math.inf
    cycled_s: float = math.nan


@dataclass(frozen=True, slots=True)
class _Power:
    """A stretch with the output at one end of its range, and what the temperature did in it."""

    since_s: float = math.nan
    start_K: float = math.nan
    settled_K: float = math.nan
    lowest: tuple[float, float] = (0.0, math.inf)
    off_by_since_s: float = math.nan


@dataclass(frozen=True, slots=True)
class QualityState:
    """All that the judgement of one channel remembers."""

    last_good: tuple[float, float] | None = None
    good_readings: int = 0
    highest_K: float = -math.inf
    run: _Run | None = None
    flicker: _Flicker = field(default_factory=_Flicker)
    equal: _Equal = field(default_factory=_Equal)
    frozen: bool = False
    no_heat: _Power = field(default_factory=_Power)
    full_heat: _Power = field(default_factory=_Power)
    heating: _Power = field(default_factory=_Power)
    progress: tuple[float, float] = (math.nan, math.nan)
    recent_spikes: tuple[bool, ...] = ()
    suspicions: frozenset[Suspicion] = frozenset()


@dataclass(frozen=True, slots=True)
class Judgement:
    """The quality of one reading, the suspicions that hold now, and the state for the next."""

    quality: Quality
    suspicions: frozenset[Suspicion]
    state: QualityState


def judge(state: QualityState, seen: Observation, rate_limit_K_per_s: float = 20.0) -> Judgement:
    """Judge one reading that is in range and no break code.

    Parameters
    ----------
    state : what this channel's earlier readings left behind; `QualityState()` before the first
    seen : the reading, later than all before
    rate_limit_K_per_s : the steepest change that is believed at all, even when it lasts [K/s]

    Returns    Judgement
    """
    suspicions = set(state.suspicions)
    equal = _equal_run(state.equal, seen)
    if _is_dead_zero(state, seen):
        suspicions.add(Suspicion.EXACT_ZERO)
        return _keep(replace(state, equal=equal), Quality.SENSOR_OPEN, suspicions)
    suspicions.discard(Suspicion.EXACT_ZERO)
    frozen = _is_frozen(state, equal, seen.time_s)
    if frozen:
        suspicions.add(Suspicion.FROZEN)
        return _keep(replace(state, equal=equal, frozen=True), Quality.FROZEN, suspicions)
    suspicions.discard(Suspicion.FROZEN)
    if state.frozen or equal.count == 1:  # a run of dead zeros, or of a frozen value, was no harmless one
        harmless = not state.frozen and Suspicion.EXACT_ZERO not in state.suspicions
        equal = replace(equal, longest=max(equal.longest, state.equal.count) if harmless else state.equal.longest)
    believed, run = _believe(state, seen, rate_limit_K_per_s)
    spikes = (*state.recent_spikes, not believed)[-RECENT_READINGS:]
    if believed and state.run is not None and state.run.count >= REAL_CHANGE_READINGS:
        changed = state.run.count + 1
        spikes = (*spikes[:-changed], *(False for _ in spikes[-changed:]))
    if sum(spikes) >= SPIKES_OF_RECENT:
        suspicions.add(Suspicion.SPIKES)
    elif sum(spikes) <= SPIKES_LEFT:
        suspicions.discard(Suspicion.SPIKES)
    if run is not None and run.rescaled is not None:
        suspicions.add(Suspicion.RESCALED)
    else:
        suspicions.discard(Suspicion.RESCALED)
    state = replace(state, equal=equal, frozen=False, run=run, recent_spikes=spikes)
    if not believed:
        return _keep(state, Quality.SPIKE, suspicions)
    state = replace(
        state,
        last_good=(seen.time_s, seen.temperature_K),
        highest_K=_highest_K(state, seen),
        good_readings=1 if run is not None else state.good_readings + 1,
        flicker=_learnt(state.flicker, seen),
        run=None,
    )
    return _keep(_judge_power(state, seen, suspicions), Quality.GOOD, suspicions)


def no_reading(state: QualityState) -> QualityState:
    """The state after a reading that was missing or a break code: a run of equal or new readings ends with it."""
    run = state.run if state.run is not None and state.run.rescaled is not None else None
    return replace(state, run=run, equal=replace(state.equal, count=0, value_K=math.nan), frozen=False)


def believable_change_K(flicker_sigma_K: float, interval_s: float) -> float:
    """How far two readings this long apart [s] may differ and still both be the oven's air [K]."""
    fast_s, slow_s = min(interval_s, FAST_SPAN_S), max(0.0, interval_s - FAST_SPAN_S)
    own_K = max(LEAST_JUMP_K, JUMP_SIGMAS * flicker_sigma_K)
    return own_K + FAST_RATE_K_PER_S * fast_s + SLOW_RATE_K_PER_S * slow_s


def _keep(state: QualityState, quality: Quality, suspicions: set[Suspicion]) -> Judgement:
    held = frozenset(suspicions)
    return Judgement(quality, held, replace(state, suspicions=held))


def _is_dead_zero(state: QualityState, seen: Observation) -> bool:
    """An exact zero counts as one unless readings near it show that the shop is simply that cold."""
    if not seen.is_zero:
        return False
    if state.last_good is None or Suspicion.EXACT_ZERO in state.suspicions:
        return True
    near = abs(state.last_good[1] - seen.temperature_K) <= LEAST_JUMP_K
    return not near or (state.equal.value_K == seen.temperature_K and state.equal.count >= 2)


def _believe(state: QualityState, seen: Observation, rate_limit_K_per_s: float) -> tuple[bool, _Run | None]:
    """Whether a reading goes with the last one believed, or with enough others that agree against it."""
    if state.last_good is None:
        return True, None
    sigma_K = state.flicker.sigma_K
    last_s, last_K = state.last_good
    run, now_s = state.run, seen.time_s
    if run is not None and run.rescaled is not None:
        going_on = _goes_on_rescaled(run, seen, sigma_K)
        if going_on is not None:
            return False, going_on
        if abs(seen.temperature_K - run.meant_K) <= believable_change_K(sigma_K, now_s - run.last_s):
            return True, None  # switched back: this is where the oven had come to meanwhile
        run = None
    possible_K = believable_change_K(sigma_K, now_s - last_s)
    if abs(seen.temperature_K - last_K) <= possible_K and seen.temperature_K >= _coldest_K(last_K, now_s - last_s):
        return True, None
    if run is not None and abs(seen.temperature_K - run.last_K) <= believable_change_K(sigma_K, now_s - run.last_s):
        run = replace(run, last_s=now_s, last_K=seen.temperature_K, count=run.count + 1)
    else:
        run = _Run(now_s, seen.temperature_K, now_s, seen.temperature_K)
        change = _rescaling(last_K, seen.temperature_K, now_s - last_s)
        if change is not None:
            return False, replace(run, rescaled=change, meant_K=_undone_K(change, seen.temperature_K))
    away_s = run.first_s - last_s
    possible_K = rate_limit_K_per_s * min(away_s, BEYOND_SPAN_S) + BEYOND_RATE_K_PER_S * max(
        0.0, away_s - BEYOND_SPAN_S
    )
    if run.first_K > max(last_K, state.highest_K + LEAST_JUMP_K):  # hotter than it was lately: no door that was closed
        possible_K = FAST_RATE_K_PER_S * FAST_SPAN_S + BEYOND_RATE_K_PER_S * away_s
    confirmed = run.count >= CONFIRMING_READINGS and run.first_K >= _coldest_K(last_K, away_s)
    if abs(run.first_K - last_K) <= possible_K and confirmed:
        return True, None
    lasted = run.count >= OUTVOTED_READINGS and run.last_s - run.first_s >= OUTVOTED_S
    return lasted and state.good_readings <= YOUNG_READINGS, run


def _highest_K(state: QualityState, seen: Observation) -> float:
    """The hottest that was believed lately [K]: what lies back counts the less."""
    before_s = state.last_good[0] if state.last_good is not None else seen.time_s
    return max(seen.temperature_K, state.highest_K - FORGOTTEN_K_PER_S * (seen.time_s - before_s))


def _coldest_K(last_K: float, away_s: float) -> float:
    """The coldest [K] that the air of an oven can be so long [s] after it was at a temperature, whatever was opened."""
    left_K = DOOR_LEAVES * math.exp(-away_s / DOOR_COOLS_S) * max(0.0, last_K - ROOM_K)
    return min(ROOM_K + left_K, last_K - LEAST_JUMP_K - FAST_RATE_K_PER_S * FAST_SPAN_S)


def _rescaling(believed_K: float, seen_K: float, away_s: float) -> int | None:
    """By which change of unit or decimal point a reading is what was believed so long ago [s]; None if by none."""
    if away_s > RESCALED_WITHIN_S:
        return None
    near_K = min(RESCALED_K + RESCALED_K_PER_S * away_s, believable_change_K(0.0, away_s))
    off_K = [abs(_undone_K(change, seen_K) - believed_K) for change in range(len(_RESCALINGS))]
    best = min(range(len(off_K)), key=off_K.__getitem__)
    return best if off_K[best] <= near_K else None


def _undone_K(change: int, seen_K: float) -> float:
    factor, shift = _RESCALINGS[change]
    return (seen_K - ZERO_CELSIUS_K - shift) / factor + ZERO_CELSIUS_K


def _goes_on_rescaled(run: _Run, seen: Observation, sigma_K: float) -> _Run | None:
    """The run with one more reading in the changed unit; None when that explains it worse than its own number."""
    assert run.rescaled is not None
    meant_K = _undone_K(run.rescaled, seen.temperature_K)
    off_changed_K, off_own_K = abs(meant_K - run.meant_K), abs(seen.temperature_K - run.meant_K)
    if off_changed_K > believable_change_K(sigma_K, seen.time_s - run.last_s) or off_own_K <= off_changed_K:
        return None
    return replace(run, last_s=seen.time_s, last_K=seen.temperature_K, meant_K=meant_K, count=run.count + 1)


def _equal_run(equal: _Equal, seen: Observation) -> _Equal:
    output = seen.output
    if seen.temperature_K != equal.value_K:
        equal = _Equal(seen.temperature_K, seen.time_s, 0, equal.longest)
    if math.isnan(output):
        return replace(equal, count=equal.count + 1)
    least, most = min(equal.least_output, output), max(equal.most_output, output)
    cycled_s = seen.time_s if math.isnan(equal.cycled_s) and most - least >= OUTPUT_CYCLES else equal.cycled_s
    return replace(equal, count=equal.count + 1, least_output=least, most_output=most, cycled_s=cycled_s)


def _is_frozen(state: QualityState, equal: _Equal, now_s: float) -> bool:
    if state.frozen and equal.count > 1:
        return True
    flicker = state.flicker
    if flicker.learnt >= FLICKER_LEARNT_READINGS and flicker.sigma_K >= REAL_NOISE_STEPS * flicker.step_K:
        # two readings of normal noise fall on the same step of the display with about this probability
        alike = min(0.95, flicker.step_K / (2.0 * math.sqrt(math.pi) * flicker.sigma_K))
        needed = max(FROZEN_LEAST_READINGS, math.ceil(math.log(FROZEN_CHANCE) / math.log(alike)) + 1, 3 * equal.longest)
        if abs(flicker.trend_K_per_s) * (now_s - equal.since_s) >= STOPPED_K:
            needed = min(needed, max(STOPPED_READINGS, equal.longest + 1))
        if equal.count >= needed:
            return True
    enough = equal.count >= max(FROZEN_LONG_READINGS, 3 * equal.longest) and now_s - equal.since_s >= FROZEN_LONG_S
    return enough and now_s - equal.cycled_s >= FROZEN_AFTER_CYCLE_S


def _learnt(flicker: _Flicker, seen: Observation) -> _Flicker:
    before = (*flicker.before, (seen.time_s, seen.temperature_K))[-3:]
    if len(before) >= 2 and (step_K := abs(before[-1][1] - before[-2][1])) > 1e-6:
        flicker = replace(flicker, step_K=min(flicker.step_K, step_K))
    flicker = replace(flicker, before=before)
    if len(before) < 3:
        return flicker
    (first_s, first_K), (middle_s, middle_K), (last_s, last_K) = before
    early_s, late_s = middle_s - first_s, last_s - middle_s
    newness = -math.expm1(-late_s / TREND_S)
    trend_K_per_s = flicker.trend_K_per_s + newness * ((last_K - first_K) / (last_s - first_s) - flicker.trend_K_per_s)
    flicker = replace(flicker, trend_K_per_s=trend_K_per_s)
    if not 0.67 < early_s / late_s < 1.5:
        return flicker
    bend_K = last_K - 2.0 * middle_K + first_K
    limited = min(bend_K**2 / 6.0, 25.0 * max(flicker.variance, 0.01))  # one odd reading teaches little
    share = max(1.0 / (flicker.learnt + 2.0), 0.02)
    variance = flicker.variance + share * (limited - flicker.variance)
    return replace(flicker, variance=variance, learnt=flicker.learnt + 1)


def _judge_power(state: QualityState, seen: Observation, suspicions: set[Suspicion]) -> QualityState:
    """Compare what the temperature does with how much heat is asked for."""
    if math.isnan(seen.output):
        return state
    telling_K = max(TELLING_CHANGE_K, JUMP_SIGMAS * state.flicker.sigma_K)
    return replace(
        state,
        no_heat=_without_heat(state.no_heat, seen, telling_K, suspicions),
        full_heat=_at_full_heat(state.full_heat, seen, telling_K, suspicions),
        heating=_while_cold(state.heating, seen, telling_K, suspicions),
        progress=_progress(state.progress, seen, suspicions),
    )


def _stretch(power: _Power, seen: Observation) -> _Power:
    """A stretch at one end of the output's range that goes on, its temperature after coasting noted."""
    if math.isnan(power.since_s):
        return _Power(seen.time_s, seen.temperature_K)
    if seen.time_s - power.since_s < COASTING_S:
        return power
    if math.isnan(power.settled_K):
        return replace(power, settled_K=seen.temperature_K, lowest=(seen.time_s, seen.temperature_K))
    if seen.temperature_K < power.lowest[1]:
        return replace(power, lowest=(seen.time_s, seen.temperature_K))
    return power


def _without_heat(power: _Power, seen: Observation, telling_K: float, suspicions: set[Suspicion]) -> _Power:
    if seen.output > NO_HEAT:
        suspicions.discard(Suspicion.RISING_WITHOUT_HEAT)
        return _Power()
    power = _stretch(power, seen)
    if math.isnan(power.settled_K):
        return power
    lowest_s, lowest_K = power.lowest
    above_settled = seen.temperature_K - power.settled_K >= telling_K
    still_climbing = seen.temperature_K - lowest_K >= telling_K and seen.time_s - lowest_s >= RECOVERY_S
    if above_settled or still_climbing:
        suspicions.add(Suspicion.RISING_WITHOUT_HEAT)
    elif seen.temperature_K - lowest_K < 0.4 * telling_K:
        suspicions.discard(Suspicion.RISING_WITHOUT_HEAT)
    return power


def _at_full_heat(power: _Power, seen: Observation, telling_K: float, suspicions: set[Suspicion]) -> _Power:
    if seen.output < FULL_HEAT:
        suspicions.discard(Suspicion.FALLING_AT_FULL_HEAT)
        return _Power()
    power = _stretch(power, seen)
    if math.isnan(power.settled_K):
        return power
    if power.settled_K - seen.temperature_K < telling_K:
        if power.settled_K - seen.temperature_K < 0.4 * telling_K:
            suspicions.discard(Suspicion.FALLING_AT_FULL_HEAT)
        return replace(power, settled_K=max(power.settled_K, seen.temperature_K), off_by_since_s=math.nan)
    if math.isnan(power.off_by_since_s):
        return replace(power, off_by_since_s=seen.time_s)
    if seen.time_s - power.off_by_since_s >= PERSISTING_S:
        suspicions.add(Suspicion.FALLING_AT_FULL_HEAT)
    return power


def _while_cold(power: _Power, seen: Observation, telling_K: float, suspicions: set[Suspicion]) -> _Power:
    """A cold oven that is heated must warm up: if it falls the thermocouple is reversed, if it stays it is shorted."""
    cold_suspicions = {Suspicion.FALLING_ON_HEATING, Suspicion.STAYS_COLD}
    if seen.output < WARMING_OUTPUT or seen.temperature_K > COLD_K:
        if seen.temperature_K > COLD_K or math.isnan(power.since_s):
            suspicions -= cold_suspicions
        return _Power()
    if math.isnan(power.since_s):
        return _Power(seen.time_s, seen.temperature_K)
    change_K, lasted_s = seen.temperature_K - power.start_K, seen.time_s - power.since_s
    if change_K <= -telling_K:
        suspicions.add(Suspicion.FALLING_ON_HEATING)
    elif change_K >= STAYS_COLD_K:
        suspicions -= cold_suspicions
    elif lasted_s >= STAYS_COLD_S:
        suspicions.add(Suspicion.STAYS_COLD)
    return power


def _progress(progress: tuple[float, float], seen: Observation, suspicions: set[Suspicion]) -> tuple[float, float]:
    """At full power the temperature must move, one way or the other."""
    since_s, at_K = progress
    if seen.output < FULL_HEAT:
        suspicions.discard(Suspicion.NO_PROGRESS)
        return (math.nan, math.nan)
    if math.isnan(since_s) or abs(seen.temperature_K - at_K) > NO_PROGRESS_K:
        suspicions.discard(Suspicion.NO_PROGRESS)
        return (seen.time_s, seen.temperature_K)
    if seen.time_s - since_s >= NO_PROGRESS_S:
        suspicions.add(Suspicion.NO_PROGRESS)
    return progress
