"""The verdict on a soak as text and as JSON."""

from datetime import tzinfo
from typing import Any

from logger.acceptance import Answer, Requirement, Verdict, judge
from logger.errors import Fault, InputFault
from logger.sheet_parts import Quantity
from logger.situation import Situation
from logger.thermocouple import Thermocouple
from logger.units import DisplayUnits, celsius_from_kelvin, hours_from_seconds
from logger.views.text import table
from logger.views.wording import (
    clock_words,
    date_words,
    duration_words,
    temperature_difference_words,
    temperature_words,
)

SIGNS = {Answer.YES: "yes", Answer.NO: "NO", Answer.NOT_SHOWN: "not shown"}


def requirement_of(
    situation: Situation,
    *,
    temperature_K: float | None = None,
    half_band_K: float | None = None,
    soak_s: float | None = None,
    uniformity_K: float | None = None,
    calibrated_within_days: float | None = 365.0,
    channels: tuple[str, ...] = (),
) -> Requirement:
    """What a run's soak must show: as asked [K, s, days], and where nothing is asked, as its sheet says.

    Raises   InputFault    a temperature or a time that neither the asker nor the sheet states; no such channel
    """
    sheet = situation.problem.sheet
    temperature_K = sheet.soak.temperature_K if temperature_K is None else temperature_K
    wanted = [target for target in sheet.targets if target.quantity is Quantity.SOAK_TIME and not target.limit]
    soak_s = wanted[0].value if soak_s is None and wanted else soak_s
    faults = []
    if temperature_K is None:
        faults.append(
            Fault("--at", "nothing, and no soak.temperature on the sheet", 'the temperature, such as "925 C"')
        )
    if soak_s is None:
        faults.append(Fault("--for", "nothing, and no soak time among the targets", 'the time, such as "1 h 30 min"'))
    for channel in channels:
        if channel not in situation.histories:
            faults.append(Fault("--channel", f'"{channel}"', f"one of {', '.join(situation.histories)}"))
    if faults or temperature_K is None or soak_s is None:
        raise InputFault(faults)
    half_band_K = sheet.soak.half_band_K if half_band_K is None else half_band_K
    return Requirement(temperature_K, half_band_K, soak_s, uniformity_K, calibrated_within_days, channels)


def verdict_of(situation: Situation, requirement: Requirement) -> Verdict:
    """The verdict on a reviewed run."""
    kept, sheet = situation.kept, situation.problem.sheet
    couples = dict(kept.thermocouples) if kept is not None else {}
    if sheet.thermocouple is not None:
        couples[situation.state.channel] = sheet.thermocouple
    thermal, bands = situation.estimate.thermal, situation.bands
    modelled = thermal.steel_is_modelled
    return judge(
        requirement,
        situation.histories,
        {name: couples.get(name, Thermocouple()) for name in situation.histories},
        alert_events=situation.alert_events,
        started_utc_s=None if situation.now_utc_s is None else situation.now_utc_s - situation.now_s,
        finished=situation.finished,
        steel_soak_s=thermal.soak_s if modelled else None,
        steel_soak_low_s=bands.soak_s[0] if modelled and bands is not None else None,
    )


def verdict_text(situation: Situation, verdict: Verdict, units: DisplayUnits, zone: tzinfo | None = None) -> str:
    """The verdict for a terminal, and for the file beside the evidence."""
    asked = verdict.requirement
    name = " · ".join(part for part in (situation.name, situation.run or situation.oven) if part)
    half = temperature_difference_words(asked.half_band_K, units)
    lines = [
        f"{name}: {verdict.words}",
        f"Asked: {temperature_words(asked.temperature_K, units)}, {half} either side, {duration_words(asked.soak_s)}",
    ]
    if verdict.soak_from_s is not None and verdict.soak_to_s is not None:
        ends = [_moment(situation, time_s, zone) for time_s in (verdict.soak_from_s, verdict.soak_to_s)]
        lines.append(f"Longest soak: {' to '.join(ends)}")
    rows = [(SIGNS[one.answer], one.asked, one.reason.said(units)) for one in verdict.questions]
    return "\n".join(lines) + "\n\n" + table(("", "asked", "found"), rows)


def _moment(situation: Situation, time_s: float, zone: tzinfo | None) -> str:
    if situation.now_utc_s is None:
        return f"{duration_words(time_s)} after the start"
    utc_s = situation.now_utc_s - situation.now_s + time_s
    return f"{date_words(utc_s, zone)} {clock_words(utc_s, zone)}"


def verdict_object(situation: Situation, verdict: Verdict) -> dict[str, Any]:
    """The verdict for programs. Its keys may gain company, never change."""
    asked = verdict.requirement
    return {
        "run": situation.run or None,
        "name": situation.name,
        "accepted": verdict.accepted,
        "verdict": verdict.words,
        "asked": {
            "temperature_C": celsius_from_kelvin(asked.temperature_K),
            "half_band_C": asked.half_band_K,
            "soak_h": hours_from_seconds(asked.soak_s),
            "uniformity_C": asked.uniformity_K,
            "calibrated_within_days": asked.calibrated_within_days,
            "channels": list(asked.channels) or list(situation.histories),
        },
        "soak": {"start_s": verdict.soak_from_s, "end_s": verdict.soak_to_s},
        "questions": [
            {"asked": one.asked, "answer": str(one.answer), "reason": str(one.reason)} for one in verdict.questions
        ],
    }
