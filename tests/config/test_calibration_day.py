"""The day of a calibration on a run sheet: a TOML day or text, kept as ISO 8601; anything else is a fault."""

import pytest

from logger.errors import InputFault
from logger.sheet_file import parse_sheet
from logger.thermocouple import from_plain, plain

SHEET = """\
[piece]
shape = "plate"
thickness_mm = 4.0
carbon_wt_pct = 0.1

[thermocouple]
type = "N"
calibrated = {day}
"""


@pytest.mark.parametrize("day", ["2026-01-15", '"2026-01-15"'])
def test_a_day_is_kept_and_comes_back_out_of_the_record(day: str) -> None:
    couple = parse_sheet(SHEET.format(day=day), "sheet").thermocouple
    assert couple is not None
    assert couple.calibrated_on == "2026-01-15"
    assert from_plain(plain(couple)) == couple


@pytest.mark.parametrize("day", ['"last spring"', "15", '"2026-13-01"', "2026-01-15T08:00:00"])
def test_anything_else_is_a_fault_that_shows_how(day: str) -> None:
    with pytest.raises(InputFault, match="expected a day such as 2026-01-15"):
        parse_sheet(SHEET.format(day=day), "sheet")


def test_a_record_from_before_there_was_a_day_reads_as_one_without() -> None:
    kept = {"type": "K", "tolerance": "standard", "reading_K": [], "add_K": [], "sheathed": True}
    assert from_plain(kept).calibrated_on == ""
