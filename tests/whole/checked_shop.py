"""A simulated oven on a real port, an oven file that describes it, and what the check says of it."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from logger.clock import FastClock, RealClock
from logger.diagnosis.failures import CheckReport, Diagnosis, Failure
from logger.link_check import CheckOrders, check_oven
from logger.oven_file import read_oven
from sim.bus import Bus, Station
from sim.controller import Tuning
from sim.faults import plan_from_text
from sim.heat import Heat
from sim.oven import OvenBuild
from sim.program import Off, Program, Ramp, Soak
from sim.registers import RegisterTable, built_in_table
from sim.scenario import STRAP_CANISTER

ROOM_K = 294.15
COLD = Program((Soak(1e9),))
IDLE = Program((Off(),))
HEATING = Program((Ramp(1198.15), Soak(1e9)))
QUICK = Tuning(scan_s=5.0)


@dataclass
class Shop:
    """A simulated oven on a port, and an oven file that describes it as a person would."""

    folder: Path
    program: Program = IDLE
    faults: str = ""
    start_K: float = ROOM_K
    tuning: Tuning = field(default_factory=Tuning)
    speed: float = 1.0
    second: bool = False
    table: RegisterTable = field(default_factory=built_in_table)
    bus: dict[str, Any] = field(default_factory=dict)
    port: dict[str, Any] = field(default_factory=dict)
    controller: dict[str, Any] = field(default_factory=dict)
    channel: dict[str, Any] = field(default_factory=dict)
    output: bool = False
    room_K: float = ROOM_K

    @contextmanager
    def open(self) -> Iterator[Bus]:
        plan = plan_from_text(self.faults)
        heat = Heat(
            self.program,
            build=OvenBuild(room_temperature_K=self.room_K),
            canister=STRAP_CANISTER,
            tuning=self.tuning,
            faults=plan,
            second_sensor=self.second,
            start_K=self.start_K,
            seed=5,
            longest_step_s=max(2.0, self.tuning.scan_s),
        )
        settings = {"reply_delay_s": 0.0, "stable_name": self.folder / "adapter", **self.bus}
        if settings.get("link") == "tcp":
            settings.pop("stable_name")
        with Bus([Station(1, heat, self.table)], speed=self.speed, faults=plan, seed=5, **settings) as bus:
            yield bus

    def oven_file(self, port: str) -> Path:
        written = self.folder / "oven.toml"
        common = {"name": port, "baud": 19200, **self.port}
        asked = {"name": "controller", "poll_interval_s": 2, "answer_deadline_s": 0.2, "slowest_answer_s": 0.3}
        asked |= {"gap_s": 0.0, **self.controller}
        text = asked.pop("text", None)
        read = {"name": "air", "register": 0, "function": 3, "scale": 0.1, "unit": "C", **self.channel}
        if text is not None:
            read = {"name": "air", "field": "air", "unit": "C"}
        lines = ['[oven]\nname = "oven"', f"[clock]\nspeed = {self.speed}", _table("[[port]]", common)]
        lines.append(_table("[[port.controller]]", asked))
        if text is not None:
            lines.append(_table("[port.controller.text]", text))
        lines.append(_table("[[port.controller.channel]]", read))
        more = {"function": 3, "scale": 0.1}
        if self.second:
            lines.append(_table("[[port.controller.channel]]", {"name": "canister", "register": 6, **more}))
        if self.output:
            output = {"name": "output", "quantity": "output", "register": 2, "number": "uint16", "unit": "%", **more}
            lines.append(_table("[[port.controller.channel]]", output))
        written.write_text("\n".join(lines), encoding="utf-8")
        return written

    def check(self, orders: CheckOrders, port: str | None = None, clock: Any = None) -> CheckReport:
        oven = read_oven(self.oven_file(port or str(self.folder / "adapter")))
        return check_oven(oven, orders, clock or (RealClock() if self.speed == 1.0 else FastClock(self.speed)))


def _table(head: str, values: dict[str, Any]) -> str:
    def written(value: Any) -> str:
        if isinstance(value, bool):
            return str(value).lower()
        if isinstance(value, str) and "\\" in value:
            return f"'{value}'"
        return f'"{value}"' if isinstance(value, str) else str(value)

    return "\n".join([head, *(f"{key} = {written(value)}" for key, value in values.items()), ""])


ROOM = CheckOrders(room_K=ROOM_K, watch_s=0.0)


def checked(shop: Shop, orders: CheckOrders = ROOM, clock: Any = None) -> CheckReport:
    with shop.open() as bus:
        port = f"tcp://{bus.port}" if shop.bus.get("link") == "tcp" else None
        return shop.check(orders, port, clock)


def named(report: CheckReport, failure: Failure) -> Diagnosis:
    found = [each for each in report.diagnoses if each.failure is failure]
    assert found, [(each.failure.name, each.cause) for each in report.diagnoses]
    return found[0]


def only(report: CheckReport, failure: Failure) -> Diagnosis:
    """The diagnosis of this failure, when nothing else was named."""
    named(report, failure)
    assert {each.failure for each in report.diagnoses} == {failure}, report.diagnoses
    return report.diagnoses[0]
