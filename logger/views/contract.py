"""The review as one JSON object, for programs. Its keys are a contract: they may gain company, never change.

Units ride in the keys. A value that does not exist is null. The nominal estimate stands under these keys.
"""

from collections.abc import Callable
from math import isfinite
from typing import Any

import numpy as np

from logger.estimate.carbon_result import CarbonResult
from logger.estimate.result import ThermalResult
from logger.estimate.tempering import TemperingResult
from logger.sheet_parts import Correction, Quantity
from logger.situation import Situation
from logger.target import TargetStatus
from logger.units import celsius_from_kelvin, hours_from_seconds, millimetres_from_metres
from logger.versions import versions
from logger.views.about_contract import about_object
from logger.views.band_contract import band_object, drivers_object, gap_cases_object, plain
from logger.views.thermocouple_words import thermocouples_object
from logger.views.treatment_contract import hardening_object
from logger.views.uniformity_words import uniformity_object

UNITS = {
    Quantity.CASE_DEPTH: "mm",
    Quantity.SURFACE_CARBON: "wt%",
    Quantity.CORE_CARBON: "wt%",
    Quantity.MEAN_CARBON: "wt%",
    Quantity.SOAK_TIME: "h",
    Quantity.EQUIVALENT_TIME: "h",
    Quantity.TEMPERING_PARAMETER: "K",
    Quantity.HARDNESS: "HRC",
}

CONTRACT_VERSION = 1


def review_object(situation: Situation) -> dict[str, Any]:
    """The JSON object of a run: plain dicts, lists, strings, finite numbers, booleans and nulls."""
    result = situation.estimate
    return {
        "contract": CONTRACT_VERSION,
        "run": situation.run or None,
        "oven": situation.oven,
        "name": situation.name,
        "channel": situation.state.channel,
        "clock": situation.clock or "real",
        "end_s": _number(situation.now_s),
        **about_object(situation),
        "versions": versions(),
        "thermal": _thermal(result.thermal),
        "carbon": None if result.carbon is None else carbon_object(result.carbon, situation.problem.levels_wt_pct),
        "tempering": _tempering(result.tempering),
        "hardening": hardening_object(result.treatment, situation.problem.sheet),
        "targets": [_target(status) for status in situation.statuses],
        "warnings": [
            {
                "kind": str(warning.kind),
                "text": warning.words,
                "duration_s": _number(warning.duration_s),
            }
            for warning in result.warnings
        ],
        "correction": correction_object(situation.problem.sheet.correction),
        "band": band_object(situation.bands),
        "drivers": drivers_object(situation.bands),
        "gap_cases": gap_cases_object(situation.bands),
        "thermocouples": thermocouples_object(situation),
        "uniformity": [uniformity_object(one) for one in situation.uniformity],
    }


def correction_object(correction: Correction | None) -> dict[str, Any] | None:
    """The correction a run went by; null: by the book."""
    if correction is None:
        return None
    return {
        "id": correction.id,
        "recipe": correction.recipe,
        "iron_lot": correction.iron_lot,
        "mean": list(correction.mean),
        "covariance": [list(row) for row in correction.covariance],
        "evidence": list(correction.evidence),
    }


def _number(value: float | None) -> float | None:
    """A number JSON can hold, or null."""
    return None if value is None or not isfinite(value) else float(value)


def _mm(length_m: float) -> float | None:
    return _number(millimetres_from_metres(length_m))


def _h(duration_s: float) -> float | None:
    return _number(hours_from_seconds(duration_s))


def _celsius(temperature_K: float) -> float | None:
    return _number(celsius_from_kelvin(temperature_K))


def carbon_object(carbon: CarbonResult, levels_wt_pct: tuple[float, ...]) -> dict[str, Any]:
    """The ``carbon`` object of one profile; ``levels_wt_pct`` are the carbons the case depths are measured to [wt%]."""
    return {
        "surface_wt_pct": _number(carbon.surface_wt_pct),
        "back_surface_wt_pct": _number(carbon.back_surface_wt_pct),
        "surface_richest_wt_pct": _number(carbon.surface_richest_wt_pct),
        "back_surface_richest_wt_pct": _number(carbon.back_surface_richest_wt_pct),
        "core_wt_pct": _number(carbon.core_wt_pct),
        "mean_wt_pct": _number(carbon.mean_wt_pct),
        "start_wt_pct": _number(carbon.start_wt_pct),
        "gain_g_per_m2": _number(1000.0 * carbon.gain_kg_per_m2),
        "case_depth_mm": {f"{level:.2f}": _mm(carbon.case_depth_m(level)) for level in levels_wt_pct},
        "case_depth_over_core_mm": {
            "0.04": _mm(carbon.case_depth_over_core_004_m),
            "0.07": _mm(carbon.case_depth_over_core_007_m),
        },
        "grind_depth_mm": _mm(carbon.grind_depth_m),
        "carbide_depth_mm": _mm(carbon.carbide_depth_m),
        "carbide_depth_now_mm": _mm(carbon.carbide_depth_now_m),
        "liquid_depth_mm": _mm(carbon.liquid_depth_m),
        "liquid_depth_now_mm": _mm(carbon.liquid_depth_now_m),
        "skin_depth_mm": _mm(carbon.skin_depth_m),
        "network_depth_mm": _mm(carbon.network_depth_m),
        "margin_to_solidus_C": _number(carbon.margin_to_solidus_K),
        "margin_to_solidus_wt_pct": _number(carbon.margin_to_solidus_wt_pct),
        "profile": {
            "depth_mm": np.round(millimetres_from_metres(carbon.depth_m), 7).tolist(),
            "carbon_wt_pct": carbon.carbon_wt_pct.tolist(),
        },
        "notes": list(carbon.notes),
    }


def _thermal(thermal: ThermalResult) -> dict[str, Any]:
    return {
        "equivalent_time_h": _h(thermal.equivalent_time_s),
        "reference_temperature_C": _celsius(thermal.reference_temperature_K),
        "peak_C": _celsius(thermal.peak_K),
        "steel_C": _celsius(thermal.steel_temperature_K),
        "steel_is_modelled": thermal.steel_is_modelled,
        "at_heat_inside_h": _h(thermal.soak_s),
        "at_heat_by_the_oven_h": _h(thermal.oven_soak_s),
        "soaks": [
            {
                "start_s": _number(soak.start_s),
                "end_s": _number(soak.end_s),
                "in_band_h": _h(soak.in_band_s),
                "mean_C": _celsius(soak.mean_K),
                "spread_C": _number(soak.spread_K),
                "overshoot_C": _number(soak.overshoot_K),
                "band_C": [_celsius(limit_K) for limit_K in soak.band_K],
            }
            for soak in thermal.soaks
        ],
        "stages": [
            {
                "kind": str(stage.stated or stage.kind),
                "start_s": _number(stage.start_s),
                "end_s": _number(stage.end_s),
                "peak_C": _celsius(stage.peak_K),
                "hold_h": _h(stage.hold_s),
                "start_C": _celsius(stage.start_K),
                "end_C": _celsius(stage.end_K),
                "level_C": _celsius(stage.level_K),
                "rate_C_per_h": _number(3600.0 * stage.rate_K_per_s),
                "steepest_C_per_h": _number(3600.0 * stage.steepest_K_per_s),
            }
            for stage in thermal.stages
        ],
        "gaps": [
            {
                "start_s": _number(gap.start_s),
                "end_s": _number(gap.end_s),
                "bridged": gap.bridged,
                "low_C": _celsius(gap.low_K),
                "high_C": _celsius(gap.high_K),
                "open": gap.is_open,
            }
            for gap in thermal.gaps
        ],
        "spikes": [
            {"time_s": _number(spike.time_s), "reading_C": _celsius(spike.temperature_K)} for spike in thermal.spikes
        ],
        "late_readings": thermal.late_readings,
        "unbelievable_readings": thermal.unbelievable_readings,
        "without_readings_h": _h(sum(gap.end_s - gap.start_s for gap in thermal.gaps if not gap.bridged)),
        "hours_above_C": {
            f"{celsius_from_kelvin(line_K):.0f}": _h(seconds) for line_K, seconds in thermal.seconds_above.items()
        },
    }


def _tempering(tempered: TemperingResult | None) -> dict[str, Any]:
    keys = ("parameter", "constant", "equivalent_time_h", "reference_temperature_C", "hardness_HRC", "hardness_rms_HRC")
    if tempered is None:
        return dict.fromkeys(keys)
    begun = tempered.begun
    hardness = tempered.hardness_HRC
    return {
        "parameter": _number(float(tempered.parameter_K)) if begun else None,
        "constant": _number(float(tempered.constant)),
        "equivalent_time_h": _h(float(tempered.equivalent_time_s)) if begun else None,
        "reference_temperature_C": _celsius(tempered.reference_temperature_K),
        "hardness_HRC": _number(float(hardness)) if begun and hardness is not None else None,
        "hardness_rms_HRC": _number(tempered.hardness_rms_HRC) if begun else None,
        "notes": list(tempered.notes),
    }


def _factor(quantity: Quantity) -> Callable[[float], float]:
    """From a target's SI value to its unit here."""
    if quantity is Quantity.CASE_DEPTH:
        return millimetres_from_metres
    return hours_from_seconds if UNITS[quantity] == "h" else float


def _target(status: TargetStatus) -> dict[str, Any]:
    target = status.target

    def own_unit(value: float) -> float | None:
        if target.quantity is Quantity.CASE_DEPTH:
            return _mm(value)
        return _h(value) if UNITS[target.quantity] == "h" else _number(value)

    return {
        "quantity": str(target.quantity),
        "at_carbon_wt_pct": target.at_carbon_wt_pct,
        "limit": target.limit,
        "wanted": own_unit(target.value),
        "value": own_unit(status.value),
        "unit": UNITS[target.quantity],
        "judged_by": target.judged_by,
        "band": None if status.band is None else plain(status.band, _factor(target.quantity)),
        "reached": status.reached,
        "reached_at_s": _number(status.reached_at_s),
    }
