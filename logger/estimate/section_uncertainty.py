"""Bands of the quenched and tempered section: every member's own profile through the published formulas.

Each member quenches its own carbon from its own temperature (its thermocouple's error), with its own start of
martensite and its own scatter of the hardness; the temper adds that member's history and the scatter of the fit.
"""

import numpy as np

from logger.estimate.bands import UNKNOWN, SectionBands, band
from logger.estimate.hardening import (
    CASE_LIMIT_HRC,
    CASE_LIMIT_HV,
    QUENCHED_SPREAD_HRC,
    Austenitized,
    austenitized,
    depth_to,
)
from logger.estimate.heat_treatment import HeatTreatment, QuenchKnown
from logger.estimate.profile_tempering import fitted_there, manganese
from logger.estimate.tempering import softened_HRC
from logger.estimate.uncertainty import EnsembleProblem, Members, section_parameter_K
from logger.sheet_parts import Quench
from logger.steel.hardness_conversion import MOST_HV, rockwell_HRC
from logger.steel.martensite import reported_quenched_HRC
from logger.steel.tempering import (
    CARBON_WT_PCT,
    HARDNESS_RMS_HRC,
    HIGHEST_PARAMETER_K,
    SCALE_ENDS_HRC,
    fitted_constant,
    tempered_hardness_HRC,
)
from logger.thermocouple import usable_tolerance_K
from logger.units import FloatArray

NINE_IN_TEN = 1.645
"""Stated spreads of the quench hold nine times in ten: so many standard deviations."""


def section_bands(problem: EnsembleProblem, members: Members, treatment: HeatTreatment) -> SectionBands | None:
    """The bands of a section [HRC, m, -], None where the treatment has no section.

    Parameters
    ----------
    problem : EnsembleProblem
    members : Members                at the same moment as the treatment
    treatment : HeatTreatment        the nominal one: it says from what temperature the piece is quenched

    Returns    SectionBands or None
    Source     5, 50 and 95 % of the members, see the module
    """
    if treatment.section is None:
        return None
    sheet, draws = problem.sheet, problem.draws
    quench, alloy = sheet.quench or Quench(), sheet.piece.alloy_wt_pct
    carbon = np.maximum(members.carbon.carbon_wt_pct, 0.0)
    off_K = np.zeros(problem.members)
    if treatment.known is not QuenchKnown.SUPPOSED:
        off_K = draws.reading_error * usable_tolerance_K(problem.load.thermocouple, treatment.quench_K)
    from_K = np.broadcast_to((treatment.quench_K + off_K)[:, None], carbon.shape)
    steel = austenitized(carbon, from_K, alloy)
    spreads = draws.martensite_start[:, None] / NINE_IN_TEN
    kept = steel.share * steel.kept(quench.end_K, spreads)
    HV = steel.hardness_HV(quench.end_K, spreads)
    scatter = draws.quenched_hardness[:, None] * QUENCHED_SPREAD_HRC / NINE_IN_TEN
    hardest = float(rockwell_HRC(MOST_HV))
    quenched = np.minimum(reported_quenched_HRC(HV) + scatter, hardest)
    depth = members.carbon.depth_m
    tempered = None
    if treatment.tempered is not None:
        tempered = _tempered(problem, members, steel, quenched)
    return SectionBands(
        depth_m=depth,
        quenched_HRC=_each(quenched),
        tempered_HRC=None if tempered is None else _each(tempered),
        retained_austenite=band(kept.max(axis=1)),
        depth_550_hv_m=band(np.array([depth_to(depth, row, CASE_LIMIT_HV) for row in HV])),
        depth_50_hrc_m=band(np.array([depth_to(depth, row, CASE_LIMIT_HRC) for row in quenched])),
    )


def _tempered(
    problem: EnsembleProblem, members: Members, steel: Austenitized, quenched: FloatArray
) -> FloatArray | None:
    """Every member's hardness across its section after the temper, (m, n) [HRC]."""
    low, high = CARBON_WT_PCT
    C = np.clip(steel.in_solution_wt_pct, low, high)
    P = section_parameter_K(problem, members, fitted_constant(C))
    if P is None:
        return None
    Mn = manganese(problem.sheet.piece.alloy_wt_pct)
    offset = problem.draws.hardness[:, None] * HARDNESS_RMS_HRC.value
    fitted = tempered_hardness_HRC(np.minimum(P, HIGHEST_PARAMETER_K), C, Mn) + offset
    found = softened_HRC(quenched, fitted, members.temper_peak_K[:, None])
    there = fitted_there(steel.in_solution_wt_pct, 1.0 - steel.share) & (found >= SCALE_ENDS_HRC)
    return np.where(there, found, np.nan)


def _each(values: FloatArray) -> FloatArray:
    """5, 50 and 95 % at every depth, (3, n), of members' values (m, n); not a number where most have none."""
    known = np.isfinite(values).sum(axis=0) > 0.5 * values.shape[0]
    return np.array([band(column) if enough else UNKNOWN for column, enough in zip(values.T, known, strict=True)]).T
