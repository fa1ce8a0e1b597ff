"""While the record cannot be written nothing acknowledged is lost, and all of it is in the record afterwards."""

import os
import shutil
import sqlite3
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.errors import InputFault, OutsideFault
from logger.journal import Journal
from logger.reading import Reading
from logger.record import RecordReader, RecordWriter
from logger.record_operations import Operation
from logger.record_writer import _Job
from tests.whole.loopback import reached

UTC_S = 1_795_600_800.0


def reading(time_s: float) -> Reading:
    return Reading("air", time_s, UTC_S + time_s, 1200.0 + time_s, raw="00 c8")


def begin(writer: RecordWriter, oven: str = "back room") -> str:
    return writer.begin_run(
        oven=oven,
        channels=["air"],
        sheet_name="strap.toml",
        sheet_text="[piece]\n",
        started_utc_s=UTC_S,
        software="",
        poll_interval_s=5.0,
    )


def open_writer(path: Path, **more: object) -> RecordWriter:
    return RecordWriter(path, try_again_s=0.01, reserve_bytes=256 * 1024, **more)  # type: ignore[arg-type]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "record.db"


def fill_up(writer: RecordWriter) -> None:
    """The database may not grow any more: SQLite answers every further write as on a full disk."""
    set_pragma(writer, "max_page_count = 1")


def set_pragma(writer: RecordWriter, pragma: str) -> None:
    def make(db: object) -> tuple[tuple[()], None]:
        assert writer._db is not None
        writer._db.execute(f"PRAGMA {pragma}").close()
        return (), None

    writer._do(_Job(make))


@pytest.fixture
def broken_for_good(monkeypatch: pytest.MonkeyPatch) -> Iterator[threading.Event]:
    """While the event is set, the record cannot be opened: the disk is full for everyone."""
    import logger.record_writer as module

    broken, opened = threading.Event(), module.open_for_writing

    def refuse(path: Path, *more: object) -> object:
        if broken.is_set():
            raise OutsideFault(f"record {path}: the disk is full; free some space")
        return opened(path, *more)  # type: ignore[arg-type]

    monkeypatch.setattr(module, "open_for_writing", refuse)
    yield broken
    broken.clear()


def times(path: Path, run: str) -> list[float]:
    with RecordReader(path) as reader:
        return reader.history(run, "air").time_s.tolist()


def test_a_full_disk_turns_writing_to_the_journal_and_back_without_losing_a_reading(
    path: Path, broken_for_good: threading.Event
) -> None:
    with open_writer(path) as writer:
        run = begin(writer)
        writer.append_readings(run, [reading(0.0)])
        fill_up(writer)
        broken_for_good.set()
        for n in range(1, 200):
            writer.append_readings(run, [reading(float(n))])
        assert writer.trouble == f"record {path}: the disk is full; free some space"
        assert len(times(path, run)) < 200
        broken_for_good.clear()
        assert reached(lambda: not writer.trouble)
        writer.append_readings(run, [reading(200.0)])
        assert times(path, run) == [float(n) for n in range(201)]
        with RecordReader(path) as reader:
            (back,) = reader.events()
        assert back.kind == "record back"
        assert "full" in back.detail["trouble"]
    assert not Journal(path).path.exists()


def test_what_the_journal_took_is_merged_at_the_next_start(path: Path, broken_for_good: threading.Event) -> None:
    writer = open_writer(path)
    run = begin(writer)
    fill_up(writer)
    broken_for_good.set()
    for n in range(200):
        writer.append_readings(run, [reading(float(n))])
    writer.end_run(run, "stopped by the user", ended_utc_s=UTC_S)
    writer.close()
    assert len(times(path, run)) < 200
    broken_for_good.clear()
    open_writer(path).close()
    assert times(path, run) == [float(n) for n in range(200)]
    with RecordReader(path) as reader:
        assert reader.run(run).how_ended == "stopped by the user"


def test_a_run_begun_while_the_record_is_away_gets_a_name_of_its_own_and_is_in_the_record_later(
    path: Path, broken_for_good: threading.Event
) -> None:
    with open_writer(path) as writer:
        fill_up(writer)
        broken_for_good.set()
        runs = []
        while not writer.trouble:
            runs.append(begin(writer, f"oven {len(runs)}"))
        runs += [begin(writer, f"oven {n}") for n in range(3)]
        writer.append_readings(runs[-1], [reading(0.0)])
        broken_for_good.clear()
        assert reached(lambda: not writer.trouble)
    assert len(set(runs)) == len(runs)
    assert "-at-" in runs[-1]
    with RecordReader(path) as reader:
        assert {row.id for row in reader.runs()} == set(runs)
    assert times(path, runs[-1]) == [0.0]


def test_a_read_only_record_turns_writing_to_the_journal(path: Path, broken_for_good: threading.Event) -> None:
    with open_writer(path) as writer:
        run = begin(writer)
        set_pragma(writer, "query_only = 1")
        broken_for_good.set()
        writer.append_readings(run, [reading(0.0)])
        assert writer.trouble.startswith(f"record {path}: ")
        assert "read-only" in writer.trouble or "full" in writer.trouble
        broken_for_good.clear()
        assert reached(lambda: not writer.trouble)
    assert times(path, run) == [0.0]


def test_a_record_held_by_another_program_turns_writing_to_the_journal(path: Path) -> None:
    with open_writer(path, busy_timeout_s=0.05) as writer:
        run = begin(writer)
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        writer.append_readings(run, [reading(0.0)])
        assert writer.trouble == f"record {path}: another program holds the file; close it"
        other.execute("ROLLBACK")
        other.close()
        assert reached(lambda: not writer.trouble)
    assert times(path, run) == [0.0]


def test_a_record_that_is_deleted_in_mid_run_is_begun_anew_with_the_run_in_it(path: Path) -> None:
    with open_writer(path) as writer:
        run = begin(writer)
        writer.append_readings(run, [reading(0.0)])
        moved = path.with_name("moved.db")
        path.rename(moved)
        writer.append_readings(run, [reading(5.0)])
        assert reached(lambda: not writer.trouble)
        writer.append_readings(run, [reading(10.0)])
    assert times(path, run) == [5.0, 10.0]
    with RecordReader(path) as reader:
        assert reader.run(run).sheet_text == "[piece]\n"


def damage(path: Path) -> None:
    raw = bytearray(path.read_bytes())
    for page in range(4096 * 3, len(raw) - 4096, 4096):
        raw[page : page + 600] = os.urandom(600)
    path.write_bytes(raw)


def test_a_watch_that_comes_back_to_a_damaged_record_goes_on_beside_it(path: Path) -> None:
    with open_writer(path) as writer:
        first = begin(writer)
        writer.append_readings(first, [reading(float(n)) for n in range(3000)])
    damage(path)
    with pytest.raises(OutsideFault, match="damaged"):
        open_writer(path)
    with open_writer(path, even_if_damaged=True) as writer:
        run = begin(writer)
        writer.append_readings(run, [reading(0.0)])
        assert "damaged" in writer.trouble
        path.rename(path.with_name("damaged.db"))
        assert reached(lambda: not writer.trouble)
    assert times(path, run) == [0.0]


def test_a_wrong_file_is_refused_even_by_a_watch_that_comes_back(path: Path) -> None:
    path.write_text("not a record, this one, for it is only text\n" * 100)
    with pytest.raises(InputFault):
        open_writer(path, even_if_damaged=True)


def test_what_neither_record_nor_journal_takes_is_not_acknowledged_but_kept_and_written_later(
    path: Path, broken_for_good: threading.Event, monkeypatch: pytest.MonkeyPatch
) -> None:
    with open_writer(path) as writer:
        run = begin(writer)

        def full(*_: object) -> None:
            raise OSError(28, "No space left on device")

        with monkeypatch.context() as patched:
            patched.setattr(Journal, "append", full)
            fill_up(writer)
            broken_for_good.set()
            said, tried = "", 0
            while not said:
                try:
                    writer.append_readings(run, [reading(float(tried))])
                except OutsideFault as fault:
                    said = str(fault)
                tried += 1
            assert said == (
                f"record {path}: the disk is full; free some space; "
                "nor does the journal beside it take anything: no space left on device"
            )
        broken_for_good.clear()
        assert reached(lambda: not writer.trouble)
        writer.append_readings(run, [reading(1000.0)])
    assert times(path, run) == [*[float(n) for n in range(tried)], 1000.0]


def test_a_disk_that_does_not_answer_is_said_and_what_was_asked_is_written_when_it_does(path: Path) -> None:
    with open_writer(path, answer_within_s=0.05) as writer:
        run = begin(writer)
        hold = threading.Event()

        def stall(_: object) -> tuple[tuple[()], None]:
            hold.wait()
            return (), None

        with pytest.raises(OutsideFault, match=r"the disk does not answer within 0\.05 s"):
            writer._do(_Job(stall))
        with pytest.raises(OutsideFault):
            writer.append_readings(run, [reading(0.0)])
        assert writer.trouble == f"record {path}: the disk does not answer"
        hold.set()
        assert reached(lambda: times(path, run) == [0.0])
        writer.add_note(run, "still here", utc_s=UTC_S)
        assert writer.trouble == ""


@pytest.mark.skipif(os.geteuid() != 0 or not shutil.which("mount"), reason="needs the right to mount a small disk")
def test_on_a_disk_that_is_really_full_the_laid_out_journal_still_takes_readings(tmp_path: Path) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(disk)], check=False).returncode:
        pytest.skip("this machine does not let a test mount a disk")
    path = disk / "record.db"
    try:
        with open_writer(path) as writer:
            run = begin(writer)
            ballast = disk / "ballast"
            with ballast.open("wb", buffering=0) as file:
                try:
                    while True:
                        file.write(bytes(4096))
                except OSError:
                    pass
            taken = 0
            while len(writer.trouble) == 0 or taken < 500:
                writer.append_readings(run, [reading(float(taken))])
                taken += 1
            assert "the disk is full" in writer.trouble
            ballast.unlink()
            assert reached(lambda: not writer.trouble)
            writer.append_readings(run, [reading(float(taken))])
            assert times(path, run) == [float(n) for n in range(taken + 1)]
    finally:
        subprocess.run(["umount", str(disk)], check=True)


# --------------------------------------------------------------------------------------------------------------------


def note(number: int) -> Operation:
    return Operation("note", ({"id": str(number), "run": "2026-11-25-a", "text": "Käthe\n" * number},))


def test_a_journal_gives_back_what_it_was_given_also_to_the_next_process(path: Path) -> None:
    journal = Journal(path, reserve_bytes=4096)
    journal.append([note(1), note(2)])
    journal.append([note(3)])
    assert journal.operations() == ([note(1), note(2), note(3)], 0)
    journal.close()
    again = Journal(path, reserve_bytes=4096)
    again.append([note(4)])
    assert again.operations() == ([note(1), note(2), note(3), note(4)], 0)
    again.empty()
    assert again.operations() == ([], 0)
    assert again.path.stat().st_size >= 4096, "the room stays laid out"
    again.close()
    assert not again.path.exists()


@pytest.mark.parametrize("cut", range(1, 60, 7))
def test_a_line_cut_off_by_a_power_cut_costs_only_itself(path: Path, cut: int) -> None:
    journal = Journal(path, reserve_bytes=0)
    journal.append([note(1), note(2)])
    journal.close()
    raw = journal.path.read_bytes()
    journal.path.write_bytes(raw[:-cut])
    again = Journal(path, reserve_bytes=4096)
    again.append([note(3)])
    assert again.operations()[0] == ([note(1), note(3)] if cut > 1 else [note(1), note(2), note(3)])
    again.close()


def test_a_damaged_line_costs_only_itself_and_is_counted(path: Path) -> None:
    journal = Journal(path, reserve_bytes=4096)
    journal.append([note(1), note(2), note(3)])
    raw = bytearray(journal.path.read_bytes())
    raw[raw.index(b'"id":"2"') + 6] ^= 1
    journal.path.write_bytes(raw)
    assert journal.operations() == ([note(1), note(3)], 1)
    journal.close()


def test_a_journal_that_could_not_all_be_used_is_kept(path: Path) -> None:
    journal = Journal(path, reserve_bytes=4096)
    journal.append([Operation("readings", ({"run": "nobody-knows"},)), note(1)])
    journal.close()
    open_writer(path).close()
    assert not journal.path.exists()
    assert b"nobody-knows" in path.with_name("record.db.journal.1").read_bytes()
