"""The board between the daemon and what shows it."""

import threading
from typing import Any, cast

from logger.board import Board

SITUATION = cast(Any, object())


def test_the_latest_situation_of_each_oven_is_up_by_name() -> None:
    board = Board()
    first, second = cast(Any, object()), cast(Any, object())
    board.pin("north", SITUATION, 1.0)
    board.pin("east", first, 2.0)
    board.pin("east", second, 3.0)
    assert [(up.oven, up.utc_s) for up in board.all()] == [("east", 3.0), ("north", 1.0)]
    latest = board.latest("east")
    assert latest is not None
    assert latest.situation is second
    assert board.latest("west") is None


def test_a_reader_that_waits_is_woken_by_the_next_pin_and_not_by_what_it_has_seen() -> None:
    board = Board()
    board.pin("north", SITUATION, 1.0)
    seen = board.wait(0, 0.0)
    assert board.wait(seen, 0.0) == seen
    threading.Timer(0.05, board.pin, ("north", SITUATION, 2.0)).start()
    assert board.wait(seen, 10.0) == seen + 1


def test_an_oven_taken_down_is_gone_and_waiters_hear_of_it() -> None:
    board = Board()
    board.pin("north", SITUATION, 1.0)
    seen = board.wait(0, 0.0)
    board.take_down("north")
    assert board.all() == ()
    assert board.wait(seen, 0.0) > seen
    board.take_down("north")
