"""What views show of a reviewed trace is what the estimate and the JSON object say of it."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from logger.alert import AlertEvent, Phase
from logger.alert_rules import AlertKind, Severity
from logger.estimate import estimate
from logger.history import History
from logger.review import review_trace
from logger.sheet import RunSheet
from logger.sheet_parts import Canister, Pack, Piece, Shape
from logger.situation import Situation
from logger.units import DisplayUnits, kelvin_from_celsius, millimetres_from_metres
from logger.views.contract import review_object
from logger.views.run_views import review_of, run_view_of, snapshot_of
from logger.views.snapshot import facts, headline
from logger.views.text import review_text

SHEET = """
[piece]
shape = "plate"
thickness_mm = 6.0
carbon_wt_pct = 0.10
[pack]
carbon_potential_wt_pct = 1.10
mass_transfer_m_per_s = 2.0e-7
[canister]
sensor = "inside"
[[target]]
quantity = "case depth"
at_carbon_wt_pct = 0.40
reach_mm = 0.3
"""


@pytest.fixture(scope="module")
def situation(tmp_path_factory: pytest.TempPathFactory) -> Situation:
    """An invented heat: up to 927 C in an hour, three hours there, no dates in the trace."""
    folder: Path = tmp_path_factory.mktemp("trace")
    time_s = np.arange(0.0, 4.0 * 3600.0 + 1.0, 60.0)
    temperature_C = np.interp(time_s, [0.0, 3600.0], [20.0, 927.0])
    rows = [f"{at:.0f},{value:.1f}" for at, value in zip(time_s, temperature_C, strict=True)]
    (folder / "trace.csv").write_text("\n".join(["time_s,load_C", *rows]) + "\n")
    (folder / "sheet.toml").write_text(SHEET)
    return review_trace(folder / "trace.csv", folder / "sheet.toml")


def test_the_numbers_in_words_are_those_of_the_json_object(situation: Situation) -> None:
    said, now = review_object(situation), snapshot_of(situation)
    shown = {fact.label: fact.value for fact in facts(now)}
    carbon, thermal = said["carbon"], said["thermal"]
    assert shown["Case depth to 0.40 % C"] == f"{carbon['case_depth_mm']['0.40']:.2f} mm"
    assert shown["Surface and core"] == f"{carbon['surface_wt_pct']:.2f} and {carbon['core_wt_pct']:.2f} % C"
    assert shown["Equivalent time"] == f"{thermal['equivalent_time_h']:.2f} h"
    assert shown["Hottest"] == f"{thermal['peak_C']:.0f} C"
    assert now.aims[0].reached_at_s == pytest.approx(said["targets"][0]["reached_at_s"])


def test_the_pictures_show_the_profile_and_the_depth_of_the_json_object(situation: Situation) -> None:
    said, view = review_object(situation)["carbon"], run_view_of(situation)
    assert view.profile is not None
    assert view.depth is not None
    profile = view.profile.curves[0]
    assert millimetres_from_metres(profile.depth_m) == pytest.approx(
        said["profile"]["depth_mm"], abs=1e-6
    )  # as printed
    assert profile.carbon_wt_pct == pytest.approx(said["profile"]["carbon_wt_pct"], abs=1e-6)
    assert view.profile.case_depth_m == pytest.approx(said["case_depth_mm"]["0.40"] / 1000.0)
    assert view.depth.depth_m[-1] == pytest.approx(said["case_depth_mm"]["0.40"] / 1000.0, rel=0.05)


def test_a_value_that_has_left_an_older_band_is_not_shown_with_it(situation: Situation) -> None:
    bands, last_s = situation.bands, situation.last_good_s
    assert bands is not None
    assert last_s is not None
    depths = dict.fromkeys(bands.carbon.case_depth_m, (0.0, 0.0, 1e-05))
    small = replace(bands, carbon=replace(bands.carbon, case_depth_m=depths))
    fresh = snapshot_of(replace(situation, bands=replace(small, time_s=last_s)))
    old = snapshot_of(replace(situation, bands=replace(small, time_s=last_s - 900.0)))
    still_true = snapshot_of(replace(situation, bands=replace(bands, time_s=last_s - 900.0)))
    shown = [now.carbon.cases[0].band_m for now in (fresh, old, still_true) if now.carbon is not None]
    assert shown[0] == (0.0, 1e-5)
    assert shown[1] is None
    assert shown[2] is not None


def test_a_trace_without_dates_is_never_given_any(situation: Situation) -> None:
    assert situation.now_utc_s is None
    assert "0.30 mm reached after 1 h 55 min" in headline(snapshot_of(situation))
    text = review_text(review_of(situation))
    assert "The wall clock is not known" in text
    assert "1970" not in text


def test_the_other_units_change_every_number_in_words(situation: Situation) -> None:
    sheet = replace(situation.problem.sheet, display=DisplayUnits("F", "in"))
    text = review_text(review_of(replace(situation, problem=replace(situation.problem, sheet=sheet))))
    assert "hottest 1701 F" in text
    assert " mm" not in text.split("Rests on")[0]


def test_marks_say_what_happened_to_what_and_leave_out_what_is_no_part_of_the_heat(situation: Situation) -> None:
    def event(kind: AlertKind, title: str, message: str) -> AlertEvent:
        return AlertEvent(kind, "", 1, Phase.RAISED, 9_000.0, Severity.WARNING, title, message, "")

    events = (
        event(AlertKind.TARGET_SOON, "Target soon", "In about 14 min."),
        event(AlertKind.TARGET_REACHED, "Target reached", "case depth to 0.40 % C."),
        event(AlertKind.SOAK_STARTED, "Soak started", "Soak started."),
        event(AlertKind.RUN_ENDED, "Run ended", "The time asked for was over."),
    )
    marks = run_view_of(replace(situation, alert_events=events)).temperature.marks
    assert [mark.words for mark in marks] == ["Target reached: case depth to 0.40 % C", "Soak started"]


def test_the_depth_band_holds_its_line_and_stays_inside_the_section() -> None:
    """A section carbon has gone through has no deeper case to be unsure of."""
    time_s = np.arange(0.0, 9.0 * 3600.0, 60.0)
    history = History("steel", time_s, np.full(time_s.size, kelvin_from_celsius(1100.0)), 60.0)
    sheet = RunSheet(
        Piece(Shape.PLATE, 0.002, 0.10),
        pack=Pack(carbon_activity=1.0, mass_transfer_m_per_s=2e-7),
        canister=Canister(sensor="inside"),
    )
    problem = estimate.problem_from_sheet(sheet)
    state = estimate.over_history(problem, history)
    situation = Situation(
        oven="",
        run="",
        name="",
        problem=problem,
        state=state,
        estimate=estimate.at_end(problem, state),
        statuses=(),
        now_s=float(time_s[-1]),
        now_utc_s=None,
        last_good_s=float(time_s[-1]),
    )
    depth = run_view_of(situation).depth
    assert depth is not None
    assert depth.band_m is not None
    low_m, high_m = depth.band_m
    assert np.all(low_m <= depth.depth_m)
    assert np.all(depth.depth_m <= high_m)
    assert high_m.max() <= 0.001 + 1e-12
    assert np.any(high_m > low_m)
