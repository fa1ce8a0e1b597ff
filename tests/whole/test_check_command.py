"""`soaktally check` as a person, and a script, meets it."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from logger.command import main
from sim.controller import Tuning
from tests.whole.checked_shop import ROOM_K, Shop


def check(shop: Shop, *words: str) -> Result:
    """The command on an oven in the shop."""
    with shop.open():
        file = shop.oven_file(str(shop.folder / "adapter"))
        return CliRunner().invoke(main, ["check", str(file), "--for", "3 s", *words], prog_name="soaktally")


def test_all_well_ends_with_0_and_says_so(tmp_path: Path) -> None:
    done = check(Shop(tmp_path), "--room", "21 C")
    assert done.exit_code == 0
    assert "All is well, as far as it was watched." in done.stdout
    assert "the room has 21.0 C" in done.stdout


def test_what_could_not_be_judged_in_the_time_is_said_with_how_to_have_it_judged(tmp_path: Path) -> None:
    """An oven at rest on a display that does not flicker: 3 s of one number say nothing about a frozen one."""
    still = Shop(tmp_path, tuning=Tuning(noise_K=0.0))
    told = check(still, "--room", "21 C").stdout
    assert "air: a value that does not move: not judged in the time watched" in told
    assert '--for "20 min"' in told
    said = json.loads(check(still, "--room", "21 C", "--json").stdout)
    assert [each["failure"] for each in said["not_judged"]] == [9, 14]


def test_a_failure_ends_with_1_and_the_next_thing_to_try(tmp_path: Path) -> None:
    done = check(Shop(tmp_path, tuning=Tuning(unit="F")), "--room", "21 C")
    assert done.exit_code == 1
    assert 'Next: write unit = "F" into the oven file. Then check again.' in done.stdout


def test_everything_is_told_in_the_persons_unit(tmp_path: Path) -> None:
    done = check(Shop(tmp_path), "--room", "70", "--temperature", "F")
    assert done.exit_code == 0
    assert "the room has 70.0 F" in done.stdout
    assert "°C" not in done.stdout


def test_json_is_one_object_and_nothing_else(tmp_path: Path) -> None:
    done = check(Shop(tmp_path, controller={"unit_address": 2}), "--room", "21 C", "--json")
    assert done.exit_code == 1
    said = json.loads(done.stdout)
    assert said["well"] is False
    (diagnosis,) = said["diagnoses"]
    assert diagnosis["failure"] == 3
    assert diagnosis["change"] == {"unit_address": "1"}
    assert said["controllers"][0]["answered"] == 0
    assert said["controllers"][0]["trials"][-1] == {
        "kind": "unit_address",
        "change": {"unit_address": "1"},
        "outcome": "answered",
    }


def test_json_of_a_sound_oven_has_its_numbers(tmp_path: Path) -> None:
    said = json.loads(check(Shop(tmp_path), "--shows", "21 C", "--json").stdout)
    assert said["well"] is True
    assert said["controllers"][0]["hit_rate"] == 1.0
    (channel,) = said["channels"]
    assert channel["temperature_C"] == pytest.approx(ROOM_K - 273.15, abs=3.0)
    assert channel["expected_from"] == "display"


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--room", "warm"], '--room: found "warm", expected a temperature'),
        (["--for", "soon"], '--for: found "soon"'),
        (["--shows", "21 C", "--channel", "attic"], '--channel: found "attic", expected air'),
        (["--channel", "air"], '--channel: found "air" without --shows'),
    ],
)
def test_what_cannot_be_used_is_one_line_and_ends_with_2(tmp_path: Path, words: list[str], message: str) -> None:
    file = Shop(tmp_path).oven_file(str(tmp_path / "none"))
    done = CliRunner().invoke(main, ["check", str(file), *words])
    assert done.exit_code == 2
    assert message in done.stderr
    assert done.stdout == ""
