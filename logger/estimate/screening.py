"""Which readings are believed: blanks are left out, single jumps that come straight back are spikes.

A jump is only judged when the next good reading is there, so the verdict is the same live and later.
"""

from dataclasses import dataclass, replace

import numpy as np

from logger.history import History
from logger.units import FloatArray

JUMP_K = 10.0
"""A change smaller than this is never a spike (our choice; such a spike lasts one reading and does nothing)."""

FASTEST_OVEN_K_PER_S = 0.5
"""Allowed on top of it for each second between readings: 30 K/min, faster than most ovens climb (our choice)."""

COLDEST_BELIEVED_K, HOTTEST_BELIEVED_K = 200.0, 1900.0
"""Readings outside are not oven temperatures at all (our choice; -73 C and 1627 C)."""


@dataclass(frozen=True, slots=True)
class SpikeMark:
    """A good reading left out because the one before and the one after disown it."""

    time_s: float
    temperature_K: float


@dataclass(frozen=True, slots=True, eq=False)
class ScreenState:
    """Last believed reading and those that wait for the next one.

    ``waiting_s``, ``waiting_K`` hold the readings not yet judged; with ``anchored`` the first of them is believed and
    already handed on. ``seen_s`` is the time of the newest reading of any quality, ``first_s`` of the oldest.
    """

    waiting_s: FloatArray
    waiting_K: FloatArray
    anchored: bool = False
    first_s: float = float("nan")
    seen_s: float = float("-inf")
    spikes: tuple[SpikeMark, ...] = ()
    late_readings: int = 0
    unbelievable_readings: int = 0


def begin() -> ScreenState:
    """State before the first reading."""
    return ScreenState(np.empty(0), np.empty(0))


def advance(state: ScreenState, history: History) -> tuple[ScreenState, FloatArray, FloatArray]:
    """Judge the next readings.

    Parameters
    ----------
    state : ScreenState
    history : the next readings of the channel; those not later than all before are counted and left out

    Returns    new state, times (n,) [s], temperatures (n,) [K] of the readings newly believed
    """
    time_s, temperature_K = history.time_s, history.temperature_K
    late = 0
    if time_s.size and time_s[0] <= state.seen_s:
        late = int(np.searchsorted(time_s, state.seen_s, side="right"))
        time_s, temperature_K = time_s[late:], temperature_K[late:]
    if not time_s.size:
        return replace(state, late_readings=state.late_readings + late), np.empty(0), np.empty(0)
    good = np.isfinite(temperature_K)
    believable = good & (temperature_K > COLDEST_BELIEVED_K) & (temperature_K < HOTTEST_BELIEVED_K)
    unbelievable = int(np.count_nonzero(good)) - int(np.count_nonzero(believable))
    t = np.concatenate([state.waiting_s, time_s[believable]])
    x = np.concatenate([state.waiting_K, temperature_K[believable]])
    keep, judged, anchored, spikes = _judge(t, x, state.anchored)
    handed_on = 1 if state.anchored else 0
    new = np.flatnonzero(keep[handed_on:judged]) + handed_on
    # The last believed reading stays in front of those still waiting: the next one is compared with it.
    front = int(np.flatnonzero(keep[:judged])[-1]) if anchored else -1
    stay = np.arange(judged, t.size) if front < 0 else np.concatenate([[front], np.arange(judged, t.size)])
    stay = stay.astype(np.intp)
    return (
        ScreenState(
            waiting_s=t[stay],
            waiting_K=x[stay],
            anchored=anchored,
            first_s=state.first_s if state.first_s == state.first_s else float(time_s[0]),
            seen_s=float(time_s[-1]),
            spikes=state.spikes + tuple(SpikeMark(float(t[i]), float(x[i])) for i in spikes),
            late_readings=state.late_readings + late,
            unbelievable_readings=state.unbelievable_readings + unbelievable,
        ),
        t[new],
        x[new],
    )


def provisional(state: ScreenState) -> tuple[FloatArray, FloatArray]:
    """The very first reading (time [s], temperature [K], each (0,) or (1,)) while nothing confirms it yet."""
    if state.anchored or not state.waiting_s.size:
        return np.empty(0), np.empty(0)
    return state.waiting_s[:1], state.waiting_K[:1]


def _judge(t: FloatArray, x: FloatArray, anchored: bool) -> tuple[np.ndarray, int, bool, list[int]]:
    """Which readings to keep; how many are judged; whether one is believed by now; which are spikes."""
    n = t.size
    keep = np.zeros(n, dtype=bool)
    spikes: list[int] = []
    allowed_K = JUMP_K + FASTEST_OVEN_K_PER_S * np.diff(t)
    jumps = np.flatnonzero(np.abs(np.diff(x)) > allowed_K) + 1
    if not anchored:
        if n < 2 or (jumps.size and jumps[0] == 1 and n < 3):
            return keep, 0, False, spikes
        # A first reading that the next two agree to disown is a spike.
        start = 1 if jumps.size and jumps[0] == 1 and not (jumps.size > 1 and jumps[1] == 2) else 0
        if start:
            spikes.append(0)
    else:
        start = 0
    keep[start] = True
    anchor, i = start, start + 1

    def jumps_off(index: int, from_index: int) -> bool:
        return bool(abs(x[index] - x[from_index]) > JUMP_K + FASTEST_OVEN_K_PER_S * (t[index] - t[from_index]))

    while i < n:
        if anchor == i - 1:
            at = int(np.searchsorted(jumps, i))
            j = int(jumps[at]) if at < jumps.size else n
            if j > i:
                keep[i:j] = True
                anchor, i = j - 1, j
                continue
        elif not jumps_off(i, anchor):
            keep[i] = True
            anchor, i = i, i + 1
            continue
        if i + 1 >= n:
            return keep, i, True, spikes
        if abs(x[i + 1] - x[anchor]) < abs(x[i + 1] - x[i]):
            spikes.append(i)
            i += 1
        else:
            keep[i] = True
            anchor, i = i, i + 1
    return keep, n, True, spikes
