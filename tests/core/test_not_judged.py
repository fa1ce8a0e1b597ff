"""What a check could not tell in the time it watched is said, and what it could tell is not."""

from logger.diagnosis.failures import Failure, Sample, Stretch
from logger.diagnosis.not_judged import WITH_OUTPUT, not_judged
from logger.reading import Quality

COUNT, EVERY_S = 10, 2.0


def watched(*temperature_K: float, output: float = 0.4, every_s: float = EVERY_S) -> Stretch:
    samples = [Sample(at * every_s, each, Quality.GOOD, output) for at, each in enumerate(temperature_K)]
    return Stretch("air", tuple(samples), interval_s=every_s)


def failures(seen: Stretch, *found: Failure) -> list[Failure]:
    return [each.failure for each in not_judged(seen, set(found))]


def test_one_number_all_the_time_may_be_a_frozen_one() -> None:
    assert failures(watched(*COUNT * (900.0,))) == [Failure.FROZEN, Failure.HEATING]


def test_a_number_that_moves_is_not_frozen() -> None:
    assert failures(watched(*COUNT * (900.0,), 900.1)) == [Failure.HEATING]


def test_what_was_found_is_judged() -> None:
    assert failures(watched(*COUNT * (900.0,)), Failure.FROZEN, Failure.HEATING) == []


def test_an_oven_heated_for_forty_minutes_shows_its_thermocouple_and_its_heater() -> None:
    assert failures(watched(*(300.0 + at for at in range(41)), output=0.5, every_s=60.0)) == []
    assert failures(watched(*(300.0 + at for at in range(40)), output=0.5, every_s=60.0)) == [Failure.HEATING]


def test_the_advice_is_a_watch_as_long_as_the_rule_may_need() -> None:
    """Ten minutes of one number (sixty readings if longer), five after the output moved, and five until it does."""
    (frozen, _) = not_judged(watched(*COUNT * (900.0,)), set())
    assert '--for "20 min"' in frozen.how
    (slow, _) = not_judged(watched(*COUNT * (900.0,), every_s=30.0), set())
    assert '--for "40 min"' in slow.how


def test_an_output_that_is_not_read_is_asked_for() -> None:
    assert all(
        each.how.startswith(WITH_OUTPUT) for each in not_judged(watched(*COUNT * (900.0,), output=float("nan")), set())
    )
