"""A record in a person's hands: out as plain files and back, copied while written, notes, alerts, tests, a service."""

import csv
import json
import shutil
import sqlite3
import subprocess
from pathlib import Path

import pytest
from click.testing import CliRunner

from logger.commands.service import service
from logger.record import RecordReader, RecordWriter
from tests.whole.loopback import free_port, web_server
from tests.whole.served import begun, grows, oven_file, served, simulated, soaktally


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a record of one run, and a copy made while it was written."""
    folder = tmp_path_factory.mktemp("shop")
    with simulated() as bus, served(oven_file(folder, "east", bus.port)):
        run = begun(folder / "record.db", "east")
        assert grows(folder / "record.db", run, 10)
        copied = soaktally("backup", folder / "copy.db", "--record", folder / "record.db")
        assert copied.returncode == 0, copied.stderr
        assert soaktally("stop", folder / "east.toml", "--wait", "60").returncode == 0
    return folder


def test_a_copy_made_while_it_was_written_is_a_record(folder: Path) -> None:
    with RecordReader(folder / "copy.db") as copy, RecordReader(folder / "record.db") as record:
        (run,) = copy.runs()
        assert run.ended_utc_s is None
        kept = [(one.channel, one.time_s) for one in copy.readings(run.id)]
        assert kept
        assert kept == [(one.channel, one.time_s) for one in record.readings(run.id)][: len(kept)]


def test_a_copy_never_replaces_a_file(folder: Path) -> None:
    said = soaktally("backup", folder / "copy.db", "--record", folder / "record.db")
    assert said.returncode == 2
    assert "found a file of that name, expected a name that is not taken" in said.stderr


@pytest.mark.parametrize("unit", ["C", "F"])
def test_a_run_goes_out_as_a_table_with_units_and_back_in_without_loss(folder: Path, tmp_path: Path, unit: str) -> None:
    record = folder / "record.db"
    assert soaktally("note", "last", "früh am Morgen, 火", "--record", record, "--author", "Ada").returncode == 0
    said = soaktally("export", "last", "--record", record, "--folder", tmp_path, "--temperature", unit, "--json")
    assert said.returncode == 0, said.stderr
    table = Path(json.loads(said.stdout)["table"])
    with table.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert {"time_s", "utc", "local", f"air_{unit}"} <= rows[0].keys()
    again = soaktally("import", table, "--record", tmp_path / "again.db")
    assert again.returncode == 0, again.stderr
    with RecordReader(record) as before, RecordReader(tmp_path / "again.db") as after:
        run = before.run("last").id
        assert list(map(repr, before.readings(run))) == list(map(repr, after.readings(run)))
        assert before.operations(run) == after.operations(run)
    twice = soaktally("import", table, "--record", tmp_path / "again.db")
    assert twice.returncode == 2
    assert "a run of that name in the record already" in twice.stderr


def test_alerts_are_listed_with_what_became_of_each_message(folder: Path) -> None:
    said = soaktally("alerts", "last", "--record", folder / "record.db")
    assert said.returncode == 0
    assert "raised: Run ended: stopped." in said.stdout
    listed = json.loads(soaktally("alerts", "--record", folder / "record.db", "--json").stdout)
    assert [one["kind"] for one in listed] == ["run ended"]


def test_the_alert_test_says_of_each_channel_whether_it_took_the_message(tmp_path: Path) -> None:
    with web_server() as server:
        more = (
            f'[[notify]]\nkind = "webhook"\nname = "phone"\nurl = "{server.url}"\n'
            f'[[notify]]\nkind = "webhook"\nname = "gone"\nurl = "http://127.0.0.1:{free_port()}/x"\n'
        )
        said = soaktally("alert-test", oven_file(tmp_path, "east", "/dev/no-such-port", more=more), "--json")
        assert said.returncode == 1
        assert [(one["channel"], one["delivered"]) for one in json.loads(said.stdout)] == [
            ("phone", True),
            ("gone", False),
        ]
        assert [body["kind"] for body in server.bodies] == ["test"]
        one = soaktally("alert-test", tmp_path / "east.toml", "--channel", "phone")
        assert one.returncode == 0
        assert one.stdout.startswith("phone  webhook   taken")
    none = soaktally("alert-test", tmp_path / "east.toml", "--channel", "mail")
    assert none.returncode == 2
    assert none.stderr == "notification channels: found no channel mail, expected phone, gone\n"


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="needs systemd-analyze, to read the unit")
def test_the_service_prints_a_unit_that_systemd_reads(tmp_path: Path) -> None:
    file = oven_file(tmp_path, "east", "/dev/no-such-port")
    said = soaktally("service", file, "--print", "--as", "root", "--group", "root", "--page", "127.0.0.1:9000")
    assert said.returncode == 0, said.stderr
    (start,) = [line for line in said.stdout.splitlines() if line.startswith("ExecStart=/")]
    assert start.endswith(f" serve --page 127.0.0.1:9000 {file}")
    unit = tmp_path / "soaktally.service"
    unit.write_text(said.stdout)
    checked = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", str(unit)], capture_output=True, text=True, check=False
    )
    assert [line for line in checked.stderr.splitlines() if "soaktally" in line] == []


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ("note last hello", "record record.db: found no such file, expected a soaktally record"),
        ("backup copy.db", "record record.db: found no such file, expected a soaktally record"),
        ("export last", "record record.db: found no such file, expected a soaktally record"),
        ("import gone.csv", "gone.jsonl: "),
        ("acknowledge oven.toml loud", 'acknowledge: found "loud", expected "all" or one of target reached'),
        ("serve gone.toml", "gone.toml: found no such file"),
        ("service gone.toml --print", "gone.toml: found no such file"),
        ("alert-test oven.toml", "notification channels: found none, expected at least one channel"),
    ],
)
def test_what_a_person_gets_wrong_is_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: str, told: str
) -> None:
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parents[2]))
    monkeypatch.chdir(tmp_path)
    oven_file(tmp_path, "oven", "/dev/no-such-port")
    said = soaktally(*words.split())
    assert said.returncode == 2
    assert told in said.stderr
    assert "Traceback" not in said.stderr


def test_a_note_in_a_record_of_a_newer_version_is_refused_and_changes_nothing(tmp_path: Path) -> None:
    record = tmp_path / "record.db"
    RecordWriter(record).close()

    with sqlite3.connect(record) as db:
        db.execute(
            "INSERT INTO _sqlite_migrations (migration_set, name, applied_at) VALUES ('record', 'from_2031', '')"
        )
    db.close()
    said = soaktally("note", "last", "hello", "--record", record)
    assert said.returncode == 2
    assert "found a record of a newer version (step from_2031)" in said.stderr


def test_installing_the_service_writes_the_unit_and_says_every_step(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    steps = tmp_path / "steps"
    for name in ("systemctl", "loginctl"):
        fake = tmp_path / name
        fake.write_text(f'#!/bin/sh\necho "{name} $*" >> {steps}\n')
        fake.chmod(0o755)
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setattr("os.geteuid", lambda: 1000)
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    said = CliRunner().invoke(service, [str(oven_file(tmp_path, "east", "/dev/no-such-port"))])
    assert said.exit_code == 0, said.output
    unit = tmp_path / "home/.config/systemd/user/soaktally.service"
    assert unit.read_text().startswith("# Written by `soaktally service`.")
    assert steps.read_text().splitlines() == [
        "loginctl enable-linger",
        "systemctl --user daemon-reload",
        "systemctl --user enable soaktally.service",
        "systemctl --user restart soaktally.service",
    ]
    assert f"Wrote {unit}" in said.output
    assert said.output.splitlines()[-1] == "Watching east. See it with: systemctl --user status soaktally"
    (tmp_path / "systemctl").write_text("#!/bin/sh\necho 'Failed to connect to bus' >&2\nexit 1\n")
    failed = CliRunner().invoke(service, [str(tmp_path / "east.toml")])
    assert failed.exit_code == 1
    assert "systemctl --user daemon-reload: Failed to connect to bus" in failed.output
