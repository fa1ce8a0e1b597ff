"""Tempering of a piece whose carbon is not the same everywhere: carburized, or made of layers.

The Hollomon-Jaffe constant depends on the carbon, and the carbon is known only when the temper begins. So the history
is added up for a few constants side by side; what any carbon makes of it lies between them, exactly so at one
temperature, and within a thousandth of the parameter over several (see the tests).
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import inf
from typing import Final

import numpy as np

from logger.errors import OutOfRange
from logger.estimate.tempering import (
    USUAL_MANGANESE_WT_PCT,
    TemperingProblem,
    TemperingResult,
    TemperingState,
    mildness_notes,
    softened_HRC,
)
from logger.sheet import RunSheet
from logger.sheet_parts import Shape, StageKind
from logger.steel.tempering import (
    CARBON_WT_PCT,
    HARDNESS_RMS_HRC,
    HIGHEST_PARAMETER_K,
    MANGANESE_WT_PCT,
    SCALE_ENDS_HRC,
    equivalent_time_s,
    fitted_constant,
    lowest_parameter_K,
    tempered_hardness_HRC,
)
from logger.units import FloatArray

BETWEEN: Final = 5
"""Constants added up side by side (our choice: the parameter between them within a kelvin)."""


MOST_FERRITE: Final = 0.05
"""The fit is of wholly hardened steel: with more ferrite than this beside the martensite it does not speak."""


def varies(sheet: RunSheet) -> bool:
    """Whether the carbon of the piece differs from place to place when it is tempered."""
    packs = sheet.pack is not None or any(stage.pack is not None for stage in sheet.stages)
    return packs or sheet.piece.shape is Shape.LAYERED


def constants(sheet: RunSheet, count: int = BETWEEN) -> FloatArray:
    """Constants (count,) [1, time in hours] that hold every carbon of the fit, and the sheet's own, between them."""
    ends = [float(value) for value in fitted_constant(np.array(CARBON_WT_PCT))]
    if sheet.tempering_constant is not None:
        ends.append(sheet.tempering_constant)
    return np.linspace(min(ends), max(ends), count)


def problem_from_sheet(sheet: RunSheet) -> TemperingProblem | None:
    """The problem of a piece of many carbons; None where its stages are stated and none of them is a temper.

    Without stated stages such a piece is soft until it has been quenched.

    Parameters
    ----------
    sheet : RunSheet             the run sheet

    Returns    TemperingProblem of a few constants, without a carbon; or None
    """
    tempers = [stage for stage in sheet.stages if stage.kind is StageKind.TEMPER]
    if sheet.stages and not tempers:
        return None
    return TemperingProblem(
        constant=constants(sheet),
        reference_temperature_K=sheet.tempering_reference_K,
        from_s=min((stage.from_s for stage in tempers), default=-inf),
        to_s=max((stage.to_s for stage in tempers), default=inf),
        begins_hardened=bool(tempers) or sheet.pack is None,
    )


def parameter_K(state: TemperingState, nodes: FloatArray, constant: FloatArray) -> FloatArray:
    """Tempering parameter for any constants between those added up.

    Parameters
    ----------
    state : TemperingState           of a few constants
    nodes : array, (k,)              those constants, increasing [1]
    constant : array, (n,)           constants wanted [1]

    Returns    array, (n,)           tempering parameter [K]; minus infinity before anything counted
    """
    if not np.all(np.isfinite(state.parameter_K)):
        return np.full(np.shape(constant), -inf)
    return np.asarray(np.interp(constant, nodes, state.parameter_K))


@dataclass(frozen=True, slots=True, eq=False)
class TemperedSection:
    """Hardness across a section after its temper [HRC], (n,) over depth, nine times in ten between low and high.

    Not a number where no hardness can be given: carbon below the data of the fit.
    """

    hardness_HRC: FloatArray
    low_HRC: FloatArray
    high_HRC: FloatArray


def across(
    problem: TemperingProblem,
    state: TemperingState,
    carbon_wt_pct: FloatArray,
    quenched_HRC: FloatArray,
    ferrite_share: FloatArray,
    alloy_wt_pct: Mapping[str, float],
) -> TemperedSection | None:
    """Hardness across a quenched section after its temper; None before anything counted, or beyond the data.

    Parameters
    ----------
    problem : TemperingProblem       from `problem_from_sheet`
    state : TemperingState           its state
    carbon_wt_pct : array, (n,)      carbon in solution across the section [wt%]; above 1.15 taken as 1.15
    quenched_HRC : array, (n,)       hardness there as quenched [HRC]
    ferrite_share : array, (n,)      ferrite left there by the quench [-]; with more than a trace no hardness is given
    alloy_wt_pct : mapping           alloying elements [wt%]; manganese counts

    Returns    TemperedSection or None
    Source     the fit of `logger.steel.tempering`; its rms is the band
    """
    low, high = CARBON_WT_PCT
    C = np.clip(carbon_wt_pct, low, high)
    P = parameter_K(state, np.asarray(problem.constant), fitted_constant(C))
    if not np.all(np.isfinite(P)) or np.any(P > HIGHEST_PARAMETER_K):
        return None
    fitted = tempered_hardness_HRC(P, C, manganese(alloy_wt_pct))
    found = softened_HRC(quenched_HRC, fitted, state.peak_K[:1])
    found = np.where(fitted_there(carbon_wt_pct, ferrite_share) & (found >= SCALE_ENDS_HRC), found, np.nan)
    half = 1.645 * HARDNESS_RMS_HRC.value
    return TemperedSection(found, found - half, found + half)


def fitted_there(carbon_wt_pct: FloatArray, ferrite_share: FloatArray) -> np.ndarray:
    """Where the fit speaks of the steel: enough carbon in solution [wt%], and next to no ferrite [-]."""
    return np.asarray((carbon_wt_pct >= CARBON_WT_PCT[0] - 1e-9) & (ferrite_share < MOST_FERRITE))


def manganese(alloy_wt_pct: Mapping[str, float]) -> float:
    """Manganese [wt%] for the fit, held to its data; the usual where it is not stated."""
    return min(max(alloy_wt_pct.get("Mn", USUAL_MANGANESE_WT_PCT), MANGANESE_WT_PCT[0]), MANGANESE_WT_PCT[1])


def at_carbon(
    problem: TemperingProblem, state: TemperingState, sheet: RunSheet, carbon_wt_pct: float
) -> TemperingResult:
    """Tempering now of the place with this carbon.

    Parameters
    ----------
    problem : TemperingProblem       from `problem_from_sheet`
    state : TemperingState           its state
    sheet : RunSheet                 for the stated constant, manganese and measured hardness
    carbon_wt_pct : float            carbon of the place [wt%]

    Returns    TemperingResult       as for a piece of this carbon throughout
    """
    low, high = CARBON_WT_PCT
    notes = [f"tempering: for {carbon_wt_pct:.2f} % C, what the richest face holds now, not what the piece began with"]
    known = carbon_wt_pct >= low
    C = min(max(carbon_wt_pct, low), high)
    if not known:
        notes.append(
            f"tempering: carbon {carbon_wt_pct:.2f} % is below the {low:g} to {high:g} % of the data; no hardness"
        )
    elif carbon_wt_pct > high:
        notes.append(f"tempering: carbon above {high:g} % is beyond the data; the hardness is that of {high:g} %")
    fit_constant = float(fitted_constant(C))
    constant = sheet.tempering_constant if sheet.tempering_constant is not None else fit_constant
    nodes = np.asarray(problem.constant)
    P, fit_P = (float(parameter_K(state, nodes, np.array([c]))[0]) for c in (constant, fit_constant))
    begun = -inf < P
    hardness = quenched = None
    if known:
        Mn = manganese(sheet.piece.alloy_wt_pct)
        measured = sheet.quenched_hardness_HRC
        quenched = measured if measured is not None else float(tempered_hardness_HRC(lowest_parameter_K(C), C, Mn))
        if begun and fit_P > HIGHEST_PARAMETER_K:
            notes.append("tempering: longer or hotter than anything in the data; no hardness is given")
        else:
            hardness = quenched
            if begun:
                fitted = tempered_hardness_HRC(fit_P, C, Mn)
                hardness = float(softened_HRC(np.array([quenched]), np.atleast_1d(fitted), state.peak_K[:1])[0])
    if begun:
        notes += mildness_notes(state.peak_K[:1])
    return TemperingResult(
        parameter_K=P if begun else 0.0,
        constant=constant,
        equivalent_time_s=float(equivalent_time_s(P, problem.reference_temperature_K, constant)),
        reference_temperature_K=problem.reference_temperature_K,
        hardness_HRC=hardness,
        hardness_rms_HRC=None if hardness is None else HARDNESS_RMS_HRC.value,
        quenched_hardness_HRC=quenched,
        peak_temperature_K=float(state.peak_K[0]) if begun else float("nan"),
        begun=begun,
        notes=tuple(notes),
    )


def single_at_carbon(
    problem: TemperingProblem, state: TemperingState, sheet: RunSheet, carbon_wt_pct: float
) -> tuple[TemperingProblem, TemperingState]:
    """The same temper as one place of this carbon [wt%] has it, as a problem and state of its own to look ahead from.

    Raises   OutOfRange    carbon outside the data of the fit
    """
    low, high = CARBON_WT_PCT
    if carbon_wt_pct < low:
        raise OutOfRange("carbon for the tempered hardness", carbon_wt_pct, low, high, "wt%", "fit of 1945 and 1956")
    C = min(carbon_wt_pct, high)
    fit_constant = float(fitted_constant(C))
    constant = sheet.tempering_constant if sheet.tempering_constant is not None else fit_constant
    nodes = np.asarray(problem.constant)
    alone = TemperingProblem(
        constant=constant,
        reference_temperature_K=problem.reference_temperature_K,
        carbon_wt_pct=C,
        manganese_wt_pct=manganese(sheet.piece.alloy_wt_pct),
        quenched_hardness_HRC=sheet.quenched_hardness_HRC,
    )
    return alone, TemperingState(
        time_s=state.time_s,
        temperature_K=state.temperature_K[:1],
        parameter_K=parameter_K(state, nodes, np.array([constant])),
        fit_parameter_K=parameter_K(state, nodes, np.array([fit_constant])),
        peak_K=state.peak_K[:1],
        hardened=state.hardened[:1],
        single=True,
    )
