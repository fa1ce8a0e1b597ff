"""Numbers as a smith says them: every quantity a view shows is turned into words here, and nowhere else.

Values come in SI; the person's units come along as `DisplayUnits`. What is not known (None, NaN) is said in words,
never shown as a number. Plain text throughout: the same words go to a terminal, a picture, a page and a phone.
"""

import re
from datetime import UTC, datetime, tzinfo
from math import isfinite
from typing import TYPE_CHECKING, TypeGuard

from logger.units import DisplayUnits, hours_from_seconds

if TYPE_CHECKING:
    from logger.alert import AlertEvent

UNKNOWN = "not known"
HALF_A_DAY_S = 12 * 3600.0


_NUMBER_AND_UNIT = re.compile(r"(?<=\d) (?=(?:% C|[CFhKs]|mm|in|min|HRC)\b)|(?<=%) (?=C\b)|(?<=\d h) (?=\d+ min\b)")


def unbroken(words: str) -> str:
    """The same words with no-break spaces between numbers and units, so that no line ends between them."""
    return _NUMBER_AND_UNIT.sub("\N{NO-BREAK SPACE}", " ".join(words.split()))


def sentence(words: str) -> str:
    """Words that end as a sentence does: with their own question mark, else with a full stop."""
    return words if words.endswith(("?", "!")) else f"{words.rstrip('.')}."


def known(value: float | None) -> TypeGuard[float]:
    """Whether there is a number at all: not None, not NaN, not infinite."""
    return value is not None and isfinite(value)


def temperature_words(temperature_K: float | None, units: DisplayUnits, decimals: int = 0) -> str:
    """A temperature [K] in the person's unit: ``927 C``."""
    if not known(temperature_K):
        return UNKNOWN
    return f"{units.temperature_from_kelvin(temperature_K):.{decimals}f} {units.temperature}"


def temperature_range_words(low_K: float, high_K: float, units: DisplayUnits) -> str:
    """Two temperatures [K] in the person's unit: ``913 to 941 C``."""
    low, high = units.temperature_from_kelvin(low_K), units.temperature_from_kelvin(high_K)
    return f"{low:.0f} to {high:.0f} {units.temperature}"


def temperature_difference_words(difference_K: float | None, units: DisplayUnits) -> str:
    """A difference of temperatures [K] in the person's degrees: ``4.2 C``."""
    if not known(difference_K):
        return UNKNOWN
    return f"{units.temperature_difference(difference_K):.1f} {units.temperature}"


def rate_words(rate_K_per_s: float | None, units: DisplayUnits) -> str:
    """A rate of heating [K/s], with its sign, in the person's degrees: ``+6.1 C/min``."""
    if not known(rate_K_per_s):
        return UNKNOWN
    return f"{units.temperature_difference(rate_K_per_s * 60.0):+.1f} {units.temperature}/min"


def length_number(length_m: float, units: DisplayUnits) -> str:
    """A small length [m] in the person's unit, without the unit: hundredths of a mm, thousandths of an inch."""
    return f"{units.length_from_metres(length_m):.{2 if units.length == 'mm' else 3}f}"


def length_words(length_m: float | None, units: DisplayUnits) -> str:
    """A small length [m] in the person's unit: ``0.62 mm`` or ``0.024 in``."""
    if not known(length_m):
        return UNKNOWN
    return f"{length_number(length_m, units)} {units.length}"


def length_range_words(low_m: float, high_m: float, units: DisplayUnits) -> str:
    """Two small lengths [m] in the person's unit: ``0.51 to 0.75 mm``."""
    return f"{length_number(low_m, units)} to {length_number(high_m, units)} {units.length}"


def plain_length_words(length_m: float, units: DisplayUnits) -> str:
    """A length [m] with no more decimals than a caliper gives: ``6 mm``, ``0.236 in``."""
    if units.length == "mm":
        return f"{units.length_from_metres(length_m):.4g} mm"
    return f"{units.length_from_metres(length_m):.3f}".rstrip("0").rstrip(".") + " in"


def duration_words(duration_s: float | None) -> str:
    """A duration [s] to the nearest minute: ``1 h 50 min``, ``45 min``; below two minutes in seconds."""
    if not known(duration_s):
        return UNKNOWN
    if abs(duration_s) < 119.5:
        return f"{duration_s:.0f} s"
    minutes = round(duration_s / 60.0)
    hours, rest = divmod(minutes, 60)
    if hours == 0:
        return f"{minutes} min"
    return f"{hours} h" if rest == 0 else f"{hours} h {rest:02d} min"


def hours_words(duration_s: float | None) -> str:
    """A duration [s] in decimal hours, as equivalent times are compared: ``2.10 h``."""
    if not known(duration_s):
        return UNKNOWN
    return f"{hours_from_seconds(duration_s):.2f} h"


def carbon_words(carbon_wt_pct: float | None) -> str:
    """A carbon content [wt%]: ``0.82 % C``."""
    if not known(carbon_wt_pct):
        return UNKNOWN
    return f"{carbon_wt_pct:.2f} % C"


def hardness_words(hardness_HRC: float | None) -> str:
    """A Rockwell C hardness: ``61 HRC``; below 20, where the scale ends, in words."""
    if not known(hardness_HRC):
        return UNKNOWN
    return f"{hardness_HRC:.0f} HRC" if hardness_HRC >= 19.5 else "below 20 HRC"


def parameter_words(parameter: float | None) -> str:
    """A tempering parameter [K, hours] as a whole number: ``7,760``."""
    if not known(parameter):
        return UNKNOWN
    return f"{parameter:,.0f}"


def local_time(utc_s: float, zone: tzinfo | None) -> datetime:
    """Wall clock time of an instant [s since 1970 UTC] in ``zone``, or in the machine's own zone for None."""
    return datetime.fromtimestamp(utc_s, UTC).astimezone(zone)


def clock_words(utc_s: float, zone: tzinfo | None, now_utc_s: float | None = None) -> str:
    """Local hour and minute of an instant [s]: ``02:40``; with the day where it is half a day or more from now [s]."""
    at = local_time(utc_s, zone)
    if now_utc_s is not None and abs(utc_s - now_utc_s) >= HALF_A_DAY_S:
        days = (at.date() - local_time(now_utc_s, zone).date()).days
        if days == 0:
            return f"{at:%H:%M} today"
        return (
            f"{at:%H:%M} {'tomorrow' if days == 1 else 'yesterday' if days == -1 else f'on {date_words(utc_s, zone)}'}"
        )
    return f"{at:%H:%M}"


MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def date_words(utc_s: float, zone: tzinfo | None) -> str:
    """Local date of an instant [s], readable on both sides of the ocean: ``3 Mar 2026``."""
    at = local_time(utc_s, zone)
    return f"{at.day} {MONTHS[at.month - 1]} {at.year}"


def zone_words(utc_s: float, zone: tzinfo | None) -> str:
    """The zone in force at an instant [s], as its offset from UTC: ``UTC+02:00``."""
    offset = local_time(utc_s, zone).utcoffset()
    minutes = 0 if offset is None else round(offset.total_seconds() / 60.0)
    hours, rest = divmod(abs(minutes), 60)
    return "UTC" if minutes == 0 else f"UTC{'-' if minutes < 0 else '+'}{hours:02d}:{rest:02d}"


def event_words(event: "AlertEvent") -> str:
    """What an alert event is about: its title and what it says, without a full stop."""
    message = event.message.rstrip(".")
    return event.title if message in ("", event.title) else f"{event.title}: {message}"


def alert_words(event: "AlertEvent") -> str:
    """One alert event on one line of a terminal."""
    return sentence(f"{event.phase}: {event_words(event)}")
