"""What a picture of a run shows as one plain object for a page that draws it itself, in the reader's units.

Times are run time [s] from the start; lengths and temperatures carry their unit in ``units``. Traces are thinned so
that no peak is hidden; a piece of a run can be asked for with more detail.
"""

from math import isfinite
from typing import Any, Final

import numpy as np

from logger.units import DisplayUnits, FloatArray
from logger.views.series import DepthView, ProfileView, RunView, TemperatureView, TemperView
from logger.views.thinning import thin
from logger.views.time_axis import offsets_along
from logger.views.wording import duration_words, length_words, temperature_range_words, zone_words

BUCKETS: Final = 300
"""A phone held upright shows about this many columns."""

AHEAD_S: Final = 4.0 * 86_400.0
"""So far beyond the last reading [s] a picture may reach: forecasts look two days ahead, their ranges further."""

Window = tuple[float, float]


def chart_object(run: RunView, units: DisplayUnits, buckets: int = BUCKETS) -> dict[str, Any]:
    """Everything there is to draw about one run.

    Parameters
    ----------
    run : what to show, in SI
    units : the reader's units
    buckets : how many columns can be told apart

    Returns    dict that JSON can hold
    """
    return {
        "title": run.title,
        "headline": run.headline,
        "start_utc_s": run.start_utc_s,
        "utc_offsets": _offsets(run),
        "zone": None if run.start_utc_s is None else zone_words(run.start_utc_s, run.zone),
        "units": {"temperature": units.temperature, "length": units.length},
        "temperature": temperature_object(run.temperature, units, buckets),
        "depth": None if run.depth is None else _depth(run.depth, units),
        "profile": None if run.profile is None else _profile(run.profile, units),
        "temper": None if run.temper is None else _temper(run.temper),
        "notes": list(run.notes),
    }


def temperature_object(
    view: TemperatureView, units: DisplayUnits, buckets: int = BUCKETS, window: Window | None = None
) -> dict[str, Any]:
    """The heat itself; ``window``: only from and to these run times [s], with one point beyond each end."""
    traces = []
    for trace in view.traces:
        time_s, temperature_K = _within(trace.time_s, trace.temperature_K, window)
        shown_s, shown_K = thin(time_s, temperature_K, buckets)
        traces.append(
            {
                "label": trace.label,
                "role": str(trace.role),
                "time_s": _numbers(shown_s, 1),
                "value": _numbers(units.temperature_from_kelvin(shown_K), 1),
                "thinned": bool(shown_s.size < time_s.size),
            }
        )
    return {
        "traces": traces,
        "stages": [{"name": one.name, "from_s": one.from_s, "to_s": one.to_s} for one in view.stages],
        "soaks": [
            {
                "from_s": one.from_s,
                "to_s": one.to_s,
                "words": f"{duration_words(one.in_band_s)} at heat, {temperature_range_words(*one.band_K, units)}",
                "band": [round(units.temperature_from_kelvin(edge_K), 1) for edge_K in one.band_K],
            }
            for one in view.soaks
        ],
        "soak_band": None
        if view.soak_band_K is None
        else [round(units.temperature_from_kelvin(edge_K), 1) for edge_K in view.soak_band_K],
        "gaps": [
            {"words": f"{one.name}, {duration_words(one.to_s - one.from_s)}", "from_s": one.from_s, "to_s": one.to_s}
            for one in view.gaps
        ],
        "marks": [{"time_s": one.time_s, "words": one.words, "severity": str(one.severity)} for one in view.marks],
    }


def _within(time_s: FloatArray, value: FloatArray, window: Window | None) -> tuple[FloatArray, FloatArray]:
    if window is None:
        return time_s, value
    first = max(int(np.searchsorted(time_s, window[0])) - 1, 0)
    last = int(np.searchsorted(time_s, window[1], side="right")) + 1
    return time_s[first:last], value[first:last]


def _depth(view: DepthView, units: DisplayUnits) -> dict[str, Any]:
    decimals = 4 if units.length == "mm" else 5

    def lengths(depth_m: FloatArray) -> list[float | None]:
        return _numbers(units.length_from_metres(depth_m), decimals)

    return {
        "definition": view.definition,
        "time_s": _numbers(view.time_s, 1),
        "value": lengths(view.depth_m),
        "low": None if view.band_m is None else lengths(view.band_m[0]),
        "high": None if view.band_m is None else lengths(view.band_m[1]),
        "target": None if view.target_m is None else round(units.length_from_metres(view.target_m), decimals),
        "target_words": None if view.target_m is None else length_words(view.target_m, units),
        "reached_s": view.reached_s,
        "expected_s": view.expected_s,
        "expected_range_s": None if view.expected_range_s is None else list(view.expected_range_s),
    }


def _profile(view: ProfileView, units: DisplayUnits) -> dict[str, Any]:
    decimals = 4 if units.length == "mm" else 5

    def length(depth_m: float | None) -> float | None:
        return None if depth_m is None else round(units.length_from_metres(depth_m), decimals)

    return {
        "curves": [
            {
                "label": curve.label,
                "when": curve.when,
                "depth": _numbers(units.length_from_metres(curve.depth_m), decimals),
                "carbon_wt_pct": _numbers(curve.carbon_wt_pct, 3),
                "low_wt_pct": None if curve.band_wt_pct is None else _numbers(curve.band_wt_pct[0], 3),
                "high_wt_pct": None if curve.band_wt_pct is None else _numbers(curve.band_wt_pct[1], 3),
            }
            for curve in view.curves
        ],
        "limits": [{"carbon_wt_pct": round(one.carbon_wt_pct, 3), "words": one.words} for one in view.limits],
        "case_at_wt_pct": view.case_at_wt_pct,
        "case_depth": length(view.case_depth_m),
        "case_words": None if view.case_depth_m is None else length_words(view.case_depth_m, units),
        "skin": length(view.skin_m),
        "melted": length(view.liquid_m),
        "far_end": view.far_end,
    }


def _temper(view: TemperView) -> dict[str, Any]:
    hardness, band = view.hardness_HRC, view.hardness_band_HRC
    return {
        "constant": view.constant,
        "time_s": _numbers(view.time_s, 1),
        "parameter": _numbers(view.parameter, 0),
        "target_parameter": view.target_parameter,
        "hardness_HRC": None if hardness is None else _numbers(hardness, 2),
        "hardness_low_HRC": None if band is None else _numbers(band[0], 2),
        "hardness_high_HRC": None if band is None else _numbers(band[1], 2),
        "target_hardness_HRC": view.target_hardness_HRC,
    }


def _numbers(values: FloatArray, decimals: int) -> list[float | None]:
    """Numbers as JSON holds them: rounded, null where there is none."""
    rounded = np.round(np.asarray(values, dtype=np.float64), decimals)
    if decimals <= 0:
        return [int(value) if isfinite(value) else None for value in rounded.tolist()]
    return [value if isfinite(value) else None for value in rounded.tolist()]


def _offsets(run: RunView) -> list[list[float]] | None:
    """Run time [s] from which, and how far local time is from UTC then [s]: to the end of what may be forecast."""
    if run.start_utc_s is None:
        return None
    ends_s = [float(trace.time_s[-1]) for trace in run.temperature.traces if trace.time_s.size]
    along = offsets_along(0.0, max(ends_s, default=0.0) + AHEAD_S, run.start_utc_s, run.zone)
    return [[from_s, offset_s] for from_s, offset_s in along]
