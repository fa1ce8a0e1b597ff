"""Carbon through the section, minute by minute, from the real temperature history.

`begin`, `advance`, `at_end`: see `logger.estimate`. Steps end where the error allows and where the samples say
(temperature moved, surface changed), never where a call ended, so any chunking gives the same state and result bit
for bit. Samples not yet covered by a closed step wait in the state; `at_end` steps over them provisionally.
"""

from dataclasses import dataclass, replace
from math import inf

import numpy as np

from logger.estimate.carbon_austenite import austenite_step
from logger.estimate.carbon_loss import OUTWARD_WT_PCT
from logger.estimate.carbon_problem import NOTHING, CarbonProblem, Surface, problem_from_sheet
from logger.estimate.carbon_result import CarbonMembers, CarbonResult, Ever, ended, member_result
from logger.estimate.carbon_transport import STAGE_PART, Span, austenite_equivalent_wt_pct, face_now, step
from logger.estimate.temperature_windows import (
    TemperatureWindows,
    check_samples,
    closed_windows,
    mobility_temperature_K,
    no_windows,
    open_window,
)
from logger.steel.phase_limits import A1_K, A3, A3_IRON_K, EUTECTIC_K, SATURATION, phase_table
from logger.units import FloatArray

__all__ = [
    "CarbonProblem",
    "CarbonResult",
    "CarbonState",
    "advance",
    "at_end",
    "begin",
    "members_at_end",
    "problem_from_sheet",
    "settled",
]

FIRST_WORK_S = 0.1
"""First step after a beginning or a change of surface [s at 950 C]."""

SMALLEST_WORK_S = 1e-7
"""A step refused at this size [s at 950 C] means our own mistake, not a hard history."""

MOST_GROWTH, LEAST_GROWTH = 4.0, 0.2
SAFETY = 0.85

SOLID_STEP_K = 12.0
"""A step ends where the temperature has moved this far [K]."""

LIMIT_STEP_WT_PCT = 0.005
"""Where steel is, or would be, of two phases, a step ends where the limit between them has moved this far [wt%]."""

LIMIT_STEP_TOLERANCES = 2.0
"""In solid steel this many step tolerances do, where that is more: so it is for members. Against half the usual, no end
of a band moved by more than 7 % of its width when two heats of the benchmark, solid and molten, cooled; twice as much
moved the carbon of a molten skin by 20 %."""

CUT_PART = 1e-3
"""A step that would leave less than this part of what is left of a window takes it along."""

LONGEST_SPAN_S = 3600.0
"""No step covers more run time than this, so that a live estimate commits at least once an hour."""


@dataclass(frozen=True, slots=True, eq=False)
class CarbonState:
    """How far the solver has come: plain numbers and arrays, to be kept, copied, pickled.

    time_s : run time the closed steps have come to [s]; -inf before the first sample
    nodes : (m, n + 2)        carbon of cells [wt%, solver's scale], austenite-equivalent carbon at the two ends
    rate : (m, n + 2)         rate at `time_s` per second of relative mobility; None where unknown
    work_s : next step [s of relative mobility]
    reach_s : work done since the surfaces last changed [s of relative mobility]
    windows : closed windows from before `time_s` on, not yet stepped over
    open_time_s, open_K : (j,), (m, j)   samples of the window that has not closed, the first one being its start
    last_K : (m,)             temperature the last step ended at; A1 before the first
    hottest_K : (m,)          hottest since the surfaces last changed; A1 before the first step
    ever : what must be remembered
    """

    time_s: float
    nodes: FloatArray
    rate: FloatArray | None
    work_s: float
    reach_s: float
    windows: TemperatureWindows
    open_time_s: FloatArray
    open_K: FloatArray
    last_K: FloatArray
    hottest_K: FloatArray
    ever: Ever


def begin(problem: CarbonProblem) -> CarbonState:
    """The state before the first sample."""
    members = problem.members
    nodes = np.empty((members, problem.grid.cells + 2))
    nodes[:, 1:-1] = problem.start_carbon_wt_pct * problem.carbon_ratio
    nodes[:, 0], nodes[:, -1] = nodes[:, 1], nodes[:, -2]
    return CarbonState(
        time_s=-inf,
        nodes=nodes,
        rate=None,
        work_s=FIRST_WORK_S,
        reach_s=0.0,
        windows=no_windows(-inf, members),
        open_time_s=np.zeros(0),
        open_K=np.zeros((members, 0)),
        last_K=np.full(members, A1_K),
        hottest_K=np.full(members, A1_K),
        ever=Ever.nothing(members),
    )


def advance(problem: CarbonProblem, state: CarbonState, time_s: FloatArray, temperature_K: FloatArray) -> CarbonState:
    """The state after the next samples.

    Parameters
    ----------
    problem : the problem
    state : the state after all samples before
    time_s : array, (n,)                   run time [s], later than all before, increasing
    temperature_K : array, (n,) or (m, n)  steel temperature [K], linear between samples

    Raises   InputFault, OutOfRange        samples no estimate can use; the state stays as it was
    """
    time_s = np.asarray(time_s, dtype=float)
    temperature_K = np.asarray(temperature_K, dtype=float)
    after_s = float(state.open_time_s[-1]) if state.open_time_s.size else -inf
    check_samples(time_s, temperature_K, after_s)
    if time_s.size == 0:
        return state
    if temperature_K.ndim == 1:
        temperature_K = np.broadcast_to(temperature_K, (problem.members, time_s.size))
    if state.open_time_s.size:
        time_s = np.concatenate([state.open_time_s, time_s])
        temperature_K = np.concatenate([state.open_K, temperature_K], axis=1)
    if state.time_s == -inf:
        state = replace(state, time_s=float(time_s[0]), windows=no_windows(float(time_s[0]), problem.members))
    closed, kept = closed_windows(time_s, temperature_K)
    state = replace(
        state,
        windows=state.windows.then(closed),
        open_time_s=time_s[kept:].copy(),
        open_K=temperature_K[:, kept:].copy(),
    )
    return _stepped(problem, state, to_the_end=False) if len(closed) else state


def at_end(problem: CarbonProblem, state: CarbonState, member: int = 0) -> CarbonResult:
    """What the carbon is at the last sample, for one member; the state stays as it is."""
    return member_result(members_at_end(problem, state), member)


def members_at_end(problem: CarbonProblem, state: CarbonState) -> CarbonMembers:
    """What the carbon is at the last sample, for all members at once; the state stays as it is."""
    provisional = settled(problem, state)
    last_K = state.open_K[:, -1] if state.open_time_s.size else np.full(problem.members, A1_K)
    last_s = float(state.open_time_s[-1]) if state.open_time_s.size else 0.0
    nodes = provisional.nodes
    hot = last_K > A1_K
    if hot.any():
        faces = face_now(
            problem, nodes, np.maximum(last_K, A1_K), surfaces_at(problem, provisional.time_s), provisional.hottest_K
        )
        nodes = nodes.copy()
        nodes[hot, 0], nodes[hot, -1] = faces[hot, 0], faces[hot, 1]
    return ended(problem, nodes, provisional.ever, last_s, last_K)


def settled(problem: CarbonProblem, state: CarbonState) -> CarbonState:
    """The state stepped to its last sample, wherever that is; the state given stays as it is.

    Not for going on from live: where steps end is a rule of the samples, never of who asks.
    """
    whole = replace(
        state,
        windows=state.windows.then(open_window(state.open_time_s, state.open_K)),
        open_time_s=state.open_time_s[-1:],
        open_K=state.open_K[:, -1:],
    )
    return _stepped(problem, whole, to_the_end=True)


def _stepped(problem: CarbonProblem, state: CarbonState, to_the_end: bool) -> CarbonState:
    """Every step that the closed windows allow; with `to_the_end`, all of them to the last window's end."""
    plan = _Plan(problem, state.windows)
    time_s, nodes, rate, ever = state.time_s, state.nodes, state.rate, state.ever
    work_s, reach_s, last_K, hottest_K = state.work_s, state.reach_s, state.last_K, state.hottest_K
    first = 0
    surfaces = surfaces_at(problem, time_s)
    changes = [change for change in problem.change_times_s if change > time_s]
    while True:
        first, time_s = plan.next_hot(first, time_s)
        while changes and changes[0] <= time_s:
            changes.pop(0)
            surfaces = surfaces_at(problem, time_s)
            rate, work_s, reach_s = None, FIRST_WORK_S, 0.0
            hottest_K = np.full(problem.members, A1_K)
        if first >= len(state.windows):
            break
        span, whole = plan.next_span(nodes, first, time_s, work_s, changes[0] if changes else inf, to_the_end)
        if span is None:
            break
        # From the beginning or another surface on, the faces must first find their carbon.
        result = austenite_step(problem, nodes, span, surfaces, reach_s, hottest_K) if reach_s > 0.0 else None
        austenite = result is not None
        if result is None:
            result = step(problem, nodes, rate, span, surfaces, reach_s, phase_table().at(last_K), hottest_K)
        done_s = span.mean_work_s
        growth = _growth(problem, result.error_wt_pct) if result.converged else LEAST_GROWTH
        if not (result.converged and result.error_wt_pct <= problem.tolerance_wt_pct):
            work_s = min(work_s, done_s) * min(max(growth, LEAST_GROWTH), 0.7)
            if work_s < SMALLEST_WORK_S:
                raise RuntimeError(f"carbon step does not settle at {time_s:g} s, {span.temperature_K} K")
            continue
        nodes, rate, reach_s = result.nodes, result.rate, reach_s + done_s
        ever = _remembered(problem, ever, nodes, span, surfaces, austenite)
        time_s, last_K, hottest_K = span.end_s, span.stage_K[1], np.maximum(hottest_K, span.line_K.max(axis=0))
        grown_s = done_s * min(max(growth, LEAST_GROWTH), MOST_GROWTH)
        # A step cut short by the samples says little about how long it might have been.
        work_s = grown_s if whole else max(work_s, grown_s)
    return replace(
        state,
        time_s=time_s,
        nodes=nodes,
        rate=rate,
        work_s=work_s,
        reach_s=reach_s,
        last_K=last_K,
        hottest_K=hottest_K,
        windows=state.windows.after(min(first, len(state.windows)), plan.sums[min(first, len(state.windows))]),
        ever=ever,
    )


def _growth(problem: CarbonProblem, error_wt_pct: float) -> float:
    """How much longer the next step may be, by the third-order error of this one."""
    return float(SAFETY * (problem.tolerance_wt_pct / max(error_wt_pct, 1e-12)) ** (1.0 / 3.0))


def surfaces_at(problem: CarbonProblem, time_s: float) -> tuple[Surface, Surface]:
    """What the front and the back face touch just after a time [s]."""
    return problem.front.at(time_s), problem.back.at(time_s) if problem.grid.back_area else NOTHING


class _Plan:
    """The windows with what choosing the next span needs, computed once for a chunk."""

    def __init__(self, problem: CarbonProblem, windows: TemperatureWindows) -> None:
        self.windows = windows
        self.solid_limit_step = max(LIMIT_STEP_WT_PCT, LIMIT_STEP_TOLERANCES * problem.tolerance_wt_pct)
        self.sums = windows.sums()
        self.starts_s = np.concatenate([[windows.start_s], windows.end_s[:-1]])
        work_s = np.ascontiguousarray(self.sums[:, 0])
        self.mean_work_s = work_s.mean(axis=1) if work_s.shape[1] > 1 else work_s[:, 0]
        has_work = self.mean_work_s[1:] > self.mean_work_s[:-1]
        self.hot, self.cold = np.flatnonzero(has_work), np.flatnonzero(~has_work)

    def next_hot(self, first: int, time_s: float) -> tuple[int, float]:
        """The next window with work to do after a time [s] in window `first` or later; the time where that begins."""
        windows = self.windows
        if first < len(windows):
            first = max(first, int(windows.end_s.searchsorted(time_s, side="right")))
            place = int(self.hot.searchsorted(first))
            hot = int(self.hot[place]) if place < self.hot.size else len(windows)
            if hot > first:
                first, time_s = hot, max(time_s, float(windows.end_s[hot - 1]))
        return first, time_s

    def next_span(
        self, nodes: FloatArray, first: int, time_s: float, work_s: float, until_s: float, to_the_end: bool
    ) -> tuple[Span | None, bool]:
        """The next span of `work_s` from `time_s` on (in window `first`), and whether it is that long.

        None: the samples do not yet say where it ends.
        """
        end_s, done_s = self.windows.end_s, self.mean_work_s
        last = min(int(end_s.searchsorted(time_s + LONGEST_SPAN_S)) + 1, end_s.size)
        begin_s = max(time_s, self.starts_s.item(first))
        # 1. where the work is done
        before_s, after_s = done_s.item(first), done_s.item(first + 1)
        due_s = before_s + self._part(first, begin_s) * (after_s - before_s) + work_s
        to = int(done_s[first + 1 : last + 1].searchsorted(due_s)) + first + 1
        whole = to <= last
        to = min(to, last)
        # 2. where the temperature, or a limit between phases that are there, has moved too far, or below A1
        unmoved = self._unmoved(nodes, first, to - first)
        closed = whole or unmoved < to - first or last < end_s.size
        whole, to = whole and unmoved == to - first, first + unmoved
        stop_s = end_s.item(to - 1)
        if whole:
            share = (due_s - done_s.item(to - 1)) / (done_s.item(to) - done_s.item(to - 1))
            window_begin_s = self.starts_s.item(to - 1)
            part_s = window_begin_s + share * (stop_s - window_begin_s)
            # Of what is left of the window, not of all of it: a surface may change just before its end.
            if begin_s < part_s < stop_s and stop_s - part_s > CUT_PART * (stop_s - begin_s):
                stop_s = part_s
        # 3. where the surface changes
        if until_s < stop_s:
            stop_s, whole, closed = until_s, False, True
            to = int(end_s.searchsorted(until_s)) + 1
        if not (closed or to_the_end):
            return None, False
        return self._span(first, to, begin_s, stop_s), whole

    def _unmoved(self, nodes: FloatArray, first: int, count: int) -> int:
        """How many of ``count`` windows from `first` on a step may cover, by what the temperature does in them."""
        if self.cold.size:
            place = int(self.cold.searchsorted(first))
            if place < self.cold.size:
                count = min(count, int(self.cold[place]) - first)
        if count == 1:
            return 1
        temperature_K = self.windows.temperature_K[:, first : first + count]
        begin_K = temperature_K[:, :1]
        moved = None
        lowest_K, highest_K = float(temperature_K.min()), float(temperature_K.max())
        if highest_K - lowest_K > SOLID_STEP_K:
            moved = np.abs(temperature_K - begin_K).max(axis=0) > SOLID_STEP_K
        limits_moved = self._limits_moved(nodes, temperature_K, lowest_K, highest_K)
        if limits_moved is not None:
            moved = limits_moved if moved is None else moved | limits_moved
        return int(moved.argmax()) if moved is not None and moved.any() else count

    def _limits_moved(
        self, nodes: FloatArray, temperature_K: FloatArray, lowest_K: float, highest_K: float
    ) -> np.ndarray | None:
        """For each window, (k,), whether a limit moved too far since the first one in steel that is, or gets, near it.

        A longer step would let steel that turns to two phases on its way drain, or fill, as if it had always been so.
        None: no steel comes near a limit.

        Parameters
        ----------
        nodes : (m, n + 2)              carbon of the cells and at the faces [wt%, solver's scale]
        temperature_K : (m, k)          the windows' temperatures [K]
        lowest_K, highest_K : the least and the most of them [K]
        """
        table, highest_wt_pct = phase_table(), float(nodes.max())
        if lowest_K > A3_IRON_K and highest_wt_pct < table.least_saturation_wt_pct(lowest_K, highest_K):
            return None
        moved = np.zeros(temperature_K.shape[1], dtype=bool)
        carbide, ferrite = table.column_at(SATURATION, temperature_K), table.column_at(A3, temperature_K)
        if highest_wt_pct < float(carbide.min()) and float(ferrite.max()) <= 0.0:
            return None
        furthest = np.where(temperature_K > EUTECTIC_K, LIMIT_STEP_WT_PCT, self.solid_limit_step)
        highest, lowest = nodes.max(axis=1)[:, None], nodes[:, 1:-1].min(axis=1)[:, None]
        for limit, near in (
            (carbide, highest > np.minimum(carbide, carbide[:, :1])),
            (ferrite, lowest < np.maximum(ferrite, ferrite[:, :1])),
        ):
            moved |= (near & (np.abs(limit - limit[:, :1]) > furthest)).any(axis=0)
        return moved

    def _part(self, window: int, time_s: float) -> float:
        """How much of a window has gone by at a time in it [-]."""
        begin_s = self.starts_s.item(window)
        return float((time_s - begin_s) / (self.windows.end_s.item(window) - begin_s))

    def _sums_at(self, window: int, time_s: float) -> FloatArray:
        """The windows' sums at a time in one of them, (3, m)."""
        before = self.sums[window]
        result: FloatArray = before + self._part(window, time_s) * (self.sums[window + 1] - before)
        return result

    def _span(self, first: int, to: int, begin_s: float, stop_s: float) -> Span:
        """The span over windows `first` to ``to``, from ``begin_s`` in the first to ``stop_s`` in the last [s]."""
        windows = self.windows
        if to - first == 1:
            part = self._part(first, stop_s) - self._part(first, begin_s)
            hot_s, average_K = part * windows.hot_s[:, first], windows.temperature_K[:, first]
            work_s = hot_s * windows.mobility[:, first]
            line_K = np.broadcast_to(average_K, (3, average_K.size))
            return Span(stop_s, hot_s, average_K, work_s, float(work_s.mean()), line_K)
        # The temperature's straight line through the means of both halves: noise averages out, a ramp stays a ramp.
        middle_s = 0.5 * (begin_s + stop_s)
        middle = self._sums_at(int(windows.end_s.searchsorted(middle_s)), middle_s)
        early, late = middle - self._sums_at(first, begin_s), self._sums_at(to - 1, stop_s) - middle
        work_s, hot_s, heat = early + late
        average_K, mean_K, rise_K = self._averages(first, work_s, hot_s, heat, early, late)
        temperature_K = windows.temperature_K[:, first:to]
        lowest_K, highest_K = temperature_K.min(axis=1), temperature_K.max(axis=1)
        line_K = np.minimum(np.maximum(mean_K + _STAGES * rise_K, lowest_K), highest_K)
        return Span(stop_s, hot_s, average_K, work_s, float(work_s.mean()), line_K)

    def _averages(
        self, first: int, work_s: FloatArray, hot_s: FloatArray, heat: FloatArray, early: FloatArray, late: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Arrhenius average, mean, and rise from a span's first half to its second, (m,) [K]."""
        if min(float(early[1].min()), float(late[1].min())) > 0.0:
            rise_K = late[2] / late[1] - early[2] / early[1]
            return mobility_temperature_K(work_s / hot_s), A1_K + heat / hot_s, rise_K
        # Members below A1 for half of it, or all.
        both = (early[1] > 0.0) & (late[1] > 0.0)
        seconds = np.where(both, early[1], 1.0), np.where(both, late[1], 1.0)
        rise_K = np.where(both, late[2] / seconds[1] - early[2] / seconds[0], 0.0)
        safe_s = np.where(hot_s > 0.0, hot_s, 1.0)
        relative = np.where(hot_s > 0.0, work_s / safe_s, self.windows.mobility[:, first])
        return mobility_temperature_K(relative), A1_K + heat / safe_s, rise_K


_STAGES = 2.0 * np.array([[0.0], [STAGE_PART], [1.0]]) - 1.0
"""Beginning, first stage and end of a step, in halves of it from its middle."""


def _remembered(
    problem: CarbonProblem,
    ever: Ever,
    nodes: FloatArray,
    span: Span,
    surfaces: tuple[Surface, Surface],
    austenite: bool,
) -> Ever:
    """What the step just done adds to what must be remembered; ``austenite``: all of the steel was and is that."""
    temperature_K = span.line_K[2]
    limited = np.zeros(problem.members, dtype=bool)
    saturated = ferritic = False
    if not austenite:
        phases = span.stage_phases[1]
        saturated = float(nodes.max()) > float(phases[:, SATURATION].min())
        ferritic = float(phases[:, A3].max()) > 0.0
    outward = []
    for surface, end, cell in ((surfaces[0], 0, 1), (surfaces[1], -1, -2)):
        if surface is NOTHING:
            outward.append(np.zeros(problem.members, dtype=bool))
            continue
        limited |= surface.potential_at(temperature_K) > span.highest_wt_pct[2]
        inside = nodes[:, cell]
        if saturated or ferritic:
            inside = austenite_equivalent_wt_pct(nodes[:, [cell]], span.stage_phases[1])[:, 0]
        outward.append(nodes[:, end] < inside - OUTWARD_WT_PCT)
    both = outward[0], outward[1]
    return ever.after(
        problem, nodes, temperature_K, span.hot_s, limited, both, span.stage_phases[1] if saturated else None
    )
