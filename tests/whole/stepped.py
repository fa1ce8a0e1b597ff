"""A night beside one oven in a few seconds: everything real but time and the wire.

Time stands still except where a poller waits for it, so a night passes as fast as it can be worked out, the same every
time. The simulated oven's registers come to the logger's controller as words, as they would over a wire.
"""

import sqlite3
import threading
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Executor, Future
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from logger import record_writer, watch
from logger.alert import AlertEvent, Phase
from logger.alert_rules import AlertKind
from logger.clock import Clock
from logger.controllers.link import Connected
from logger.controllers.link_faults import LinkLost, NoAnswer, PortMissing
from logger.controllers.modbus import readings
from logger.controllers.register_map import RegisterAddress
from logger.controllers.settings import PortSettings
from logger.oven_file import read_oven
from logger.oven_watch import Order, Outlets, OvenWatch
from logger.polling import Poller
from logger.record import RecordReader, RecordWriter
from logger.record_desk import RecordDesk
from logger.requests import Answer
from sim.faults import FaultPlan
from sim.heat import Heat
from sim.program import Program
from sim.registers import built_in_table
from sim.scenario import scenario
from tests.whole.served import SHEET, oven_file

PORT = "stepped"
BEGUN_UTC_S = 1.79e9


class SteppedClock:
    """Stands still except where something waits for it. ``ahead_s`` is how far the wall clock was put forward."""

    speed = 1.0

    def __init__(self) -> None:
        self.now_s = 1000.0
        self.ahead_s = 0.0

    def utc_s(self) -> float:
        return BEGUN_UTC_S + self.now_s + self.ahead_s

    def monotonic_s(self) -> float:
        return self.now_s

    def wait_until_s(self, monotonic_s: float, stop: threading.Event) -> bool:
        if stop.is_set():
            return False
        self.now_s = max(self.now_s, monotonic_s)
        return True

    def describe(self) -> str:
        return "stepped"


class AtOnce(Executor):
    """Works out what it is given before it returns."""

    def submit(self, act: Callable[..., Any], /, *given: Any, **named: Any) -> "Future[Any]":
        done: Future[Any] = Future()
        try:
            done.set_result(act(*given, **named))
        except Exception as error:
            done.set_exception(error)
        return done


class SimulatedLine:
    """The simulated oven's port and controller without a wire: faults that the wire would have happen here."""

    def __init__(self, clock: SteppedClock) -> None:
        self.clock = clock
        self.name = "controller"
        self.is_open = False
        self.heat: Heat | None = None
        self.plan = FaultPlan()
        self.began_s = 0.0
        self.settings: Any = None
        self._table = built_in_table()

    def burn(self, heat: str, plan: FaultPlan, seed: int, program: Program | None = None) -> None:
        """Begin a heat now, by its own program or another."""
        chosen = scenario(heat)
        self.plan, self.began_s = plan, self.clock.now_s
        self.heat = Heat(
            program or chosen.program, canister=chosen.canister, faults=plan, seed=seed, truth_every_s=600.0
        )

    def _has(self, *kinds: Any) -> bool:
        return bool(self.plan.active(self.clock.now_s - self.began_s, kinds))

    def open(self) -> None:
        if self._has("unplug"):
            raise PortMissing(f"{PORT}: not there; plug the adapter in")
        self.is_open = True

    def close(self) -> None:
        self.is_open = False

    def ready(self) -> bool:
        return True

    def read(self) -> Any:
        if self._has("unplug"):
            raise LinkLost(f"{PORT}: gone")
        assert self.heat is not None
        self.heat.advance_to(self.clock.now_s - self.began_s)
        if self._has("lost-link", "power-cut"):
            raise NoAnswer("controller: no answer in 0.3 s")
        words = {
            RegisterAddress(3, address): word for address, word in self._table.words(3, self.heat.display()).items()
        }
        return readings(self.settings, words)


@dataclass
class Night:
    """One oven and its daemon's parts, driven by hand. ``told`` is every alert event that was announced, in order."""

    folder: Path
    poll_s: float = 30.0
    limits: str = ""
    sheet: str = SHEET
    says_output: bool = True
    told: list[AlertEvent] = field(default_factory=list)
    runs: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.clock = SteppedClock()
        self.line = SimulatedLine(self.clock)
        file = oven_file(self.folder, "east", PORT, speed=1.0, poll_s=self.poll_s, limits=self.limits)
        if not self.says_output:
            words = file.read_text(encoding="utf-8")
            file.write_text(words[: words.rindex("[[port.controller.channel]]")], encoding="utf-8")
        self.settings = read_oven(file)
        self.switch_on()

    def switch_on(self) -> None:
        """Start the daemon's parts, as after a boot."""
        writer = RecordWriter(self.settings.record, even_if_damaged=True, try_again_s=0.0)
        self.desk = RecordDesk(writer, self.clock, {"east": self.settings.notify}, lambda request, answer: None)
        self.desk._restore()
        outlets = Outlets(self._announced)
        self.oven = OvenWatch(self.settings, writer, self.clock, outlets, make_poller=self._poller)
        self.oven._worker = AtOnce()  # type: ignore[assignment]
        self.desk._say = lambda event, oven: self.told.append(event)
        self.oven._carefully(self.oven._restore)

    def switch_off(self) -> None:
        """Everything gone at once, as in a power cut of the computer; what is durable is in the files."""
        self.line.close()
        self.desk.writer.close()

    def _announced(self, name: str, event: AlertEvent, utc_s: float, oven: str | None, run: str | None) -> None:
        self.told.append(event)

    def _poller(self, port: PortSettings, clock: Clock, sink: Any) -> Poller:
        self.line.settings = port.controllers[0]
        return Poller(port, clock, sink, lambda settings, clock: Connected(self.line, (self.line,)))

    def burn(
        self,
        heat: str = "plane-iron",
        plan: FaultPlan = FaultPlan(),  # noqa: B008
        seed: int = 1,
        program: Program | None = None,
    ) -> str:
        """Begin a heat, and a run."""
        self.line.burn(heat, plan, seed, program)
        answer = self.ask("start", sheet_name="strap", sheet_text=self.sheet)
        assert answer.done, answer.text
        self.runs.append(answer.run)
        return answer.run

    def ask(self, kind: str, **detail: str) -> Answer:
        """Ask something of the oven."""
        answers: list[Answer] = []
        self.oven.put(Order(kind, detail, answers.append))
        self._drain()
        return answers[0]

    def pass_to(self, time_s: float, between: Mapping[float, Callable[[], None]] | None = None) -> None:
        """Let time pass until this time of the heat [s]; ``between``: what happens at which times."""
        waiting = dict(sorted((between or {}).items()))
        while self.clock.now_s - self.line.began_s < time_s:
            for at_s in [at for at in waiting if at <= self.clock.now_s - self.line.began_s]:
                waiting.pop(at_s)()
            (poller,) = self.oven.ports.pollers.values()
            poller._one_round()
            self._drain()
            self.desk._book.judge(self.desk._facts(), *self.desk._moment())

    def _drain(self) -> None:
        while not self.oven._inbox.empty():
            self.oven._carefully(self.oven._come_round, self.oven._inbox.get())
        assert self.oven.mistake() == ""

    def episodes(self, *, news: bool = False) -> list[tuple[AlertKind, str]]:
        """Kind and key of every alert that was raised; of news only where asked for."""
        return [
            (event.kind, event.key)
            for event in self.told
            if event.phase is Phase.RAISED and (news or event.severity != "news")
        ]

    def phases(self, kind: AlertKind) -> list[Phase]:
        """What happened to the episodes of one kind, in order."""
        return [event.phase for event in self.told if event.kind is kind]

    def recorded(self) -> list[tuple[AlertKind, str, Phase]]:
        """Every alert event in the record."""
        with RecordReader(self.settings.record) as reader:
            return [(row.event.kind, row.event.key, row.event.phase) for row in reader.alerts()]


@contextmanager
def night(folder: Path, **more: Any) -> Iterator[Night]:
    """A night, and the end of it."""
    usual_s = watch.FORECAST_EVERY_S
    watch.FORECAST_EVERY_S = 1800.0  # it costs most of a night
    begun = Night(folder, **more)
    try:
        yield begun
    finally:
        begun.switch_off()
        watch.FORECAST_EVERY_S = usual_s


@contextmanager
def full_disk(patch: pytest.MonkeyPatch) -> Iterator[None]:
    """Every transaction of a record's writer fails as on a full disk."""

    @contextmanager
    def refused(db: Any) -> Iterator[None]:
        raise sqlite3.OperationalError("database or disk is full")
        yield

    with patch.context() as patched:
        patched.setattr(record_writer, "transaction", refused)
        yield
