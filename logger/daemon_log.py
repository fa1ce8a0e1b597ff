"""The log of a daemon that runs for months: one JSON object a line, in files that are turned over before they grow big.

Warnings and worse also go to standard error, for whoever looks on and for the system's own journal. No secret comes
here: what a notification channel says is blanked before it is logged (`logger.notify`), and settings hold only the
place where a secret is kept.
"""

import json
import logging
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from logging.handlers import RotatingFileHandler
from pathlib import Path
from typing import Any, Final

from logger.errors import Fault, InputFault, OutsideFault

LARGEST_BYTES: Final = 1_000_000
OLD_FILES: Final = 5
"""A log file is turned over at this size, and so many old ones are kept (our choice: months of one oven)."""


class JsonLines(logging.Formatter):
    """One JSON object a line: utc, level, part, thread, text, and the traceback of a mistake of our own."""

    def format(self, record: logging.LogRecord) -> str:
        """The line of one log record."""
        values: dict[str, Any] = {
            "utc": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "part": record.name.removeprefix("soaktally."),
            "thread": record.threadName,
            "text": record.getMessage(),
        }
        if record.exc_info:
            values["traceback"] = self.formatException(record.exc_info)
        return json.dumps(values, ensure_ascii=False)


@contextmanager
def logged(file: Path) -> Iterator[None]:
    """Log into a file, turned over as it grows, for as long as this lasts.

    A log that cannot be written (a full disk) never stops what is logged.

    Raises   InputFault      no such folder
             OutsideFault    the file cannot be opened
    """
    if not file.parent.is_dir():
        raise InputFault(Fault(f"log {file}", f"no folder {file.parent}", "an existing folder"))
    try:
        lines = RotatingFileHandler(file, maxBytes=LARGEST_BYTES, backupCount=OLD_FILES, encoding="utf-8")
    except OSError as error:
        raise OutsideFault(f"log {file}: cannot be opened: {(error.strerror or str(error)).lower()}") from error
    lines.setFormatter(JsonLines())
    lines.setLevel(logging.INFO)
    screen = logging.StreamHandler(sys.stderr)
    screen.setLevel(logging.WARNING)
    screen.setFormatter(logging.Formatter("%(levelname)s: %(message)s"))
    log = logging.getLogger("soaktally")
    level, propagates, raises = log.level, log.propagate, logging.raiseExceptions
    log.setLevel(logging.INFO)
    log.propagate = False
    logging.raiseExceptions = False
    log.addHandler(lines)
    log.addHandler(screen)
    try:
        yield
    finally:
        for handler in (lines, screen):
            log.removeHandler(handler)
            handler.close()
        log.setLevel(level)
        log.propagate, logging.raiseExceptions = propagates, raises
