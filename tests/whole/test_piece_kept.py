"""What a piece's heats came to is kept beside the record, and used only while it is what would be worked out anew."""

import json
import shutil
from pathlib import Path

import pytest

from logger import piece_ledger, worked_out
from logger.piece import PieceState
from logger.piece_ledger import Ledger
from logger.piece_steps import Begin, Grind, HeatFor, HeatRun, HeatTyped, Part, Quench, Stack, Undo
from logger.plain_values import of_plain, plain
from logger.reading import Reading
from logger.record import RecordWriter
from logger.sheet_parts import Bath, Shape
from logger.units import kelvin_from_celsius
from tests.whole.fed_watch import EVERY_S, FedWatch

READINGS = 90
FORGE = HeatTyped(HeatFor.FORGE, kelvin_from_celsius(1100.0), 600.0)


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A strap that went through a recorded heat, was ground, forged and laid on its like."""
    folder = tmp_path_factory.mktemp("bench")
    with RecordWriter(folder / "record.db") as writer:
        heat = FedWatch(folder, writer)
        heat.feed(READINGS)
        heat.watch.end("ended")
    ledger = Ledger(heat.record)
    for step in (Begin(Shape.PLATE, 0.006, 0.1, count=2), HeatRun(heat.watch.run), Grind(1e-4, 1e-4), FORGE):
        ledger.enter("strap", step, utc_s=1.0)
    ledger.enter("iron", Stack((Part("strap", 4), Part("strap", 4))), utc_s=2.0)
    ledger.enter("iron", FORGE, utc_s=3.0)
    return heat.record


@pytest.fixture
def record(tmp_path: Path, bench: Path) -> Path:
    """A copy of its record and of what was kept beside it."""
    shutil.copytree(bench.parent, tmp_path / "copy")
    return tmp_path / "copy" / bench.name


class Opened:
    """The ledger opened once more: every state in it, and which steps had to be worked out for them."""

    def __init__(self, record: Path) -> None:
        self.told: list[str] = []
        ledger = Ledger(record, self.told.append)
        self.states = json.dumps([plain(state) for name in ledger.pieces for _, state in ledger.states(name)])


def everything_anew(record: Path) -> Opened:
    for file in record.with_name("record-worked-out").glob("piece *"):
        file.unlink()
    return Opened(record)


def test_a_ledger_opens_as_it_was_left_and_that_is_what_its_steps_come_to(record: Path) -> None:
    as_kept = Opened(record)
    assert as_kept.told == []
    anew = everything_anew(record)
    assert [words.removeprefix("working out ") for words in anew.told] == [
        "strap, step 2",
        "strap, step 4",
        "iron, step 2",
    ]
    assert as_kept.states == anew.states
    assert Opened(record).told == []


def test_every_part_of_a_state_is_kept_to_the_last_bit(record: Path) -> None:
    ledger = Ledger(record)
    ledger.enter("iron", Quench(kelvin_from_celsius(800.0), Bath.BRINE), utc_s=4.0)
    state = ledger.now("iron")
    assert repr(of_plain(PieceState, plain(state))) == repr(state)


def test_other_software_other_readings_and_a_broken_file_are_worked_out_anew(
    record: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = worked_out.file_of(record, "piece strap 4")
    file.write_bytes(file.read_bytes()[:-1])
    assert Opened(record).told == ["working out strap, step 4"]
    with monkeypatch.context() as patch:
        patch.setattr(piece_ledger, "digest_with_pieces", lambda: "another")
        assert len(Opened(record).told) == 3
    assert len(Opened(record).told) == 3
    with RecordWriter(record) as writer:
        run, time_s = Ledger(record).entries("strap")[1].step.run, EVERY_S * READINGS
        writer.append_readings(run, [Reading("air", time_s, 1_795_600_800.0 + time_s, 1213.0)])
    assert len(Opened(record).told) == 3


def test_a_step_in_place_of_one_that_was_undone_is_not_taken_for_it(record: Path) -> None:
    ledger = Ledger(record)
    ledger.enter("iron", Undo(2), utc_s=5.0)
    ledger.enter("iron", HeatTyped(HeatFor.FORGE, kelvin_from_celsius(1150.0), 600.0), utc_s=6.0)
    assert Opened(record).states == everything_anew(record).states


def test_where_nothing_can_be_written_it_is_worked_out_each_time(record: Path) -> None:
    folder = record.with_name("record-worked-out")
    folder.rename(record.with_name("moved"))
    folder.write_text("in the way", encoding="utf-8")
    assert len(Opened(record).told) == 3
    assert len(Opened(record).told) == 3
