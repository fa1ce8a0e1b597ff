"""Steel trace: a whole run in means over a quarter of a minute, small enough to look at again and again.

Soak and stages are judged on these means, not on single readings: noise at the edge of a band does not start and stop
a soak, and a run of a week still fits in a few thousand numbers. Windows begin at the first sample, whatever the
calls; each mean is the exact mean of the straight lines between the samples.
"""

from dataclasses import dataclass

import numpy as np

from logger.units import FloatArray

WINDOW_S = 15.0
"""Length of a window [s] (our choice: steel in a canister moves a few kelvin at most in it)."""

BLOCK = 256
"""Windows are kept in blocks of so many: states that follow each other share all but the last, and a long run is not
copied for every window it grows by."""


@dataclass(frozen=True, slots=True, eq=False)
class TraceState:
    """Closed windows and the samples since. ``peak_K`` (rows,) the hottest sample [K].

    ``mean_K``: of the closed windows [K], blocks (rows, BLOCK) of which the last may be shorter.
    ``open_s`` (k,), ``open_K`` (rows, k): where the open window begins, and the samples in it.
    """

    start_s: float
    start_K: FloatArray
    mean_K: tuple[FloatArray, ...]
    open_s: FloatArray
    open_K: FloatArray
    peak_K: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class SteelTrace:
    """A run as straight lines between ``time_s`` (k,) [s]: first sample, middle of each window, newest sample.

    ``temperature_K`` is (rows, k) [K]; ``peak_K`` (rows,) the hottest single sample [K].
    """

    time_s: FloatArray
    temperature_K: FloatArray
    peak_K: FloatArray


def begin() -> TraceState:
    """State before the first sample."""
    return TraceState(float("nan"), np.empty(0), (), np.empty(0), np.empty((0, 0)), np.empty(0))


def advance(state: TraceState, time_s: FloatArray, temperature_K: FloatArray) -> TraceState:
    """Take the next samples.

    Parameters
    ----------
    state : TraceState                     not changed
    time_s : array, (n,)                   times [s], later than all before
    temperature_K : array, (n,) or (rows, n)   temperatures [K], finite

    Returns    TraceState
    """
    T = np.atleast_2d(temperature_K)
    if not time_s.size:
        return state
    if not state.open_s.size:
        first = T[:, :1].copy()
        state = TraceState(float(time_s[0]), first[:, 0], (), time_s[:1].copy(), first, first[:, 0])
        time_s, T = time_s[1:], T[:, 1:]
        if not time_s.size:
            return state
    peak = np.maximum(state.peak_K, T.max(axis=1))
    t = np.concatenate([state.open_s, time_s])
    T = np.concatenate([state.open_K, T], axis=1)
    closed = _closed(state)
    number = np.arange(closed + 1, int(np.floor((t[-1] - state.start_s) / WINDOW_S)) + 1)
    edges = state.start_s + number * WINDOW_S
    edges = edges[edges <= t[-1]]
    if not edges.size:
        return TraceState(state.start_s, state.start_K, state.mean_K, t, T, peak)
    after = np.searchsorted(t, edges, side="left")
    share = (edges - t[after - 1]) / (t[after] - t[after - 1])
    at_edges = T[:, after - 1] + share * (T[:, after] - T[:, after - 1])
    t_all, T_all = np.insert(t, after, edges), np.insert(T, after, at_edges, axis=1)
    edge_at = after + np.arange(edges.size)
    area = 0.5 * np.diff(t_all) * (T_all[:, 1:] + T_all[:, :-1])
    starts = np.concatenate([[0], edge_at[:-1]])
    sums = np.add.reduceat(area[:, : edge_at[-1]], starts, axis=1)
    return TraceState(
        start_s=state.start_s,
        start_K=state.start_K,
        mean_K=_with(state.mean_K, sums / WINDOW_S),
        open_s=t_all[edge_at[-1] :],
        open_K=T_all[:, edge_at[-1] :],
        peak_K=peak,
    )


def at_end(state: TraceState) -> SteelTrace:
    """The trace up to the newest sample; empty before the first.

    Parameters
    ----------
    state : TraceState                     not changed

    Returns    SteelTrace
    """
    if not state.open_s.size:
        return SteelTrace(np.empty(0), np.empty((1, 0)), np.full(1, np.nan))
    closed = _closed(state)
    middles = state.start_s + (np.arange(closed) + 0.5) * WINDOW_S
    time_s, T = [np.array([state.start_s]), middles], [state.start_K[:, None], *state.mean_K]
    if state.open_s[-1] > state.start_s:
        time_s.append(state.open_s[-1:])
        T.append(state.open_K[:, -1:])
    return SteelTrace(np.concatenate(time_s), np.concatenate(T, axis=1), state.peak_K)


def _closed(state: TraceState) -> int:
    """How many windows are closed."""
    return sum(block.shape[1] for block in state.mean_K)


def _with(blocks: tuple[FloatArray, ...], means_K: FloatArray) -> tuple[FloatArray, ...]:
    """The blocks with the means of the next windows, (rows, n) [K]."""
    if blocks and blocks[-1].shape[1] < BLOCK:
        blocks, means_K = blocks[:-1], np.concatenate([blocks[-1], means_K], axis=1)
    return (*blocks, *(means_K[:, first : first + BLOCK].copy() for first in range(0, means_K.shape[1], BLOCK)))
