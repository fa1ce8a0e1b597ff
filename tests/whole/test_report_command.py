"""``soaktally report``: both kinds at once, the reader's units, and one line where it cannot be."""

import re
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from logger.command import main
from tests.views.recorded_runs import curve, put


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("report") / "record.db"
    put(file, replace(curve(hold_h=1.0), name="Strap for the report"))
    return file


def ask(record: Path, *words: str) -> Result:
    return CliRunner().invoke(main, ["report", "last", "--record", str(record), *words])


def test_one_review_gives_page_and_paper(record: Path, tmp_path: Path) -> None:
    page, paper = tmp_path / "strap.html", tmp_path / "strap.pdf"
    options = ("--paper", "Letter", "--temperature", "F", "--length", "in")
    answer = ask(record, "-o", str(page), "-o", str(paper), *options)
    assert answer.exit_code == 0, answer.output
    assert answer.output.splitlines() == [f"Report: {page}", f"Report: {paper}"]
    html = page.read_text(encoding="utf-8")
    assert "size: Letter" in html
    assert re.search(r">169\d F<", html)
    assert re.search(r">0\.0\d\d in<", html)
    assert paper.read_bytes().startswith(b"%PDF-")


def test_a_name_of_another_kind_is_a_fault(record: Path, tmp_path: Path) -> None:
    answer = ask(record, "-o", str(tmp_path / "strap.docx"))
    assert answer.exit_code == 2
    assert 'found ".docx", expected a name ending in .html or .pdf' in answer.output


def test_a_folder_that_is_not_there_is_told_in_one_line(record: Path, tmp_path: Path) -> None:
    answer = ask(record, "-o", str(tmp_path / "nowhere" / "strap.html"))
    assert answer.exit_code == 1
    assert "could not be written: no such file or directory" in answer.output
    assert len(answer.output.strip().splitlines()) == 1


def test_a_run_that_is_not_there_is_a_fault(record: Path) -> None:
    answer = CliRunner().invoke(main, ["report", "2020-01-01-a", "--record", str(record)])
    assert answer.exit_code == 2
    assert "no such run" in answer.output
