"""Records as every earlier schema wrote them: brought up to date, reported on, exported and imported to the last digit.

Each ``schemas/*.sql`` is a dump of a small record of that time, one invented heat; they are never edited.
"""

import sqlite3
from datetime import UTC
from pathlib import Path

import pytest
from click.testing import CliRunner

from logger.command import main
from logger.record import RecordReader, RecordWriter
from logger.record_export import export_run, import_run
from logger.review import review_run
from logger.views.contract import review_object
from logger.views.report import report_of
from logger.views.report_html import report_html
from logger.views.report_pdf import report_pdf
from logger.views.report_pictures import panels
from logger.views.run_views import run_view_of

SCHEMAS = sorted((Path(__file__).parent / "schemas").glob("*.sql"))
RUN = "2026-03-14-a"


@pytest.fixture(params=SCHEMAS, ids=[file.stem for file in SCHEMAS])
def record(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """A record as it was then, opened once by the present version."""
    file = tmp_path / "record.db"
    db = sqlite3.connect(file)
    db.executescript(request.param.read_text(encoding="utf-8"))
    db.close()
    RecordWriter(file).close()
    return file


def test_there_is_a_record_of_more_than_one_schema() -> None:
    assert len(SCHEMAS) >= 2


def test_an_old_record_has_its_report(record: Path) -> None:
    situation = review_run(record, RUN)
    numbers = review_object(situation)
    assert numbers["thermal"]["peak_C"] == pytest.approx(925.0, abs=3.0)
    assert numbers["carbon"]["case_depth_mm"]["0.40"] > 0.3
    assert [note["text"] for note in numbers["notes"]] == ["turned the can, über Nacht"]
    report = report_of(situation, UTC)
    drawn = panels(run_view_of(situation, UTC), report.units)
    assert "turned the can, über Nacht" in report_html(report, drawn)
    assert report_pdf(report, drawn).startswith(b"%PDF-")


def test_an_old_record_goes_out_and_comes_back_to_the_last_digit(record: Path, tmp_path: Path) -> None:
    with RecordReader(record) as reader:
        before = repr((list(reader.readings(RUN)), reader.operations(RUN)))
        exported = export_run(reader, RUN, tmp_path)
    with RecordWriter(tmp_path / "copy.db") as writer, RecordReader(tmp_path / "copy.db") as reader:
        assert import_run(writer, reader, exported.table) == RUN
        assert repr((list(reader.readings(RUN)), reader.operations(RUN))) == before


def test_an_old_record_is_listed_and_searched(record: Path) -> None:
    def listed(*words: str) -> str:
        return CliRunner().invoke(main, ["runs", "--record", str(record), *words]).output

    assert RUN in listed()
    assert "927 C" in listed() or "925 C" in listed()
    assert RUN in listed("--find", "BARN nacht")
    assert RUN not in listed("--find", "barn morning")
    assert "No such run." in listed("--oven", "elsewhere")
