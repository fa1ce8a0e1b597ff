"""What the carbon solver says each measurement on a coupon should have been."""

from dataclasses import replace
from math import inf

import numpy as np

from logger.coupon import Coupon, Criterion, Kind, Measured, coupon_sheet
from logger.estimate import canister, uncertainty
from logger.estimate.carbon_result import CarbonMembers
from logger.estimate.hardening import section_hardness
from logger.estimate.uncertainty import Draws, Economy
from logger.sheet import RunSheet
from logger.steel.martensite import MOST_CARBON_WT_PCT
from logger.thermocouple import Thermocouple
from logger.units import FloatArray

NUISANCE_MEMBERS = 24

SAMPLE_M = 1e-4
"""Thickness of steel a carbon analysis at a depth is taken over [m] (our choice: a fine cut or a spark burn)."""

COARSE = Economy(step_tolerance_wt_pct=1e-3, thin_s=30.0)


def predictions(coupon: Coupon, coefficients: FloatArray, reading_error: FloatArray | None = None) -> FloatArray:
    """What each measurement should have been, (members, k), each in its own unit.

    Parameters
    ----------
    coupon : the coupon
    coefficients : array, (members, 4)     activity, transfer, start carbon, diffusivity [standard deviations]
    reading_error : array, (members,)      of the thermocouple [tolerances]; None: none
    """
    sheet = coupon_sheet(coupon)
    members = coefficients.shape[0]
    known = coupon.sheet.thermocouple or coupon.thermocouple or Thermocouple()
    nominal = uncertainty.draw(sheet, known, 1)
    nothing = np.zeros(members)
    drawn = Draws(
        reading_error=nothing if reading_error is None else reading_error,
        gap_position=nothing,
        activity=coefficients[:, 0],
        potential=nothing,
        transfer=coefficients[:, 1],
        diffusivity=coefficients[:, 3],
        law=np.zeros(members, dtype=np.int64),
        start_carbon=coefficients[:, 2],
        tempering_constant=nothing,
        hardness=nothing,
        martensite_start=nothing,
        quenched_hardness=nothing,
        canister=None if nominal.canister is None else canister.repeated(nominal.canister, members),
    )
    return _measured_on(coupon, _carbon(coupon, sheet, drawn))


def by_the_book(coupon: Coupon) -> tuple[FloatArray, float]:
    """What each measurement should have been by the book, and the richest carbon reckoned.

    Returns
    -------
    array, (members, k)    each [its own unit], under what thermocouple, canister and gaps may have done
    richest carbon anywhere [wt%], of the first member
    """
    sheet = coupon_sheet(coupon)
    known = coupon.sheet.thermocouple or coupon.thermocouple or Thermocouple()
    drawn = uncertainty.draw(sheet, known, NUISANCE_MEMBERS)
    nothing = np.zeros(NUISANCE_MEMBERS)
    drawn = replace(
        drawn,
        activity=nothing,
        potential=nothing,
        transfer=nothing,
        diffusivity=nothing,
        start_carbon=nothing,
        law=np.zeros(NUISANCE_MEMBERS, dtype=np.int64),
    )
    carbon = _carbon(coupon, sheet, drawn)
    return _measured_on(coupon, carbon), float(carbon.carbon_wt_pct[0].max())


def _carbon(coupon: Coupon, sheet: RunSheet, drawn: Draws) -> CarbonMembers:
    known = coupon.sheet.thermocouple or coupon.thermocouple
    problem = uncertainty.problem_from_sheet(sheet, known, economy=COARSE, draws=drawn)
    state = uncertainty.advance(problem, uncertainty.begin(problem), coupon.history)
    return uncertainty.at_end(problem, state, with_soak=False).carbon


def _measured_on(coupon: Coupon, carbon: CarbonMembers) -> FloatArray:
    return np.stack([_one(coupon, measured, carbon) for measured in coupon.measured], axis=1)


def _one(coupon: Coupon, measured: Measured, carbon: CarbonMembers) -> FloatArray:
    """One measurement as every member would have it, (m,)."""
    match measured.kind:
        case Kind.WEIGHT:
            return carbon.gain_kg_per_m2
        case Kind.MEAN_CARBON:
            return carbon.mean_wt_pct
        case Kind.DEPTH:
            if measured.criterion is Criterion.TO_CARBON:
                return carbon.case_depth_m(measured.at_carbon_wt_pct or 0.0)
            more = 0.04 if measured.criterion is Criterion.CORE_004 else 0.07
            return carbon.case_depth_m(carbon.start_wt_pct + more)
    depth_m = min(measured.depth_m, coupon.piece.size_m - measured.depth_m)
    if measured.kind is Kind.CARBON:
        # A sample has a thickness: the mean over it, not a point, and never the face's own last moment.
        across = np.linspace(max(depth_m - SAMPLE_M / 2.0, 0.0), depth_m + SAMPLE_M / 2.0, 11)
        return np.array([np.interp(across, carbon.depth_m, row).mean() for row in carbon.carbon_wt_pct])
    at = np.array([np.interp(depth_m, carbon.depth_m, row) for row in carbon.carbon_wt_pct])
    return hardness_of_HRC(at, coupon.piece.alloy_wt_pct, measured.quenched_from_K or inf)


def hardness_of_HRC(carbon_wt_pct: FloatArray, alloy_wt_pct: dict[str, float], quenched_from_K: float) -> FloatArray:
    """Hardness [HRC] as quenched of steel of several carbons, (m,); 20 where it is off the scale.

    Parameters
    ----------
    carbon_wt_pct : array, (m,)     carbon [wt%]
    alloy_wt_pct : mapping          the rest [wt%]
    quenched_from_K : temperature of the steel just before the quench [K]
    """
    order = np.argsort(carbon_wt_pct)
    shown = np.minimum(carbon_wt_pct[order], MOST_CARBON_WT_PCT)
    place = np.arange(shown.size, dtype=float)
    found = section_hardness(place, shown, alloy_wt_pct, quenched_from_K).hardness_HRC
    result = np.empty(shown.size)
    result[order] = np.where(np.isfinite(found), found, 20.0)
    return result
