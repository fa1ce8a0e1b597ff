"""Nights beside an oven: every event is one alert, a clean night is silent (a whole week: tests/benchmarks)."""

from pathlib import Path

import pytest

from tests.benchmarks.week_of_nights import HEAT_S, week

MORNING_S = HEAT_S + 3600.0


def test_every_random_event_of_a_night_is_one_alert(tmp_path: Path) -> None:
    found = week(tmp_path, 1, seed=5, day_s=MORNING_S, poll_s=60.0)
    assert found.events >= 2
    assert found.wrong == []


@pytest.mark.slow
def test_a_clean_night_calls_nobody(tmp_path: Path) -> None:
    assert week(tmp_path, 1, seed=None, day_s=MORNING_S, poll_s=60.0).wrong == []
