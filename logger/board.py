"""The board: where the daemon pins each oven's latest situation for everything that shows it.

The one object that the watching thread shares with the page and other live views. A situation is never changed after it
is pinned, so a reader needs no lock for as long as it likes to look at one. An oven that is watched without a run has
an `IdleSituation` up instead.
"""

import threading
from dataclasses import dataclass

from logger.situation import IdleSituation, Situation


@dataclass(frozen=True, slots=True)
class Pinned:
    """One oven's latest situation, of its run or idle. ``number`` grows by one with every pin; ``utc_s`` is when."""

    oven: str
    situation: Situation | IdleSituation
    number: int
    utc_s: float


class Board:
    """The latest situation of every oven; one writer an oven, any number of readers, safe between threads."""

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._pinned: dict[str, Pinned] = {}
        self._number = 0

    def pin(self, oven: str, situation: Situation | IdleSituation, utc_s: float) -> None:
        """Put an oven's situation up in place of the one before."""
        with self._changed:
            self._number += 1
            self._pinned[oven] = Pinned(oven, situation, self._number, utc_s)
            self._changed.notify_all()

    def take_down(self, oven: str) -> None:
        """Remove an oven that is no longer watched; nothing happens where it is not up."""
        with self._changed:
            if self._pinned.pop(oven, None) is not None:
                self._number += 1
                self._changed.notify_all()

    def all(self) -> tuple[Pinned, ...]:
        """Every oven's latest, by name."""
        with self._changed:
            return tuple(self._pinned[oven] for oven in sorted(self._pinned))

    def latest(self, oven: str) -> Pinned | None:
        """One oven's latest, or None where nothing is up."""
        with self._changed:
            return self._pinned.get(oven)

    def wait(self, after: int, timeout_s: float) -> int:
        """Wait until something newer than number ``after`` is up, or the time is over; returns the newest number."""
        with self._changed:
            self._changed.wait_for(lambda: self._number > after, timeout_s)
            return self._number
