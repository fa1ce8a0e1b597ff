"""The bench writes beside a watch, makes a record where there is none, and brings an older one up to date."""

import sqlite3
from pathlib import Path

import pytest

from logger.errors import InputFault
from logger.piece_ledger import Ledger
from logger.piece_steps import Begin, Grind
from logger.record import RecordReader, RecordWriter
from logger.sheet_parts import Shape

STRAP = Begin(Shape.PLATE, 0.003, 0.05)


def test_a_piece_can_be_begun_before_any_heat_was_watched(tmp_path: Path) -> None:
    record = tmp_path / "record.db"
    Ledger(record).enter("strap", STRAP, utc_s=1.0)
    with RecordReader(record) as reader:
        assert [row.piece for row in reader.piece_steps()] == ["strap"]
    # A watch begins on that very record.
    with RecordWriter(record) as writer:
        run = writer.begin_run(
            oven="left", channels=["air"], sheet_name="", sheet_text="", started_utc_s=1.0, software="test",
            poll_interval_s=5.0,
        )  # fmt: skip
    with RecordReader(record) as reader:
        assert reader.run("last").id == run


def test_the_ledger_is_written_while_a_watch_writes_the_record(tmp_path: Path) -> None:
    record = tmp_path / "record.db"
    with RecordWriter(record) as writer:
        ledger = Ledger(record)
        ledger.enter("strap", STRAP, utc_s=1.0)
        writer.keep_setting("a", "b", utc_s=2.0)
        ledger.enter("strap", Grind(1e-4), utc_s=3.0)
        writer.keep_setting("a", "c", utc_s=4.0)
    assert Ledger(record).last_step("strap") == 2


def test_a_record_from_before_there_were_pieces_is_brought_up_to_date(tmp_path: Path) -> None:
    record = tmp_path / "record.db"
    RecordWriter(record).close()
    connection = sqlite3.connect(record)
    for table in ("piece_step", "measurement", "spark_test", "correction"):
        connection.execute(f"DROP TABLE {table}")
    connection.execute("DELETE FROM _sqlite_migrations WHERE name = 'pieces_and_measurements'")
    connection.commit()
    connection.close()
    with pytest.raises(InputFault, match="older version"):
        RecordReader(record)
    ledger = Ledger(record)
    ledger.enter("strap", STRAP, utc_s=1.0)
    assert Ledger(record).pieces == ("strap",)


def test_a_line_of_the_ledger_is_never_changed(tmp_path: Path) -> None:
    record = tmp_path / "record.db"
    Ledger(record).enter("strap", STRAP, utc_s=1.0)
    connection = sqlite3.connect(record)
    for words in ("UPDATE piece_step SET note = 'x'", "DELETE FROM piece_step"):
        with pytest.raises(sqlite3.IntegrityError, match="append-only"):
            connection.execute(words)
    connection.close()
