"""Hardness of a quenched section from its carbon profile: how hard, how deep, and what stands in the way."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from logger.errors import Fault, InputFault, OutOfRange
from logger.sheet import Shape
from logger.steel.critical_points import COARSENS_ABOVE_K, ac1_K, austenitizing_window, normalizing_window
from logger.steel.hardenability import Bath, hardens_through
from logger.steel.martensite import (
    A255_CARBON_WT_PCT,
    MEASURED_QUENCHED,
    MOST_CARBON_WT_PCT,
    OLDER,
    ROOM_K,
    quenched_hardness_HV,
    reported_quenched_HRC,
    retained_austenite,
    start_by_formula_K,
)
from logger.steel.phase_limits import (
    A1_K,
    CEMENTITE_WT_PCT,
    EUTECTIC_K,
    austenite_low_limit_wt_pct,
    cementite_line_wt_pct,
    ferrite_limit_wt_pct,
)
from logger.units import FloatArray, celsius_from_kelvin

CASE_LIMIT_HV: Final = 550.0
"""Case hardness depth ends here: ISO 18203 (limit from memory)."""

CASE_LIMIT_HRC: Final = 50.0
"""Effective case depth ends here: SAE J423."""

FERRITE_HV: Final = 150.0
"""Hardness of ferrite left beside martensite (from memory, 120 to 180 HV)."""

START_SPREAD_K: Final = 25.0
"""Least uncertainty of the start of martensite (from memory: standard error of the linear formulas)."""

QUENCHED_SPREAD_HRC: Final = 1.0
"""Scatter of the quenched hardness itself (our choice; the disc of 0.56 % and A255 differ by 0.4 HRC)."""

MUCH_AUSTENITE: Final = 0.25
"""Retained austenite above this share is worth a word (common practice, no source: 20 to 30 %)."""

MUCH_CEMENTITE: Final = 0.02
"""Undissolved cementite above this share is worth a word (our choice)."""

CORE_HARDENS_WT_PCT: Final = 0.25
"""A core below this carbon does not harden usefully: wholly martensitic it would reach 47 HRC (ASTM A255)."""


@dataclass(frozen=True, slots=True, eq=False)
class SectionHardness:
    """A quenched section, arrays of shape (n,) over depth.

    Parameters
    ----------
    depth_m                        depth below the face [m]
    carbon_in_solution_wt_pct      carbon of the austenite just before the quench [wt%]
    austenite_share                share of austenite before the quench [-]; the rest is ferrite or cementite
    cementite_share                share of undissolved cementite [-]
    martensite_start_K             best value of the start of martensite [K]
    retained_austenite             share of austenite after the quench [-]
    hardness_HV                    hardness [HV]; not a number where the carbon is below 0.10 wt%
    hardness_HRC, low_HRC, high_HRC   hardness and its band [HRC]; not a number below 20 HRC
    extrapolated                   true where the carbon in solution is beyond any measured hardness
    depth_550_hv_m, depth_50_hrc_m    depth to 550 HV and to 50 HRC [m]; 0 where not reached, the last depth where the
                                   whole section is harder
    advice                         plain words
    """

    depth_m: FloatArray
    carbon_in_solution_wt_pct: FloatArray
    austenite_share: FloatArray
    cementite_share: FloatArray
    martensite_start_K: FloatArray
    retained_austenite: FloatArray
    hardness_HV: FloatArray
    hardness_HRC: FloatArray
    low_HRC: FloatArray
    high_HRC: FloatArray
    extrapolated: np.ndarray
    depth_550_hv_m: float
    depth_50_hrc_m: float
    advice: tuple[str, ...]


def section_hardness(
    depth_m: FloatArray,
    carbon_wt_pct: FloatArray,
    alloy_wt_pct: Mapping[str, float],
    austenitizing_temperature_K: float,
    quench_end_K: float = ROOM_K,
    *,
    size_m: float | None = None,
    shape: Shape = Shape.PLATE,
    bath: Bath | None = None,
) -> SectionHardness:
    """Hardness across a section after a quench that is fast enough everywhere.

    Whether the quench is fast enough is told in words where ``size_m`` and ``bath`` are given.

    Parameters
    ----------
    depth_m : array, shape (n,)              depths below the face, increasing [m]
    carbon_wt_pct : array, shape (n,)        carbon there [wt%]
    alloy_wt_pct : mapping                   alloying elements [wt%]
    austenitizing_temperature_K : float      temperature of the steel just before the quench [K]; Ac1 to 1148 C
    quench_end_K : float                     coldest temperature of the quench [K]
    size_m : float                           thickness or diameter of the piece [m], for the hardenability
    shape : Shape                            its form
    bath : Bath                              what it is quenched in

    Returns    SectionHardness
    Raises     InputFault                    depths and carbons that do not match; OutOfRange a temperature without
                                             austenite, or at which something melts
    Source     phase limits of Fe-C shifted with Andrews' Ac1; ASTM A255 and Hollomon and Jaffe 1945 for the hardness;
               Koistinen and Marburger 1959 for the austenite; ASTM E140 for HRC
    """
    depth, C = np.asarray(depth_m, dtype=float), np.asarray(carbon_wt_pct, dtype=float)
    if depth.ndim != 1 or depth.shape != C.shape or not depth.size or np.any(np.diff(depth) <= 0.0):
        raise InputFault(Fault("section to harden", f"{depth.shape} depths, {C.shape} carbons", "equal, increasing"))
    start_K = ac1_K(alloy_wt_pct)
    if not start_K < austenitizing_temperature_K <= EUTECTIC_K:
        raise OutOfRange(
            "austenitizing temperature", austenitizing_temperature_K, round(start_K, 1), EUTECTIC_K, "K",
            "below it nothing hardens, above it a carburized skin melts",
        )  # fmt: skip
    # Fe-C limits at the temperature that is as far above A1 as this is above the alloy's Ac1.
    at_K = np.full(depth.size, min(austenitizing_temperature_K - (start_K - A1_K), EUTECTIC_K))
    saturated, a3, ferrite = cementite_line_wt_pct(at_K), austenite_low_limit_wt_pct(at_K), ferrite_limit_wt_pct(at_K)
    in_solution = np.minimum(np.maximum(C, a3), saturated)
    share = np.where(a3 > C, np.clip((C - ferrite) / np.maximum(a3 - ferrite, 1e-12), 0.0, 1.0), 1.0)
    cementite = np.maximum(C - saturated, 0.0) / (CEMENTITE_WT_PCT - saturated)

    known = np.clip(in_solution, A255_CARBON_WT_PCT[0], MOST_CARBON_WT_PCT)
    starts_K = start_by_formula_K(in_solution, alloy_wt_pct)[OLDER]
    best_K = starts_K.mean(axis=0)
    spread_K = np.maximum(START_SPREAD_K, 0.5 * np.ptp(starts_K, axis=0))
    kept, kept_least, kept_most = (
        retained_austenite(value_K, quench_end_K) for value_K in (best_K, best_K + spread_K, best_K - spread_K)
    )
    too_lean = in_solution < A255_CARBON_WT_PCT[0] - 1e-9

    def hardness(austenite: FloatArray) -> FloatArray:
        HV = share * quenched_hardness_HV(known, austenite) + (1.0 - share) * FERRITE_HV
        return np.where(too_lean, np.nan, HV)

    HV = hardness(kept)
    HRC, low, high = (reported_quenched_HRC(hardness(part)) for part in (kept, kept_most, kept_least))
    extrapolated = in_solution > MEASURED_QUENCHED[-1][0] + 1e-9
    section = SectionHardness(
        depth_m=depth,
        carbon_in_solution_wt_pct=in_solution,
        austenite_share=share * (1.0 - cementite),
        cementite_share=cementite,
        martensite_start_K=best_K,
        retained_austenite=share * kept,
        hardness_HV=HV,
        hardness_HRC=HRC,
        low_HRC=low - QUENCHED_SPREAD_HRC,
        high_HRC=high + QUENCHED_SPREAD_HRC,
        extrapolated=extrapolated,
        depth_550_hv_m=depth_to(depth, HV, CASE_LIMIT_HV),
        depth_50_hrc_m=depth_to(depth, HRC, CASE_LIMIT_HRC),
        advice=(),
    )
    advice = _advice(section, C, alloy_wt_pct, austenitizing_temperature_K)
    if size_m is not None and bath is not None:
        advice += _bath_advice(section, C, alloy_wt_pct, size_m, shape, bath)
    return replace(section, advice=tuple(advice))


def depth_to(depth_m: FloatArray, hardness: FloatArray, limit: float) -> float:
    """Depth at which a hardness that was above a limit first falls below it, going inwards.

    A face that is itself softer (retained austenite, lost carbon) does not end the case.

    Parameters
    ----------
    depth_m : array, shape (n,)      depths below the face, increasing [m]
    hardness : array, shape (n,)     hardness there [HV or HRC]; not a number counts as soft
    limit : float                    limit [same scale]

    Returns    float                 depth [m]; 0 where nothing reaches the limit, the last depth where all does
    Source     ISO 18203 and SAE J423 define the depth from the face inwards; linear between points
    """
    value = np.where(np.isfinite(hardness), hardness, 0.0)
    hard = np.flatnonzero(value >= limit)
    if not hard.size:
        return 0.0
    soft = np.flatnonzero(value[hard[0] :] < limit)
    if not soft.size:
        return float(depth_m[-1])
    i = int(hard[0] + soft[0])
    part = (value[i - 1] - limit) / (value[i - 1] - value[i])
    return float(depth_m[i - 1] + part * (depth_m[i] - depth_m[i - 1]))


def _advice(
    section: SectionHardness, carbon_wt_pct: FloatArray, alloy_wt_pct: Mapping[str, float], temperature_K: float
) -> list[str]:
    """What stands in the way of a hard case, in plain words."""
    advice: list[str] = []
    richest = int(np.argmax(carbon_wt_pct))
    kept = section.retained_austenite
    if kept.max() > MUCH_AUSTENITE:
        worst = int(np.argmax(kept))
        low_C = celsius_from_kelvin(austenitizing_window(float(carbon_wt_pct[worst]), alloy_wt_pct).low_K)
        advice.append(
            f"soft for retained austenite: about {kept[worst]:.0%} at {section.depth_m[worst] * 1e3:.2f} mm, where "
            f"{section.carbon_in_solution_wt_pct[worst]:.2f} % carbon is in solution; harden from nearer to "
            f"{low_C:.0f} C, or cool on below 0 C at once"
        )
    if section.cementite_share.max() > MUCH_CEMENTITE:
        deep = float(section.depth_m[np.flatnonzero(section.cementite_share > MUCH_CEMENTITE)[-1]])
        window = normalizing_window(min(float(carbon_wt_pct[richest]), MOST_CARBON_WT_PCT - 0.01), alloy_wt_pct)
        advice.append(
            f"carbide left undissolved down to {deep * 1e3:.2f} mm, up to {section.cementite_share.max():.0%}: "
            f"harmless as fine grains, brittle as a network; normalize from "
            f"{celsius_from_kelvin(window.low_K):.0f} C first if it cooled slowly"
        )
    core = int(np.argmin(carbon_wt_pct))
    if section.austenite_share[core] < 0.99 and section.cementite_share[core] <= 0.0:
        advice.append(
            f"the core ({carbon_wt_pct[core]:.2f} % carbon) is not all austenite at "
            f"{celsius_from_kelvin(temperature_K):.0f} C and keeps ferrite"
        )
    if carbon_wt_pct[core] < CORE_HARDENS_WT_PCT:
        advice.append(f"the core ({carbon_wt_pct[core]:.2f} % carbon) will not harden: too little carbon")
    if np.any(section.extrapolated):
        advice.append(
            f"more than {MEASURED_QUENCHED[-1][0]:.2f} % carbon in solution: beyond any measured hardness, taken "
            "as the martensite of that carbon with more austenite; expect it softer than told"
        )
    if temperature_K > COARSENS_ABOVE_K:
        advice.append(
            f"{celsius_from_kelvin(temperature_K):.0f} C coarsens the grain: refine below that before the quench"
        )
    return advice


def _bath_advice(
    section: SectionHardness,
    carbon_wt_pct: FloatArray,
    alloy_wt_pct: Mapping[str, float],
    size_m: float,
    shape: Shape,
    bath: Bath,
) -> list[str]:
    """Whether the leanest part of the section hardens in the bath, or why that cannot be said."""
    core = int(np.argmin(carbon_wt_pct))
    try:
        answer = hardens_through(size_m, shape, float(section.carbon_in_solution_wt_pct[core]), alloy_wt_pct, bath)
    except OutOfRange as refusal:
        return [f"whether it hardens through in {bath} cannot be said: {refusal}"]
    return [answer.advice]
