"""What a check found, as text for a person and as one JSON object."""

from math import isfinite
from statistics import median
from textwrap import wrap
from typing import Any

from logger.controllers.settings import Framing
from logger.diagnosis.failures import (
    Certainty,
    ChannelEvidence,
    CheckReport,
    ControllerEvidence,
    Diagnosis,
    Failure,
    PortEvidence,
    Stretch,
)
from logger.reading import Quality
from logger.units import DisplayUnits, celsius_from_kelvin

WIDTH = 96

CERTAINTY_WORDS = {
    Certainty.SURE: "it is",
    Certainty.LIKELY: "most likely",
    Certainty.ONE_OF_SEVERAL: "one of these",
}


def check_text(report: CheckReport, units: DisplayUnits) -> str:
    """What was seen, what is wrong, what to try next."""
    lines = [f"Check of {report.oven}", ""]
    lines.extend(_seen(report, units))
    lines.append("")
    in_the_way = [each for each in report.diagnoses if each.stands_in_the_way]
    for diagnosis in report.diagnoses:
        lines.extend([*_diagnosis_lines(diagnosis), ""])
    lines.extend(_not_judged(report))
    if report.was_stopped:
        lines.append("Stopped before it was through; this is what was found by then.")
    elif not in_the_way and report.diagnoses:
        lines.append("The readings can be trusted; what is said above does not stand in their way.")
    elif not in_the_way:
        lines.append(_all_well(report))
    else:
        first = in_the_way[0]
        lines.extend(_wrapped(f"{first.advice[0]}. Then check again.", "Next: ", "      "))
    return "\n".join(lines)


def _all_well(report: CheckReport) -> str:
    if not report.channels:
        return "Nothing was found wrong, and no temperature was read."
    compared = any(isfinite(channel.expected_K) for channel in report.channels)
    rest = "" if compared else " Compare it once with a thermometer: soaktally check OVEN.toml --room"
    far = ", as far as it was watched" if report.not_judged else ""
    return f"All is well{far}.{rest} Warm the oven a little and see the reading follow before steel goes in."


def _seen(report: CheckReport, units: DisplayUnits) -> list[str]:
    lines = [_port_line(port) for port in report.ports]
    lines.extend(_controller_line(controller) for controller in report.controllers)
    lines.extend(_channel_line(channel, units) for channel in report.channels)
    lines.extend(_stretch_line(stretch, units) for stretch in report.stretches)
    if report.place is not None and report.place.writable and isfinite(report.place.free_bytes):
        lines.append(f"  record  {report.place.record}: can be written, {report.place.free_bytes / 1e9:.1f} GB free")
    return lines


def _port_line(port: PortEvidence) -> str:
    if port.fault:
        words = {"missing": "not there", "taken": "held", "lost": "does not open"}[port.fault]
        return f"  port    {port.port}: {words}"
    return f"  port    {port.port}: opened in {1000.0 * port.opening_s:.0f} ms"


def _controller_line(seen: ControllerEvidence) -> str:
    tally = seen.tally
    words = f"  asked   {seen.controller}: {tally.answered} of {tally.asked} questions answered"
    if tally.answer_s:
        of_text = " with two lines that agree" if seen.framing is Framing.TEXT else ""
        words += (
            f"{of_text}, {1000.0 * median(tally.answer_s):.0f} ms each, {1000.0 * max(tally.answer_s):.0f} ms at most"
        )
    tried = len(seen.line_trials) + len(seen.unit_trials) + len(seen.register_trials) + len(seen.pace_trials)
    return words + (f"; {tried} neighbouring settings tried" if tried else "")


def _channel_line(seen: ChannelEvidence, units: DisplayUnits) -> str:
    reading = seen.reading
    said = _temperature(reading.temperature_K, units) if isfinite(reading.temperature_K) else "no temperature"
    words = f"  reads   {seen.channel.name}: {said} (number read: {reading.raw or 'none'})"
    if isfinite(seen.expected_K):
        words += f"; {'the room' if seen.is_room else 'the display'} has {_temperature(seen.expected_K, units)}"
    if reading.quality is not Quality.GOOD:
        words += f"; {reading.quality}"
    return words


def _stretch_line(seen: Stretch, units: DisplayUnits) -> str:
    good = [sample for sample in seen.samples if sample.quality is Quality.GOOD]
    words = f"  watched {seen.channel}: {len(good)} of {len(seen.samples)} readings good"
    if not good:
        return words
    lasted_s = seen.samples[-1].time_s - seen.samples[0].time_s
    lasted = f"{lasted_s:.0f} s" if lasted_s < 120.0 else f"{lasted_s / 60.0:.0f} min"
    lowest, highest = (pick(sample.temperature_K for sample in good) for pick in (min, max))
    return f"{words} in {lasted}, {_temperature(lowest, units)} to {_temperature(highest, units)}"


def _temperature(temperature_K: float, units: DisplayUnits) -> str:
    return f"{units.temperature_from_kelvin(temperature_K):.1f} {units.temperature}"


def _diagnosis_lines(diagnosis: Diagnosis) -> list[str]:
    head = f"{diagnosis.where}: {diagnosis.failure.title}"
    if not diagnosis.stands_in_the_way:
        head += " (not in the way)"
    lines = [*_wrapped(head, "", "  ")]
    lines.extend(_wrapped(diagnosis.cause, f"  {CERTAINTY_WORDS[diagnosis.certainty]}: ", "    "))
    lines.extend(_wrapped(diagnosis.seen, "  seen: ", "    "))
    for number, advice in enumerate(diagnosis.advice, start=1):
        lines.extend(_wrapped(advice, f"  {number}. ", "     "))
    return lines


def _not_judged(report: CheckReport) -> list[str]:
    lines: list[str] = []
    alike: dict[tuple[Failure, str, str], list[str]] = {}
    for each in report.not_judged:
        alike.setdefault((each.failure, each.why, each.how), []).append(each.where)
    for (failure, why, how), where in alike.items():
        lines.extend(_wrapped(f"{', '.join(where)}: {failure.title}: not judged in the time watched", "", "  "))
        lines.extend(_wrapped(why, "  why: ", "    "))
        lines.extend([*_wrapped(how, "  1. ", "     "), ""])
    return lines


def _wrapped(words: str, first: str, rest: str) -> list[str]:
    return wrap(words, WIDTH, initial_indent=first, subsequent_indent=rest, break_long_words=False)


# -- for programs ------------------------------------------------------------------------------------------------


def check_object(report: CheckReport) -> dict[str, Any]:
    """The same as one JSON object; temperatures in Celsius, times in seconds, what is not known as null."""
    return {
        "contract": 1,
        "oven": report.oven,
        "well": report.is_well,
        "stopped": report.was_stopped,
        "ports": [_port_object(port) for port in report.ports],
        "controllers": [_controller_object(controller) for controller in report.controllers],
        "channels": [_channel_object(channel) for channel in report.channels],
        "watched": [_stretch_object(stretch) for stretch in report.stretches],
        "diagnoses": [diagnosis_object(diagnosis) for diagnosis in report.diagnoses],
        "not_judged": [
            {
                "failure": each.failure.value,
                "title": each.failure.title,
                "where": each.where,
                "why": each.why,
                "how": each.how,
            }
            for each in report.not_judged
        ],
    }


def _port_object(port: PortEvidence) -> dict[str, Any]:
    return {
        "port": port.port,
        "framing": port.framing.value,
        "opened": not port.fault,
        "said": port.said or None,
        "opening_s": None if port.fault else round(port.opening_s, 4),
        "held_by": list(port.holders),
        "other_ports": list(port.other_ports),
    }


def _controller_object(seen: ControllerEvidence) -> dict[str, Any]:
    tally = seen.tally
    trials = {
        "line": seen.line_trials,
        "unit_address": seen.unit_trials,
        "register": seen.register_trials,
    }
    return {
        "controller": seen.controller,
        "asked": tally.asked,
        "answered": tally.answered,
        "hit_rate": round(tally.answered / tally.asked, 4) if tally.asked else None,
        "answer_s": round(median(tally.answer_s), 4) if tally.answer_s else None,
        "slowest_answer_s": round(max(tally.answer_s), 4) if tally.answer_s else None,
        "silent": tally.silent,
        "refused": list(tally.refused),
        "damaged": list(tally.damaged),
        "echoes": tally.echoes,
        "stray_bytes": tally.stray_bytes,
        "left_over": tally.left_over,
        "foreign_units": tally.foreign_units,
        "double_answers": tally.double_answers,
        "trials": [
            {"kind": kind, "change": dict(trial.change), "outcome": trial.outcome.value}
            for kind, group in trials.items()
            for trial in group
        ],
        "paces": [{"gap_s": pace.gap_s, "asked": pace.asked, "answered": pace.answered} for pace in seen.pace_trials],
    }


def _channel_object(seen: ChannelEvidence) -> dict[str, Any]:
    return {
        "channel": seen.channel.name,
        "temperature_C": _celsius(seen.reading.temperature_K),
        "raw": seen.reading.raw,
        "quality": seen.reading.quality.value,
        "expected_C": _celsius(seen.expected_K),
        "expected_from": None if not isfinite(seen.expected_K) else "room" if seen.is_room else "display",
    }


def _stretch_object(seen: Stretch) -> dict[str, Any]:
    good = [sample.temperature_K for sample in seen.samples if sample.quality is Quality.GOOD]
    return {
        "channel": seen.channel,
        "readings": len(seen.samples),
        "good": len(good),
        "lowest_C": _celsius(min(good)) if good else None,
        "highest_C": _celsius(max(good)) if good else None,
        "suspicions": sorted(seen.suspicions),
    }


def diagnosis_object(diagnosis: Diagnosis) -> dict[str, Any]:
    """One diagnosis for programs."""
    return {
        "failure": diagnosis.failure.value,
        "title": diagnosis.failure.title,
        "where": diagnosis.where,
        "cause": diagnosis.cause,
        "seen": diagnosis.seen,
        "certainty": diagnosis.certainty.value,
        "stands_in_the_way": diagnosis.stands_in_the_way,
        "advice": list(diagnosis.advice),
        "change": dict(diagnosis.change),
    }


def _celsius(temperature_K: float) -> float | None:
    return round(celsius_from_kelvin(temperature_K), 3) if isfinite(temperature_K) else None
