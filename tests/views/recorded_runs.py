"""Invented runs put into a real record, for everything that reads one: smooth made-up curves, nothing measured."""

from dataclasses import dataclass
from math import nan
from pathlib import Path

import numpy as np

from logger.alert import AlertEvent, Phase
from logger.alert_rules import AlertKind, Severity
from logger.reading import Quality, Reading
from logger.record import RecordWriter
from logger.thermocouple import Correction, Thermocouple, plain
from logger.units import FloatArray, kelvin_from_celsius

START_UTC_S = 1_773_517_200.0  # 14 March 2026, 19:40 UTC

SHEET = """\
name = "{name}"
notes = "four lengths, wire-brushed"

[piece]
shape = "plate"
thickness_mm = 4.0
carbon_wt_pct = 0.05
alloy_wt_pct = {{ Mn = 0.05, Si = 0.10 }}
iron_lot = "barn hinges, invented"

[pack]
recipe = "energised charcoal"

[canister]
sensor = "inside"

[[target]]
quantity = "case depth"
at_carbon_wt_pct = 0.40
reach_mm = 0.5

[[target]]
quantity = "soak time"
reach_h = 1.5

[[target]]
quantity = "surface carbon"
reach_wt_pct = 1.3
limit = true
"""

TEMPER_SHEET = """\
name = "{name}"

[piece]
shape = "plate"
thickness_mm = 4.0
carbon_wt_pct = 0.85

[canister]
sensor = "inside"

[[stage]]
kind = "temper"

[[target]]
quantity = "hardness"
reach_HRC = 61
"""


@dataclass(frozen=True)
class Heat:
    """A made-up heat: times [s], temperatures [C] with NaN where the reading is bad, and how it is kept."""

    time_s: FloatArray
    temperature_C: FloatArray
    name: str = "Strap lot 12"
    sheet: str = SHEET
    how_ended: str | None = "stopped by hand"
    output_pct: FloatArray | None = None
    start_utc_s: float = START_UTC_S


def curve(to_C: float = 925.0, hold_h: float = 2.5, step_s: float = 30.0, heating_s: float = 1500.0) -> Heat:
    """Up, a hold, and down again."""
    hold_s = hold_h * 3600.0
    time_s = np.arange(0.0, 4.0 * heating_s + hold_s + 3600.0, step_s)
    up = 20.0 + (to_C - 20.0) * np.minimum(time_s / (2.5 * heating_s), 1.0)
    off_s = 2.5 * heating_s + hold_s
    down = 20.0 + (to_C - 20.0) * np.exp(-np.maximum(time_s - off_s, 0.0) / 2400.0)
    temperature_C = np.where(time_s < off_s, up, down)
    output = np.where(time_s < 2.5 * heating_s, 90.0, np.where(time_s < off_s, 40.0, 0.0))
    return Heat(time_s, temperature_C, output_pct=output)


def put(record: Path, heat: Heat, *, notes: tuple[str, ...] = (), alerts: tuple[AlertEvent, ...] = ()) -> str:
    """Put a heat into a record and return its run's id."""
    couple = Thermocouple(correction=Correction((kelvin_from_celsius(900.0),), (1.5,)))
    with RecordWriter(record) as writer:
        run = writer.begin_run(
            oven="shed oven",
            channels=["inside"],
            sheet_name="sheet",
            sheet_text=heat.sheet.format(name=heat.name),
            started_utc_s=heat.start_utc_s,
            software="soaktally 0.1.0",
            poll_interval_s=float(heat.time_s[1] - heat.time_s[0]) if heat.time_s.size > 1 else 30.0,
        )
        writer.append_event(
            "watch started",
            "soaktally 0.1.0",
            utc_s=heat.start_utc_s,
            oven="shed oven",
            run=run,
            time_s=0.0,
            detail={"thermocouples": {"inside": plain(couple)}},
        )
        output = heat.output_pct if heat.output_pct is not None else np.full(heat.time_s.size, nan)
        writer.append_readings(
            run,
            [
                Reading(
                    "inside",
                    float(time_s),
                    heat.start_utc_s + float(time_s),
                    nan if np.isnan(at_C) else kelvin_from_celsius(float(at_C)),
                    Quality.SENSOR_OPEN if np.isnan(at_C) else Quality.GOOD,
                    "32767" if np.isnan(at_C) else f"{10 * at_C:.0f}",
                    output_pct=float(percent),
                )
                for time_s, at_C, percent in zip(heat.time_s, heat.temperature_C, output, strict=True)
            ],
        )
        for event in alerts:
            writer.append_alert(event, utc_s=heat.start_utc_s + event.time_s, oven="shed oven", run=run)
        for text in notes:
            writer.add_note(run, text, utc_s=heat.start_utc_s + 900.0, time_s=900.0, author="Ada")
        if heat.how_ended is not None:
            writer.end_run(run, heat.how_ended, ended_utc_s=heat.start_utc_s + float(heat.time_s[-1]))
    return run


def alert(
    kind: AlertKind, time_s: float, phase: Phase = Phase.RAISED, severity: Severity = Severity.WARNING
) -> AlertEvent:
    """An alert event at a moment of run time [s]."""
    return AlertEvent(kind, "inside", 1, phase, time_s, severity, str(kind).capitalize(), "made up.", "look at it")
