"""A trace file becomes histories, and each thing wrong with it is named by line and column."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.errors import InputFault
from logger.trace_file import read_trace

NO_READING = "or nothing where there was no reading"
A_DATE = "a date and time with its offset from UTC, such as 2026-03-01T18:30:00+01:00"
ELSEWHERE = "; soaktally translate makes a trace of a log from elsewhere"
A_TABLE = "a CSV table with a header such as time_s,oven_C"


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def written(text: str | bytes) -> Path:
    path = Path("trace.csv")
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def test_celsius_and_fahrenheit_columns_become_kelvin_on_the_same_times(folder: Path) -> None:
    trace = read_trace(written("time_s,oven_C,can_F\n0,20,68\n10,930,1706\n20,,32\n"), "can")
    assert list(trace.histories) == ["oven", "can"]
    assert trace.history is trace.histories["can"]
    np.testing.assert_allclose(trace.history.temperature_K, [293.15, 1203.15, 273.15], rtol=1e-15)
    assert trace.histories["oven"].time_s.tolist() == [0.0, 10.0, 20.0]
    assert trace.histories["oven"].good.tolist() == [True, True, False]
    assert trace.history.interval_s == 10.0
    assert trace.start_utc_s is None


def test_a_single_channel_needs_no_choosing(folder: Path) -> None:
    assert read_trace(written("time_s,load_C\n0,20\n5,21\n")).channel == "load"


@pytest.mark.parametrize("cell", ["", "  ", "nan", "NaN", " NAN "])
def test_a_blank_or_nan_cell_is_a_missing_reading(folder: Path, cell: str) -> None:
    trace = read_trace(written(f"time_s,oven_C\n0,20\n5,{cell}\n10,21\n"))
    assert trace.history.good.tolist() == [True, False, True]


def test_dates_become_seconds_from_the_first_row_whatever_their_offset(folder: Path) -> None:
    lines = ["time,oven_C", "2026-03-29T01:59:30+01:00,20", "2026-03-29T03:00:00+02:00,21", "2026-03-29T01:00:30.5Z,22"]
    trace = read_trace(written("\n".join(lines)))
    assert trace.history.time_s.tolist() == [0.0, 30.0, 60.5]
    assert trace.start_utc_s == 1774745970.0  # date -u -d 2026-03-29T00:59:30Z +%s


def test_a_mark_of_byte_order_line_ends_remarks_and_blank_lines_do_not_matter(folder: Path) -> None:
    trace = read_trace(written("\ufeff# invented heat\r\n\r\ntime_s, oven_C\r\n0, 20\r\n\r\n5, 21\r\n"))
    assert trace.history.time_s.tolist() == [0.0, 5.0]


def test_a_column_that_is_no_temperature_is_left_out_and_named(folder: Path) -> None:
    trace = read_trace(written("time_s,oven_C,output_pct,remark\n0,20,100,lit\n5,21,100,\n"))
    assert trace.left_out == ("output_pct", "remark")


def test_the_start_is_known_when_seconds_and_dates_are_both_there(folder: Path) -> None:
    trace = read_trace(written("time_s,time,oven_C\n10,1970-01-01T00:01:00Z,20\n20,1970-01-01T00:01:10Z,21\n"))
    assert trace.start_utc_s == 50.0
    assert trace.left_out == ()


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", f"trace.csv: found an empty file, expected {A_TABLE}"),
        (" \n\n", f"trace.csv: found an empty file, expected {A_TABLE}"),
        ("# nothing yet\n", f"trace.csv: found only remarks, expected {A_TABLE}"),
        (b"time_s,oven_C\n0,\xff\n", "trace.csv, line 2: found a byte that is not UTF-8 text (0xff), "
         f"expected {A_TABLE}, saved as UTF-8"),
        ("time_s,oven_C\n0,2\x000\n", f"trace.csv, line 2: found a zero byte, expected {A_TABLE}, saved as UTF-8"),
        ("0,20\n5,21\n", "trace.csv: found numbers in the first row, "
         f"expected a header row such as time_s,oven_C{ELSEWHERE}"),
        ("time_s,oven_C\n", "trace.csv: found a header and no rows, expected readings under it"),
        ("time_s;oven_C\n0;20,5\n", "trace.csv, line 1: found columns separated by semicolons, "
         f"expected commas, and points in decimal numbers{ELSEWHERE}"),
        ("time_s\toven_C\n0\t20\n", "trace.csv, line 1: found columns separated by tabs, "
         f"expected commas, and points in decimal numbers{ELSEWHERE}"),
        ("time_s,oven_C\n0,\"20\n", "trace.csv, line 2: found quotation marks that do not match, "
         f"expected each opening one closed in its cell{ELSEWHERE}"),
        ("clock,oven_C\n0,20\n", "trace.csv: found no time among the columns clock, oven_C, "
         f"expected time_s (seconds) or time (ISO 8601 with offset){ELSEWHERE}"),
        ("time_s,time_s,oven_C\n0,0,20\n", "trace.csv: found 2 columns named time_s, expected one"),
        ("time_s,oven\n0,20\n", "trace.csv: found no temperature among the columns time_s, oven, "
         f"expected one named <channel>_C or <channel>_F, such as oven_C{ELSEWHERE}"),
        ("time_s,oven_c\n0,20\n", "trace.csv: found a column named oven_c, expected oven_C"),
        ("time_s,oven (°F)\n0,20\n", "trace.csv: found a column named oven (°F), expected oven_F"),
        ("time_s,oven_K\n0,293\n", "trace.csv: found a column named oven_K, expected oven_C or oven_F"),
        ("time_s,a_C,b_C\n0,20,21\n", "trace.csv: found the channels a, b and none chosen, "
         'expected one of them, on the sheet: channel = "a"'),
        ("time_s,a_C,a_F\n0,20,68\n", "trace.csv: found channel a more than once (a_C, a_F), "
         "expected each channel in one column"),
        ("time_s,oven_C\n0,20\n1,hot\n", "trace.csv, line 3, column oven_C: found \"hot\", "
         f"expected a temperature, {NO_READING}"),
        ('time_s,oven_C\n0,20\n1,"20,5"\n', "trace.csv, line 3, column oven_C: found \"20,5\", "
         f"expected a temperature, {NO_READING}"),
        ("time_s,oven_C\n0,inf\n", 'trace.csv, line 2, column oven_C: found "inf", '
         f"expected a temperature, {NO_READING}"),
        ("time_s,oven_C\n0,-274\n", "trace.csv, line 2, column oven_C: found -274 C, "
         f"expected a temperature of -273.15 to 2527 C, {NO_READING}"),
        ("time_s,oven_F\n0,-460\n", "trace.csv, line 2, column oven_F: found -460 F, "
         f"expected a temperature of -459.67 to 4580 F, {NO_READING}"),
        ("time_s,oven_C\n0,32767\n", "trace.csv, line 2, column oven_C: found 32767 C, "
         f"expected a temperature of -273.15 to 2527 C, {NO_READING}"),
        ("time_s,oven_C\n0,20\n10,21\n5,22\n", "trace.csv, line 4: found time 5 after 10 on line 3, "
         "expected times that increase"),
        ("time_s,oven_C\n0,20\n0,21\n", "trace.csv, line 3: found time 0 after 0 on line 2, "
         "expected times that increase"),
        ("time_s,oven_C\n0,20\n30000000,21\n", "trace.csv: found 347.2 days from the first row to the last, "
         "expected one heat, 100 days at most, with time_s in seconds"),
        ("time_s,oven_C\n,20\n", "trace.csv, line 2, column time_s: found nothing, expected seconds such as 90.0"),
        ("time_s,oven_C\nnan,20\n", 'trace.csv, line 2, column time_s: found "nan", expected seconds such as 90.0'),
        ("time_s,oven_C\n0,20\n1\n", "trace.csv, line 3: found 1 cell, expected 2, as in the header"),
        ("time_s,oven_C\n0,20\n1,20,30\n", "trace.csv, line 3: found 3 cells, expected 2, as in the header"),
        ("time_s,oven_C\n0,\n1,nan\n", "trace.csv: found no reading at all of oven, expected temperatures"),
        ("time,oven_C\n90,20\n", f'trace.csv, line 2, column time: found "90", expected {A_DATE}'),
        ("time,oven_C\n2026-03-01T18:30:00,20\n", "trace.csv, line 2, column time: found "
         f'"2026-03-01T18:30:00" without an offset, expected {A_DATE}'),
        ("time,oven_C\n2026-03-01T18:30:00Z,20\n2026-03-01T18:29:00Z,21\n", "trace.csv, line 3: found time "
         "2026-03-01T18:29:00Z after 2026-03-01T18:30:00Z on line 2, expected times that increase"),
    ],
)  # fmt: skip
def test_each_thing_wrong_with_a_trace_is_one_clear_line(folder: Path, text: str | bytes, message: str) -> None:
    with pytest.raises(InputFault) as refusal:
        read_trace(written(text))
    assert str(refusal.value) == message


def test_a_file_that_is_not_there_or_is_a_folder_is_said_so(folder: Path) -> None:
    for name, found in (("none.csv", "no such file"), (".", "a folder")):
        with pytest.raises(InputFault) as refusal:
            read_trace(name)
        assert str(refusal.value) == f"{name}: found {found}, expected {A_TABLE}"


def test_a_channel_the_trace_does_not_have_is_refused_naming_those_it_has(folder: Path) -> None:
    path = written("time_s,oven_C,can_C\n0,20,20\n")
    with pytest.raises(InputFault) as refusal:
        read_trace(path, "load")
    assert str(refusal.value) == "trace.csv: found the channels oven, can, expected one named load, as the sheet asks"


def test_faults_of_every_kind_are_told_at_once_in_the_order_of_the_lines(folder: Path) -> None:
    path = written("time_s,oven_C\n0,20\n10,x\n5,30\n20,-300\n30\n,20\n50,21\n")
    with pytest.raises(InputFault) as refusal:
        read_trace(path)
    places = [fault.where for fault in refusal.value.faults]
    assert places == [
        "trace.csv, line 3, column oven_C",
        "trace.csv, line 4",
        "trace.csv, line 5, column oven_C",
        "trace.csv, line 6",
        "trace.csv, line 7, column time_s",
    ]


@given(bad=st.integers(min_value=1, max_value=60))
def test_every_bad_cell_is_counted_and_at_most_twenty_are_told(
    tmp_path_factory: pytest.TempPathFactory, bad: int
) -> None:
    path = tmp_path_factory.mktemp("trace") / "trace.csv"
    path.write_text("time_s,oven_C\n" + "\n".join(f"{i},{'x' if i < bad else 20}" for i in range(70)))
    with pytest.raises(InputFault) as refusal:
        read_trace(path)
    told = refusal.value.faults
    assert len(told) == min(bad, 20) + (bad > 20)
    if bad > 20:
        more = "1 more fault" if bad == 21 else f"{bad - 20} more faults"
        assert told[-1].found == f"{more} like these"


@given(
    temperature_C=st.lists(st.none() | st.floats(min_value=-200.0, max_value=1400.0), min_size=2, max_size=40),
)
def test_what_is_written_is_what_is_read(
    tmp_path_factory: pytest.TempPathFactory, temperature_C: list[float | None]
) -> None:
    if all(value is None for value in temperature_C):
        temperature_C[0] = 20.0
    path = tmp_path_factory.mktemp("trace") / "trace.csv"
    rows = [f"{i / 10!r},{'' if value is None else repr(value)}" for i, value in enumerate(temperature_C)]
    path.write_text("time_s,oven_C\n" + "\n".join(rows) + "\n")
    history = read_trace(path).history
    expected = np.array([np.nan if value is None else value for value in temperature_C]) + 273.15
    np.testing.assert_array_equal(history.temperature_K, expected)
    np.testing.assert_array_equal(history.time_s, np.arange(len(temperature_C)) / 10)
