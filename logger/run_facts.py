"""What of a run somebody should hear: readings, suspicions, estimate and targets as facts for the alerts.

Every fact carries the number it is about and, where there is one, its band or limit, in the units of the run sheet.
"""

from collections.abc import Mapping, Sequence
from math import isfinite

from logger.alert import Fact
from logger.alert_rules import AlertKind
from logger.controllers.controller import RawReading
from logger.controllers.settings import Quantity
from logger.estimate.bands import Bands
from logger.estimate.carbon_result import CarbonWarningKind
from logger.estimate.result import Estimate
from logger.estimate.soak import Soak
from logger.hold import HoldState
from logger.reading import Quality, Reading
from logger.reading_quality import Suspicion
from logger.target import Forecast, TargetStatus
from logger.units import DisplayUnits
from logger.views.carbon_words import warning_words
from logger.views.snapshot import quantity_words
from logger.views.wording import (
    carbon_words,
    duration_words,
    length_range_words,
    temperature_difference_words,
    temperature_range_words,
    temperature_words,
)

SOON_S = 900.0
"""A target this near [s] is announced: time to get dressed and walk to the shop (our choice)."""

WARNING_ALERTS = {
    CarbonWarningKind.NEAR_MELTING: AlertKind.NEAR_MELTING,
    CarbonWarningKind.MOLTEN: AlertKind.MELTING,
    CarbonWarningKind.DECARBURIZING: AlertKind.DECARBURIZING,
}
"""Which warnings of the estimate wake somebody up."""

OVEN_SUSPECTED = {
    Suspicion.RISING_WITHOUT_HEAT: AlertKind.STUCK_RELAY,
    Suspicion.FALLING_AT_FULL_HEAT: AlertKind.DEAD_ELEMENT,
    Suspicion.NO_PROGRESS: AlertKind.DEAD_ELEMENT,
}
"""What the behaviour of a channel says about the oven."""

SENSOR_SUSPECTED = {
    Suspicion.SPIKES: "jumps again and again: a loose connection, or interference",
    Suspicion.FALLING_ON_HEATING: "falls while it should heat up: are the thermocouple's wires swapped?",
    Suspicion.RESCALED: "jumped to its own number in another unit: was the display switched to C, F or other decimals?",
    Suspicion.STAYS_COLD: "stays at room temperature while the oven is heated: is the thermocouple shorted, or not in?",
}
"""What the behaviour of a channel says about its thermocouple."""

Suspicions = Mapping[str, frozenset[Suspicion]]
"""What is odd about each channel now."""


def sensor_facts(readings: Sequence[Reading], suspicions: Suspicions) -> list[Fact]:
    """Whether each channel that answered can be believed; silence says nothing about its sensor."""
    facts = []
    for reading in readings:
        if reading.quality is Quality.MISSING:
            continue
        odd = [words for kind, words in SENSOR_SUSPECTED.items() if kind in suspicions.get(reading.channel, ())]
        if reading.quality is not Quality.GOOD:
            odd.append(f"{reading.quality}, the controller said {reading.raw or 'nothing'}")
        text = f"{reading.channel}: {odd[0]}" if odd else f"{reading.channel}: believable again"
        facts.append(Fact(AlertKind.SENSOR_FAULT, reading.channel, active=bool(odd), text=text))
    return facts


def alarm_facts(readings: Sequence[RawReading]) -> list[Fact]:
    """Which of the controller's own alarms are on; silence leaves them as they were."""
    return [
        Fact(AlertKind.CONTROLLER_ALARM, raw.channel, active=bool(raw.value), text=raw.channel)
        for raw in readings
        if raw.quantity is Quantity.ALARM and raw.quality is Quality.GOOD
    ]


def suspected_facts(oven: str, suspicions: Suspicions, hottest_K: float, display: DisplayUnits) -> list[Fact]:
    """What the channels' behaviour says about the oven: one condition, however many channels show it."""
    said = sorted({suspicion for each in suspicions.values() for suspicion in each})
    facts = []
    for kind in dict.fromkeys(OVEN_SUSPECTED.values()):
        seen = [str(suspicion) for suspicion in said if OVEN_SUSPECTED.get(suspicion) is kind]
        number = temperature_words(hottest_K, display) if isfinite(hottest_K) else ""
        text = f"{oven}: {', '.join(seen)}" if seen else f"{oven}: no longer so"
        facts.append(Fact(kind, oven, active=bool(seen), text=text, number=number))
    return facts


def over_temperature_fact(oven: str, hottest_K: float, limit_K: float, active: bool, display: DisplayUnits) -> Fact:
    """Whether the oven is hotter than its limit, with both."""
    number, limit = temperature_words(hottest_K, display), temperature_words(limit_K, display)
    return Fact(AlertKind.OVER_TEMPERATURE, oven, active=active, number=number, band=f"the limit is {limit}")


def hold_facts(
    oven: str, hold: HoldState, temperature_K: float, set_point_K: float, display: DisplayUnits
) -> list[Fact]:
    """Whether the oven gets to its set point, and stays there."""
    number = temperature_words(temperature_K, display)
    band = f"the set point is {temperature_words(set_point_K, display)}"
    return [
        Fact(kind, oven, active=active, number=number, band=band)
        for kind, active in ((AlertKind.HOLD_NOT_REACHED, hold.not_reached), (AlertKind.HOLD_LOST, hold.lost))
    ]


def target_facts(
    statuses: Sequence[TargetStatus], forecast: Forecast | None, now_s: float, display: DisplayUnits
) -> list[Fact]:
    """Which targets are reached, or soon will be; which limits are passed. ``now_s`` is run time [s]."""
    facts = []
    for number, status in enumerate(statuses):
        kind = AlertKind.TARGET_PASSED if status.target.limit else AlertKind.TARGET_REACHED
        value = quantity_words(status.target.quantity, status.value, display)
        facts.append(
            Fact(
                kind,
                status.name,
                active=status.reached,
                text=status.name,
                number=value,
                band=_target_band(status, display),
            )
        )
        expected_s = forecast.reached_at_s[number] if forecast else None
        if status.reached:
            words = f"{status.name}: {'passed' if status.target.limit else 'reached'}"
            facts.append(Fact(AlertKind.TARGET_SOON, status.name, active=False, text=words))
        elif expected_s is not None:
            soon = status.judged and expected_s - now_s <= SOON_S
            when, between = "not soon any more", ""
            if soon:
                when = f"in about {_minutes(expected_s - now_s)} min"
                between = _between(forecast, number, now_s)
            facts.append(
                Fact(AlertKind.TARGET_SOON, status.name, active=soon, text=status.name, number=when, band=between)
            )
    return facts


def _target_band(status: TargetStatus, display: DisplayUnits) -> str:
    wanted = f"wanted {quantity_words(status.target.quantity, status.target.value, display)}"
    if status.target.limit:
        wanted = f"the limit is {quantity_words(status.target.quantity, status.target.value, display)}"
    # Bands are worked out now and then; one that the value has left since says nothing about it any more.
    if status.band is None or not status.band[0] <= status.value <= status.band[2]:
        return wanted
    low, high = (quantity_words(status.target.quantity, value, display) for value in (status.band[0], status.band[2]))
    return wanted if low == high else f"nine times in ten {low} to {high}; {wanted}"


def _between(forecast: Forecast | None, number: int, now_s: float) -> str:
    if forecast is None or number >= len(forecast.range_s) or (between_s := forecast.range_s[number]) is None:
        return ""
    early_s, late_s = between_s
    early = _minutes(early_s - now_s)
    if late_s is None:
        return f"in {early} min at the earliest; for some not in sight"
    late = _minutes(late_s - now_s)
    return "" if late == early else f"nine times in ten in {early} to {late} min"


def _minutes(left_s: float) -> str:
    return f"{max(left_s / 60.0, 1.0):.0f}"


def ruin_facts(oven: str, seen: Estimate, bands: Bands | None, display: DisplayUnits) -> list[Fact]:
    """Whether the steel is being ruined: about to melt, melting, losing carbon."""
    standing = {warning.kind: warning for warning in seen.warnings}
    facts = []
    for name, kind in WARNING_ALERTS.items():
        warning, carbon = standing.get(name), seen.carbon
        if kind is AlertKind.NEAR_MELTING and CarbonWarningKind.MOLTEN in standing:
            facts.append(Fact(kind, oven, active=True, text="past that: it is melting"))
            continue
        if warning is None or carbon is None:
            melted = carbon is not None and carbon.liquid_depth_m > 0.0
            text = "past that: it melted" if kind is AlertKind.NEAR_MELTING and melted else _NO_LONGER[kind]
            facts.append(Fact(kind, oven, active=False, text=text))
            continue
        number, band = "", ""
        if kind is AlertKind.NEAR_MELTING:
            number = f"{temperature_difference_words(carbon.margin_to_solidus_K, display)} left"
        elif kind is AlertKind.MELTING and bands is not None and bands.carbon is not None:
            low_m, _, high_m = bands.carbon.liquid_depth_m
            if low_m <= carbon.liquid_depth_m <= high_m:
                band = f"Nine times in ten {length_range_words(low_m, high_m, display)} deep"
        elif kind is AlertKind.DECARBURIZING:
            number = carbon_words(carbon.surface_wt_pct)
            if bands is not None and bands.carbon is not None:
                low, _, high = bands.carbon.surface_wt_pct
                if low <= carbon.surface_wt_pct <= high:
                    band = f"nine times in ten {low:.2f} to {high:.2f} % C"
        facts.append(
            Fact(kind, oven, active=True, text=warning_words(warning, carbon, display), number=number, band=band)
        )
    return facts


_NO_LONGER = {
    AlertKind.NEAR_MELTING: "the skin is clear of melting again; look at it before you use it",
    AlertKind.MELTING: "nothing is molten any more; what melted is cast iron and has to be ground off",
    AlertKind.DECARBURIZING: "no longer losing carbon",
}


def soak_started_fact(number: int, soak: Soak, display: DisplayUnits) -> Fact:
    """The news that soak ``number`` of the run (from 1) has begun."""
    words = f"inside {temperature_range_words(*soak.band_K, display)}"
    return Fact(AlertKind.SOAK_STARTED, str(number), active=True, text=words)


def soak_ended_fact(number: int, soak: Soak) -> Fact:
    """The news that soak ``number`` of the run (from 1) has ended."""
    words = f"after {duration_words(soak.in_band_s)} at heat inside"
    return Fact(AlertKind.SOAK_ENDED, str(number), active=True, text=words)
