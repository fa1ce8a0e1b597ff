"""Trials: what programs come to, one after the other, without bands, while a plan looks for the one that does it.

What they share is worked out once: one canister for all that is held at one temperature, one uptake for all that stay
in the pack equally long. Pure.
"""

from bisect import bisect_right
from dataclasses import dataclass, replace

import numpy as np

from logger.estimate import carbon_problem, load_temperature
from logger.estimate.carbon_problem import HIGHEST_POTENTIAL_WT_PCT, CarbonProblem
from logger.estimate.carbon_result import CarbonMembers
from logger.estimate.grid import COARSE
from logger.estimate.load_temperature import LoadState, SteelSamples
from logger.estimate.supposed_heat import carbon_after, windows_alike
from logger.history import History
from logger.plan_map import Outcomes, outcomes_of, solidus_K
from logger.plan_program import PROGRAM_STEP_S, Program, climb_readings, cooling_readings
from logger.sheet import RunSheet
from logger.sheet_parts import Stage, StageKind
from logger.thermocouple import Thermocouple
from logger.units import FloatArray

TOLERANCE_WT_PCT = 2.5e-3
"""Step tolerance while a hold is looked for, on cells twice as thick: what is told is lived through and put right."""

SETTLED_K = 0.1
"""Steel this near the oven [K] is taken to stay there: the carbon in it moves by a part in a thousand less."""

MARK_READINGS = 6
"""So many readings of a hold are taken before its canister is remembered again."""


@dataclass(frozen=True, slots=True)
class _Mark:
    """The canister at a moment [s] of a hold, and the steel's samples so far."""

    at_s: float
    load: LoadState
    steel: tuple[SteelSamples, ...]


class _Held:
    """The steel in every heat at one temperature, however long it is held there."""

    def __init__(self, sheet: RunSheet, thermocouple: Thermocouple, program: Program) -> None:
        self._problem = load_temperature.problem_from_sheet(sheet, thermocouple=thermocouple)
        self._hold_K = program.hold_K
        load, steel = load_temperature.advance(
            self._problem, load_temperature.begin(self._problem), climb_readings(program)
        )
        self._marks = [_Mark(program.climb_s, load, (steel,))]
        self._settled_s: float | None = None
        self._cooled: dict[float, tuple[FloatArray, FloatArray]] = {}

    def steel(self, program: Program) -> tuple[FloatArray, FloatArray]:
        """Times (n,) [s] and steel temperatures (1, n) [K] of a program at this temperature."""
        self._go_on_to(program.hot_s)
        off_s = program.hot_s if self._settled_s is None else min(program.hot_s, self._settled_s)
        if off_s not in self._cooled:
            self._cooled[off_s] = self._through(replace(program, hold_s=off_s - program.climb_s, diffuse_s=0.0))
        time_s, temperature_K = self._cooled[off_s]
        later_s = program.hot_s - off_s
        if later_s <= 0.0:
            return time_s, temperature_K
        # Nothing moves between settling and switching off: what comes after that comes so much later.
        until = int(np.searchsorted(time_s, off_s, side="right"))
        shifted = np.concatenate([time_s[:until], [program.hot_s], time_s[until:] + later_s])
        held_K = np.array([[float(np.interp(off_s, time_s, temperature_K[0]))]])
        return shifted, np.concatenate([temperature_K[:, :until], held_K, temperature_K[:, until:]], axis=1)

    def _go_on_to(self, off_s: float) -> None:
        while self._settled_s is None and self._marks[-1].at_s < off_s:
            last = self._marks[-1]
            readings_s = last.at_s + PROGRAM_STEP_S * np.arange(1.0, MARK_READINGS + 1.0)
            load, steel = load_temperature.advance(self._problem, last.load, self._readings(readings_s))
            self._marks.append(_Mark(float(readings_s[-1]), load, (*last.steel, steel)))
            behind_K = self._hold_K - float(load_temperature.at_end(self._problem, load).steel_K[0])
            if abs(behind_K) <= SETTLED_K:
                self._settled_s = float(readings_s[-1])

    def _readings(self, time_s: FloatArray) -> History:
        return History("oven", time_s, np.full(time_s.size, self._hold_K), PROGRAM_STEP_S)

    def _through(self, program: Program) -> tuple[FloatArray, FloatArray]:
        """The steel of a program, from the last remembered canister on."""
        mark = self._marks[bisect_right(self._marks, program.hot_s, key=lambda one: one.at_s) - 1]
        held_s = np.arange(mark.at_s + PROGRAM_STEP_S, program.hot_s - 1.0, PROGRAM_STEP_S)
        load, steel = mark.load, list(mark.steel)
        held_s = np.append(held_s, program.hot_s) if program.hot_s > mark.at_s else held_s
        for readings in (self._readings(held_s), cooling_readings(program)):
            load, more = load_temperature.advance(self._problem, load, readings)
            steel.append(more)
        samples = load_temperature.joined([*steel, load_temperature.at_end(self._problem, load).tail])
        return samples.time_s, samples.temperature_K


class Trials:
    """What programs of one piece, pack and canister come to."""

    def __init__(self, sheet: RunSheet, thermocouple: Thermocouple, level_wt_pct: float) -> None:
        self._sheet = replace(sheet, stages=())
        self._thermocouple = thermocouple
        self._level_wt_pct = level_wt_pct
        self._held: dict[float, _Held] = {}
        self._packed: dict[tuple[float, float], CarbonMembers] = {}
        self._in_pack = self._problem(StageKind.CARBURIZE)
        self._sealed = self._problem(StageKind.DIFFUSE)

    def _problem(self, kind: StageKind) -> CarbonProblem:
        problem = carbon_problem.problem_from_sheet(replace(self._sheet, stages=(Stage(kind),)), fineness=COARSE)
        return replace(problem, tolerance_wt_pct=TOLERANCE_WT_PCT)

    def outcome(self, program: Program) -> Outcomes:
        """What a program comes to when cold, arrays of shape ().

        Parameters
        ----------
        program : Program

        Returns    Outcomes
        """
        time_s, temperature_K = self._steel(program)
        packed = self._in_the_pack(program)
        rest = replace(
            self._sealed if program.diffuse_s > 0.0 else self._in_pack,
            start_carbon_wt_pct=packed.carbon_wt_pct[:, 1:-1],
            highest_start_wt_pct=HIGHEST_POTENTIAL_WT_PCT,
        )
        turn_s, end_s = program.climb_s + program.hold_s, float(time_s[-1])
        windows = windows_alike(time_s, temperature_K, (turn_s, program.hot_s, end_s))
        cold = carbon_after(rest, windows, temperature_K[:, -1])
        outcome = outcomes_of(cold, self._level_wt_pct, np.array([self.margin_K(program)]))
        outcome = replace(outcome, coarse_s=outcome.coarse_s + packed.ever.coarsening_s)
        return outcome.each(lambda values: values[0])

    def margin_K(self, program: Program) -> float:
        """How far the richest steel of a program stays from melting [K], negative where it melts.

        The richest and hottest moment is the last one in the pack.
        """
        packed = self._in_the_pack(program)
        margin_K = float(solidus_K(packed.carbon_wt_pct.max(axis=1))[0]) - program.hold_K
        return min(margin_K, -1.0) if packed.ever.liquid_depth_m[0] > 0.0 else margin_K

    def _steel(self, program: Program) -> tuple[FloatArray, FloatArray]:
        if program.hold_K not in self._held:
            self._held[program.hold_K] = _Held(self._sheet, self._thermocouple, program)
        return self._held[program.hold_K].steel(program)

    def _in_the_pack(self, program: Program) -> CarbonMembers:
        """The carbon when the program's time in the pack is over."""
        packed = self._packed.get((program.hold_K, program.hold_s))
        if packed is None:
            time_s, temperature_K = self._steel(program)
            windows = windows_alike(time_s, temperature_K, (float(time_s[0]), program.climb_s + program.hold_s))
            packed = carbon_after(self._in_pack, windows, np.array([program.hold_K]))
            self._packed[program.hold_K, program.hold_s] = packed
        return packed
