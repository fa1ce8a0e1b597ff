"""Reading: what one channel said at one moment, and whether to believe it."""

from dataclasses import dataclass
from enum import StrEnum
from math import nan


class Quality(StrEnum):
    """Whether a reading is a temperature, and if not, why not.

    Only ``GOOD`` readings are ever integrated. The raw value is kept whatever its quality.
    """

    GOOD = "good"
    MISSING = "missing"  # nobody answered, or a blank cell
    SENSOR_OPEN = "sensor open"  # the controller's sensor-break code
    OUT_OF_RANGE = "out of range"  # outside what the channel can measure
    SPIKE = "spike"  # jumps faster than an oven can
    FROZEN = "frozen"  # the same value for too long while it should move
    STALE = "stale"  # an answer that belongs to an earlier question


@dataclass(frozen=True, slots=True)
class Reading:
    """One channel, one moment.

    ``time_s`` is run time: seconds since the run began, never going backwards. ``utc_s`` is the wall clock
    (seconds since 1970-01-01 UTC) for people. ``temperature_K`` is the value as read, NaN when there was none.
    ``monotonic_s`` is the machine's steady clock; ``set_point_K`` and ``output_pct`` are what the controller wanted
    and how hard it drove the heater. All three are NaN where not known.
    """

    channel: str
    time_s: float
    utc_s: float
    temperature_K: float
    quality: Quality = Quality.GOOD
    raw: str = ""
    monotonic_s: float = nan
    set_point_K: float = nan
    output_pct: float = nan
