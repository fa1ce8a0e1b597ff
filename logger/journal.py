"""The journal: a plain text file beside the record that takes over while the record cannot be written.

One operation a line, each with a checksum, each on the disk before it counts. The file is laid out at its full size
beforehand, so that there is room in it on the day the disk is full; what is not used yet is zero bytes. Once its
operations are in the record, the journal is emptied.
"""

import os
import zlib
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Final

from logger.record_operations import Operation

RESERVE_BYTES: Final = 4 * 1024 * 1024
"""Room laid out beforehand (our choice: four channels every five seconds for about twelve hours)."""


class Journal:
    """The journal of one record. Belongs to one thread."""

    def __init__(self, record: Path, reserve_bytes: int = RESERVE_BYTES) -> None:
        self.path = record.with_name(record.name + ".journal")
        self._reserve_bytes = reserve_bytes
        self._file: int | None = None
        self._used = 0
        self._torn = False  # the last line was cut off in mid-write

    def lay_out(self) -> None:
        """Open the journal, making it at its full size if need be. Raises OSError."""
        if self._file is not None:
            return
        file = os.open(self.path, os.O_RDWR | os.O_CREAT, 0o644)
        try:
            written = self._written()
            self._used, self._torn = len(written), bool(written) and not written.endswith(b"\n")
            size = os.fstat(file).st_size
            if size < self._reserve_bytes:
                with suppress(OSError):  # a full disk: what room there is must do
                    os.lseek(file, size, os.SEEK_SET)
                    for start in range(size, self._reserve_bytes, 65536):
                        os.write(file, bytes(min(65536, self._reserve_bytes - start)))
                    os.fsync(file)
        except BaseException:
            os.close(file)
            raise
        self._file = file

    def append(self, operations: Sequence[Operation]) -> None:
        """Add operations; they are on the disk when this returns. Raises OSError: then none of them counts."""
        self.lay_out()
        assert self._file is not None
        lines = (b"\n" if self._torn else b"") + b"".join(_line(operation) for operation in operations)
        os.lseek(self._file, self._used, os.SEEK_SET)
        written = 0
        try:
            while written < len(lines):
                written += os.write(self._file, lines[written:])
            os.fsync(self._file)
        except OSError:
            with suppress(OSError):  # half a line would be passed over in any case; do not leave it in the way
                os.lseek(self._file, self._used, os.SEEK_SET)
                os.write(self._file, bytes(written))
            raise
        self._used += len(lines)
        self._torn = False

    def operations(self) -> tuple[list[Operation], int]:
        """Everything in the journal, in order, and how many lines could not be read. Raises OSError."""
        operations: list[Operation] = []
        unreadable = 0
        for line in self._written().split(b"\n"):
            if not line:
                continue
            checksum, _, text = line.partition(b" ")
            try:
                if checksum != _checksum(text):
                    raise ValueError("checksum")
                operations.append(Operation.from_json(text.decode()))
            except ValueError:
                unreadable += 1
        return operations, unreadable

    def put_aside(self) -> Path:
        """Keep the journal under another name, because not everything in it could be used. Raises OSError."""
        number = 1
        while (aside := self.path.with_name(f"{self.path.name}.{number}")).exists():
            number += 1
        aside.write_bytes(self._written())
        return aside

    def empty(self) -> None:
        """Forget everything: it is in the record now. The room stays laid out. Raises OSError."""
        if self._file is None:
            self.lay_out()
        assert self._file is not None
        # A crash in between leaves some of the lines; merging those again changes nothing.
        for start in range(self._used, -1, -65536):
            low = max(0, start - 65536)
            os.lseek(self._file, low, os.SEEK_SET)
            os.write(self._file, bytes(start - low))
        os.fsync(self._file)
        self._used, self._torn = 0, False

    def close(self) -> None:
        """Let go of the file, and remove it if there is nothing in it."""
        if self._file is None:
            return
        os.close(self._file)
        self._file = None
        if not self._used:
            self.path.unlink(missing_ok=True)

    def _written(self) -> bytes:
        """What is written: up to the last byte that is not zero."""
        if not self.path.exists():
            return b""
        return self.path.read_bytes().rstrip(b"\x00")


def _checksum(text: bytes) -> bytes:
    return b"%08x" % zlib.crc32(text)


def _line(operation: Operation) -> bytes:
    # JSON escapes control characters, so a line holds neither a line feed nor a zero byte.
    text = operation.to_json().encode()
    return _checksum(text) + b" " + text + b"\n"
