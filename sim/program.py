"""A ramp and soak program: what set point the simulated controller follows, segment by segment. Pure.

A program is a list of segments. `ramp` moves the set point to a temperature, at a rate or at once; `soak` keeps it
for a time; `off` ends the heat with the heater off. A ramp waits while the oven lags more than the wait band, so
that a slow oven is not left behind by its own program.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sim.errors import BadInput
from sim.thermocouple import ZERO_CELSIUS_K


@dataclass(frozen=True, slots=True)
class Ramp:
    """Move the set point to `to_K` [K] at `rate_K_per_s` [K/s]; at once when the rate is None."""

    to_K: float
    rate_K_per_s: float | None = None


@dataclass(frozen=True, slots=True)
class Soak:
    """Keep the set point where it is for `duration_s` [s]."""

    duration_s: float


@dataclass(frozen=True, slots=True)
class Off:
    """Heater off until the end of the run, or for `duration_s` [s] if more segments follow."""

    duration_s: float | None = None


Segment = Ramp | Soak | Off


@dataclass(frozen=True, slots=True)
class Program:
    """Segments in order and the wait band of the ramps [K]; 0 never waits."""

    segments: tuple[Segment, ...]
    wait_band_K: float = 30.0

    def __post_init__(self) -> None:
        for number, segment in enumerate(self.segments, start=1):
            where = f"program: segment {number}"
            if isinstance(segment, Ramp):
                if not 0 < segment.to_K < 1673.15:
                    raise BadInput(f"{where}: to_C", f"{segment.to_K - ZERO_CELSIUS_K:g}", "-273 to 1400 C")
                if segment.rate_K_per_s is not None and not segment.rate_K_per_s > 0:
                    raise BadInput(f"{where}: rate_C_per_h", f"{segment.rate_K_per_s * 3600:g}", "more than 0")
            elif segment.duration_s is not None and not segment.duration_s >= 0:
                raise BadInput(f"{where}: hours", f"{segment.duration_s / 3600:g}", "0 or more")


@dataclass(frozen=True, slots=True)
class ProgramState:
    """Where a program is.

    set_point_K    now [K]; the heater is off when `running` is False
    segment        index of the running segment; the number of segments when the program is over
    elapsed_s      time spent in this segment [s]
    waiting        whether a ramp is waiting for the oven
    """

    set_point_K: float
    segment: int = 0
    elapsed_s: float = 0.0
    waiting: bool = False
    running: bool = True


def begin(program: Program, oven_K: float) -> ProgramState:
    """The program at its start, the set point at the oven's temperature [K]."""
    return ProgramState(oven_K, running=bool(program.segments))


def advance(program: Program, state: ProgramState, oven_K: float, duration_s: float) -> ProgramState:
    """The program `duration_s` [s] later, the oven being at `oven_K` [K]; time left over goes to the next segment."""
    set_point, index, elapsed = state.set_point_K, state.segment, state.elapsed_s
    left, waiting, running = duration_s, False, False
    while index < len(program.segments):
        segment = program.segments[index]
        running = not isinstance(segment, Off)
        if isinstance(segment, Ramp):
            distance = segment.to_K - set_point
            behind = (set_point - oven_K) * (1 if distance >= 0 else -1)
            if segment.rate_K_per_s is None:
                set_point, needed = segment.to_K, 0.0
            elif program.wait_band_K > 0 and distance != 0 and behind > program.wait_band_K:
                waiting = True
                elapsed += left
                break
            else:
                needed = abs(distance) / segment.rate_K_per_s
                if needed > left:
                    set_point += (1 if distance > 0 else -1) * segment.rate_K_per_s * left
                    elapsed += left
                    break
                set_point = segment.to_K
        else:
            needed = float("inf") if segment.duration_s is None else segment.duration_s - elapsed
            if needed > left:
                elapsed += left
                break
        left -= needed
        index, elapsed = index + 1, 0.0
    return ProgramState(set_point, index, elapsed, waiting, running and index < len(program.segments))


def time_left_s(program: Program, state: ProgramState) -> float:
    """Time left in the running segment if nothing waits [s]; 0 after the end and for an endless `off`."""
    if state.segment >= len(program.segments):
        return 0.0
    segment = program.segments[state.segment]
    if isinstance(segment, Ramp):
        if segment.rate_K_per_s is None:
            return 0.0
        return abs(segment.to_K - state.set_point_K) / segment.rate_K_per_s
    return 0.0 if segment.duration_s is None else max(0.0, segment.duration_s - state.elapsed_s)


_KEYS = {"ramp": {"kind", "to_C", "rate_C_per_h"}, "soak": {"kind", "hours"}, "off": {"kind", "hours"}}


def program_from_table(table: Mapping[str, Any], where: str = "program") -> Program:
    """A program from a TOML table: `[[segment]]` with kind "ramp" (to_C, rate_C_per_h), "soak" (hours), "off" (hours).

    Raises    BadInput    an unknown key or kind, a missing or unusable value; names the segment
    """
    entries = table.get("segment", [])
    if not isinstance(entries, Sequence) or not entries:
        raise BadInput(f"{where}: segment", repr(entries), "one or more [[segment]] tables")
    segments: list[Segment] = []
    for number, entry in enumerate(entries, start=1):
        here = f"{where}: segment {number}"
        if not isinstance(entry, Mapping):
            raise BadInput(here, repr(entry), "a table")
        kind = entry.get("kind")
        if kind not in _KEYS:
            raise BadInput(f"{here}: kind", repr(kind), '"ramp", "soak" or "off"')
        for key in entry:
            if key not in _KEYS[kind]:
                raise BadInput(f"{here}: {key}", "an unknown key", ", ".join(sorted(_KEYS[kind] - {"kind"})))
        if kind == "ramp":
            rate = _number(entry, "rate_C_per_h", here, optional=True)
            to_C = _number(entry, "to_C", here)
            assert to_C is not None
            segments.append(Ramp(to_C + ZERO_CELSIUS_K, None if rate is None else rate / 3600.0))
        elif kind == "soak":
            hours = _number(entry, "hours", here)
            assert hours is not None
            segments.append(Soak(hours * 3600.0))
        else:
            hours = _number(entry, "hours", here, optional=True)
            segments.append(Off(None if hours is None else hours * 3600.0))
    wait = _number(table, "wait_band_C", where, optional=True)
    return Program(tuple(segments), 30.0 if wait is None else wait)


def _number(table: Mapping[str, Any], key: str, where: str, *, optional: bool = False) -> float | None:
    value = table.get(key)
    if value is None and optional:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise BadInput(f"{where}: {key}", "nothing" if value is None else repr(value), "a number")
    return float(value)
