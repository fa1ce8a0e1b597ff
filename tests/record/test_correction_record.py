"""A new run uses the newest correction of its recipe and lot, says which, and keeps it; an old run stays as it was."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from logger.correction_record import CouponBook, CouponSteel, spark_line
from logger.correction_used import (
    CORRECTION_USED,
    corrected_as_recorded,
    corrected_for_new_run,
    correction_from_plain,
    plain_correction,
)
from logger.coupon import Kind
from logger.errors import InputFault
from logger.piece_ledger import Ledger, recorded_heat
from logger.piece_steps import Begin, HeatFor, HeatRun, HeatTyped
from logger.reading import Quality, Reading
from logger.record import RecordReader, RecordWriter, append_to_workbench
from logger.review import review_run
from logger.sheet_file import parse_sheet
from logger.sheet_parts import Correction, Shape, SurfaceKind
from logger.units import DisplayUnits
from logger.views.correction_text import sheet_table
from logger.views.piece_text import step_words

SHEET = """
[piece]
shape = "plate"
thickness_mm = 3.0
carbon_wt_pct = 0.05
iron_lot = "barn door"
[pack]
recipe = "energised charcoal"
[canister]
sensor = "inside"
"""
COUPON = CouponSteel(0.003, 0.05, {}, "barn door")


def begin(record: Path, started_utc_s: float, sheet: str = SHEET) -> str:
    """A recorded run of a sheet: 4 h at 930 C."""
    time_s = np.arange(0.0, 5.5 * 3600.0, 120.0)
    temperature_K = np.interp(time_s, [0.0, 1800.0, 4.5 * 3600.0, 5.5 * 3600.0], [300.0, 1203.15, 1203.15, 600.0])
    with RecordWriter(record) as writer:
        run = writer.begin_run(
            oven="left", channels=["load"], sheet_name="strap", sheet_text=sheet, started_utc_s=started_utc_s,
            software="test", poll_interval_s=120.0,
        )  # fmt: skip
        batch = [
            Reading("load", float(t), started_utc_s + float(t), float(T), Quality.GOOD, "x")
            for t, T in zip(time_s, temperature_K, strict=True)
        ]
        writer.append_readings(run, batch)
        correction = corrected_for_new_run(record, parse_sheet(sheet, "sheet")).correction
        if correction is not None:
            kept = {"correction": plain_correction(correction)}
            writer.append_event(CORRECTION_USED, "", utc_s=started_utc_s, run=run, detail=kept)
        writer.end_run(run, "ended", ended_utc_s=started_utc_s + 20_000.0)
    return run


@pytest.fixture
def record(tmp_path: Path) -> Path:
    return tmp_path / "record.db"


def weighed(book: CouponBook, run: str, gain_g: float) -> None:
    detail = {"before_kg": 0.0353, "after_kg": 0.0353 + gain_g / 1000.0, "area_m2": 3.0e-3, "words": "weighed"}
    book.enter(run, Kind.WEIGHT, COUPON, detail, utc_s=1.0, software="test", note="")


def test_a_correction_changes_the_next_run_and_no_earlier_one(record: Path) -> None:
    first = begin(record, 1.7e9)
    before = review_run(record, first)
    assert before.estimate.carbon is not None
    book = CouponBook(record, recorded_heat)
    weighed(book, first, 0.7 * 1e3 * before.estimate.carbon.gain_kg_per_m2 * 3.0e-3)
    again = review_run(record, first)
    assert again.problem.sheet.correction is None
    assert again.estimate.carbon is not None
    assert again.estimate.carbon.mean_wt_pct == before.estimate.carbon.mean_wt_pct
    second = begin(record, 1.7e9 + 90_000.0)
    corrected = review_run(record, second)
    assert corrected.problem.sheet.correction is not None
    assert corrected.problem.sheet.correction.recipe == "energised charcoal"
    assert corrected.problem.sheet.correction.iron_lot == "barn door"
    assert f"weighed (run {first})" in corrected.problem.sheet.correction.evidence
    assert corrected.estimate.carbon is not None
    assert corrected.estimate.carbon.gain_kg_per_m2 < 0.9 * before.estimate.carbon.gain_kg_per_m2
    # Asked to, the first run is looked at again by what was learned since; by itself it never is.
    since = review_run(record, first, as_learned_since=True)
    assert since.estimate.carbon is not None
    assert since.estimate.carbon.gain_kg_per_m2 == pytest.approx(corrected.estimate.carbon.gain_kg_per_m2, rel=1e-9)
    # Whatever is learned afterwards, the second run stays what it was watched with.
    weighed(book, first, 0.9 * 1e3 * before.estimate.carbon.gain_kg_per_m2 * 3.0e-3)
    assert review_run(record, second).problem.sheet.correction == corrected.problem.sheet.correction


def test_the_sheets_own_correction_goes_before_the_records(record: Path) -> None:
    run = begin(record, 1.7e9)
    weighed(CouponBook(record, recorded_heat), run, 0.1)
    own = Correction("energised charcoal", "", (0.0, 1.0, 0.0, 0.0), tuple(map(tuple, np.eye(4).tolist())))  # type: ignore[arg-type]
    sheet = replace(parse_sheet(SHEET, "sheet"), correction=own)
    assert corrected_for_new_run(record, sheet).correction == own
    with RecordReader(record) as reader:
        assert corrected_as_recorded(reader, run, sheet).correction == own


def test_a_withdrawn_measurement_teaches_nothing_any_more(record: Path) -> None:
    run = begin(record, 1.7e9)
    book = CouponBook(record, recorded_heat)
    weighed(book, run, 0.1)
    number = book.rows()[0].number
    book.withdraw(number, utc_s=2.0, software="test", note="wrong coupon")
    assert book.rows() == ()
    assert corrected_for_new_run(record, parse_sheet(SHEET, "sheet")).correction is None
    with pytest.raises(InputFault, match="no number"):
        book.withdraw(number, utc_s=3.0, software="test", note="")


def test_what_cannot_be_learned_from_is_not_entered(record: Path) -> None:
    run = begin(record, 1.7e9)
    book = CouponBook(record, recorded_heat)
    lighter = {"before_kg": 0.0353, "after_kg": 0.0350, "area_m2": 3.0e-3}
    no_criterion = {"depth_m": 8e-4}
    for kind, detail, words in (
        (Kind.WEIGHT, lighter, "weight gain: found 35 g after, 35.3 g before, expected more after than before"),
        (Kind.WEIGHT, {**lighter, "area_m2": 0.0}, "area: found 0 mm2"),
        (Kind.DEPTH, no_criterion, "depth: found no criterion"),
    ):
        with pytest.raises(InputFault, match=words):
            book.enter(run, kind, COUPON, detail, utc_s=1.0, software="test", note="")
    assert book.rows() == ()


def test_the_ledger_takes_a_heat_by_what_its_coupon_said(record: Path) -> None:
    run = begin(record, 1.7e9)
    book = CouponBook(record, recorded_heat)
    reviewed = review_run(record, run).estimate.carbon
    assert reviewed is not None
    weighed(book, run, 0.7 * 1e3 * reviewed.gain_kg_per_m2 * 3.0e-3)
    ledger = Ledger(record)
    gains = {}
    for name, corrected in (("as watched", False), ("corrected", True)):
        ledger.enter(name, Begin(Shape.PLATE, 0.003, 0.05), utc_s=0.0)
        state = ledger.enter(name, HeatRun(run), utc_s=0.0, corrected=corrected)
        assert state is not None
        gains[name] = float(state.gain_kg_per_m2[0]) / 2.0
    assert gains["as watched"] == pytest.approx(reviewed.gain_kg_per_m2, rel=0.01)
    assert gains["corrected"] < 0.9 * gains["as watched"]
    # What is learned later does not change a step that was entered.
    weighed(book, run, 1e3 * reviewed.gain_kg_per_m2 * 3.0e-3)
    assert Ledger(record).now("corrected").gain_kg_per_m2[0] / 2.0 == pytest.approx(gains["corrected"], rel=1e-12)
    # A heat typed in in the same pack goes by it too; in another it does not.
    typed = {}
    for recipe in ("energised charcoal", "plain charcoal"):
        ledger = Ledger(record)
        ledger.enter(recipe, Begin(Shape.PLATE, 0.003, 0.05), utc_s=0.0)
        ledger.enter(recipe, HeatTyped(HeatFor.CARBURIZE, 1203.15, 3600.0, SurfaceKind.PACK, recipe), utc_s=0.0)
        typed[recipe] = ledger.entries(recipe)[-1].step.correction  # type: ignore[union-attr]
    assert typed["energised charcoal"] is not None
    assert typed["plain charcoal"] is None


def test_a_pack_of_a_lot_goes_by_the_coupons_of_that_lot_else_by_those_of_no_lot(record: Path) -> None:
    def of_lot(lot: str) -> str:
        text = SHEET.replace("barn door", f"gate {lot}")
        return text.replace("[canister]", f'lot = "{lot}"\n[canister]')

    def recipe_for(lot: str) -> str | None:
        correction = corrected_for_new_run(record, parse_sheet(of_lot(lot), "sheet")).correction
        return None if correction is None else correction.recipe

    autumn = begin(record, 1.7e9, of_lot("autumn"))
    book = CouponBook(record, recorded_heat)
    detail = {"before_kg": 0.0353, "after_kg": 0.0354, "area_m2": 3.0e-3, "words": "weighed"}
    book.enter(autumn, Kind.WEIGHT, replace(COUPON, lot=""), detail, utc_s=1.0, software="test", note="")
    assert recipe_for("autumn") == "energised charcoal, lot autumn"
    assert recipe_for("spring") is None
    book.enter(begin(record, 1.71e9), Kind.WEIGHT, replace(COUPON, lot=""), detail, utc_s=2.0, software="test", note="")
    assert recipe_for("spring") == "energised charcoal"
    assert recipe_for("autumn") == "energised charcoal, lot autumn"
    # The table for a run sheet says it as well.
    learned = book.learned()
    assert learned is not None
    correction = learned.for_names("energised charcoal, lot autumn", "")
    assert correction is not None
    again = parse_sheet(f"{SHEET}\n{sheet_table(correction)}\n", "sheet").correction
    assert again is not None
    assert again.recipe == "energised charcoal, lot autumn"
    assert again.mean == pytest.approx(correction.mean)


def test_a_new_piece_of_a_lot_begins_with_the_carbon_its_coupons_found(record: Path) -> None:
    run = begin(record, 1.7e9)
    book = CouponBook(record, recorded_heat)
    # A thick coupon's middle, where nothing of the pack comes to: twice the carbon that was stated.
    thick = replace(COUPON, thickness_m=0.02)
    detail = {"carbon_wt_pct": 0.10, "depth_m": 0.0099, "within": 0.005, "words": "core analysed"}
    book.enter(run, Kind.CARBON, thick, detail, utc_s=1.0, software="test", note="")
    ledger = Ledger(record)

    def begun(name: str, step: Begin) -> Begin:
        ledger.enter(name, step, utc_s=0.0)
        entered = ledger.entries(name)[0].step
        assert isinstance(entered, Begin)
        return entered

    known = begun("known", Begin(Shape.PLATE, 0.003, 0.05, iron_lot="barn door"))
    assert known.carbon_wt_pct == pytest.approx(0.10, abs=0.01)
    assert known.stated_carbon_wt_pct == 0.05
    assert known.carbon_spread_wt_pct == pytest.approx(0.005, rel=0.2)
    assert "0.10 % C by coupons of its lot (0.05 stated)" in step_words(known, DisplayUnits())
    assert ledger.now("known").section.mean_wt_pct[0] == pytest.approx(known.carbon_wt_pct)
    for name, lot, within in (("measured", "barn door", 0.01), ("other", "gate", None), ("none", "", None)):
        plain = begun(name, Begin(Shape.PLATE, 0.003, 0.05, within, iron_lot=lot))
        assert plain.carbon_wt_pct == 0.05
        assert plain.stated_carbon_wt_pct is None
    # Its lot goes with it into heats that are typed in.
    ledger.enter("known", HeatTyped(HeatFor.FORGE, 1203.15, 3600.0), utc_s=0.0)
    step = ledger.entries("known")[-1].step
    assert isinstance(step, HeatTyped)
    assert step.correction is not None
    assert (step.correction.recipe, step.correction.iron_lot) == ("", "barn door")


def test_a_correction_comes_back_from_plain_values() -> None:
    correction = Correction("a", "b", (0.1, -0.2, 0.3, 0.4), tuple(map(tuple, np.eye(4).tolist())), ("x",), "id")  # type: ignore[arg-type]
    assert correction_from_plain(plain_correction(correction)) == correction
    with pytest.raises(InputFault, match="correction in the record"):
        correction_from_plain({"mean": [1.0]})


def test_a_spark_test_is_a_class_a_note_and_a_photo_and_never_a_number(record: Path) -> None:
    run = begin(record, 1.7e9)
    line = spark_line(
        run=run, piece=None, utc_s=1.0, spark_class=4, note="bushy", photo_name="a.jpg", photo_base64="eA=="
    )
    append_to_workbench(record, line)
    with RecordReader(record) as reader:
        (kept,) = reader.spark_tests()
        assert reader.newest_correction() is None
    assert (kept.run, kept.spark_class, kept.note, kept.photo_name) == (run, 4, "bushy", "a.jpg")
    with pytest.raises(InputFault, match="1 to 5"):
        spark_line(run=run, piece=None, utc_s=1.0, spark_class=6, note="", photo_name="", photo_base64="")
