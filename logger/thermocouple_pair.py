"""Two thermocouples side by side: a reversed pair, a tip pulled back, drift, more difference than new wire allows.

Two that sit in one place must agree. Of two apart, one behind the other's heat (inside the canister, in the pack), a
difference that shrinks is only lag: what lag can never do is part them further while the oven is held.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from math import nan

import numpy as np

from logger.history import History, longest_bridge_s
from logger.thermocouple import Thermocouple, usable_tolerance_K
from logger.units import FloatArray, kelvin_from_celsius

STEADY_K_PER_S = 1.0 / 60.0
"""Slower than this on both channels counts as steady (our choice): lag no longer explains a difference."""

SHOWS_K = 30.0
"""A channel must have moved this far before its direction means anything (our choice)."""

COLD_BEHIND_S = 2.0 * 3600.0
"""The middle of a cold packed canister may stay near room temperature for this long while its oven is hot (common
practice, no source: old shops counted an hour an inch)."""

SIXTH_S = 600.0
"""Medians over a sixth of an hour show what goes on for longer than the swings of a controller (our choice)."""

FOLLOWS_WITHIN_S, FOLLOWS_LEAST = 5400.0, 0.15
"""In this long [s] even the middle of a large canister follows its oven by more than this part of what the oven has
moved against it (our choice, for time constants of up to four hours)."""

HELD_K, HELD_S = 10.0, 1800.0
"""An oven is held where it stays this close to its level for this long (our choice)."""


class PairFinding(StrEnum):
    """What is wrong between two channels that should agree."""

    AGREE = "agree"
    TOO_FEW = "too few common readings"
    NOT_STEADY = "no steady stretch to compare in"
    REVERSED = "reversed pair"
    SHORTED = "stays near room temperature"
    DRIFT = "drift"
    OFFSET = "offset beyond both tolerances"
    WITHDRAWN = "withdrawn tip"

    @property
    def is_fault(self) -> bool:
        """Whether something is wrong, as far as can be told."""
        return self not in (PairFinding.AGREE, PairFinding.TOO_FEW, PairFinding.NOT_STEADY)


@dataclass(frozen=True, slots=True)
class PairComparison:
    """Two channels compared: the finding, which channel is suspected (empty: cannot be told), and the numbers.

    ``difference_K`` second minus first, the median over steady hot stretches (NaN if there were none);
    ``drift_K_per_h`` its change with time; ``allowed_K`` both tolerances together; ``at_s`` when it happened, for what
    happens at once (NaN for the others).
    """

    first: str
    second: str
    finding: PairFinding
    suspect: str
    difference_K: float
    drift_K_per_h: float
    allowed_K: float
    at_s: float = nan


def compare(
    first: History, second: History, first_is: Thermocouple, second_is: Thermocouple, same_place: bool = True
) -> PairComparison:
    """Compare two channels logged together.

    Parameters
    ----------
    first, second : History                two channels of one run; apart, the first is the one nearer the heat
    first_is, second_is : Thermocouple     what they are
    same_place : bool                      both sit in one place (else a steady difference is the oven's, not theirs,
                                           and one that shrinks is lag)

    Returns    PairComparison
    Source     symptoms of thermocouple faults: common practice, no source
    """
    a_K, b_K, t = _common(first, second, first_is, second_is)
    nothing = PairComparison(first.channel, second.channel, PairFinding.TOO_FEW, "", nan, nan, nan)
    if t.size < 10:
        return nothing
    hottest_K = float(max(a_K.max(), b_K.max()))
    allowed_K = float(usable_tolerance_K(first_is, hottest_K) + usable_tolerance_K(second_is, hottest_K))
    nothing = replace(nothing, allowed_K=allowed_K)
    moved_a, moved_b = _moved(a_K), _moved(b_K)
    for name, mine, other, mine_K, other_K in (
        (first.channel, moved_a, moved_b, a_K, b_K),
        (second.channel, moved_b, moved_a, b_K, a_K),
    ):
        if other > SHOWS_K and mine < -0.2 * other:
            return replace(nothing, finding=PairFinding.REVERSED, suspect=name)
        if other > 5.0 * SHOWS_K and abs(mine) < 0.1 * other and float(mine_K.max()) < kelvin_from_celsius(100.0):
            hot_since_s = float(t[int(np.argmax(other_K > other_K[0] + 5.0 * SHOWS_K))])
            if same_place or t[-1] - hot_since_s > COLD_BEHIND_S:
                return replace(nothing, finding=PairFinding.SHORTED, suspect=name)
    steady = _steady(t, a_K) & _steady(t, b_K) & (np.maximum(a_K, b_K) > hottest_K - 200.0)
    if not same_place:
        steady = _held_apart(t, a_K, b_K, steady)
    if np.count_nonzero(steady) < 10:
        return replace(nothing, finding=PairFinding.NOT_STEADY)
    t_s, d = t[steady], (b_K - a_K)[steady]
    drift, sudden_K, at_s = _trend(t_s, d)
    before_K, after_K = float(np.median(d[t_s <= at_s])), float(np.median(d[t_s > at_s]))
    hours = (float(t_s[-1]) - float(t_s[0])) / 3600.0
    drifted_K, least_K = abs(drift) * hours, max(3.0, 0.25 * allowed_K)
    if not same_place:
        drift, drifted_K = _parting(t_s, d, allowed_K)
    found = replace(nothing, finding=PairFinding.AGREE, difference_K=float(np.median(d)), drift_K_per_h=drift)
    if sudden_K > max(10.0, 0.5 * allowed_K) and (same_place or abs(after_K) > abs(before_K)):
        fell = second.channel if after_K < before_K else first.channel
        return replace(found, finding=PairFinding.WITHDRAWN, suspect=fell, at_s=at_s)
    if drifted_K > least_K and hours > 0.5:
        fell = second.channel if drift < 0.0 else first.channel
        return replace(found, finding=PairFinding.DRIFT, suspect=fell)
    if same_place and abs(found.difference_K) > allowed_K:
        return replace(found, finding=PairFinding.OFFSET)
    return found


def pairs(
    histories: Mapping[str, History], driving: str, known: Mapping[str, Thermocouple], driving_is_inside: bool
) -> tuple[PairComparison, ...]:
    """Every other channel of a run against its driving one; where they sit is not known, so only what lag cannot do.

    Parameters
    ----------
    histories : by channel
    driving : name of the driving channel
    known : thermocouples by channel; one not named is a type K
    driving_is_inside : whether the driving one is inside the canister, behind the others' heat

    Returns    tuple of PairComparison, by the other's name
    """
    found = []
    for name in sorted(set(histories) - {driving}):
        first, second = (name, driving) if driving_is_inside else (driving, name)
        couples = (known.get(first, Thermocouple()), known.get(second, Thermocouple()))
        found.append(compare(histories[first], histories[second], *couples, same_place=False))
    return tuple(found)


def _common(
    first: History, second: History, first_is: Thermocouple, second_is: Thermocouple
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Corrected temperatures of both at the first one's good readings that the second covers without a gap."""
    t, a = first.time_s[first.good], first.temperature_K[first.good]
    tb, b = second.time_s[second.good], second.temperature_K[second.good]
    if t.size < 2 or tb.size < 2:
        return np.empty(0), np.empty(0), np.empty(0)
    after = np.searchsorted(tb, t, side="left")
    inside = (after > 0) & (after < tb.size) | ((after == 0) & (t == tb[0]))
    after = np.minimum(after, tb.size - 1)
    before = np.maximum(after - 1, 0)
    close = (tb[after] - tb[before]) <= longest_bridge_s(max(first.interval_s, second.interval_s))
    use = inside & close
    t = t[use]
    return first_is.correction.corrected_K(a[use]), second_is.correction.corrected_K(np.interp(t, tb, b)), t


def _moved(x: FloatArray) -> float:
    """How far a trace went from its beginning: the extreme with the larger distance, with its sign [K]."""
    start = float(np.median(x[: max(3, x.size // 100)]))
    up, down = float(x.max()) - start, float(x.min()) - start
    return up if up >= -down else down


def _steady(t: FloatArray, x: FloatArray) -> np.ndarray:
    """Where a trace moves slower than `STEADY_K_PER_S`, judged over about five minutes either side."""
    left = np.searchsorted(t, t - 300.0)
    right = np.minimum(np.searchsorted(t, t + 300.0), t.size - 1)
    span = t[right] - t[left]
    rate = np.abs(x[right] - x[left]) / np.maximum(span, 1e-9)
    return (span > 200.0) & (rate < STEADY_K_PER_S)


def _held_apart(t: FloatArray, a: FloatArray, b: FloatArray, steady: np.ndarray) -> np.ndarray:
    """The part in which the oven is held, by the channel nearer the heat; or, where that one wanders for long while the
    one behind it does not follow, by that one: what is behind follows every oven in the end."""
    nearer, behind = _held(t, a, steady), _held(t, b, steady)
    if not behind.any() or (nearer.any() and np.ptp(t[nearer]) >= np.ptp(t[behind])):
        return nearer
    t_s, d, b_K = t[behind], (b - a)[behind], b[behind]
    first, last = t_s < t_s[0] + SIXTH_S, t_s > t_s[-1] - SIXTH_S
    followed_K = abs(float(np.median(b_K[last]) - np.median(b_K[first])))
    parted_K = abs(float(np.median(d[last]) - np.median(d[first])))
    alone = np.ptp(t_s) >= FOLLOWS_WITHIN_S and followed_K < FOLLOWS_LEAST * parted_K
    return behind if alone else nearer


def _held(t: FloatArray, x: FloatArray, steady: np.ndarray) -> np.ndarray:
    """The part of the steady readings in which a trace is held: near one level for long enough, the longest such."""
    place = np.flatnonzero(steady)
    if place.size < 2:
        return np.zeros(t.size, dtype=bool)
    breaks = np.flatnonzero((np.diff(t[place]) > 1200.0) | (np.abs(np.diff(x[place])) > HELD_K)) + 1
    longest = np.zeros(t.size, dtype=bool)
    for part in np.split(place, breaks):
        near = part[np.abs(x[part] - np.median(x[part])) < HELD_K]
        if near.size < 2 or near.size < 0.9 * part.size or t[near[-1]] - t[near[0]] < HELD_S:
            continue
        longest_s = np.ptp(t[longest]) if longest.any() else 0.0
        if abs(_slope_K_per_h(t[near], x[near])) < HELD_K and t[near[-1]] - t[near[0]] > longest_s:
            longest[:] = False
            longest[near] = True
    return longest


def _parting(t: FloatArray, d: FloatArray, allowed_K: float) -> tuple[float, float]:
    """How fast a difference has grown since it was smallest [K/h], and how far [K]; nothing while it shrinks.

    Lag brings two channels together, ever more slowly: what parts them in a hold is something else. A difference that
    has changed its sign on the way is told only where it is beyond both tolerances.
    """
    numbers = ((t - t[0]) // SIXTH_S).astype(np.int64)
    middles = np.array([float(np.median(d[numbers == number])) for number in np.unique(numbers)])
    at_s = np.array([float(np.median(t[numbers == number])) for number in np.unique(numbers)])
    smallest = int(np.argmin(np.abs(middles)))
    grown_K = float(middles[-1] - middles[smallest])
    hours = float(at_s[-1] - at_s[smallest]) / 3600.0
    turned = bool(np.any(middles[: smallest + 1] * middles[-1] < 0.0))
    if hours <= 0.5 or (turned and abs(middles[-1]) < allowed_K):
        return 0.0, 0.0
    return grown_K / hours, abs(grown_K)


def _slope_K_per_h(t: FloatArray, x: FloatArray) -> float:
    """Slope of the straight line that fits best [K/h]; 0 for fewer than three readings."""
    return float(np.polyfit(t - t[0], x, 1)[0]) * 3600.0 if t.size > 2 and t[-1] > t[0] else 0.0


def _trend(t: FloatArray, d: FloatArray) -> tuple[float, float, float]:
    """Slope [K/h], the largest sudden step [K] between neighbouring sixths of an hour, and when [s]."""
    slope = _slope_K_per_h(t, d)
    bins = ((t - t[0]) // SIXTH_S).astype(np.int64)
    medians, ends = [], []
    for number in np.unique(bins):
        medians.append(float(np.median(d[bins == number])))
        ends.append(float(t[bins == number][-1]))
    if len(medians) < 2:
        return slope, 0.0, float(t[0])
    steps = np.abs(np.diff(medians))
    where = int(np.argmax(steps))
    others = np.delete(steps, where)
    sudden = float(steps[where]) - 3.0 * (float(np.median(others)) if others.size else 0.0)
    near = np.flatnonzero((t > ends[where] - SIXTH_S) & (t <= ends[where + 1]))
    # The moment that parts the two levels best: where the sum of departures from the common mean is largest.
    apart = np.abs(np.cumsum(d[near] - d[near].mean()))
    split = near[min(int(np.argmax(apart)), near.size - 2)] if near.size > 1 else int(near[0])
    return slope, max(sudden, 0.0), 0.5 * float(t[split] + t[min(split + 1, t.size - 1)])
