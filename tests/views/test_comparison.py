"""Runs beside each other: the table is the contract's, other eyes change nothing in the record, moments line up."""

import hashlib
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from matplotlib.text import Text

from logger.alert_rules import AlertKind
from logger.command import main
from logger.errors import InputFault
from logger.review import review_run
from logger.views.comparison import compared, comparison_object, rows_of
from logger.views.comparison_picture import draw_comparison
from tests.views.recorded_runs import SHEET, alert, curve, put


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("compare")
    put(
        folder / "record.db",
        curve(hold_h=2.5),
        notes=("turned the can",),
        alerts=(alert(AlertKind.SOAK_STARTED, 5000.0),),
    )
    put(folder / "record.db", curve(hold_h=1.0, heating_s=1800.0), notes=("Turned the can again",))
    (folder / "thick.toml").write_text(SHEET.format(name="Thick strap").replace("4.0", "8.0"))
    return folder / "record.db"


def ask(record: Path, *words: str) -> Result:
    return CliRunner().invoke(main, ["compare", *words, "--record", str(record)])


def test_differences_are_those_of_the_runs_own_numbers(record: Path) -> None:
    answer = ask(record, "2026-03-14-a", "2026-03-14-b", "--json")
    assert answer.exit_code == 0, answer.output
    said = json.loads(answer.output)
    first, second = (run["review"] for run in said["runs"])
    by_name = {row["quantity"]: row for row in said["differences"]}
    depth = by_name["Case depth to 0.40 % C"]
    assert depth["values"] == [one["carbon"]["case_depth_mm"]["0.40"] for one in (first, second)]
    assert depth["more_than_first"] == [depth["values"][1] - depth["values"][0]]
    assert depth["more_than_first"][0] < 0.0
    soak = by_name["At heat inside"]
    assert soak["more_than_first"][0] == pytest.approx(-1.5, abs=0.02)
    assert soak["bands_apart"] == [True]


def test_every_run_is_said_in_the_units_of_the_first(record: Path) -> None:
    inches = record.parent / "inches.toml"
    inches.write_text(SHEET.format(name="Inches") + '\n[display]\ntemperature = "F"\nlength = "in"\n')
    said = ask(record, "last", f"last:{inches}").output
    assert said.count("hottest 927 C") == 2
    assert " F" not in said
    assert " in to 0.40" not in said
    turned = ask(record, f"last:{inches}", "last").output
    assert turned.count("hottest 1700 F") == 2


def test_the_table_says_one_difference_a_line(record: Path) -> None:
    answer = ask(record, "2026-03-14-a", "2026-03-14-b")
    line = next(line for line in answer.output.splitlines() if line.startswith("At heat inside"))
    assert line.split("  ")[0] == "At heat inside"
    assert "-1 h 30 min" in line


def test_other_eyes_leave_the_record_as_it_is(record: Path) -> None:
    before = hashlib.sha256(record.read_bytes()).hexdigest()
    answer = ask(record, "2026-03-14-a", f"2026-03-14-a:{record.parent / 'thick.toml'}", "--json")
    assert answer.exit_code == 0, answer.output
    assert hashlib.sha256(record.read_bytes()).hexdigest() == before
    own, other = (run["review"] for run in json.loads(answer.output)["runs"])
    assert (own["wanted"]["piece"]["size_mm"], other["wanted"]["piece"]["size_mm"]) == (4.0, 8.0)
    assert own["thermal"] == other["thermal"]
    assert other["carbon"]["core_wt_pct"] < own["carbon"]["core_wt_pct"]


@pytest.mark.parametrize("align", ["start", "soak", "mark"])
def test_runs_are_laid_over_each_other_at_the_moment_asked_for(record: Path, align: str) -> None:
    runs = [(run, review_run(record, run)) for run in ("2026-03-14-a", "2026-03-14-b")]
    both = compared(runs, align, "turned the CAN")  # type: ignore[arg-type]
    starts = [run.contract["thermal"]["soaks"][0]["start_s"] for run in both.runs]
    expected = {"start": [0.0, 0.0], "soak": starts, "mark": [900.0, 900.0]}[align]
    assert [run.align_s for run in both.runs] == expected
    axes = draw_comparison(both).axes[0]
    drawn = [line for line in axes.get_lines() if len(line.get_xdata()) > 20]
    assert [float(np.min(line.get_xdata())) for line in drawn] == [-at_s for at_s in expected]


def test_a_moment_that_a_run_does_not_have_is_one_fault_a_run(record: Path) -> None:
    runs = [("one", review_run(record, "2026-03-14-a"))] * 2
    with pytest.raises(InputFault, match="expected a note or an alert") as refusal:
        compared(runs, "mark", "never written")
    assert len(refusal.value.faults) == 2
    with pytest.raises(InputFault, match="at least two"):
        compared(runs[:1])


def test_runs_are_told_apart_without_colour(record: Path) -> None:
    runs = [(run, review_run(record, run)) for run in ("2026-03-14-a", "2026-03-14-b")]
    figure = draw_comparison(compared(runs))
    drawn = [line for line in figure.axes[0].get_lines() if len(line.get_xdata()) > 20]
    assert len({str(line.get_linestyle()) + str(line.get_linewidth()) for line in drawn}) == 2
    letters = [text.get_text() for text in figure.axes[0].findobj(Text)]
    assert {"A", "B"} <= set(letters)


def test_quantities_that_no_run_has_are_left_out(record: Path) -> None:
    runs = [(run, review_run(record, run)) for run in ("2026-03-14-a", "2026-03-14-b")]
    labels = [row.label for row in rows_of(compared(runs))]
    assert "Skin melted, deepest" not in labels
    assert "Hardness after the temper" not in labels
    assert comparison_object(compared(runs))["runs"][0]["letter"] == "A"


def test_runs_are_listed_by_the_name_and_in_the_unit_of_their_sheet(tmp_path: Path) -> None:
    sheet = f'{SHEET}\n[display]\ntemperature = "F"\n'
    put(tmp_path / "record.db", replace(curve(hold_h=0.3), name="Quarter inch", sheet=sheet))

    def listed(*words: str) -> str:
        return CliRunner().invoke(main, ["runs", "--record", str(tmp_path / "record.db"), *words]).output

    assert "1697 F" in listed()
    assert "Quarter inch" in listed()
    assert "925 C" in listed("--temperature", "C")
