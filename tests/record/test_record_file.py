"""A file that cannot be used is one clear line; a lock dies with its process; a copy is whole."""

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from sqlite_utils import Database

from logger.errors import InputFault, OutsideFault, SoaktallyError
from logger.reading import Reading
from logger.record import RecordReader, RecordWriter, append_from_outside, append_to_workbench, note
from logger.record_file import back_up
from logger.record_migrations import migrations

WATCHER = """
import sys
from pathlib import Path
from logger.record import RecordWriter
writer = RecordWriter(Path(sys.argv[1]))
print("watching", flush=True)
sys.stdin.read()
"""


def begin(writer: RecordWriter) -> str:
    return writer.begin_run(
        oven="forge",
        channels=["air"],
        sheet_name="",
        sheet_text="",
        started_utc_s=0.0,
        software="",
        poll_interval_s=1.0,
    )


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "record.db"


def not_a_database(path: Path) -> str:
    path.write_text("these are not the readings you are looking for, though long enough for a page\n" * 60)
    return f"record {path}: found a file that is not a database, expected a soaktally record, or no file"


def short_text(path: Path) -> str:
    path.write_text("hm")
    return f"record {path}: found a file that is not a database, expected a soaktally record, or no file"


def other_database(path: Path) -> str:
    db = Database(path)
    db["recipe"].insert({"name": "bread"})
    db.close()
    return f"record {path}: found a database of something else (tables recipe), expected a soaktally record"


def newer_record(path: Path) -> str:
    RecordWriter(path).close()
    db = Database(path)
    db["_sqlite_migrations"].insert({"migration_set": "record", "name": "time_travel", "applied_at": "2031"})
    db.close()
    return (
        f"record {path}: found a record of a newer version (step time_travel), expected this version, or an older one"
    )


def folder(path: Path) -> str:
    path.mkdir()
    return f"record {path}: found a folder, expected the name of a file"


@pytest.mark.parametrize("spoil", [not_a_database, short_text, other_database, newer_record, folder])
@pytest.mark.parametrize("opened", [RecordWriter, RecordReader])
def test_a_file_that_is_not_a_record_is_refused_in_one_line(
    path: Path, spoil: Callable[[Path], str], opened: type[RecordWriter] | type[RecordReader]
) -> None:
    expected = spoil(path)
    with pytest.raises(InputFault) as refusal:
        opened(path)
    assert str(refusal.value) == expected


def test_a_file_that_is_not_a_record_is_left_untouched(path: Path) -> None:
    not_a_database(path)
    before = path.read_bytes()
    with pytest.raises(InputFault):
        RecordWriter(path)
    assert path.read_bytes() == before


def test_a_missing_folder_is_refused_in_one_line(tmp_path: Path) -> None:
    path = tmp_path / "nowhere" / "record.db"
    with pytest.raises(InputFault) as refusal:
        RecordWriter(path)
    assert str(refusal.value) == (
        f"record {path}: found no folder {path.parent}, expected an existing folder; make it, or name another"
    )


def test_reading_or_adding_a_note_never_makes_a_record(path: Path) -> None:
    for attempt in (lambda: RecordReader(path), lambda: append_from_outside(path, note("x", "", utc_s=0.0))):
        with pytest.raises(InputFault) as refusal:
            attempt()
        assert str(refusal.value) == f"record {path}: found no such file, expected a soaktally record"
    assert not path.exists()


def test_a_damaged_record_is_refused_in_one_line(path: Path) -> None:
    with RecordWriter(path) as writer:
        run = begin(writer)
        writer.append_readings(run, [Reading("air", float(n), 0.0, 300.0, raw="x" * 50) for n in range(2000)])
    raw = bytearray(path.read_bytes())
    for page in range(4096 * 8, len(raw) - 4096, 4096):
        raw[page : page + 600] = os.urandom(600)
    path.write_bytes(raw)
    with pytest.raises(OutsideFault) as refusal:
        RecordWriter(path)
    assert str(refusal.value) == (
        f"record {path}: the file is damaged; move it aside (keep it) and restore a backup, or let a new record begin"
    )


def test_all_of_the_file_is_looked_through_for_damage_by_a_watch_and_not_for_a_line_from_outside(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It takes as long as the record is large: measured, 0.2 s of processor time for 70 MB; a note takes 0.002 s."""
    said: list[str] = []
    connect = sqlite3.connect

    def listened_to(*given: Any, **more: Any) -> sqlite3.Connection:
        db = connect(*given, **more)
        db.set_trace_callback(said.append)
        return db

    monkeypatch.setattr("logger.record_file.sqlite3.connect", listened_to)
    with RecordWriter(path) as writer:
        run = begin(writer)
    assert any("quick_check" in statement for statement in said)
    said.clear()
    append_from_outside(path, note(run, "hot side turned", utc_s=0.0))
    append_to_workbench(path, note(run, "etched", utc_s=1.0))
    assert any("INSERT" in statement for statement in said)
    assert not any("quick_check" in statement for statement in said)


def test_a_second_watcher_is_told_who_writes_and_stops(path: Path) -> None:
    with RecordWriter(path), pytest.raises(OutsideFault) as refusal:
        RecordWriter(path)
    assert str(refusal.value) == (
        f"{path}: already being written by another soaktally (process {os.getpid()}); "
        "stop that one first, or give this one a record of its own"
    )


def test_a_lock_dies_with_its_process(path: Path) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", WATCHER, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as watcher:
        assert watcher.stdout is not None
        assert watcher.stdout.readline() == "watching\n"
        with pytest.raises(OutsideFault, match=f"process {watcher.pid}"):
            RecordWriter(path)
        watcher.send_signal(signal.SIGKILL)
        watcher.wait()
        RecordWriter(path).close()


def test_a_writer_that_could_not_open_leaves_no_lock_behind(path: Path) -> None:
    not_a_database(path)
    for _ in range(2):
        with pytest.raises(InputFault):
            RecordWriter(path)
    path.unlink()
    RecordWriter(path).close()


def test_a_record_of_an_older_version_is_brought_up_to_date_by_the_writer_only(path: Path) -> None:
    db = Database(sqlite3.connect(path, isolation_level=None))
    migrations().apply(db, stop_before="views_for_people")
    db.close()
    for attempt in (lambda: RecordReader(path), lambda: append_from_outside(path, note("x", "", utc_s=0.0))):
        with pytest.raises(InputFault, match="a record of an older version, expected one that `soaktally watch`"):
            attempt()
    RecordWriter(path).close()
    with RecordReader(path) as reader:
        assert reader.runs() == ()


def test_a_closed_record_is_one_file(path: Path, tmp_path: Path) -> None:
    with RecordWriter(path) as writer:
        begin(writer)
    assert sorted(file.name for file in tmp_path.iterdir()) == ["record.db", "record.db.lock"]


def test_a_backup_taken_while_writing_is_a_whole_record(path: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy.db"
    with RecordWriter(path) as writer:
        run = begin(writer)
        writer.append_readings(run, [Reading("air", float(n), 0.0, 300.0) for n in range(500)])
        back_up(path, copy)
        writer.append_readings(run, [Reading("air", 500.0, 0.0, 300.0)])
    with RecordReader(copy) as reader:
        assert len(reader.history(run, "air")) == 500
    assert sorted(file.name for file in tmp_path.iterdir()) == ["copy.db", "record.db", "record.db.lock"]


def test_a_backup_never_replaces_a_file(path: Path, tmp_path: Path) -> None:
    RecordWriter(path).close()
    copy = tmp_path / "copy.db"
    copy.write_text("mine")
    with pytest.raises(InputFault, match="found a file of that name, expected a name that is not taken"):
        back_up(path, copy)
    assert copy.read_text() == "mine"


def test_a_backup_into_a_missing_folder_is_one_line(path: Path, tmp_path: Path) -> None:
    RecordWriter(path).close()
    with pytest.raises(SoaktallyError, match="no folder"):
        back_up(path, tmp_path / "nowhere" / "copy.db")


def test_a_copy_on_a_read_only_disk_can_be_read(path: Path, tmp_path: Path) -> None:
    with RecordWriter(path) as writer:
        run = begin(writer)
    mount = tmp_path / "disk"
    mount.mkdir()
    if (
        os.geteuid() == 0
        and shutil.which("mount")
        and subprocess.run(["mount", "-t", "tmpfs", "tmpfs", str(mount)], capture_output=True, check=False).returncode
        == 0
    ):
        try:
            shutil.copy(path, mount / "record.db")
            subprocess.run(["mount", "-o", "remount,ro", str(mount)], check=True)
            with RecordReader(mount / "record.db") as reader:
                assert reader.run("last").id == run
            with pytest.raises(OutsideFault, match="read-only"):
                RecordWriter(mount / "record.db")
        finally:
            subprocess.run(["umount", str(mount)], check=True)
    else:
        shutil.copy(path, mount / "record.db")
        mount.chmod(0o500)
        with RecordReader(mount / "record.db") as reader:
            assert reader.run("last").id == run
        mount.chmod(0o700)


def test_a_reader_that_closes_beside_the_writer_lets_no_other_process_take_the_log_away(path: Path) -> None:
    with RecordWriter(path) as writer:
        run = begin(writer)
        RecordReader(path).close()
        elsewhere = "import sqlite3, sys; sqlite3.connect(sys.argv[1]).execute('SELECT count(*) FROM run').fetchone()"
        subprocess.run([sys.executable, "-c", elsewhere, str(path)], check=True)
        writer.add_note(run, "written after the other process had gone", utc_s=0.0)
        count = (
            "import sqlite3, sys; print(sqlite3.connect(sys.argv[1]).execute('SELECT count(*) FROM note').fetchone())"
        )
        said = subprocess.run([sys.executable, "-c", count, str(path)], check=True, capture_output=True, text=True)
        assert said.stdout == "(1,)\n"
