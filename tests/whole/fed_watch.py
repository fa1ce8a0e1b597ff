"""A watch that is fed by hand: real record, real estimate, a clock that stands still."""

import threading
from concurrent.futures import Executor
from math import nan
from pathlib import Path

import numpy as np

from logger.controllers.controller import RawReading
from logger.polling import PollResult
from logger.reading import Quality
from logger.record import RecordReader, RecordWriter
from logger.sheet_file import parse_sheet
from logger.units import kelvin_from_celsius
from logger.watch import Watch

SHEET = """\
# Invented data.
[piece]
shape = "plate"
thickness_mm = 6
carbon_wt_pct = 0.1
[pack]
recipe = "energised charcoal"
[canister]
sensor = "inside"
[[target]]
quantity = "case depth"
at_carbon_wt_pct = 0.40
reach_mm = 0.8
"""
EVERY_S = 60.0


class StillClock:
    """A clock that stands: the times of what is fed are the test's own."""

    speed = 1.0

    def utc_s(self) -> float:
        return 1_795_600_800.0

    def monotonic_s(self) -> float:
        return 0.0

    def wait_until_s(self, monotonic_s: float, stop: threading.Event) -> bool:
        raise NotImplementedError

    def describe(self) -> str:
        return ""


class FedWatch:
    """A watch that is fed by hand: an hour up to 940 C, then a hold, whatever the last reading was."""

    def __init__(
        self, folder: Path, writer: RecordWriter, worker: Executor | None = None, sheet_text: str = SHEET
    ) -> None:
        self.record = folder / "record.db"
        self.clock = StillClock()
        self.watch = Watch(
            oven="back room",
            channels=("air",),
            sheet=parse_sheet(sheet_text, "strap.toml"),
            sheet_name="strap",
            sheet_text=sheet_text,
            record=writer,
            clock=self.clock,
            poll_interval_s=EVERY_S,
            software="",
            announce=lambda *told: None,
            worker=worker,
        )
        self.watch.begin()
        self.number = 0

    def feed(self, readings: int, quality: Quality = Quality.GOOD, off_K: float = 0.0) -> None:
        """The next readings, of one quality, off by so much."""
        for _ in range(readings):
            time_s = EVERY_S * self.number
            at_K = float(kelvin_from_celsius(np.interp(time_s, [0.0, 3600.0], [20.0, 940.0]))) + off_K
            self._take(RawReading("air", at_K if quality is Quality.GOOD else nan, quality))

    def miss(self, readings: int) -> None:
        """Nothing is brought for so many polls."""
        self.number += readings

    def _take(self, raw: RawReading) -> None:
        time_s = EVERY_S * self.number
        self.number += 1
        self.watch.take(PollResult("p", "c", time_s, self.clock.utc_s() + time_s, (raw,)))

    def kept(self) -> int:
        """How many readings are in the record."""
        with RecordReader(self.record) as reader:
            return len(reader.history(self.watch.run, "air"))
