"""A foreign log as a run in a record: its readings, its sheet, and how its columns were read."""

from dataclasses import asdict
from math import isnan
from pathlib import Path

from logger.errors import Fault, InputFault
from logger.estimate import estimate
from logger.foreign_log import ForeignHeat
from logger.history import typical_interval_s
from logger.reading import Quality, Reading
from logger.record import RecordWriter
from logger.sheet_file import parse_sheet
from logger.versions import versions

TRANSLATED = "translated"
"""The kind of the event that keeps how a log was read."""


def keep_run(
    record: Path, heat: ForeignHeat, *, oven: str, sheet_file: Path, source: str, started_utc_s: float | None = None
) -> str:
    """Put a foreign heat into a record as a finished run.

    Parameters
    ----------
    record : the record; made if there is none
    heat : what was read
    oven, sheet_file : where it was heated, and its run sheet
    source : name of the log
    started_utc_s : when it began [s since 1970 UTC], where the log does not say

    Returns    the run's id
    Raises     InputFault      no wall clock; a sheet that cannot be used, or names a channel that the log has not
               OutsideFault    the record cannot be written
    """
    start_utc_s = heat.start_utc_s if heat.start_utc_s is not None else started_utc_s
    if start_utc_s is None:
        expected = "--zone for its dates, or --started with the moment of the first row"
        raise InputFault(Fault(source, "no wall clock", expected))
    text = sheet_file.read_text(encoding="utf-8")
    sheet = parse_sheet(text, str(sheet_file))
    channels = [one.name for one in heat.mapping.channels]
    estimate.driving_channel(channels, sheet)
    kelvin = {channel: heat.kelvin(channel) for channel in channels}
    batch = [
        Reading(
            channel.name,
            time_s,
            start_utc_s + time_s,
            float(kelvin[channel.name][row]),
            Quality.MISSING if isnan(kelvin[channel.name][row]) else Quality.GOOD,
            "" if isnan(kelvin[channel.name][row]) else f"{float(heat.values[channel.name][row])!r} {channel.unit}",
        )
        for row, time_s in enumerate(heat.time_s.tolist())
        for channel in heat.mapping.channels
    ]
    end_s = float(heat.time_s[-1])
    with RecordWriter(record) as writer:
        run = writer.begin_run(
            oven=oven,
            channels=channels,
            sheet_name=sheet_file.stem,
            sheet_text=text,
            started_utc_s=start_utc_s,
            software=f"soaktally {versions()['soaktally']}, translated from {source}",
            poll_interval_s=typical_interval_s(heat.time_s),
        )
        writer.append_readings(run, batch)
        writer.append_event(
            TRANSLATED,
            f"translated from {source}",
            utc_s=start_utc_s + end_s,
            oven=oven,
            run=run,
            time_s=end_s,
            detail={"mapping": asdict(heat.mapping), "remarks": list(heat.remarks)},
        )
        writer.end_run(run, f"translated from {source}", ended_utc_s=start_utc_s + end_s)
    return run
