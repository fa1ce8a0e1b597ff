"""Forty minutes without readings in the middle of the soak: marked, bracketed, wider; the same live and on review."""

import json
from collections.abc import Iterator
from concurrent.futures import Executor, Future
from math import isfinite
from pathlib import Path
from typing import Any

import pytest

from logger.reading import Quality
from logger.record import RecordWriter
from logger.review import review_run
from logger.views.contract import review_object
from logger.views.plots import draw_run
from logger.views.run_views import review_of, run_view_of
from logger.views.text import review_text
from tests.whole.fed_watch import EVERY_S, SHEET, FedWatch

pytestmark = pytest.mark.slow

MODELLED = SHEET.replace('sensor = "inside"', 'sensor = "oven"\nouter_mm = 60')


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[RecordWriter]:
    with RecordWriter(tmp_path / "record.db") as writer:
        yield writer


class Idle(Executor):
    """A worker that never gets to it: the watch does not wait for its outlook."""

    def submit(self, task: object, /, *asked: object, **named: object) -> Future[object]:  # type: ignore[override]
        return Future()


def watched(folder: Path, writer: RecordWriter, sheet_text: str, hole: str) -> FedWatch:
    heat = FedWatch(folder, writer, Idle(), sheet_text)
    heat.feed(150)
    if hole == "nothing answers":
        heat.miss(40)
    elif hole == "sensor fault":
        heat.feed(40, Quality.SENSOR_OPEN)
    else:
        heat.feed(40)
    heat.feed(110)
    heat.watch.end("test")
    return heat


def contract(heat: FedWatch) -> dict[str, Any]:
    return review_object(heat.watch.now())


@pytest.mark.parametrize("hole", ["nothing answers", "sensor fault"])
@pytest.mark.parametrize("sheet_text", [SHEET, MODELLED], ids=["measured inside", "modelled"])
def test_a_hole_is_marked_bracketed_and_widens_the_band_the_same_live_and_on_review(
    tmp_path: Path, writer: RecordWriter, sheet_text: str, hole: str
) -> None:
    heat = watched(tmp_path, writer, sheet_text, hole)
    live = contract(heat)
    reviewed = review_object(review_run(heat.record, heat.watch.run, anew=True))
    for part in ("thermal", "carbon", "targets", "warnings", "band", "drivers", "gap_cases"):
        assert json.dumps(live[part]) == json.dumps(reviewed[part]), part

    (gap,) = live["thermal"]["gaps"]
    assert (gap["bridged"], gap["open"]) == (False, False)
    assert gap["end_s"] - gap["start_s"] == 41 * EVERY_S
    assert gap["low_C"] < 900.0
    assert gap["high_C"] >= 940.0
    off, on = live["gap_cases"]["oven_off"], live["gap_cases"]["oven_kept_on"]
    for key, nominal in (
        ("equivalent_time_h", live["thermal"]["equivalent_time_h"]),
        ("at_heat_inside_h", live["thermal"]["at_heat_inside_h"]),
        ("mean_wt_pct", live["carbon"]["mean_wt_pct"]),
    ):
        assert off[key] < nominal
        assert nominal <= on[key] + 1e-3 * nominal
    assert off["case_depth_mm"]["0.40"] < live["carbon"]["case_depth_mm"]["0.40"]

    whole = contract(watched(tmp_path, writer, sheet_text, "none"))
    assert whole["gap_cases"] is None
    assert whole["thermal"]["gaps"] == []
    for path in (("thermal", "equivalent_time_h"), ("carbon", "mean_wt_pct"), ("thermal", "at_heat_inside_h")):
        (low, _, high), (whole_low, _, whole_high) = (one["band"][path[0]][path[1]] for one in (live, whole))
        assert high - low > 1.05 * (whole_high - whole_low), path
        assert low < whole_low


def test_a_hole_is_said_and_drawn(tmp_path: Path, writer: RecordWriter) -> None:
    heat = watched(tmp_path, writer, MODELLED, "nothing answers")
    situation = review_run(heat.record, heat.watch.run)
    words = review_text(review_of(situation))
    for said in ("41 min; the oven was somewhere in", "oven off", "straight across", "oven kept on"):
        assert said in words
    view = run_view_of(situation)
    (gap,) = view.temperature.gaps
    assert gap.between is not None
    time_s, low_K, high_K = gap.between
    assert (low_K <= high_K).all()
    assert low_K.min() < 1173.0
    assert time_s[0] > gap.from_s
    axes = draw_run(view, situation.problem.sheet.display).axes[0]
    for drawn in axes.get_lines():
        if drawn.get_linestyle() == "-" and drawn.get_linewidth() > 1.5 and len(drawn.get_xdata()) > 20:
            x, y = drawn.get_xdata(), drawn.get_ydata()
            crossing = [
                (a, b)
                for a, b, p, q in zip(x[:-1], x[1:], y[:-1], y[1:], strict=True)
                if a <= gap.from_s + 1 and b >= gap.to_s - 1 and isfinite(p) and isfinite(q)
            ]
            assert crossing == []  # no solid line over what nobody read


def test_a_hole_that_hides_nothing_is_marked_but_changes_no_number(tmp_path: Path, writer: RecordWriter) -> None:
    heat = FedWatch(tmp_path, writer, Idle(), SHEET)
    heat.feed(6)
    heat.miss(8)  # the oven is hardly warm yet
    heat.feed(150)
    heat.watch.end("test")
    situation = review_run(heat.record, heat.watch.run)
    review = review_of(situation)
    assert len(review.gaps) == 1
    assert review.gap_cases == ()
    cases = contract(heat)["gap_cases"]
    assert cases["oven_off"]["equivalent_time_h"] == pytest.approx(cases["oven_kept_on"]["equivalent_time_h"], rel=1e-3)
