"""How quickly a record is read back: ``python -m tests.benchmarks.reading_back`` (a few minutes).

A record of 1,000 runs, 540 readings each: listed and searched. And the report of one run of 24 h at 10 s, as HTML
and as PDF. Invented data. What is counted is the processor's time, so that other work on the machine matters little; a
fixed piece of arithmetic is timed in between: trust the ratios before the seconds.
"""

import platform
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

import numpy as np

from logger.reading import Reading
from logger.record import RecordReader, RecordWriter
from logger.record_operations import Operation, readings
from logger.review import review_run
from logger.units import kelvin_from_celsius
from logger.views.report import report_of
from logger.views.report_html import report_html
from logger.views.report_pdf import report_pdf
from logger.views.report_pictures import panels
from logger.views.run_views import run_view_of
from tests.benchmarks.machine import processor

RESULTS = Path(__file__).parent / "results" / "reading_back.md"
RUNS, READINGS, STEP_S, DAY_S = 1000, 540, 20.0, 86400.0
FIRST_UTC_S = 1_700_000_000.0

SHEET = """\
name = "Strap, lot {lot}"
channel = "oven"
[piece]
shape = "plate"
thickness_mm = 6
carbon_wt_pct = 0.05
iron_lot = "lot {lot}"
[pack]
recipe = "energised charcoal"
[canister]
sensor = "oven"
outer_mm = 60
[[target]]
quantity = "case depth"
at_carbon_wt_pct = 0.40
reach_mm = 0.5
"""


def heat_C(hours: float, step_s: float) -> np.ndarray:
    """Up in an hour and a half, a hold, and down again."""
    time_s = np.arange(0.0, hours * 3600.0, step_s)
    hold_s = 0.8 * hours * 3600.0
    up = np.minimum(20.0 + 905.0 * time_s / 5400.0, 925.0)
    return np.where(time_s < hold_s, up, 20.0 + 905.0 * np.exp(-(time_s - hold_s) / 6000.0))


def put(writer: RecordWriter, number: int, temperature_C: np.ndarray, step_s: float) -> str:
    """One run into the record; its id."""
    start_utc_s = FIRST_UTC_S + DAY_S * number
    run = f"{time.strftime('%Y-%m-%d', time.gmtime(start_utc_s))}-a"
    begun = {
        "id": run,
        "oven": "bench oven",
        "channels": '["oven"]',
        "sheet_name": f"lot-{number}",
        "sheet_text": SHEET.format(lot=number),
        "started_utc_s": start_utc_s,
        "clock": "real",
        "software": "soaktally 0.1.0",
        "poll_interval_s": step_s,
    }
    batch = [
        Reading("oven", step_s * row, start_utc_s + step_s * row, kelvin_from_celsius(float(at_C)))
        for row, at_C in enumerate(temperature_C)
    ]
    end = Operation("run_end", ({"run": run, "ended_utc_s": start_utc_s + step_s * len(batch), "how": "stopped"},))
    writer.append_all([Operation("runs", (begun,)), readings(run, batch), end])
    return run


def arithmetic_s() -> float:
    """A fixed piece of work: what the processor takes for it at this moment [s]."""
    begin = time.process_time()
    total = 0
    for number in range(2_000_000):
        total += number % 7
    assert total
    return time.process_time() - begin


def timed(work: Callable[[], object], times: int = 5) -> tuple[float, float]:
    """Median time of some work [s], and its ratio to the fixed arithmetic at the same time [-]."""
    taken, ratios = [], []
    for _ in range(times):
        before = arithmetic_s()
        begin = time.process_time()
        work()
        taken.append(time.process_time() - begin)
        ratios.append(taken[-1] / median([before, arithmetic_s()]))
    return median(taken), median(ratios)


def measured(folder: Path) -> list[tuple[str, float, float, str]]:
    """What is measured: name, seconds, ratio, and the most it may be."""
    many, long = folder / "many.db", folder / "long.db"
    usual = heat_C(READINGS * STEP_S / 3600.0, STEP_S)
    with RecordWriter(many, answer_within_s=600.0) as writer:
        for number in range(RUNS):
            put(writer, number, usual, STEP_S)
    with RecordWriter(long, answer_within_s=600.0) as writer:
        day = put(writer, 0, heat_C(24.0, 10.0), 10.0)

    def listed() -> None:
        with RecordReader(many) as reader:
            rows = reader.runs()
            assert len(reader.peaks_K([row.id for row in rows])) == RUNS

    def searched() -> None:
        with RecordReader(many) as reader:
            rows = reader.found("strap 777")
            assert len(reader.peaks_K([row.id for row in rows])) == 1

    situation = review_run(long, day)
    report = report_of(situation)
    drawn = panels(run_view_of(situation), report.units)
    return [
        ("1,000 runs listed, each with its peak", *timed(listed), "0.2 s"),
        ("1,000 runs searched for two words", *timed(searched), "0.2 s"),
        ("24 h run worked out from the record", *timed(lambda: review_run(long, day, anew=True), 3), ""),
        ("24 h run opened as it was kept", *timed(lambda: review_run(long, day), 3), ""),
        ("its report as HTML", *timed(lambda: report_html(report, drawn), 3), ""),
        ("its report as PDF", *timed(lambda: report_pdf(report, drawn), 3), ""),
    ]


def main() -> None:
    """Measure, print, and keep the results."""
    with tempfile.TemporaryDirectory() as name:
        rows = measured(Path(name))
    whole_s = sum(seconds for name, seconds, _, _ in rows if name.startswith(("24 h", "its report as HTML")))
    whole = sum(ratio for name, _, ratio, _ in rows if name.startswith(("24 h", "its report as HTML")))
    rows.append(("24 h run from record to HTML", whole_s, whole, "5 s"))
    lines = [
        "# How quickly is a record read back?",
        "",
        f"Python {platform.python_version()} on {processor()}; other work ran beside it. Seconds of the processor,",
        "and their ratio to 2 million additions in Python at the same time: trust it before the seconds.",
        "",
        "| what | seconds | ratio | at most |",
        "|---|---|---|---|",
        *(f"| {name} | {seconds:.2f} | {ratio:.2f} | {most} |" for name, seconds, ratio, most in rows),
    ]
    text = "\n".join(lines) + "\n"
    print(text)
    RESULTS.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
