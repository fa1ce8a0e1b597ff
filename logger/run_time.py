"""Run time: seconds since a run began, steady through clock corrections, restarts and reboots.

Run time follows the machine's steady clock, never the wall clock, so that a corrected wall clock neither stretches
nor shrinks a soak. Across a restart on the same boot the steady clock still counts; across a reboot only the wall
clock knows how long it was, and the result says how far it can be trusted. Pure: moments come in as values.
"""

from dataclasses import dataclass
from math import inf, isfinite

JUMP_S = 2.0
"""A wall clock that moves this much against the steady clock between two moments has jumped (our choice: well above
the slewing of a disciplined clock between two polls, well below anything that matters to a soak)."""

SLEW_PER_S = 5e-4
"""Fastest rate at which a time service slews a clock without stepping it (common practice, no source: 500 ppm)."""


@dataclass(frozen=True, slots=True)
class Moment:
    """One instant on both clocks: ``utc_s`` wall clock, ``monotonic_s`` steady clock, ``boot`` names the boot."""

    utc_s: float
    monotonic_s: float
    boot: str = ""


def clock_jump_s(earlier: Moment, later: Moment, jump_s: float = JUMP_S) -> float:
    """How far the wall clock stepped [s] between two moments of one boot, forwards positive; 0 where it did not.

    Slow slewing is not a step: the limit grows by `SLEW_PER_S` with the time between the moments. Moments of
    different boots cannot be compared and give 0.
    """
    if earlier.boot != later.boot:
        return 0.0
    steady_s = later.monotonic_s - earlier.monotonic_s
    step_s = (later.utc_s - earlier.utc_s) - steady_s
    return step_s if abs(step_s) > jump_s + SLEW_PER_S * abs(steady_s) else 0.0


@dataclass(frozen=True, slots=True)
class Timeline:
    """Turns the steady clock of one daemon process into run time: ``time_s`` at ``monotonic_s``, then 1 s per s."""

    time_s: float
    monotonic_s: float

    def at(self, monotonic_s: float) -> float:
        """Run time [s] at a reading of the steady clock [s]."""
        return self.time_s + (monotonic_s - self.monotonic_s)


@dataclass(frozen=True, slots=True)
class Resumption:
    """A run taken up again.

    ``timeline`` continues run time; ``gap_s`` is the time nobody watched [s], certainly between ``gap_low_s`` and
    ``gap_high_s`` (``inf`` where nothing bounds it); ``why`` says in words what that rests on.
    """

    timeline: Timeline
    gap_s: float
    gap_low_s: float
    gap_high_s: float
    why: str

    @property
    def certain(self) -> bool:
        """Whether the length of the gap is known to better than a clock jump."""
        return isfinite(self.gap_high_s) and self.gap_high_s - self.gap_low_s <= 2.0 * JUMP_S


def resume(last_time_s: float, last: Moment, now: Moment) -> Resumption:
    """Continue a run whose last reading was at run time ``last_time_s`` [s], taken at moment ``last``."""
    if last.boot and last.boot == now.boot and now.monotonic_s >= last.monotonic_s:
        gap_s = now.monotonic_s - last.monotonic_s
        return Resumption(
            Timeline(last_time_s + gap_s, now.monotonic_s),
            gap_s,
            gap_s,
            gap_s,
            "the machine did not restart: its steady clock measured the gap",
        )
    gap_s = now.utc_s - last.utc_s
    if gap_s > 0.0:
        return Resumption(
            Timeline(last_time_s + gap_s, now.monotonic_s),
            gap_s,
            0.0,
            inf,
            "the machine restarted: the gap is as long as its wall clock says",
        )
    return Resumption(
        Timeline(last_time_s, now.monotonic_s),
        0.0,
        0.0,
        inf,
        f"the machine restarted and its wall clock went back {-gap_s:.0f} s: the length of the gap is not known",
    )
