"""History: one channel's temperatures in time order. Gaps are data and are never filled here."""

from dataclasses import dataclass, field

import numpy as np

from logger.errors import Fault, InputFault
from logger.units import FloatArray

GAP_INTERVALS = 5.0
"""A hole longer than this many usual sampling intervals is a gap (our choice; five polls missed in a row)."""

SHORTEST_GAP_S = 30.0
"""Below this no hole matters to steel inside a canister, whatever the sampling (our choice)."""


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch without one good reading, between two good ones (or up to the end of the history)."""

    start_s: float
    end_s: float

    @property
    def duration_s(self) -> float:
        """Length of the gap [s]."""
        return self.end_s - self.start_s


@dataclass(frozen=True, slots=True, eq=False)
class History:
    """The readings of one channel as arrays of equal length, strictly increasing in time.

    Parameters
    ----------
    channel : name of the channel
    time_s : array, shape (n,)            run time [s]
    temperature_K : array, shape (n,)     temperature [K]; NaN where the reading was missing or not to be believed
    interval_s : usual sampling interval [s]: how often the source is polled; 0 when unknown

    Raises   InputFault    unequal lengths, a time that is not finite, times that do not increase
    """

    channel: str
    time_s: FloatArray
    temperature_K: FloatArray
    interval_s: float = 0.0
    good: np.ndarray = field(init=False, repr=False)

    def __post_init__(self) -> None:
        time_s = np.ascontiguousarray(self.time_s, dtype=np.float64)
        temperature_K = np.ascontiguousarray(self.temperature_K, dtype=np.float64)
        if time_s.ndim != 1 or time_s.shape != temperature_K.shape:
            raise InputFault(
                Fault(
                    f"history of {self.channel}",
                    f"{time_s.shape} times and {temperature_K.shape} temperatures",
                    "two flat arrays of equal length",
                )
            )
        if not np.all(np.isfinite(time_s)):
            raise InputFault(Fault(f"history of {self.channel}", "a time that is not finite", "seconds"))
        backwards = np.flatnonzero(np.diff(time_s) <= 0.0)
        if backwards.size:
            at = int(backwards[0])
            raise InputFault(
                Fault(
                    f"history of {self.channel}, reading {at + 2}",
                    f"time {time_s[at + 1]:g} s after {time_s[at]:g} s",
                    "times that increase",
                )
            )
        object.__setattr__(self, "time_s", time_s)
        object.__setattr__(self, "temperature_K", temperature_K)
        object.__setattr__(self, "good", np.isfinite(temperature_K))

    def __len__(self) -> int:
        return int(self.time_s.size)

    def then(self, later: "History") -> "History":
        """This history followed by a later one of the same channel."""
        return History(
            self.channel,
            np.concatenate([self.time_s, later.time_s]),
            np.concatenate([self.temperature_K, later.temperature_K]),
            self.interval_s or later.interval_s,
        )

    def piece(self, first: int, last: int) -> "History":
        """Readings number ``first`` up to but not including ``last``."""
        return History(self.channel, self.time_s[first:last], self.temperature_K[first:last], self.interval_s)

    def gaps(self) -> tuple[Gap, ...]:
        """Every gap: longer than `longest_bridge_s` between one good reading and the next."""
        time_s = self.time_s[self.good]
        holes = np.flatnonzero(np.diff(time_s) > longest_bridge_s(self.interval_s))
        return tuple(Gap(float(time_s[i]), float(time_s[i + 1])) for i in holes)


def longest_bridge_s(interval_s: float) -> float:
    """Longest hole [s] that is bridged without being called a gap, for a usual interval [s] (0: unknown)."""
    return max(SHORTEST_GAP_S, GAP_INTERVALS * interval_s)


def typical_interval_s(time_s: FloatArray) -> float:
    """Median sampling interval [s] of a whole finished trace of times [s], shape (n,); 0 for fewer than two."""
    return float(np.median(np.diff(time_s))) if time_s.size > 1 else 0.0
