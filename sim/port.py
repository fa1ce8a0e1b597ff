"""The computer's end of the wire: a pseudo-terminal that looks like a serial port. Only this module knows termios."""

import os
from contextlib import suppress

from sim.errors import NoPort

try:
    import termios
    import tty
except ImportError:  # a system without serial terminals, such as Windows
    _terminals = False
else:
    _terminals = True
    _SPEEDS = {getattr(termios, name): int(name[1:]) for name in dir(termios) if name[0] == "B" and name[1:].isdigit()}


class PseudoTerminal:
    """A serial port made of nothing: programs open `name`, this end reads and writes `fileno`.

    The kernel keeps the speed that a program asks for but does not slow anything down, and it forgets parity.
    """

    def __init__(self) -> None:
        if not _terminals or not hasattr(os, "openpty"):
            raise NoPort("this system has no pseudo-terminals; use the tcp link")
        try:
            self._ours, self._theirs = os.openpty()
        except OSError as error:
            raise NoPort(f"no pseudo-terminal to be had ({error}); use the tcp link") from error
        # The far end stays open here too: otherwise reading fails whenever no program has it open.
        tty.setraw(self._theirs)
        os.set_blocking(self._ours, False)
        self.name = os.ttyname(self._theirs)

    def fileno(self) -> int:
        """This end's file descriptor."""
        return self._ours

    def read(self) -> bytes:
        """What has arrived; empty when nothing has."""
        try:
            return os.read(self._ours, 4096)
        except (BlockingIOError, OSError):
            return b""

    def write(self, data: bytes) -> int:
        """Send; what does not fit because nobody reads is lost, as on a real line. Returns how much went out."""
        with suppress(BlockingIOError):
            return os.write(self._ours, data)
        return 0

    def speed_bit_per_s(self) -> int | None:
        """The speed that the program at the other end has set [bit/s]; None for one without a name."""
        return _SPEEDS.get(termios.tcgetattr(self._theirs)[5])

    def close(self) -> None:
        """Take the port away: programs that have it open get errors, and its name is gone."""
        for descriptor in (self._ours, self._theirs):
            with suppress(OSError):
                os.close(descriptor)


def pseudo_terminals_work() -> bool:
    """Whether this system can give a pseudo-terminal."""
    try:
        PseudoTerminal().close()
    except NoPort:
        return False
    return True
