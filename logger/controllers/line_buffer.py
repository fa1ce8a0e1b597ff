"""Whole lines out of a stream of bytes: a line counts only when both its ends were heard. Pure."""


class LineBuffer:
    """Collects bytes and gives out whole lines.

    A serial library's own line reading returns half a line at its timeout and the other half next time, which would
    turn "T2=851.0" into 85 and 1.0. Here nothing is given out before its ending, and the first line after `lose_sync`
    is dropped because its beginning may be missing.
    """

    def __init__(self, ending: bytes, longest: int = 4096) -> None:
        if not ending:
            raise ValueError("ending: found nothing, expected the bytes that end a line")
        self._ending = ending
        self._longest = longest
        self._held = b""
        self._in_sync = True
        self.dropped = 0

    def lose_sync(self) -> None:
        """Forget what is held, and drop all up to the next ending: bytes may have been lost."""
        self.dropped += bool(self._held)
        self._held = b""
        self._in_sync = False

    def clear(self) -> None:
        """Forget what is held; the next byte begins a line."""
        self._held = b""
        self._in_sync = True

    def feed(self, data: bytes) -> list[bytes]:
        """Take more bytes; the lines that are whole now, without their endings and without empty ones."""
        *lines, self._held = (self._held + data).split(self._ending)
        if lines and not self._in_sync:
            lines = lines[1:]
            self._in_sync = True
            self.dropped += 1
        if len(self._held) > self._longest:
            self.lose_sync()
        return [line for line in (line.strip(b"\r\n\x00") for line in lines) if line]
