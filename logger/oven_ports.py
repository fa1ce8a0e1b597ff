"""The ports of one oven: a poller on each, and what each port was last heard to do."""

import logging
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from logger.clock import Clock
from logger.controllers.link_faults import PortTaken
from logger.controllers.settings import PortSettings
from logger.polling import LinkEvent, Poller, PollResult

log = logging.getLogger("soaktally.oven")

SILENT_AFTER_S, SILENT_INTERVALS = 60.0, 5.0
"""A port that brings nothing at all, not even that nobody answers, is silent after this long [s of real time] and so
many of its longest poll intervals: its driver hangs."""

POLL_AGAIN_S = 5.0
"""A poller that a mistake of ours has stopped is started again after this long [s of real time]."""

ENDS_WITHIN_S = 10.0

Sink = Callable[[PollResult | LinkEvent], None]


class PortPoller(Protocol):
    """What polls a port: a `Poller`, or an oven's part of a line that it shares."""

    def start(self) -> None: ...

    def stop(self) -> None: ...

    def join(self, timeout_s: float | None = None) -> bool: ...


MakePoller = Callable[[PortSettings, Clock, Sink], PortPoller]


@dataclass
class _PortNews:
    """What a port's poller last brought: when [s of real time], and whether it never got hold of the port."""

    heard_s: float
    good: bool = False
    taken: str = ""
    any: bool = False
    silent: bool = False


class OvenPorts:
    """Every port of an oven, polled until stopped.

    Parameters
    ----------
    ports : their settings
    clock : the oven's clock
    sink : called with everything the pollers bring, from their threads
    make_poller : makes the poller of one port

    Raises   InputFault    a port that cannot be what its settings say
    """

    def __init__(
        self, ports: Sequence[PortSettings], clock: Clock, sink: Sink, make_poller: MakePoller = Poller
    ) -> None:
        self._settings = {port.name: port for port in ports}
        self._clock = clock
        self._sink = sink
        self._make_poller = make_poller
        self._news = {name: _PortNews(time.monotonic()) for name in self._settings}
        self._again: dict[str, float] = {}
        self.pollers = {name: self._poller(port) for name, port in self._settings.items()}

    def start(self) -> None:
        """Begin to poll."""
        for poller in self.pollers.values():
            poller.start()

    def wait_for_news(self, timeout_s: float) -> None:
        """Wait until every port has brought something or the timeout [s] is over.

        A port that another program has is waited for as well: that one may just be ending.
        """
        until_s = time.monotonic() + timeout_s
        while time.monotonic() < until_s and not all(news.any and not news.taken for news in self._news.values()):
            time.sleep(0.01)

    def taken(self) -> tuple[str, ...]:
        """Why each port is not ours, if another program has every one of them; else empty."""
        found = tuple(news.taken for news in self._news.values())
        return found if all(found) else ()

    def stop(self) -> None:
        """Ask every poller to end; returns at once."""
        for poller in self.pollers.values():
            poller.stop()

    def join(self) -> None:
        """Wait until every poller has ended, or hangs."""
        for poller in self.pollers.values():
            poller.join(ENDS_WITHIN_S)

    def has_stopped(self, port: str) -> None:
        """A mistake of our own has stopped the poller of this port: it is to be started again in a while."""
        self._again[port] = time.monotonic() + POLL_AGAIN_S

    def poll_again(self) -> tuple[str, ...]:
        """Start again what has stopped, once its time has come; the names of those ports."""
        due = tuple(name for name, when_s in self._again.items() if time.monotonic() >= when_s)
        for name in due:
            del self._again[name]
            self.pollers[name] = self._poller(self._settings[name])
            self.pollers[name].start()
        return due

    def fallen_silent(self) -> tuple[tuple[str, bool, str], ...]:
        """Ports that have just fallen silent, or are just heard again: name, whether silent, in words."""
        found = []
        for name, news in self._news.items():
            intervals_s = (one.poll_interval_s for one in self._settings[name].controllers)
            longest_s = max(intervals_s) / self._clock.speed
            silent_s = time.monotonic() - news.heard_s
            silent = silent_s > max(SILENT_AFTER_S, SILENT_INTERVALS * longest_s)
            if silent != news.silent:
                news.silent = silent
                words = f"its driver has not come back for {silent_s:.0f} s" if silent else "back"
                found.append((name, silent, f"{name}: {words}"))
        return tuple(found)

    def _poller(self, port: PortSettings) -> PortPoller:
        news = self._news[port.name]

        def brought(piece: PollResult | LinkEvent) -> None:  # on the poller's thread
            news.heard_s, news.any = time.monotonic(), True
            if isinstance(piece, PollResult):
                news.good = news.good or piece.fault is None
                news.taken = str(piece.fault) if isinstance(piece.fault, PortTaken) and not news.good else ""
            self._sink(piece)

        return self._make_poller(port, self._clock, brought)
