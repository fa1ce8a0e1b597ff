"""`soaktally find` on a real port: from "the display shows" to an oven file that `check` finds well."""

import json
import os
import re
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest

from logger.controllers.settings import (
    ChannelUnit,
    ControllerSettings,
    Framing,
    NumberFormat,
    PortSettings,
    RegisterAddress,
    RegisterSource,
)
from logger.display_search import Notes, load_notes, save_notes
from logger.errors import InputFault
from logger.oven_file import read_oven
from logger.oven_text import FoundChannel, oven_text
from sim.bus import Bus, Station
from sim.controller import Tuning
from sim.heat import Heat
from sim.registers import RandomMap, random_map
from sim.scenario import scenario


@contextmanager
def shop(seed: int, **settings) -> Iterator[tuple[Bus, RandomMap, Heat]]:
    """A controller with a register table nobody has seen, in standing time."""
    drawn = random_map(np.random.default_rng([seed, 4711]))
    built_in = scenario("plane-iron")
    tuning = Tuning(unit=drawn.unit, decimal_places=drawn.decimal_places)
    heat = Heat(built_in.program, canister=built_in.canister, tuning=tuning, seed=seed)
    with Bus([Station(1, heat, drawn.table)], speed=0.0, reply_delay_s=0.0, **settings) as bus:
        yield bus, drawn, heat


def displayed(heat: Heat, drawn: RandomMap) -> str:
    """What a person reads off the display."""
    return f"{heat.display().process_value:.{drawn.decimal_places}f} {drawn.unit}"


def near(drawn: RandomMap) -> str:
    first = max(0, drawn.process_value.address - 15)
    return f"{first}-{first + 30}"


def find(*words: str | Path, folder: Path) -> "subprocess.CompletedProcess[str]":
    command = [sys.executable, "-m", "logger", "find", *map(str, words), "--gap", "0 s"]
    return subprocess.run(command, capture_output=True, text=True, check=False, cwd=folder, env=our_environment())


def our_environment() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])}


@pytest.mark.parametrize("seed", range(6))
def test_two_calls_of_a_script_find_the_display_and_write_an_oven_file_that_reads_it(tmp_path, seed):
    with shop(seed) as (bus, drawn, heat):
        words = [bus.port, "--notes", "notes.json", "--registers", near(drawn)]
        first = find(*words, "--shows", displayed(heat, drawn), "--write", "guess.toml", folder=tmp_path)
        assert first.returncode == 0, first.stderr
        is_settled = "\nIt is register" in first.stdout
        guess = (tmp_path / "guess.toml").read_text(encoding="utf-8")
        assert guess.startswith("# NOT SETTLED: ") is not is_settled
        assert ("NOT SETTLED" in first.stderr) is not is_settled
        bus.advance_to(600.0)
        shown = displayed(heat, drawn)
        bus.advance_to(602.0)  # the oven moves on between reading the display and asking the registers
        second = find(*words, "--shows", shown, "--write", "oven.toml", "--json", folder=tmp_path)
        assert second.returncode == 0, second.stderr
        said = json.loads(second.stdout)
        assert said["written"] == "oven.toml"
        written = (tmp_path / "oven.toml").read_text(encoding="utf-8")
        assert written.startswith("# NOT SETTLED: ") is not said["settled"]
        oven = read_oven(tmp_path / "oven.toml")
        (channel,) = oven.channels
        assert channel.unit == drawn.unit
        assert bus.tap.function_codes() <= {3, 4}
        assert bus.tap.unreadable() == []
        checked = subprocess.run(
            [sys.executable, "-m", "logger", "check", "oven.toml", "--shows", displayed(heat, drawn), "--for", "3 s"],
            capture_output=True,
            text=True,
            check=False,
            cwd=tmp_path,
            env=our_environment(),
        )
        assert checked.returncode == 0, checked.stdout + checked.stderr
        assert "All is well, as far as it was watched." in checked.stdout


def test_another_speed_of_the_line_is_found_on_the_way(tmp_path):
    with shop(3, baud=19200) as (bus, drawn, heat):
        words = [bus.port, "--registers", near(drawn), "--shows", displayed(heat, drawn), "--json"]
        said = json.loads(find(*words, folder=tmp_path).stdout)
    assert said["baud"] == 19200
    assert said["candidates"]


def test_a_display_that_nothing_follows_is_said_plainly_and_ends_with_1(tmp_path):
    with shop(4) as (bus, drawn, _):
        done = find(bus.port, "--registers", near(drawn), "--shows", "1250.5 C", folder=tmp_path)
    assert done.returncode == 1
    assert "None of them has what the display showed" in done.stdout


@pytest.mark.slow
def test_nobody_there_ends_with_what_to_look_at(tmp_path):
    with shop(4) as (bus, drawn, _):
        words = [bus.port, "--unit-address", "99", "--registers", near(drawn), "--deadline", "1 s"]
        done = find(*words, folder=tmp_path)
        assert done.returncode == 0  # found at another address
        assert "unit_address = 1" in done.stdout
    done = find(tmp_path / "none", folder=tmp_path)
    assert done.returncode == 1
    assert "not there" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["x", "--shows", "warm"], 'the display: found "warm", expected a temperature with its unit'),
        (["x", "--shows", "72"], 'found "72", expected a temperature with its unit'),
        (["x", "--registers", "9-2"], '--registers: found "9-2"'),
        (["x", "--deadline", "soon"], '--deadline: found "soon"'),
        (["none.toml"], "none.toml"),
    ],
)
def test_what_cannot_be_used_is_one_line(tmp_path, words, message):
    done = find(*words, folder=tmp_path)
    assert done.returncode in (1, 2)
    assert message in done.stderr.replace("\n", " ")
    assert "Traceback" not in done.stderr


def test_an_oven_file_that_is_there_is_never_written_over(tmp_path):
    (tmp_path / "oven.toml").write_text("precious")
    done = find("x", "--write", "oven.toml", folder=tmp_path)
    assert done.returncode == 2
    assert (tmp_path / "oven.toml").read_text() == "precious"


# -- a person at a terminal --------------------------------------------------------------------------------------


class Terminal:
    """The command on a terminal, and a person who types."""

    def __init__(self, folder: Path, *words: str) -> None:
        self._leader, follower = os.openpty()
        command = [sys.executable, "-m", "logger", "find", *words, "--gap", "0 s"]
        self.process = subprocess.Popen(
            command, stdin=follower, stdout=follower, stderr=follower, cwd=folder, env=our_environment(), close_fds=True
        )
        os.close(follower)
        self.seen = ""

    def wait_for(self, words: str, timeout_s: float = 60.0) -> None:
        until_s = time.monotonic() + timeout_s
        while words not in self.seen:
            assert time.monotonic() < until_s, self.seen[-2000:]
            if select.select([self._leader], [], [], 0.1)[0]:
                try:
                    self.seen += os.read(self._leader, 4096).decode(errors="replace")
                except OSError:
                    raise AssertionError(f"it ended; {words!r} not in {self.seen[-2000:]}") from None

    def type(self, words: str) -> None:
        self.seen = ""
        os.write(self._leader, words.encode() + b"\n")

    def end(self) -> str:
        with os.fdopen(self._leader, "rb", buffering=0) as leader:
            while True:
                try:
                    data = leader.read(4096)
                except OSError:
                    break
                if not data:
                    break
                self.seen += data.decode(errors="replace")
        self.process.wait(30)
        return self.seen


def test_a_person_is_asked_twice_and_gets_an_oven_file(tmp_path):
    with shop(8) as (bus, drawn, heat):
        terminal = Terminal(tmp_path, bus.port, "--registers", near(drawn))
        terminal.wait_for("What does the controller's display show now")
        terminal.type("lukewarm")
        terminal.wait_for("expected a temperature with its unit")
        terminal.wait_for("What does the controller's display show now")
        terminal.type(displayed(heat, drawn))
        terminal.wait_for("so far.")
        terminal.wait_for("What does it show then?")
        bus.advance_to(600.0)
        terminal.type(displayed(heat, drawn))
        terminal.wait_for("Write oven.toml?")
        terminal.type("y")
        said = terminal.end()
    assert terminal.process.returncode == 0
    assert "Written: oven.toml. Now: soaktally check oven.toml" in said
    (channel,) = read_oven(tmp_path / "oven.toml").channels
    assert channel.unit == drawn.unit
    assert isinstance(channel.source, RegisterSource)
    assert channel.source.register.address == drawn.process_value.address


def test_stopping_the_reading_keeps_what_was_found_and_another_day_goes_on_from_there(tmp_path):
    with shop(8, paced=True, baud=9600) as (bus, drawn, heat):
        first = drawn.process_value.address
        span = f"{max(0, first - 5)}-{first + 400}"
        terminal = Terminal(tmp_path, bus.port, "--registers", span, "--notes", "notes.json")
        terminal.wait_for("registers tried, ")
        while not re.search(r"tried, [1-9]\d* are there", terminal.seen):
            terminal.wait_for("registers tried, ")
            time.sleep(0.2)
            terminal.seen = terminal.seen[-400:]
            if select.select([terminal._leader], [], [], 0.1)[0]:
                terminal.seen += os.read(terminal._leader, 4096).decode(errors="replace")
        terminal.process.send_signal(signal.SIGINT)
        terminal.wait_for("Stopped; going on with the")
        terminal.wait_for("What does the controller's display show now")
        terminal.type("")
        terminal.end()
        kept = load_notes(tmp_path / "notes.json")
        assert kept.found
        assert 0 < len(kept.tried) < 2 * 406
        asked = len(bus.tap.requests)
        span = f"{max(0, first - 5)}-{first + 10}"
        words = [bus.port, "--notes", "notes.json", "--registers", span, "--shows", displayed(heat, drawn), "--json"]
        said = json.loads(find(*words, folder=tmp_path).stdout)
    assert said["registers"] >= len(kept.found)
    again = [passed for passed in bus.tap.requests[asked:] if passed.readable]
    assert len(again) < 100


# -- notes and oven files ----------------------------------------------------------------------------------------


def test_notes_come_back_as_they_were(tmp_path):
    notes = Notes(
        PortSettings("p", Framing.ASCII, 19200, "even", 7, 1),
        17,
        {RegisterAddress(3, 5): 77, RegisterAddress(4, 9): 1},
        {RegisterAddress(3, at) for at in (0, 1, 2, 7)},
    )
    save_notes(notes, tmp_path / "notes.json")
    assert load_notes(tmp_path / "notes.json") == notes


@pytest.mark.parametrize("text", ["", "{}", "[]", '{"kind": "soaktally find"}', "\x00"])
def test_anything_else_is_no_notes(tmp_path, text):
    (tmp_path / "notes.json").write_text(text)
    with pytest.raises(InputFault, match="notes of an earlier soaktally find"):
        load_notes(tmp_path / "notes.json")


@pytest.mark.parametrize("number", list(NumberFormat))
@pytest.mark.parametrize("framing", [Framing.RTU, Framing.ASCII, Framing.TCP])
def test_a_written_oven_file_reads_back_as_the_settings_it_was_made_from(tmp_path, framing, number):
    name = "tcp://192.0.2.1:502" if framing is Framing.TCP else 'odd "name" \\ of a port'
    port = PortSettings(name, framing, 19200, "even", 8 if framing is not Framing.ASCII else 7)
    controller = ControllerSettings("controller", (), 12, gap_s=0.05, answer_deadline_s=0.7, slowest_answer_s=1.5)
    source = RegisterSource(
        RegisterAddress(4, 300), number, "low first" if number.register_count == 2 else "high first", 0.01
    )
    written = tmp_path / "oven.toml"
    written.write_text(oven_text("left oven", port, controller, [FoundChannel("air", source, "F")]), encoding="utf-8")
    oven = read_oven(written)
    (read_port,) = oven.ports
    (read_controller,) = read_port.controllers
    (channel,) = read_controller.channels
    assert oven.name == "left oven"
    assert (read_port.name, read_port.framing) == (name, framing)
    if framing is not Framing.TCP:
        assert (read_port.baud, read_port.parity, read_port.data_bits) == (19200, "even", port.data_bits)
    assert (read_controller.unit_address, read_controller.gap_s) == (12, 0.05)
    assert (read_controller.answer_deadline_s, read_controller.slowest_answer_s) == (0.7, 1.5)
    assert channel.source == source
    assert channel.unit is ChannelUnit.FAHRENHEIT
