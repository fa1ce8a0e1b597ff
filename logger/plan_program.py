"""Program: what an oven is set to, as the run sheet and as the readings that follow from it. Pure."""

from dataclasses import dataclass, replace
from math import log

import numpy as np

from logger.estimate.gaps import ROOM_K, SHORT_COOLING_S
from logger.history import History
from logger.sheet import RunSheet
from logger.sheet_parts import Stage, StageKind
from logger.units import kelvin_from_celsius

COLD_K = kelvin_from_celsius(100.0)
COOLING_STEP_S = 300.0
PROGRAM_STEP_S = 600.0
"""Supposed readings of a program are this far apart: straight lines join its corners exactly."""


@dataclass(frozen=True, slots=True)
class Program:
    """What the oven is set to: climb to ``hold_K`` [K], ``hold_s`` in the pack, then ``diffuse_s`` without it [s]."""

    hold_K: float
    hold_s: float
    diffuse_s: float
    climb_K_per_s: float

    @property
    def climb_s(self) -> float:
        """Time of the climb [s]."""
        return (self.hold_K - ROOM_K) / self.climb_K_per_s

    @property
    def hot_s(self) -> float:
        """Time until the oven is switched off [s]."""
        return self.climb_s + self.hold_s + self.diffuse_s


def sheet_of(sheet: RunSheet, program: Program) -> RunSheet:
    """The run sheet of a program: the piece in its pack, and sealed for as long as the pack is taken away."""
    if program.diffuse_s <= 0.0:
        return replace(sheet, stages=(Stage(StageKind.CARBURIZE),))
    turn_s = program.climb_s + program.hold_s
    return replace(sheet, stages=(Stage(StageKind.CARBURIZE, 0.0, turn_s), Stage(StageKind.DIFFUSE, turn_s)))


def history_of(program: Program, channel: str = "oven") -> History:
    """The oven's readings in a program, until it is cold; it cools by itself.

    Parameters
    ----------
    program : Program
    channel : name of the driving channel

    Returns    History    in true temperatures
    """
    corners = [(ROOM_K, 0.0), (program.hold_K, program.climb_s), (program.hold_K, program.hold_s + program.diffuse_s)]
    hot = program_history(channel, corners)
    if program.diffuse_s > 0.0:
        time_s = np.unique(np.append(hot.time_s, program.climb_s + program.hold_s))
        hot = History(channel, time_s, np.interp(time_s, hot.time_s, hot.temperature_K), hot.interval_s)
    cooling = cooling_readings(program, channel)
    return History(
        channel,
        np.concatenate([hot.time_s, cooling.time_s]),
        np.concatenate([hot.temperature_K, cooling.temperature_K]),
        interval_s=hot.interval_s,
    )


def climb_readings(program: Program, channel: str = "oven") -> History:
    """The oven's readings until it has reached its hold."""
    return program_history(channel, [(ROOM_K, 0.0), (program.hold_K, program.climb_s)])


def cooling_readings(program: Program, channel: str = "oven") -> History:
    """The oven's readings after it has been switched off, until it is cold."""
    cold_s = SHORT_COOLING_S * log((program.hold_K - ROOM_K) / (COLD_K - ROOM_K))
    after_s = np.arange(COOLING_STEP_S, cold_s + COOLING_STEP_S, COOLING_STEP_S)
    cooling_K = ROOM_K + (program.hold_K - ROOM_K) * np.exp(-after_s / SHORT_COOLING_S)
    return History(channel, program.hot_s + after_s, cooling_K, interval_s=PROGRAM_STEP_S)


def program_history(channel: str, corners: list[tuple[float, float]]) -> History:
    """The readings of a program: corners as (temperature [K], seconds after the corner before)."""
    at_s = np.cumsum([after_s for _, after_s in corners])
    corner_K = np.array([temperature_K for temperature_K, _ in corners])
    time_s = np.unique(np.concatenate([np.arange(0.0, at_s[-1], PROGRAM_STEP_S), at_s]))
    time_s = time_s[np.concatenate([[True], np.diff(time_s) > 1.0])]
    return History(channel, time_s, np.interp(time_s, at_s, corner_K), interval_s=PROGRAM_STEP_S)
