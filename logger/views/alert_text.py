"""Recorded alerts with what became of their messages, as text and as plain values."""

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

from logger.record import AlertRow, DeliveryRow
from logger.views.wording import alert_words


def alert_list(rows: Sequence[tuple[AlertRow, Sequence[DeliveryRow]]]) -> str:
    """One line for each alert event, and one below it for each channel that was to carry it."""
    lines = []
    for row, deliveries in rows:
        when = datetime.fromtimestamp(row.utc_s, UTC).astimezone().strftime("%Y-%m-%d %H:%M:%S")
        about = f" [{row.oven}]" if row.oven else ""
        lines.append(f"{when}{about}  {alert_words(row.event)}")
        lines += [f"    {channel}: {words}" for channel, words in _outcomes(deliveries).items()]
    return "\n".join(lines) or "No alerts."


def alert_object(row: AlertRow, deliveries: Sequence[DeliveryRow]) -> dict[str, Any]:
    """One alert event as plain values."""
    event = row.event
    return {
        "id": row.id,
        "oven": row.oven,
        "run": row.run,
        "utc_s": row.utc_s,
        "time_s": event.time_s,
        "kind": str(event.kind),
        "key": event.key,
        "episode": event.episode,
        "phase": str(event.phase),
        "severity": str(event.severity),
        "title": event.title,
        "message": event.message,
        "advice": event.advice,
        "deliveries": [
            {"channel": one.channel, "utc_s": one.utc_s, "outcome": one.outcome, "reason": one.reason}
            for one in deliveries
        ],
    }


def _outcomes(deliveries: Sequence[DeliveryRow]) -> dict[str, str]:
    """What became of one message in the end, by channel."""
    newest = {one.channel: one for one in deliveries}
    return {
        channel: "waiting" if one.outcome == "queued" else f"{one.outcome}{f': {one.reason}' if one.reason else ''}"
        for channel, one in newest.items()
    }
