"""What the handlers of the page share: where things are read from, who may, and what is kept for a while."""

import asyncio
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request

from logger.board import Pinned
from logger.errors import Fault
from logger.page import worker
from logger.page.access import GuessLimit, Passwords
from logger.page.live import Feed
from logger.page.reader import Reader
from logger.page.recorded import NotThere, Sources, Traces, run_row
from logger.page.worker import Worker
from logger.record import RunRow
from logger.situation import Situation

KEPT_REVIEWS: Final = 4


@dataclass
class Workshop:
    """All that the handlers share; belongs to the event loop of the page."""

    sources: Sources
    passwords: Passwords
    feed: Feed
    worker: Worker
    answer_within_s: float
    traces: Traces = field(default_factory=Traces)
    guesses: GuessLimit = field(default_factory=GuessLimit)
    peaks: dict[tuple[Path, str], float | None] = field(default_factory=dict)
    reviews: dict[tuple[Path, str], Situation] = field(default_factory=dict)
    what_ifs: dict[tuple[str, Reader], tuple[float, dict[str, Any]]] = field(default_factory=dict)
    signing_in: asyncio.Semaphore = field(default_factory=lambda: asyncio.Semaphore(1))

    def pinned(self, oven: str) -> Pinned:
        """The latest of an oven. Raises NotThere where nothing is up."""
        pinned = self.sources.board.latest(oven)
        if pinned is None:
            raise NotThere(Fault("oven", f'"{oven[:60]}"', "an oven that is being watched"))
        return pinned

    def live(self, oven: str, run: str) -> Situation | None:
        """The watched situation, if this run is the one that goes on."""
        pinned = self.sources.board.latest(oven)
        situation = None if pinned is None else pinned.situation
        return situation if isinstance(situation, Situation) and situation.run == run else None

    async def situation(self, oven: str, run: str) -> tuple[Path, RunRow, Situation]:
        """A run with its traces: as watched while it goes on, else reviewed by the helping process."""
        record, row = await run_in_threadpool(run_row, self.sources, oven, run)
        watched = self.live(oven, row.id)
        if watched is not None:
            return record, row, await run_in_threadpool(self.traces.with_traces, watched, record)
        key = (record, row.id)
        if key in self.reviews:
            return record, row, self.reviews[key]
        found = await self.worker.do(worker.reviewed, record, row.id)
        if row.ended_utc_s is not None:
            self.reviews[key] = found
            while len(self.reviews) > KEPT_REVIEWS:
                del self.reviews[next(iter(self.reviews))]
        return record, row, found


def workshop(request: Request) -> Workshop:
    """What the handlers share."""
    shared = request.app.state.workshop
    assert isinstance(shared, Workshop)
    return shared
