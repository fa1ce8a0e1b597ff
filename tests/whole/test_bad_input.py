"""What a person can get wrong: one clear line each, exit code 2, nothing on standard output, never a traceback."""

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from logger.command import main

SHEET = """
[piece]
shape = "plate"
thickness_mm = 6.0
carbon_wt_pct = 0.10
[canister]
sensor = "inside"
"""

OVEN = """
[oven]
name = "left oven"
record = "record.db"
[[port]]
name = "{port}"
[[port.controller]]
name = "controller"
[[port.controller.channel]]
name = "oven"
register = 0
function = 3
scale = 0.1
"""


def soaktally(folder: Path, *words: str) -> "subprocess.CompletedProcess[str]":
    """The command, as a person runs it in a folder."""
    command = [sys.executable, "-m", "logger", *words]
    path = str(Path(__file__).parents[2])
    return subprocess.run(
        command, capture_output=True, text=True, check=False, cwd=folder, env={"PYTHONPATH": path, "PATH": "/usr/bin"}
    )


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "sheet.toml").write_text(SHEET, encoding="utf-8")
    (tmp_path / "oven.toml").write_text(OVEN.format(port="/dev/no-such-port"), encoding="utf-8")
    (tmp_path / "good.csv").write_text("time_s,oven_C\n0,20\n60,30\n", encoding="utf-8")
    (tmp_path / "empty.csv").write_text("", encoding="utf-8")
    (tmp_path / "words.csv").write_text("time_s,oven_C\n0,20\n60,hot\n", encoding="utf-8")
    (tmp_path / "backwards.csv").write_text("time_s,oven_C\n0,20\n60,30\n30,25\n", encoding="utf-8")
    (tmp_path / "two.csv").write_text("time_s,left_C,right_C\n0,20,21\n60,30,31\n", encoding="utf-8")
    (tmp_path / "nothing.csv").write_text("time_s,oven_C\n0,\n60,\n", encoding="utf-8")
    (tmp_path / "molten.csv").write_text("time_s,oven_C\n0,20\n1800,900\n3600,1600\n", encoding="utf-8")
    (tmp_path / "notes.db").write_text("grind 0.1 off both faces\n", encoding="utf-8")
    (tmp_path / "broken.toml").write_text('[piece]\nshape = "plate\n', encoding="utf-8")
    return tmp_path


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (
            "review empty.csv --sheet sheet.toml --json",
            "empty.csv: found an empty file, expected a CSV table with a header such as time_s,oven_C",
        ),
        (
            "review words.csv --sheet sheet.toml --json",
            'words.csv, line 3, column oven_C: found "hot", '
            "expected a temperature, or nothing where there was no reading",
        ),
        (
            "review backwards.csv --sheet sheet.toml --json",
            "backwards.csv, line 4: found time 30 after 60 on line 3, expected times that increase",
        ),
        ("review good.csv --json", "--sheet: found none, expected the run sheet of good.csv"),
        ("review good.csv --sheet gone.toml", "gone.toml: found no such file, expected a run sheet in TOML"),
        (
            "review nothing.csv --sheet sheet.toml --json",
            "nothing.csv: found no reading at all of oven, expected temperatures",
        ),
        (
            "review molten.csv --sheet sheet.toml --json --temperature F",
            "steel temperature at 3600 s: found 2912 F, expected -189.7 to 2552 F (iron-carbon phase fits)",
        ),
        (
            "runs --record notes.db",
            "record notes.db: found a file that is not a database, expected a soaktally record, or no file",
        ),
        ("runs --record gone.db", "record gone.db: found no such file, expected a soaktally record"),
        ("watch gone.toml --sheet sheet.toml", "gone.toml: found no such file, expected an oven file in TOML"),
        (
            "compare good.csv:sheet.toml gone.csv:sheet.toml",
            "gone.csv: found no such file, expected a trace, or a run of the record",
        ),
        ("compare good.csv:sheet.toml good.csv", "--sheet: found none, expected the run sheet of good.csv"),
        ("compare good.csv:sheet.toml last", "record record.db: found no such file, expected a soaktally record"),
        (
            "accept good.csv --sheet sheet.toml --at 1e9C --for 1h",
            "--at: found 1e+09 C, expected 0 to 1800 C",
        ),
        (
            "accept good.csv --sheet sheet.toml --at 1700F --for 1h --within 1e6F",
            "--within: found 1000000 F, expected 0.018 to 900 F",
        ),
        (
            "piece list --record gone.db",
            "record gone.db: found no such file, expected a record; `soaktally piece new` begins one",
        ),
        ("demo --heat roast", '--heat: found "roast", expected plane-iron, too-hot, temper'),
    ],
)
def test_a_mistake_is_told_in_one_line(folder: Path, words: str, told: str) -> None:
    said = soaktally(folder, *words.split())
    assert (said.returncode, said.stdout) == (2, "")
    assert said.stderr == told + "\n"


def test_what_a_comparison_cannot_find_is_told_before_anything_is_worked_out(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def worked_out(*given: Any, **named: Any) -> None:
        raise AssertionError("worked out")

    monkeypatch.setattr("logger.commands.situations.reviewed", worked_out)
    monkeypatch.chdir(folder)
    said = CliRunner().invoke(main, ["compare", "good.csv:sheet.toml", "NOPE"])
    assert (said.exit_code, said.output) == (2, "record record.db: found no such file, expected a soaktally record\n")


def test_several_channels_and_none_chosen_are_named(folder: Path) -> None:
    said = soaktally(folder, "review", "two.csv", "--sheet", "sheet.toml", "--json")
    assert (said.returncode, said.stdout) == (2, "")
    assert "left" in said.stderr
    assert "right" in said.stderr


def test_faults_in_sheet_and_trace_are_told_together(folder: Path) -> None:
    said = soaktally(folder, "review", "words.csv", "--sheet", "broken.toml", "--json")
    assert (said.returncode, said.stdout) == (2, "")
    assert len(said.stderr.splitlines()) == 2
    assert "Traceback" not in said.stderr


def test_a_record_that_is_no_database_is_left_as_it_is_when_a_watch_is_begun(folder: Path) -> None:
    oven = OVEN.format(port="/dev/no-such-port").replace("record.db", "notes.db")
    (folder / "oven.toml").write_text(oven, encoding="utf-8")
    said = soaktally(folder, "watch", "oven.toml", "--sheet", "sheet.toml")
    assert said.returncode == 2
    assert "notes.db: found a file that is not a database" in said.stderr
    assert (folder / "notes.db").read_text(encoding="utf-8") == "grind 0.1 off both faces\n"


def test_a_port_that_is_not_there_is_named_and_tried_again_until_the_time_is_over(folder: Path) -> None:
    said = soaktally(folder, "watch", "oven.toml", "--sheet", "sheet.toml", "--for", "3 s")
    assert said.returncode == 0
    assert "/dev/no-such-port" in said.stdout
    assert "Traceback" not in said.stderr
    runs = soaktally(folder, "runs")
    assert "the time asked for was over" in runs.stdout


def test_a_file_that_may_not_be_read_is_refused_by_its_reader_in_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The command line's own refusal would be four lines, and not in our words."""
    sheet = tmp_path / "sheet.toml"
    sheet.write_text("[piece]\n")

    def locked(path: Path, *given: Any, **named: Any) -> Any:
        if path == sheet:
            raise PermissionError(13, "Permission denied")
        return read(path, *given, **named)

    read = Path.open
    monkeypatch.setattr(os, "access", lambda path, mode, **named: str(path) != str(sheet))
    monkeypatch.setattr(Path, "open", locked)
    said = CliRunner().invoke(main, ["watch", str(sheet), "--sheet", str(sheet)])
    assert (said.exit_code, said.output) == (
        2,
        f"{sheet}: found a file this user may not read, expected an oven file in TOML\n",
    )


@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="no device without end here")
def test_a_device_without_end_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("logger.input_file.MOST_BYTES", 2**20)
    said = CliRunner().invoke(main, ["watch", "/dev/zero", "--sheet", "/dev/zero"])
    assert (said.exit_code, said.output) == (
        2,
        "/dev/zero: found more than 1 MB, or no end, expected an oven file in TOML\n",
    )


def test_an_empty_file_is_no_record(tmp_path: Path) -> None:
    record = tmp_path / "record.db"
    record.touch()
    said = CliRunner().invoke(main, ["runs", "--record", str(record)])
    assert (said.exit_code, said.output) == (
        2,
        f"record {record}: found an empty file, expected a soaktally record\n",
    )


@pytest.mark.parametrize(
    ("option", "there", "told"),
    [
        ("--write-sheet", "sheet.toml", "found there already, expected the name of a new file"),
        ("--table", ".", "found a folder, expected the name of a file"),
    ],
)
def test_a_plan_writes_over_no_sheet_and_into_no_folder(folder: Path, option: str, there: str, told: str) -> None:
    before = (folder / "sheet.toml").read_bytes()
    named = str(folder / there)
    said = CliRunner().invoke(main, ["plan", str(folder / "sheet.toml"), option, named])
    assert (said.exit_code, said.output) == (2, f"{option} {named}: {told}\n")
    assert (folder / "sheet.toml").read_bytes() == before
