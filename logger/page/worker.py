"""Long work of the page in a process of its own, so that no watch ever waits for it: reviews, pictures, what-ifs.

The process is begun when there is something to do, runs at low priority and ends again when nothing was asked of it
for a while: a small board has its memory back.
"""

import asyncio
import os
import signal
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import replace
from io import BytesIO
from multiprocessing import get_context
from pathlib import Path
from typing import Any, Final, Literal, ParamSpec, TypeVar

from logger.errors import Fault, InputFault, OutsideFault
from logger.estimate.estimate import without_members
from logger.page.reader import Reader
from logger.situation import Situation

Words = ParamSpec("Words")
Result = TypeVar("Result")

IDLE_S: Final = 60.0
"""The process ends after this long without work [s]."""

LONGEST_S: Final = 300.0
"""Work that takes longer than this [s] is given up."""

LOW_PRIORITY: Final = 5

PHOTO_SIDE: Final = 2048
"""A photo is kept at most this large [pixels on its longer side]."""

PHOTO_PIXELS: Final = 60_000_000
"""More pixels than any phone takes: a file that claims more is not opened."""


class Worker:
    """One helping process at a time; whoever asks waits without holding anything up. Belongs to one event loop."""

    def __init__(self) -> None:
        self._pool: ProcessPoolExecutor | None = None
        self._one_at_a_time = asyncio.Semaphore(1)
        self._idle: asyncio.TimerHandle | None = None

    async def do(self, work: Callable[Words, Result], *args: Words.args, **kwargs: Words.kwargs) -> Result:
        """Call a function of this module in the process, with arguments that can be sent there.

        Raises   what the function raises; OutsideFault where the process ends or takes too long
        """
        async with self._one_at_a_time:
            if self._idle is not None:
                self._idle.cancel()
            if self._pool is None:
                self._pool = ProcessPoolExecutor(1, mp_context=get_context("spawn"), initializer=_begin)
            loop = asyncio.get_running_loop()
            try:
                doing = loop.run_in_executor(self._pool, _call, work, args, kwargs)
                outcome = await asyncio.wait_for(doing, LONGEST_S)
            except (BrokenProcessPool, TimeoutError) as error:
                self.stop(kill=True)
                raise OutsideFault("the page's helping process ended before it was done: ask again") from error
            self._idle = loop.call_later(IDLE_S, self.stop)
        if isinstance(outcome, Refused):
            raise InputFault(outcome.faults)
        return outcome  # type: ignore[no-any-return]

    def stop(self, kill: bool = False) -> None:
        """End the process."""
        pool, self._pool = self._pool, None
        if pool is None:
            return
        processes = list((pool._processes or {}).values()) if kill else []
        pool.shutdown(wait=False, cancel_futures=True)
        for process in processes:
            process.kill()


class Refused:
    """Faults on their way between the processes: an exception that takes other arguments does not survive it."""

    def __init__(self, fault: InputFault) -> None:
        self.faults = fault.faults


def _begin() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the daemon, which then ends this process
    os.nice(LOW_PRIORITY)


def _call(work: Callable[..., Any], args: tuple[Any, ...], kwargs: dict[str, Any]) -> Any:
    try:
        return work(*args, **kwargs)
    except InputFault as fault:
        return Refused(fault)


# --- the work itself: functions of plain values -----------------------------------------------------------------------


def reviewed(record: Path, run: str) -> Situation:
    """The situation at the end of a recorded run, without what only further computing needs."""
    from logger.review import review_run

    return light(review_run(record, run, even_without_readings=True))


def light(situation: Situation) -> Situation:
    """The same situation without its ensemble, so that it is quickly handed on."""
    return replace(situation, state=without_members(situation.state))


def picture(record: Path, run: str, reader: Reader) -> bytes:
    """The picture of a run as PNG."""
    from logger.review import review_run
    from logger.views.plots import draw_run, png
    from logger.views.run_views import run_view_of

    situation = reader.of(review_run(record, run, even_without_readings=True))
    return png(draw_run(run_view_of(situation, reader.zone), situation.problem.sheet.display), 110)


def report(record: Path, run: str, reader: Reader, kind: Literal["html", "pdf"]) -> bytes:
    """The report of a run with its photos, as HTML or as a PDF of one page."""
    from logger.review import review_run
    from logger.views.report import report_of
    from logger.views.report_html import report_html
    from logger.views.report_pdf import report_pdf
    from logger.views.report_photos import photos_of
    from logger.views.report_pictures import panels
    from logger.views.run_views import run_view_of

    situation = reader.of(review_run(record, run, even_without_readings=True))
    told = report_of(situation, reader.zone, photos_of(situation))
    drawn = panels(run_view_of(situation, reader.zone), situation.problem.sheet.display)
    return report_pdf(told, drawn) if kind == "pdf" else report_html(told, drawn).encode("utf-8")


def what_if_answers(situation: Situation, reader: Reader) -> dict[str, Any]:
    """The usual courses from this moment on: a table in words, and the JSON object of the command."""
    from logger.views.what_if_text import what_if_object, what_if_table
    from logger.views.wording import unbroken
    from logger.what_if import USUAL_COURSES, what_ifs

    answers = what_ifs(situation.problem, situation.state, USUAL_COURSES)
    shown = reader.of(situation)
    opening, head, rows = what_if_table(shown, answers)
    return {
        "opening": unbroken(opening),
        "head": [unbroken(words) for words in head],
        "rows": [[unbroken(words) for words in row] for row in rows],
        "object": what_if_object(shown, answers),
    }


def clean_photo(content: bytes) -> bytes:
    """A photo as it is kept: decoded, turned upright, made smaller, written anew as JPEG without what else it carried.

    Raises   InputFault   not a picture after all, or one of absurd size
    """
    import warnings

    from PIL import Image, ImageOps, UnidentifiedImageError

    Image.MAX_IMAGE_PIXELS = PHOTO_PIXELS
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(BytesIO(content), formats=("JPEG", "PNG", "WEBP")) as image:
                image.draft("RGB", (PHOTO_SIDE, PHOTO_SIDE))
                upright = ImageOps.exif_transpose(image).convert("RGB")
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError, Image.DecompressionBombError, Warning) as error:
        raise InputFault(Fault("photo", "a file that is not a whole picture", "a JPEG, PNG or WebP photo")) from error
    upright.thumbnail((PHOTO_SIDE, PHOTO_SIDE))
    out = BytesIO()
    upright.save(out, "JPEG", quality=82, optimize=True)
    return out.getvalue()
