"""Hardness of a quenched section from its carbon profile: how hard, how deep, and what stands in the way."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from logger.errors import Fault, InputFault, OutOfRange
from logger.remark import Remark
from logger.sheet_parts import Bath, Shape
from logger.steel.critical_points import COARSENS_ABOVE_K, ac1_K, austenitizing_window, normalizing_window
from logger.steel.hardenability import hardens_through
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
from logger.units import FloatArray

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
    remarks                        what stands in the way of a hard case
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
    remarks: tuple[Remark, ...]

    @property
    def advice(self) -> tuple[str, ...]:
        """The remarks in Celsius and millimetres."""
        return tuple(str(remark) for remark in self.remarks)


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
    at_K = np.full(depth.size, austenitizing_temperature_K)
    state = austenitized(C, at_K, alloy_wt_pct)
    HV = state.hardness_HV(quench_end_K)
    kept, kept_least, kept_most = (state.kept(quench_end_K, spreads) for spreads in (0.0, 1.0, -1.0))
    HRC = reported_quenched_HRC(HV)
    low, high = (reported_quenched_HRC(state.mixture_HV(part)) for part in (kept_most, kept_least))
    section = SectionHardness(
        depth_m=depth,
        carbon_in_solution_wt_pct=state.in_solution_wt_pct,
        austenite_share=state.share * (1.0 - state.cementite),
        cementite_share=state.cementite,
        martensite_start_K=state.start_K,
        retained_austenite=state.share * kept,
        hardness_HV=HV,
        hardness_HRC=HRC,
        low_HRC=low - QUENCHED_SPREAD_HRC,
        high_HRC=high + QUENCHED_SPREAD_HRC,
        extrapolated=state.in_solution_wt_pct > MEASURED_QUENCHED[-1][0] + 1e-9,
        depth_550_hv_m=depth_to(depth, HV, CASE_LIMIT_HV),
        depth_50_hrc_m=depth_to(depth, HRC, CASE_LIMIT_HRC),
        remarks=(),
    )
    remarks = _remarks(section, C, alloy_wt_pct, austenitizing_temperature_K)
    if size_m is not None and bath is not None:
        remarks += _bath_remarks(section, C, alloy_wt_pct, size_m, shape, bath)
    return replace(section, remarks=tuple(remarks))


@dataclass(frozen=True, slots=True, eq=False)
class Austenitized:
    """Steel just before a quench, arrays of one shape.

    Parameters
    ----------
    in_solution_wt_pct    carbon of the austenite [wt%]
    share                 share of austenite beside ferrite [-]
    cementite             share of undissolved cementite [-]
    start_K               best value of the start of martensite [K]
    start_spread_K        how far it may be off [K], nine times in ten
    too_lean              true where the carbon is below any formula's: no hardness
    """

    in_solution_wt_pct: FloatArray
    share: FloatArray
    cementite: FloatArray
    start_K: FloatArray
    start_spread_K: FloatArray
    too_lean: np.ndarray

    def kept(self, quench_end_K: float, spreads: float | FloatArray = 0.0) -> FloatArray:
        """Austenite that the quench leaves [-] with the start of martensite so many spreads [-] above its best value.

        ``quench_end_K`` is the coldest temperature of the quench [K].
        """
        return retained_austenite(self.start_K + spreads * self.start_spread_K, quench_end_K)

    def mixture_HV(self, kept: FloatArray) -> FloatArray:
        """Hardness [HV] with a share of austenite kept [-]; not a number where the steel is too lean."""
        known = np.clip(self.in_solution_wt_pct, A255_CARBON_WT_PCT[0], MOST_CARBON_WT_PCT)
        HV = self.share * quenched_hardness_HV(known, kept) + (1.0 - self.share) * FERRITE_HV
        return np.where(self.too_lean, np.nan, HV)

    def hardness_HV(self, quench_end_K: float, spreads: float | FloatArray = 0.0) -> FloatArray:
        """Hardness [HV] after a quench that ends at ``quench_end_K`` [K]; ``spreads`` [-] as in `kept`."""
        return self.mixture_HV(self.kept(quench_end_K, spreads))


def austenitized(
    carbon_wt_pct: FloatArray, temperature_K: FloatArray, alloy_wt_pct: Mapping[str, float]
) -> Austenitized:
    """What steel is just before a quench: carbon in solution, what is left undissolved, where martensite starts.

    Parameters
    ----------
    carbon_wt_pct : array          carbon [wt%]
    temperature_K : array          its temperature [K], same shape; held to Ac1 to the eutectic
    alloy_wt_pct : mapping         alloying elements [wt%]

    Returns    Austenitized
    Source     phase limits of Fe-C shifted with Andrews' Ac1; the older formulas of `START_FORMULAS`
    """
    C = carbon_wt_pct
    # Fe-C limits at the temperature that is as far above A1 as this is above the alloy's Ac1.
    at_K = np.clip(temperature_K - (ac1_K(alloy_wt_pct) - A1_K), A1_K, EUTECTIC_K)
    saturated, a3, ferrite = cementite_line_wt_pct(at_K), austenite_low_limit_wt_pct(at_K), ferrite_limit_wt_pct(at_K)
    in_solution = np.minimum(np.maximum(C, a3), saturated)
    share = np.where(a3 > C, np.clip((C - ferrite) / np.maximum(a3 - ferrite, 1e-12), 0.0, 1.0), 1.0)
    cementite = np.maximum(C - saturated, 0.0) / (CEMENTITE_WT_PCT - saturated)
    starts_K = start_by_formula_K(in_solution, alloy_wt_pct)[OLDER]
    return Austenitized(
        in_solution_wt_pct=in_solution,
        share=share,
        cementite=cementite,
        start_K=starts_K.mean(axis=0),
        start_spread_K=np.maximum(START_SPREAD_K, 0.5 * np.ptp(starts_K, axis=0)),
        too_lean=in_solution < A255_CARBON_WT_PCT[0] - 1e-9,
    )


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


def _remarks(
    section: SectionHardness, carbon_wt_pct: FloatArray, alloy_wt_pct: Mapping[str, float], temperature_K: float
) -> list[Remark]:
    """What stands in the way of a hard case."""
    remarks: list[Remark] = []
    richest = int(np.argmax(carbon_wt_pct))
    most = MOST_CARBON_WT_PCT - 0.02
    kept = section.retained_austenite
    if kept.max() > MUCH_AUSTENITE:
        worst = int(np.argmax(kept))
        remarks.append(
            Remark(
                "soft for retained austenite: about {share} at {deep_m}, where {carbon} % carbon is in solution; "
                "harden from nearer to {low_K}, or cool on below {freezing_K} at once",
                share=f"{100.0 * kept[worst]:.0f} %",
                deep_m=float(section.depth_m[worst]),
                carbon=f"{section.carbon_in_solution_wt_pct[worst]:.2f}",
                low_K=austenitizing_window(min(float(carbon_wt_pct[worst]), most), alloy_wt_pct).low_K,
                freezing_K=273.15,
            )
        )
    if section.cementite_share.max() > MUCH_CEMENTITE:
        remarks.append(
            Remark(
                "carbide left undissolved down to {deep_m}, up to {share}: harmless as fine grains, brittle as a "
                "network; normalize from {low_K} first if it cooled slowly",
                deep_m=float(section.depth_m[np.flatnonzero(section.cementite_share > MUCH_CEMENTITE)[-1]]),
                share=f"{100.0 * section.cementite_share.max():.0f} %",
                low_K=normalizing_window(min(float(carbon_wt_pct[richest]), most), alloy_wt_pct).low_K,
            )
        )
    core = int(np.argmin(carbon_wt_pct))
    lean = f"{carbon_wt_pct[core]:.2f}"
    if section.austenite_share[core] < 0.99 and section.cementite_share[core] <= 0.0:
        words = "the core ({carbon} % carbon) is not all austenite at {from_K} and keeps ferrite"
        remarks.append(Remark(words, carbon=lean, from_K=temperature_K))
    if carbon_wt_pct[core] < CORE_HARDENS_WT_PCT:
        remarks.append(
            Remark("the core ({carbon} % carbon) stays tough rather than hard: too little carbon", carbon=lean)
        )
    if np.any(section.extrapolated):
        remarks.append(
            Remark(
                "more than {most} % carbon in solution: beyond any measured hardness, taken as the martensite of that "
                "carbon with more austenite; expect it softer than told",
                most=f"{MEASURED_QUENCHED[-1][0]:.2f}",
            )
        )
    if temperature_K > COARSENS_ABOVE_K:
        words = "{from_K} coarsens the grain: refine below that before the quench"
        remarks.append(Remark(words, from_K=temperature_K))
    return remarks


def _bath_remarks(
    section: SectionHardness,
    carbon_wt_pct: FloatArray,
    alloy_wt_pct: Mapping[str, float],
    size_m: float,
    shape: Shape,
    bath: Bath,
) -> list[Remark]:
    """Whether the leanest part of the section hardens in the bath, or why that cannot be said."""
    core = int(np.argmin(carbon_wt_pct))
    try:
        answer = hardens_through(size_m, shape, float(section.carbon_in_solution_wt_pct[core]), alloy_wt_pct, bath)
    except OutOfRange as refusal:
        words = "whether it hardens through in {bath} cannot be said: {why}"
        return [Remark(words, bath=str(bath), why=refusal.faults[0])]
    return [answer.remark]
