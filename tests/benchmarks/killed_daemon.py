"""A daemon killed again and again: ``python -m tests.benchmarks.killed_daemon [KILLS]`` kills it 200 times (minutes).

A real daemon in a process of its own watches a simulated oven on a real port and is killed without notice at random
moments, often in the middle of a write. Before each kill the readings that are durable are counted; after it every one
of them must be there, once. In the end the live estimate must be the one that is worked out anew from the record.
"""

import json
import multiprocessing
import platform
import random
import sqlite3
import sys
import tempfile
import time
from contextlib import ExitStack
from dataclasses import dataclass
from multiprocessing.context import ForkServerContext, ForkServerProcess
from pathlib import Path
from typing import Any

from logger.record import RecordReader
from logger.review import review_run
from logger.views.contract import review_object
from logger.watch import KEPT_ESTIMATE
from tests.benchmarks.machine import processor
from tests.whole.loopback import reached
from tests.whole.served import answered, begun, is_record, oven_file, serve_for_ever, simulated

RESULTS = Path(__file__).parent / "results" / "killed_daemon.md"
SPEED, POLL_S = 60.0, 2.0


@dataclass(frozen=True)
class Killed:
    """What came of it: ``lost`` and ``twice`` count readings, ``same_estimate`` compares live with record."""

    kills: int
    readings: int
    lost: int
    twice: int
    integrity: str
    restarts_told: int
    same_estimate: bool
    lasted_s: float


def killed(folder: Path, kills: int, seed: int = 20261125) -> Killed:
    """Kill a daemon so often in one run."""
    chance, began_s = random.Random(seed), time.monotonic()
    record = folder / "record.db"
    lost = 0
    processes = multiprocessing.get_context("forkserver")
    processes.set_forkserver_preload(["tests.whole.served"])
    with simulated(speed=SPEED) as bus, ExitStack() as stack:
        file = oven_file(folder, "east", bus.port, speed=SPEED, poll_s=POLL_S)
        daemon = _started(processes, stack, file)
        assert reached(lambda: is_record(record), 60.0)
        run = begun(record, "east")
        for _ in range(kills):
            known = len(_readings(record, run))
            assert reached(lambda known=known: len(_readings(record, run)) > known, 60.0)  # type: ignore[misc]
            time.sleep(chance.uniform(0.0, 0.3))
            before = _readings(record, run)
            _kill(daemon)
            lost += len(before - _readings(record, run))
            daemon = _started(processes, stack, file)
        known = len(_readings(record, run))
        assert reached(lambda: len(_readings(record, run)) > known, 60.0)
        assert answered(record, "stop", oven="east").done
        _kill(daemon)
    with sqlite3.connect(record) as db:
        (integrity,) = db.execute("PRAGMA integrity_check").fetchone()
        every = db.execute("SELECT channel, time_s FROM reading").fetchall()
        by_clock = db.execute("SELECT channel, monotonic_s FROM reading").fetchall()
    db.close()
    with RecordReader(record) as reader:
        told = [row for row in reader.alerts(run=run) if row.event.kind == "restarted"]
        _, live = reader.estimates(run)[-1]
    return Killed(
        kills=kills,
        readings=len(every),
        lost=lost,
        twice=len(by_clock) - len(set(by_clock)),
        integrity=integrity,
        restarts_told=len(told),
        same_estimate=live == _worked_out_anew(record, run),
        lasted_s=time.monotonic() - began_s,
    )


def _started(processes: ForkServerContext, stack: ExitStack, file: Path) -> ForkServerProcess:
    """The daemon in a process of its own, which begins with its modules already imported."""
    daemon = processes.Process(target=serve_for_ever, args=(file,), daemon=True)
    daemon.start()
    stack.callback(_kill, daemon)
    return daemon


def _kill(daemon: ForkServerProcess) -> None:
    daemon.kill()
    daemon.join()


def _readings(record: Path, run: str) -> set[tuple[str, float, str]]:
    with RecordReader(record) as reader:
        return {(one.channel, one.time_s, one.raw) for one in reader.readings(run)}


def _worked_out_anew(record: Path, run: str) -> dict[str, Any]:
    """The estimate of the record, as the watch keeps it."""
    shown = review_object(review_run(record, run, anew=True))
    kept = {part: shown[part] for part in KEPT_ESTIMATE}
    if kept["carbon"] is not None:
        kept["carbon"] = {key: value for key, value in kept["carbon"].items() if key != "profile"}
    return dict(json.loads(json.dumps(kept)))


def words(found: Killed) -> str:
    """The result, for the file of results."""
    return "\n".join(
        [
            "# Killed without notice",
            "",
            f"One run on a simulated oven, its daemon killed (signal 9) {found.kills} times at random moments.",
            f"Python {platform.python_version()} on {processor()}; it took {found.lasted_s / 60.0:.0f} min.",
            "",
            "| what | found | wanted |",
            "|---|---|---|",
            f"| durable readings that were gone afterwards | {found.lost} | 0 |",
            f"| readings that are there twice | {found.twice} | 0 |",
            f"| readings in the record | {found.readings} | |",
            f"| integrity of the record | {found.integrity} | ok |",
            f"| restarts that were told | {found.restarts_told} | {found.kills} |",
            f"| last live estimate is the one worked out anew from the record | {found.same_estimate} | True |",
        ]
    )


if __name__ == "__main__":
    kills = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    with tempfile.TemporaryDirectory() as folder:
        text = words(killed(Path(folder), kills))
    print(text)
    if kills >= 200:
        RESULTS.write_text(text + "\n", encoding="utf-8")
