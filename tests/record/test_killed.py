"""Kill -9 and power cuts: nothing acknowledged is lost, nothing is there twice, no batch is there by half."""

import multiprocessing
import os
import random
import shutil
import signal
import sqlite3
from contextlib import suppress
from multiprocessing.connection import Connection
from multiprocessing.context import ForkServerProcess
from pathlib import Path

import pytest

from logger.record import RecordReader, RecordWriter
from logger.record_writer import _Job
from tests.record.killed_writer import CHANNELS, watch
from tests.whole.loopback import reached

SEED = 20261125


@pytest.fixture(scope="module")
def processes() -> multiprocessing.context.ForkServerContext:
    """Processes that begin with the record's modules already imported, so that many fit into a few seconds."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["tests.record.killed_writer"])
    return context


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "record.db"


def start(
    processes: multiprocessing.context.ForkServerContext, path: Path, stop_before_commit: int = 0
) -> tuple[ForkServerProcess, Connection]:
    hears, says = processes.Pipe(duplex=False)
    process = processes.Process(target=watch, args=(path, says, stop_before_commit), daemon=True)
    process.start()
    says.close()
    return process, hears


def rest(hears: Connection) -> list[int]:
    """What a process still said before it was gone."""
    said = []
    with suppress(EOFError, OSError):
        while True:
            said.append(hears.recv())
    hears.close()
    return said


def assert_whole(path: Path, acknowledged: int) -> int:
    """Both channels hold 0, 1, 2, ... without a hole, at least up to what was acknowledged; the last number."""
    check = sqlite3.connect(path)
    assert check.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    check.close()
    with RecordReader(path) as reader:
        (run,) = reader.runs()
        histories = [reader.history(run.id, channel) for channel in CHANNELS]
    first, second = (history.time_s.tolist() for history in histories)
    assert first == second == [float(n) for n in range(len(first))]
    assert histories[0].temperature_K.tolist() == [300.0 + n for n in range(len(first))]
    assert len(first) - 1 >= acknowledged
    return len(first) - 1


def kill_again_and_again(processes: multiprocessing.context.ForkServerContext, path: Path, kills: int) -> int:
    chance = random.Random(SEED)
    acknowledged = -1
    for _ in range(kills):
        process, hears = start(processes, path)
        acknowledged = hears.recv()
        process.join(chance.uniform(0.0, 0.03))
        process.kill()
        process.join()
        acknowledged = max([acknowledged, *rest(hears)])
        last = assert_whole(path, acknowledged)
        assert last <= acknowledged + 1, "at most the one batch whose answer was cut off"
    return acknowledged


def test_killed_at_random_moments_it_loses_nothing_acknowledged(
    processes: multiprocessing.context.ForkServerContext, path: Path
) -> None:
    assert kill_again_and_again(processes, path, 12) > 12


@pytest.mark.slow
def test_killed_at_200_random_moments_it_loses_nothing_acknowledged(
    processes: multiprocessing.context.ForkServerContext, path: Path
) -> None:
    assert kill_again_and_again(processes, path, 200) > 200


@pytest.mark.parametrize("commit", [1, 2, 7])
def test_killed_between_write_and_commit_the_batch_is_not_there_at_all(
    processes: multiprocessing.context.ForkServerContext, path: Path, commit: int
) -> None:
    process, hears = start(processes, path, stop_before_commit=commit)
    said: list[int | str] = []
    while (word := hears.recv()) != "committing":
        said.append(word)
    process.kill()
    process.join()
    assert rest(hears) == []
    assert said == list(range(commit - 1))
    with RecordReader(path) as reader:
        assert reader.history(reader.run("last").id, "air").time_s.tolist() == said
    process, hears = start(processes, path)
    assert hears.recv() == commit - 1, "the run goes on where it was"
    process.kill()
    process.join()
    hears.close()


def test_a_power_cut_leaves_a_record_that_opens_with_everything_acknowledged(
    processes: multiprocessing.context.ForkServerContext, path: Path, tmp_path: Path
) -> None:
    """The files are copied as they stand at a random moment, and the log's unfinished tail is spoilt."""
    chance = random.Random(SEED)
    process, hears = start(processes, path)
    acknowledged = hears.recv()
    for cut in range(12):
        process.join(chance.uniform(0.0, 0.02))
        assert process.pid is not None
        os.kill(process.pid, signal.SIGSTOP)
        assert reached(lambda: _stopped(process.pid))
        while hears.poll(0.0):
            acknowledged = hears.recv()
        after = tmp_path / f"after-{cut}" / "record.db"
        after.parent.mkdir()
        shutil.copy(path, after)
        log = path.with_name("record.db-wal")
        if log.exists():
            tail = chance.randbytes(chance.randrange(0, 9000))
            after.with_name(log.name).write_bytes(log.read_bytes() + tail)
        os.kill(process.pid, signal.SIGCONT)
        RecordWriter(after).close()
        assert_whole(after, acknowledged)
    process.kill()
    process.join()
    hears.close()


def _stopped(pid: int | None) -> bool:
    return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "T"


def test_every_commit_is_flushed_to_the_disk_before_it_is_acknowledged(path: Path) -> None:
    with RecordWriter(path) as writer:
        assert writer._db is not None
        connection = writer._db
        mode: list[object] = []

        def ask(_: object) -> tuple[tuple[()], None]:
            mode.append(connection.execute("PRAGMA journal_mode").fetchone()[0])
            mode.append(connection.execute("PRAGMA synchronous").fetchone()[0])
            return (), None

        writer._do(_Job(ask))
    assert mode == ["wal", 2], "2 is FULL"
