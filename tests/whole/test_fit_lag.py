"""The lag of a canister learned from one heat with two thermocouples, from the command line to the sheet."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result

from logger.command import main
from logger.reading import Reading
from logger.record import RecordWriter
from logger.sheet_file import read_sheet
from tests.estimate.hidden_truth import HiddenHeat, hidden_heat

SHEET = """\
# Invented data.
channel = "air"
[piece]
shape = "plate"
thickness_mm = 6
carbon_wt_pct = 0.05
[pack]
recipe = "energised charcoal"
[canister]
sensor = "oven"
shape = "{shape}"
outer_mm = {outer_mm:.1f}
wall_mm = {wall_mm:.2f}
# The end.
"""


@pytest.fixture(scope="module")
def heat() -> HiddenHeat:
    return hidden_heat(0)


@pytest.fixture
def folder(tmp_path: Path, heat: HiddenHeat) -> Path:
    can = heat.sheet.canister
    assert can.outer_m is not None
    sheet = SHEET.format(shape=can.shape, outer_mm=1000.0 * can.outer_m, wall_mm=1000.0 * can.wall_m)
    (tmp_path / "sheet.toml").write_text(sheet, encoding="utf-8")
    trace(tmp_path / "two.csv", heat, heat.inside.temperature_K - 273.15)
    return tmp_path


def trace(path: Path, heat: HiddenHeat, inside_C: Any) -> None:
    rows = zip(heat.oven.time_s, heat.oven.temperature_K - 273.15, inside_C, strict=True)
    lines = [f"{time_s:g},{air_C:.2f},{load_C:.2f}" for time_s, air_C, load_C in rows]
    path.write_text("\n".join(["time_s,air_C,load_C", *lines]) + "\n", encoding="utf-8")


def fit_lag(folder: Path, *words: str) -> Result:
    at = [str(folder / word) if "." in word else word for word in words]
    return CliRunner().invoke(main, ["fit-lag", *at, "--picture", str(folder / "lag.png")], catch_exceptions=False)


def test_the_proposal_is_shown_drawn_and_not_written_unasked(folder: Path) -> None:
    before = (folder / "sheet.toml").read_bytes()
    said = fit_lag(folder, "two.csv", "--sheet", "sheet.toml")
    assert said.exit_code == 0
    for words in ("as proposed", "with the usual", "At heat inside", "Halt of the inner trace", "[canister.lag]"):
        assert words in said.stdout
    assert "Nothing was written" in said.stdout
    assert (folder / "lag.png").read_bytes().startswith(b"\x89PNG")
    assert (folder / "sheet.toml").read_bytes() == before


def test_written_into_the_sheet_it_serves_the_next_review_and_the_rest_stays(folder: Path) -> None:
    before = (folder / "sheet.toml").read_text(encoding="utf-8")
    said = json.loads(fit_lag(folder, "two.csv", "--sheet", "sheet.toml", "--write", "--json").stdout)
    after = (folder / "sheet.toml").read_text(encoding="utf-8")
    assert said["written_to"] == [str(folder / "sheet.toml")]
    assert after == before.replace("# The end.", "\n" + said["toml"] + "\n# The end.")
    lag = read_sheet(folder / "sheet.toml").canister.lag
    assert lag is not None
    assert lag.conductivity == pytest.approx(said["lag"]["conductivity"], rel=5e-3)
    assert said["misses"]["rms_C"] < 0.3 * said["misses"]["before_rms_C"]
    assert 727.0 < said["halt"]["at_C"] < 750.0
    hours = said["at_heat_inside_h"]
    assert abs(hours["modelled"] - hours["measured"]) < abs(hours["before"] - hours["measured"])
    assert said["thermocouples"]["fault"] is False


def test_another_sheet_of_the_same_canister_can_have_it_too(folder: Path) -> None:
    for name in ("next.toml", "later.toml"):
        (folder / name).write_bytes((folder / "sheet.toml").read_bytes())
    said = fit_lag(folder, "two.csv", "--sheet", "sheet.toml", "--into", "next.toml", "--into", "later.toml")
    assert said.exit_code == 0
    assert read_sheet(folder / "sheet.toml").canister.lag is None
    first = read_sheet(folder / "next.toml").canister.lag
    assert first == read_sheet(folder / "later.toml").canister.lag
    assert first is not None


def test_a_recorded_run_teaches_the_same_as_its_trace(folder: Path, heat: HiddenHeat) -> None:
    with RecordWriter(folder / "record.db") as writer:
        run = writer.begin_run(
            oven="bench",
            channels=["air", "load"],
            sheet_name="sheet",
            sheet_text=(folder / "sheet.toml").read_text(encoding="utf-8"),
            started_utc_s=1_795_600_800.0,
            software="",
            poll_interval_s=20.0,
        )
        for channel, history in (("air", heat.oven), ("load", heat.inside)):
            kept = [
                Reading(channel, float(time_s), 1_795_600_800.0 + float(time_s), float(at_K))
                for time_s, at_K in zip(history.time_s, np.round(history.temperature_K, 2), strict=True)
            ]
            writer.append_readings(run, kept)
    recorded = json.loads(fit_lag(folder, run, "--record", "record.db", "--json").stdout)
    traced = json.loads(fit_lag(folder, "two.csv", "--sheet", "sheet.toml", "--json").stdout)
    assert recorded["heat"] == f"run {run}"
    assert recorded["lag"]["conductivity"] == pytest.approx(traced["lag"]["conductivity"], rel=0.02)
    refused = fit_lag(folder, run, "--record", "record.db", "--write")
    assert refused.exit_code == 2
    assert refused.stderr == "--write: found no file to write into, expected --into SHEET.toml\n"


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--oven-channel", "middle"), '--oven-channel: found "middle", expected one of the channels: air, load'),
        (("--inside-channel", "air", "--oven-channel", "air"), '--inside-channel: found "air", the oven\'s own'),
    ],
)
def test_a_channel_that_is_not_there_is_named(folder: Path, words: tuple[str, ...], told: str) -> None:
    said = fit_lag(folder, "two.csv", "--sheet", "sheet.toml", *words)
    assert said.exit_code == 2
    assert told in said.stderr
    assert said.stdout == ""


def test_a_heat_with_one_thermocouple_is_told_that_two_are_needed(folder: Path) -> None:
    rows = (folder / "two.csv").read_text(encoding="utf-8").splitlines()
    (folder / "one.csv").write_text("\n".join(row.rpartition(",")[0] for row in rows) + "\n", encoding="utf-8")
    said = fit_lag(folder, "one.csv", "--sheet", "sheet.toml")
    assert said.exit_code == 2
    expected = "two: one in the oven, one inside the canister"
    assert said.stderr == f"this heat: found one thermocouple, air, expected {expected}\n"


def test_a_reversed_inner_pair_is_told_and_never_fitted(folder: Path, heat: HiddenHeat) -> None:
    trace(folder / "reversed.csv", heat, np.maximum(40.0 - (heat.inside.temperature_K - 273.15), -200.0))
    said = fit_lag(folder, "reversed.csv", "--sheet", "sheet.toml", "--write")
    assert said.exit_code == 2
    assert '"load" falls while the other rises: its two wires are swapped' in said.stderr
    assert read_sheet(folder / "sheet.toml").canister.lag is None
