"""Foreign logs: whatever table a heat is written as, it comes out as it went in; what cannot be told is said."""

import json
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from logger.command import main
from logger.errors import InputFault
from logger.foreign_guess import propose
from logger.foreign_log import Mapping, apply, number_of, trace_text, zone_of
from logger.foreign_mapping_file import mapping_text, read_mapping
from logger.record import RecordReader
from logger.trace_file import read_trace
from logger.units import kelvin_from_celsius, kelvin_from_fahrenheit
from tests.views.recorded_runs import SHEET

START = datetime(2026, 3, 14, 19, 40, tzinfo=UTC)


@dataclass(frozen=True)
class Written:
    """A made-up log: how it is written, and what is in it."""

    text: str
    time_s: list[float]
    values: list[list[float | None]]
    unit: str
    dated: bool


TIMES = ("iso", "iso offset", "german", "slashes", "two columns", "seconds", "minutes", "clock", "unix", "spreadsheet")


@st.composite
def written(draw: st.DrawFn) -> Written:
    """Any of the usual ways to write a heat down."""
    delimiter = draw(st.sampled_from([",", ";", "\t", "|"]))
    decimal = draw(st.sampled_from([".", ","] if delimiter != "," else ["."]))
    style = draw(st.sampled_from(TIMES))
    unit = draw(st.sampled_from(["C", "F"]))
    missing = draw(st.sampled_from(["", "----", "OPEN", "n/a"]))
    count, step_s = draw(st.integers(6, 40)), draw(st.sampled_from([1, 5, 30, 60, 600]))
    channels = draw(st.integers(1, 3))
    room, top = (20.0, 930.0) if unit == "C" else (70.0, 1700.0)
    values: list[list[float | None]] = []
    for _ in range(channels):
        noise = draw(st.lists(st.integers(-20, 20), min_size=count, max_size=count))
        holes = draw(st.sets(st.integers(1, count - 1), max_size=2))
        rising = np.linspace(room, top, count)
        one = [round(float(at + 0.1 * wiggle), 1) for at, wiggle in zip(rising, noise, strict=True)]
        values.append([None if row in holes else at for row, at in enumerate(one)])
    time_s = [float(step_s * row) for row in range(count)]
    rows = []
    for row in range(count):
        cells = [*_stamp(style, time_s[row], decimal)]
        cells += [missing if one[row] is None else f"{one[row]:.1f}".replace(".", decimal) for one in values]
        rows.append(delimiter.join(cells))
    titles = [*_titles(style), *(f"tc{number} ({unit})" for number in range(1, channels + 1))]
    head = draw(st.lists(st.sampled_from(["Shop oven", "Exported by hand", "", "Serial: 12 34"]), max_size=3))
    text = "\n".join([*head, delimiter.join(titles), *rows]) + "\n"
    return Written(text, time_s, values, unit, style not in ("seconds", "minutes", "clock"))


def _titles(style: str) -> list[str]:
    if style == "two columns":
        return ["Date", "Time"]
    return [{"seconds": "Time [s]", "minutes": "Time (min)"}.get(style, "Time")]


def _stamp(style: str, time_s: float, decimal: str) -> list[str]:
    at = START + timedelta(seconds=time_s)
    match style:
        case "iso":
            return [at.strftime("%Y-%m-%d %H:%M:%S")]
        case "iso offset":
            return [at.astimezone(timezone(timedelta(hours=1))).isoformat()]
        case "german":
            return [at.strftime("%d.%m.%Y %H:%M:%S")]
        case "slashes":
            return [at.strftime("%m/%d/%Y %I:%M:%S %p")]
        case "two columns":
            return [at.strftime("%d.%m.%y"), at.strftime("%H:%M:%S")]
        case "seconds":
            return [f"{time_s:.1f}".replace(".", decimal)]
        case "minutes":
            return [f"{time_s / 60.0:.6f}".replace(".", decimal)]
        case "clock":
            return [f"{int(time_s // 3600)}:{int(time_s // 60 % 60):02d}:{int(time_s % 60):02d}"]
        case "unix":
            return [f"{at.timestamp():.0f}"]
        case _:
            days = (at - datetime(1899, 12, 30, tzinfo=UTC)).total_seconds() / 86400.0
            return [f"{days:.9f}".replace(".", decimal)]


def test_remarks_and_titles_with_spaces_do_not_make_spaces_the_delimiter() -> None:
    rows = [f"03/14/2026 07:{minute:02d}:00 PM,{20 + 9 * minute}.0,{21 + 9 * minute}.5" for minute in range(40, 46)]
    log = "\n".join(["Serial: 12 34", "Serial: 12 34", "Time,tc1 (C),tc2 (C)", *rows]) + "\n"
    proposal = propose(log, zone="UTC")
    assert proposal.mapping.delimiter == ","
    assert len(proposal.mapping.channels) == 2


@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture]
)
@given(written())
def test_a_log_comes_out_as_it_went_in(tmp_path: Path, log: Written) -> None:
    assume(sum(value is not None for value in log.values[0]) > 4)
    proposal = propose(log.text, zone="UTC")
    assert not [doubt for doubt in proposal.doubts if "°" in doubt or "zone" in doubt], proposal.doubts
    heat = apply(log.text, proposal.mapping)
    np.testing.assert_allclose(heat.time_s, log.time_s, atol=2e-3)
    assert [one.unit for one in proposal.mapping.channels] == [log.unit] * len(log.values)
    assert [one.name for one in proposal.mapping.channels] == [f"tc{n + 1}" for n in range(len(log.values))]
    for channel, values in zip(heat.values.values(), log.values, strict=True):
        np.testing.assert_array_equal(channel, [np.nan if value is None else value for value in values])
    assert (heat.start_utc_s is not None) == log.dated
    if log.dated:
        assert heat.start_utc_s == pytest.approx(START.timestamp(), abs=2e-3)

    mapping_file = tmp_path / "map.toml"
    mapping_file.write_text(mapping_text(proposal.mapping), encoding="utf-8")
    assert read_mapping(mapping_file) == proposal.mapping

    trace_file = tmp_path / "trace.csv"
    trace_file.write_text(trace_text(heat), encoding="utf-8")
    trace = read_trace(trace_file, "tc1")
    to_kelvin = kelvin_from_celsius if log.unit == "C" else kelvin_from_fahrenheit
    for name, values in zip(trace.histories, log.values, strict=True):
        expected = [np.nan if value is None else to_kelvin(value) for value in values]
        np.testing.assert_array_equal(trace.histories[name].temperature_K, expected)
        np.testing.assert_array_equal(trace.histories[name].time_s, heat.time_s)
    assert (trace.start_utc_s is None) == (not log.dated)


@pytest.mark.parametrize(
    ("cell", "decimal", "expected"),
    [
        ("1.021,7", ",", 1021.7),
        ("1,021.7", ".", 1021.7),
        ("1'021.7", ".", 1021.7),
        ("925", ",", 925.0),
        ("\u22125,5", ",", -5.5),
        ("1750 F", ".", 1750.0),
        ("925.5 °C", ".", 925.5),
        ("1e3", ".", 1000.0),
    ],
)
def test_numbers_are_read_as_they_are_written(cell: str, decimal: str, expected: float) -> None:
    assert number_of(cell, decimal) == expected


@pytest.mark.parametrize("cell", ["", "12.3.4", "1,02,3", "12,3456.7", "OPEN", "nan", "inf", "0x10", "1.2.3,4"])
def test_anything_else_is_no_number(cell: str) -> None:
    with pytest.raises(ValueError, match=r".*"):
        number_of(cell, ".")


def rows(*cells: str) -> str:
    return "time,oven\n" + "\n".join(cells) + "\n"


def test_day_and_month_are_told_by_what_goes_on() -> None:
    across = rows(*(f"{day:02d}/03/2026 12:00:00,{20 + 100 * number}" for number, day in enumerate(range(8, 13))))
    assert propose(across).mapping.time_format == "%d/%m/%Y %H:%M:%S"
    other = rows(*(f"03/{day:02d}/2026 12:00:00,{20 + 100 * number}" for number, day in enumerate(range(8, 13))))
    assert propose(other).mapping.time_format == "%m/%d/%Y %H:%M:%S"


def test_where_day_and_month_cannot_be_told_it_is_said_and_can_be_stated() -> None:
    log = rows(*(f"03/04/2026 12:{minute:02d}:00,{20 + 100 * minute}" for minute in range(6)))
    guess = propose(log)
    assert guess.mapping.time_format == "%d/%m/%Y %H:%M:%S"
    assert any("day or month first" in doubt for doubt in guess.doubts)
    stated = propose(log, day_first=False)
    assert stated.mapping.time_format == "%m/%d/%Y %H:%M:%S"
    assert not any("day or month first" in doubt for doubt in stated.doubts)


def test_a_unit_that_nobody_states_is_a_doubt() -> None:
    cold = propose(rows(*(f"{10 * row},{68 + 200 * row}" for row in range(6))))
    assert cold.mapping.channels[0].unit == "F"
    assert any("nothing says °C or °F" in doubt for doubt in cold.doubts)
    assert propose(rows(*(f"{10 * row},{20 + 200 * row}" for row in range(6)))).mapping.channels[0].unit == "C"
    stated = propose(rows(*(f"{10 * row},{68 + 200 * row}" for row in range(6))), unit="C")
    assert stated.mapping.channels[0].unit == "C"
    assert not any("°" in doubt for doubt in stated.doubts)


def test_the_clock_passes_midnight() -> None:
    text = rows("23:59:40,20", "23:59:50,120", "00:00:00,220", "00:00:10,320", "00:00:20,420")
    heat = apply(text, propose(text).mapping)
    assert heat.time_s.tolist() == [0.0, 10.0, 20.0, 30.0, 40.0]
    assert "the clock passed midnight" in heat.remarks


def test_the_hour_that_comes_twice_in_autumn_goes_on() -> None:
    stamps = [f"2026-10-25 02:{minute:02d}:00" for minute in (0, 30)]
    text = rows(
        "2026-10-25 01:30:00,20",
        *(f"{at},{200 + n}" for n, at in enumerate([*stamps, *stamps])),
        "2026-10-25 03:00:00,400",
    )
    heat = apply(text, propose(text, zone="Europe/Vienna").mapping)
    assert heat.time_s.tolist() == [1800.0 * step for step in range(6)]


def test_rows_that_share_a_minute_are_spread_over_it() -> None:
    text = rows(*(f"14.03.2026 19:{40 + row // 6:02d},{20 + 10 * row}" for row in range(36)))
    heat = apply(text, propose(text, zone="UTC").mapping)
    np.testing.assert_allclose(heat.time_s, 10.0 * np.arange(36))
    assert any("6 rows share each time" in remark for remark in heat.remarks)


def test_codes_of_a_broken_sensor_are_no_temperatures() -> None:
    text = rows("0,20", "10,320", "20,32767", "30,-9999", "40,720")
    heat = apply(text, propose(text, unit="C").mapping)
    np.testing.assert_array_equal(heat.values["oven"], [20.0, 320.0, np.nan, np.nan, 720.0])
    assert any("no thermocouple reads" in remark for remark in heat.remarks)


def test_what_a_mapping_cannot_read_is_a_fault_for_each_row() -> None:
    text = rows("0,20", "10,hot", "soon,320")
    mapping = Mapping(",", ".", 2, (1,), "seconds", propose(rows("0,20", "10,320")).mapping.channels)
    with pytest.raises(InputFault) as refusal:
        apply(text, mapping, "log.csv")
    assert [fault.where for fault in refusal.value.faults] == ["log.csv, line 4, column 1", "log.csv, line 3, column 2"]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("hello\nworld\n", "one column only"),
        ("a,b\nx,y\n", "no row with a time and a temperature"),
        ("time,oven %\n0,20\n1,30\n2,90\n3,95\n4,96\n5,97\n", "no temperature among"),
        ("what,oven (C),can (C)\nx1,20,20\ny2,300,200\nz3,200,100\n", "no column that says when"),
    ],
)
def test_what_is_no_log_is_refused_in_one_line(text: str, says: str) -> None:
    with pytest.raises(InputFault, match=says):
        propose(text)


def test_a_zone_that_is_none_is_a_fault() -> None:
    assert zone_of("+05:30") == timezone(timedelta(hours=5, minutes=30))
    with pytest.raises(InputFault, match="expected a zone such as"):
        zone_of("Middle/Nowhere")


# --- the command ------------------------------------------------------------------------------------------------------


def ask(*words: str) -> Result:
    return CliRunner().invoke(main, ["translate", *words])


@pytest.fixture
def log(tmp_path: Path) -> Path:
    file = tmp_path / "log.csv"
    lines = ["Datum;Uhrzeit;Muffel (C)"]
    for row in range(360):
        at = START + timedelta(seconds=30 * row)
        lines.append(f"{at:%d.%m.%Y};{at:%H:%M:%S};{min(20 + 5 * row, 925)},0")
    file.write_bytes("\n".join(lines).replace("°", "").encode("cp1252"))
    return file


def test_nothing_is_written_before_somebody_says_yes(log: Path, tmp_path: Path) -> None:
    trace = tmp_path / "trace.csv"
    answer = ask(str(log), "-o", str(trace))
    assert answer.exit_code == 2
    assert "a guess that nobody has confirmed" in answer.output
    assert "Columns parted by semicolons, decimal comma" in answer.output
    assert not trace.exists()
    assert ask(str(log), "-o", str(trace), "--yes").exit_code == 0
    assert trace.exists()


def test_a_mapping_that_was_written_down_says_yes_by_itself(log: Path, tmp_path: Path) -> None:
    mapping, trace = tmp_path / "map.toml", tmp_path / "trace.csv"
    assert ask(str(log), "--zone", "+01:00", "--write-mapping", str(mapping)).exit_code == 0
    mapping.write_text(mapping.read_text().replace('name = "Muffel"', 'name = "inside"'))
    answer = ask(str(log), "--mapping", str(mapping), "-o", str(trace))
    assert answer.exit_code == 0, answer.output
    assert trace.read_text().splitlines()[0] == "time_s,time,inside_C"
    assert read_trace(trace).start_utc_s == START.timestamp() - 3600.0


def test_a_log_becomes_a_run_in_the_record_that_can_be_reviewed(log: Path, tmp_path: Path) -> None:
    sheet, record = tmp_path / "sheet.toml", tmp_path / "record.db"
    sheet.write_text(SHEET.format(name="translated"))
    options = ["--record", str(record), "--sheet", str(sheet), "--oven", "old oven", "--yes"]
    refused = ask(str(log), *options)
    assert refused.exit_code == 2
    assert "no wall clock" in refused.output
    answer = ask(str(log), *options, "--zone", "UTC", "--json")
    assert answer.exit_code == 0, answer.output
    run = json.loads(answer.stdout)["run"]
    with RecordReader(record) as reader:
        row = reader.run(run)
        history = reader.history(run, "Muffel")
    assert (row.oven, row.started_utc_s, row.how_ended) == ("old oven", START.timestamp(), "translated from log.csv")
    assert len(history) == 360
    assert history.temperature_K.max() == kelvin_from_celsius(925.0)
    review = CliRunner().invoke(main, ["review", run, "--record", str(record), "--json"])
    assert json.loads(review.stdout)["thermal"]["peak_C"] == pytest.approx(925.0)


def test_a_mapping_file_with_faults_names_them_all(tmp_path: Path, log: Path) -> None:
    mapping = tmp_path / "map.toml"
    mapping.write_text('delimiter = "dots"\n[time]\ncolumns = []\nzone = "Nowhere"\n[[channel]]\nunit = "K"\n')
    answer = ask(str(log), "--mapping", str(mapping))
    assert answer.exit_code == 2
    for word in ("delimiter", "columns", "format", "zone", "column", "unit"):
        assert any(word in line for line in answer.output.splitlines()), word
