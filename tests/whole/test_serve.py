"""Several ovens in one daemon: each alone, runs by request, settings anew, nobody else on the same record or port."""

import os
import signal
import sqlite3
import subprocess
import sys
from contextlib import ExitStack
from itertools import pairwise
from pathlib import Path

import pytest

from logger.alert_rules import AlertKind
from logger.errors import InputFault
from logger.record import RecordReader, RecordWriter
from logger.review import review_run
from logger.situation import IdleSituation, Situation
from sim.bus import Bus
from sim.faults import Fault, FaultPlan
from sim.heat import Heat
from sim.modbus_server import Station
from sim.scenario import scenario
from tests.whole.loopback import reached
from tests.whole.served import (
    SHEET,
    Served,
    answered,
    begun,
    grows,
    oven_file,
    readings,
    served,
    simulated,
    soaktally,
    told,
)


def situation(running: Served, oven: str) -> Situation | IdleSituation | None:
    pinned = running.board.latest(oven)
    return None if pinned is None else pinned.situation


def test_an_idle_oven_shows_its_live_readings_and_needs_no_run(tmp_path: Path) -> None:
    with simulated() as bus, served(oven_file(tmp_path, "east", bus.port)) as running:

        def warm() -> bool:
            up = situation(running, "east")
            return isinstance(up, IdleSituation) and any(one.temperature_K > 300.0 for one in up.channels)

        assert reached(warm)
        with RecordReader(tmp_path / "record.db") as reader:
            assert reader.runs() == ()


def test_runs_begin_and_end_by_request_while_the_other_oven_goes_on(tmp_path: Path) -> None:
    record = tmp_path / "record.db"
    with simulated() as one, simulated(seed=2) as two:
        files = oven_file(tmp_path, "east", one.port), oven_file(tmp_path, "west", two.port)
        with served(*files) as running:
            west = begun(record, "west")
            east = begun(record, "east")
            assert east != west
            assert reached(lambda: isinstance(situation(running, "east"), Situation))
            refused = answered(record, "start", oven="east", sheet_name="strap", sheet_text=SHEET)
            assert not refused.done
            assert refused.text == f"oven east: run {east} is going on; stop it first"
            marked = answered(record, "mark", oven="east", text="opened the door", author="Ada")
            assert marked.done
            assert answered(record, "stop", oven="east").done
            assert grows(record, west)
            assert reached(lambda: isinstance(situation(running, "east"), IdleSituation))
    with RecordReader(record) as reader:
        ended, going_on = reader.run(east), reader.run(west)
        assert ended.how_ended == "stopped"
        assert going_on.ended_utc_s is None, "a daemon that is stopped leaves its runs to be taken up"
        (note,) = reader.notes(east)
        assert (note.text, note.author) == ("opened the door", "Ada")
        assert note.time_s is not None
        assert note.time_s > 0.0


@pytest.mark.parametrize(
    ("kind", "detail", "why"),
    [
        ("start", {"oven": "east", "sheet_text": "[piece]"}, "run sheet, line 1: piece.shape: found nothing, expected"),
        ("start", {"oven": "east"}, "request start: found no 'sheet_text', expected one"),
        ("start", {"oven": "north", "sheet_text": SHEET}, "found 'north', expected one of east"),
        ("stop", {"oven": "east"}, "oven east: found no run going on, expected one; begin it with `soaktally start`"),
        ("stop", {"run": "2020-01-01-a"}, "found '2020-01-01-a', expected a run that is going on"),
        ("acknowledge", {"oven": "east", "alert": "link lost"}, "oven east: no open alert of that kind"),
        ("dance", {"oven": "east"}, 'request: found "dance", expected one of start, stop, mark, acknowledge'),
    ],
)
def test_a_request_that_cannot_be_done_is_refused_with_the_reason(
    one_oven: Path, kind: str, detail: dict[str, str], why: str
) -> None:
    answer = answered(one_oven, kind, **detail)
    assert not answer.done
    assert why in answer.text


@pytest.fixture(scope="module")
def one_oven(tmp_path_factory: pytest.TempPathFactory):  # type: ignore[no-untyped-def]
    folder = tmp_path_factory.mktemp("one")
    with simulated() as bus, served(oven_file(folder, "east", bus.port)):
        yield folder / "record.db"


def test_an_oven_whose_port_is_pulled_disturbs_no_other(tmp_path: Path) -> None:
    record = tmp_path / "record.db"
    unplugged = FaultPlan((Fault("unplug", from_s=300.0),))
    with simulated(faults=unplugged) as one, simulated(seed=2) as two:
        files = oven_file(tmp_path, "east", one.port), oven_file(tmp_path, "west", two.port)
        with served(*files) as running:
            east, west = begun(record, "east"), begun(record, "west")
            assert reached(lambda: any("link lost" in words for words in raised(record, east)))
            assert grows(record, west)
            assert raised(record, west) == []
            assert answered(record, "acknowledge", oven="east", alert="link lost", who="Ada").done
            up = situation(running, "east")
            assert isinstance(up, Situation)
            assert up.links_lost
    with RecordReader(record) as reader:
        events = [row.event for row in reader.alerts(run=east) if row.event.kind is AlertKind.LINK_LOST]
        assert [event.phase for event in events] == ["raised", "acknowledged"]
        assert events[1].message.endswith("Acknowledged by Ada.")


def raised(record: Path, run: str) -> list[str]:
    with RecordReader(record) as reader:
        return [str(row.event.kind) for row in reader.alerts(run=run) if row.event.phase == "raised"]


def test_a_changed_oven_file_is_in_force_without_losing_the_run(tmp_path: Path) -> None:
    record = tmp_path / "record.db"
    with simulated() as bus, served(oven_file(tmp_path, "east", bus.port)) as running:
        run = begun(record, "east")
        assert grows(record, run)
        oven_file(tmp_path, "east", bus.port, limits="over_temperature_C = 30")
        assert reached(lambda: "over temperature" in raised(record, run))
        assert grows(record, run)
        (tmp_path / "east.toml").write_text("[oven", encoding="utf-8")
        assert running.daemon is not None
        running.daemon.reload()
        assert grows(record, run), "a file with a mistake changes nothing"
        oven_file(tmp_path, "east", bus.port, poll_s=50.0)
        (answer,) = running.daemon.reload()
        assert answer.text == "oven east: its driving channel is not changed while a run goes on"
    with RecordReader(record) as reader:
        (row,) = reader.runs()
        kept = list(reader.readings(run))
    assert all(before.time_s < after.time_s for before, after in pairwise(kept))
    assert "restarted" not in raised(record, row.id)


def test_two_daemons_on_one_record_the_second_says_so_and_stops(tmp_path: Path) -> None:
    with simulated() as one, simulated(seed=2) as two:
        first = oven_file(tmp_path, "east", one.port)
        second = oven_file(tmp_path, "west", two.port)
        with served(first):
            said = soaktally("serve", second)
            assert said.returncode == 1
            assert "already being written by another soaktally" in said.stderr
            assert "Live page" not in said.stdout
            sheet = tmp_path / "sheet.toml"
            sheet.write_text(SHEET, encoding="utf-8")
            said = soaktally("watch", second, "--sheet", sheet, "--page", "127.0.0.1:0")
            assert said.returncode == 1
            assert "already being written by another soaktally" in said.stderr
            assert "Live page" not in said.stdout
            assert "Traceback" not in said.stderr


def test_two_daemons_on_one_port_the_second_says_so_and_stops(tmp_path: Path) -> None:
    with simulated() as bus:
        first = oven_file(tmp_path, "east", bus.port)
        second = oven_file(tmp_path, "west", bus.port, record="other.db")
        with served(first):
            said = soaktally("serve", second)
            assert said.returncode == 1
            assert bus.port in said.stderr
            assert "Traceback" not in said.stderr
    with RecordReader(tmp_path / "other.db") as reader:
        assert reader.runs() == ()


def test_two_oven_files_with_one_name_or_one_port_are_refused(tmp_path: Path) -> None:
    one = oven_file(tmp_path, "east", "/dev/no-such-port")
    two = tmp_path / "again.toml"
    two.write_text(one.read_text(encoding="utf-8"), encoding="utf-8")  # even with the same unit address
    with pytest.raises(InputFault) as refusal:
        Served([one, two])
    assert [fault.found for fault in refusal.value.faults] == [
        "the name east twice",
        "port /dev/no-such-port, a unit address twice",
    ]


class Process:
    """`soaktally serve` in a process of its own; gone when the stack is left, whatever happened."""

    def __init__(self, stack: ExitStack, *files: Path) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "logger", "serve", *map(str, files)],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        stack.callback(self.process.kill)
        assert self.process.stdout is not None
        self.said: list[str] = []
        for line in self.process.stdout:
            self.said.append(line)
            if line.startswith("Watching"):
                return
        raise AssertionError("".join(self.said))

    def end(self, number: int) -> int:
        self.process.send_signal(number)
        assert self.process.stdout is not None
        self.said.append(self.process.stdout.read())
        self.process.stdout.close()
        return self.process.wait(60.0)


@pytest.mark.skipif(os.name != "posix", reason="needs signals")
def test_killed_stopped_and_started_again_it_is_one_run_with_gaps(tmp_path: Path) -> None:
    record = tmp_path / "record.db"
    with simulated(speed=300.0) as bus, ExitStack() as stack:
        file = oven_file(tmp_path, "east", bus.port, speed=300.0, poll_s=10.0)
        (tmp_path / "strap.toml").write_text(SHEET, encoding="utf-8")
        first = Process(stack, file)
        said = soaktally("start", file, "--sheet", tmp_path / "strap.toml", "--json", "--wait", "60")
        assert said.returncode == 0, said.stderr
        run = told(said)["run"]
        assert grows(record, run, 20)
        before = readings(record, run)
        first.end(signal.SIGKILL)
        second = Process(stack, file)
        assert readings(record, run) >= before
        assert grows(record, run)
        assert second.end(signal.SIGTERM) == 0
        third = Process(stack, file)
        assert grows(record, run)
        assert soaktally("note", "last", "all well", "--record", record).returncode == 0
        ended = soaktally("stop", file, "--wait", "60")
        assert ended.stdout == f"run {run} is ended\n"
        assert third.end(signal.SIGTERM) == 0
        unanswered = soaktally("stop", file, "--wait", "0.5")
        assert unanswered.returncode == 1
        assert "nobody answers" in unanswered.stderr
    with RecordReader(record) as reader:
        (row,) = reader.runs()
        assert row.how_ended == "stopped"
        kept = list(reader.readings(run))
    assert raised(record, run).count("restarted") == 2
    times = [reading.time_s for reading in kept if reading.channel == "air"]
    assert all(before < after for before, after in pairwise(times))
    gaps = review_run(record, run).estimate.thermal.gaps
    assert len(gaps) >= 2


def test_what_was_asked_while_nobody_watched_is_refused_later(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from logger import requests

    record = tmp_path / "record.db"
    with simulated() as bus:
        file = oven_file(tmp_path, "east", bus.port)
        with served(file):
            pass
        monkeypatch.setattr(requests.time, "time", lambda: 1.0)
        asked = requests.ask(record, "start", oven="east", sheet_name="strap", sheet_text=SHEET)
        monkeypatch.undo()
        with served(file):
            answer = requests.wait_for_answer(record, asked, 20.0)
    assert answer is not None
    assert not answer.done
    assert "nobody was watching when this was asked" in answer.text


def test_the_oven_file_is_what_every_command_needs(tmp_path: Path) -> None:
    said = soaktally("stop", tmp_path / "gone.toml")
    assert said.returncode == 2
    assert said.stdout == ""
    assert "gone.toml: found no such file" in said.stderr


def test_an_oven_that_cannot_be_used_is_left_out_and_told_about(tmp_path: Path) -> None:
    with simulated() as bus:
        good = oven_file(tmp_path, "east", bus.port)
        wrong = tmp_path / "west.toml"
        wrong.write_text("[oven]\nname = 'west'\n", encoding="utf-8")
        newer = oven_file(tmp_path, "north", "/dev/no-such-port", record="newer.db")
        newer_record(tmp_path / "newer.db")
        with served(wrong, newer, good) as running:
            assert running.daemon is not None
            assert list(running.daemon.ovens) == ["east"]
            assert reached(lambda: len(not_watched(tmp_path / "record.db")) == 2)
            assert begun(tmp_path / "record.db", "east")
    told = not_watched(tmp_path / "record.db")
    assert any("west.toml" in words and "[[port]]" in words for words in told)
    assert any("a record of a newer version (step from_2031)" in words for words in told)


def not_watched(record: Path) -> list[str]:
    with RecordReader(record) as reader:
        return [row.event.message for row in reader.alerts() if row.event.kind is AlertKind.NOT_WATCHED]


def newer_record(path: Path) -> None:
    """A record that a version of the future has touched."""
    RecordWriter(path).close()
    db = sqlite3.connect(path)
    db.execute("INSERT INTO _sqlite_migrations (migration_set, name, applied_at) VALUES ('record', 'from_2031', '')")
    db.commit()
    db.close()


def test_a_record_of_a_newer_version_is_refused_and_left_as_it_is(tmp_path: Path) -> None:
    newer_record(tmp_path / "record.db")
    before = (tmp_path / "record.db").read_bytes()
    said = soaktally("serve", oven_file(tmp_path, "east", "/dev/no-such-port"))
    assert said.returncode == 2
    assert "found a record of a newer version (step from_2031), expected this version" in said.stderr
    assert (tmp_path / "record.db").read_bytes() == before


def test_a_record_destroyed_by_a_power_cut_is_no_reason_not_to_watch(tmp_path: Path) -> None:
    record = tmp_path / "record.db"
    with simulated() as bus:
        file = oven_file(tmp_path, "east", bus.port)
        with served(file):
            pass
        record.write_bytes(b"\x00" * 8192)
        with served(file) as running:
            assert reached(
                lambda: (
                    isinstance(up := situation(running, "east"), IdleSituation)
                    and any(alert.fact.kind is AlertKind.RECORD_TROUBLE for alert in up.open_alerts)
                )
            )
            record.unlink()  # put aside: a new record begins by itself
            assert reached(lambda: not getattr(situation(running, "east"), "open_alerts", True), 30.0)
            run = begun(record, "east")
            assert grows(record, run)


def test_names_in_any_writing_are_names(tmp_path: Path) -> None:
    record = tmp_path / "record.db"
    sheet = SHEET.replace("strap, invented", "鉋刃 № 3 ‘früh’")
    with simulated() as bus:
        with served(oven_file(tmp_path, "Härteofen 火", bus.port)) as running:
            run = begun(record, "Härteofen 火", sheet)
            assert answered(record, "mark", oven="Härteofen 火", text="Tür auf 🔥", author="Ægir").done
            assert reached(lambda: isinstance(situation(running, "Härteofen 火"), Situation))
            assert grows(record, run)
        with RecordReader(record) as reader:
            assert reader.run(run).oven == "Härteofen 火"
            assert [note.text for note in reader.notes(run)] == ["Tür auf 🔥"]


def test_ovens_on_one_line_are_each_watched_and_a_silent_one_holds_up_no_other(tmp_path: Path) -> None:
    record = tmp_path / "record.db"
    chosen = scenario("plane-iron")
    silent = FaultPlan((Fault("dropout", from_s=300.0, unit=2),))
    stations = [
        Station(1, Heat(chosen.program, canister=chosen.canister, seed=1)),
        Station(2, Heat(chosen.program, canister=chosen.canister, seed=2)),
    ]
    with Bus(stations, speed=60.0, faults=silent) as bus:
        files = [oven_file(tmp_path, name, bus.port) for name in ("east", "west")]
        words = files[1].read_text(encoding="utf-8")
        files[1].write_text(
            words.replace('name = "controller"', 'name = "controller"\nunit_address = 2'), encoding="utf-8"
        )
        with served(*files) as running:
            east, west = begun(record, "east"), begun(record, "west")
            assert reached(lambda: "link lost" in raised(record, west), 60.0)
            assert grows(record, east)
            assert raised(record, east) == []
            oven_file(tmp_path, "east", bus.port, limits="over_temperature_C = 30")
            assert reached(lambda: "over temperature" in raised(record, east), 60.0)
            assert running.daemon is not None
            assert not running.daemon.not_well()
