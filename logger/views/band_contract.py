"""The bands of a review for programs: 5, 50 and 95 % under the very paths the nominal values stand at.

``band.carbon.mean_wt_pct`` is ``[5 %, median, 95 %]``, and so for every number that scatters.
"""

from collections.abc import Callable
from math import isfinite
from typing import Any

import numpy as np

from logger.estimate.bands import Band, Bands, CarbonBands, GapCase
from logger.units import celsius_from_kelvin, hours_from_seconds, millimetres_from_metres
from logger.views.treatment_contract import hardening_bands

Plain = list[float | None] | None


def band_object(bands: Bands | None) -> dict[str, Any] | None:
    """The ``band`` object, or null where no bands were worked out."""
    if bands is None:
        return None
    tempered = bands.tempering
    return {
        "members": bands.members,
        "at_s": float(bands.time_s),
        "thermal": {
            "equivalent_time_h": plain(bands.equivalent_time_s, hours_from_seconds),
            "peak_C": plain(bands.peak_K, celsius_from_kelvin),
            "steel_C": plain(bands.steel_temperature_K, celsius_from_kelvin),
            "at_heat_inside_h": plain(bands.soak_s, hours_from_seconds),
        },
        "carbon": carbon_band_object(bands.carbon),
        "tempering": {
            "parameter": None if tempered is None else plain(tempered.parameter_K),
            "equivalent_time_h": None if tempered is None else plain(tempered.equivalent_time_s, hours_from_seconds),
            "hardness_HRC": None if tempered is None else plain(tempered.hardness_HRC),
        },
        "hardening": hardening_bands(bands.section),
    }


def gap_cases_object(bands: Bands | None) -> dict[str, Any] | None:
    """What the run comes to with the oven off in every gap, and kept on; null where there is none but short ones.

    The nominal values, with a straight line through each gap, are the review's own.
    """
    if bands is None or bands.gap_cases is None:
        return None
    return {"oven_off": _case(bands.gap_cases.low), "oven_kept_on": _case(bands.gap_cases.high)}


def _case(case: GapCase) -> dict[str, Any]:
    def number(value: float, convert: Callable[[float], float] = float) -> float | None:
        return float(convert(value)) if isfinite(value) else None

    return {
        "peak_C": number(case.peak_K, celsius_from_kelvin),
        "at_heat_inside_h": number(case.soak_s, hours_from_seconds),
        "equivalent_time_h": number(case.equivalent_time_s, hours_from_seconds),
        "surface_wt_pct": number(case.surface_wt_pct),
        "core_wt_pct": number(case.core_wt_pct),
        "mean_wt_pct": number(case.mean_wt_pct),
        "case_depth_mm": {
            f"{level:.2f}": number(depth_m, millimetres_from_metres) for level, depth_m in case.case_depth_m.items()
        },
        "liquid_depth_mm": number(case.liquid_depth_m, millimetres_from_metres),
        "tempering_parameter": number(case.tempering_parameter_K),
        "hardness_HRC": number(case.hardness_HRC),
    }


def drivers_object(bands: Bands | None) -> list[dict[str, Any]]:
    """What the bands come from, for each quantity that matters: the strongest first, and what to measure next."""
    if bands is None:
        return []
    return [
        {
            "quantity": str(driven.about.quantity),
            "at_carbon_wt_pct": driven.about.at_carbon_wt_pct,
            "from": [
                {"cause": str(one.doubt), "share": round(one.share, 3), "measure": one.measure}
                for one in driven.drivers
            ],
        }
        for driven in bands.drivers
    ]


def plain(band: Band | None, convert: Callable[[float], float] = float) -> Plain:
    """A band [any unit] as JSON holds it, converted; null where there is none."""
    if band is None or not all(isfinite(value) for value in band):
        return None
    return [float(convert(value)) for value in band]


def _mm(band: Band) -> Plain:
    return plain(band, millimetres_from_metres)


def carbon_band_object(carbon: CarbonBands) -> dict[str, Any]:
    """The ``band.carbon`` object."""
    return {
        "surface_wt_pct": plain(carbon.surface_wt_pct),
        "back_surface_wt_pct": plain(carbon.back_surface_wt_pct),
        "core_wt_pct": plain(carbon.core_wt_pct),
        "mean_wt_pct": plain(carbon.mean_wt_pct),
        "start_wt_pct": plain(carbon.start_wt_pct),
        "gain_g_per_m2": plain(carbon.gain_kg_per_m2, lambda gain: 1000.0 * gain),
        "case_depth_mm": {f"{level:.2f}": _mm(depth) for level, depth in carbon.case_depth_m.items()},
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
        "margin_to_solidus_C": plain(carbon.margin_to_solidus_K),
        "melted_share": carbon.melted_share,
        "profile": {
            "depth_mm": np.round(millimetres_from_metres(carbon.depth_m), 7).tolist(),
            "carbon_wt_pct": carbon.carbon_wt_pct.T.tolist(),
            "not_melted_wt_pct": None if carbon.apart_wt_pct is None else carbon.apart_wt_pct[0].T.tolist(),
            "melted_wt_pct": None if carbon.apart_wt_pct is None else carbon.apart_wt_pct[1].T.tolist(),
        },
    }
