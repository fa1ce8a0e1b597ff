"""The notebook page runs as it stands, and what it hands out is what the review says."""

import re
from pathlib import Path

import matplotlib as mpl
import matplotlib.pyplot as plt
import numpy as np
import pytest

from logger.errors import InputFault
from logger.history import History
from logger.notebook import LoggedRun, changed, open_run, open_trace
from logger.units import fahrenheit_from_kelvin
from logger.views.contract import review_object
from tests.views.recorded_runs import curve, put

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "dashboards_demo" / "notebook.md"


def test_every_piece_of_code_on_the_page_runs(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(ROOT)
    mpl.use("agg")
    pieces = re.findall(r"```python\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)
    assert len(pieces) >= 7
    names: dict[str, object] = {}
    try:
        for piece in pieces:
            exec(compile(piece, str(PAGE), "exec"), names)
    finally:
        plt.close("all")
    said = capsys.readouterr().out
    assert re.search(r"oven 9[23]\d C at most; the steel was up to \d+ C behind", said)
    mean = dict(re.findall(r"^([\w ]+): core .*mean ([\d.]+)", said, re.MULTILINE))
    assert float(mean["3 mm"]) > float(mean["as it was"]) > float(mean["plain charcoal"])


@pytest.fixture(scope="module")
def heat(tmp_path_factory: pytest.TempPathFactory) -> LoggedRun:
    record = tmp_path_factory.mktemp("notebook") / "record.db"
    put(record, curve())
    return open_run(record)


def test_arrays_and_numbers_are_those_of_the_review(heat: LoggedRun) -> None:
    history: History = heat.situation.histories["inside"]
    time_s, inside_F = heat.channels("F")["inside"]
    np.testing.assert_array_equal(time_s, history.time_s)
    np.testing.assert_array_equal(inside_F, fahrenheit_from_kelvin(history.temperature_K))
    assert heat.numbers() == review_object(heat.situation)
    trail, depths = heat.trail(), heat.numbers()["carbon"]["case_depth_mm"]
    assert trail["case_depth_mm_0.40"][-1] == pytest.approx(depths["0.40"], rel=0.02)
    assert len({column.size for column in trail.values()}) == 1


def test_a_frame_has_a_row_for_each_moment_at_its_wall_clock(heat: LoggedRun) -> None:
    frame = heat.frame()
    time_s, inside_C = heat.channels()["inside"]
    assert list(frame.columns) == ["inside_C"]
    np.testing.assert_array_equal(frame["inside_C"].to_numpy(), inside_C)
    assert (frame.index[-1] - frame.index[0]).total_seconds() == time_s[-1] - time_s[0]
    assert str(frame.index[0]) == "2026-03-14 19:40:00+00:00"


def test_the_same_again_changes_one_line_and_leaves_the_run(heat: LoggedRun, tmp_path: Path) -> None:
    before = heat.numbers()
    thick = heat.again("thickness_mm = 8.0")
    assert thick.numbers()["wanted"]["piece"]["size_mm"] == 8.0
    assert thick.numbers()["thermal"] == before["thermal"]
    assert heat.numbers() == before
    file = tmp_path / "other.toml"
    file.write_text(thick.sheet)
    assert heat.again(sheet=file).numbers()["carbon"] == thick.numbers()["carbon"]


def test_again_without_a_change_is_the_very_same(heat: LoggedRun) -> None:
    assert heat.again().numbers() == heat.numbers()


@pytest.mark.parametrize("change", ["thickness 8 mm", "colour = 3", "reach_h = 3"])
def test_a_change_whose_line_is_not_to_be_found_is_a_fault(change: str, heat: LoggedRun) -> None:
    text = heat.sheet + "\n[[target]]\nquantity = 'soak time'\nreach_h = 4\n"
    with pytest.raises(InputFault, match="expected the key of one line"):
        changed(text, (change,))


def test_a_unit_in_a_key_may_change_with_its_line(heat: LoggedRun) -> None:
    assert 'thickness = "1/4 in"' in changed(heat.sheet, ('thickness = "1/4 in"',))
    assert "thickness_mm" not in changed(heat.sheet, ('thickness = "1/4 in"',))


def test_a_trace_opens_with_its_sheet_only(tmp_path: Path) -> None:
    with pytest.raises(InputFault, match="no such file"):
        open_trace(tmp_path / "none.csv", tmp_path / "none.toml")
