"""A small workshop for the page's tests: a record with a run that has ended and one that goes on, and a board.

Invented data: wrought-iron strap in charcoal, two hours at 927 °C, read inside the canister once a minute.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from starlette.testclient import TestClient

from logger.board import Board
from logger.page.access import Passwords
from logger.page.app import build_app
from logger.page.assets import load_assets
from logger.page.guard import TOKEN_HEADER
from logger.page.recorded import Sources
from logger.reading import Quality, Reading
from logger.record import RecordWriter
from logger.review import review_run
from logger.units import kelvin_from_celsius

OVEN = "north oven"
SPIKE_C, SPIKE_AT = 1003.0, 77

SHEET = """\
name = "Strap <script>alert(1)</script>"

[piece]
shape = "plate"
thickness_mm = 6
carbon_wt_pct = 0.05

[pack]
recipe = "energised charcoal"

[[target]]
quantity = "case depth"
at_carbon_wt_pct = 0.40
reach_mm = 0.8
"""

STARTED_UTC_S = 1_790_000_000.0


@dataclass(frozen=True)
class Workshop:
    """The record, the ended run, the run that goes on, the board."""

    record: Path
    ended: str
    going_on: str
    board: Board

    @property
    def sources(self) -> Sources:
        return Sources(self.board, {OVEN: self.record})


def make_workshop(
    folder: Path, hours: float = 2.5, every_s: float = 60.0, started_utc_s: float = STARTED_UTC_S
) -> Workshop:
    record, board = folder / "record.db", Board()
    with RecordWriter(record) as writer:
        ended = _run(writer, started_utc_s, hours, every_s)
        writer.end_run(ended, "stopped", ended_utc_s=started_utc_s + hours * 3600.0)
        going_on = _run(writer, started_utc_s + 86_400.0, hours, every_s)
    situation = replace(review_run(record, going_on), finished=False, histories={}, set_points=None)
    board.pin(OVEN, situation, started_utc_s + 86_400.0 + hours * 3600.0)
    return Workshop(record, ended, going_on, board)


def _run(writer: RecordWriter, started_utc_s: float, hours: float, every_s: float) -> str:
    run = writer.begin_run(
        oven=OVEN,
        channels=("canister",),
        sheet_name="strap",
        sheet_text=SHEET,
        started_utc_s=started_utc_s,
        clock="real",
        software="soaktally, test",
        poll_interval_s=every_s,
    )
    time_s = np.arange(0.0, hours * 3600.0 + every_s, every_s)
    temperature_C = np.minimum(20.0 + time_s * (907.0 / 1800.0), 927.0)
    temperature_C[SPIKE_AT] = SPIKE_C
    writer.append_readings(
        run,
        [
            Reading(
                channel="canister",
                time_s=float(at_s),
                utc_s=started_utc_s + float(at_s),
                temperature_K=kelvin_from_celsius(float(shown_C)),
                quality=Quality.GOOD,
                raw=f"{shown_C:.1f}",
                monotonic_s=float(at_s),
                set_point_K=kelvin_from_celsius(930.0),
            )
            for at_s, shown_C in zip(time_s, temperature_C, strict=True)
        ],
    )
    return run


@contextmanager
def client_of(
    workshop: Workshop, passwords: Passwords | None = None, chart_folder: Path | None = None
) -> Iterator[TestClient]:
    """A client of the whole application, gate included, as a browser on this machine is one."""
    app, _ = build_app(
        workshop.sources,
        passwords or Passwords(),
        load_assets(chart_folder),
        cookie="soaktally-test",
        hosts=frozenset({"127.0.0.1", "localhost"}),
        any_address=False,
        answer_within_s=0.2,
    )
    with TestClient(app, base_url="http://127.0.0.1", client=("127.0.0.1", 5)) as client:
        yield client


def token(client: TestClient) -> dict[str, str]:
    """The header that changing requests carry."""
    return {TOKEN_HEADER: client.get("/api/session").json()["form_token"] or ""}
