"""`python -m sim` from a shell: says when it is ready, answers, stops cleanly, and names what it cannot use."""

import contextlib
import csv
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import minimalmodbus
import pytest
import serial

from sim.__main__ import main
from sim.faults import KINDS

HEAT = """
[[segment]]
kind = "ramp"
to_C = 500
rate_C_per_h = 600
[[segment]]
kind = "soak"
hours = 1
[[fault]]
kind = "sensor-break"
from_s = 1200
"""


@contextlib.contextmanager
def simulated(*options: str) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """The command in its own process, and the port it says it is ready on."""
    command = [sys.executable, "-W", "error", "-m", "sim", *options]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            word, port = process.stdout.readline().split()
            assert word == "ready"
            yield process, port
        finally:
            process.kill()


@pytest.mark.parametrize("stop", [signal.SIGINT, signal.SIGTERM])
def test_it_answers_until_it_is_stopped_and_leaves_the_truth(stop: signal.Signals, tmp_path: Path) -> None:
    program, truth, tap = (tmp_path / name for name in ("heat.toml", "truth.csv", "tap.csv"))
    program.write_text(HEAT)
    options = [
        "--link",
        "tcp",
        "--wire",
        "rtu",
        "--speed",
        "2000",
        "--program",
        program,
        "--truth",
        truth,
        "--tap",
        tap,
    ]
    with simulated(*map(str, options)) as (process, port):
        with serial.serial_for_url(f"socket://{port}", timeout=2.0) as line:
            controller = minimalmodbus.Instrument(line, 1)
            readings = [controller.read_register(0)]
            while readings[-1] != 32767:  # the fault of the program file
                readings.append(controller.read_register(0))
        process.send_signal(stop)
        out, err = process.communicate(timeout=10)
    assert (process.returncode, out, err) == (0, "", "")
    assert readings[0] < 1000 < max(readings[:-1])
    with truth.open() as file:
        rows = list(csv.DictReader(file))
    assert float(rows[-1]["time_s"]) >= 1200.0
    assert float(rows[200]["oven_C"]) > float(rows[200]["steel_C"]) + 50.0
    assert len(tap.read_text().splitlines()) == 1 + 2 * len(readings)


def test_it_ends_by_itself_after_the_hours_it_was_given() -> None:
    with simulated("--link", "tcp", "--speed", "3000", "--stop-after", "0.2", "--unit", "2", "--unit", "3") as (
        process,
        _,
    ):
        assert process.wait(timeout=20) == 0


NO_PLACE = "found No such file or directory, expected a place that can be written"


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--program", "none.toml"], "none.toml: found No such file or directory, expected a file that can be read"),
        (["--faults", "gremlins"], f"fault: kind: found 'gremlins', expected {', '.join(KINDS)}"),
        (["--unit", "300"], "station: unit address: found 300, expected 1 to 247"),
        (["--truth", "no/such/place.csv"], f"no/such/place.csv: {NO_PLACE}"),
        (["--tap", "no/such/tap.csv"], f"no/such/tap.csv: {NO_PLACE}"),
        (["--wire", "tcp"], "bus: wire: found tcp on a pty, expected rtu, ascii or text"),
        (
            ["--wire", "text", "--answer", "{rh}"],
            "line device: answer: found '{rh}', expected fields pv, sp, t2, out, unit, status, cj, mv, time",
        ),
    ],
)
def test_what_it_cannot_use_is_one_line_and_exit_code_2(
    options: list[str],
    message: str,
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(options) == 2
    out, err = capsys.readouterr()
    assert (out, err) == ("", message + "\n")


def test_a_program_file_that_is_no_toml_is_named(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    file = tmp_path / "heat.toml"
    file.write_text("segment = [")
    assert main(["--program", str(file)]) == 2
    assert capsys.readouterr().err.startswith(f"{file}: found ")


def test_the_faults_can_be_listed(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--list-faults"]) == 0
    listed = capsys.readouterr().out
    assert [line.split()[0] for line in listed.splitlines()] == list(KINDS)
