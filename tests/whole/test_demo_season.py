"""The season of the demonstration: what is committed of it shows what its tour says, and one heat of it really runs."""

import re
import threading
from dataclasses import replace
from pathlib import Path

import pytest

from logger import demo_season
from logger.errors import InputFault
from logger.record import RecordReader
from logger.season import season_of
from logger.views.season_files import trends_of

DEMO = Path(__file__).parents[2] / "dashboards_demo"
PAGE = DEMO / "season" / "index.html"


def cards() -> list[tuple[str, str, str]]:
    """Of each card on the committed page: its number, its name, its flags."""
    page = PAGE.read_text(encoding="utf-8")
    found = []
    for card in re.findall(r'<article class="card">(.*?)</article>', page, re.DOTALL):
        number, name = re.findall(r"<h2>(\d+) · <a [^>]*>(.*?)</a>", card)[0]
        flags = " ".join(re.sub(r"<[^>]+>", " ", flags) for flags in re.findall(r"<li.*?</li>", card, re.DOTALL))
        found.append((number, name, flags))
    return found


def test_a_newcomer_finds_the_melted_the_short_the_gap_and_the_element() -> None:
    said = {number: flags for number, _, flags in cards()}
    assert len(said) == len(demo_season.SEASON)
    assert [number for number, flags in said.items() if "melted" in flags] == ["4"]
    assert [number for number, flags in said.items() if "soak short" in flags] == ["3"]
    assert [number for number, flags in said.items() if "without readings" in flags] == ["5"]
    assert [number for number, flags in said.items() if "element dying" in flags] == ["9", "10"]
    assert [number for number, flags in said.items() if "as wanted" in flags][:2] == ["1", "2"]
    assert "An element is dying" in PAGE.read_text(encoding="utf-8")


def test_every_link_and_picture_of_the_tour_is_there_and_small() -> None:
    for page in DEMO.glob("*.md"):
        for address in re.findall(r"\]\(([^)#]+)\)", page.read_text(encoding="utf-8")):
            assert (page.parent / address).exists(), f"{page.name}: {address}"
    for address in re.findall(r'href="([^"]+)"', PAGE.read_text(encoding="utf-8")):
        assert (PAGE.parent / address).exists(), address
    assert sum(file.stat().st_size for file in (DEMO / "season").iterdir()) < 4_000_000


def test_the_committed_pages_open_without_a_server_and_run_no_script() -> None:
    for page in (DEMO / "season").glob("*.html"):
        html = page.read_text(encoding="utf-8")
        assert "<script" not in html
        assert re.findall(r'src="(?!data:image/)', html) == []
        assert "http" not in re.sub(r"base64,[A-Za-z0-9+/=]+", "", html)


@pytest.mark.slow
def test_two_heats_of_the_season_go_through_the_real_bridge_into_one_record(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, temper = demo_season.SEASON[0], demo_season.SEASON[6]
    monkeypatch.setattr(
        demo_season, "SEASON", (replace(first, duration_h=1.2), replace(temper, duration_h=1.2, note="noted <after>"))
    )
    record, runs = demo_season.season(tmp_path / "season", 400.0, threading.Event())
    assert runs == ("2026-01-10-a", "2026-02-21-a")
    with RecordReader(record) as reader:
        assert [row.clock for row in reader.runs()] == ["simulated, 400 times real time"] * 2
        assert [note.text for note in reader.notes(runs[1])] == ["noted <after>"]
    season = season_of(record)
    assert season[0].effort.full_power_s == pytest.approx(13.1 * 60.0, rel=0.05)
    assert list(trends_of(season)) == ["demo oven"]
    written = demo_season.pages(tmp_path / "pages", record)
    assert written[0].name == "index.html"
    assert "noted &lt;after&gt;" in (tmp_path / "pages" / "run-2026-02-21-a.html").read_text(encoding="utf-8")
    with pytest.raises(InputFault, match="a new or an empty folder"):
        demo_season.season(tmp_path / "season", 400.0, threading.Event())
