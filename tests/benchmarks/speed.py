"""What it costs: ``python -m tests.benchmarks.speed [PART ...]`` measures side by side and keeps the table (minutes).

Computing is measured in the processor's own time, so that whatever else the machine does takes no part in it; starting
and opening by the clock, the best of several. Goals are those of the project's plan. A part can be run by its name.
"""

import gc
import json
import os
import platform
import re
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from urllib.request import urlopen

import numpy as np

from logger.demo import HEATS
from logger.estimate import ensemble_bands, estimate, uncertainty
from logger.history import History
from logger.reading import Reading
from logger.record import RecordWriter
from logger.review import review_run
from logger.sheet import RunSheet
from logger.sheet_file import parse_sheet
from logger.thermocouple import Thermocouple
from logger.units import kelvin_from_celsius
from logger.views.run_views import review_of, run_view_of
from logger.views.text import review_text
from logger.views.thinning import thin
from logger.what_if import USUAL_COURSES, what_if, what_ifs
from tests.benchmarks.machine import processor

RESULTS = Path(__file__).parent / "results" / "speed.md"
HERE = Path(__file__).parents[2]
HOT_C = {"plane-iron": 925.0, "too-hot": 1225.0}


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table; ``met`` None where there is no goal."""

    what: str
    measured: str
    goal: str = ""
    met: bool | None = None


def sheet_of(heat: str) -> RunSheet:
    """The run sheet of a demonstrated heat."""
    return parse_sheet(HEATS[heat].sheet, heat)


def heat_of(heat: str, hours: float, interval_s: float = 1.0) -> History:
    """A noisy heat with its hold, one reading each interval [s]."""
    time_s = np.arange(0.0, hours * 3600.0, interval_s)
    at_s = [0.0, 5400.0, (hours - 1.0) * 3600.0, hours * 3600.0]
    at_C = np.interp(time_s, at_s, [20.0, HOT_C[heat], HOT_C[heat], 400.0])
    noise_K = np.random.default_rng(1).normal(0.0, 0.5, time_s.size)
    return History("oven", time_s, kelvin_from_celsius(at_C) + noise_K, interval_s)


def busy_s(task: Callable[[], object], times: int = 3) -> float:
    """The processor's time [s] for a task, the least of several."""
    least = float("inf")
    for _ in range(times):
        gc.collect()
        begun = time.process_time()
        task()
        least = min(least, time.process_time() - begun)
    return least


def clock_s(task: Callable[[], float | None], times: int) -> tuple[float, float]:
    """Best and median of several times by the clock [s]; a task may say itself how long it took."""
    took = []
    for _ in range(times):
        begun = time.perf_counter()
        said = task()
        took.append(time.perf_counter() - begun if said is None else said)
    return min(took), float(np.median(took))


# --- the parts ---


def members() -> list[Row]:
    """256 members against the deterministic run of 10 h at 1 Hz."""
    rows = []
    for heat in HOT_C:
        sheet, history = sheet_of(heat), heat_of(heat, 10.0)

        def run(count: int, sheet: RunSheet = sheet, history: History = history) -> None:
            problem = estimate.problem_from_sheet(sheet, members=count)
            estimate.bands_at_end(problem, estimate.over_history(problem, history))

        def alone(count: int, sheet: RunSheet = sheet, history: History = history) -> None:
            problem = uncertainty.problem_from_sheet(sheet, Thermocouple(), members=count)
            state = uncertainty.advance(problem, uncertainty.begin(problem), history)
            ensemble_bands.bands_of(problem, uncertainty.at_end(problem, state))

        one, usual, many = busy_s(lambda: run(0)), busy_s(lambda: run(64)), busy_s(lambda: run(256), 1)
        single, all_of_them = busy_s(lambda: alone(1)), busy_s(lambda: alone(256), 1)
        ratio = many / one
        rows += [
            Row(f"{heat}: deterministic, 10 h at 1 Hz", f"{one:.2f} s"),
            Row(f"{heat}: with the usual 64 members", f"{usual:.2f} s, {usual / one:.1f} times as much"),
            Row(f"{heat}: with 256 members", f"{many:.2f} s, {ratio:.1f} times as much", "at most 20", ratio <= 20.0),
            Row(
                f"{heat}: the members' solvers by themselves, 256 against 1",
                f"{all_of_them:.2f} s against {single:.3f} s, {all_of_them / single:.0f} times as much",
            ),
        ]
    return rows


def live() -> list[Row]:
    """One sample more: what the watching thread does for each reading."""
    rows = []
    for heat in HOT_C:
        sheet, history = sheet_of(heat), heat_of(heat, 6.0, 10.0)
        problem = estimate.problem_from_sheet(sheet)
        ensemble = uncertainty.problem_from_sheet(sheet, Thermocouple())
        state, drawn = estimate.begin(problem, "oven"), uncertainty.begin(ensemble)
        took: dict[str, list[float]] = {"all": [], "members": [], "seen": []}
        for number in range(len(history)):
            sample = history.piece(number, number + 1)
            begun = time.process_time()
            state = estimate.advance(problem, state, sample)
            took["all"].append(time.process_time() - begun)
            begun = time.process_time()
            estimate.at_end(problem, state)
            took["seen"].append(time.process_time() - begun)
            begun = time.process_time()
            drawn = uncertainty.advance(ensemble, drawn, sample)
            took["members"].append(time.process_time() - begun)
        ms = {name: 1e3 * np.array(values) for name, values in took.items()}
        middle = float(np.median(ms["members"]))
        rows += [
            Row(
                f"{heat}: 64 members advanced by one sample",
                f"median {middle:.2f} ms, 99 of 100 under {np.percentile(ms['members'], 99.0):.0f} ms",
                "median under 20 ms",
                middle < 20.0,
            ),
            Row(
                f"{heat}: whole estimate advanced by one sample",
                f"median {np.median(ms['all']):.2f} ms, worst {ms['all'].max():.0f} ms",
            ),
            Row(f"{heat}: and looked at", f"median {np.median(ms['seen']):.1f} ms, worst {ms['seen'].max():.0f} ms"),
        ]
    return rows


def questions() -> list[Row]:
    """Stop now, an hour more, 25 degrees hotter."""
    rows = []
    for heat in HOT_C:
        sheet, history = sheet_of(heat), heat_of(heat, 5.0, 10.0).piece(0, 1400)
        problem = estimate.problem_from_sheet(sheet)
        state = estimate.over_history(problem, history)
        together = busy_s(partial(what_ifs, problem, state, USUAL_COURSES))
        took = [busy_s(partial(what_if, problem, state, course), 1) for course in USUAL_COURSES]
        rows.append(
            Row(
                f"{heat}: stop now, 1 h more, 25 C hotter, with their bands",
                f"{together:.2f} s together (by themselves {', '.join(f'{one:.2f}' for one in took)})",
                "under 1 s",
                together < 1.0,
            )
        )
    return rows


def start() -> list[Row]:
    """Help, and the first reading of a watch on a simulated oven's port."""

    def soaktally_help() -> None:
        words = [sys.executable, "-c", AS_INSTALLED, "--help"]
        subprocess.run(words, env=_environment(), check=True, stdout=subprocess.DEVNULL)

    soaktally_help()
    before_s = _children_s()
    best, middle = clock_s(soaktally_help, 9)
    busy = (_children_s() - before_s) / 9
    said = f"{best:.2f} s (median {middle:.2f} s; {busy:.2f} s of the processor)"
    rows = [Row("soaktally --help", said, "under 0.3 s", best < 0.3)]

    used, free = [], []

    def first_reading() -> float:
        with _watched(poll_s=0.2) as watched:
            took_s = watched.first_reading_s()
            used.append(watched.busy_s())
            free.append(took_s - watched.queued_s())
            return took_s

    best, middle = clock_s(first_reading, 5)
    said = (
        f"{best:.2f} s (median {middle:.2f} s; {min(used):.2f} s of the processor); "
        f"{min(free):.2f} s without its main thread's waiting for a processor"
    )
    rows.append(Row("soaktally watch, to its first durable reading", said, "under 1.5 s", min(free) < 1.5))
    return rows


def _children_s() -> float:
    """The processor's time of all processes started from here that have ended [s]."""
    times = os.times()
    return times.children_user + times.children_system


def opening() -> list[Row]:
    """A day of four channels at 1 Hz opens in review."""
    with tempfile.TemporaryDirectory() as folder:
        record = Path(folder) / "record.db"
        run, history = _day_of_four(record)

        def opened(anew: bool = False) -> None:
            review_text(review_of(review_run(record, run, anew=anew)))

        worked_out, kept_best, kept_middle = busy_s(lambda: opened(anew=True), 2), *clock_s(opened, 5)
        busy = busy_s(opened)
        situation = review_run(record, run)
        view = run_view_of(situation)
        seen = max(view.temperature.traces, key=lambda trace: float(np.nanmax(trace.temperature_K)))
        _, thinned_K = thin(seen.time_s, seen.temperature_K, 1200)
        hidden = float(np.nanmax(history.temperature_K)) != float(np.nanmax(thinned_K))
        again, _ = clock_s(lambda: _nothing(thin(history.time_s, history.temperature_K, 1200)), 9)
    return [
        Row(
            "review of 24 h, 4 channels at 1 Hz, as its watch left it: from the record to its words",
            f"{kept_best:.2f} s (median {kept_middle:.2f} s; {busy:.2f} s of the processor)",
            "under 1 s",
            kept_best < 1.0,
        ),
        Row("the same, worked out anew from its readings", f"{worked_out:.2f} s of the processor"),
        Row(
            "its trace thinned for drawing, the one highest reading kept",
            f"{1e3 * again:.1f} ms, {history.time_s.size} to {thinned_K.size} points, peak "
            + ("hidden" if hidden else "kept"),
            "no peak hidden",
            not hidden,
        ),
    ]


def watching() -> list[Row]:
    """A daemon with four channels at 1 Hz for a while: its share of one core, its memory."""
    with _watched(poll_s=1.0) as watched:  # leaves compiled bytecode behind, as an installation does
        watched.first_reading_s()
    rows = []
    for page in (False, True):
        with _watched(poll_s=1.0, page=page) as watched:
            watched.first_reading_s()
            time.sleep(20.0)
            before, begun = watched.busy_s(), time.perf_counter()
            time.sleep(90.0)
            share = (watched.busy_s() - before) / (time.perf_counter() - begun)
            memory_MB = watched.most_memory_MB()
            looked_at_MB = watched.looked_at_MB() if page else memory_MB
        name = "4 channels at 1 Hz, page served" if page else "4 channels at 1 Hz, no page"
        rows += [
            Row(f"watching {name}: share of one core", f"{100.0 * share:.1f} %", "under 4 %", share < 0.04),
            Row(f"watching {name}: most memory", f"{memory_MB:.1f} MB", "under 90 MB", memory_MB < 90.0),
        ]
        if page:
            rows.append(Row("and while one browser looks at it", f"{looked_at_MB:.1f} MB"))
    with _watched(poll_s=1.0, page=True, code=WITH_TESTS) as watched:
        watched.first_reading_s()
        time.sleep(20.0)
        memory_MB = watched.most_memory_MB()
    rows.append(Row("the same into a new record where the tests' pandas is installed", f"{memory_MB:.1f} MB"))
    return rows


PARTS = {
    "members": members,
    "live": live,
    "questions": questions,
    "start": start,
    "opening": opening,
    "watching": watching,
}


# --- what they need ---


def _nothing(_: object) -> None:
    return None


def _day_of_four(record: Path) -> tuple[str, History]:
    """A recorded day of four channels at 1 Hz, one reading of it higher than all others; the driving history too."""
    history = heat_of("plane-iron", 24.0)
    temperature_K = history.temperature_K.copy()
    temperature_K[40_000] = temperature_K.max() + 8.0
    history = History("oven", history.time_s, temperature_K, 1.0)
    utc_s = 1_795_600_800.0
    sheet_text = 'channel = "oven"\n' + HEATS["plane-iron"].sheet
    with RecordWriter(record) as writer:
        run = writer.begin_run(
            oven="bench",
            channels=["oven", "left", "right", "door"],
            sheet_name="sheet",
            sheet_text=sheet_text,
            started_utc_s=utc_s,
            software="",
            poll_interval_s=1.0,
        )
        for number, name in enumerate(["oven", "left", "right", "door"]):
            for first in range(0, len(history), 20_000):
                part = slice(first, first + 20_000)
                at = zip(history.time_s[part].tolist(), temperature_K[part].tolist(), strict=True)
                writer.append_readings(run, [Reading(name, s, utc_s + s, K - 3.0 * number) for s, K in at])
        writer.end_run(run, "ended", ended_utc_s=utc_s + 86_400.0)
    return run, history


WITH_TESTS = "from logger.command import main; main()"
AS_INSTALLED = f"import sys; sys.modules['pandas'] = None; {WITH_TESTS}"
"""A soaktally without what only its tests need: of that, the record's library loads pandas where it finds it."""


def _environment() -> dict[str, str]:
    """The environment of a soaktally started from here with its bytecode compiled, as an installed one has it."""
    own = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    bytecode = Path(tempfile.gettempdir()) / "soaktally-bytecode"
    return {**own, "PYTHONPATH": str(HERE), "PYTHONPYCACHEPREFIX": str(bytecode)}


OVEN = """\
[oven]
name = "bench"
record = "record.db"
[[port]]
name = "{port}"
framing = "rtu"
baud = 19200
[[port.controller]]
name = "controller"
unit_address = 1
poll_interval_s = {poll_s:g}
answer_deadline_s = 0.5
"""

CHANNEL = """\
[[port.controller.channel]]
name = "{name}"
register = {register}
function = 3
number = "int16"
scale = 0.1
unit = "C"
"""


class _Watched:
    """A watch in a process of its own, on the port of a simulated oven in another."""

    def __init__(self, folder: Path, port: str, poll_s: float, page: bool, code: str) -> None:
        self.record = folder / "record.db"
        channels = "".join(CHANNEL.format(name=name, register=at) for name, at in (("oven", 0), ("b", 1), ("c", 18)))
        whole = CHANNEL.format(name="d", register=19).replace("scale = 0.1", "scale = 1.0")
        (folder / "oven.toml").write_text(OVEN.format(port=port, poll_s=poll_s) + channels + whole, encoding="utf-8")
        sheet = 'channel = "oven"\n' + HEATS["plane-iron"].sheet
        (folder / "sheet.toml").write_text(sheet, encoding="utf-8")
        words = [sys.executable, "-c", code, "watch", str(folder / "oven.toml"), "--sheet"]
        words += [str(folder / "sheet.toml"), *(["--page", "127.0.0.1:0"] if page else ["--no-page"])]
        self.begun_s = time.perf_counter()
        self.log = folder / "said.txt"
        with self.log.open("w", encoding="utf-8") as said:
            self.process = subprocess.Popen(words, cwd=folder, env=_environment(), stdout=said, stderr=said)

    def first_reading_s(self) -> float:
        """Seconds from the start of the process to the first reading that is durable."""
        while time.perf_counter() - self.begun_s < 60.0:
            if self.process.poll() is not None:
                raise RuntimeError(self.log.read_text(encoding="utf-8"))
            if self.record.exists():
                try:
                    with sqlite3.connect(f"file:{self.record}?mode=ro", uri=True) as db:
                        if db.execute("SELECT 1 FROM reading LIMIT 1").fetchone():
                            return time.perf_counter() - self.begun_s
                except sqlite3.Error:
                    pass
            time.sleep(0.01)
        raise RuntimeError("no reading within a minute: " + self.log.read_text(encoding="utf-8"))

    def busy_s(self) -> float:
        """The processor's time the watch has used [s]."""
        fields = Path(f"/proc/{self.process.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def queued_s(self) -> float:
        """How long its main thread has been ready to run and had to wait for a processor [s]."""
        return int(Path(f"/proc/{self.process.pid}/schedstat").read_text().split()[1]) / 1e9

    def looked_at_MB(self) -> float:
        """The most memory it has held [MB] once its page has been opened and followed for a while."""
        address = re.search(r"Live page: (\S+)", self.log.read_text(encoding="utf-8"))
        assert address is not None
        with urlopen(address[1]) as screen, urlopen(f"{address[1]}api/events") as events:
            screen.read()
            begun = time.perf_counter()
            while time.perf_counter() - begun < 10.0:
                events.readline()
        return self.most_memory_MB()

    def most_memory_MB(self) -> float:
        """The most memory it has held [MB]."""
        lines = Path(f"/proc/{self.process.pid}/status").read_text().splitlines()
        (kB,) = (int(line.split()[1]) for line in lines if line.startswith("VmHWM"))
        return kB / 1000.0


@contextmanager
def _watched(poll_s: float, page: bool = False, code: str = AS_INSTALLED) -> Iterator[_Watched]:
    with tempfile.TemporaryDirectory() as folder:
        oven = subprocess.Popen([sys.executable, "-m", "sim"], cwd=HERE, stdout=subprocess.PIPE, text=True)
        try:
            assert oven.stdout is not None
            port = next(line.split(maxsplit=1)[1].strip() for line in oven.stdout if line.startswith("ready "))
            threading.Thread(target=oven.stdout.read, daemon=True).start()
            watched = _Watched(Path(folder), port, poll_s, page, code)
            try:
                yield watched
            finally:
                watched.process.send_signal(signal.SIGINT)
                watched.process.wait(30.0)
        finally:
            oven.terminate()
            oven.wait(10.0)


WHY = {
    "review of 24 h": "by the clock this counts whatever else the machine did; the processor's own time is inside.",
    "plane-iron: stop now": "a third is the three nominal runs, the rest their 64 members on the way down, where the"
    " limits between phases pass through the case and every step is short.",
    "too-hot: stop now": "each course by itself takes about a second. Half of it is the nominal run, whose steps end"
    " where a limit between phases has moved by 0.005 wt%: two hundred and more of them on the way down from a molten"
    " skin, whatever error is allowed. The rest is the 64 members, half of that while there is liquid.",
    "soaktally --help": "by the clock this counts whatever else the machine did; the processor's own time is inside.",
    "soaktally watch": "the modules' loading is most of it: half a second of the processor, more than half of that for"
    " our own.",
    "watching": "25 MB are Python with numpy, 7 numpy's random numbers, 6 the page's server while nobody looks, 4 each"
    " pydantic and LAPACK, 3 the library that makes a new record's tables, the rest our own modules and the threads'"
    " heaps; a run of a day adds about 10.",
}
"""Why a goal may not be met, by how its line begins."""


def table(rows: list[Row]) -> str:
    """The rows as the table that is kept."""
    lines = [
        "# What it costs",
        "",
        f"Python {platform.python_version()} on {processor()}; `python -m tests.benchmarks.speed`.",
        "Times by the clock grow with whatever else the machine does: each part tells its load average on the way.",
        "",
        "| what | measured | goal | met |",
        "|---|---|---|---|",
    ]
    for row in rows:
        met = "" if row.met is None else "yes" if row.met else "**no**"
        lines.append(f"| {row.what} | {row.measured} | {row.goal} | {met} |")
    missed = [row.what for row in rows if row.met is False]
    why = [f"- *{what}*: {words}" for what in missed for begin, words in WHY.items() if what.startswith(begin)]
    if why:
        lines += ["", "Where a goal is not met:", "", *why]
    return "\n".join(lines)


if __name__ == "__main__":
    asked = sys.argv[1:] or list(PARTS)
    KEPT = RESULTS.with_suffix(".json")
    kept: dict[str, list[list[object]]] = json.loads(KEPT.read_text(encoding="utf-8")) if KEPT.exists() else {}
    for part in asked:
        print(f"... {part}", file=sys.stderr, flush=True)
        kept[part] = [[row.what, row.measured, row.goal, row.met] for row in PARTS[part]()]
        kept[part].append([f'load average after the part "{part}"', f"{os.getloadavg()[0]:.1f}", "", None])
    every = [Row(*row) for part in PARTS if part in kept for row in kept[part]]  # type: ignore[arg-type]
    print(table(every))
    KEPT.write_text(json.dumps(kept, indent=1) + "\n", encoding="utf-8")
    RESULTS.write_text(table(every) + "\n", encoding="utf-8")
