"""A tap on the simulated bus: every frame that passed, so that a test can prove what was never sent."""

import threading
from collections import deque
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, TextIO

from sim.errors import BadInput

Direction = Literal["request", "reply"]


@dataclass(frozen=True, slots=True)
class Passed:
    """One frame or lump of bytes on the wire.

    wall_s, oven_s   seconds since the bus started, of wall and of oven time
    readable         a request with a right checksum; replies are always taken as they are
    why              for replies: "reply", or the fault that made it; for requests: what became of it
    """

    wall_s: float
    oven_s: float
    direction: Direction
    data: bytes
    readable: bool
    unit: int
    function: int
    why: str


class Tap:
    """Everything on the wire since the start, up to `limit` frames, and in a file if one is given."""

    def __init__(self, file: Path | None = None, limit: int = 500_000) -> None:
        self._passed: deque[Passed] = deque(maxlen=limit)
        self._lock = threading.Lock()
        self._file: TextIO | None = None
        if file is not None:
            try:
                self._file = file.open("w", encoding="utf-8")
            except OSError as error:
                raise BadInput(str(file), error.strerror, "a place that can be written") from error
            self._file.write("wall_s,oven_s,direction,readable,unit,function,bytes,why\n")

    def keep(self, passed: Passed) -> None:
        """Note one frame."""
        with self._lock:
            self._passed.append(passed)
            if self._file is not None:
                self._file.write(
                    f"{passed.wall_s:.4f},{passed.oven_s:.1f},{passed.direction},{int(passed.readable)},"
                    f"{passed.unit},{passed.function},{passed.data.hex(' ')},{passed.why}\n"
                )
                self._file.flush()

    @property
    def passed(self) -> list[Passed]:
        """All frames so far."""
        with self._lock:
            return list(self._passed)

    @property
    def requests(self) -> list[Passed]:
        """What the computer sent."""
        return [passed for passed in self.passed if passed.direction == "request"]

    @property
    def replies(self) -> list[Passed]:
        """What the computer was sent."""
        return [passed for passed in self.passed if passed.direction == "reply"]

    def function_codes(self) -> set[int]:
        """The function codes of all readable requests; of unreadable ones see `unreadable`."""
        return {passed.function for passed in self.requests if passed.readable}

    def unreadable(self) -> list[bytes]:
        """Lumps of bytes from the computer that were no request."""
        return [passed.data for passed in self.requests if not passed.readable]

    def close(self) -> None:
        """Close the file, if there is one."""
        with self._lock:
            if self._file is not None:
                self._file.close()
                self._file = None
