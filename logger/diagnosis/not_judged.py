"""What a watched stretch was too short, or too quiet, to judge, and how to have it judged. Pure."""

from collections.abc import Iterable, Set
from math import ceil, isfinite

from logger.diagnosis.failures import Failure, NotJudged, Stretch
from logger.reading import Quality
from logger.reading_quality import (
    FROZEN_AFTER_CYCLE_S,
    FROZEN_LONG_READINGS,
    FROZEN_LONG_S,
    OUTPUT_CYCLES,
    STAYS_COLD_S,
    WARMING_OUTPUT,
)

UNTIL_OUTPUT_MOVES_S = 300.0
"""A heated oven's output moves well within this time [s] (our choice)."""

WITH_OUTPUT = 'have the output read as well (a channel with quantity = "output")'


def not_judged(seen: Stretch, found: Set[Failure]) -> Iterable[NotJudged]:
    """What could not be told of a channel in the time it was watched.

    Parameters
    ----------
    seen : the stretch
    found : failures that were found of this channel, by whatever way
    """
    good = [sample for sample in seen.samples if sample.quality is Quality.GOOD]
    has_output = any(isfinite(sample.output) for sample in seen.samples)
    stood_still = len(good) == len(seen.samples) > 1 and len({sample.temperature_K for sample in good}) == 1
    if stood_still and Failure.FROZEN not in found:
        yield _frozen(seen, has_output)
    heated = [sample.time_s for sample in seen.samples if sample.output >= WARMING_OUTPUT]
    long_enough = bool(heated) and heated[-1] - heated[0] >= STAYS_COLD_S
    if good and not long_enough and found.isdisjoint((Failure.THERMOCOUPLE, Failure.HEATING)):
        yield _heated(seen, has_output)


def _frozen(seen: Stretch, has_output: bool) -> NotJudged:
    needed_s = max(FROZEN_LONG_S, FROZEN_LONG_READINGS * seen.interval_s)
    why = (
        "it gave one number all the time, as a frozen one does, and a steady oven on a coarse display; it counts as "
        f"frozen after {_minutes(needed_s)} of the same number, and {_minutes(FROZEN_AFTER_CYCLE_S)} after the output "
        f"has moved by {100.0 * OUTPUT_CYCLES:.0f} %"
    )
    how = _how(needed_s + FROZEN_AFTER_CYCLE_S + UNTIL_OUTPUT_MOVES_S, has_output)
    return NotJudged(Failure.FROZEN, seen.channel, why, how)


def _heated(seen: Stretch, has_output: bool) -> NotJudged:
    why = (
        "a thermocouple that does not follow the heat and a heater that does not heat show only while the oven is "
        f"heated, and the slowest of it after {_minutes(STAYS_COLD_S)}"
    )
    return NotJudged(Failure.HEATING, seen.channel, why, _how(STAYS_COLD_S + UNTIL_OUTPUT_MOVES_S, has_output))


def _how(watch_s: float, has_output: bool) -> str:
    watch = f'heat the oven and watch it meanwhile: --for "{_minutes(watch_s)}"'
    return watch if has_output else f"{WITH_OUTPUT}, then {watch}"


def _minutes(duration_s: float) -> str:
    """In whole minutes; from ten on in steps of five, rounded up."""
    minutes = ceil(duration_s / 60.0)
    return f"{minutes if minutes < 10 else 5 * ceil(minutes / 5)} min"
