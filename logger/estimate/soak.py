"""Soak: how long the steel itself has been within the band, and how long the oven's display would claim.

A soak starts when the steel enters the band, pauses while it is outside, and ends when it leaves for good: further out
than `LEAVES_HALF_BANDS` half bands from the band's edge. Passing through the band from one side to the other in a few
minutes is no soak, and is taken back once the steel is out on the other side.

The band's middle is the sheet's, else the level of each hold of the driving thermocouple, recognised from the history
so far. Such a recognised band may move by a few kelvin as the hold goes on, or be joined by another; at the run's end
it is final. The same history always gives the same band.
"""

from dataclasses import dataclass, replace
from math import inf

import numpy as np

from logger.estimate import steel_trace
from logger.estimate.stages import holds
from logger.estimate.steel_trace import SteelTrace, TraceState
from logger.sheet import RunSheet
from logger.sheet_parts import SoakRule
from logger.units import FloatArray, kelvin_from_celsius

SHORTEST_PASS_S = 480.0
"""Less time than this in a band on the way from one side to the other is passing through, not soaking (our choice)."""

ROWS_AT_ONCE = 4
"""So many members are best given to `soaked_s` at a time: its working arrays for a day of all of them take 25 MB."""

LEAVES_HALF_BANDS = 5.0
"""Further out than this many half bands is leaving for good (our choice: 70 K at 14 K either side)."""

COOLEST_HOLD_K = kelvin_from_celsius(120.0)
"""Below this no hold is recognised as a soak by itself (our choice: quenched steel does not soften below 150 C, J.H.
Hollomon & L.D. Jaffe, Trans. AIME 162 (1945) 223, less the half band and a thermocouple's error)."""

PUBLISHED_RULES: dict[str, SoakRule] = {
    "25 F either side": SoakRule(half_band_K=14.0),
    "coldest load sensor at setpoint minus tolerance": SoakRule(
        half_band_K=14.0,
        source="AMS 2773 as a consultancy's public page quotes it: with load thermocouples, from when the coldest one"
        " is at setpoint minus the furnace tolerance",
    ),
    "class 1": SoakRule(half_band_K=3.0, source="AMS 2750 uniformity class 1, from memory"),
    "class 2": SoakRule(half_band_K=6.0, source="AMS 2750 uniformity class 2, from memory"),
    "class 3": SoakRule(half_band_K=8.0, source="AMS 2750 uniformity class 3, from memory"),
    "class 4": SoakRule(half_band_K=10.0, source="AMS 2750 uniformity class 4, from memory"),
    "class 5": SoakRule(half_band_K=14.0, source="AMS 2750 uniformity class 5, from memory"),
    "class 6": SoakRule(half_band_K=28.0, source="AMS 2750 uniformity class 6, from memory"),
}
"""Bands by name, each with where it is from."""


@dataclass(frozen=True, slots=True)
class Soak:
    """One soak of the steel.

    ``start_s`` it entered the band, ``end_s`` it left for good [s] (None while it is in the band or only paused);
    ``in_band_s`` time within [s]; ``mean_K`` of that time, ``spread_K`` width of the range that holds its middle nine
    tenths, ``overshoot_K`` how far above the band's middle the steel went at most (0 if never); ``band_K`` (low, high).
    ``paused``: outside the band at this moment but not gone.
    """

    start_s: float
    end_s: float | None
    in_band_s: float
    mean_K: float
    spread_K: float
    overshoot_K: float
    band_K: tuple[float, float]
    paused: bool = False


@dataclass(frozen=True, slots=True)
class SoakProblem:
    """The rule of the sheet."""

    rule: SoakRule


@dataclass(frozen=True, slots=True, eq=False)
class SoakState:
    """Trace of the steel (members) and, as its last row, of the driving thermocouple."""

    trace: TraceState


@dataclass(frozen=True, slots=True, eq=False)
class SoakResult:
    """Soaks of member 0 in order, with both clocks.

    ``in_band_s`` (members,): hours at heat inside, all soaks together [s]; ``oven_in_band_s`` the same for the driving
    thermocouple [s]; ``bands_K`` (low, high) of each band; ``recognised``: they are the run's own, not the sheet's.
    """

    soaks: tuple[Soak, ...]
    in_band_s: FloatArray
    oven_in_band_s: float
    bands_K: tuple[tuple[float, float], ...]
    recognised: bool


NOTHING_ASKED = SoakResult((), np.full(1, np.nan), float("nan"), (), False)
"""Stands where nobody asked for the soaks."""


def problem_from_sheet(sheet: RunSheet) -> SoakProblem:
    """The problem a sheet states.

    Parameters
    ----------
    sheet : RunSheet

    Returns    SoakProblem
    """
    return SoakProblem(sheet.soak)


def begin(problem: SoakProblem) -> SoakState:
    """State before the first sample."""
    return SoakState(steel_trace.begin())


def advance(
    problem: SoakProblem,
    state: SoakState,
    time_s: FloatArray,
    temperature_K: FloatArray,
    driving_K: FloatArray | None = None,
) -> SoakState:
    """Take the next samples.

    Parameters
    ----------
    problem : SoakProblem
    state : SoakState                      not changed
    time_s : array, (n,)                   times [s], later than all before
    temperature_K : array, (n,) or (members, n)   steel temperature [K], finite
    driving_K : array, (n,) or (members, n)   the driving thermocouple's [K]; None: it is in the steel

    Returns    SoakState
    """
    if not time_s.size:
        return state
    steel = np.atleast_2d(temperature_K)
    driving = steel if driving_K is None else np.atleast_2d(driving_K)
    return replace(state, trace=steel_trace.advance(state.trace, time_s, np.concatenate([steel, driving[:1]], axis=0)))


def at_end(problem: SoakProblem, state: SoakState) -> SoakResult:
    """Soaks up to the newest sample.

    Parameters
    ----------
    problem : SoakProblem
    state : SoakState                      not changed

    Returns    SoakResult
    """
    return from_trace(problem, steel_trace.at_end(state.trace))


def from_trace(problem: SoakProblem, trace: SteelTrace) -> SoakResult:
    """Soaks of a trace whose last row is the driving thermocouple.

    Parameters
    ----------
    problem : SoakProblem
    trace : SteelTrace                     rows: members, then the driving thermocouple

    Returns    SoakResult
    """
    rule, t, T = problem.rule, trace.time_s, trace.temperature_K
    members = max(T.shape[0] - 1, 1)
    if t.size < 2:
        return SoakResult((), np.zeros(members), 0.0, (), rule.temperature_K is None)
    found: list[Soak] = []
    in_band, oven_s = np.zeros(members), 0.0
    bands = tuple((K - rule.half_band_K, K + rule.half_band_K) for K in band_middles_K(rule, t, T[-1]))
    for low_K, high_K in bands:
        found.extend(soaks(t, T[0], low_K, high_K))
        seconds = soaked_s(t, T, low_K, high_K)
        in_band += seconds[:-1]
        oven_s += float(seconds[-1])
    found.sort(key=lambda soak: soak.start_s)
    return SoakResult(tuple(found), in_band, oven_s, bands, rule.temperature_K is None)


def band_middles_K(rule: SoakRule, time_s: FloatArray, driving_K: FloatArray) -> tuple[float, ...]:
    """Middle of each band [K]: the sheet's, else each different level the driving thermocouple (k,) was held at.

    Levels whose bands overlap are one, the one held longer. A level below `COOLEST_HOLD_K` is an oven that has almost
    stopped cooling, or a room, and nobody's soak unless the sheet asks for it.
    """
    if rule.temperature_K is not None:
        return (rule.temperature_K,)
    levels: list[float] = []
    for hold in sorted(holds(time_s, driving_K), key=lambda hold: hold.start_s - hold.end_s):
        if hold.level_K >= COOLEST_HOLD_K and all(
            abs(hold.level_K - other) > 2.0 * rule.half_band_K for other in levels
        ):
            levels.append(hold.level_K)
    return tuple(levels)


def _inside(t: FloatArray, T: FloatArray, low_K: float, high_K: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Where in each straight stretch (..., k - 1) the band begins and ends (shares 0 to 1), and the seconds in it."""
    a, b = T[..., :-1], T[..., 1:]
    rise = b - a
    flat = rise == 0.0
    safe = np.where(flat, 1.0, rise)
    to_low, to_high = (low_K - a) / safe, (high_K - a) / safe
    enter = np.clip(np.minimum(to_low, to_high), 0.0, 1.0)
    leave = np.clip(np.maximum(to_low, to_high), 0.0, 1.0)
    within = (a >= low_K) & (a <= high_K)
    enter = np.where(flat, 0.0, enter)
    leave = np.where(flat, within.astype(np.float64), leave)
    return enter, leave, np.diff(t) * np.maximum(leave - enter, 0.0)


def _gone(T: FloatArray, low_K: float, high_K: float) -> np.ndarray:
    """-1 where a trace is out below for good, +1 above, 0 in between."""
    leaves_K = LEAVES_HALF_BANDS * 0.5 * (high_K - low_K)
    above, below = T - high_K > leaves_K, low_K - T > leaves_K
    return above.astype(np.int8) - below.astype(np.int8)


def soaked_s(time_s: FloatArray, temperature_K: FloatArray, low_K: float, high_K: float) -> FloatArray:
    """Time in the band without mere passing through: what the soaks of each row add up to.

    Parameters
    ----------
    time_s : array, (k,)                   times [s], at least two
    temperature_K : array, (rows, k)       temperatures [K]
    low_K, high_K : the band [K]

    Returns    array, (rows,)              time [s]
    """
    t, T = time_s, temperature_K
    seconds = _inside(t, T, low_K, high_K)[2]
    gone = _gone(T, low_K, high_K)
    rows, knots = T.shape
    number = np.arange(knots)
    # Between two knots at which a row is gone lies one episode, named after the first of them.
    before = np.maximum.accumulate(np.where(gone != 0, number, -1), axis=1)[:, :-1]
    after = np.minimum.accumulate(np.where(gone != 0, number, knots)[:, ::-1], axis=1)[:, ::-1][:, 1:]
    episode = (before + 1) + np.arange(rows)[:, None] * (knots + 1)
    total = np.bincount(episode.ravel(), weights=seconds.ravel(), minlength=rows * (knots + 1))[episode]
    row = np.arange(rows)[:, None]
    across = (before >= 0) & (after < knots) & (gone[row, before] * gone[row, np.minimum(after, knots - 1)] < 0)
    passed = across & (total < SHORTEST_PASS_S)
    return np.asarray(np.where(passed, 0.0, seconds).sum(axis=1))


def soaks(time_s: FloatArray, temperature_K: FloatArray, low_K: float, high_K: float) -> tuple[Soak, ...]:
    """Every soak of one trace in one band.

    Parameters
    ----------
    time_s, temperature_K : arrays, (k,)   trace of means [s], [K]; at least two points
    low_K, high_K : the band [K]

    Returns    tuple of Soak               in order
    """
    enter, leave, seconds = _inside(time_s, temperature_K, low_K, high_K)
    stays = seconds > 0.0
    if not stays.any():
        return ()
    begins = time_s[:-1] + enter * np.diff(time_s)
    ends = time_s[:-1] + leave * np.diff(time_s)
    # A stretch carries on the one before where both touch their common point inside the band.
    carries_on = np.zeros(stays.size, dtype=bool)
    carries_on[1:] = stays[1:] & stays[:-1] & (leave[:-1] == 1.0) & (enter[1:] == 0.0)
    firsts = np.flatnonzero(stays & ~carries_on)
    lasts = np.flatnonzero(stays & ~np.append(carries_on[1:], False))
    gone = _gone(temperature_K, low_K, high_K)
    visits: list[tuple[int, int]] = []
    for first, last in zip(firsts.tolist(), lasts.tolist(), strict=True):
        if visits and not gone[visits[-1][1] + 1 : first + 1].any():
            visits[-1] = (visits[-1][0], last)
        else:
            visits.append((first, last))
    found = []
    for first, last in visits:
        part = slice(first, last + 1)
        in_band_s = float(seconds[part].sum())
        lows = temperature_K[:-1] + enter * np.diff(temperature_K)
        highs = temperature_K[:-1] + leave * np.diff(temperature_K)
        middles = 0.5 * (lows + highs)[part]
        before, after = gone[: first + 1], gone[last + 1 :]
        left = bool(after.any())
        if left and before.any() and in_band_s < SHORTEST_PASS_S:
            came_from, went_to = before[before != 0][-1], after[after != 0][0]
            if came_from * went_to < 0:
                continue
        at_the_edge = bool(leave[last] == 1.0) and last == stays.size - 1
        peak_K = float(temperature_K[first : last + 2].max())
        found.append(
            Soak(
                start_s=float(begins[first]),
                end_s=float(ends[last]) if left else None,
                in_band_s=in_band_s,
                mean_K=float((seconds[part] * middles).sum()) / in_band_s,
                spread_K=_middle_width(middles, seconds[part]),
                overshoot_K=max(0.0, peak_K - 0.5 * (low_K + high_K)),
                band_K=(low_K, high_K),
                paused=not left and not at_the_edge,
            )
        )
    return tuple(found)


def _middle_width(values: FloatArray, weights: FloatArray) -> float:
    """Width of the range that holds the middle nine tenths of a weighted sample."""
    order = np.argsort(values, kind="stable")
    share = np.cumsum(weights[order])
    share = (share - 0.5 * weights[order]) / share[-1]
    low, high = np.interp((0.05, 0.95), share, values[order])
    return float(high - low)


# Several thermocouples in one load


@dataclass(frozen=True, slots=True)
class Uniformity:
    """How alike several sensors were during a soak that began at ``start_s`` [s]: mean of each [K], coldest and
    hottest, widest difference [K], time all of them were in the band at once [s], and when that began [s], None if
    never."""

    start_s: float
    mean_K: dict[str, float]
    coldest: str
    hottest: str
    widest_K: float
    in_band_together_s: float
    together_from_s: float | None


def uniformity(
    time_s: FloatArray, by_channel_K: dict[str, FloatArray], soak: Soak, longest_s: float = inf
) -> Uniformity:
    """Compare several thermocouples during one soak.

    Parameters
    ----------
    time_s : array, (k,)                   common times [s]
    by_channel_K : arrays, (k,)            each channel's temperature [K]
    soak : Soak                            start, end and band to judge in
    longest_s : times further apart than this [s] have a hole between them, which counts for nothing

    Returns    Uniformity                  ``in_band_together_s``: all of them within the band at once [s]
    """
    end_s = float(time_s[-1]) if soak.end_s is None else soak.end_s
    inside = (time_s >= soak.start_s) & (time_s <= end_s)
    t = time_s[inside]
    traces = {name: T[inside] for name, T in by_channel_K.items()}
    means = {name: float(T.mean()) for name, T in traces.items()}
    stack = np.stack(list(traces.values()))
    coldest, hottest = coldest_K(stack), -coldest_K(-stack)
    low, high = soak.band_K
    # Both the coldest and the hottest within the band: all of them are.
    both = np.where(np.diff(t) <= longest_s, _common_part(t, coldest, hottest, low, high), 0.0)
    together = np.flatnonzero(both > 0.0)
    return Uniformity(
        start_s=soak.start_s,
        mean_K=means,
        coldest=min(means, key=lambda name: means[name]),
        hottest=max(means, key=lambda name: means[name]),
        widest_K=float((hottest - coldest).max()),
        in_band_together_s=float(both.sum()),
        together_from_s=float(t[together[0]]) if together.size else None,
    )


def coldest_K(by_sensor_K: FloatArray) -> FloatArray:
    """Temperature (k,) of the coldest of several sensors (sensors, k) at each moment [K]: what a soak is judged by."""
    return np.asarray(by_sensor_K.min(axis=0))


def _common_part(t: FloatArray, coldest: FloatArray, hottest: FloatArray, low_K: float, high_K: float) -> FloatArray:
    """Seconds of each stretch (k - 1,) in which the coldest and the hottest are in the band at once."""
    a_enter, a_leave, _ = _inside(t, coldest, low_K, high_K)
    b_enter, b_leave, _ = _inside(t, hottest, low_K, high_K)
    share = np.maximum(np.minimum(a_leave, b_leave) - np.maximum(a_enter, b_enter), 0.0)
    return np.asarray(np.diff(t) * share)
