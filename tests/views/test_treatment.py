"""What a person and a program are told of hardening and tempering: words in their units, JSON, a picture, cautions."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from logger.remark import Remark
from logger.review import review_trace
from logger.situation import Situation
from logger.units import DisplayUnits
from logger.views.cautions import CAUTIONS, Moment
from logger.views.contract import review_object
from logger.views.plots import draw_run
from logger.views.run_views import review_of, run_view_of
from logger.views.text import review_text
from logger.views.treatment_words import cautions_for, treatment_lines

STRAP = """
name = "Strap"
[piece]
shape = "plate"
thickness_mm = 6
carbon_wt_pct = 0.05
alloy_wt_pct = { Mn = 0.05 }
[pack]
recipe = "energised charcoal"
"""
CARBURIZED = [(0.0, 20.0), (90.0, 925.0), (330.0, 925.0), (335.0, 800.0), (345.0, 800.0)]
QUENCHED = [*CARBURIZED, (345.2, 60.0), (360.0, 25.0)]
TEMPERED = [*QUENCHED, (380.0, 205.0), (440.0, 205.0)]


def reviewed(folder: Path, sheet: str, corners: list[tuple[float, float]]) -> Situation:
    at_min, at_C = (np.array(each) for each in zip(*corners, strict=True))
    time_s = np.arange(0.0, 60.0 * at_min[-1], 10.0)
    rows = zip(time_s, np.interp(time_s, 60.0 * at_min, at_C), strict=True)
    (folder / "trace.csv").write_text("time_s,steel_C\n" + "\n".join(f"{t:.0f},{T:.2f}" for t, T in rows))
    (folder / "sheet.toml").write_text(sheet)
    return review_trace(folder / "trace.csv", folder / "sheet.toml")


@pytest.fixture(scope="module")
def tempered(tmp_path_factory: pytest.TempPathFactory) -> Situation:
    sheet = STRAP + '[quench]\nbath = "brine"\n[[target]]\nquantity = "hardness"\nreach_HRC = 58\n'
    return reviewed(tmp_path_factory.mktemp("tempered"), sheet, TEMPERED)


@pytest.fixture(scope="module")
def quenched(tmp_path_factory: pytest.TempPathFactory) -> Situation:
    return reviewed(tmp_path_factory.mktemp("quenched"), STRAP, QUENCHED)


@pytest.fixture(scope="module")
def carburized(tmp_path_factory: pytest.TempPathFactory) -> Situation:
    return reviewed(tmp_path_factory.mktemp("carburized"), STRAP, [*CARBURIZED[:3], (700.0, 100.0)])


def test_a_review_that_ends_in_a_temper_tells_the_equal_temper_and_the_hardness_with_its_band(
    tempered: Situation,
) -> None:
    text = review_text(review_of(tempered))
    for words in ("Same as one temper of", "Hardness expected", "Tempered", "as quenched", "at the face"):
        assert words in text
    assert "seen in the log; brine" in text
    assert "Temper still to do" in text
    assert "To 58 HRC" in text


def test_the_same_review_in_fahrenheit_and_inches_has_no_celsius_and_no_millimetre_in_it(tempered: Situation) -> None:
    sheet = replace(tempered.problem.sheet, display=DisplayUnits("F", "in"))
    other = replace(tempered, problem=replace(tempered.problem, sheet=sheet))
    lines = treatment_lines(other)
    told = " ".join([*(" ".join(row) for row in (*lines.hardening, *lines.ahead)), *lines.advice, *lines.heats])
    assert " mm" not in told
    assert not any(f"{digit} C" in told.replace(" % C", "") for digit in range(10))
    assert " F" in told


def test_programs_get_the_section_the_baths_the_heats_and_the_bands(tempered: Situation) -> None:
    whole = json.loads(json.dumps(review_object(tempered), allow_nan=False))
    hardening, band = whole["hardening"], whole["band"]["hardening"]
    assert hardening["quench_known"] == "seen in the log"
    assert hardening["quench_C"] == pytest.approx(800.0, abs=3.0)
    section = hardening["section"]
    sizes = {len(values) for values in section.values()}
    assert sizes == {len(section["depth_mm"])}
    assert section["tempered_HRC"][0] < section["as_quenched_HRC"][0]
    assert [answer["bath"] for answer in hardening["baths"]] == ["brine"]
    assert hardening["heats"]["quench_sound"] is True
    low, middle, high = band["tempered_surface_HRC"]
    assert low < middle < high
    assert low < hardening["tempered_surface_HRC"] < high
    assert hardening["temper_ahead"][0]["wanted"] == 58.0


def test_a_run_that_neither_hardens_nor_tempers_has_no_such_part(tmp_path: Path) -> None:
    sheet = '[piece]\nshape = "plate"\nthickness_mm = 4\ncarbon_wt_pct = 0.8\n'
    found = reviewed(tmp_path, sheet, [(0.0, 20.0), (30.0, 60.0)])
    assert review_object(found)["hardening"] is None
    assert "Hardening" not in review_text(review_of(found))


def test_the_picture_has_the_section_with_both_bands(tempered: Situation) -> None:
    view = run_view_of(tempered)
    assert view.section is not None
    assert view.section.tempered_band_HRC is not None
    assert view.section.quenched_band_HRC is not None
    figure = draw_run(view, DisplayUnits())
    headings = [words.get_text() for axes in figure.axes for words in axes.texts]
    assert "Hardness across the section" in headings


def test_before_a_quench_the_fire_is_spoken_of_and_after_it_the_temper(
    carburized: Situation, quenched: Situation, tempered: Situation
) -> None:
    assert cautions_for(carburized.estimate) == (Moment.QUENCHING,)
    assert "Oil can catch fire" in review_text(review_of(carburized))
    assert cautions_for(quenched.estimate) == (Moment.AFTER_QUENCH,)
    assert "Temper at once" in review_text(review_of(quenched)).replace("\n", " ")
    assert cautions_for(tempered.estimate) == ()


def test_water_and_brine_have_their_own_caution_and_cooling_on_too(tmp_path: Path) -> None:
    strong = STRAP.replace('recipe = "energised charcoal"', "carbon_potential_wt_pct = 1.25")
    sheet = strong + '[quench]\nbath = "brine"\nfrom_C = 940\n'
    found = reviewed(tmp_path, sheet, [*CARBURIZED[:3], (700.0, 100.0)])
    # 1.2 % C in solution: martensite starts at about 110 C, so 0.39 of it stays (Koistinen and Marburger 1959).
    assert cautions_for(found.estimate) == (Moment.QUENCHING_IN_WATER, Moment.COOLING_ON)
    text = review_text(review_of(found)).replace("\n", " ")
    assert CAUTIONS[Moment.QUENCHING_IN_WATER] in text
    assert "soft for retained austenite" in text.replace("Soft", "soft")


def test_a_remark_is_said_in_any_units_and_compares_by_what_it_says() -> None:
    words = "from {low_K}, {deep_m} deep, falling {fall_K_per_s}"
    remark = Remark(words, low_K=1088.706, deep_m=0.00127, fall_K_per_s=60.0)
    assert str(remark) == "from 816 C, 1.27 mm deep, falling 60 C/s"
    assert remark.said(DisplayUnits("F", "in")) == "from 1500 F, 0.050 in deep, falling 108 F/s"
    again = Remark(words, low_K=1088.706, deep_m=0.00127, fall_K_per_s=60.0)
    assert remark == again
    assert hash(remark) == hash(again)
