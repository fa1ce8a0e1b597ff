"""Invented moments for the tests of views: plausible numbers, nothing measured and nothing computed."""

from dataclasses import replace
from datetime import datetime, timedelta, timezone

from logger.alert_rules import Severity
from logger.sheet_parts import Quantity
from logger.units import kelvin_from_celsius
from logger.views.snapshot import Aim, AlertNow, CarbonNow, CaseNow, Snapshot, TemperNow

ZONE = timezone(timedelta(hours=1))
NOW_UTC_S = datetime(2026, 3, 15, 0, 40, tzinfo=ZONE).timestamp()
HOUR_S = 3600.0

CASE_AIM = Aim(
    Quantity.CASE_DEPTH,
    value=0.62e-3,
    wanted=0.80e-3,
    at_carbon_wt_pct=0.40,
    expected_at_s=6.0 * HOUR_S,
    expected_range_s=(5.25 * HOUR_S, 7.0 * HOUR_S + 600.0),
    forecast_tried=True,
)

CARBURIZING = Snapshot(
    oven="left oven",
    run_name="Strap lot 12",
    now_utc_s=NOW_UTC_S,
    time_s=4.0 * HOUR_S,
    reading_age_s=2.0,
    steel_K=kelvin_from_celsius(927.0),
    oven_K=kelvin_from_celsius(931.0),
    setpoint_K=kelvin_from_celsius(927.0),
    peak_K=kelvin_from_celsius(931.4),
    stage="carburize",
    stage_since_s=7_200.0,
    soak_s=6_600.0,
    soaking_now=True,
    soak_band_K=(kelvin_from_celsius(913.0), kelvin_from_celsius(941.0)),
    equivalent_time_s=7_560.0,
    reference_K=kelvin_from_celsius(950.0),
    carbon=CarbonNow((CaseNow(0.40, 0.62e-3, (0.51e-3, 0.75e-3)),), surface_wt_pct=0.98, core_wt_pct=0.10),
    aims=(CASE_AIM,),
    zone=ZONE,
)

HEATING = replace(
    CARBURIZING,
    steel_K=kelvin_from_celsius(640.0),
    steel_is_modelled=True,
    steel_rate_K_per_s=0.1,
    stage="heat-up",
    soak_s=None,
    soaking_now=False,
    carbon=CarbonNow((CaseNow(0.40, 0.0),), surface_wt_pct=0.10, core_wt_pct=0.10),
    aims=(replace(CASE_AIM, value=0.0),),
)

MELTING = replace(
    CARBURIZING,
    steel_K=kelvin_from_celsius(1192.0),
    carbon=CarbonNow((CaseNow(0.40, 2.2e-3),), 3.1, 0.30, carbide_m=1.1e-3, melted_m=0.75e-3, molten_now_m=0.6e-3),
    aims=(replace(CASE_AIM, value=2.2e-3, reached_at_s=2.5 * HOUR_S),),
    alerts=(
        AlertNow("Case depth 0.80 mm to 0.40 % C reached", Severity.WARNING, 4.0 * HOUR_S - 3_000.0),
        AlertNow("Skin is melting: 0.60 mm is liquid", Severity.DANGER, 4.0 * HOUR_S - 600.0),
    ),
)

TEMPERING = replace(
    CARBURIZING,
    run_name="Plane iron 3",
    steel_K=kelvin_from_celsius(205.0),
    stage="temper",
    carbon=None,
    temper=TemperNow(16.5, 7_760.0, 5_400.0, kelvin_from_celsius(200.0), 60.6, (58.2, 62.4)),
    aims=(Aim(Quantity.TEMPERING_PARAMETER, 7_760.0, 7_900.0, expected_at_s=5.0 * HOUR_S),),
)

FINISHED = replace(CARBURIZING, finished=True, soaking_now=False, steel_K=kelvin_from_celsius(40.0))
SILENT = replace(CARBURIZING, reading_age_s=260.0)
BLANK = Snapshot("left oven", "Strap lot 12", NOW_UTC_S, 0.0, reading_age_s=None, steel_K=None, zone=ZONE)
EVERY = (CARBURIZING, HEATING, MELTING, TEMPERING, FINISHED, SILENT, BLANK)
