"""The chart script comes from an installed package and only if it is the tested one."""

from pathlib import Path

import pytest

from logger.page.assets import CHART_FILES, chart_files, installed_chart_folder, load_assets
from tests.page.workshop import OVEN, client_of, make_workshop


def test_the_installed_chart_script_is_the_tested_one() -> None:
    assert set(chart_files(installed_chart_folder())) == {"uplot.js", "uplot.css"}


@pytest.mark.parametrize("what", ["missing", "changed"])
def test_without_a_sound_chart_script_the_page_shows_a_picture(tmp_path: Path, what: str) -> None:
    folder = tmp_path / "package"
    installed = installed_chart_folder()
    assert installed is not None
    for inside, _ in CHART_FILES.values():
        (folder / inside).parent.mkdir(parents=True, exist_ok=True)
        (folder / inside).write_bytes((installed / inside).read_bytes())
    script = folder / CHART_FILES["uplot.js"][0]
    if what == "missing":
        script.unlink()
    else:
        script.write_bytes(script.read_bytes() + b"\n")
    assert not load_assets(folder).has_charts
    workshop = make_workshop(tmp_path)
    with client_of(workshop, chart_folder=folder) as client:
        text = client.get(f"/ovens/{OVEN}").text
    assert "uplot" not in text
    assert f"/runs/{workshop.going_on}/picture" in text


def test_an_address_of_a_file_changes_with_its_content(tmp_path: Path) -> None:
    assert load_assets().version != load_assets(tmp_path).version
