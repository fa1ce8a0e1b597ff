"""Heat treatment: what a piece comes to when it is quenched and tempered, judged from its carbon and its history.

Brings together what the solvers found and the published formulas: temperatures for this carbon and alloy, the quenched
section, which baths are fast enough, what the logged heats did, and what a temper still needs. Pure; nothing here steps
through time.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import inf, isfinite, nan
from typing import Final

import numpy as np

from logger.errors import InputFault, OutOfRange
from logger.estimate import profile_tempering
from logger.estimate.carbon_depths import OUTER_PART
from logger.estimate.carbon_result import CarbonResult
from logger.estimate.hardening import SectionHardness, section_hardness
from logger.estimate.heats import Cooling, Heat, HeatsJudgement, judge_heats
from logger.estimate.profile_tempering import TemperedSection
from logger.estimate.stages import StageSeen, StageSeenKind
from logger.estimate.temper_ahead import temperature_to_target_K, time_to_target_s
from logger.estimate.tempering import TemperingProblem, TemperingState
from logger.remark import Remark
from logger.sheet import RunSheet
from logger.sheet_parts import Bath, Quantity, Quench, StageKind
from logger.steel.critical_points import (
    CriticalPoints,
    Window,
    ac1_K,
    austenitizing_window,
    critical_points,
    normalizing_window,
)
from logger.steel.hardenability import COMPOSITION_WT_PCT, Hardening, hardens_through
from logger.steel.martensite import MOST_CARBON_WT_PCT, MartensiteStart, martensite_start
from logger.steel.tempering import HARDNESS_RMS_HRC
from logger.units import FloatArray

RICHEST_WT_PCT: Final = MOST_CARBON_WT_PCT - 0.02
"""Critical points are told for steel; a skin beyond this is cast iron and is ground off first."""

USUAL_HOLDS_S: Final = (3600.0, 7200.0)
"""Which temperature does it is told for these holds, where the sheet names none (common practice: 1 to 2 h)."""

COLD_TEMPER_K: Final = 373.15
"""A steel colder than this is not being tempered."""


class QuenchKnown(StrEnum):
    """Where the temperature before the quench is from."""

    LOGGED = "seen in the log"
    STATED = "stated on the sheet"
    SUPPOSED = "supposed, the middle of the window for hardening"


@dataclass(frozen=True, slots=True)
class SteelPoints:
    """What one place of the piece asks for.

    ``place`` is "case" (richest, near the face), "richest place", "core" or "throughout". ``martensite`` is the start
    for the carbon in solution at the quench, None where no quench is known. ``clipped``: the carbon is beyond steel's,
    the numbers are for the most of it.
    """

    place: str
    carbon_wt_pct: float
    points: CriticalPoints
    harden: Window
    normalize: Window
    martensite: MartensiteStart | None
    clipped: bool


@dataclass(frozen=True, slots=True)
class BathAnswer:
    """Whether a bath is fast enough for the section: an answer, or why none can be given."""

    bath: Bath
    hardening: Hardening | None
    refusal: Remark | None = None


@dataclass(frozen=True, slots=True)
class TemperAhead:
    """What a temper still needs to a target (number ``target`` on the sheet).

    ``left_s`` at ``hold_K``: (early, expected, late) [s], infinite where that temperature does not do it; None where
    nothing is being held. ``temperatures``: hold [s] and (low, expected, high) [K], not a number where that cannot be.
    Early and late are the fit's band of the hardness; for a parameter all three are the same.
    """

    target: int
    hold_K: float
    left_s: tuple[float, float, float] | None
    temperatures: tuple[tuple[float, tuple[float, float, float]], ...]


@dataclass(frozen=True, slots=True, eq=False)
class HeatTreatment:
    """What the piece comes to.

    ``quench_K`` is the steel's temperature before the quench [K] and ``known`` where that is from; ``quenched`` whether
    the log shows a quench. ``section`` as quenched, ``tempered`` after the temper of this run, None where there is
    none.
    ``baths`` are asked for the richest carbon through the whole section, ``bath_carbon_wt_pct`` in solution [wt%].
    ``heats`` is None where the history is not of that kind. ``refusals`` name what could not be worked out.
    """

    steels: tuple[SteelPoints, ...]
    quench_K: float
    known: QuenchKnown
    quenched: bool
    bath: Bath | None
    section: SectionHardness | None
    tempered: TemperedSection | None
    baths: tuple[BathAnswer, ...]
    bath_carbon_wt_pct: float
    heats: HeatsJudgement | None
    temper_ahead: tuple[TemperAhead, ...]
    refusals: tuple[Remark, ...]


def heats_seen(sheet: RunSheet, time_s: FloatArray, temperature_K: FloatArray, carbon_wt_pct: float) -> HeatsJudgement:
    """The heats of a run, judged for a carbon.

    Parameters
    ----------
    sheet : RunSheet                      its alloy, its stages, and when the piece was taken out
    time_s, temperature_K : arrays (k,)   the hot trace [s], [K]
    carbon_wt_pct : float                 carbon to judge for [wt%]; held to what steel can have

    Returns    HeatsJudgement
    """
    meant = [stage for stage in sheet.stages if stage.kind in (StageKind.NORMALIZE, StageKind.AUSTENITIZE)]
    from_s = min((stage.from_s for stage in meant), default=-inf)
    quench = sheet.quench or Quench()
    last_s = float(time_s[-1]) if time_s.size else -inf
    part = time_s >= from_s
    return judge_heats(
        time_s[part],
        temperature_K[part],
        min(carbon_wt_pct, RICHEST_WT_PCT),
        sheet.piece.alloy_wt_pct,
        taken_out_s=[at_s for at_s in quench.taken_out_s if at_s <= last_s],
        quenched_s=quench.at_s if quench.at_s is not None and quench.at_s <= last_s else None,
    )


def is_hard(heats: Sequence[Heat], begins_hard: bool) -> bool:
    """Whether the piece is hard: its last heat ended in a quench; without any heat, whether it was hard before."""
    return heats[-1].cooling is Cooling.QUENCH if heats else begins_hard


def treated(
    sheet: RunSheet,
    carbon: CarbonResult,
    heats: HeatsJudgement,
    stages: Sequence[StageSeen],
    steel_K: float,
    temper: tuple[TemperingProblem, TemperingState] | None,
    reached: Sequence[bool] = (),
) -> HeatTreatment | None:
    """What a piece comes to, at one moment of its run.

    Parameters
    ----------
    sheet : RunSheet
    carbon : CarbonResult              the profile now
    heats : HeatsJudgement             from `heats_seen`
    stages : sequence of StageSeen     recognised or stated
    steel_K : float                    the steel's temperature now [K]
    temper : problem and state of the temper, None where the piece is not hard
    reached : for each target of the sheet, whether it is met; empty: none is

    Returns    HeatTreatment, or None where the run neither hardens nor tempers anything
    Source     `logger.steel` and the modules beside this one
    """
    ahead = () if temper is None else _ahead(sheet, carbon, stages, steel_K, *temper, reached)
    quench = sheet.quench
    uneven = profile_tempering.varies(sheet)
    if not (uneven or quench is not None or heats.heats):
        if not ahead:
            return None
        return HeatTreatment((), nan, QuenchKnown.SUPPOSED, False, None, None, None, (), nan, None, ahead, ())
    quench = quench or Quench()
    alloy, profile = sheet.piece.alloy_wt_pct, carbon.carbon_wt_pct
    refusals: list[Remark] = []
    richest = float(profile.max())
    window = austenitizing_window(min(richest, RICHEST_WT_PCT), alloy)
    supposed_K = 0.5 * (window.low_K + window.high_K)
    quenches = [heat for heat in heats.heats if heat.cooling is Cooling.QUENCH]
    quench_K, known = supposed_K, QuenchKnown.SUPPOSED
    if quenches:
        quench_K, known = quenches[-1].left_K, QuenchKnown.LOGGED
    elif quench.from_K is not None:
        quench_K, known = quench.from_K, QuenchKnown.STATED
    section, quench_K, known = _section(sheet, quench, carbon, quench_K, known, supposed_K, refusals)
    in_solution = float(section.carbon_in_solution_wt_pct[int(np.argmax(profile))])
    size_m = quench.section_m or sheet.piece.size_m
    asked = list(Bath) if quench.bath is None else [quench.bath]
    tempered = None
    if temper is not None and uneven:
        ferrite = np.maximum(1.0 - section.austenite_share - section.cementite_share, 0.0)
        solution = section.carbon_in_solution_wt_pct
        tempered = profile_tempering.across(*temper, solution, section.hardness_HRC, ferrite, alloy)
    return HeatTreatment(
        steels=_steels(sheet, carbon, section),
        quench_K=quench_K,
        known=known,
        quenched=bool(quenches),
        bath=quench.bath,
        section=section,
        tempered=tempered,
        baths=tuple(_bath(sheet, size_m, in_solution, bath) for bath in asked),
        bath_carbon_wt_pct=min(in_solution, COMPOSITION_WT_PCT["C"][1]),
        heats=heats if _judged(sheet, heats) else None,
        temper_ahead=ahead,
        refusals=tuple(refusals),
    )


def _judged(sheet: RunSheet, heats: HeatsJudgement) -> bool:
    """Whether the heats are to be judged as normalizing and hardening: a heat in a pack is neither."""
    meant = any(stage.kind in (StageKind.NORMALIZE, StageKind.AUSTENITIZE) for stage in sheet.stages)
    packed = sheet.pack is not None or any(stage.pack is not None for stage in sheet.stages)
    quenched = any(heat.cooling is Cooling.QUENCH for heat in heats.heats)
    return bool(heats.heats) and (meant or quenched or not packed)


def _section(
    sheet: RunSheet,
    quench: Quench,
    carbon: CarbonResult,
    quench_K: float,
    known: QuenchKnown,
    supposed_K: float,
    refusals: list[Remark],
) -> tuple[SectionHardness, float, QuenchKnown]:
    """The quenched section; from the middle of the window where it cannot be given for the temperature itself."""
    alloy = sheet.piece.alloy_wt_pct
    depth, profile = _distinct(carbon.depth_m, carbon.carbon_wt_pct)
    try:
        return section_hardness(depth, profile, alloy, quench_K, quench.end_K), quench_K, known
    except OutOfRange as refusal:
        refusals.append(Remark("{why}; told for the middle of the window instead", why=refusal.faults[0]))
    lowest_K = ac1_K(alloy) + 1.0
    supposed_K = max(supposed_K, lowest_K)
    return section_hardness(depth, profile, alloy, supposed_K, quench.end_K), supposed_K, QuenchKnown.SUPPOSED


def _distinct(depth_m: FloatArray, carbon_wt_pct: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The profile without points at the same depth (a thin cell may round to its neighbour's)."""
    first = np.concatenate([[True], np.diff(depth_m) > 0.0])
    return depth_m[first], np.maximum(carbon_wt_pct[first], 0.0)


def _steels(sheet: RunSheet, carbon: CarbonResult, section: SectionHardness) -> tuple[SteelPoints, ...]:
    """Critical points and windows where they differ: of the richest carbon and of the core."""
    alloy, profile = sheet.piece.alloy_wt_pct, carbon.carbon_wt_pct
    places = [("throughout", float(profile[0]), 0)]
    if np.ptp(profile) > 0.05:
        richest = int(np.argmax(profile))
        core = int(np.argmin(np.abs(carbon.depth_m - _core_depth_m(carbon))))
        at_face = carbon.depth_m[richest] < OUTER_PART * carbon.depth_m[-1]
        where = "case" if at_face else "richest place"
        places = [(where, float(profile[richest]), richest), ("core", carbon.core_wt_pct, core)]
    found = []
    for place, wt_pct, at in places:
        held = min(max(wt_pct, 0.0), RICHEST_WT_PCT)
        at = min(at, section.carbon_in_solution_wt_pct.size - 1)
        found.append(
            SteelPoints(
                place=place,
                carbon_wt_pct=wt_pct,
                points=critical_points(held, alloy),
                harden=austenitizing_window(held, alloy),
                normalize=normalizing_window(held, alloy),
                martensite=martensite_start(float(section.carbon_in_solution_wt_pct[at]), alloy),
                clipped=wt_pct > RICHEST_WT_PCT,
            )
        )
    return tuple(found)


def _core_depth_m(carbon: CarbonResult) -> float:
    """Depth of the core [m]: the end of the profile, or its middle where that is the other face."""
    at_end = abs(carbon.carbon_wt_pct[-1] - carbon.core_wt_pct) < 1e-9
    return float(carbon.depth_m[-1]) if at_end else 0.5 * float(carbon.depth_m[-1])


def _bath(sheet: RunSheet, size_m: float, in_solution_wt_pct: float, bath: Bath) -> BathAnswer:
    """Whether one bath hardens the section through, for steel of this carbon throughout."""
    held = min(in_solution_wt_pct, COMPOSITION_WT_PCT["C"][1])
    try:
        return BathAnswer(bath, hardens_through(size_m, sheet.piece.shape, held, sheet.piece.alloy_wt_pct, bath))
    except OutOfRange as refusal:
        return BathAnswer(bath, None, Remark("{why}", why=refusal.faults[0]))


def _ahead(
    sheet: RunSheet,
    carbon: CarbonResult,
    stages: Sequence[StageSeen],
    steel_K: float,
    problem: TemperingProblem,
    state: TemperingState,
    reached: Sequence[bool],
) -> tuple[TemperAhead, ...]:
    """What the temper still needs to each hardness or parameter on the sheet."""
    if profile_tempering.varies(sheet):
        try:
            richest = float(carbon.carbon_wt_pct.max())
            problem, state = profile_tempering.single_at_carbon(problem, state, sheet, richest)
        except OutOfRange:
            return ()
    hold_K = _held_K(stages, steel_K)
    holds_s = USUAL_HOLDS_S if sheet.temper_hold_s is None else (sheet.temper_hold_s,)
    found = []
    for number, target in enumerate(sheet.targets):
        met = number < len(reached) and reached[number]
        if met or target.limit or target.quantity not in (Quantity.HARDNESS, Quantity.TEMPERING_PARAMETER):
            continue
        wants = [target.value] * 3
        if target.quantity is Quantity.HARDNESS:
            half = 1.645 * HARDNESS_RMS_HRC.value
            # Steel that is softer than the fit says gets there sooner, and needs less heat.
            wants = [target.value + half, target.value, target.value - half]
        hard = target.quantity is Quantity.HARDNESS
        left = None
        if isfinite(hold_K):
            left = _three([_time_left_s(problem, state, hold_K, want, hard) for want in wants])
        temperatures = tuple(
            (hold_s, _three([_temperature_K(problem, state, hold_s, want, hard) for want in wants]))
            for hold_s in holds_s
        )
        if left is None and not any(isfinite(each[1]) for _, each in temperatures):
            continue
        found.append(TemperAhead(number, hold_K, left, temperatures))
    return tuple(found)


def _three(values: list[float]) -> tuple[float, float, float]:
    return values[0], values[1], values[2]


def _held_K(stages: Sequence[StageSeen], steel_K: float) -> float:
    """The temperature being held [K]: of the hold that goes on, else the steel's own while it is warm; else NaN."""
    last = stages[-1] if stages else None
    if last is not None and last.end_s is None and last.kind is StageSeenKind.HOLD and isfinite(last.level_K):
        return last.level_K if last.level_K > COLD_TEMPER_K and steel_K > COLD_TEMPER_K else nan
    return steel_K if steel_K > COLD_TEMPER_K else nan


def _time_left_s(problem: TemperingProblem, state: TemperingState, hold_K: float, want: float, hard: bool) -> float:
    try:
        if hard:
            return float(time_to_target_s(problem, state, hold_K, hardness_HRC=want))
        return float(time_to_target_s(problem, state, hold_K, parameter_K=want))
    except InputFault:
        return nan


def _temperature_K(problem: TemperingProblem, state: TemperingState, hold_s: float, want: float, hard: bool) -> float:
    try:
        if hard:
            return float(temperature_to_target_K(problem, state, hold_s, hardness_HRC=want))
        return float(temperature_to_target_K(problem, state, hold_s, parameter_K=want))
    except InputFault:
        return nan
