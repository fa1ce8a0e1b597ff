"""The whole story in one go: watched heat, coupon, anvil, quench, temper, each step with its picture."""

from pathlib import Path

import pytest

from tests.whole.story import STORY, WALK, lived


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_a_plane_iron_from_strap_to_edge(tmp_path: Path) -> None:
    told = []
    for step in lived(tmp_path):
        for words in step.told.shows:
            assert words in step.output, f"{step.told.title}: {step.output}"
        if step.picture is not None:
            assert step.picture.read_bytes().startswith(b"\x89PNG\r\n\x1a\n"), step.told.title
            assert step.picture.stat().st_size > 8_000
        told.append(step.told)
    assert told == list(STORY)


def test_the_walk_through_tells_this_very_story() -> None:
    page = WALK.with_suffix(".md").read_text(encoding="utf-8")
    for number, told in enumerate(STORY, 1):
        assert f"## {number}. {told.title}" in page
        assert f"$ soaktally {told.command}\n" in page
        if told.picture:
            assert f"walk-through/{told.picture}" in page
            assert (WALK / told.picture).is_file()
    assert {file.name for file in WALK.glob("*.png")} == {told.picture for told in STORY if told.picture}
