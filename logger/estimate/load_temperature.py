"""Steel temperature: from the driving channel's readings to what the steel itself went through.

With the thermocouple inside the canister, the trace is the steel. With the oven's, the steel is modelled through wall
and pack. Either way the result is one strictly increasing run of samples, straight lines between them, no holes: what
a gap may have hidden is carried as members (nominal, low, high), and every gap and spike is marked.

    state = begin(problem)
    state, samples = advance(problem, state, history)     # samples that will never change again
    result = at_end(problem, state)                       # provisional samples up to now, marks, state of things

`samples` of all calls, one after the other, are the same bits however the history is cut; `result.tail` goes after
them and is computed anew each time. Later solvers are advanced with the samples, and a copy with the tail.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from math import isfinite, nan

import numpy as np

from logger.estimate import canister, gaps, screening
from logger.estimate.canister import CanisterParameters, CanisterState, Cells
from logger.estimate.gaps import GapMark, Habits
from logger.estimate.screening import ScreenState, SpikeMark
from logger.history import History, longest_bridge_s
from logger.sheet import RunSheet
from logger.thermocouple import Thermocouple, usable_tolerance_K
from logger.units import FloatArray, kelvin_from_celsius

__all__ = ["GapMark", "LoadProblem", "LoadResult", "LoadState", "SpikeMark", "SteelSamples"]

STEP_CHANGE_K = 8.0
"""A step of the model ends where the oven has moved this far, and is chosen so that no cell moves much further."""

SHORTEST_STEP_S, LONGEST_STEP_S = 5.0, 120.0
FIRST_STEP_S = 10.0
COOL_START_K = kelvin_from_celsius(60.0)
"""An oven colder than this at the first reading has a canister as cold as itself in it (our choice)."""

MARKED_HOLE_INTERVALS = 1.5
"""A hole up to this many usual intervals is only jitter of the polling and not marked."""


@dataclass(frozen=True, slots=True, eq=False)
class LoadProblem:
    """Where the thermocouple is, what the canister may be, and what the members of an ensemble differ in.

    ``cells`` is None for a thermocouple inside. ``gap_position`` (members,): low -1, nominal 0, high +1.
    ``reading_error`` (members,): error of the thermocouple in units of its tolerance. Member 0 is the nominal one.
    ``aim_K``: temperature the sheet wants held, None if it does not say. ``thin_s``: readings of a thermocouple inside
    are taken together over this long [s], so that many members stay quick; 0: each reading by itself.
    """

    parameters: CanisterParameters | None
    cells: Cells | None
    thermocouple: Thermocouple
    gap_position: FloatArray
    reading_error: FloatArray
    aim_K: float | None = None
    start_temperature_K: float | None = None
    thin_s: float = 0.0
    has_reading_error: bool = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "has_reading_error", bool(np.any(self.reading_error != 0.0)))

    @property
    def members(self) -> int:
        """Number of histories carried side by side."""
        return int(self.gap_position.size)

    @property
    def is_modelled(self) -> bool:
        """Whether the steel's temperature is modelled from the oven's."""
        return self.cells is not None


@dataclass(frozen=True, slots=True, eq=False)
class SteelSamples:
    """Steel and driving temperature: ``time_s`` (n,) [s], ``temperature_K`` and ``driving_K`` (members, n) [K]."""

    time_s: FloatArray
    temperature_K: FloatArray
    driving_K: FloatArray

    def __len__(self) -> int:
        return int(self.time_s.size)


def joined(pieces: Sequence[SteelSamples]) -> SteelSamples:
    """Samples one after the other as one; empty where there are none."""
    some = [piece for piece in pieces if len(piece)]
    if len(some) == 1:
        return some[0]
    if not some:
        return SteelSamples(np.empty(0), np.empty((1, 0)), np.empty((1, 0)))
    return SteelSamples(
        np.concatenate([piece.time_s for piece in some]),
        np.concatenate([piece.temperature_K for piece in some], axis=1),
        np.concatenate([piece.driving_K for piece in some], axis=1),
    )


@dataclass(frozen=True, slots=True, eq=False)
class LoadState:
    """What is known after some readings. ``pending_*`` are believed readings of a model step not yet closed; the
    first of them is where the step began."""

    screen: ScreenState
    habits: Habits
    gaps: tuple[GapMark, ...]
    first_K: float
    last_s: float
    last_K: float
    interval_s: float
    pending_s: FloatArray
    pending_K: FloatArray
    canister: CanisterState | None
    next_step_s: float


@dataclass(frozen=True, slots=True, eq=False)
class LoadResult:
    """The steel now. ``tail``: provisional samples after the last committed one.

    ``steel_K`` (members,) and ``driving_K`` [K] at ``time_s`` [s], NaN before the first good reading; ``gaps`` and
    ``spikes`` so far; ``late_readings`` came with a time not after the one before and were left out,
    ``unbelievable_readings`` were no temperatures; ``assumed_cold_start``: the oven was hot at the first reading and
    the canister was taken as cold.
    """

    time_s: float
    tail: SteelSamples
    steel_K: FloatArray
    driving_K: float
    is_modelled: bool
    gaps: tuple[GapMark, ...]
    spikes: tuple[SpikeMark, ...]
    late_readings: int
    unbelievable_readings: int
    assumed_cold_start: bool


def problem_from_sheet(
    sheet: RunSheet,
    *,
    thermocouple: Thermocouple | None = None,
    parameters: CanisterParameters | None = None,
    gap_position: FloatArray | None = None,
    reading_error: FloatArray | None = None,
    thin_s: float = 0.0,
) -> LoadProblem:
    """The problem a sheet states; one nominal member unless arrays say otherwise.

    Parameters
    ----------
    sheet : RunSheet
    thermocouple : the driving channel's; None: a type K without correction
    parameters : canisters (members,) to use in place of the sheet's nominal one
    gap_position : (members,)              place in a gap [-]: low -1, nominal 0, high +1
    reading_error : (members,)             error in units of the thermocouple's tolerance [-]
    thin_s : length of time over which readings inside are taken together [s]; 0: none are

    Returns    LoadProblem
    Raises     InputFault                  more steel than the canister has room for
    """
    members = max(a.size for a in (gap_position, reading_error, np.zeros(1)) if a is not None)
    cut = None
    if sheet.canister.sensor == "oven":
        parameters = parameters or canister.nominal_canister(sheet)
        members = max(members, parameters.members)
        if parameters.members < members:
            parameters = canister.repeated(parameters, members)
        cut = canister.cells(parameters)
    else:
        parameters = None
    zeros = np.zeros(members)
    return LoadProblem(
        parameters=parameters,
        cells=cut,
        thermocouple=thermocouple or Thermocouple(),
        gap_position=zeros if gap_position is None else gap_position + zeros,
        reading_error=zeros if reading_error is None else reading_error + zeros,
        aim_K=sheet.soak.temperature_K,
        start_temperature_K=sheet.canister.start_temperature_K,
        thin_s=thin_s,
    )


def scenarios_from_sheet(sheet: RunSheet, *, thermocouple: Thermocouple | None = None) -> LoadProblem:
    """The nominal canister three times over: nominal, low and high course through every gap, in this order.

    Parameters
    ----------
    sheet : RunSheet
    thermocouple : the driving channel's; None: a type K without correction

    Returns    LoadProblem                 3 members
    Raises     InputFault                  more steel than the canister has room for
    """
    return problem_from_sheet(sheet, thermocouple=thermocouple, gap_position=np.array([0.0, -1.0, 1.0]))


def begin(problem: LoadProblem) -> LoadState:
    """State before the first reading."""
    none = np.empty(0)
    return LoadState(screening.begin(), Habits(), (), nan, nan, nan, 0.0, none, none, None, FIRST_STEP_S)


def advance(problem: LoadProblem, state: LoadState, history: History) -> tuple[LoadState, SteelSamples]:
    """Take the next readings.

    Parameters
    ----------
    problem : LoadProblem
    state : LoadState                      not changed
    history : the next readings of the driving channel, any number

    Returns    new state, and the steel samples that are now settled
    """
    screen, time_s, raw_K = screening.advance(state.screen, history)
    state = replace(state, screen=screen, interval_s=history.interval_s)
    temperature_K = problem.thermocouple.correction.corrected_K(raw_K)
    return _drive(problem, state, time_s, temperature_K)


def _drive(
    problem: LoadProblem, state: LoadState, time_s: FloatArray, temperature_K: FloatArray
) -> tuple[LoadState, SteelSamples]:
    """Carry believed and corrected readings into the steel, gap by gap."""
    out = _Samples(problem.members)
    if not time_s.size:
        return state, out.all()
    if not isfinite(state.last_s):
        state = _first(problem, state, float(time_s[0]), float(temperature_K[0]), out)
        time_s, temperature_K = time_s[1:], temperature_K[1:]
    bridge_s = longest_bridge_s(state.interval_s)
    holes_s = np.diff(time_s, prepend=state.last_s)
    marked_s = MARKED_HOLE_INTERVALS * state.interval_s if state.interval_s > 0.0 else bridge_s
    start = 0
    for i in np.flatnonzero(holes_s > marked_s).tolist():
        state = _smooth(problem, state, time_s[start:i], temperature_K[start:i], out)
        end_s, end_K = float(time_s[i]), float(temperature_K[i])
        if holes_s[i] > bridge_s:
            state = _through_gap(problem, state, end_s, end_K, out)
            start = i + 1
        else:
            low_K, high_K = sorted((state.last_K, end_K))
            state = replace(state, gaps=(*state.gaps, GapMark(state.last_s, end_s, True, low_K, high_K)))
            start = i
    state = _smooth(problem, state, time_s[start:], temperature_K[start:], out)
    return state, out.all()


class _Samples:
    """Collects samples in order."""

    def __init__(self, members: int) -> None:
        self.members = members
        self.times: list[FloatArray] = []
        self.steel: list[FloatArray] = []
        self.driving: list[FloatArray] = []

    def add(self, time_s: FloatArray, steel_K: FloatArray, driving_K: FloatArray) -> None:
        self.times.append(time_s)
        self.steel.append(steel_K)
        self.driving.append(driving_K)

    def all(self) -> SteelSamples:
        if not self.times:
            return SteelSamples(np.empty(0), np.empty((self.members, 0)), np.empty((self.members, 0)))
        return SteelSamples(
            np.concatenate(self.times), np.concatenate(self.steel, axis=1), np.concatenate(self.driving, axis=1)
        )


def _for_members(problem: LoadProblem, temperature_K: FloatArray) -> FloatArray:
    """The driving temperature (n,) or (members, n) as each member takes it (members, n) [K]."""
    T = np.broadcast_to(temperature_K, (problem.members, temperature_K.shape[-1]))
    if not problem.has_reading_error:
        return T
    return T + problem.reading_error[:, None] * usable_tolerance_K(problem.thermocouple, T)


def _first(problem: LoadProblem, state: LoadState, time_s: float, temperature_K: float, out: _Samples) -> LoadState:
    """The first good reading: everything before it is an open question, marked."""
    marks = state.gaps
    if time_s > state.screen.first_s + longest_bridge_s(state.interval_s):
        marks = (*marks, GapMark(state.screen.first_s, time_s, False, nan, nan))
    at = np.array([time_s])
    driving = _for_members(problem, np.array([temperature_K]))
    inside = None
    steel = driving
    if problem.cells is not None:
        start_K = problem.start_temperature_K
        if start_K is None:
            start_K = temperature_K if temperature_K < COOL_START_K else gaps.ROOM_K
        inside = canister.at_rest(problem.cells, start_K)
        steel = inside.steel_K[:, None]
    out.add(at, steel, driving)
    return replace(
        state,
        gaps=marks,
        habits=gaps.habits_after(state.habits, at, np.array([temperature_K])),
        first_K=temperature_K,
        last_s=time_s,
        last_K=temperature_K,
        pending_s=at,
        pending_K=np.array([temperature_K]),
        canister=inside,
    )


def _smooth(
    problem: LoadProblem, state: LoadState, time_s: FloatArray, temperature_K: FloatArray, out: _Samples
) -> LoadState:
    """Readings without a gap among or before them."""
    if not time_s.size:
        return state
    habits = gaps.habits_after(state.habits, time_s, temperature_K)
    state = replace(state, habits=habits, last_s=float(time_s[-1]), last_K=float(temperature_K[-1]))
    if problem.cells is None and problem.thin_s == 0.0:
        driving = _for_members(problem, temperature_K)
        out.add(time_s, driving, driving)
        return state
    t = np.concatenate([state.pending_s, time_s])
    x = np.concatenate([state.pending_K, temperature_K])
    if problem.cells is None:
        return _thinned(problem, state, t, x, out)
    inside, next_step_s, start = state.canister, state.next_step_s, 0
    while inside is not None:
        last = _step_end(t, x, start, next_step_s)
        if last < 0:
            break
        inside, next_step_s = _model(problem, inside, t[start : last + 1], x[start : last + 1], next_step_s, out)
        start = last
    return replace(state, pending_s=t[start:], pending_K=x[start:], canister=inside, next_step_s=next_step_s)


def _thinned(problem: LoadProblem, state: LoadState, t: FloatArray, x: FloatArray, out: _Samples) -> LoadState:
    """One sample for each closed window of `thin_s`: the mean of its readings at the mean of their times.

    The first of ``t`` [s] and ``x`` [K] is the sample before; the windows are those of run time itself.
    """
    window = np.floor_divide(t[1:], problem.thin_s)
    starts = np.concatenate([[0], np.flatnonzero(np.diff(window)) + 1])
    closed = int(starts[-1])
    if closed:
        count = np.diff(starts)
        time_s = np.add.reduceat(t[1 : closed + 1], starts[:-1]) / count
        driving_K = np.add.reduceat(x[1 : closed + 1], starts[:-1]) / count
        driving = _for_members(problem, driving_K)
        out.add(time_s, driving, driving)
        t = np.concatenate([time_s[-1:], t[closed + 1 :]])
        x = np.concatenate([driving_K[-1:], x[closed + 1 :]])
    return replace(state, pending_s=t, pending_K=x)


def _flushed(problem: LoadProblem, state: LoadState, out: _Samples) -> None:
    """The readings of the open window, as their mean and the last of them."""
    time_s, driving_K = state.pending_s[1:], state.pending_K[1:]
    if problem.thin_s == 0.0 or not time_s.size:
        return
    if time_s.size > 1:
        time_s = np.array([time_s.mean(), time_s[-1]])
        driving_K = np.array([driving_K.mean(), driving_K[-1]])
    driving = _for_members(problem, driving_K)
    out.add(time_s, driving, driving)


def _step_end(t: FloatArray, x: FloatArray, start: int, next_step_s: float) -> int:
    """The reading a step from reading ``start`` ends at: a rule on the readings alone. -1: not there yet."""
    by_time = int(np.searchsorted(t, t[start] + next_step_s))
    far = np.abs(x[start + 1 : by_time] - x[start]) >= STEP_CHANGE_K
    if far.any():
        earliest = int(np.searchsorted(t, t[start] + SHORTEST_STEP_S))
        first_far = start + 1 + int(np.argmax(far))
        at = max(first_far, earliest)
        if at < by_time:
            return at
    return by_time if by_time < t.size else -1


def _model(
    problem: LoadProblem, inside: CanisterState, t: FloatArray, x: FloatArray, next_step_s: float, out: _Samples
) -> tuple[CanisterState, float]:
    """One stretch of readings through the canister, as the line with their mean and their rise."""
    duration_s = float(t[-1] - t[0])
    width = np.diff(t)
    mean_K = float((width * (x[1:] + x[:-1])).sum()) * (0.5 / duration_s)
    half_rise_K = 0.5 * float(x[-1] - x[0])
    line = _for_members(problem, np.array([mean_K - half_rise_K, mean_K + half_rise_K]))
    end = _for_members(problem, x[-1:])
    return _stretch(problem, inside, float(t[0]), float(t[-1]), line[:, 0], line[:, 1], end[:, 0], next_step_s, out)


def _stretch(
    problem: LoadProblem,
    inside: CanisterState,
    from_s: float,
    to_s: float,
    from_K: FloatArray,
    to_K: FloatArray,
    end_K: FloatArray,
    next_step_s: float,
    out: _Samples,
) -> tuple[CanisterState, float]:
    """A straight stretch through the canister, in as many equal steps as the step length asks for."""
    assert problem.cells is not None
    duration_s = to_s - from_s
    steps = max(1, int(np.ceil(duration_s / (1.5 * next_step_s))))
    step_s = duration_s / steps
    times, steel, driving = [], [], []
    fastest = 0.0
    for number in range(steps):
        a, b = number / steps, (number + 1) / steps
        before = inside.temperature_K[0]
        oven_from, oven_to = from_K + a * (to_K - from_K), from_K + b * (to_K - from_K)
        inside = canister.step(problem.cells, inside, step_s, oven_from, oven_to)
        fastest = float(np.abs(inside.temperature_K[0] - before).max()) / step_s
        last = number == steps - 1
        times.append(to_s if last else from_s + b * duration_s)
        steel.append(inside.steel_K)
        driving.append(end_K if last else oven_to)
    out.add(np.array(times), np.stack(steel, axis=1), np.stack(driving, axis=1))
    wanted_s = STEP_CHANGE_K / fastest if fastest > 0.0 else LONGEST_STEP_S
    return inside, min(max(wanted_s, SHORTEST_STEP_S), LONGEST_STEP_S, 2.0 * step_s)


def _through_gap(problem: LoadProblem, state: LoadState, end_s: float, end_K: float | None, out: _Samples) -> LoadState:
    """A long gap: three courses of the oven through it. ``end_K`` None: it is still open."""
    if problem.cells is not None and state.pending_s.size > 1 and state.canister is not None:
        inside, next_step_s = _model(problem, state.canister, state.pending_s, state.pending_K, state.next_step_s, out)
        state = replace(state, canister=inside, next_step_s=next_step_s)
    course = gaps.courses(state.habits, state.last_s, state.last_K, end_s, end_K, problem.aim_K)
    driving = _for_members(problem, course.for_members(problem.gap_position))
    if problem.cells is None or state.canister is None:
        _flushed(problem, state, out)
        out.add(course.time_s, driving, driving)
    else:
        inside, next_step_s = state.canister, state.next_step_s
        at_s = state.last_s
        before = _for_members(problem, np.array([state.last_K]))[:, 0]
        for number, to_s in enumerate(course.time_s.tolist()):
            now = driving[:, number]
            inside, next_step_s = _stretch(problem, inside, at_s, to_s, before, now, now, next_step_s, out)
            at_s, before = to_s, now
        state = replace(state, canister=inside, next_step_s=next_step_s)
    low_K, high_K = float(course.low_K.min()), float(course.high_K.max())
    low_K, high_K = min(low_K, state.last_K), max(high_K, state.last_K)
    mark = GapMark(state.last_s, end_s, False, low_K, high_K, is_open=end_K is None, courses=course)
    last_K = float(course.nominal_K[-1])
    return replace(
        state,
        gaps=(*state.gaps, mark),
        habits=replace(state.habits, knot_s=end_s, knot_K=last_K, now_K_per_s=0.0),
        last_s=end_s,
        last_K=last_K,
        pending_s=np.array([end_s]),
        pending_K=np.array([last_K]),
    )


def at_end(problem: LoadProblem, state: LoadState) -> LoadResult:
    """The steel now, with a provisional tail up to the newest reading.

    Parameters
    ----------
    problem : LoadProblem
    state : LoadState                      not changed

    Returns    LoadResult
    """
    out = _Samples(problem.members)
    settled = state
    time_s, raw_K = screening.provisional(state.screen)
    if time_s.size and not isfinite(state.last_s):
        state, first = _drive(problem, state, time_s, problem.thermocouple.correction.corrected_K(raw_K))
        out.add(first.time_s, first.temperature_K, first.driving_K)
    seen_s = state.screen.seen_s
    if not isfinite(state.last_s):
        marks = settled.gaps
        if seen_s > settled.screen.first_s:
            marks = (*marks, GapMark(settled.screen.first_s, seen_s, False, nan, nan, is_open=True))
        steel = np.full(problem.members, nan)
        return _result(problem, state, out.all(), steel, nan, marks, seen_s)
    if seen_s - state.last_s > longest_bridge_s(state.interval_s):
        state = _through_gap(problem, state, seen_s, None, out)
    elif problem.cells is not None and state.pending_s.size > 1 and state.canister is not None:
        inside, _ = _model(problem, state.canister, state.pending_s, state.pending_K, state.next_step_s, out)
        state = replace(state, canister=inside)
    elif problem.cells is None:
        _flushed(problem, state, out)
    if state.canister is not None:
        steel = state.canister.steel_K
    else:
        tail = out.all()
        steel = tail.temperature_K[:, -1] if len(tail) else _for_members(problem, np.array([state.last_K]))[:, 0]
    return _result(
        problem,
        state,
        out.all(),
        steel,
        settled.last_K if isfinite(settled.last_K) else state.last_K,
        state.gaps,
        seen_s,
    )


def _result(
    problem: LoadProblem,
    state: LoadState,
    tail: SteelSamples,
    steel_K: FloatArray,
    driving_K: float,
    marks: tuple[GapMark, ...],
    time_s: float,
) -> LoadResult:
    hot_start = isfinite(state.last_s) and problem.cells is not None and problem.start_temperature_K is None
    return LoadResult(
        time_s=time_s,
        tail=tail,
        steel_K=steel_K,
        driving_K=driving_K,
        is_modelled=problem.is_modelled,
        gaps=marks,
        spikes=state.screen.spikes,
        late_readings=state.screen.late_readings,
        unbelievable_readings=state.screen.unbelievable_readings,
        assumed_cold_start=hot_start and state.first_K >= COOL_START_K,
    )
