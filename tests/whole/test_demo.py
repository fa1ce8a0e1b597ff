"""The whole product at once: simulated oven in its own process, real port, daemon, record, alert, review, picture."""

import csv
import json
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from logger.command import main
from logger.demo import HEATS, demonstrate
from logger.errors import InputFault
from logger.record import RecordReader
from logger.review import review_run
from logger.situation import Situation
from logger.views.contract import review_object
from logger.worked_out import file_of
from tests.whole.loopback import reached, web_server

pytestmark = pytest.mark.slow

READING_CODES = {"1", "2", "3", "4"}
SPEED = 600


def soaktally(*words: str | Path) -> "subprocess.CompletedProcess[str]":
    """The command, as a person runs it."""
    return subprocess.run(
        [sys.executable, "-m", "logger", *map(str, words)], capture_output=True, text=True, check=False
    )


@dataclass(frozen=True)
class Demonstrated:
    """A whole demonstration: what it printed, where it left things, what the webhook was told, frames on the wire."""

    printed: str
    folder: Path
    told: list[dict[str, Any]]
    frames: list[dict[str, str]]

    @property
    def record(self) -> Path:
        return self.folder / "record.db"

    def review(self, *words: str) -> dict[str, Any]:
        said = soaktally("review", "last", "--record", self.record, "--json", *words)
        assert said.returncode == 0, said.stderr
        return dict(json.loads(said.stdout))


@pytest.fixture(scope="module")
def demonstrated(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Demonstrated]:
    folder = tmp_path_factory.mktemp("demo") / "run"
    tap = folder.parent / "wire.csv"
    with web_server() as server:
        said = soaktally(
            "demo", "--no-page", "--speed", str(SPEED), "--folder", folder, "--webhook", server.url, "--tap", tap
        )
        assert said.returncode == 0, said.stderr
        with tap.open(encoding="utf-8", newline="") as file:
            frames = list(csv.DictReader(file))
        yield Demonstrated(said.stdout, folder, list(server.bodies), frames)


def test_the_demonstration_reaches_its_targets_and_closes_the_run(demonstrated: Demonstrated) -> None:
    review = demonstrated.review()
    assert [target["reached"] for target in review["targets"]] == [True, True]
    (run,) = json.loads(soaktally("runs", "--record", demonstrated.record, "--json").stdout)
    assert run["how_ended"] == "the time asked for was over"


def test_the_record_says_that_the_clock_was_a_simulated_one(demonstrated: Demonstrated) -> None:
    assert demonstrated.review()["clock"] == f"simulated, {SPEED} times real time"
    assert f"simulated, {SPEED} times real time" in demonstrated.printed


def test_the_alert_of_a_reached_target_arrives_at_a_webhook(demonstrated: Demonstrated) -> None:
    reached_targets = [body for body in demonstrated.told if body["kind"] == "target reached"]
    assert any("0.40 % C" in body["text"] for body in reached_targets)
    assert all(body["run"] for body in reached_targets)


def test_nothing_but_read_requests_was_ever_on_the_wire(demonstrated: Demonstrated) -> None:
    requests = [frame for frame in demonstrated.frames if frame["direction"] == "request"]
    assert len(requests) > 1000
    assert {frame["function"] for frame in requests} <= READING_CODES


def test_the_picture_is_there_and_the_review_tells_the_story_in_words(demonstrated: Demonstrated) -> None:
    (picture,) = demonstrated.folder.glob("run-*.png")
    assert picture.read_bytes().startswith(b"\x89PNG\r\n\x1a\n")
    assert picture.stat().st_size > 50_000
    for words in ("at heat inside", "to 0.40 % C", "Soaks of the steel", "modelled from the oven"):
        assert words in demonstrated.printed


def test_reviewing_the_same_record_twice_prints_the_same_object(demonstrated: Demonstrated) -> None:
    assert demonstrated.review() == demonstrated.review() == demonstrated.review("--anew")


def test_the_last_live_estimate_is_the_reviewed_one_to_the_last_bit(tmp_path: Path) -> None:
    shown: list[Situation] = []
    heat = replace(HEATS["plane-iron"], duration_h=2.5)
    done = demonstrate(tmp_path / "run", heat, SPEED, threading.Event(), show=shown.append)
    kept = file_of(done.record, done.run)
    as_the_watch_left_it = kept.stat().st_mtime_ns
    review_run(done.record, done.run)
    assert kept.stat().st_mtime_ns == as_the_watch_left_it, "what holds is not written again"
    live, reviewed = review_object(shown[-1]), review_object(review_run(done.record, done.run, anew=True))
    assert reviewed["carbon"]["case_depth_mm"]["0.30"] > 0.0
    for part in ("thermal", "carbon", "tempering", "targets", "warnings", "clock"):
        assert live[part] == reviewed[part]


class Watched:
    """A watch in a process of its own on a simulated oven in another."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.record = folder / "record.db"
        self.oven = subprocess.Popen(
            [sys.executable, "-m", "sim", "--speed", str(SPEED)], stdout=subprocess.PIPE, text=True
        )
        assert self.oven.stdout is not None
        port = next(line for line in self.oven.stdout if line.startswith("ready ")).split()[1]
        (folder / "sheet.toml").write_text(HEATS["plane-iron"].sheet, encoding="utf-8")
        (folder / "oven.toml").write_text(
            f"""
            [oven]
            name = "bench oven"
            record = "record.db"
            [clock]
            speed = {SPEED}
            [[port]]
            name = "{port}"
            baud = 19200
            [[port.controller]]
            name = "controller"
            poll_interval_s = 10
            [[port.controller.channel]]
            name = "oven"
            register = 0
            function = 3
            scale = 0.1
            unit = "C"
            """,
            encoding="utf-8",
        )
        self.watch = self.start()

    def start(self) -> "subprocess.Popen[str]":
        self.watch = subprocess.Popen(
            [
                *(sys.executable, "-m", "logger", "watch", str(self.folder / "oven.toml")),
                *("--sheet", str(self.folder / "sheet.toml")),
            ],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        return self.watch

    def readings(self) -> int:
        """How many readings of the newest run are durable now; none while the record is still being made."""
        try:
            with RecordReader(self.record) as reader:
                runs = reader.runs()
                return sum(1 for _ in reader.readings(runs[-1].id)) if runs else 0
        except InputFault:
            return 0

    def close(self) -> None:
        for process in (self.watch, self.oven):
            process.kill()
            process.wait()
            assert process.stdout is not None
            process.stdout.close()


@pytest.fixture
def watched(tmp_path: Path) -> Iterator[Watched]:
    watched = Watched(tmp_path)
    try:
        yield watched
    finally:
        watched.close()


@pytest.mark.skipif(os.name != "posix", reason="needs a process that can be killed without notice")
def test_killing_the_watch_loses_no_durable_reading_and_the_run_goes_on(watched: Watched) -> None:
    assert reached(lambda: watched.readings() >= 40)
    before = watched.readings()
    watched.watch.kill()
    watched.watch.wait()
    after = watched.readings()
    assert after >= before
    assert watched.watch.stdout is not None
    watched.watch.stdout.close()

    watched.start()
    assert reached(lambda: watched.readings() >= after + 40)
    watched.watch.send_signal(signal.SIGTERM)
    assert watched.watch.wait(20) == 0
    with RecordReader(watched.record) as reader:
        (run,) = reader.runs()
        kept = list(reader.readings(run.id))
        events = [event.kind for event in reader.events(run=run.id)]
    assert run.how_ended == "stopped"
    assert events.count("watch started") == 2
    assert "taken up" in events
    assert all(earlier.time_s < later.time_s for earlier, later in pairwise(kept))
    gaps = review_run(watched.record, run.id).estimate.thermal.gaps
    assert any(not gap.bridged for gap in gaps)


@pytest.mark.parametrize("speed", ["0", "-5", "nan", "inf"])
def test_a_speed_that_no_clock_has_is_refused(tmp_path: Path, speed: str) -> None:
    for words in (
        ["demo", "--no-page", "--folder", str(tmp_path / "one")],
        ["demo", "--season", str(tmp_path / "ten")],
    ):
        said = CliRunner().invoke(main, [*words, f"--speed={speed}"])
        assert (said.exit_code, said.output) == (2, f"--speed: found {speed}, expected more than 0\n")
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_cannot_be_made_is_told_in_one_line(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    for words in (["demo", "--no-page", "--folder"], ["demo", "--season"]):
        said = CliRunner().invoke(main, [*words, str(tmp_path / "file" / "demo")])
        assert said.exit_code == 1
        assert said.output.splitlines()[-1] == f"{tmp_path / 'file' / 'demo'}: could not be written: not a directory"
