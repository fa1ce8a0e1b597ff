"""``soaktally plan`` as a person and a program run it."""

import csv
import json
import subprocess
import sys
from itertools import pairwise
from pathlib import Path

import pytest

from logger.sheet_file import parse_sheet, read_sheet
from logger.sheet_parts import Quantity, StageKind

CONFIGS = Path(__file__).parents[2] / "configs"
SHEET = """
# Invented data.
name = "Strap"
[piece]
shape = "plate"
thickness_mm = 5
carbon_wt_pct = 0.05
[pack]
recipe = "energised charcoal"      # keeps its comment
[canister]
sensor = "oven"
outer_mm = 60
[plan]
case_depth_mm = 0.6
at_carbon_wt_pct = 0.40
surface_at_most_wt_pct = 0.9
{more}
[[target]]
quantity = "soak time"
reach_h = 1
[display]
temperature = "C"
"""


def planned(folder: Path, *words: str, more: str = "", sheet: str | None = None) -> "subprocess.CompletedProcess[str]":
    (folder / "sheet.toml").write_text(SHEET.format(more=more) if sheet is None else sheet, encoding="utf-8")
    return subprocess.run(
        [sys.executable, "-m", "logger", "plan", str(folder / "sheet.toml"), *words],
        capture_output=True,
        text=True,
        check=False,
        cwd=Path(__file__).parents[2],
    )


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> "tuple[Path, subprocess.CompletedProcess[str]]":
    folder = tmp_path_factory.mktemp("plan")
    said = planned(
        folder,
        *("--picture", str(folder / "map.png"), "--table", str(folder / "program.csv")),
        *("--write-sheet", str(folder / "watch.toml")),
        more="heating_power_kW = 3\nholding_power_kW = 1.2",
    )
    assert said.returncode == 0, said.stderr
    return folder, said


def test_a_plan_is_told_with_its_program_bands_energy_and_cautions(
    done: "tuple[Path, subprocess.CompletedProcess[str]]",
) -> None:
    _, said = done
    for words in ("oven at", "without the pack", "kWh", "steel lags by", "short of melting", "ramp", "of 100 cases"):
        assert words in said.stdout
    assert "over-temperature cut-out" in said.stdout.replace("\n    ", " ")


def test_the_map_is_a_picture(done: "tuple[Path, subprocess.CompletedProcess[str]]") -> None:
    folder, _ = done
    assert (folder / "map.png").read_bytes().startswith(b"\x89PNG")


def test_the_program_is_a_plain_ramp_and_soak_table(done: "tuple[Path, subprocess.CompletedProcess[str]]") -> None:
    folder, _ = done
    with (folder / "program.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["what"] for row in rows] == [
        "ramp", "hold, in the pack", "hold, without the pack", "off, cool with the oven shut",
    ]  # fmt: skip
    for before, after in pairwise(rows):
        assert float(after["from_h"]) == pytest.approx(float(before["to_h"]), abs=0.011)
    assert float(rows[0]["rate_per_h"]) == 300.0


def test_the_sheet_it_writes_is_one_to_watch_with(done: "tuple[Path, subprocess.CompletedProcess[str]]") -> None:
    folder, _ = done
    sheet = read_sheet(folder / "watch.toml")
    assert [stage.kind for stage in sheet.stages] == [StageKind.CARBURIZE, StageKind.DIFFUSE]
    assert sheet.stages[0].to_s == pytest.approx(sheet.stages[1].from_s)
    assert [target.quantity for target in sheet.targets] == [Quantity.CASE_DEPTH]
    assert sheet.wishes is None
    text = (folder / "watch.toml").read_text(encoding="utf-8")
    assert "# keeps its comment" in text
    assert 'temperature = "C"' in text


def test_programs_get_one_object(tmp_path: Path) -> None:
    said = planned(tmp_path, "--json")
    assert said.returncode == 0, said.stderr
    found = json.loads(said.stdout)
    assert found["possible"] is True
    program = found["programs"][0]
    assert program["carbon"]["case_depth_mm"]["0.40"] >= 0.6
    assert program["carbon"]["surface_wt_pct"] <= program["richest_wt_pct"] <= 0.9
    low, _, high = program["band"]["carbon"]["case_depth_mm"]["0.40"]
    assert low < high
    assert program["energy_kWh"] is None
    assert program["oven_h"] == pytest.approx(program["climb_h"] + program["in_pack_h"] + program["without_pack_h"])


def test_fahrenheit_and_inches_all_through(tmp_path: Path) -> None:
    said = planned(tmp_path, "--temperature", "F", "--length", "in", "--picture", str(tmp_path / "map.png"))
    assert said.returncode == 0, said.stderr
    table = said.stdout.split("Pack dry")[0]
    assert " F" in table
    assert " mm" not in table
    assert " C " not in table.replace("% C", "")


def test_what_cannot_be_done_is_said_with_what_would_do(tmp_path: Path) -> None:
    said = planned(tmp_path, "--json", more="longest_h = 1\nhottest_C = 850")
    assert said.returncode == 0, said.stderr
    found = json.loads(said.stdout)
    assert found["possible"] is False
    assert found["programs"] == []
    assert found["closest"]
    assert found["what_would_make_it_possible"]


def test_wishes_of_a_file_go_before_the_sheets(tmp_path: Path) -> None:
    wishes = tmp_path / "wishes.toml"
    wishes.write_text("[plan]\nmean_carbon_wt_pct = 0.3\n", encoding="utf-8")
    found = json.loads(planned(tmp_path, "--json", "--wishes", str(wishes)).stdout)
    assert found["wishes"]["case_depth_mm"] is None
    assert found["programs"][0]["carbon"]["mean_wt_pct"] >= 0.3


@pytest.mark.parametrize(
    ("more", "fault"),
    [
        ("core_carbon_wt_pct = 0.95", "line 17: plan.core_carbon_wt_pct: found 0.95 %, while the surface shall have at "
         "most 0.9 %, expected no more inside than at the surface"),
        ('diffuse = "maybe"', 'line 17: plan.diffuse: found "maybe", expected true or false'),
        ("hotest_C = 900", "line 17: plan.hotest_C: found an unknown key, expected hottest_C"),
        ("climb_C_per_h = 0", "line 17: plan.climb_C_per_h: found 0 C/h, expected 1 to 7200 C/h"),
        ("holding_power_kW = 1", "line 13: plan.heating_power_kW: found nothing, expected heating_power and "
         "holding_power together, or neither"),
    ],
)  # fmt: skip
def test_a_wish_that_cannot_be_is_one_clear_line(tmp_path: Path, more: str, fault: str) -> None:
    said = planned(tmp_path, "--json", more=more)
    assert said.returncode == 2
    assert said.stdout == ""
    assert [line.partition(", ")[2] for line in said.stderr.strip().splitlines()] == [fault]


def test_the_example_can_be_planned() -> None:
    text = (CONFIGS / "sheet-plan-strap.toml").read_text(encoding="utf-8")
    assert parse_sheet(text, "sheet-plan-strap.toml").wishes is not None
