"""Hot trace: what the steel went through, in few enough points to judge heats and quenches by, with every fall sharp.

A quench is over in seconds, so means over a quarter of a minute would blunt it. A sample is kept when it lies far
enough from the last kept one, or long enough after it, and with it the sample just before: straight lines between
kept samples then miss no sample by more than the stated distance.
"""

from dataclasses import dataclass

import numpy as np

from logger.units import FloatArray, kelvin_from_celsius

HOT_K = kelvin_from_celsius(450.0)
"""Above this every move of a few kelvin counts for a heat; below it nothing does (our choice)."""

MOVED_HOT_K, MOVED_COLD_K = 2.0, 50.0
"""A sample this far from the last kept one is kept, above and below `HOT_K` (our choice)."""

AFTER_S = 60.0
"""While it is hot, a sample is kept at least this often [s] (our choice: times above a line within seconds)."""


@dataclass(frozen=True, slots=True, eq=False)
class HotTraceState:
    """Kept samples: times (k,) [s], steel temperatures (k,) [K]; and the newest sample, kept or not."""

    time_s: FloatArray
    temperature_K: FloatArray
    last_s: float
    last_K: float


def begin() -> HotTraceState:
    """State before the first sample."""
    return HotTraceState(np.empty(0), np.empty(0), float("nan"), float("nan"))


def advance(state: HotTraceState, time_s: FloatArray, temperature_K: FloatArray) -> HotTraceState:
    """Take the next samples.

    Parameters
    ----------
    state : HotTraceState            not changed
    time_s : array, (n,)             times [s], later than all before
    temperature_K : array, (n,)      steel temperature [K], finite

    Returns    HotTraceState
    """
    if not time_s.size:
        return state
    times, temperatures = time_s.tolist(), temperature_K.tolist()
    kept: list[tuple[float, float]] = []
    if state.time_s.size:
        kept_s, kept_K = float(state.time_s[-1]), float(state.temperature_K[-1])
    else:
        kept_s, kept_K = times[0], temperatures[0]
        kept.append((kept_s, kept_K))
    before_s, before_K = (kept_s, kept_K) if state.last_s != state.last_s else (state.last_s, state.last_K)
    for at_s, at_K in zip(times, temperatures, strict=True):
        hot = at_K > HOT_K or kept_K > HOT_K
        if abs(at_K - kept_K) > (MOVED_HOT_K if hot else MOVED_COLD_K) or (hot and at_s - kept_s >= AFTER_S):
            if before_s > kept_s:
                kept.append((before_s, before_K))
            kept.append((at_s, at_K))
            kept_s, kept_K = at_s, at_K
        before_s, before_K = at_s, at_K
    if not kept:
        return HotTraceState(state.time_s, state.temperature_K, before_s, before_K)
    added = np.array(kept)
    return HotTraceState(
        np.concatenate([state.time_s, added[:, 0]]),
        np.concatenate([state.temperature_K, added[:, 1]]),
        before_s,
        before_K,
    )


def at_end(state: HotTraceState) -> tuple[FloatArray, FloatArray]:
    """Times [s] and temperatures [K] of the kept samples and the newest one, (k,) each; empty before the first."""
    if state.last_s != state.last_s or (state.time_s.size and state.time_s[-1] == state.last_s):
        return state.time_s, state.temperature_K
    return np.append(state.time_s, state.last_s), np.append(state.temperature_K, state.last_K)
