"""History keeps what was read, in order, and never hides a gap."""

import numpy as np
import pytest

from logger.errors import InputFault
from logger.history import History, typical_interval_s


def test_a_missing_reading_is_not_good() -> None:
    history = History("oven", np.array([0.0, 1.0, 2.0]), np.array([300.0, np.nan, 301.0]))
    assert history.good.tolist() == [True, False, True]


def test_a_hole_of_many_intervals_is_a_gap_and_a_short_one_is_not() -> None:
    time_s = np.array([0.0, 10.0, 20.0, 60.0, 70.0, 700.0, 710.0])
    history = History("oven", time_s, np.full(7, 900.0), interval_s=10.0)
    assert [(gap.start_s, gap.end_s) for gap in history.gaps()] == [(70.0, 700.0)]


def test_times_that_go_backwards_are_refused_naming_the_reading() -> None:
    with pytest.raises(InputFault) as refusal:
        History("oven", np.array([0.0, 10.0, 5.0]), np.full(3, 900.0))
    expected = "history of oven, reading 3: found time 5 s after 10 s, expected times that increase"
    assert str(refusal.value) == expected


def test_pieces_of_a_history_join_to_the_whole() -> None:
    whole = History("oven", np.arange(10.0), np.arange(10.0) + 300.0, interval_s=1.0)
    joined = whole.piece(0, 4).then(whole.piece(4, 10))
    assert np.array_equal(joined.time_s, whole.time_s)
    assert np.array_equal(joined.temperature_K, whole.temperature_K)
    assert joined.interval_s == whole.interval_s


def test_the_typical_interval_ignores_a_few_holes() -> None:
    assert typical_interval_s(np.array([0.0, 5.0, 10.0, 15.0, 400.0])) == 5.0
