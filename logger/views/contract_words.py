"""From a place in the JSON contract to words in the person's units: how a report says its numbers.

Each number comes along with the place it was taken from, so that anyone can look it up, and a test does.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import tzinfo
from typing import Any

from logger.units import DisplayUnits, kelvin_from_celsius, metres_from_millimetres, seconds_from_hours
from logger.views.wording import (
    UNKNOWN,
    carbon_words,
    clock_words,
    date_words,
    duration_words,
    hardness_words,
    hours_words,
    length_range_words,
    length_words,
    parameter_words,
    plain_length_words,
    temperature_difference_words,
    temperature_range_words,
    temperature_words,
)


@dataclass(frozen=True, slots=True)
class Said:
    """Words, and the places in the contract object that their numbers come from ("carbon/case_depth_mm/0.40")."""

    words: str
    sources: tuple[str, ...] = ()

    def __str__(self) -> str:
        return self.words


@dataclass(frozen=True, slots=True)
class Teller:
    """Says what stands at places of one contract object: a place is its keys joined by ``/``."""

    contract: dict[str, Any]
    units: DisplayUnits = field(default_factory=DisplayUnits)
    zone: tzinfo | None = None

    def at(self, place: str) -> Any:
        """What stands at a place; None where there is no such place."""
        value: Any = self.contract
        for key in place.split("/"):
            if isinstance(value, list):
                value = value[int(key)] if int(key) < len(value) else None
            elif isinstance(value, dict):
                value = value.get(key)
            else:
                return None
        return value

    def temperature(self, place: str) -> Said:
        """A temperature given in C."""
        value = self.at(place)
        return Said(temperature_words(None if value is None else kelvin_from_celsius(value), self.units), (place,))

    def degrees(self, place: str) -> Said:
        """A difference of temperatures given in C."""
        return Said(temperature_difference_words(self.at(place), self.units), (place,))

    def temperatures(self, place: str) -> Said:
        """Two or three temperatures given in C: the outer ones."""
        return self._range(place, kelvin_from_celsius, lambda low, high: temperature_range_words(low, high, self.units))

    def temperature_span(self, low_place: str, high_place: str) -> Said:
        """From one temperature given in C to another."""
        low_K, high_K = (kelvin_from_celsius(float(self.at(place))) for place in (low_place, high_place))
        return Said(temperature_range_words(low_K, high_K, self.units), (low_place, high_place))

    def length(self, place: str) -> Said:
        """A length given in mm."""
        value = self.at(place)
        return Said(length_words(None if value is None else metres_from_millimetres(value), self.units), (place,))

    def size(self, place: str) -> Said:
        """A large length given in mm, with no more decimals than it needs."""
        value = self.at(place)
        if value is None:
            return Said(UNKNOWN, (place,))
        return Said(plain_length_words(metres_from_millimetres(value), self.units), (place,))

    def lengths(self, place: str) -> Said:
        """The outer ones of lengths given in mm."""
        return self._range(place, metres_from_millimetres, lambda low, high: length_range_words(low, high, self.units))

    def carbon(self, place: str) -> Said:
        """A carbon content given in wt%."""
        return Said(carbon_words(self.at(place)), (place,))

    def carbons(self, place: str) -> Said:
        """The outer ones of carbon contents given in wt%."""
        return self._range(place, float, lambda low, high: f"{low:.2f} to {high:.2f} % C")

    def duration(self, place: str) -> Said:
        """A duration given in h, as hours and minutes."""
        value = self.at(place)
        return Said(duration_words(None if value is None else seconds_from_hours(value)), (place,))

    def durations(self, place: str) -> Said:
        """The outer ones of durations given in h, as hours and minutes."""
        words = duration_words
        return self._range(place, seconds_from_hours, lambda low, high: f"{words(low)} to {words(high)}")

    def hours(self, place: str) -> Said:
        """A duration given in h, in decimal hours."""
        value = self.at(place)
        return Said(hours_words(None if value is None else seconds_from_hours(value)), (place,))

    def hours_range(self, place: str) -> Said:
        """The outer ones of durations given in h, in decimal hours."""
        return self._range(place, float, lambda low, high: f"{low:.2f} to {high:.2f} h")

    def parameter(self, place: str) -> Said:
        """A tempering parameter given in K and hours."""
        return Said(parameter_words(self.at(place)), (place,))

    def parameters(self, place: str) -> Said:
        """The outer ones of tempering parameters."""
        return self._range(place, float, lambda low, high: f"{low:,.0f} to {high:,.0f}")

    def hardness(self, place: str) -> Said:
        """A hardness given in HRC."""
        return Said(hardness_words(self.at(place)), (place,))

    def hardnesses(self, place: str) -> Said:
        """The outer ones of hardnesses given in HRC."""
        return self._range(place, float, lambda low, high: f"{low:.0f} to {high:.0f} HRC")

    def number(self, place: str, form: str = "{:g}") -> Said:
        """A bare number in a form such as ``{:.1f} g/m²``."""
        value = self.at(place)
        return Said(UNKNOWN if value is None else form.format(value), (place,))

    def numbers(self, place: str, form: str = "{:.0f} to {:.0f}") -> Said:
        """The outer ones of bare numbers, in a form with two places."""
        return self._range(place, float, lambda low, high: form.format(low, high))

    def moment(self, place: str) -> Said:
        """A moment given in s of run time: local clock time where the run has dates, else time since its beginning."""
        value, start_utc_s = self.at(place), self.at("started_utc_s")
        if value is None:
            return Said("", (place,))
        if start_utc_s is None:
            return Said(duration_words(value), (place,))
        end_utc_s = start_utc_s + (self.at("end_s") or 0.0)
        return Said(clock_words(start_utc_s + value, self.zone, end_utc_s), (place, "started_utc_s"))

    def between(self, from_place: str, to_place: str) -> Said:
        """How long it is from one moment of run time [s] to another; the end of the run where that is not given."""
        from_s, to_s = self.at(from_place), self.at(to_place)
        if to_s is None:
            to_place, to_s = "end_s", self.at("end_s")
        return Said(duration_words(to_s - from_s), (from_place, to_place))

    def date(self, place: str) -> Said:
        """A wall clock moment given in s since 1970 UTC: local date and time."""
        value = self.at(place)
        if value is None:
            return Said("no date", (place,))
        return Said(f"{date_words(value, self.zone)}, {clock_words(value, self.zone)}", (place,))

    def _range(self, place: str, convert: Callable[[float], float], words: Callable[[float, float], str]) -> Said:
        values = self.at(place)
        if not values:
            return Said("", (place,))
        return Said(words(convert(values[0]), convert(values[-1])), (place,))


def joined(parts: Iterable[Said | str], between: str = ", ") -> Said:
    """Several parts as one; empty ones are left out."""
    said = [Said(part) if isinstance(part, str) else part for part in parts]
    said = [part for part in said if part.words]
    return Said(between.join(part.words for part in said), tuple(place for part in said for place in part.sources))
