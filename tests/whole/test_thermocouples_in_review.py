"""Several thermocouples in one heat: what is wrong between them, what to mind, and how alike the load was."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result

from logger.command import main
from logger.units import FloatArray

SHEET = """\
# Invented data.
channel = "load"
[piece]
shape = "plate"
thickness_mm = 6
carbon_wt_pct = 0.8
[canister]
sensor = "inside"
"""


def heat(hold_C: float = 950.0) -> tuple[FloatArray, FloatArray]:
    time_s = np.arange(0.0, 5.0 * 3600.0, 20.0)
    noise = np.random.default_rng(4).normal(0.0, 0.3, time_s.size)
    return time_s, np.interp(time_s, [0.0, 5400.0, 16200.0, 18000.0], [20.0, hold_C, hold_C, 700.0]) + noise


def review(folder: Path, sheet: str, time_s: FloatArray, **channels_C: FloatArray) -> Result:
    head = ",".join(["time_s", *(f"{name}_C" for name in channels_C)])
    rows = [",".join(f"{value:.2f}" for value in row) for row in zip(time_s, *channels_C.values(), strict=True)]
    (folder / "t.csv").write_text("\n".join([head, *rows]).replace("nan", "") + "\n", encoding="utf-8")
    (folder / "s.toml").write_text(sheet, encoding="utf-8")
    words = ["review", str(folder / "t.csv"), "--sheet", str(folder / "s.toml")]
    return CliRunner().invoke(main, [*words, "--json"], catch_exceptions=False)


def said(folder: Path) -> str:
    words = ["review", str(folder / "t.csv"), "--sheet", str(folder / "s.toml"), "--picture", str(folder / "p.png")]
    return CliRunner().invoke(main, words, catch_exceptions=False).stdout


def contract(result: Result) -> dict[str, Any]:
    assert result.exit_code == 0
    return dict(json.loads(result.stdout))


@pytest.mark.parametrize(
    ("wrong", "finding", "words"),
    [
        (lambda t, C: 2.0 * C[0] - C, "reversed pair", '"air" falls while the other rises: its two wires are swapped.'),
        (lambda t, C: np.where(t > 9000.0, C - 60.0, C), "withdrawn tip", "at 2.5 h and stayed there"),
        (lambda t, C: C - 15.0 * np.maximum(t / 3600.0 - 1.5, 0.0), "drift", '"air" goes down against the other.'),
    ],
    ids=["reversed", "withdrawn", "drift"],
)
def test_a_fault_between_two_channels_is_shown_in_words_and_to_programs(
    tmp_path: Path, wrong: Any, finding: str, words: str
) -> None:
    time_s, load_C = heat()
    other_C = np.maximum(wrong(time_s, load_C), -200.0)
    found = contract(review(tmp_path, SHEET, time_s, load=load_C, air=other_C))
    (comparison,) = found["thermocouples"]["comparisons"]
    assert (comparison["finding"], comparison["suspect"], comparison["fault"]) == (finding, "air", True)
    assert words in " ".join(said(tmp_path).split())


def test_two_that_agree_are_said_to_and_type_K_is_warned_of_where_it_bites(tmp_path: Path) -> None:
    time_s, load_C = heat(1060.0)
    found = contract(review(tmp_path, SHEET, time_s, load=load_C, air=load_C + 4.0))
    (comparison,) = found["thermocouples"]["comparisons"]
    assert comparison["finding"] == "agree"
    assert comparison["difference_C"] == pytest.approx(-4.0, abs=0.3)
    assert {one["channel"] for one in found["thermocouples"]["cautions"]} == {"load", "air"}
    words = " ".join(said(tmp_path).split())
    assert "type K drifts with every hour above 1000 C" in words
    assert '"load" reads 4.0 C below "air"' in words
    time_s, load_C = heat()
    cool = contract(review(tmp_path, SHEET, time_s, load=load_C))
    assert cool["thermocouples"] == {"comparisons": [], "cautions": []}


def test_several_thermocouples_in_the_load_are_told_how_alike_they_were(tmp_path: Path) -> None:
    time_s, load_C = heat()
    sheet = SHEET + '[soak]\nsensors = ["left", "right"]\n'
    late_C = np.where(time_s < 9000.0, load_C - 20.0, load_C - 5.0)
    blind_C = np.where((time_s > 10_000.0) & (time_s < 11_800.0), np.nan, load_C + 3.0)
    found = contract(review(tmp_path, sheet, time_s, load=load_C, left=late_C, right=blind_C))
    (alike,) = found["uniformity"]
    assert (alike["coldest"], alike["hottest"]) == ("left", "right")
    assert alike["widest_C"] == pytest.approx(23.0, abs=0.1)
    # From the moment the coldest comes in until it leaves the band on cooling, less the half hour of which one says
    # nothing but for the hundred seconds (five polls) on either side that are bridged.
    cooling_s = (945.0 - 936.0) / 250.0 * 1800.0
    assert alike["all_in_band_h"] * 3600.0 == pytest.approx(7200.0 + cooling_s - 1800.0 + 200.0, abs=40.0)
    assert alike["all_in_band_from_s"] == pytest.approx(9000.0, abs=30.0)
    assert "left the coldest; at most 23.0 C apart" in " ".join(said(tmp_path).split())


def test_what_is_left_out_is_marked_and_said_never_silently(tmp_path: Path) -> None:
    time_s, load_C = heat()
    plain = contract(review(tmp_path, SHEET, time_s, load=load_C))
    load_C[500] += 60.0  # one reading that jumps and comes straight back: a relay's spike
    load_C[600] = 1700.0  # no oven's temperature
    found = contract(review(tmp_path, SHEET, time_s, load=load_C))
    (spike,) = found["thermal"]["spikes"]
    assert spike["time_s"] == time_s[500]
    assert (found["thermal"]["unbelievable_readings"], found["thermal"]["late_readings"]) == (1, 0)
    assert found["thermal"]["equivalent_time_h"] == pytest.approx(plain["thermal"]["equivalent_time_h"], rel=1e-4)
    words = " ".join(said(tmp_path).split())
    assert "1 single reading left out that jumped and came straight back: 2:47" in words
    assert "1 reading left out that no oven can have had" in words
