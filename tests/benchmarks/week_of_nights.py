"""A week beside an oven in stepped time: ``python -m tests.benchmarks.week_of_nights`` (minutes).

Every evening a heat begins, every morning its run ends, and the oven is watched all day. In one week random faults
happen at random moments: each must be exactly one alert, and nothing else may be told. In the other, clean week nobody
may be called at all. Memory must not grow.
"""

import gc
import os
import platform
import random
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from logger.alert_rules import AlertKind
from sim.faults import FaultPlan, plan_from_text
from tests.benchmarks.machine import processor
from tests.whole.stepped import Night, full_disk, night

RESULTS = Path(__file__).parent / "results" / "week_of_nights.md"
DAY_S, HEAT_S = 24 * 3600.0, 5 * 3600.0

TEMPER = """
name = "plane iron, invented"
[piece]
shape = "plate"
thickness_mm = 6.0
carbon_wt_pct = 0.85
[canister]
sensor = "inside"
[[stage]]
kind = "temper"
"""

WIRE_AND_SENSOR = {
    "sensor-break": (AlertKind.SENSOR_FAULT, "air", 900.0),
    "exact-zero": (AlertKind.SENSOR_FAULT, "air", 900.0),
    "frozen": (AlertKind.SENSOR_FAULT, "air", 2400.0),
    "lost-link": (AlertKind.LINK_LOST, "controller", 900.0),
    "unplug": (AlertKind.LINK_LOST, "stepped", 900.0),
    "power-cut": (AlertKind.LINK_LOST, "controller", 900.0),
}
"""What may happen at any time of a heat: its alert, which one, and how long it lasts [s]."""

IN_A_HOLD = {
    "stuck-relay": (AlertKind.STUCK_RELAY, "east", 900.0),
    "dead-element": (AlertKind.DEAD_ELEMENT, "east", 1800.0),
}
AROUND = {
    "clock set": (AlertKind.CLOCK_JUMP, ""),
    "restart": (AlertKind.RESTARTED, ""),
    "full disk": (AlertKind.RECORD_TROUBLE, "record.db"),
}
HOLD_S = 2400.0
"""When the first hold of the heat is on [s]; it lasts until 5200 s."""


@dataclass
class Planned:
    """What happens in one night: faults of the oven, what is done to the computer when, and what is to be told."""

    plan: FaultPlan = field(default_factory=FaultPlan)
    acts: dict[float, str] = field(default_factory=dict)
    expected: list[tuple[AlertKind, str]] = field(default_factory=list)


@dataclass
class Week:
    """What came of a week: how many events there were, and each night in which something else was told."""

    nights: int = 0
    events: int = 0
    wrong: list[str] = field(default_factory=list)
    first_day_bytes: int = 0
    last_bytes: int = 0

    @property
    def growth_pct(self) -> float:
        """How much memory is held at the end more than after the first day [%]."""
        return 100.0 * (self.last_bytes / self.first_day_bytes - 1.0)


def planned(chance: random.Random) -> Planned:
    """One to three random events in a night, far enough apart to be told one by one."""
    found, faults = Planned(), []
    for begins_s in sorted(chance.sample([HOLD_S, 6600.0, 10_800.0, 14_400.0], chance.randint(1, 4))):
        at_s = begins_s + chance.uniform(0.0, 300.0)
        kinds = [*WIRE_AND_SENSOR, *AROUND, *(IN_A_HOLD if begins_s == HOLD_S else ())]
        what = chance.choice(kinds)
        if what in AROUND:
            kind, key = AROUND[what]
            found.acts[at_s] = what
            if what == "full disk":
                found.acts[at_s + 600.0] = "disk again"
        else:
            kind, key, lasts_s = (WIRE_AND_SENSOR | IN_A_HOLD)[what]
            faults.append(f"{what}@{at_s:.0f}-{at_s + lasts_s:.0f}")
        found.expected.append((kind, key))
    found.plan = plan_from_text("; ".join(faults))
    return found


def week(folder: Path, nights: int, seed: int | None, day_s: float = DAY_S, poll_s: float = 30.0) -> Week:
    """Nights one after the other, clean where there is no seed."""
    found = Week()
    chance = random.Random(seed)
    with night(folder, sheet=TEMPER, poll_s=poll_s) as one, pytest.MonkeyPatch.context() as patch:
        for number in range(nights):
            tonight = planned(chance) if seed is not None else Planned()
            told = len(one.told)
            with ExitStack() as disk:
                run = one.burn("temper", tonight.plan, seed=number)
                acts = {at_s: _act(one, what, disk, patch) for at_s, what in tonight.acts.items()}
                one.pass_to(HEAT_S, acts)
            one.ask("acknowledge", alert="all")
            one.pass_to(HEAT_S + 1800.0)
            one.ask("stop")
            raised = [
                (event.kind, event.key if event.key != run and event.kind is not AlertKind.CLOCK_JUMP else "")
                for event in one.told[told:]
                if event.phase == "raised" and (event.severity != "news" or event.kind is AlertKind.CLOCK_JUMP)
            ]
            if sorted(raised) != sorted(tonight.expected):
                found.wrong.append(f"night {number + 1}: expected {_words(tonight.expected)}, told {_words(raised)}")
            found.nights += 1
            found.events += len(tonight.expected)
            told = len(one.told)
            one.pass_to(day_s)
            if by_day := [str(event.kind) for event in one.told[told:]]:
                found.wrong.append(f"day {number + 1}: told {', '.join(by_day)}")
            one.told.clear()
            found.last_bytes = _resident_bytes()
            found.first_day_bytes = found.first_day_bytes or found.last_bytes
            print(f"night {number + 1}: {_words(raised) or 'nothing'}; {found.last_bytes / 1e6:.1f} MB", flush=True)
    return found


def _act(one: Night, what: str, disk: ExitStack, patch: pytest.MonkeyPatch) -> Callable[[], None]:
    def act() -> None:
        if what == "clock set":
            one.clock.ahead_s += 600.0
        elif what == "restart":
            one.switch_off()
            one.clock.now_s += 60.0
            one.switch_on()
        elif what == "full disk":
            disk.enter_context(full_disk(patch))
        else:
            disk.close()

    return act


def _words(episodes: list[tuple[AlertKind, str]]) -> str:
    return ", ".join(sorted(str(kind) for kind, _ in episodes))


def _resident_bytes() -> int:
    gc.collect()
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE")


def words(faulty: Week, clean: Week, lasted_s: float) -> str:
    """The result, for the file of results."""
    lines = [
        "# A week of night watches",
        "",
        "A simulated oven in stepped time, watched day and night: each evening a heat of five hours, each morning the",
        "run's end. One week with random faults at random moments, one without.",
        f"Python {platform.python_version()} on {processor()}; it took {lasted_s / 60.0:.0f} min.",
        "",
        "| what | found | wanted |",
        "|---|---|---|",
        f"| events in {faulty.nights} nights | {faulty.events} | |",
        f"| nights in which anything but one alert an event was told | {len(faulty.wrong)} | 0 |",
        f"| clean nights and days in which anything was told, of {clean.nights} | {len(clean.wrong)} | 0 |",
    ]
    for name, one in (("with faults", faulty), ("clean", clean)):
        held = f"{one.first_day_bytes / 1e6:.0f} to {one.last_bytes / 1e6:.0f} MB"
        lines.append(
            f"| memory, week {name}, after the first day to the end | {held}, {one.growth_pct:+.1f} % | within 5 % |"
        )
    return "\n".join([*lines, *("" for _ in faulty.wrong[:1]), *faulty.wrong, *clean.wrong])


if __name__ == "__main__":
    began_s = time.monotonic()
    nights = int(sys.argv[1]) if len(sys.argv) > 1 else 7
    with tempfile.TemporaryDirectory() as one, tempfile.TemporaryDirectory() as other:
        result = words(week(Path(one), nights, 20261125), week(Path(other), nights, None), time.monotonic() - began_s)
    print(result)
    if nights >= 7:
        RESULTS.write_text(result + "\n", encoding="utf-8")
