"""Gaps: what the oven can have done while nobody was looking, as a straight line and two extremes.

The straight line between the readings on either side is the nominal course. The high course keeps the oven on: up to
the hottest plausible level as fast as this oven was seen to climb, and down to the reading after the gap as late as
possible. The low course switches it off: it cools as fast as this oven was seen to cool, and climbs back as late as
possible.
"""

from dataclasses import dataclass, field
from math import isfinite, log

import numpy as np

from logger.units import FloatArray, kelvin_from_celsius

ROOM_K = kelvin_from_celsius(20.0)
FAST_CLIMB_K_PER_S = 20.0 / 60.0
"""Climb of an oven never seen climbing: 20 K/min, a small empty oven at full power (common practice, no source)."""

SHORT_COOLING_S = 3600.0
"""Cooling time constant of an oven never seen cooling: 950 to 600 C in half an hour, faster than a closed oven
with a load (common practice, no source)."""

MARGIN = 1.25
"""What the oven was seen to do may be beaten by a quarter (our choice)."""

HOTTEST_OVEN_K = kelvin_from_celsius(1300.0)
"""Where a climb of unknown aim must end: common limit of resistance wire (common practice, no source)."""

SPAN_S = 300.0
"""Rates of climbing and cooling are read off over at least this long (our choice)."""

STILL_CLIMBING_K_PER_S = 1.0 / 60.0
COOLING_SEEN_K = 20.0
PIECE_S, MOST_PIECES = 60.0, 240


@dataclass(frozen=True, slots=True, eq=False)
class Courses:
    """Low, nominal and high course of the oven through a gap: temperatures [K] at ``time_s`` (n,) [s]."""

    time_s: FloatArray
    low_K: FloatArray
    nominal_K: FloatArray
    high_K: FloatArray

    def for_members(self, position: FloatArray) -> FloatArray:
        """Courses (m, n) [K] of members whose ``position`` (m,) [-] is low (-1), nominal (0), high (+1) or between."""
        up = np.maximum(position, 0.0)[:, None] * (self.high_K - self.nominal_K)
        down = np.minimum(position, 0.0)[:, None] * (self.nominal_K - self.low_K)
        return self.nominal_K + up + down


@dataclass(frozen=True, slots=True)
class GapMark:
    """A stretch of the driving channel without a good reading.

    ``bridged``: short, taken as a straight line and nothing more. Else ``low_K`` and ``high_K`` are the lowest and
    highest the oven can have been in it [K] (NaN before the first good reading), by the ``courses`` it can have taken.
    ``is_open``: no good reading since.
    """

    start_s: float
    end_s: float
    bridged: bool
    low_K: float
    high_K: float
    is_open: bool = False
    courses: Courses | None = field(default=None, compare=False, repr=False)

    @property
    def duration_s(self) -> float:
        """Length of the gap [s]."""
        return self.end_s - self.start_s


@dataclass(frozen=True, slots=True)
class Habits:
    """What this oven was seen to do so far: fastest climb [K/s], fastest cooling [1/s], how it moves now [K/s]."""

    climb_K_per_s: float = 0.0
    cooling_per_s: float = 0.0
    now_K_per_s: float = 0.0
    hottest_K: float = 0.0
    knot_s: float = float("nan")
    knot_K: float = float("nan")


def habits_after(habits: Habits, time_s: FloatArray, temperature_K: FloatArray) -> Habits:
    """Habits of the oven after more good readings without a gap among or before them.

    Parameters
    ----------
    habits : what was seen before
    time_s, temperature_K : arrays, (n,)   the next believed readings [s], [K]

    Returns    Habits
    """
    if not time_s.size:
        return habits
    climb, cooling, now = habits.climb_K_per_s, habits.cooling_per_s, habits.now_K_per_s
    knot_s, knot_K = habits.knot_s, habits.knot_K
    if not isfinite(knot_s):
        knot_s, knot_K = float(time_s[0]), float(temperature_K[0])
    while (j := int(np.searchsorted(time_s, knot_s + SPAN_S))) < time_s.size:
        rate_K_per_s = (float(temperature_K[j]) - knot_K) / (float(time_s[j]) - knot_s)
        now, climb = rate_K_per_s, max(climb, rate_K_per_s)
        if knot_K - float(temperature_K[j]) > COOLING_SEEN_K:
            middle_K = 0.5 * (float(temperature_K[j]) + knot_K)
            cooling = max(cooling, -rate_K_per_s / max(middle_K - ROOM_K, 1.0))
        knot_s, knot_K = float(time_s[j]), float(temperature_K[j])
    return Habits(climb, cooling, now, max(habits.hottest_K, float(temperature_K.max())), knot_s, knot_K)


def piece_times_s(start_s: float, end_s: float) -> FloatArray:
    """Times [s] that cut a gap into pieces of a minute or, in a very long one, `MOST_PIECES`; without its start."""
    pieces = int(min(max(np.ceil((end_s - start_s) / PIECE_S), 1), MOST_PIECES))
    return start_s + (end_s - start_s) * (np.arange(1, pieces + 1) / pieces)


def courses(
    habits: Habits, start_s: float, start_K: float, end_s: float, end_K: float | None, aim_K: float | None
) -> Courses:
    """The three courses through a gap.

    Parameters
    ----------
    habits : what this oven was seen to do before the gap
    start_s, start_K : last good reading before it [s], [K]
    end_s : first good reading after it, or the end of the history if there is none yet [s]
    end_K : that reading [K]; None while the gap is still open
    aim_K : temperature the sheet says the oven is meant to reach [K], if it says so

    Returns    Courses                     from just after the gap's start up to and including its end
    """
    t = piece_times_s(start_s, end_s)
    duration_s = end_s - start_s
    climb = MARGIN * habits.climb_K_per_s if habits.climb_K_per_s > STILL_CLIMBING_K_PER_S else FAST_CLIMB_K_PER_S
    cooling = MARGIN * habits.cooling_per_s if habits.cooling_per_s > 0.0 else 1.0 / SHORT_COOLING_S
    climbing = habits.now_K_per_s > STILL_CLIMBING_K_PER_S
    falling = habits.now_K_per_s < -STILL_CLIMBING_K_PER_S
    room_K = min(ROOM_K, start_K, ROOM_K if end_K is None else end_K) - 1e-3

    level_K = start_K if end_K is None else max(start_K, end_K)
    if aim_K is not None and not falling:
        level_K = max(level_K, aim_K)
    elif climbing and (end_K is None or end_K < start_K):
        level_K = max(level_K, HOTTEST_OVEN_K)
    elif not climbing and not falling:
        level_K = max(level_K, habits.hottest_K)

    if end_K is None:
        nominal = np.full(t.size, start_K)
        low = room_K + (start_K - room_K) * np.exp(-cooling * (t - start_s))
        high = np.minimum(start_K + climb * (t - start_s), level_K)
        return Courses(t, np.minimum(low, nominal), nominal, np.maximum(high, nominal))

    # Whatever was seen before, the oven did get from one reading to the other.
    climb = max(climb, (end_K - start_K) / duration_s)
    if end_K < start_K:
        cooling = max(cooling, log((start_K - room_K) / (end_K - room_K)) / duration_s)
    nominal = start_K + (end_K - start_K) * ((t - start_s) / duration_s)
    off = room_K + (start_K - room_K) * np.exp(-cooling * (t - start_s))
    back_on = end_K - climb * (end_s - t)
    # Capped where the exponential would overflow; far above any level by then.
    longest_s = log(max((2.0 * HOTTEST_OVEN_K - room_K) / (end_K - room_K), 1.0 + 1e-9)) / cooling
    off_late = room_K + (end_K - room_K) * np.exp(cooling * np.minimum(end_s - t, longest_s))
    high = np.minimum(np.minimum(start_K + climb * (t - start_s), level_K), off_late)
    low = np.maximum(off, back_on)
    low[-1] = nominal[-1] = high[-1] = end_K
    return Courses(t, np.minimum(low, nominal), nominal, np.maximum(high, nominal))
