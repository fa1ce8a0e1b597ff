"""Time as an interface: the real clock, and one that runs faster for demonstrations and tests."""

import threading
import time
from typing import Protocol


class Clock(Protocol):
    """What the edge needs of time. Schedules use `monotonic_s`, which never goes back; people see `utc_s`."""

    @property
    def speed(self) -> float:
        """How many of its seconds pass in a real one; 1 for real time."""
        ...

    def utc_s(self) -> float:
        """Wall clock [s since 1970-01-01 UTC]."""
        ...

    def monotonic_s(self) -> float:
        """A clock that only goes forward [s]; its zero means nothing."""
        ...

    def wait_until_s(self, monotonic_s: float, stop: threading.Event) -> bool:
        """Wait for a moment [s, monotonic]: True when it came, False when `stop` was set first."""
        ...

    def describe(self) -> str:
        """How this clock runs, in words for the record: empty for real time."""
        ...


LONGEST_WAIT_S = 5.0
"""Waiting is done in pieces of this length [s]: a computer that slept is late for one piece only."""

_BOOT_CLOCK: int | None = getattr(time, "CLOCK_BOOTTIME", None)


class RealClock:
    """The computer's own clocks. Its monotonic clock goes on while the computer sleeps, wherever the system has one."""

    @property
    def speed(self) -> float:
        """Real time."""
        return 1.0

    def utc_s(self) -> float:
        """Wall clock [s since 1970-01-01 UTC]."""
        return time.time()

    def monotonic_s(self) -> float:
        """The computer's monotonic clock [s]."""
        return time.monotonic() if _BOOT_CLOCK is None else time.clock_gettime(_BOOT_CLOCK)

    def wait_until_s(self, monotonic_s: float, stop: threading.Event) -> bool:
        """Wait for a moment [s, monotonic]: True when it came, False when `stop` was set first."""
        while (left_s := monotonic_s - self.monotonic_s()) > 0.0:
            if stop.wait(min(left_s, LONGEST_WAIT_S)):
                return False
        return not stop.is_set()

    def describe(self) -> str:
        """Nothing to say: this is real time."""
        return ""


class FastClock:
    """A clock that runs `speed` times faster than real time; it starts at the real time of its creation.

    Only what is scheduled runs faster. Deadlines on a port stay in real time: the wire is not any faster.
    """

    def __init__(self, speed: float, start_utc_s: float | None = None) -> None:
        if not speed > 0.0:
            raise ValueError(f"speed: found {speed:g}, expected more than 0")
        self._speed = speed
        self._start_utc_s = time.time() if start_utc_s is None else start_utc_s
        self._start_monotonic_s = time.monotonic() * speed

    @property
    def speed(self) -> float:
        """How many simulated seconds pass in a real one."""
        return self._speed

    def utc_s(self) -> float:
        """Simulated wall clock [s since 1970-01-01 UTC]."""
        return self._start_utc_s + (self.monotonic_s() - self._start_monotonic_s)

    def monotonic_s(self) -> float:
        """The computer's monotonic clock, sped up [s]: it goes on through a restart of the process."""
        return time.monotonic() * self._speed

    def wait_until_s(self, monotonic_s: float, stop: threading.Event) -> bool:
        """Wait for a simulated moment [s, monotonic]: True when it came, False when `stop` was set first."""
        return not stop.wait(max(0.0, (monotonic_s - self.monotonic_s()) / self._speed))

    def describe(self) -> str:
        """How this clock runs, for the record and the screen."""
        return f"simulated, {self._speed:g} times real time"
