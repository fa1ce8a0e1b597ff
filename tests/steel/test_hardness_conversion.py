"""Hardness conversion against every point of ASTM E140 Table 1."""

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.errors import OutOfRange
from logger.steel.hardness_conversion import reported_HRC, rockwell_HRC, vickers_HV

with (Path(__file__).parents[1] / "published" / "hardness_conversion.csv").open(encoding="utf-8") as lines:
    E140 = [(float(row["HRC"]), float(row["HV"])) for row in csv.DictReader(x for x in lines if x[0] != "#")]


def test_the_published_table_runs_from_20_to_68_HRC() -> None:
    assert len(E140) == 49


@pytest.mark.parametrize(("HRC", "HV"), E140)
def test_every_point_of_E140_both_ways(HRC: float, HV: float) -> None:
    assert float(vickers_HV(HRC)) == HV
    assert float(rockwell_HRC(HV)) == HRC


def test_the_usual_case_limit_of_550_HV_is_52_4_HRC() -> None:
    assert float(rockwell_HRC(550.0)) == pytest.approx(52.4, abs=0.05)


def test_converted_numbers_are_reported_whole() -> None:
    assert [reported_HRC(value) for value in (52.4, 52.5, 59.96)] == [52, 53, 60]


@given(st.floats(20.0, 68.0))
def test_there_and_back_is_the_same(HRC: float) -> None:
    assert float(rockwell_HRC(vickers_HV(HRC))) == pytest.approx(HRC, abs=1e-9)


@pytest.mark.parametrize(
    ("convert", "value", "message"),
    [
        (vickers_HV, 19.0, "hardness to convert to HV: found 19 HRC, expected 20 to 68 HRC"),
        (rockwell_HRC, 1000.0, "hardness to convert to HRC: found 1000 HV, expected 238 to 940 HV"),
        (rockwell_HRC, np.nan, "hardness to convert to HRC: found nan HV, expected 238 to 940 HV"),
    ],
)
def test_off_the_table_is_refused(convert, value: float, message: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(OutOfRange) as refusal:
        convert(np.array([300.0 if convert is rockwell_HRC else 30.0, value]))
    assert str(refusal.value) == f"{message} (ASTM E140 Table 1, non-austenitic steels)"
