"""An oven that is watched without a run, in words: what it reads, what is open, what does not answer."""

from math import isfinite

from logger.alert_rules import Severity
from logger.situation import ChannelNow, IdleSituation
from logger.units import DisplayUnits
from logger.views.snapshot import Fact
from logger.views.wording import duration_words, sentence, temperature_words


def idle_headline(idle: IdleSituation, units: DisplayUnits) -> str:
    """What is true of the oven in one breath."""
    known = [now for now in idle.channels if isfinite(now.temperature_K) and not _old(now, idle)]
    parts = ["No run goes on."]
    if known:
        parts.append(f"{', '.join(f'{now.name} {temperature_words(now.temperature_K, units)}' for now in known)}.")
    parts += [sentence(f"No connection: {why}") for why in idle.links_lost]
    parts += [sentence(episode.words) for episode in idle.open_alerts if episode.raised]
    if not known and not idle.links_lost:
        parts.append("No reading yet.")
    return " ".join(parts)


def idle_severity(idle: IdleSituation) -> Severity | None:
    """The most serious thing that is open; None where there is nothing."""
    found = [one.severity for one in idle.open_alerts if one.raised and one.severity is not Severity.NEWS]
    if idle.links_lost:
        found.append(Severity.WARNING)
    return max(found, key=lambda severity: severity.rank, default=None)


def idle_facts(idle: IdleSituation, units: DisplayUnits) -> tuple[Fact, ...]:
    """A line for every thermocouple, and what the controller wants."""
    lines = []
    for now in idle.channels:
        age_s = idle.now_utc_s - now.utc_s
        notes = [f"{duration_words(age_s)} old"] if _old(now, idle) else []
        notes += [*now.suspicions]
        value = temperature_words(now.temperature_K, units) if isfinite(now.temperature_K) else str(now.quality)
        odd = bool(notes) or not isfinite(now.temperature_K)
        lines.append(Fact(now.name, value, "; ".join(notes), Severity.WARNING if odd else None))
    if isfinite(idle.set_point_K):
        lines.append(Fact("Set point", temperature_words(idle.set_point_K, units)))
    if isfinite(idle.output_pct):
        lines.append(Fact("Output", f"{idle.output_pct:.0f} %"))
    return tuple(lines)


def hottest_K(idle: IdleSituation) -> float | None:
    """The hottest good reading that is not old [K]; None where there is none."""
    known = [now.temperature_K for now in idle.channels if isfinite(now.temperature_K) and not _old(now, idle)]
    return max(known, default=None)


def _old(now: ChannelNow, idle: IdleSituation) -> bool:
    return idle.now_utc_s - now.utc_s > idle.stale_after_s
