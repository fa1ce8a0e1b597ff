"""The daemon: builds everything for one watched oven and owns the threads and signals.

Pollers (a thread per port) put what they bring into one queue; this thread takes it out, one piece at a time, and hands
it to the watch. A worker thread makes bands and forecasts from values that nobody changes. Nothing else is shared.
"""

import queue
import signal
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from math import inf
from pathlib import Path
from types import FrameType
from typing import Any

from logger.alert import AlertEvent
from logger.clock import Clock
from logger.estimate import estimate
from logger.notify import Notifier
from logger.oven_file import OvenSettings
from logger.polling import LinkEvent, LinkState, Poller, PollResult
from logger.record import RecordReader, RecordWriter
from logger.sheet_file import parse_sheet
from logger.situation import Situation
from logger.watch import Watch

SHOW_EVERY_S = 0.1
"""The situation is handed to whoever shows it at most this often [s of real time]."""

TICK_S = 1.0
"""How long to wait for a reading before looking at the clock [s of real time]."""


@dataclass(frozen=True, slots=True)
class Orders:
    """What a watch is to do besides watching.

    ``until_s`` ends the run by itself at that run time [s]; ``show`` is called with the situation after every answer,
    ``say`` with every alert event's words.
    """

    until_s: float | None = None
    show: Callable[[Situation], None] = lambda situation: None
    say: Callable[[AlertEvent], None] = lambda event: None


def software() -> str:
    """Name and version of this software, as the record keeps it."""
    try:
        return f"soaktally {version('soaktally')}"
    except PackageNotFoundError:
        return "soaktally, not installed"


def boot_name() -> str:
    """What tells one start of this computer from another; empty where the system does not say."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        return ""


def watch(oven: OvenSettings, sheet_file: Path, clock: Clock, orders: Orders, stop: threading.Event) -> str:
    """Watch one run of one oven until it is stopped; returns the run's id.

    A run of the same sheet that was broken off is gone on with. Every reading is in the record before anything is
    worked out from it.

    Raises   InputFault      a sheet or a record that cannot be used
             OutsideFault    a record that cannot be written
    """
    sheet_text = sheet_file.read_text(encoding="utf-8")
    sheet = parse_sheet(sheet_text, str(sheet_file))
    brought: queue.SimpleQueue[PollResult | LinkEvent] = queue.SimpleQueue()
    with ExitStack() as stack:
        record = stack.enter_context(RecordWriter(oven.record))
        notifier = Notifier(oven.notify, record)
        stack.callback(notifier.close)
        worker = ThreadPoolExecutor(1, thread_name_prefix="outlook")
        stack.callback(worker.shutdown, cancel_futures=True)

        def announce(kept: str, event: AlertEvent, utc_s: float) -> None:
            orders.say(event)
            notifier.send(kept, event, utc_s=utc_s, oven=oven.name, run=run.run)

        run = Watch(
            oven=oven.name,
            channels=oven.temperature_channels,
            sheet=sheet,
            sheet_name=sheet_file.stem,
            sheet_text=sheet_text,
            record=record,
            clock=clock,
            poll_interval_s=oven.poll_interval_s(estimate.driving_channel(oven.temperature_channels, sheet)),
            software=software(),
            announce=announce,
            thermocouples=oven.thermocouples,
            over_temperature_K=oven.over_temperature_K,
            boot=boot_name(),
            worker=worker,
        )
        pollers = [Poller(port, clock, brought.put) for port in oven.ports]
        notifier.start()
        _begin_or_take_up(run, oven)
        with ExitStack() as polls:
            for poller in pollers:
                polls.enter_context(_polling(poller))
            _follow(run, brought, orders, stop)
        _take_what_is_left(run, brought)
        run.end("stopped" if stop.is_set() else "the time asked for was over")
        orders.show(run.now())
    return run.run


def _begin_or_take_up(run: Watch, oven: OvenSettings) -> None:
    with RecordReader(oven.record) as reader:
        unfinished = reader.unfinished_run(oven.name)
        if unfinished is not None and unfinished.sheet_text == run.sheet_text:
            run.take_up(unfinished, reader)
            return
        if unfinished is not None:
            run.close_other(unfinished, "broken off; another sheet was begun")
    run.begin()


def _follow(
    run: Watch, brought: "queue.SimpleQueue[PollResult | LinkEvent]", orders: Orders, stop: threading.Event
) -> None:
    """Take what the pollers bring until told to stop, or until the time is over."""
    shown_s = -inf
    while not stop.is_set():
        try:
            piece = brought.get(timeout=TICK_S)
        except queue.Empty:
            run.tick()
            time_s = run.now().now_s
        else:
            _take(run, piece)
            time_s = run.time_of(piece)
        if time.monotonic() - shown_s >= SHOW_EVERY_S:
            shown_s = time.monotonic()
            orders.show(run.now())
        if orders.until_s is not None and time_s >= orders.until_s:
            return


def _take(run: Watch, piece: PollResult | LinkEvent) -> None:
    if isinstance(piece, LinkEvent) and piece.state is LinkState.FAILED:
        raise RuntimeError(f"{piece.port}: polling stopped by a mistake of our own: {piece.why}")
    run.take(piece)


def _take_what_is_left(run: Watch, brought: "queue.SimpleQueue[PollResult | LinkEvent]") -> None:
    """What the pollers brought before they stopped is read all the same."""
    while not brought.empty():
        _take(run, brought.get())


@contextmanager
def _polling(poller: Poller) -> Iterator[None]:
    poller.start()
    try:
        yield
    finally:
        poller.stop()
        poller.join(10.0)


@contextmanager
def stopped_by_signals(stop: threading.Event) -> Iterator[None]:
    """SIGINT and SIGTERM set the event, once; a second one ends the process the hard way."""
    before: dict[signal.Signals, Any] = {}

    def on_signal(number: int, frame: FrameType | None) -> None:
        stop.set()
        for each, handler in before.items():
            signal.signal(each, handler)

    for number in (signal.SIGINT, signal.SIGTERM):
        before[number] = signal.signal(number, on_signal)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
