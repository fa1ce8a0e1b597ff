"""What a finished run came to is kept beside the record, and used only while it is what would be worked out anew."""

import json
import shutil
from concurrent.futures import Executor, Future
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from logger import worked_out
from logger.command import main
from logger.estimate import estimate
from logger.history import History
from logger.reading import Reading
from logger.record import RecordWriter
from logger.review import review_run
from logger.sheet_file import parse_sheet
from logger.thermocouple import Thermocouple
from logger.views.contract import review_object
from logger.worked_out import ReadingsSeen
from tests.whole.fed_watch import EVERY_S, SHEET, FedWatch

READINGS = 90


class Never(Executor):
    """A worker that never gets to it: nobody here looks ahead while the run goes on."""

    def submit(self, *asked: Any, **more: Any) -> Future[Any]:
        return Future()


def fed(folder: Path, writer: RecordWriter) -> FedWatch:
    heat = FedWatch(folder, writer, Never())
    heat.feed(READINGS)
    return heat


@pytest.fixture(scope="module")
def watched(tmp_path_factory: pytest.TempPathFactory) -> FedWatch:
    """A watched run that has ended, in a record nobody writes any more."""
    folder = tmp_path_factory.mktemp("watched")
    with RecordWriter(folder / "record.db") as writer:
        heat = fed(folder, writer)
        heat.watch.end("ended")
    return heat


@dataclass(frozen=True)
class Ended:
    """A copy of the record with the run that has ended."""

    record: Path
    run: str

    @property
    def file(self) -> Path:
        return worked_out.file_of(self.record, self.run)


@pytest.fixture
def heat(tmp_path: Path, watched: FedWatch) -> Ended:
    folder = tmp_path / "copy"
    shutil.copytree(watched.record.parent, folder)
    return Ended(folder / watched.record.name, watched.watch.run)


def reviewed(heat: Ended, **how: Any) -> str:
    return json.dumps(review_object(review_run(heat.record, heat.run, **how)))


@pytest.fixture
def lived_through(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """How many readings each history had that was worked out."""
    counted: list[int] = []
    really = estimate.over_history

    def over_history(problem: estimate.Problem, history: History) -> estimate.EstimateState:
        counted.append(len(history))
        return really(problem, history)

    monkeypatch.setattr(estimate, "over_history", over_history)
    return counted


def test_a_run_opens_as_the_watch_left_it_and_that_is_what_its_readings_come_to(
    heat: Ended, lived_through: list[int]
) -> None:
    as_kept = reviewed(heat)
    assert lived_through == []
    assert reviewed(heat, anew=True) == as_kept
    assert lived_through == [READINGS]


def test_the_line_along_the_run_and_its_bands_are_kept_to_the_last_bit(heat: Ended) -> None:
    as_kept, anew = (review_run(heat.record, heat.run, anew=anew).state for anew in (False, True))
    assert repr(as_kept.trail) == repr(anew.trail)
    assert repr(as_kept.band_trail) == repr(anew.band_trail)
    assert len(as_kept.trail) > 40
    assert len(as_kept.band_trail) > 2


def test_where_nothing_was_kept_the_first_review_keeps_it(heat: Ended, lived_through: list[int]) -> None:
    heat.file.unlink()
    first = reviewed(heat)
    assert reviewed(heat) == first
    assert lived_through == [READINGS]


def spoil_a_reading(heat: Ended, monkeypatch: pytest.MonkeyPatch) -> None:
    with RecordWriter(heat.record) as writer:
        time_s = EVERY_S * READINGS
        writer.append_readings(heat.run, [Reading("air", time_s, 1_795_600_800.0 + time_s, 1213.0)])


def spoil_the_software(heat: Ended, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(worked_out, "_VERSIONS", {**worked_out._VERSIONS, "data": "another"})


def spoil_a_letter(heat: Ended, monkeypatch: pytest.MonkeyPatch) -> None:
    file = heat.file
    whole = bytearray(file.read_bytes())
    whole[-40] ^= 1
    file.write_bytes(whole)


def spoil_the_end(heat: Ended, monkeypatch: pytest.MonkeyPatch) -> None:
    file = heat.file
    file.write_bytes(file.read_bytes()[:-100])


def spoil_it_all(heat: Ended, monkeypatch: pytest.MonkeyPatch) -> None:
    heat.file.write_bytes(b"\xff\n{}")


@pytest.mark.parametrize(
    "spoil",
    [spoil_a_reading, spoil_the_software, spoil_a_letter, spoil_the_end, spoil_it_all],
    ids=lambda one: one.__name__,
)
def test_what_is_not_of_the_same_readings_and_software_or_not_whole_is_worked_out_anew_and_kept_anew(
    heat: Ended, lived_through: list[int], monkeypatch: pytest.MonkeyPatch, spoil: Any
) -> None:
    spoil(heat, monkeypatch)
    anew = reviewed(heat)
    assert len(lived_through) == 1
    assert reviewed(heat) == anew
    assert len(lived_through) == 1


def test_another_sheet_is_worked_out_and_leaves_what_was_kept(
    heat: Ended, tmp_path: Path, lived_through: list[int]
) -> None:
    before = reviewed(heat)
    thicker = tmp_path / "thicker.toml"
    thicker.write_text(SHEET.replace("thickness_mm = 6", "thickness_mm = 8"), encoding="utf-8")
    assert reviewed(heat, sheet_file=thicker) != before
    assert len(lived_through) == 1
    assert reviewed(heat) == before
    assert len(lived_through) == 1


def test_where_nothing_can_be_written_it_is_worked_out_each_time(heat: Ended, lived_through: list[int]) -> None:
    file = heat.file
    file.unlink()
    file.parent.rmdir()
    file.parent.write_text("in the way", encoding="utf-8")
    assert reviewed(heat) == reviewed(heat)
    assert len(lived_through) == 2
    assert file.parent.read_text(encoding="utf-8") == "in the way"


def test_a_run_that_goes_on_is_not_kept(tmp_path: Path, lived_through: list[int]) -> None:
    with RecordWriter(tmp_path / "record.db") as writer:
        fed_so_far = fed(tmp_path, writer)
        heat = Ended(fed_so_far.record, fed_so_far.watch.run)
        assert reviewed(heat) == reviewed(heat)
    assert len(lived_through) == 2
    assert not heat.file.exists()


def test_nothing_is_kept_of_readings_the_estimate_could_not_use(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with RecordWriter(tmp_path / "record.db") as writer:
        heat = fed(tmp_path, writer)
        with monkeypatch.context() as broken:
            broken.setattr(estimate, "advance", lambda *_: 1 / 0)
            heat.feed(1)
        heat.watch.end("ended")
    assert not worked_out.file_of(heat.record, heat.watch.run).exists()


def test_what_was_kept_cannot_be_gone_on_from_and_says_so(heat: Ended) -> None:
    as_kept = review_run(heat.record, heat.run)
    with pytest.raises(ValueError, match="left out"):
        estimate.members_now(as_kept.problem, as_kept.state)


def test_a_what_if_of_a_finished_run_has_its_bands_all_the_same(heat: Ended) -> None:
    asked = CliRunner().invoke(main, ["what-if", heat.run, "--record", str(heat.record), "--json"])
    assert asked.exit_code == 0, asked.output
    for answer in json.loads(asked.output)["answers"]:
        low, middle, high = answer["band"]["carbon"]["surface_wt_pct"]
        assert low < middle < high


def test_the_readings_digest_is_the_same_however_they_are_cut_and_another_for_the_last_bit() -> None:
    time_s, temperature_K = np.arange(6.0), np.array([300.0, np.nan, 301.0, 302.0, np.nan, 303.0])
    whole = History("air", time_s, temperature_K)
    cut = ReadingsSeen(whole.piece(0, 2), whole.piece(2, 3), whole.piece(3, 6))
    assert cut.hexdigest() == ReadingsSeen(whole).hexdigest()
    for changed in (np.nextafter(302.0, 400.0), np.nan):
        another = temperature_K.copy()
        another[3] = changed
        assert ReadingsSeen(History("air", time_s, another)).hexdigest() != cut.hexdigest()


def test_the_basis_changes_with_sheet_thermocouple_channel_interval_and_readings() -> None:
    sheet, couple = parse_sheet(SHEET, "strap.toml"), Thermocouple()
    thicker = parse_sheet(SHEET.replace("thickness_mm = 6", "thickness_mm = 6.000001"), "strap.toml")
    seen = ReadingsSeen(History("air", np.arange(2.0), np.array([300.0, 301.0])))
    bases = {
        worked_out.basis(sheet, couple, "air", 60.0, seen),
        worked_out.basis(thicker, couple, "air", 60.0, seen),
        worked_out.basis(sheet, Thermocouple(type="S"), "air", 60.0, seen),
        worked_out.basis(sheet, couple, "door", 60.0, seen),
        worked_out.basis(sheet, couple, "air", 30.0, seen),
        worked_out.basis(sheet, couple, "air", 60.0, ReadingsSeen()),
    }
    assert len(bases) == 6
    assert worked_out.basis(sheet, couple, "air", 60.0, seen) in bases
