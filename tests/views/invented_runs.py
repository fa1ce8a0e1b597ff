"""Invented runs for the tests of views: smooth made-up curves, nothing measured, nothing computed from steel."""

from dataclasses import replace
from datetime import datetime, timedelta, timezone

import numpy as np

from logger.alert_rules import Severity
from logger.units import kelvin_from_celsius
from logger.views.series import (
    CarbonLimit,
    DepthView,
    GapSpan,
    Mark,
    ProfileCurve,
    ProfileView,
    Role,
    RunView,
    SoakSpan,
    Span,
    TemperatureView,
    TemperView,
    TraceView,
)

ZONE = timezone(timedelta(hours=1))
START_UTC_S = datetime(2026, 3, 14, 20, 40, tzinfo=ZONE).timestamp()
TIME_S = np.arange(0.0, 8.5 * 3600.0, 10.0)
BAND_K = (kelvin_from_celsius(913.0), kelvin_from_celsius(941.0))


def _towards(level: float, after_s: float, in_s: float) -> np.ndarray:
    return level * (1.0 - np.exp(-np.maximum(TIME_S - after_s, 0.0) / in_s))


def carburizing() -> RunView:
    """A good run, six millimetres of strap, with target, forecast met and three marks."""
    oven_K = kelvin_from_celsius(20.0 + _towards(907.0, 0.0, 2400.0))
    steel_K = kelvin_from_celsius(20.0 + _towards(907.0, 600.0, 3600.0))
    depth_m = np.sqrt(_towards(0.9e-6, 7_200.0, 20_000.0))
    profile_m = np.linspace(0.0, 3e-3, 50)
    return RunView(
        title="Strap lot 12",
        headline="Case depth 0.78 mm to 0.40 % C. All well.",
        temperature=TemperatureView(
            traces=(
                TraceView("steel (modelled)", Role.STEEL, TIME_S, steel_K, (steel_K - 10.0, steel_K + 10.0)),
                TraceView("oven", Role.OVEN, TIME_S, oven_K),
                TraceView("set point", Role.SETPOINT, TIME_S, np.full_like(TIME_S, kelvin_from_celsius(927.0))),
            ),
            stages=(Span("heat-up", 0.0, 7_200.0), Span("carburize", 7_200.0, np.inf)),
            soaks=(SoakSpan(15_120.0, 30_590.0, 15_480.0, BAND_K),),
            soak_band_K=BAND_K,
            marks=(
                Mark(15_120.0, "Steel at heat inside"),
                Mark(25_000.0, "Case depth 0.70 mm to 0.40 % C reached"),
                Mark(25_100.0, "Surface near saturation", Severity.WARNING),
            ),
        ),
        start_utc_s=START_UTC_S,
        zone=ZONE,
        profile=ProfileView(
            curves=(ProfileCurve("at the end", profile_m, 0.1 + 0.95 * np.exp(-profile_m / 0.6e-3)),),
            limits=(CarbonLimit(1.23, "carbide above this at 927 C"),),
            case_at_wt_pct=0.40,
            case_depth_m=0.69e-3,
        ),
        depth=DepthView(
            "to 0.40 % C", TIME_S, depth_m, (0.8 * depth_m, 1.2 * depth_m), target_m=0.70e-3, reached_s=25_000.0
        ),
        notes=("Invented data.",),
    )


def melted() -> RunView:
    """The skin has turned to cast iron."""
    run = carburizing()
    assert run.profile is not None
    profile_m = run.profile.curves[0].depth_m
    return replace(
        run,
        profile=ProfileView(
            curves=(
                ProfileCurve("at the end", profile_m, np.where(profile_m < 0.7e-3, 3.4, 0.9)),
                ProfileCurve("deepest melt", profile_m, np.where(profile_m < 0.8e-3, 3.9, 0.9)),
            ),
            limits=(CarbonLimit(1.75, "melts above this at 1185 C"), CarbonLimit(4.3, "eutectic")),
            case_at_wt_pct=0.40,
            case_depth_m=3e-3,
            skin_m=1.1e-3,
            liquid_m=0.75e-3,
        ),
    )


def tempering() -> RunView:
    """A temper, parameter and hardness over time; nothing known at first."""
    run = carburizing()
    parameter = 6_500.0 + _towards(1_200.0, 3_000.0, 3_000.0)
    hardness = 66.0 - _towards(5.0, 3_000.0, 3_000.0)
    parameter[TIME_S < 3_000.0] = np.nan
    hardness[TIME_S < 3_000.0] = np.nan
    return replace(
        run,
        profile=None,
        depth=None,
        temper=TemperView(16.5, TIME_S, parameter, 7_700.0, hardness, (hardness - 2.0, hardness + 2.0), 61.0),
    )


def gap() -> RunView:
    """Nothing read for three quarters of an hour, wall clock unknown."""
    run = carburizing()
    hole = (TIME_S > 13_000.0) & (TIME_S < 15_700.0)
    oven = run.temperature.traces[1]
    broken = replace(oven, temperature_K=np.where(hole, np.nan, oven.temperature_K))
    temperature = replace(
        run.temperature,
        traces=(run.temperature.traces[0], broken),
        gaps=(GapSpan("no reading", 13_000.0, 15_700.0),),
        soaks=(),
    )
    return replace(run, temperature=temperature, start_utc_s=None, depth=None)
