"""A fitted lag written into a sheet: one block changes, every other byte stays."""

import os
import stat
from pathlib import Path

import pytest

from logger.errors import InputFault, OutsideFault
from logger.sheet_file import parse_sheet, read_sheet
from logger.sheet_lag import block_of, with_block, write_lag
from logger.sheet_parts import CanisterLag

LAG = CanisterLag(1.55, 1.14, 1.33, 0.17, 0.18, 0.48, (-0.2, 0.1, 0.3))
BLOCK = block_of(LAG, "run 7: misses 5.1 C (rms)")

SHEET = """\
# The bench canister.   Two trailing spaces:  
name = "straps"   # kept

[canister]
sensor = "oven"
outer_mm = 60   # measured with the lid on
wall_mm = 2

# the piece
[piece]
shape = "plate"
thickness_mm = 6
carbon_wt_pct = 0.1

[[target]]
quantity = "case depth"
at_carbon_wt_pct = 0.4
reach_mm = 0.5
"""  # noqa: W291


def test_a_lag_comes_after_its_canister_and_nothing_else_changes() -> None:
    changed = with_block("s.toml", SHEET, BLOCK)
    assert changed.replace("\n" + BLOCK + "\n", "", 1) == SHEET
    assert changed.index("wall_mm") < changed.index("[canister.lag]") < changed.index("# the piece")
    lag = parse_sheet(changed, "s.toml").canister.lag
    assert lag == LAG


def test_a_second_fit_replaces_the_first_and_keeps_what_a_person_wrote_beside_it() -> None:
    first = with_block("s.toml", SHEET, BLOCK).replace("[canister.lag]\n", "[canister.lag]\n# lid ground flat in May\n")
    second = with_block("s.toml", first, block_of(CanisterLag(0.9), "run 9: misses 3.0 C (rms)"))
    assert second.count("[canister.lag]") == 1
    assert "# lid ground flat in May" in second
    assert "run 7" not in second
    assert "run 9" in second
    assert with_block("s.toml", second, BLOCK) == first


@pytest.mark.parametrize("ending", ["", "\n", "\n\n", "\n# the end", "\n# the end\n"])
def test_a_canister_at_the_end_of_the_file(ending: str) -> None:
    text = '[piece]\nshape = "plate"\nthickness_mm = 6\ncarbon_wt_pct = 0.1\n[canister]\nouter_mm = 60' + ending
    changed = with_block("s.toml", text, BLOCK)
    assert changed.startswith(text.removesuffix(ending))
    assert changed.rstrip().endswith(ending.strip() or BLOCK.split("\n")[-1])
    assert parse_sheet(changed, "s.toml").canister.lag == LAG


def test_line_ends_of_another_system_stay() -> None:
    changed = with_block("s.toml", SHEET.replace("\n", "\r\n"), BLOCK)
    assert changed.count("\n") == changed.count("\r\n")
    assert changed.replace("\r\n", "\n") == with_block("s.toml", SHEET, BLOCK)


@pytest.mark.parametrize(
    ("canister", "told"),
    [
        (
            "[canister]\nouter_mm = 60\nlag = { conductivity = 1.2 }",
            "s.toml, line 7, canister.lag: found a lag without",
        ),
        ("[canister]\nouter_mm = 60\nlag.conductivity = 1.2", "s.toml, line 7, canister.lag: found a lag without"),
        ("canister = { outer_mm = 60 }", "s.toml, canister: found a canister written in a way"),
    ],
)
def test_a_canister_that_cannot_be_added_to_safely_is_told_and_left(canister: str, told: str) -> None:
    piece = '[piece]\nshape = "plate"\nthickness_mm = 6\ncarbon_wt_pct = 0.1\n'
    text = f"{piece}{canister}\n" if canister.startswith("[") else f"{canister}\n{piece}"
    with pytest.raises(InputFault) as refusal:
        with_block("s.toml", text, BLOCK)
    assert str(refusal.value).startswith(told)


def test_the_file_is_replaced_as_a_whole_with_its_rights(tmp_path: Path) -> None:
    path = tmp_path / "sheet.toml"
    path.write_bytes(b"\xef\xbb\xbf" + SHEET.encode())
    path.chmod(0o640)
    write_lag(path, LAG, "run 7")
    assert read_sheet(path).canister.lag == LAG
    assert path.read_bytes().startswith(b"\xef\xbb\xbf#")
    assert stat.S_IMODE(path.stat().st_mode) == 0o640
    assert os.listdir(tmp_path) == ["sheet.toml"]


def test_a_folder_that_cannot_be_written_costs_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "sheet.toml"
    path.write_text(SHEET, encoding="utf-8")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(OutsideFault, match="could not be written: No space left on device"):
        write_lag(path, LAG, "run 7")
    assert path.read_text(encoding="utf-8") == SHEET
    assert os.listdir(tmp_path) == ["sheet.toml"]


@pytest.mark.parametrize(
    ("written", "found"),
    [("[1.0, 0.2]", "a list of 2"), ('"high"', '"high"'), ('[0.1, "b", 0.2]', "a list"), ("0.3", "0.3")],
)
def test_a_correlation_that_is_not_three_numbers_is_told(written: str, found: str) -> None:
    text = with_block("s.toml", SHEET, BLOCK).replace("[-0.200, 0.100, 0.300]", written)
    with pytest.raises(InputFault) as refusal:
        parse_sheet(text, "s.toml")
    (fault,) = refusal.value.faults
    assert str(fault) == f"s.toml, line 17: canister.lag.correlation: found {found}, expected a list of three numbers"
