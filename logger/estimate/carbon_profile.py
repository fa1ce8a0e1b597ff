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
from logger.steel.phase_limits import A1_K, A3, HIGHEST_W, SATURATION, phase_table
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
    open_time_s = np.concatenate([state.open_time_s, time_s])
    open_K = np.concatenate([state.open_K, temperature_K], axis=1)
    state = replace(state, open_time_s=open_time_s, open_K=open_K)
    if state.time_s == -inf:
        state = replace(state, time_s=float(open_time_s[0]), windows=no_windows(float(open_time_s[0]), problem.members))
    closed, kept = closed_windows(open_time_s, open_K)
    if not len(closed):
        return state
    state = replace(
        state,
        windows=state.windows.then(closed),
        open_time_s=open_time_s[kept:].copy(),
        open_K=open_K[:, kept:].copy(),
    )
    return _stepped(problem, state, to_the_end=False)


def at_end(problem: CarbonProblem, state: CarbonState, member: int = 0) -> CarbonResult:
    """What the carbon is at the last sample, for one member; the state stays as it is."""
    return member_result(members_at_end(problem, state), member)


def members_at_end(problem: CarbonProblem, state: CarbonState) -> CarbonMembers:
    """What the carbon is at the last sample, for all members at once; the state stays as it is."""
    provisional = replace(state, windows=state.windows.then(open_window(state.open_time_s, state.open_K)))
    provisional = _stepped(problem, provisional, to_the_end=True)
    last_K = state.open_K[:, -1] if state.open_time_s.size else np.full(problem.members, A1_K)
    last_s = float(state.open_time_s[-1]) if state.open_time_s.size else 0.0
    nodes = provisional.nodes
    hot = last_K > A1_K
    if hot.any():
        faces = face_now(problem, nodes, np.maximum(last_K, A1_K), surfaces_at(problem, provisional.time_s))
        nodes = nodes.copy()
        nodes[hot, 0], nodes[hot, -1] = faces[hot, 0], faces[hot, 1]
    return ended(problem, nodes, provisional.ever, last_s, last_K)


def _stepped(problem: CarbonProblem, state: CarbonState, to_the_end: bool) -> CarbonState:
    """Every step that the closed windows allow; with `to_the_end`, all of them to the last window's end."""
    plan = _Plan(state.windows)
    time_s, nodes, rate, ever = state.time_s, state.nodes, state.rate, state.ever
    work_s, reach_s, last_K = state.work_s, state.reach_s, state.last_K
    first = 0
    surfaces = surfaces_at(problem, time_s)
    changes = [change for change in problem.change_times_s if change > time_s]
    while True:
        first, time_s = plan.next_hot(first, time_s)
        while changes and changes[0] <= time_s:
            changes.pop(0)
            surfaces = surfaces_at(problem, time_s)
            rate, work_s, reach_s = None, FIRST_WORK_S, 0.0
        if first >= len(state.windows):
            break
        span, whole = plan.next_span(nodes, first, time_s, work_s, changes[0] if changes else inf, to_the_end)
        if span is None:
            break
        # From the beginning or another surface on, the faces must first find their carbon.
        result = austenite_step(problem, nodes, span, surfaces, reach_s) if reach_s > 0.0 else None
        if result is None:
            result = step(problem, nodes, rate, span, surfaces, reach_s, phase_table().at(last_K))
        done_s = float(np.mean(span.hot_s * span.mobility))
        growth = _growth(problem, result.error_wt_pct) if result.converged else LEAST_GROWTH
        if not (result.converged and result.error_wt_pct <= problem.tolerance_wt_pct):
            work_s = done_s * min(max(growth, LEAST_GROWTH), 0.7)
            if work_s < SMALLEST_WORK_S:
                raise RuntimeError(f"carbon step does not settle at {time_s:g} s, {span.temperature_K} K")
            continue
        nodes, rate, reach_s = result.nodes, result.rate, reach_s + done_s
        ever = _remembered(problem, ever, nodes, span, surfaces)
        time_s, last_K = span.end_s, span.stage_K[1]
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
        windows=state.windows.after(min(first, len(state.windows))),
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

    def __init__(self, windows: TemperatureWindows) -> None:
        self.windows = windows
        self.weight = windows.hot_s * windows.mobility
        self.work_s = np.ascontiguousarray(self.weight.T).mean(axis=1)
        self.starts_s = np.concatenate([[windows.start_s], windows.end_s[:-1]])
        self.hot = np.flatnonzero(self.work_s > 0.0)
        self.saturation = phase_table().column_at(SATURATION, windows.temperature_K)
        self.a3 = phase_table().column_at(A3, windows.temperature_K)

    def next_hot(self, first: int, time_s: float) -> tuple[int, float]:
        """The next window with work to do after a time [s] in window `first` or later; the time where that begins."""
        windows = self.windows
        if first < len(windows):
            first = max(first, int(np.searchsorted(windows.end_s, time_s, side="right")))
            place = int(np.searchsorted(self.hot, first))
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
        windows = self.windows
        last = int(np.searchsorted(windows.end_s, time_s + LONGEST_SPAN_S)) + 1
        end_s, starts_s = windows.end_s[first:last], self.starts_s[first:last]
        part = np.ones(end_s.size)
        begin_s = max(time_s, float(starts_s[0]))
        part[0] = (end_s[0] - begin_s) / (end_s[0] - starts_s[0])
        # 1. where the temperature, or a limit between phases that are there, has moved too far, or below A1
        temperature_K = windows.temperature_K[:, first:last]
        moved = np.abs(temperature_K - temperature_K[:, :1]).max(axis=0) > SOLID_STEP_K
        moved |= self.work_s[first:last] == 0.0
        moved |= self._limits_moved(nodes, first, last)
        count = int(np.argmax(moved)) if moved.any() else end_s.size
        closed = count < end_s.size or end_s.size < windows.end_s.size - first
        # 2. where the work is done
        work = self.work_s[first : first + count] * part[:count]
        total = np.cumsum(work)
        stop_s = float(end_s[count - 1])
        whole = bool(total[-1] >= work_s)
        if whole:
            count = int(np.searchsorted(total, work_s)) + 1
            done = total[count - 2] if count > 1 else 0.0
            window_begin_s = begin_s if count == 1 else float(starts_s[count - 1])
            share = (work_s - done) / work[count - 1]
            stop_s = window_begin_s + share * (float(end_s[count - 1]) - window_begin_s)
            if share > 0.999 or not begin_s < stop_s < end_s[count - 1]:
                stop_s = float(end_s[count - 1])
            closed = True
        # 3. where the surface changes
        if until_s < stop_s:
            stop_s, whole, closed = until_s, False, True
            count = int(np.searchsorted(end_s, until_s)) + 1
        if not (closed or to_the_end):
            return None, False
        last_begin_s = begin_s if count == 1 else float(starts_s[count - 1])
        part = part[:count]
        part[-1] *= (stop_s - last_begin_s) / (float(end_s[count - 1]) - last_begin_s)
        return self._span(first, count, part, begin_s, stop_s), whole

    def _limits_moved(self, nodes: FloatArray, first: int, last: int) -> np.ndarray:
        """For each window, (k,), whether a limit moved too far since the first one in steel that is, or gets, near it.

        A longer step would let steel that turns to two phases on its way drain, or fill, as if it had always been so.
        """
        moved = np.zeros(min(last, len(self.windows)) - first, dtype=bool)
        carbide, ferrite = self.saturation[:, first:last], self.a3[:, first:last]
        if float(nodes.max()) < float(carbide.min()) and float(ferrite.max()) <= 0.0:
            return moved
        highest, lowest = nodes.max(axis=1)[:, None], nodes[:, 1:-1].min(axis=1)[:, None]
        for limit, near in (
            (carbide, highest > np.minimum(carbide, carbide[:, :1])),
            (ferrite, lowest < np.maximum(ferrite, ferrite[:, :1])),
        ):
            moved |= (near & (np.abs(limit - limit[:, :1]) > LIMIT_STEP_WT_PCT)).any(axis=0)
        return moved

    def _span(self, first: int, count: int, part: FloatArray, begin_s: float, stop_s: float) -> Span:
        windows, to = self.windows, first + count
        hot_s = windows.hot_s[:, first:to] * part
        total_hot_s = hot_s.sum(axis=1)
        safe_hot_s = np.where(total_hot_s > 0.0, total_hot_s, 1.0)
        relative = (self.weight[:, first:to] * part).sum(axis=1) / safe_hot_s
        relative = np.where(total_hot_s > 0.0, relative, windows.mobility[:, first])
        average_K = mobility_temperature_K(relative)
        if count == 1:
            phases = phase_table().at(average_K)
            twice = (average_K, average_K), (phases, phases)
            return Span(stop_s, total_hot_s, average_K, relative, average_K, phases, *twice)
        # The temperature's straight line through the windows: noise averages out, a ramp stays a ramp.
        edges_s = np.append(windows.end_s[first : to - 1], stop_s)
        middle_s = 0.5 * (np.append(begin_s, edges_s[:-1]) + edges_s) - begin_s
        temperature_K = windows.temperature_K[:, first:to]
        heat = hot_s * temperature_K
        mean_s = (hot_s @ middle_s) / safe_hot_s
        mean_K = heat.sum(axis=1) / safe_hot_s
        away_s = middle_s - mean_s[:, None]
        weight = hot_s * away_s
        spread = (weight * away_s).sum(axis=1)
        slope = (weight * temperature_K).sum(axis=1) / np.where(spread > 0.0, spread, 1.0)
        lowest, highest = temperature_K.min(axis=1), temperature_K.max(axis=1)
        ends_s = (stop_s - begin_s) * _STAGES - mean_s
        stage_K = np.minimum(np.maximum(mean_K + slope * ends_s, lowest), highest)
        phases = phase_table().at(stage_K.ravel()).reshape(3, mean_K.size, -1)
        stages = (stage_K[1], stage_K[2]), (phases[1], phases[2])
        return Span(stop_s, total_hot_s, average_K, relative, stage_K[0], phases[0], *stages)


_STAGES = np.array([[0.0], [STAGE_PART], [1.0]])


def _remembered(
    problem: CarbonProblem, ever: Ever, nodes: FloatArray, span: Span, surfaces: tuple[Surface, Surface]
) -> Ever:
    """What the step just done adds to what must be remembered."""
    temperature_K, phases = span.stage_K[1], span.stage_phases[1]
    limited = np.zeros(problem.members, dtype=bool)
    saturated = float(nodes.max()) > float(phases[:, SATURATION].min())
    outward = []
    for surface, end, cell in ((surfaces[0], 0, 1), (surfaces[1], -1, -2)):
        out = np.zeros(problem.members, dtype=bool)
        if surface is not NOTHING:
            limited |= surface.potential_at(temperature_K) > phases[:, HIGHEST_W]
            inside = nodes[:, cell]
            if saturated or float(phases[:, A3].max()) > 0.0:
                inside = austenite_equivalent_wt_pct(nodes[:, [cell]], phases)[:, 0]
            out = nodes[:, end] < inside - OUTWARD_WT_PCT
        outward.append(out)
    return ever.after(problem, nodes, phases, temperature_K, span.hot_s, limited, saturated, (outward[0], outward[1]))
