"""Commands start quickly: what is heavy is loaded only where it is used."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from logger.command import main
from logger.demo import HEATS
from logger.record import RecordWriter
from logger.versions import installed_version

HERE = Path(__file__).parents[2]

HEAVY = (
    "numpy",
    "scipy",
    "matplotlib",
    "pydantic",
    "rich",
    "pymodbus",
    "serial",
    "sqlite_utils",
    "starlette",
    "jinja2",
)


def test_the_version_is_told_installed_or_not() -> None:
    said = CliRunner().invoke(main, ["--version"])
    assert (said.exit_code, said.output) == (0, f"soaktally {installed_version('soaktally')}\n")
    assert installed_version("no such distribution") == "from source"


@pytest.mark.parametrize("words", ["--help", "watch --help", "review --help"])
def test_help_loads_nothing_heavy(words: str) -> None:
    code = (
        "import sys\n"
        "from logger.command import main\n"
        "try:\n"
        f"    main({words.split()!r})\n"
        "finally:\n"
        f"    print(*(name for name in {HEAVY!r} if name in sys.modules), file=sys.stderr)\n"
    )
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert said.stderr.split() == []


UNUSED_BY_A_WATCH = (
    "matplotlib",
    "pandas",
    "sqlite_utils",
    "pymodbus",
    "rich",
    "PIL",
    "jinja2",
    "scipy.linalg",
    "scipy.optimize",
    "scipy.special",
    "scipy.interpolate",
    "scipy.sparse",
    "logger.plan",
    "logger.piece",
    "logger.correction_fit",
    "logger.record_export",
    "logger.review",
)
"""What would make a daemon large or slow to start, though no watch needs it."""

PLAYED_BACK = """
[oven]
name = "back room"
record = "record.db"
[[port]]
name = "heat.csv"
framing = "playback"
[[port.controller]]
name = "recording"
poll_interval_s = 30
[[port.controller.channel]]
name = "air"
field = "air"
"""

A_WATCH = """
import sys, threading
from pathlib import Path
from logger import daemon
from logger.board import Board
from logger.clock import FastClock
from logger.oven_file import read_oven
from logger.page.server import PageSettings, serving
from logger.views.calm_lines import CalmLines
from logger.views.run_views import snapshot_of

oven, sheet_file, stop, board = read_oven(Path("oven.toml")), Path("sheet.toml"), threading.Event(), Board()

def look(now):
    snapshot_of(now)
    if now.bands is not None and now.forecast is not None:
        stop.set()

with serving(PageSettings(port=0), board, {oven.name: oven.record}), CalmLines():
    daemon.watch(oven, sheet_file, FastClock(600.0), daemon.Orders(show=look), stop, board)
print(*(name for name in UNUSED if name in sys.modules), file=sys.stderr)
"""


def test_a_watch_of_a_hot_heat_with_the_page_loads_nothing_it_does_not_use(tmp_path: Path) -> None:
    rows = [f"{at},920.0" for at in range(0, 36000, 30)]
    (tmp_path / "heat.csv").write_text("\n".join(["time_s,air_C", *rows, ""]), encoding="utf-8")
    (tmp_path / "oven.toml").write_text(PLAYED_BACK, encoding="utf-8")
    soon = (
        HEATS["plane-iron"]
        .sheet.replace("reach_mm = 0.50", "reach_mm = 0.05")
        .replace("reach_h = 1.5", "reach_h = 0.1")
    )
    (tmp_path / "sheet.toml").write_text(soon, encoding="utf-8")
    RecordWriter(tmp_path / "record.db").close()  # one that is made anew needs the library that makes tables
    words = [sys.executable, "-c", f"UNUSED = {UNUSED_BY_A_WATCH!r}\n{A_WATCH}"]
    environment = {**os.environ, "PYTHONPATH": str(HERE)}
    said = subprocess.run(words, cwd=tmp_path, env=environment, capture_output=True, text=True, check=False)
    assert said.returncode == 0, said.stderr
    assert said.stderr.split() == []
