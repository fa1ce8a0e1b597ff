"""The small port every way of reading a controller goes through, and what comes out of it."""

from dataclasses import dataclass
from math import nan
from typing import Protocol

from logger.controllers.settings import Quantity
from logger.reading import Quality


@dataclass(frozen=True, slots=True)
class RawReading:
    """What one channel said, before anyone stamps a time on it.

    ``temperature_K`` is the temperature of a temperature, set point or cold junction channel [K], NaN when there was
    none; it is kept as read whatever the quality says. ``value`` is the number of the other quantities: output as a
    fraction of full power (0 to 1), an alarm as 0 or 1. ``raw`` is what the controller really said, as text.
    """

    channel: str
    temperature_K: float
    quality: Quality
    raw: str = ""
    quantity: Quantity = Quantity.TEMPERATURE
    value: float = nan


class Controller(Protocol):
    """Something with channels that can be asked once. It knows no clock: whoever asks stamps the time.

    ``read`` returns one `RawReading` for every channel, in the order of the settings, or raises an `OutsideFault` when
    nothing trustworthy came back.
    """

    @property
    def name(self) -> str:
        """Name from the oven file."""
        ...

    def read(self) -> list[RawReading]:
        """Ask once; one reading per channel."""
        ...

    def close(self) -> None:
        """Let go of what this controller alone holds."""
        ...
