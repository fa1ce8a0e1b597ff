"""What goes into the record comes out of it, and nothing that is in it ever changes."""

import sqlite3
import threading
from math import isnan, nan
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.alert import AlertEvent, Phase
from logger.alert_rules import AlertKind, Severity
from logger.errors import InputFault
from logger.reading import Quality, Reading
from logger.record import RecordReader, RecordWriter, append_from_outside, note, request
from logger.record_operations import Operation, run_id
from logger.record_writer import _Job

START_UTC_S = 1_795_600_800.0
SHEET = '# strap for a plane iron\n[piece]\nshape = "plate"\nthickness_mm = 6.0\n'


def begin(writer: RecordWriter, oven: str = "back room", started_utc_s: float = START_UTC_S) -> str:
    return writer.begin_run(
        oven=oven,
        channels=["air", "canister"],
        sheet_name="strap.toml",
        sheet_text=SHEET,
        started_utc_s=started_utc_s,
        software="0.1.0",
        poll_interval_s=5.0,
    )


def reading(time_s: float, temperature_K: float = 1200.0, channel: str = "air", **more: object) -> Reading:
    return Reading(channel, time_s, START_UTC_S + time_s, temperature_K, **more)  # type: ignore[arg-type]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "record.db"


def same(left: Reading, right: Reading) -> bool:
    """Equal field by field, NaN equal to NaN."""
    return repr(left) == repr(right)


def test_a_run_comes_back_as_it_was_begun_and_ended(path: Path) -> None:
    with RecordWriter(path) as writer, RecordReader(path) as reader:
        run = begin(writer)
        row = reader.run(run)
        assert (row.oven, row.sheet_name, row.sheet_text) == ("back room", "strap.toml", SHEET)
        assert (row.started_utc_s, row.clock, row.poll_interval_s) == (START_UTC_S, "real", 5.0)
        assert reader.unfinished_run("back room") == row
        assert reader.channels(run) == ("air", "canister")
        writer.end_run(run, "stopped by the user", ended_utc_s=START_UTC_S + 60.0)
        assert (reader.run(run).ended_utc_s, reader.run(run).how_ended) == (START_UTC_S + 60.0, "stopped by the user")
        assert reader.unfinished_run("back room") is None


def test_a_run_that_is_closed_stays_as_it_was_closed(path: Path) -> None:
    with RecordWriter(path) as writer, RecordReader(path) as reader:
        run = begin(writer)
        writer.end_run(run, "stopped by the user", ended_utc_s=START_UTC_S + 60.0)
        writer.end_run(run, "lost", ended_utc_s=START_UTC_S + 99.0)
        assert reader.run(run).how_ended == "stopped by the user"


def test_run_ids_are_the_day_and_the_next_letter_whatever_the_oven(path: Path) -> None:
    with RecordWriter(path) as writer:
        first, second = begin(writer), begin(writer, oven="forge")
        tomorrow = begin(writer, started_utc_s=START_UTC_S + 86400.0)
    assert (first[-2:], second[-2:], tomorrow[-2:]) == ("-a", "-b", "-a")
    assert first[:-2] == second[:-2] < tomorrow[:-2]


@pytest.mark.parametrize(
    ("ordinal", "letters"), [(0, "a"), (25, "z"), (26, "aa"), (27, "ab"), (701, "zz"), (702, "aaa")]
)
def test_after_z_comes_aa(ordinal: int, letters: str) -> None:
    assert run_id("2026-11-25", ordinal) == f"2026-11-25-{letters}"


def test_a_run_is_found_by_id_by_a_beginning_that_fits_only_one_and_as_the_last(path: Path) -> None:
    with RecordWriter(path) as writer, RecordReader(path) as reader:
        first = begin(writer)
        second = begin(writer, started_utc_s=START_UTC_S + 400 * 86400.0)
        assert reader.run(first).id == first
        assert reader.run(second[:4]).id == second
        assert reader.run("last").id == second


def test_a_run_id_is_found_although_longer_ids_begin_with_it(path: Path) -> None:
    with RecordWriter(path) as writer, RecordReader(path) as reader:
        ids = [begin(writer) for _ in range(28)]
        assert reader.run(ids[0]).id == ids[0]


def test_a_beginning_that_fits_several_runs_is_refused_naming_them(path: Path) -> None:
    with RecordWriter(path) as writer, RecordReader(path) as reader:
        first, second = begin(writer), begin(writer)
        with pytest.raises(InputFault) as refusal:
            reader.run(first[:-2])
    assert str(refusal.value) == (f"run {first[:-2]}: found 2 runs that begin so, expected one of {first}, {second}")


def test_a_run_that_is_not_there_is_refused_naming_the_nearest(path: Path) -> None:
    with RecordWriter(path) as writer, RecordReader(path) as reader:
        run = begin(writer)
        for wrong in (run + "x", ""):
            with pytest.raises(InputFault) as refusal:
                reader.run(wrong)
            assert str(refusal.value) == f"run {wrong}: found no such run, expected one of {run}"


def test_the_last_run_of_an_empty_record_is_refused(path: Path) -> None:
    with RecordWriter(path), RecordReader(path) as reader, pytest.raises(InputFault, match="no runs yet"):
        reader.run("last")


def test_readings_come_back_in_time_order_exactly(path: Path) -> None:
    batch = [
        reading(0.0, 293.15, raw="00 c8", monotonic_s=12.5, set_point_K=1200.0, output_pct=100.0),
        reading(5.0, nan, quality=Quality.SENSOR_OPEN, raw="7fff"),
        reading(5.0, 300.1, channel="canister"),
        reading(10.0, 0.1 + 0.2, quality=Quality.SPIKE),
    ]
    with RecordWriter(path) as writer, RecordReader(path) as reader:
        run = begin(writer)
        writer.append_readings(run, batch)
        back = list(reader.readings(run))
        assert [repr(one) for one in back] == [repr(one) for one in batch]
        last = reader.last_reading(run)
        assert last is not None
        assert same(last, batch[-1])


def test_a_history_has_nan_where_a_reading_was_not_good_though_its_value_is_kept(path: Path) -> None:
    with RecordWriter(path) as writer, RecordReader(path) as reader:
        run = begin(writer)
        writer.append_readings(
            run, [reading(0.0, 900.0), reading(5.0, 1900.0, quality=Quality.SPIKE), reading(10.0, 901.0)]
        )
        history = reader.history(run, "air")
        assert history.time_s.tolist() == [0.0, 5.0, 10.0]
        assert np.array_equal(history.temperature_K, [900.0, nan, 901.0], equal_nan=True)
        assert history.interval_s == 5.0
        assert reader.history(run, "air", after_s=5.0).time_s.tolist() == [10.0]
        assert len(reader.history(run, "canister")) == 0
        assert list(reader.histories(run)) == ["air"]
        assert [one.temperature_K for one in reader.readings(run)] == [900.0, 1900.0, 901.0]


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None, max_examples=25)
@given(
    st.lists(
        st.tuples(
            st.floats(0.0, 1e6),
            st.floats(allow_infinity=False),
            st.sampled_from([q for q in Quality if q is not Quality.GOOD]),
            st.text(st.characters(codec="utf-8")),
        ),
        unique_by=lambda row: row[0],
        max_size=20,
    )
)
def test_whatever_is_read_comes_back(
    tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[float, float, Quality, str]]
) -> None:
    path = tmp_path_factory.mktemp("any") / "record.db"
    # SQLite keeps no sign of zero; adding 0.0 drops it here as well.
    batch = [reading(t + 0.0, temperature_K + 0.0, quality=quality, raw=raw) for t, temperature_K, quality, raw in rows]
    with RecordWriter(path) as writer, RecordReader(path) as reader:
        run = begin(writer)
        writer.append_readings(run, batch)
        assert [repr(r) for r in reader.readings(run)] == [repr(r) for r in sorted(batch, key=lambda r: r.time_s)]


def test_numpy_values_are_kept_as_numbers(path: Path) -> None:
    with RecordWriter(path) as writer, RecordReader(path) as reader:
        run = begin(writer)
        writer.append_readings(run, [Reading("air", np.float64(1), np.float64(2), np.float32(300.5))])  # type: ignore[arg-type]
        (back,) = reader.readings(run)
    assert (back.time_s, back.utc_s, back.temperature_K) == (1.0, 2.0, 300.5)


def test_an_infinite_or_absent_good_temperature_is_refused_and_the_rest_goes_on(path: Path) -> None:
    with RecordWriter(path) as writer, RecordReader(path) as reader:
        run = begin(writer)
        with pytest.raises(ValueError, match="infinite"):
            writer.append_readings(run, [reading(0.0, float("inf"))])
        with pytest.raises(sqlite3.IntegrityError, match="CHECK"):
            writer.append_readings(run, [reading(0.0, 300.0), reading(5.0, nan)])
        assert list(reader.readings(run)) == []
        writer.append_readings(run, [reading(0.0)])
        assert len(list(reader.readings(run))) == 1


def test_a_reading_is_never_recorded_twice(path: Path) -> None:
    with RecordWriter(path) as writer:
        run = begin(writer)
        writer.append_readings(run, [reading(0.0)])
        with pytest.raises(sqlite3.IntegrityError, match="UNIQUE"):
            writer.append_readings(run, [reading(0.0)])


def test_readings_for_a_run_that_was_never_begun_are_refused(path: Path) -> None:
    with RecordWriter(path) as writer, pytest.raises(sqlite3.IntegrityError, match="no run 2026-11-25-q"):
        writer.append_readings("2026-11-25-q", [reading(0.0)])


EVENT = AlertEvent(
    AlertKind.OVER_TEMPERATURE, "air", 1, Phase.RAISED, 70.0, Severity.DANGER, "Over temperature", "1001 °C.", "Go."
)


def test_alerts_events_notes_estimates_settings_and_deliveries_come_back(path: Path) -> None:
    with RecordWriter(path) as writer, RecordReader(path) as reader:
        run = begin(writer)
        alert = writer.append_alert(EVENT, utc_s=START_UTC_S + 70.0, oven="back room", run=run)
        other = writer.append_alert(EVENT, utc_s=START_UTC_S + 80.0)
        (row,) = reader.alerts(run)
        assert (row.id, row.oven, row.run, row.event) == (alert, "back room", run, EVENT)
        assert [one.id for one in reader.alerts()] == [alert, other]

        writer.append_event(
            "gap", "no readings for 90 s", utc_s=START_UTC_S, run=run, time_s=60.0, detail={"gap_s": 90.0}
        )
        (event,) = reader.events(run)
        assert (event.kind, event.time_s, event.oven, event.detail) == ("gap", 60.0, None, {"gap_s": 90.0})
        assert reader.events(after=event.number) == ()

        writer.add_note(run, "opened the door ± 10 s, Käthe", utc_s=START_UTC_S, time_s=30.0, author="Käthe")
        (kept,) = reader.notes(run)
        assert (kept.text, kept.author, kept.time_s) == ("opened the door ± 10 s, Käthe", "Käthe", 30.0)

        writer.append_estimate(run, 60.0, {"case_depth_m": 1e-4})
        assert reader.estimates(run) == ((60.0, {"case_depth_m": 1e-4}),)

        writer.keep_setting("display", "C", utc_s=1.0)
        writer.keep_setting("display", "F", utc_s=2.0)
        assert (reader.setting("display"), reader.setting("nothing")) == ("F", None)

        for channel, outcome in [("phone", "queued"), ("mail", "queued"), ("phone", "failed"), ("phone", "delivered")]:
            writer.append_deliveries([(alert, channel)], outcome, utc_s=START_UTC_S)
        assert [(channel, waiting.id) for channel, waiting in reader.undelivered()] == [("mail", alert)]
        writer.append_deliveries([(alert, "mail")], "given up", utc_s=START_UTC_S)
        assert reader.undelivered() == ()
        assert len(reader.deliveries(alert)) == 5


def test_another_process_can_add_a_note_and_ask_for_something_while_the_record_is_written(path: Path) -> None:
    with RecordWriter(path) as writer, RecordReader(path) as reader:
        run = begin(writer)
        append_from_outside(path, note(run, "smoke", utc_s=START_UTC_S))
        append_from_outside(path, request("acknowledge", utc_s=START_UTC_S, kind_of_alert="over temperature"))
        writer.append_readings(run, [reading(0.0)])
        assert [one.text for one in reader.notes(run)] == ["smoke"]
        (asked,) = reader.requests()
        assert (asked.kind, asked.detail) == ("acknowledge", {"kind_of_alert": "over temperature"})
        assert reader.requests(after=asked.number) == ()


def test_a_note_to_a_run_that_is_not_there_is_refused_in_one_line(path: Path) -> None:
    RecordWriter(path).close()
    with pytest.raises(InputFault) as refusal:
        append_from_outside(path, note("2026-11-25-q", "smoke", utc_s=START_UTC_S))
    assert str(refusal.value) == (
        f"record {path}: found there is no run 2026-11-25-q in the record, expected a run that is in the record"
    )


@pytest.mark.parametrize("verb", ["UPDATE {} SET number = 99", "DELETE FROM {}"])
@pytest.mark.parametrize("table", ["oven", "channel", "run", "alert", "note", "event", "request", "setting"])
def test_the_file_itself_refuses_to_change_or_delete_a_row(path: Path, table: str, verb: str) -> None:
    with RecordWriter(path) as writer:
        run = begin(writer)
        writer.append_alert(EVENT, utc_s=0.0)
        writer.append_event("gap", "", utc_s=0.0)
        writer.add_note(run, "", utc_s=0.0)
        writer.keep_setting("a", "b", utc_s=0.0)
    append_from_outside(path, request("stop", utc_s=0.0))
    connection = sqlite3.connect(path)
    with pytest.raises(sqlite3.IntegrityError, match="append-only"):
        connection.execute(verb.format(table))
    connection.close()


@pytest.mark.parametrize("change", ["UPDATE reading SET temperature_K = 1", "DELETE FROM reading"])
def test_the_file_itself_refuses_to_change_a_reading(path: Path, change: str) -> None:
    with RecordWriter(path) as writer:
        writer.append_readings(begin(writer), [reading(0.0)])
    connection = sqlite3.connect(path)
    with pytest.raises(sqlite3.IntegrityError, match="append-only"):
        connection.execute(change)
    connection.close()


def test_nor_does_the_writer_itself_replace_a_row(path: Path) -> None:
    with RecordWriter(path) as writer:
        begin(writer)

        def replaced(db: sqlite3.Connection | None) -> tuple[tuple[()], None]:
            assert db is not None
            db.execute("REPLACE INTO oven (number, name) VALUES (1, 'another')")
            return (), None

        with pytest.raises(sqlite3.IntegrityError, match="append-only"):
            writer._do(_Job(replaced))


def test_every_table_is_strict_and_append_only(path: Path) -> None:
    RecordWriter(path).close()
    connection = sqlite3.connect(path)
    tables = connection.execute(
        "SELECT name, strict FROM pragma_table_list WHERE schema = 'main' AND type = 'table' "
        "AND name NOT LIKE 'sqlite_%' AND name NOT LIKE '\\_%' ESCAPE '\\'"
    ).fetchall()
    triggers = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")}
    connection.close()
    assert len(tables) >= 12
    for name, strict in tables:
        assert strict, name
        assert {f"{name}_refuses_update", f"{name}_refuses_delete"} <= triggers


def test_a_reader_cannot_write(path: Path) -> None:
    with (
        RecordWriter(path),
        RecordReader(path) as reader,
        pytest.raises(sqlite3.OperationalError, match="readonly"),
    ):
        reader._db.execute("INSERT INTO oven (name) VALUES ('x')")


def test_anyone_with_sql_can_read_names_and_units(path: Path) -> None:
    with RecordWriter(path) as writer:
        run = begin(writer)
        writer.append_readings(run, [reading(0.0, 1173.15)])
        connection = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
        (row,) = connection.execute("SELECT run, channel, time_s, utc, temperature_K, quality FROM trace").fetchall()
        connection.close()
    assert row == (run, "air", 0.0, "2026-11-25 10:00:00", 1173.15, "good")


def test_many_threads_write_through_the_one_writer(path: Path) -> None:
    with RecordWriter(path) as writer, RecordReader(path) as reader:
        runs = [begin(writer, oven=f"oven {n}") for n in range(8)]

        def write(run: str) -> None:
            for n in range(50):
                writer.append_readings(run, [reading(float(n))])

        threads = [threading.Thread(target=write, args=(run,)) for run in runs]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert [len(reader.history(run, "air")) for run in runs] == [50] * 8


def test_one_refused_write_does_not_take_others_of_the_same_moment_with_it(path: Path) -> None:
    with RecordWriter(path) as writer, RecordReader(path) as reader:
        run = begin(writer)
        hold, held = threading.Event(), threading.Event()

        def stall(_: object) -> tuple[tuple[()], None]:
            held.set()
            hold.wait()
            return (), None

        staller = threading.Thread(target=writer._do, args=(_Job(stall),))
        staller.start()
        held.wait()
        outcomes: dict[float, BaseException | None] = {}

        def write(time_s: float, temperature_K: float) -> None:
            try:
                writer.append_readings(run, [reading(time_s, temperature_K)])
                outcomes[time_s] = None
            except sqlite3.IntegrityError as error:
                outcomes[time_s] = error

        threads = [threading.Thread(target=write, args=row) for row in [(0.0, 300.0), (5.0, nan), (10.0, 301.0)]]
        for thread in threads:
            thread.start()
        hold.set()
        for thread in [*threads, staller]:
            thread.join()
        assert outcomes[0.0] is outcomes[10.0] is None
        assert isinstance(outcomes[5.0], sqlite3.IntegrityError)
        assert reader.history(run, "air").time_s.tolist() == [0.0, 10.0]


def test_a_snapshot_shows_one_moment_whatever_is_written_meanwhile(path: Path) -> None:
    with RecordWriter(path) as writer, RecordReader(path) as reader:
        run = begin(writer)
        with reader.snapshot():
            before = len(reader.history(run, "air"))
            writer.append_readings(run, [reading(0.0)])
            assert len(reader.history(run, "air")) == before == 0
        assert len(reader.history(run, "air")) == 1


def test_writing_to_a_closed_record_is_our_own_mistake(path: Path) -> None:
    writer = RecordWriter(path)
    writer.close()
    writer.close()
    with pytest.raises(RuntimeError, match="has been closed"):
        begin(writer)


def test_an_operation_survives_being_written_as_text() -> None:
    operation = Operation("note", ({"id": "1", "run": "2026-11-25-a", "time_s": None, "text": "Käthe\n\x00\u2028"},))
    line = operation.to_json()
    assert "\n" not in line
    assert Operation.from_json(line) == operation


@pytest.mark.parametrize("line", ["", "[]", '{"kind": "nothing", "rows": []}', '{"kind": "note", "rows": {}}', "{"])
def test_text_that_is_not_an_operation_is_refused(line: str) -> None:
    with pytest.raises(ValueError):
        Operation.from_json(line)


def test_missing_values_come_back_as_nan(path: Path) -> None:
    with RecordWriter(path) as writer, RecordReader(path) as reader:
        run = begin(writer)
        writer.append_readings(run, [reading(0.0)])
        (back,) = reader.readings(run)
    assert isnan(back.monotonic_s)
    assert isnan(back.set_point_K)
    assert isnan(back.output_pct)
