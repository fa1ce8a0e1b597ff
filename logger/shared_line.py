"""Several ovens on one line: each has its own oven file, and one poller asks all their controllers in turn.

Only one program, and in it only one poller, can own a serial port. What the poller brings goes to the oven whose
controller said it; what concerns the line itself goes to all of them. An oven whose controller is silent is asked less
often, as everywhere, so it holds up no other.
"""

import threading
from collections.abc import Callable
from dataclasses import replace

from logger.clock import Clock
from logger.controllers.settings import PortSettings
from logger.oven_ports import Sink
from logger.polling import LinkEvent, Poller, PollResult

ENDS_WITHIN_S = 10.0


class SharedLine:
    """One port that several ovens name. ``share`` gives each oven what looks like a poller of its own.

    Parameters
    ----------
    clock : the clock of every oven on it
    make_poller : makes the one poller
    """

    def __init__(self, clock: Clock, make_poller: Callable[[PortSettings, Clock, Sink], Poller] = Poller) -> None:
        self._clock = clock
        self._make_poller = make_poller
        self._lock = threading.RLock()
        self._shares: dict[str, Share] = {}
        self._whose: dict[str, tuple[Share, str]] = {}  # by a controller's name on the line: whose, and its own name
        self._poller: Poller | None = None

    def share(self, oven: str, port: PortSettings, sink: Sink) -> "Share":
        """This oven's part of the line from now on; it takes the place of an earlier one when it is started."""
        share = Share(self, oven, port, sink)
        with self._lock:
            if oven not in self._shares:
                self._shares[oven] = share
        return share

    def begin(self, share: "Share") -> None:
        """Poll for this share as well: at once with all the others that are known, or anew where it has changed."""
        with self._lock:
            known = self._shares.get(share.oven) is share
            if self._poller is not None and known:
                return
            self._shares[share.oven] = share
            self._end()
            every = [(each, one) for each in self._shares.values() for one in each.port.controllers]
            names = [controller.name for _, controller in every]
            controllers = tuple(
                one if names.count(one.name) == 1 else replace(one, name=f"{each.oven}, {one.name}")
                for each, one in every
            )
            self._whose = {
                on_line.name: (each, one.name) for on_line, (each, one) in zip(controllers, every, strict=True)
            }
            self._poller = self._make_poller(replace(share.port, controllers=controllers), self._clock, self._bring)
            self._poller.start()

    def leave(self, share: "Share") -> None:
        """Poll no longer once every oven has left; results for one that has left are dropped."""
        with self._lock:
            share.here = False
            if not any(each.here for each in self._shares.values()) and self._poller is not None:
                self._poller.stop()

    def wait(self, timeout_s: float | None) -> bool:
        """Wait for the poller's end, where it was told to end."""
        with self._lock:
            poller = None if any(each.here for each in self._shares.values()) else self._poller
        return poller is None or poller.join(timeout_s)

    def _end(self) -> None:
        if self._poller is not None:
            self._poller.stop()
            self._poller.join(ENDS_WITHIN_S)
            self._poller = None

    def _bring(self, piece: PollResult | LinkEvent) -> None:
        """Hand on what the poller brought, under the names that the oven knows. From the poller's thread."""
        if piece.controller:
            share, name = self._whose[piece.controller]
            if share.here:
                share.sink(replace(piece, controller=name))
            return
        for share in list(self._shares.values()):
            if share.here:
                share.sink(piece)


class Share:
    """One oven's part of a line, to be used like a `Poller`."""

    def __init__(self, line: SharedLine, oven: str, port: PortSettings, sink: Sink) -> None:
        self.oven, self.port, self.sink = oven, port, sink
        self.here = True
        self._line = line

    def start(self) -> None:
        """Begin to poll."""
        self.here = True
        self._line.begin(self)

    def stop(self) -> None:
        """Poll no longer for this oven; returns at once."""
        self._line.leave(self)

    def join(self, timeout_s: float | None = None) -> bool:
        """Wait until polling has ended, where nobody else needs it."""
        return self._line.wait(timeout_s)
