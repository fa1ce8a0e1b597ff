"""Bands and forecast are made beside the watch: however long they take, readings are in the record meanwhile."""

import logging
import threading
from collections.abc import Iterator
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from pathlib import Path

import pytest

from logger import target, watch
from logger.outlook import Outlook, outlook
from logger.record import RecordWriter
from logger.units import kelvin_from_celsius
from tests.whole.fed_watch import EVERY_S, FedWatch
from tests.whole.loopback import reached


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[RecordWriter]:
    with RecordWriter(tmp_path / "record.db") as writer:
        yield writer


def test_readings_are_durable_while_an_outlook_takes_its_time(
    tmp_path: Path, writer: RecordWriter, monkeypatch: pytest.MonkeyPatch
) -> None:
    go_on = threading.Event()

    def slow(*asked: object) -> Outlook:
        assert go_on.wait(60.0)
        return outlook(*asked)  # type: ignore[arg-type]

    monkeypatch.setattr(watch, "outlook", slow)
    with ThreadPoolExecutor(1) as worker:
        heat = FedWatch(tmp_path, writer, worker)
        try:
            heat.feed(120)
            assert heat.kept() == 120
            assert heat.watch.now().bands is None
            assert heat.watch.now().estimate.time_s == 119 * EVERY_S
        finally:
            go_on.set()

        def taken() -> bool:
            heat.watch.tick()
            return heat.watch.now().bands is not None

        assert reached(taken)


def test_an_outlook_made_beside_the_watch_is_the_one_made_at_once(tmp_path: Path, writer: RecordWriter) -> None:
    class Counted(Executor):
        """A worker that is done as late as told."""

        def __init__(self) -> None:
            self.waiting: list[tuple[Future[Outlook], tuple[object, ...]]] = []

        def submit(self, task: object, /, *asked: object, **named: object) -> Future[Outlook]:  # type: ignore[override]
            done: Future[Outlook] = Future()
            self.waiting.append((done, asked))
            return done

        def finish(self) -> None:
            done, asked = self.waiting.pop()
            done.set_result(outlook(*asked))  # type: ignore[arg-type]

    late = Counted()
    heat = FedWatch(tmp_path, writer, late)
    heat.feed(1)
    late.finish()
    heat.feed(149)  # the next one is asked for at 300 s and finished long after
    assert len(late.waiting) == 1
    late.finish()
    heat.watch.tick()
    bands, forecast = heat.watch.bands, heat.watch.forecast
    assert bands is not None
    assert forecast is not None

    again = FedWatch(tmp_path, writer, None)
    again.feed(6)
    assert again.watch.bands is not None
    assert again.watch.bands.time_s == bands.time_s == 300.0
    assert again.watch.forecast == forecast
    assert again.watch.bands.steel_temperature_K == bands.steel_temperature_K
    at_K = kelvin_from_celsius(20.0 + 920.0 * 300.0 / 3600.0)
    alone = target.forecast(again.watch.problem, again.watch.state, at_K, heating_K_per_s=920.0 / 3600.0)
    assert forecast.reached_at_s == pytest.approx(alone.reached_at_s)


def test_a_mistake_in_an_outlook_does_not_end_the_watch(
    tmp_path: Path, writer: RecordWriter, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def mistaken(*asked: object) -> Outlook:
        raise ZeroDivisionError

    monkeypatch.setattr(watch, "outlook", mistaken)
    with caplog.at_level(logging.ERROR), ThreadPoolExecutor(1) as worker:
        heat = FedWatch(tmp_path, writer, worker)
        heat.feed(30)
        assert reached(lambda: heat.watch.tick() is None and "no outlook for back room" in caplog.text)
        heat.feed(30)
    assert heat.kept() == 60
