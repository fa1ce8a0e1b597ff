"""Simulated ovens on real ports, and a daemon that serves them: in this process, or in one of its own."""

import json
import subprocess
import sys
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from logger.board import Board
from logger.daemon import Daemon, serve
from logger.errors import SoaktallyError
from logger.record import RecordReader
from logger.requests import Answer, ask, wait_for_answer
from sim.bus import Bus
from sim.faults import FaultPlan
from sim.heat import Heat
from sim.modbus_server import Station
from sim.scenario import scenario
from tests.whole.loopback import reached

SHEET = """
name = "strap, invented"
[piece]
shape = "plate"
thickness_mm = 6.0
carbon_wt_pct = 0.10
[pack]
recipe = "energised charcoal"
[canister]
sensor = "inside"
[[target]]
quantity = "soak time"
reach_h = 1.0
"""

OVEN = """
[oven]
name = "{name}"
record = "{record}"
{limits}
[clock]
speed = {speed:g}
[[port]]
name = "{port}"
[[port.controller]]
name = "controller"
poll_interval_s = {poll_s:g}
answer_deadline_s = 0.3
[[port.controller.channel]]
name = "air"
register = 0
function = 3
scale = 0.1
unit = "C"
break_codes = [32767]
[[port.controller.channel]]
name = "set point"
quantity = "set point"
register = 1
function = 3
scale = 0.1
unit = "C"
[[port.controller.channel]]
name = "output"
quantity = "output"
register = 2
function = 3
number = "uint16"
scale = 0.1
unit = "%"
{more}
"""


def oven_file(
    folder: Path,
    name: str,
    port: str,
    *,
    record: str = "record.db",
    speed: float = 60.0,
    poll_s: float = 5.0,
    limits: str = "",
    more: str = "",
) -> Path:
    """An oven file for a simulated oven."""
    file = folder / f"{name}.toml"
    file.write_text(
        OVEN.format(name=name, record=record, speed=speed, port=port, poll_s=poll_s, limits=limits, more=more),
        encoding="utf-8",
    )
    return file


@contextmanager
def simulated(
    speed: float = 60.0, heat: str = "plane-iron", faults: FaultPlan | None = None, seed: int = 1
) -> Iterator[Bus]:
    """A simulated oven on a pseudo-terminal."""
    chosen = scenario(heat)
    plan = faults or FaultPlan()
    burning = Heat(chosen.program, canister=chosen.canister, seed=seed, faults=plan)
    with Bus([Station(1, burning)], speed=speed, faults=plan, seed=seed) as bus:
        yield bus


class Served:
    """A daemon in a thread of this process."""

    def __init__(self, files: Sequence[Path]) -> None:
        self.board = Board()
        self.daemon: Daemon | None = None
        self.failure: BaseException | None = None
        self._ready = threading.Event()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._work, args=(files,), daemon=True)
        self._thread.start()
        assert self._ready.wait(30.0)
        if self.failure is not None:
            raise self.failure

    def _work(self, files: Sequence[Path]) -> None:
        def ready(daemon: Daemon) -> None:
            self.daemon = daemon
            self._ready.set()

        try:
            serve(files, self._stop, board=self.board, ready=ready)
        except SoaktallyError as fault:
            self.failure = fault
        finally:
            self._ready.set()

    def close(self) -> None:
        self._stop.set()
        self._thread.join(60.0)
        assert not self._thread.is_alive()


@contextmanager
def served(*files: Path) -> Iterator[Served]:
    """A running daemon for these ovens."""
    running = Served(files)
    try:
        yield running
    finally:
        running.close()


def serve_for_ever(file: Path) -> None:
    """What a process that is going to be killed does."""
    serve([file], threading.Event())


def answered(record: Path, kind: str, **detail: Any) -> Answer:
    """Ask, and wait for the answer."""
    answer = wait_for_answer(record, ask(record, kind, **detail), 30.0)
    assert answer is not None
    return answer


def begun(record: Path, oven: str, sheet: str = SHEET) -> str:
    """Begin a run by request; its id."""
    answer = answered(record, "start", oven=oven, sheet_name="strap", sheet_text=sheet)
    assert answer.done, answer.text
    return answer.run


def is_record(path: Path) -> bool:
    """Whether a record has been made, and is ready to be asked something."""
    try:
        RecordReader(path).close()
    except SoaktallyError:
        return False
    return True


def readings(record: Path, run: str) -> int:
    """How many readings of a run are durable."""
    with RecordReader(record) as reader:
        return sum(1 for _ in reader.readings(run))


def grows(record: Path, run: str, by: int = 3) -> bool:
    """Whether readings keep coming."""
    before = readings(record, run)
    return reached(lambda: readings(record, run) >= before + by)


def soaktally(*words: str | Path) -> "subprocess.CompletedProcess[str]":
    """The command, as a person runs it."""
    return subprocess.run(
        [sys.executable, "-m", "logger", *map(str, words)], capture_output=True, text=True, check=False
    )


def told(said: "subprocess.CompletedProcess[str]") -> dict[str, Any]:
    """What a command with ``--json`` said."""
    return dict(json.loads(said.stdout))
