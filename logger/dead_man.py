"""Signs of life, so that someone else notices when soaktally is gone: an address visited, and the system's watchdog.

A sign is given only while all is well: when the threads that read the ovens stand still, the sign stops as well.
"""

import logging
import os
import socket
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from typing import Final

from logger.errors import SoaktallyError
from logger.notify_channels import post, redacted, reveal
from logger.notify_settings import Heartbeat

log = logging.getLogger("soaktally.dead_man")

WellBeing = Callable[[], str]
"""Why no sign of life must be given now, in words; empty while all is well."""


@dataclass(frozen=True, slots=True)
class PulseState:
    """How the signs of life are going: when the last was taken, and why the newest was not."""

    given: int
    last_utc_s: float | None
    reason: str


class Pulse:
    """Gives a sign of life again and again, on a thread of its own."""

    def __init__(self, name: str, every_s: float, sign: Callable[[], None], not_well: WellBeing) -> None:
        self._every_s = every_s
        self._sign = sign
        self._not_well = not_well
        self._stop = threading.Event()
        self._state = PulseState(0, None, "")
        self._thread = threading.Thread(target=self._work, name=name, daemon=True)

    def start(self) -> None:
        """Begin, with a first sign at once."""
        self._thread.start()

    def close(self) -> None:
        """Stop giving signs."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join()

    def state(self) -> PulseState:
        """How it is going."""
        return self._state

    def _work(self) -> None:
        next_s = time.monotonic()
        while True:
            self._give()
            next_s = max(next_s + self._every_s, time.monotonic())
            if self._stop.wait(next_s - time.monotonic()):
                return

    def _give(self) -> None:
        before = self._state
        reason = self._not_well()
        if not reason:
            try:
                self._sign()
            except SoaktallyError as fault:
                reason = str(fault)
            except OSError as error:
                reason = (error.strerror or str(error)).lower()
        if reason:
            self._state = PulseState(before.given, before.last_utc_s, reason)
            if reason != before.reason:
                log.warning("no sign of life: %s", reason)
        else:
            self._state = PulseState(before.given + 1, time.time(), "")


def heartbeat(settings: Heartbeat, not_well: WellBeing) -> Pulse:
    """The pulse that visits an address; start it and close it."""

    def visit() -> None:
        url = reveal(settings.url)
        try:
            post(url, b"", {}, settings.deadline_s, method="GET")
        except SoaktallyError as fault:
            raise type(fault)(redacted(str(fault), [url])) from None

    return Pulse("heartbeat", settings.every_s, visit, not_well)


# --------------------------------------------------------------------------------------------------------------------
# systemd: the protocol of sd_notify(3)

READY: Final = "READY=1"
STOPPING: Final = "STOPPING=1"
RELOADING: Final = "RELOADING=1"


def tell_systemd(*words: str) -> bool:
    """Tell the service manager something; False where there is none that listens."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address or not hasattr(socket, "AF_UNIX"):
        return False
    if address.startswith("@"):
        address = "\0" + address[1:]
    with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as channel:
        channel.settimeout(1.0)
        channel.sendto("\n".join(words).encode(), address)
        return True
    return False


def watchdog_every_s() -> float | None:
    """How often systemd wants a sign of life [s], halved as its manual asks; None where it does not."""
    if os.environ.get("WATCHDOG_PID", str(os.getpid())) != str(os.getpid()):
        return None
    try:
        limit_us = int(os.environ.get("WATCHDOG_USEC", ""))
    except ValueError:
        return None
    return limit_us / 2e6 if limit_us > 0 else None


def systemd_watchdog(not_well: WellBeing) -> Pulse | None:
    """The pulse that systemd's watchdog waits for; None where it waits for none."""
    every_s = watchdog_every_s()
    if every_s is None:
        return None

    def sign() -> None:
        tell_systemd("WATCHDOG=1")

    return Pulse("systemd watchdog", every_s, sign, not_well)
