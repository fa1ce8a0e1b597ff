"""Asking something of the process that watches: by a row in the record, answered by another.

Whoever asks (a command, the page) appends a request; the watching process takes it within about half a second, does it
or refuses it, and appends an event of kind ``request answered`` that says which. Nothing else connects the two, so a
request needs no port and no password beyond the right to write the record.

What can be asked, with the details each takes:

    start         oven, sheet_name, sheet_text       begin a run of this sheet
    stop          oven (or run), how                 end the run that goes on
    acknowledge   oven, alert, key, who              an open alert by its kind ("" or "all": every open one); ``key``
                                                     tells alerts of one kind apart and may be left out; ``oven`` ""
                                                     also reaches the alerts of the watching process itself
    mark          oven (or run), text, author        a note about this moment of the run
    reload                                           read the oven files again

A note about a run as a whole needs nobody's help: append `record.note` with `append_from_outside`.
"""

import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from logger.record import EventRow, RecordReader, append_from_outside, request

START, STOP, ACKNOWLEDGE, MARK, RELOAD = "start", "stop", "acknowledge", "mark", "reload"

ANSWERED: Final = "request answered"
"""Kind of the event that answers a request; its detail holds ``request`` (the id), ``done`` and ``refused``."""

GOOD_FOR_S: Final = 60.0
"""A request that nobody took for longer than this is refused when it is found [s]: who asked has long gone on."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of a request: done, or not, and what there is to say; ``run`` is the run it was about, if any."""

    done: bool
    text: str
    run: str = ""


def ask(record: Path, kind: str, **detail: Any) -> str:
    """Append a request to a record that another process watches into; returns the request's id.

    Raises   InputFault     no such record, not a record, another version
             OutsideFault   locked, full, read-only, damaged
    """
    asked = request(kind, utc_s=time.time(), **detail)
    append_from_outside(record, asked)
    return str(asked.rows[0]["id"])


def answer_to(reader: RecordReader, asked: str) -> Answer | None:
    """The answer to the request of this id; None while there is none."""
    found = reader.answer_to(asked, ANSWERED)
    return None if found is None else _answer(found)


def wait_for_answer(record: Path, asked: str, timeout_s: float = 15.0, every_s: float = 0.1) -> Answer | None:
    """Wait for the answer to a request; None where nobody answers within the timeout [s].

    Raises   InputFault, OutsideFault   the record cannot be read
    """
    until_s = time.monotonic() + timeout_s
    with RecordReader(record) as reader:
        while (answer := answer_to(reader, asked)) is None and time.monotonic() < until_s:
            time.sleep(every_s)
    return answer


Answering = Callable[[Answer], None]
"""How the watching process hands back its answer; called once."""


def _answer(event: EventRow) -> Answer:
    return Answer(bool(event.detail.get("done")), event.text, str(event.detail.get("run", "")))
