"""The state of an oven as plain values in the units of people's programs: what a broker keeps for whoever asks."""

from datetime import UTC, datetime
from math import isfinite
from typing import Any

from logger.alert import Episode
from logger.situation import ChannelNow, IdleSituation, Situation
from logger.units import celsius_from_kelvin


def state_values(situation: Situation | IdleSituation) -> dict[str, Any]:
    """What is true of an oven now: temperatures in °C, times in s, what is not known as None."""
    values: dict[str, Any] = {
        "oven": situation.oven,
        "utc": _utc(situation.now_utc_s),
        "temperature_C": {one.name: _celsius(one.temperature_K) for one in situation.channels},
        "quality": {one.name: str(one.quality) for one in situation.channels},
        "set_point_C": _celsius(situation.set_point_K),
        "output_pct": situation.output_pct if isfinite(situation.output_pct) else None,
        "open_alerts": [_alert(episode) for episode in situation.open_alerts],
        "links_lost": list(situation.links_lost),
        "last_answer_utc": _utc(_newest(situation.channels)),
    }
    if isinstance(situation, IdleSituation):
        return {**values, "run": None}
    return {
        **values,
        "run": situation.run,
        "run_name": situation.name,
        "run_time_s": round(situation.now_s, 1),
        "targets": [
            {
                "quantity": status.name,
                "value": status.value if isfinite(status.value) else None,
                "reached": status.reached,
                "expected_at_s": situation.forecast.reached_at_s[number] if situation.forecast else None,
            }
            for number, status in enumerate(situation.statuses)
        ],
    }


def _alert(episode: Episode) -> dict[str, Any]:
    return {
        "kind": str(episode.fact.kind),
        "key": episode.fact.key,
        "severity": str(episode.severity),
        "words": episode.words,
        "acknowledged": episode.acknowledged,
    }


def _newest(channels: tuple[ChannelNow, ...]) -> float | None:
    return max((one.utc_s for one in channels), default=None)


def _celsius(temperature_K: float) -> float | None:
    return round(celsius_from_kelvin(temperature_K), 2) if isfinite(temperature_K) else None


def _utc(utc_s: float | None) -> str | None:
    return None if utc_s is None else datetime.fromtimestamp(utc_s, UTC).isoformat(timespec="seconds")
