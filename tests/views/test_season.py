"""A season at a glance: what each run's card says, the oven's trend, and pages that open without a server."""

import json
import re
from dataclasses import replace
from datetime import UTC
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from matplotlib.image import imread

from logger.alert_rules import Severity
from logger.command import main
from logger.season import efforts_of, season_of
from logger.situation import SeasonRun
from logger.units import DisplayUnits
from logger.views.season_cards import cards_of
from logger.views.season_files import trends_of, write_season
from tests.views.recorded_runs import START_UTC_S, TEMPER_SHEET, Heat, curve, put

METRIC, INCH = DisplayUnits("C", "mm"), DisplayUnits("F", "in")
WEEK_S = 7 * 86400.0


def weaker(share: float) -> Heat:
    """A heat whose heater works this much harder."""
    heat = curve()
    assert heat.output_pct is not None
    return replace(heat, output_pct=share * heat.output_pct)


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("season") / "record.db"
    holed = curve()
    holed_C = np.where((holed.time_s > 6000.0) & (holed.time_s < 8400.0), np.nan, holed.temperature_C)
    heats = [
        weaker(0.5),
        replace(curve(hold_h=0.5), name="Cut <short>"),
        replace(holed, temperature_C=holed_C, output_pct=weaker(0.5).output_pct),
        replace(curve(205.0, 2.0), sheet=TEMPER_SHEET, name="Temper"),
        weaker(0.7),
        weaker(0.72),
    ]
    for week, heat in enumerate(heats):
        put(file, replace(heat, start_utc_s=START_UTC_S + week * WEEK_S))
    return file


@pytest.fixture(scope="module")
def runs(record: Path) -> tuple[SeasonRun, ...]:
    return season_of(record)


def test_every_card_says_what_went_wrong_and_nothing_else(runs: tuple[SeasonRun, ...]) -> None:
    cards = cards_of(runs, {}, METRIC, UTC)
    said = [[flag.words for flag in card.flags] for card in cards]
    assert said[0] == ["as wanted"]
    assert any(re.fullmatch(r"soak short: 3\d min of 1 h 30 min", words) for words in said[1])
    assert any(words.startswith("case depth short: ") and words.endswith("of 0.50 mm") for words in said[1])
    assert "40 min without readings" in said[2]
    assert cards[1].worst is Severity.WARNING
    inch = [[flag.words for flag in card.flags] for card in cards_of(runs, {}, INCH, UTC)]
    assert any(words.endswith("of 0.020 in") for words in inch[1])


def test_a_weak_element_is_on_the_cards_of_its_runs(runs: tuple[SeasonRun, ...]) -> None:
    cards = cards_of(runs, trends_of(runs), METRIC, UTC)
    weak = {card.number for card in cards if any("element" in flag.words for flag in card.flags)}
    assert weak >= {5, 6}
    assert 1 not in weak
    assert 4 not in weak


def test_a_season_is_a_folder_of_files_that_need_nothing_else(runs: tuple[SeasonRun, ...], tmp_path: Path) -> None:
    written = write_season(tmp_path / "pages", runs, METRIC, zone=UTC)
    html = (tmp_path / "pages" / "index.html").read_text()
    links = re.findall(r'href="([^"]+)"', html)
    assert sorted(links) == sorted(file.name for file in written if file.name.startswith("run-"))
    assert len(links) == 6
    assert all((tmp_path / "pages" / link).is_file() for link in links)
    assert "Cut &lt;short&gt;" in html
    assert "<script" not in html
    assert re.findall(r'src="(?!data:image/)', html) == []
    for name in ("season.png", "trend.png"):
        pixels = np.asarray(imread(tmp_path / "pages" / name), dtype=np.float64)
        assert 0.01 < (pixels[..., :3].min(axis=2) < 0.9).mean() < 0.5
    assert sum(file.stat().st_size for file in written) < 1_500_000


def test_the_trend_command_says_the_same_as_text_and_json(record: Path) -> None:
    asked = ["trend", "--record", str(record)]
    words = CliRunner().invoke(main, asked)
    assert words.exit_code == 0, words.output
    (said,) = json.loads(CliRunner().invoke(main, [*asked, "--json"]).output)
    assert [run["run"] for run in said["runs"]] == [one.run for one in efforts_of(record)["shed oven"]]
    for run in said["runs"]:
        if run["full_power_s"] is not None:
            line = next(line for line in words.output.splitlines() if line.startswith(run["run"]))
            assert f"{run['full_power_s'] / 60.0:.1f} min" in line
    assert said["findings"][0]["text"].replace("600 C", "") in words.output.replace("600 C", "")


def test_an_oven_that_is_not_in_the_record_is_a_fault_that_names_those_that_are(record: Path) -> None:
    answer = CliRunner().invoke(main, ["trend", "--record", str(record), "--oven", "shed"])
    assert answer.exit_code == 2
    assert "one of shed oven" in answer.output
