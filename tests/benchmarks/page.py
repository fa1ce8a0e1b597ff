"""How light the page is: ``python -m tests.benchmarks.page`` (two minutes; needs Debian's Chromium).

A 10 h run of 4 thermocouples read once a second, the situation pinned once a second as by a daemon. Invented data.
"""

import os
import platform
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from playwright.sync_api import Browser, sync_playwright

from logger.board import Board
from logger.page.server import PageSettings, serving
from logger.reading import Quality, Reading
from logger.record import RecordWriter
from logger.review import review_run
from logger.situation import Situation
from logger.units import kelvin_from_celsius
from tests.benchmarks.machine import processor
from tests.page.browser import launched

RESULTS = Path(__file__).parent / "results" / "page.md"
OVEN, CHANNELS = "bench oven", ("canister", "air", "wall", "load")
HOURS, SPIKE_C, SPIKE_AT = 10.0, 951.0, 21_413
STARTED_UTC_S = 1_790_000_000.0
WATCHED_S = 30.0

SHEET = """\
name = "Ten hours"
channel = "canister"
[piece]
shape = "plate"
thickness_mm = 10
carbon_wt_pct = 0.05
[pack]
recipe = "energised charcoal"
[canister]
sensor = "inside"
[[target]]
quantity = "case depth"
at_carbon_wt_pct = 0.40
reach_mm = 1.6
[[target]]
quantity = "soak time"
reach_h = 9
"""


def write_record(record: Path) -> str:
    """The run as readings; its id."""
    time_s = np.arange(0.0, HOURS * 3600.0 + 1.0)
    noise = np.random.default_rng(5).normal(0.0, 0.6, (len(CHANNELS), time_s.size))
    base_C = np.minimum(20.0 + time_s * (905.0 / 5400.0), 925.0) + 3.0 * np.sin(time_s / 240.0)
    traces = {name: base_C * (1.0 - 0.01 * number) + noise[number] for number, name in enumerate(CHANNELS)}
    traces["air"][SPIKE_AT] = SPIKE_C
    with RecordWriter(record) as writer:
        run = writer.begin_run(
            oven=OVEN,
            channels=CHANNELS,
            sheet_name="ten-hours",
            sheet_text=SHEET,
            started_utc_s=STARTED_UTC_S,
            software="soaktally, benchmark",
            poll_interval_s=1.0,
        )
        for first in range(0, time_s.size, 2000):
            writer.append_readings(
                run,
                [
                    Reading(
                        channel=name,
                        time_s=float(at_s),
                        utc_s=STARTED_UTC_S + float(at_s),
                        temperature_K=kelvin_from_celsius(float(trace[first + number])),
                        quality=Quality.GOOD,
                        raw="",
                        monotonic_s=float(at_s),
                        set_point_K=kelvin_from_celsius(925.0),
                    )
                    for number, at_s in enumerate(time_s[first : first + 2000])
                    for name, trace in traces.items()
                ],
            )
    return run


def serve_for_ever(record: Path, run: str) -> None:
    """The page of this run in a process of its own, something new pinned once a second."""
    board = Board()
    situation = replace(review_run(record, run), finished=False, histories={}, set_points=None)
    with serving(PageSettings(port=0), board, {OVEN: record}) as page:
        assert page is not None
        board.pin(OVEN, situation, time.time())
        print(page.address, flush=True)
        for number in range(10_000):
            board.pin(OVEN, _later(situation, number), time.time())
            time.sleep(1.0)


def _later(situation: Situation, number: int) -> Situation:
    thermal = situation.estimate.thermal
    warmer = replace(thermal, steel_temperature_K=thermal.steel_temperature_K + 0.7 * (number % 7))
    passed_s = float(number)
    assert situation.now_utc_s is not None
    return replace(
        situation,
        estimate=replace(situation.estimate, thermal=warmer),
        now_s=situation.now_s + passed_s,
        now_utc_s=situation.now_utc_s + passed_s,
        last_good_s=situation.now_s + passed_s,
    )


@dataclass(frozen=True)
class Cost:
    """What a process used over some seconds: share of one core [%], resident memory [kB]."""

    core_pct: float
    resident_kb: float


def cost(process: int, over_s: float) -> Cost:
    """What a process uses, read from /proc."""

    def ticks() -> int:
        fields = Path(f"/proc/{process}/stat").read_text().rpartition(") ")[2].split()
        return int(fields[11]) + int(fields[12])

    before = ticks()
    time.sleep(over_s)
    used_s = (ticks() - before) / os.sysconf("SC_CLK_TCK")
    resident = next(line for line in Path(f"/proc/{process}/status").read_text().splitlines() if "VmRSS" in line)
    return Cost(100.0 * used_s / over_s, 1.024 * int(resident.split()[1]))


@contextmanager
def served(record: Path, run: str) -> Iterator[tuple[str, int]]:
    """The page's address and its process."""
    words = [sys.executable, "-m", "tests.benchmarks.page", "serve", str(record), run]
    process = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        yield process.stdout.readline().strip(), process.pid
    finally:
        process.kill()
        process.wait()


def drawn_ms(browser: Browser, address: str, slower: int) -> tuple[float, float]:
    """From asking for the run to having it on the screen [ms], and of that drawing alone [ms]: medians of five."""
    both = []
    for _ in range(5):
        context = browser.new_context(viewport={"width": 390, "height": 844}, device_scale_factor=2)
        page = context.new_page()
        if slower > 1:
            context.new_cdp_session(page).send("Emulation.setCPUThrottlingRate", {"rate": slower})
        page.goto(address)
        page.wait_for_selector("html[data-drawn]", state="attached")
        both.append(
            page.evaluate("['picture', 'picture drawn'].map((name) => performance.getEntriesByName(name)[0].duration)")
        )
        context.close()
    asked, drawn = np.median(np.array(both), axis=0)
    return float(asked), float(drawn)


def loaded_bytes(browser: Browser, address: str) -> dict[str, float]:
    """Bytes on the wire of a first load, by kind."""
    page = browser.new_context(viewport={"width": 390, "height": 844}).new_page()
    session = page.context.new_cdp_session(page)
    session.send("Network.enable")
    kinds: dict[str, str] = {}
    found: dict[str, float] = {}

    def kind_of(event: dict) -> None:  # type: ignore[type-arg]
        kinds[event["requestId"]] = event["response"]["url"].partition("?")[0].rpartition("/")[2]

    def finished(event: dict) -> None:  # type: ignore[type-arg]
        name = kinds.get(event["requestId"], "?")
        found[name] = found.get(name, 0.0) + event["encodedDataLength"]

    session.on("Network.responseReceived", kind_of)
    session.on("Network.loadingFinished", finished)
    page.goto(address)
    page.wait_for_selector("html[data-drawn]", state="attached")
    page.wait_for_timeout(1500)
    page.context.close()
    return found


def update_bytes(browser: Browser, address: str) -> list[int]:
    """Bytes of each update of the stream while it is watched."""
    page = browser.new_page()
    page.goto(address)
    sizes = page.evaluate(
        """(milliseconds) => new Promise((done) => {
          const source = new EventSource("/api/events?oven=bench%20oven"), sizes = [];
          source.addEventListener("change", (event) => sizes.push(new TextEncoder().encode(event.data).length + 24));
          setTimeout(() => { source.close(); done(sizes); }, milliseconds);
        })""",
        1000.0 * WATCHED_S,
    )
    page.close()
    return [int(size) for size in sizes]


def measured(folder: Path) -> str:
    """Everything, as a table."""
    record = folder / "record.db"
    run = write_record(record)
    with served(record, run) as (root, process), sync_playwright() as playwright:
        address = f"{root}ovens/bench%20oven"
        browser = launched(playwright)
        files = loaded_bytes(browser, address)
        phone, slow = drawn_ms(browser, address, 1), drawn_ms(browser, address, 4)
        updates = update_bytes(browser, address)
        trace = browser.new_page().request.get(f"{root}api/ovens/bench%20oven/runs/{run}/chart").json()
        air = next(one for one in trace["temperature"]["traces"] if one["label"] == "air")
        alone = cost(process, WATCHED_S)
        pages = [browser.new_page() for _ in range(5)]
        for page in pages:
            page.goto(address)
            page.wait_for_selector("html[data-drawn]", state="attached")
        time.sleep(5.0)
        moments = [page.inner_text("#when") + page.inner_text("#glance-heat") for page in pages]
        five = cost(process, WATCHED_S)
        later = [page.inner_text("#when") + page.inner_text("#glance-heat") for page in pages]
        assert all(was != now for was, now in zip(moments, later, strict=True)), "a page stood still"
        browser.close()
    code = sum(size for name, size in files.items() if name not in ("chart", run))
    rows = [
        ("first load, compressed, data included [kB]", f"{sum(files.values()) / 1e3:.0f}", "120"),
        ("of that: page, scripts, styles [kB]", f"{code / 1e3:.0f}", ""),
        ("an update, largest [kB]", f"{max(updates) / 1e3:.2f}", "1.5"),
        ("an update, median [kB]", f"{float(np.median(updates)) / 1e3:.2f}", ""),
        ("run asked for and on the screen [ms]", f"{phone[0]:.0f}", "500"),
        ("of that: drawing [ms]", f"{phone[1]:.0f}", ""),
        ("the same on a processor slowed 4 times [ms]", f"{slow[0]:.0f}", "1200"),
        ("of that: drawing [ms]", f"{slow[1]:.0f}", ""),
        ("no page: the process, of one core [%]", f"{alone.core_pct:.1f}", ""),
        ("five pages: more of one core [%]", f"{five.core_pct - alone.core_pct:.1f}", "5"),
        ("five pages: more memory [MB]", f"{(five.resident_kb - alone.resident_kb) / 1000.0:.1f}", "15"),
        ("memory of the process with the run [MB]", f"{alone.resident_kb / 1000.0:.0f}", ""),
        (
            "readings of the run; points sent",
            f"{4 * 36_001:,}; {sum(len(t['value']) for t in trace['temperature']['traces']):,}",
            "",
        ),
        ("a spike of one reading is shown", "yes" if abs(max(air["value"]) - SPIKE_C) < 0.06 else "NO", "yes"),
    ]
    lines = [
        "# How light is the page?",
        "",
        f"A 10 h run of 4 thermocouples at 1 Hz. Python {platform.python_version()} on {processor()}; other work ran",
        "beside it. Trust the ratios before the times.",
        "",
        "| what | measured | at most |",
        "|---|---|---|",
        *(f"| {what} | {value} | {most} |" for what, value, most in rows),
    ]
    return "\n".join(lines)


if __name__ == "__main__":
    if sys.argv[1:2] == ["serve"]:
        serve_for_ever(Path(sys.argv[2]), sys.argv[3])
    else:
        with tempfile.TemporaryDirectory() as place:
            words = measured(Path(place))
        print(words)
        RESULTS.write_text(words + "\n", encoding="utf-8")
