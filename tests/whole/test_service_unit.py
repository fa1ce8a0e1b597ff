"""The unit that keeps a watch running is one that systemd understands."""

import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from logger.errors import InputFault
from logger.service_unit import ServiceUnit, steps, unit_file

UNIT = ServiceUnit(
    ovens="back room at 100 %",
    command=(sys.executable, "-m", "logger", "serve", "my oven.toml", 'a "flat" $HOME 5%.toml'),
    folder=Path("/"),
    record_folders=(Path("/var"), Path("/var/my runs")),
    user="root",
    port_group="root",
)


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="needs systemd-analyze, to read the unit")
def test_systemd_reads_the_unit_without_a_complaint(tmp_path: Path) -> None:
    file = tmp_path / "soaktally.service"
    file.write_text(UNIT.text())
    checked = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", str(file)], capture_output=True, text=True, check=False
    )
    assert [line for line in checked.stderr.splitlines() if "soaktally" in line] == []
    file.write_text(UNIT.text().replace("WatchdogSec=60", "WatchdogSec=soon"))
    spoilt = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", str(file)], capture_output=True, text=True, check=False
    )
    assert "soon" in spoilt.stderr, "the check sees mistakes"


def test_words_of_the_command_are_quoted_as_systemd_asks() -> None:
    (line,) = [line for line in UNIT.text().splitlines() if line.startswith("ExecStart=")]
    assert line.endswith('-m logger serve "my oven.toml" "a \\"flat\\" $$HOME 5%%.toml"')
    assert "Description=soaktally watches back room at 100 %%" in UNIT.text()


def test_a_unit_of_ones_own_asks_for_nothing_that_only_the_system_can_give() -> None:
    lines = replace(UNIT, user="").text().splitlines()
    assert "WantedBy=default.target" in lines
    assert not [line for line in lines if line.startswith(("User=", "SupplementaryGroups=", "ProtectSystem="))]
    assert unit_file("", Path("/home/ada")) == Path("/home/ada/.config/systemd/user/soaktally.service")
    assert (("loginctl", "enable-linger"), "keep it running while you are logged out") in steps("")


def test_it_comes_back_after_a_crash_or_a_standstill_but_not_after_a_mistake_in_its_files() -> None:
    lines = UNIT.text().splitlines()
    for line in ("Type=notify", "Restart=always", "WatchdogSec=60", "RestartPreventExitStatus=2"):
        assert line in lines
    assert "StartLimitIntervalSec=0" in lines


def test_everything_that_systemd_could_not_read_back_is_refused_at_once() -> None:
    with pytest.raises(InputFault) as refusal:
        ServiceUnit("x", ("soaktally",), Path("here"), (Path("/var\nExecStart=/bin/sh"),), "two words").text()
    said = str(refusal.value).splitlines()
    assert said[0] == "service: command: found ['soaktally'], expected the full path of the program first"
    assert "service: folder: found here, expected a full path" in said
    assert "service: user: found 'two words', expected a name of letters, digits, -, _ and ." in said
    assert len(said) == 4
