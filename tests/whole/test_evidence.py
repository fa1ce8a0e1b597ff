"""Evidence of a run: complete, checkable with the usual tool, and changed files are named."""

import json
import shutil
import subprocess
import zipfile
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from logger.command import main
from logger.record import RecordReader, RecordWriter
from logger.record_export import import_run
from tests.views.recorded_runs import curve, put

ASKED = ("--at", "925 C", "--for", "1 h 30 min", "--calibrated-within", "0")


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("evidence") / "record.db"
    put(file, curve(), notes=("turned the can",))
    return file


@pytest.fixture(scope="module")
def folder(record: Path) -> Path:
    where = record.parent / "evidence"
    answer = ask("evidence", "last", "--record", str(record), "-o", str(where), *ASKED)
    assert answer.exit_code == 0, answer.output
    return where


def ask(*words: str) -> Result:
    return CliRunner().invoke(main, list(words))


def test_the_usual_tool_finds_every_file_unchanged(folder: Path) -> None:
    names = {file.name for file in folder.iterdir()}
    assert {"review.json", "acceptance.json", "report.pdf", "2026-03-14-a.csv", "2026-03-14-a.jsonl"} <= names
    said = subprocess.run(
        ["sha256sum", "--check", "--strict", "SHA256SUMS"], cwd=folder, capture_output=True, text=True
    )
    assert said.returncode == 0
    assert said.stdout.count(": OK") == len(names) - 1


def test_what_is_in_it_is_the_run_to_the_last_digit(record: Path, folder: Path, tmp_path: Path) -> None:
    with RecordReader(record) as reader:
        before = list(reader.readings("2026-03-14-a")), reader.operations("2026-03-14-a")
    copy = tmp_path / "copy.db"
    with RecordWriter(copy) as writer, RecordReader(copy) as reader:
        import_run(writer, reader, folder / "2026-03-14-a.csv")
        after = list(reader.readings("2026-03-14-a")), reader.operations("2026-03-14-a")
    assert str(after) == str(before)
    review = json.loads(
        ask(
            "review", "last", "--record", str(record), "--json", "--picture", str(tmp_path / "p.png")
        ).output.splitlines()[0]
    )
    assert json.loads((folder / "review.json").read_text()) == review
    verdict = json.loads((folder / "acceptance.json").read_text())
    assert verdict["accepted"] is True
    assert verdict["asked"]["soak_h"] == 1.5


def test_a_file_that_was_changed_added_or_taken_away_is_named(folder: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(folder, copy)
    assert ask("evidence", "--check", str(copy)).exit_code == 0
    (copy / "review.json").write_text((copy / "review.json").read_text().replace("925", "926", 1))
    (copy / "sheet.toml").unlink()
    (copy / "more.txt").write_text("more")
    answer = ask("evidence", "--check", str(copy))
    assert answer.exit_code == 2
    assert "review.json: found a file that was changed" in answer.output
    assert "sheet.toml: found no such file" in answer.output
    assert "more.txt: found a file without a checksum" in answer.output


def test_one_zip_holds_the_same(record: Path, folder: Path, tmp_path: Path) -> None:
    packed = tmp_path / "evidence.zip"
    answer = ask("evidence", "last", "--record", str(record), "-o", str(packed), *ASKED, "--json")
    assert answer.exit_code == 0, answer.output
    names = set(json.loads(answer.output)["files"])
    assert names == {file.name for file in folder.iterdir()}
    assert ask("evidence", "--check", str(packed)).exit_code == 0
    with zipfile.ZipFile(packed) as one:
        assert {name.rpartition("/")[2] for name in one.namelist()} == names
    again = ask("evidence", "last", "--record", str(record), "-o", str(packed), *ASKED)
    assert again.exit_code == 2
    assert "found something of that name" in again.output


def test_the_verdict_is_told_with_its_reasons_as_text_and_json(record: Path) -> None:
    words = ask("accept", "last", "--record", str(record), *ASKED)
    assert words.exit_code == 0, words.output
    assert "Strap lot 12 · 2026-03-14-a: accepted" in words.output
    longer = json.loads(
        ask("accept", "last", "--record", str(record), "--at", "925 C", "--for", "5 h", "--json").output
    )
    assert longer["verdict"] == "not accepted"
    assert {question["answer"] for question in longer["questions"]} >= {"yes", "no", "not shown"}


def test_what_nobody_states_or_cannot_be_is_asked_for(tmp_path: Path) -> None:
    file = tmp_path / "record.db"
    put(file, replace(curve(hold_h=0.3), name="short"))
    answer = ask("accept", "last", "--record", str(file))
    assert answer.exit_code == 2
    assert "--at: found nothing" in answer.output
    bare = ask("accept", "last", "--record", str(file), "--at", "925")
    assert bare.exit_code == 2
    assert bare.output == '--at: found "925", expected a temperature such as "1750 F"\n'
    wrong = ask("accept", "last", "--record", str(file), "--at", "hot", "--within", "10 mm")
    assert wrong.exit_code == 2
    assert '--at: found "hot"' in wrong.output
    assert '--within: found "10 mm"' in wrong.output
