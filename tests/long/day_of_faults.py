"""A day at an oven where everything goes wrong: ``python -m tests.long.day_of_faults [HOURS [SPEED [SEED]]]``.

The daemon watches a simulated oven over a real pseudo-terminal while faults of every kind come and go at random. After
it the record is held against what really passed on the wire (the tap) and what the oven really was (the truth):

- kept: every answer that came through whole and in time, while the input was sound, is a good reading in the record;
- accepted: no good reading is farther from the oven's true temperature than a sound oven may have moved since the good
  reading before it.

What is left out, and why: a reversed pair, a wrong couple, a withdrawn tip and a drift need somebody at the terminals
and deceive the controller too; `tests/whole/test_field_failures_over_time.py` has them.
"""

import platform
import sys
import tempfile
import threading
from bisect import bisect_left, bisect_right
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from logger import daemon
from logger.clock import FastClock
from logger.oven_file import read_oven
from logger.reading import Quality, Reading
from logger.reading_quality import believable_change_K
from logger.record import RecordReader
from sim.bus import Bus, Station
from sim.faults import PASSING_KINDS, FaultPlan, Kind, random_plan
from sim.heat import Heat
from sim.program import Off, Program, Ramp, Soak
from sim.scenario import STRAP_CANISTER
from sim.tap import Passed
from tests.benchmarks.machine import processor

RESULTS = Path(__file__).parent / "results" / "day_of_faults.md"

KINDS: tuple[Kind, ...] = (
    *PASSING_KINDS,
    "break-code",
    "decimal-point",
    "unit-change",
    "stuck-relay",
    "dead-element",
    "door-open",
    "power-cut",
)
INPUT_KINDS: tuple[Kind, ...] = (
    "noise",
    "sensor-break",
    "spikes",
    "frozen",
    "exact-zero",
    "shorted-lead",
    "break-code",
    "decimal-point",
    "unit-change",
    "power-cut",
)
"""While one of these holds, what the controller sends is not what the oven is, and need not be kept."""

STALL_S, STALL_NEAR_S = 0.08, 1.0
"""This computer stood still when the simulated oven fell behind by this long [s of wall time]; what passed so near it
[s of wall time] says nothing about the logger."""

FloatArray = NDArray[np.float64]

AFTER_S = 90.0
"""After a fault of the input a reading may wait this long [s] to be believed again: it jumps back."""

OVEN = """\
[oven]
name = "oven of a bad day"
record = "record.db"

[clock]
speed = {speed:g}

[[port]]
name = "{port}"
framing = "rtu"
baud = 115200

[[port.controller]]
name = "controller"
poll_interval_s = {poll_s:g}
answer_deadline_s = 0.25
slowest_answer_s = 0.35
gap_s = 0

[[port.controller.channel]]
name = "air"
register = 0
function = 3
scale = 0.1

[[port.controller.channel]]
name = "set point"
quantity = "set point"
register = 1
function = 3
scale = 0.1

[[port.controller.channel]]
name = "output"
quantity = "output"
register = 2
function = 3
number = "uint16"
scale = 0.1
unit = "%"
"""

SHEET = """\
name = "nothing but faults, invented"
[piece]
shape = "plate"
thickness_mm = 6.0
carbon_wt_pct = 0.10
[canister]
sensor = "inside"
"""


@dataclass
class Outcome:
    """What came of a day: counts, and the exceptions one by one."""

    hours: float
    faults: int
    kinds: Counter[str] = field(default_factory=Counter)
    qualities: Counter[str] = field(default_factory=Counter)
    came_through: int = 0
    stood_still: int = 0
    lost: list[tuple[float, str, str]] = field(default_factory=list)
    wrong: list[tuple[float, float, float, str]] = field(default_factory=list)
    worst_K: float = 0.0
    written_to_bus: int = 0


def program(hours: float) -> Program:
    """Heats of the trade one after another: up, hold, off, for so many hours."""
    one = (Ramp(1198.15, 0.25), Soak(5400.0), Off(3600.0), Ramp(778.15, 0.25), Soak(3600.0), Off(3600.0))
    return Program(one * max(1, round(hours / 6.0) + 1))


def plan(seed: int, hours: float, per_hour: float) -> FaultPlan:
    """Faults of every kind at random, the heavy ones of the wire short enough to leave something to keep."""
    rng = np.random.default_rng([seed, 24])
    return random_plan(rng, hours * 3600.0, per_hour=per_hour, kinds=KINDS, longest_s=300.0)


def run(folder: Path, hours: float, speed: float, seed: int, poll_s: float, per_hour: float = 6.0) -> Outcome:
    """Watch such a day and judge it."""
    faults = plan(seed, hours, per_hour)
    heat = Heat(program(hours), canister=STRAP_CANISTER, faults=faults, seed=seed, truth_every_s=1.0)
    adapter = folder / "adapter"
    (folder / "sheet.toml").write_text(SHEET, encoding="utf-8")
    (folder / "oven.toml").write_text(OVEN.format(speed=speed, port=adapter, poll_s=poll_s), encoding="utf-8")
    with Bus([Station(1, heat)], speed=speed, faults=faults, seed=seed, reply_delay_s=0.0, stable_name=adapter) as bus:
        oven = read_oven(folder / "oven.toml")
        orders = daemon.Orders(until_s=hours * 3600.0)
        run_id = daemon.watch(oven, folder / "sheet.toml", FastClock(speed), orders, threading.Event())
        began_s = bus._started_s
        passed = bus.tap.passed
    with RecordReader(folder / "record.db") as reader:
        readings = [one for one in reader.readings(run_id) if one.channel == "air"]
    return judge(hours, speed, poll_s, faults, heat, began_s, passed, readings)


def judge(
    hours: float,
    speed: float,
    poll_s: float,
    faults: FaultPlan,
    heat: Heat,
    began_s: float,
    passed: list[Passed],
    readings: list[Reading],
) -> Outcome:
    """Hold a record against the wire and the oven."""
    outcome = Outcome(hours, len(faults.faults), Counter(fault.kind for fault in faults.faults))
    outcome.qualities.update(reading.quality.value for reading in readings)
    outcome.written_to_bus = sum(
        one.direction == "request" and (not one.readable or one.function not in (3, 4)) for one in passed
    )
    truth = heat.truth()
    times_s = [reading.monotonic_s / speed - began_s for reading in readings]  # wall time of the end of each slot
    exchanges, stalls = _whole_exchanges(passed), _stalls_s(passed, speed, poll_s)
    for wall_s, oven_s, raw in exchanges:
        watched = times_s[0] < wall_s <= times_s[-1]
        if not watched or _is_disturbed(faults, oven_s) or faults.active(oven_s, ("unplug",)):
            continue
        at = bisect_left(times_s, wall_s)
        given_up = readings[at - 1].quality is Quality.MISSING and wall_s - times_s[at - 1] < 0.1 if at else False
        if given_up:
            continue  # this computer stood still: the question had been given up before the answer was sent
        if stalls.size and np.min(np.abs(stalls - wall_s)) < STALL_NEAR_S:
            outcome.stood_still += 1
            continue
        outcome.came_through += 1
        kept = readings[at : at + 2]
        if not any(one.quality is Quality.GOOD and one.raw == raw for one in kept):
            said = ", ".join(f"{one.quality} {one.raw if one.raw.isdigit() else ''}".strip() for one in kept)
            said = said or "no reading"
            outcome.lost.append((oven_s, raw, said))
    replies = [one for one in passed if one.direction == "reply"]
    walls = [one.wall_s for one in replies]
    last_good_s = readings[0].time_s if readings else 0.0
    for wall_s, reading in zip(times_s, readings, strict=True):
        if reading.quality is not Quality.GOOD:
            continue
        away_s, last_good_s = reading.time_s - last_good_s, reading.time_s
        before = bisect_right(walls, wall_s) - 1
        oven_s = replies[before].oven_s if before >= 0 else 0.0
        nearby = (truth.time_s >= oven_s - 2.0) & (truth.time_s <= oven_s + 2.0)
        off_K = float(np.min(np.abs(truth.oven_K[nearby] - reading.temperature_K))) if nearby.any() else np.inf
        outcome.worst_K = max(outcome.worst_K, off_K)
        if off_K > believable_change_K(0.25, max(poll_s, away_s)):
            active = ", ".join(fault.kind for fault in faults.active(oven_s)) or "no fault"
            outcome.wrong.append((oven_s, reading.temperature_K, off_K, active))
    return outcome


def _whole_exchanges(passed: list[Passed]) -> list[tuple[float, float, str]]:
    """Every question whose answer came true, whole, alone and in time: wall time [s], oven time [s], first register."""
    found = []
    asked: Passed | None = None
    replies: list[Passed] = []

    def close() -> None:
        if asked is None or len(replies) != 1:
            return
        (reply,) = replies
        late = reply.wall_s - asked.wall_s > 0.2
        if reply.why == "reply" and not late and reply.data[1] == 3:
            word = int.from_bytes(reply.data[3:5], "big")
            found.append((reply.wall_s, reply.oven_s, str(word)))

    for one in passed:
        if one.direction == "request":
            close()
            asked, replies = (one if one.readable and not one.why else None), []
        else:
            replies.append(one)
    close()
    return found


def _stalls_s(passed: list[Passed], speed: float, poll_s: float) -> FloatArray:
    """Wall times [s] at which this computer stood still: the simulated oven fell behind, or nothing at all passed.

    A clock faster than real makes minutes of an oven of a short stall of the machine; beside a real oven it is nothing.
    """
    wall_s, oven_s = (np.array([getattr(one, name) for one in passed]) for name in ("wall_s", "oven_s"))
    behind_s = wall_s - oven_s / speed
    behind_s -= np.median(behind_s)
    pauses_s = np.diff(wall_s, prepend=wall_s[0])
    return wall_s[(behind_s > STALL_S) | (pauses_s > STALL_S + 2.0 * poll_s / speed)]


def _is_disturbed(faults: FaultPlan, oven_s: float) -> bool:
    """Whether the input is, or was just now, not what the oven is."""
    return any(
        fault.from_s - 2.0 <= oven_s < fault.to_s + AFTER_S
        for fault in faults.faults
        if fault.kind in INPUT_KINDS or fault.kind == "door-open"
    )


def table(outcome: Outcome, speed: float, seed: int, poll_s: float) -> str:
    """The outcome as a page."""
    limit_K = believable_change_K(0.25, poll_s)
    lines = [
        "# A day of faults",
        "",
        f"{outcome.hours:g} h watched over a pseudo-terminal, {speed:g} times faster than real, asked every "
        f"{poll_s:g} s; {outcome.faults} faults of {len(outcome.kinds)} kinds at random (seed {seed}).",
        f"Python {platform.python_version()} on {processor()}.",
        "",
        "| readings in the record | |",
        "|---|---|",
        *(f"| {quality} | {count} |" for quality, count in outcome.qualities.most_common()),
        "",
        "| held against wire and oven | |",
        "|---|---|",
        f"| answers that came through whole from a sound input | {outcome.came_through} |",
        f"| of these not kept as good | {len(outcome.lost)} |",
        f"| good readings farther from the truth than an oven moves, {limit_K:.0f} K a poll | {len(outcome.wrong)} |",
        f"| answers not judged because this computer stood still just then | {outcome.stood_still} |",
        f"| farthest good reading from the truth | {outcome.worst_K:.1f} K |",
        f"| frames on the bus that were no request to read | {outcome.written_to_bus} |",
        "",
        "Faults: " + ", ".join(f"{kind} {count}" for kind, count in sorted(outcome.kinds.items())) + ".",
    ]
    if outcome.lost:
        lines += ["", "Not kept: " + "; ".join(f"at {at:.0f} s {raw} ({said})" for at, raw, said in outcome.lost[:20])]
    if outcome.wrong:
        rows = (f"at {at:.0f} s {K - 273.15:.1f} C, {off:.0f} K off ({why})" for at, K, off, why in outcome.wrong[:20])
        lines += ["", "Accepted wrongly: " + "; ".join(rows)]
    return "\n".join(lines)


if __name__ == "__main__":
    given = [float(word) for word in sys.argv[1:]]
    hours, speed, seed = (*given, *(24.0, 60.0, 1.0)[len(given) :])
    with tempfile.TemporaryDirectory() as place:
        words = table(run(Path(place), hours, speed, int(seed), 2.0), speed, int(seed), 2.0)
    print(words)
    if hours >= 24.0:
        RESULTS.write_text(words + "\n", encoding="utf-8")
