"""Invented trends for the tests of their pictures: ten Saturdays of one oven, nothing measured."""

from math import nan

from logger.oven_trend import HeatEffort, OvenTrend, trend
from logger.units import kelvin_from_celsius

FIRST_UTC_S = 1_768_030_200.0  # 10 January 2026, 07:30 UTC


def _saturdays(minutes: list[float], output_pct: list[float]) -> OvenTrend:
    return trend(
        [
            HeatEffort(
                run=f"run {number}",
                started_utc_s=FIRST_UTC_S + 7 * 86400.0 * number,
                time_to_heat_s=1620.0 if at_full == at_full else nan,
                full_power_s=60.0 * at_full,
                hold_K=kelvin_from_celsius(925.0),
                hold_output_pct=output,
            )
            for number, (at_full, output) in enumerate(zip(minutes, output_pct, strict=True))
        ]
    )


def dying() -> OvenTrend:
    """An element that fails from the sixth run on; one run says nothing of heating up."""
    return _saturdays(
        [13.1, 13.2, 13.1, 13.4, 13.2, 14.4, nan, 16.7, 18.9, 21.4],
        [37.0, 37.5, 38.0, 37.0, 38.0, 40.0, 41.0, 47.0, 54.0, 62.0],
    )


def steady() -> OvenTrend:
    """An oven that stays as it is."""
    return _saturdays([13.1, 13.2, 13.1, 13.4, 13.2], [37.0, 37.5, 38.0, 37.0, 38.0])
