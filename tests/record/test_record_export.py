"""A run goes out to plain files and back into another record without losing a digit."""

import json
from datetime import timedelta, timezone
from math import isnan, nan
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.alert import AlertEvent, Phase
from logger.alert_rules import AlertKind, Severity
from logger.correction_record import measurement_line, spark_line
from logger.errors import InputFault
from logger.reading import Quality, Reading
from logger.record import MeasurementRow, RecordReader, RecordWriter
from logger.record_export import export_run, import_run, read_utc, written_temperature, written_utc
from logger.record_operations import new_id
from logger.trace_file import read_trace
from logger.units import TemperatureUnit, kelvin_from_celsius, kelvin_from_fahrenheit

UTC_S = 1_795_600_800.0
EVENT = AlertEvent(
    AlertKind.TARGET_REACHED, "case depth", 1, Phase.RAISED, 70.0, Severity.WARNING, "Target reached", "0.8 mm.", "Go."
)


def filled(path: Path, batch: list[Reading]) -> str:
    """A record with one finished run of these readings and one of everything else."""
    with RecordWriter(path) as writer:
        run = writer.begin_run(
            oven="Rückraum",
            channels=["air", "canister"],
            sheet_name="strap",
            sheet_text='[piece]\nshape = "plate"\n# Käthe; "quoted", and\u2028odd\n',
            started_utc_s=UTC_S,
            clock="simulated, 240 times real time",
            software="0.1.0",
            poll_interval_s=5.0,
        )
        writer.append_readings(run, batch)
        alert = writer.append_alert(EVENT, utc_s=UTC_S, oven="Rückraum", run=run)
        writer.append_deliveries([(alert, "phone")], "delivered", utc_s=UTC_S)
        writer.append_event("gap", "90 s", utc_s=UTC_S, oven="Rückraum", run=run, time_s=5.0, detail={"gap_s": 90.0})
        writer.add_note(run, "opened the door\u2028twice", utc_s=UTC_S, time_s=3.0, author="Käthe")
        writer.append_estimate(run, 5.0, {"case_depth_m": 1e-4})
        detail = {"before_kg": 0.02, "after_kg": 0.0201, "area_m2": 3e-3, "coupon": {}}
        weighed = measurement_line(MeasurementRow(0, new_id(), run, UTC_S, "weight", detail, "gründlich"))
        sparks = spark_line(
            run=run, piece=None, utc_s=UTC_S, spark_class=4, note="", photo_name="a.jpg", photo_base64="eA=="
        )
        writer.append_all([weighed, sparks])
        writer.end_run(run, "stopped", ended_utc_s=UTC_S + 60.0)
    return run


BATCH = [
    Reading("air", 0.0, UTC_S, 293.15, raw="200", monotonic_s=17.25, set_point_K=1203.15, output_pct=100.0),
    Reading("canister", 0.0, UTC_S, 292.65, raw="195", monotonic_s=17.25),
    Reading("air", 5.0, UTC_S + 5.1, nan, Quality.SENSOR_OPEN, raw='7f"ff;,\n', monotonic_s=22.25),
    Reading("canister", 5.0, UTC_S + 5.1, 1900.0, Quality.SPIKE, monotonic_s=22.25),
    Reading("air", 10.0, UTC_S + 10.0, 1203.1500000000001, monotonic_s=27.25),
    Reading("canister", 12.5, UTC_S + 12.5, 1100.0 / 3.0),
]


def everything(path: Path, run: str) -> tuple[list[str], tuple[str, ...]]:
    with RecordReader(path) as reader:
        return [repr(reading) for reading in reader.readings(run)], tuple(
            operation.to_json() for operation in reader.operations(run)
        )


@pytest.mark.parametrize("unit", ["C", "F"])
@pytest.mark.parametrize("decimal_comma", [False, True])
def test_a_run_comes_back_into_another_record_exactly(
    tmp_path: Path, unit: TemperatureUnit, decimal_comma: bool
) -> None:
    here, there = tmp_path / "here.db", tmp_path / "there.db"
    run = filled(here, BATCH)
    with RecordReader(here) as reader:
        files = export_run(reader, run, tmp_path, unit=unit, decimal_comma=decimal_comma)
    RecordWriter(there).close()
    with RecordWriter(there) as writer, RecordReader(there) as reader:
        assert import_run(writer, reader, files.table) == run
    assert everything(there, run) == everything(here, run)
    assert len(everything(here, run)[1]) == 9, "run, alert, delivery, event, note, measurement, sparks, estimate, end"


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None, max_examples=25)
@given(
    st.lists(
        st.tuples(
            st.floats(0.0, 1e6),
            st.floats(0.0, 4e9),
            st.floats(1.0, 3000.0),
            st.sampled_from(Quality),
            st.text(st.characters(codec="utf-8", exclude_characters="\r\x00")),
            st.sampled_from(["air", "canister"]),
        ),
        unique_by=lambda row: (row[0] + 0.0, row[5]),
        max_size=15,
    ),
    st.sampled_from(["C", "F"]),
)
def test_whatever_was_read_survives_the_journey(
    tmp_path_factory: pytest.TempPathFactory,
    rows: list[tuple[float, float, float, Quality, str, str]],
    unit: TemperatureUnit,
) -> None:
    folder = tmp_path_factory.mktemp("any")
    batch = [
        Reading(channel, time_s + 0.0, utc_s + 0.0, temperature_K, quality, raw)
        for time_s, utc_s, temperature_K, quality, raw, channel in rows
    ]
    run = filled(folder / "here.db", batch)
    with RecordReader(folder / "here.db") as reader:
        files = export_run(reader, run, folder, unit=unit)
    with RecordWriter(folder / "there.db") as writer, RecordReader(folder / "there.db") as reader:
        import_run(writer, reader, files.table)
    assert sorted(everything(folder / "there.db", run)[0]) == sorted(everything(folder / "here.db", run)[0])


@given(st.floats(150.0, 1290.0))
def test_every_celsius_written_up_to_1000_degrees_gives_back_the_same_kelvin(temperature_K: float) -> None:
    text, lossless = written_temperature(temperature_K, "C")
    assert lossless
    assert kelvin_from_celsius(float(text)) == temperature_K


@given(st.floats(150.0, 3000.0), st.sampled_from(["C", "F"]))
def test_a_written_temperature_says_truly_whether_it_gives_back_the_same_kelvin(
    temperature_K: float, unit: TemperatureUnit
) -> None:
    """Hotter than that the last bit of a value off the controllers' own steps may be lost; the kelvin column has it."""
    text, lossless = written_temperature(temperature_K, unit)
    back_K = kelvin_from_celsius(float(text)) if unit == "C" else kelvin_from_fahrenheit(float(text))
    assert (back_K == temperature_K) is lossless
    assert back_K == pytest.approx(temperature_K, rel=1e-15)


@given(st.integers(-200, 18000), st.sampled_from(["C", "F"]))
def test_what_a_controller_shows_is_written_as_it_shows_it(tenths: int, unit: TemperatureUnit) -> None:
    shown = tenths / 10.0
    temperature_K = kelvin_from_celsius(shown) if unit == "C" else kelvin_from_fahrenheit(shown)
    assert written_temperature(temperature_K, unit)[0] in (f"{shown:.1f}", f"{shown:.1f}".replace("0.0", "-0.0"))


@given(st.floats(0.0, 2e11))
def test_every_moment_written_is_the_same_moment(utc_s: float) -> None:
    assert read_utc(written_utc(utc_s)) == utc_s


def test_the_table_has_units_in_its_header_and_both_clocks(tmp_path: Path) -> None:
    run = filled(tmp_path / "record.db", BATCH)
    with RecordReader(tmp_path / "record.db") as reader:
        files = export_run(reader, run, tmp_path, zone=timezone(timedelta(hours=1)))
    header, first, second = files.table.read_text().split("\n")[:3]
    assert header.startswith("time_s,utc,local,monotonic_s,air_C,air_quality,air_raw,air_kelvin,air_set_point_kelvin")
    assert first.startswith("0.0,2026-11-25T10:00:00.000Z,2026-11-25 11:00:00+01:00,17.25,20.0,good,200,,1203.15,100.0")
    assert second.startswith("5.0,2026-11-25T10:00:05.100Z,2026-11-25 11:00:05+01:00,22.25,,sensor open,")


def test_the_table_is_a_trace_in_which_only_good_readings_are_temperatures(tmp_path: Path) -> None:
    run = filled(tmp_path / "record.db", BATCH)
    with RecordReader(tmp_path / "record.db") as reader:
        files = export_run(reader, run, tmp_path)
        trace = read_trace(files.table, "air")
        for channel, history in trace.histories.items():
            good = [pair for pair in zip(history.time_s, history.temperature_K, strict=True) if not isnan(pair[1])]
            kept = reader.history(run, channel)
            assert good == list(zip(kept.time_s[kept.good], kept.temperature_K[kept.good], strict=True))
    assert set(trace.histories) == {"air", "canister"}


def test_an_export_never_replaces_a_file(tmp_path: Path) -> None:
    run = filled(tmp_path / "record.db", BATCH)
    with RecordReader(tmp_path / "record.db") as reader:
        files = export_run(reader, run, tmp_path)
        with pytest.raises(InputFault) as refusal:
            export_run(reader, run, tmp_path)
    assert str(refusal.value) == (f"export to {files.table}: found a file of that name, expected a folder without one")
    with RecordReader(tmp_path / "record.db") as reader, pytest.raises(InputFault, match="no such folder"):
        export_run(reader, run, tmp_path / "nowhere")


def test_a_run_that_is_there_already_is_not_brought_in_again(tmp_path: Path) -> None:
    path = tmp_path / "record.db"
    run = filled(path, BATCH)
    with RecordReader(path) as reader:
        files = export_run(reader, run, tmp_path)
    with RecordWriter(path) as writer, RecordReader(path) as reader, pytest.raises(InputFault) as refusal:
        import_run(writer, reader, files.table)
    assert str(refusal.value) == (
        f"run {run}: found a run of that name in the record already, expected a run that is not there yet"
    )


def spoilt(tmp_path: Path, table: bool, line: int, text: str | None) -> str:
    """What an import says after one line of one of the two files was replaced (or the file removed)."""
    run = filled(tmp_path / "here.db", BATCH)
    with RecordReader(tmp_path / "here.db") as reader:
        files = export_run(reader, run, tmp_path)
    file = files.table if table else files.rest
    if text is None:
        file.unlink()
    else:
        lines = file.read_text().split("\n")
        lines[line] = text
        file.write_text("\n".join(lines))
    with RecordWriter(tmp_path / "there.db") as writer, RecordReader(tmp_path / "there.db") as reader:
        with pytest.raises(InputFault) as refusal:
            import_run(writer, reader, files.table)
        assert reader.runs() == ()
    return str(refusal.value).replace(f"{tmp_path}/{run}", "RUN")


@pytest.mark.parametrize(
    ("table", "line", "text", "said"),
    [
        (True, 0, "time_s,oven_C", "RUN.csv: found no column utc, expected a table that `soaktally export` wrote"),
        (True, 1, "0.0,now", "RUN.csv: line 2: found 2 cells, expected a row that `soaktally export` wrote"),
        (True, 0, None, "RUN.csv: found no such file, expected a file that `soaktally export` wrote"),
        (False, 0, None, "RUN.jsonl: found no such file, expected a file that `soaktally export` wrote"),
        (False, 0, "", "RUN.jsonl: found 0 runs, expected one run, as `soaktally export` wrote it"),
        (False, 1, "{", "RUN.jsonl: line 2: found something else, expected a line that `soaktally export` wrote"),
    ],
)
def test_a_spoilt_export_is_refused_by_line_and_nothing_is_brought_in(
    tmp_path: Path, table: bool, line: int, text: str | None, said: str
) -> None:
    assert spoilt(tmp_path, table, line, text) == said


def test_the_rest_of_a_run_is_one_json_object_a_line(tmp_path: Path) -> None:
    run = filled(tmp_path / "record.db", BATCH)
    with RecordReader(tmp_path / "record.db") as reader:
        files = export_run(reader, run, tmp_path)
    kinds = [json.loads(line)["kind"] for line in files.rest.read_text().split("\n") if line]
    wanted = ["alert", "delivery", "event", "note", "measurement", "spark_test", "estimate"]
    assert kinds == ["runs", *wanted, "run_end"]
