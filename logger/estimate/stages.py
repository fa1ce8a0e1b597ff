"""Stages: what parts a run had, as its history shows or its sheet states, and the time above the lines that matter.

Recognised on the trace of means: a hold is where the ten-minute slope stays small, the rest is heating or cooling
between turning points. What is recognised at a moment rests on the readings up to then alone; the part of the last
five minutes may be named otherwise once they are followed by more (a hold begins as the end of a heat-up).
"""

from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import pairwise
from math import inf, isfinite

import numpy as np

from logger.estimate import steel_trace
from logger.estimate.steel_trace import TraceState
from logger.sheet import RunSheet
from logger.sheet_parts import StageKind
from logger.units import FloatArray, kelvin_from_celsius

GRID_S = 60.0
SLOPE_HALF_S = 300.0
HOLD_SLOPE_K_PER_S = 0.6 / 60.0
SHORTEST_HOLD_S = 480.0
SHORTEST_FLAT_S = 120.0
"""Flat middle a hold of that length leaves of itself in the ten-minute slope."""

SWING_HALF_S, WIDEST_SWING_K = 900.0, 50.0
"""An oven that swings about its setpoint holds it all the same: over half an hour the swings have no slope."""

JOINED_HOLDS_S, JOINED_HOLDS_K, DISTURBED_K = 1500.0, 20.0, 200.0
"""Two holds this near in time and level, with nothing further off between them, are one: a door was opened."""

WIDEST_HOLD_K = 60.0
"""A hold's middle nine tenths are no wider than this; else it is a slow climb or a slow cooling."""

CREEPS_K = 2.0
CORNER_K = 4.0
"""A hold reaches out to where the trace is this far from its level (our choice)."""

LOWEST_HOLD_K = kelvin_from_celsius(80.0)
TURN_K = 50.0
"""A turning point between holds counts when the trace goes back this far from it."""

LINES_K = (kelvin_from_celsius(727.0), kelvin_from_celsius(1000.0), kelvin_from_celsius(1130.0))
"""A1 of plain steel; where grain growth and type K drift set in; a margin below the eutectic at 1147 C."""


class StageSeenKind(StrEnum):
    """What the trace did."""

    HEAT_UP = "heat-up"
    HOLD = "hold"
    COOL = "cool"
    REHEAT = "re-heat"


@dataclass(frozen=True, slots=True)
class StageSeen:
    """One part of a run.

    ``kind``: what the trace did; ``stated``: what the sheet says it was for, None where it was recognised. Times [s],
    temperatures [K]; ``level_K`` of a hold (NaN for the others), ``hold_s`` time within 14 K of the part's own level
    or, without one, of its peak; ``rate_K_per_s`` mean, ``steepest_K_per_s`` over ten minutes, both with sign.
    ``end_s`` is None while the part goes on.
    """

    kind: StageSeenKind
    start_s: float
    end_s: float | None
    start_K: float
    end_K: float
    peak_K: float
    level_K: float
    hold_s: float
    rate_K_per_s: float
    steepest_K_per_s: float
    stated: StageKind | None = None


@dataclass(frozen=True, slots=True)
class StageProblem:
    """Stated stages (kind, from [s], to [s]), empty to recognise them; lines [K] to count the time above."""

    stated: tuple[tuple[StageKind, float, float], ...] = ()
    lines_K: tuple[float, ...] = LINES_K


@dataclass(frozen=True, slots=True, eq=False)
class StageState:
    """Trace so far, and the seconds above each line (members, lines)."""

    trace: TraceState
    above_s: FloatArray
    last_s: float
    last_K: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class StageResult:
    """Stages of member 0 in order, hottest sample (members,) [K], time above each line (members,) [s] by line [K]."""

    stages: tuple[StageSeen, ...]
    peak_K: FloatArray
    seconds_above: dict[float, FloatArray]


def problem_from_sheet(sheet: RunSheet) -> StageProblem:
    """The problem a sheet states.

    Parameters
    ----------
    sheet : RunSheet

    Returns    StageProblem
    """
    return StageProblem(tuple((stage.kind, stage.from_s, stage.to_s) for stage in sheet.stages))


def begin(problem: StageProblem) -> StageState:
    """State before the first sample."""
    return StageState(steel_trace.begin(), np.zeros((1, len(problem.lines_K))), float("nan"), np.empty(0))


def advance(problem: StageProblem, state: StageState, time_s: FloatArray, temperature_K: FloatArray) -> StageState:
    """Take the next samples.

    Parameters
    ----------
    problem : StageProblem
    state : StageState                     not changed
    time_s : array, (n,)                   times [s], later than all before
    temperature_K : array, (n,) or (members, n)   steel temperature [K], finite

    Returns    StageState
    """
    T = np.atleast_2d(temperature_K)
    if not time_s.size:
        return state
    trace = steel_trace.advance(state.trace, time_s, T)
    last_s, last_K, above = state.last_s, state.last_K, state.above_s
    if not last_K.size:
        last_s, last_K, above = float(time_s[0]), T[:, 0], np.zeros((T.shape[0], len(problem.lines_K)))
        time_s, T = time_s[1:], T[:, 1:]
    if time_s.size:
        width = np.diff(time_s, prepend=last_s)
        knots = np.concatenate([last_K[:, None], T], axis=1)
        added = [above[:, :, None]]
        added.append(np.stack([_time_above(width, knots, line) for line in problem.lines_K], axis=1))
        above = np.add.accumulate(np.concatenate(added, axis=2), axis=2)[:, :, -1].copy()
        last_s, last_K = float(time_s[-1]), T[:, -1]
    return StageState(trace, above, last_s, last_K.copy())


def at_end(problem: StageProblem, state: StageState) -> StageResult:
    """Stages, peaks and times above lines up to the newest sample.

    Parameters
    ----------
    problem : StageProblem
    state : StageState                     not changed

    Returns    StageResult
    """
    trace = steel_trace.at_end(state.trace)
    seconds = {line: state.above_s[:, number] for number, line in enumerate(problem.lines_K)}
    if trace.time_s.size < 2:
        return StageResult((), trace.peak_K, seconds)
    t, x = trace.time_s, trace.temperature_K[0]
    if not problem.stated:
        return StageResult(recognised(t, x), trace.peak_K, seconds)
    found = []
    for kind, from_s, to_s in problem.stated:
        start_s, end_s = max(from_s, float(t[0])), min(to_s, float(t[-1]))
        if start_s < end_s:
            does = StageSeenKind.COOL if kind is StageKind.COOL else StageSeenKind.HOLD
            does = StageSeenKind.HEAT_UP if kind is StageKind.HEAT_UP else does
            goes_on = to_s == inf or to_s > t[-1]
            # It began when the sheet says, though the first reading may have come later.
            found.append(replace(_stage(does, t, x, start_s, end_s, goes_on, kind), start_s=from_s))
    return StageResult(tuple(found), trace.peak_K, seconds)


def _time_above(width: FloatArray, knots: FloatArray, line: float) -> FloatArray:
    """Part of each straight stretch (members, n) spent above a line [s]."""
    a, b = knots[:, :-1] - line, knots[:, 1:] - line
    rise = np.abs(b - a)
    crosses = (a > 0.0) != (b > 0.0)
    share = np.where(crosses, np.maximum(a, b) / np.where(rise > 0.0, rise, 1.0), (a > 0.0) & (b > 0.0))
    return width * share


@dataclass(frozen=True, slots=True)
class Hold:
    """A stretch at one level: times [s], level [K]."""

    start_s: float
    end_s: float
    level_K: float


def holds(time_s: FloatArray, temperature_K: FloatArray) -> tuple[Hold, ...]:
    """Stretches where a trace stays at one level.

    Parameters
    ----------
    time_s, temperature_K : arrays, (k,)   trace of means [s], [K]

    Returns    tuple of Hold               in order; none below 80 C
    """
    if time_s.size < 2 or time_s[-1] - time_s[0] < SHORTEST_HOLD_S:
        return ()
    t = np.arange(time_s[0], time_s[-1], GRID_S)
    x = np.interp(t, time_s, temperature_K)
    steady = np.abs(_slope(t, x, SLOPE_HALF_S)) < HOLD_SLOPE_K_PER_S
    swings = (np.abs(_slope(t, x, SWING_HALF_S)) < 0.5 * HOLD_SLOPE_K_PER_S) & (
        _range(x, SWING_HALF_S) < WIDEST_SWING_K
    )
    flat = (steady | swings) & (x > LOWEST_HOLD_K)
    found: list[tuple[int, int]] = []
    for first, last in _runs(flat):
        if t[last] - t[first] < SHORTEST_FLAT_S:
            continue
        if found and _is_one_hold(t, x, found[-1], (first, last)):
            found[-1] = (found[-1][0], last)
        else:
            found.append((first, last))
    kept: list[Hold] = []
    for first, last in found:
        low, high = np.percentile(x[first : last + 1], (5.0, 95.0))
        if high - low > WIDEST_HOLD_K:
            continue
        earliest_s = kept[-1].end_s if kept else float(time_s[0])
        hold = _to_its_corners(float(t[first]), float(t[last]), x[first : last + 1], time_s, temperature_K, earliest_s)
        if hold.end_s - hold.start_s >= SHORTEST_HOLD_S - GRID_S:
            kept.append(hold)
    return tuple(kept)


def _is_one_hold(t: FloatArray, x: FloatArray, before: tuple[int, int], after: tuple[int, int]) -> bool:
    """Whether two flat stretches are one hold with a disturbance between them."""
    if t[after[0]] - t[before[1]] > JOINED_HOLDS_S:
        return False
    levels = [_level(x[first : last + 1]) for first, last in (before, after)]
    between = x[before[1] : after[0] + 1]
    away_K = float(np.abs(between - levels[0]).max())
    return abs(levels[1] - levels[0]) < JOINED_HOLDS_K and away_K < DISTURBED_K


def _to_its_corners(
    start_s: float, end_s: float, inside_K: FloatArray, t: FloatArray, x: FloatArray, earliest_s: float
) -> Hold:
    """The hold whose flat middle this is, its ends moved out to where the trace leaves its level.

    Slopes are taken over minutes, so they see the corners of a hold that much too late and too soon.
    """
    level_K = _level(inside_K)
    wide_K = max(CORNER_K, 1.2 * float(np.percentile(np.abs(inside_K - level_K), 95.0)))
    at_level = np.abs(x - level_K) <= wide_K
    first = int(np.searchsorted(t, start_s))
    last = min(int(np.searchsorted(t, end_s, side="right")), t.size) - 1
    while first > 0 and at_level[first - 1] and t[first - 1] >= max(earliest_s, start_s - SWING_HALF_S):
        first -= 1
    while last < t.size - 1 and at_level[last + 1] and t[last + 1] <= end_s + SWING_HALF_S:
        last += 1
    return Hold(min(float(t[first]), start_s), max(float(t[last]), end_s), level_K)


def _slope(t: FloatArray, x: FloatArray, half_s: float) -> FloatArray:
    """Slope [K/s] of the straight line that fits best within a time [s] either side."""
    half = int(half_s / GRID_S)
    ones = np.ones(2 * half + 1)

    def window_sum(values: FloatArray) -> FloatArray:
        return np.convolve(values, ones, mode="full")[half : half + values.size]

    u = t - t[0]
    n = window_sum(np.ones(u.size))
    su, sx = window_sum(u), window_sum(x)
    mean_u = su / n
    # About each window's own middle, to keep digits.
    sxx = window_sum(u * u) - su * mean_u
    sxy = window_sum(u * x) - mean_u * sx
    return sxy / np.maximum(sxx, 1e-9)


def _range(x: FloatArray, half_s: float) -> FloatArray:
    """Hottest less coldest [K] within a time [s] either side, on the grid."""
    half = int(half_s / GRID_S)
    around = np.lib.stride_tricks.sliding_window_view(np.pad(x, half, mode="edge"), 2 * half + 1)
    return np.asarray(around.max(axis=1) - around.min(axis=1))


def _runs(mask: np.ndarray) -> list[tuple[int, int]]:
    """First and last index of each run of True."""
    edges = np.diff(np.concatenate([[0], mask.astype(np.int8), [0]]))
    return list(zip(np.flatnonzero(edges == 1).tolist(), (np.flatnonzero(edges == -1) - 1).tolist(), strict=True))


def _level(x: FloatArray) -> float:
    """Level of a stretch [K]: its median; while it still creeps towards one, the middle of its narrowest half."""
    half = max(1, (x.size + 1) // 2)
    first, second = float(np.median(x[:half])), float(np.median(x[-half:]))
    if abs(second - first) < CREEPS_K:
        return float(np.median(x))
    ordered = np.sort(x)
    widths = ordered[half - 1 :] - ordered[: ordered.size - half + 1]
    at = int(np.argmin(widths))
    return float(0.5 * (ordered[at] + ordered[at + half - 1]))


def recognised(time_s: FloatArray, temperature_K: FloatArray) -> tuple[StageSeen, ...]:
    """The parts of a trace, in order, without holes between them.

    Parameters
    ----------
    time_s, temperature_K : arrays, (k,)   trace of means [s], [K]; at least two points

    Returns    tuple of StageSeen
    """
    cuts: list[tuple[float, float, Hold | None]] = []
    at_s, end_of_all_s = float(time_s[0]), float(time_s[-1])
    for hold in holds(time_s, temperature_K):
        if hold.start_s > at_s:
            cuts.extend((a, b, None) for a, b in _between_turns(time_s, temperature_K, at_s, hold.start_s))
        end_s = end_of_all_s if end_of_all_s - hold.end_s <= GRID_S else hold.end_s
        cuts.append((hold.start_s, end_s, hold))
        at_s = end_s
    if at_s < end_of_all_s:
        cuts.extend((a, b, None) for a, b in _between_turns(time_s, temperature_K, at_s, end_of_all_s))
    parts: list[StageSeen] = []
    for start_s, end_s, in_hold in cuts:
        goes_on = end_s >= end_of_all_s
        if in_hold is not None:
            kind = StageSeenKind.HOLD
        else:
            rise = float(np.interp(end_s, time_s, temperature_K) - np.interp(start_s, time_s, temperature_K))
            cooled = any(part.kind is StageSeenKind.COOL for part in parts)
            kind = (StageSeenKind.REHEAT if cooled else StageSeenKind.HEAT_UP) if rise >= 0.0 else StageSeenKind.COOL
        level = in_hold.level_K if in_hold is not None else float("nan")
        parts.append(_stage(kind, time_s, temperature_K, start_s, end_s, goes_on, None, level))
    return tuple(parts)


def _between_turns(t: FloatArray, x: FloatArray, start_s: float, end_s: float) -> list[tuple[float, float]]:
    """A stretch without holds cut at its turning points."""
    inside = (t > start_s) & (t < end_s)
    u = np.concatenate([[start_s], t[inside], [end_s]])
    y = np.interp(u, t, x)
    turns: list[float] = []
    lowest = highest = 0
    up: bool | None = None
    for i in range(1, u.size):
        if y[i] > y[highest]:
            highest = i
        if y[i] < y[lowest]:
            lowest = i
        if up is not False and y[highest] - y[i] > TURN_K:
            if up is not None or y[highest] - y[0] > TURN_K:
                turns.append(float(u[highest]))
            up, lowest = False, i
        elif up is not True and y[i] - y[lowest] > TURN_K:
            if up is not None or y[0] - y[lowest] > TURN_K:
                turns.append(float(u[lowest]))
            up, highest = True, i
        if up is True and y[i] >= y[highest]:
            lowest = i
        if up is False and y[i] <= y[lowest]:
            highest = i
    edges = [start_s, *turns, end_s]
    return [(a, b) for a, b in pairwise(edges) if b > a]


def _stage(
    kind: StageSeenKind,
    t: FloatArray,
    x: FloatArray,
    start_s: float,
    end_s: float,
    goes_on: bool,
    stated: StageKind | None,
    level_K: float = float("nan"),
) -> StageSeen:
    inside = (t > start_s) & (t < end_s)
    u = np.concatenate([[start_s], t[inside], [end_s]])
    y = np.interp(u, t, x)
    steepest = 0.0
    if u[-1] - u[0] > 0.0:
        span_s = min(2.0 * SLOPE_HALF_S, float(u[-1] - u[0]))
        grid = np.arange(u[0], u[-1] - span_s + 1e-6, min(GRID_S, span_s))
        rates = (np.interp(grid + span_s, u, y) - np.interp(grid, u, y)) / span_s
        steepest = float(rates[np.argmax(np.abs(rates))])
    peak_K = float(y.max())
    if stated is not None and kind is StageSeenKind.HOLD:
        level_K = _level(np.interp(np.arange(start_s, end_s, GRID_S), t, x))
    near_K = level_K if isfinite(level_K) else peak_K
    middles_K = 0.5 * (y[1:] + y[:-1])
    hold_s = float(np.diff(u)[np.abs(middles_K - near_K) <= 14.0].sum())
    return StageSeen(
        kind=kind,
        start_s=start_s,
        end_s=None if goes_on else end_s,
        start_K=float(y[0]),
        end_K=float(y[-1]),
        peak_K=peak_K,
        level_K=level_K,
        hold_s=hold_s,
        rate_K_per_s=float(y[-1] - y[0]) / (end_s - start_s),
        steepest_K_per_s=steepest,
        stated=stated,
    )
