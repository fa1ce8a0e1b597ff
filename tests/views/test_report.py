"""The report of a run: every number is the contract's, nothing typed is obeyed, and every run has a report."""

import hashlib
import io
import re
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from html.parser import HTMLParser
from math import isfinite
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from logger.alert import Phase
from logger.alert_rules import AlertKind, Severity
from logger.record import PHOTO, RecordReader, append_from_outside, photo_folder
from logger.record_operations import event, note
from logger.review import review_run, review_trace
from logger.situation import Situation
from logger.units import DisplayUnits
from logger.views.contract import review_object
from logger.views.report import Photo, report_of
from logger.views.report_html import report_html
from logger.views.report_pdf import report_pdf
from logger.views.report_photos import photos_of
from logger.views.report_pictures import panels
from logger.views.run_views import review_of, run_view_of
from logger.views.text import review_text
from tests.views import recorded_runs
from tests.views.recorded_runs import TEMPER_SHEET, Heat, alert, curve, put

HOSTILE = '<script>alert("x")</script> {{ 7*7 }} & "quoted" </style><img src=x onerror=alert(1)>'
METRIC, INCH = DisplayUnits("C", "mm"), DisplayUnits("F", "in")


def in_units(situation: Situation, units: DisplayUnits) -> Situation:
    problem = situation.problem
    return replace(situation, problem=replace(problem, sheet=replace(problem.sheet, display=units)))


@pytest.fixture(scope="module")
def carburized(tmp_path_factory: pytest.TempPathFactory) -> Situation:
    record = tmp_path_factory.mktemp("report") / "record.db"
    heat = curve()
    cold = heat.temperature_C.copy()
    cold[150:200] = np.nan
    put(
        record,
        replace(heat, temperature_C=cold),
        notes=("turned the can", HOSTILE),
        alerts=(
            alert(AlertKind.SENSOR_FAULT, 4600.0),
            alert(AlertKind.SENSOR_FAULT, 4700.0, Phase.ACKNOWLEDGED),
            alert(AlertKind.SOAK_STARTED, 7000.0, severity=Severity.NEWS),
        ),
    )
    return review_run(record, "last")


@pytest.fixture(scope="module")
def tempered(tmp_path_factory: pytest.TempPathFactory) -> Situation:
    record = tmp_path_factory.mktemp("report") / "record.db"
    put(record, replace(curve(205.0, 2.0), sheet=TEMPER_SHEET))
    return review_run(record, "last")


def html_of(situation: Situation, photos: tuple[Photo, ...] = ()) -> str:
    report = report_of(situation, UTC, photos)
    return report_html(report, panels(run_view_of(situation, UTC), report.units))


def pdf_words(content: bytes, folder: Path) -> str:
    file = folder / "report.pdf"
    file.write_bytes(content)
    return subprocess.run(["pdftotext", "-layout", str(file), "-"], capture_output=True, check=True, text=True).stdout


FIXED = (5.0, 95.0, 1.0, 25.0, 50.0, 550.0)
"""Numbers that no run changes: ends of a band, the carbon to grind off above, the customary soak, hardness limits."""


class Elements(HTMLParser):
    """The words of every element that says where its numbers come from, and of everything else."""

    def __init__(self) -> None:
        super().__init__()
        self.stack: list[str | None] = []
        self.sourced: list[tuple[str, str]] = []
        self.free: list[str] = []
        self.tags: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        if tag not in ("meta", "img", "br", "link"):
            self.stack.append("style" if tag in ("style", "title") else dict(attrs).get("data-from"))

    def handle_endtag(self, tag: str) -> None:
        self.stack.pop()

    def handle_data(self, data: str) -> None:
        if not data.strip() or "style" in self.stack:
            return
        source = next((one for one in reversed(self.stack) if one), None)
        if source:
            self.sourced.append((source, data))
        else:
            self.free.append(data)


NUMBER = re.compile(r"(?<![\w.])[-+]?\d[\d,]*(?:\.\d+)?")


def at(contract: Any, place: str) -> Iterator[float]:
    """Every number at or under a place of the contract."""
    value = contract
    for key in place.split("/"):
        value = value[int(key)] if isinstance(value, list) else value[key]
    yield from numbers_under(value)


def numbers_under(value: Any) -> Iterator[float]:
    if isinstance(value, bool) or value is None:
        return
    if isinstance(value, int | float):
        yield float(value)
    elif isinstance(value, str):
        yield from (float(number.replace(",", "")) for number in NUMBER.findall(value))
    elif isinstance(value, list | dict):
        if isinstance(value, list):
            yield float(len(value))
        for key, one in value.items() if isinstance(value, dict) else ((None, one) for one in value):
            yield from numbers_under(key)
            yield from numbers_under(one)


def ways_to_say(value: float) -> Iterator[float]:
    """A number of the contract in every unit a person may read it in."""
    yield from (value, 1.8 * value, 1.8 * value + 32.0, value / 25.4, 100.0 * value)
    for seconds in (value, 3600.0 * value):  # as s, min, h and min
        yield from (seconds, seconds / 60.0, seconds / 3600.0)
        minutes = round(seconds / 60.0)
        yield from (float(minutes // 60), float(minutes % 60))


def clocks(contract: dict[str, Any]) -> set[str]:
    """Every moment of the run to the minute, as a clock may show it."""
    start = contract["started_utc_s"]
    if start is None:
        return set()
    return {
        datetime.fromtimestamp(start + minute * 60.0, UTC).strftime("%H:%M")
        for minute in range(-1, int(contract["end_s"] / 60.0) + 2)
    }


def unexplained(words: str, values: list[float], contract: dict[str, Any]) -> list[str]:
    """The numbers in words that are no contract value, rounded to the decimals shown, in any unit."""
    words = words.replace("\u00a0", " ")
    for moment in re.findall(r"\b\d\d:\d\d\b", words):
        if moment in clocks(contract):
            words = words.replace(moment, " ")
    said = [way for value in values if isfinite(value) for way in ways_to_say(value)]
    wrong = []
    for number in NUMBER.findall(words):
        shown, decimals = float(number.replace(",", "")), len(number.partition(".")[2])
        if not any(abs(abs(way) - abs(shown)) <= 0.5001 * 10.0**-decimals for way in said):
            wrong.append(number)
    return wrong


@pytest.mark.parametrize("units", [METRIC, INCH])
@pytest.mark.parametrize("which", ["carburized", "tempered", "hardened"])
def test_every_number_of_the_html_stands_in_the_contract_where_it_says(
    which: str, units: DisplayUnits, request: pytest.FixtureRequest
) -> None:
    situation = in_units(request.getfixturevalue(which), units)
    contract = review_object(situation)
    elements = Elements()
    elements.feed(html_of(situation))
    assert len(elements.sourced) > 25
    for places, words in elements.sourced:
        date = datetime.fromtimestamp(contract["started_utc_s"], UTC)
        words = words.replace(f"{date.day} {date:%b} {date.year}", "")
        values = [value for place in places.split(" | ") for value in at(contract, place)]
        values += [abs(later - earlier) for later in values for earlier in values if len(values) == 2]
        assert unexplained(words, values, contract) == [], (places, words)
    everything = [*numbers_under(contract), *FIXED]
    for words in elements.free:
        if HOSTILE not in words:
            assert unexplained(words, everything, contract) == [], words


@pytest.mark.parametrize("units", [METRIC, INCH])
@pytest.mark.parametrize("which", ["carburized", "tempered", "hardened"])
def test_every_number_of_the_review_in_a_terminal_and_of_the_pdf_is_one_of_the_contract(
    which: str, units: DisplayUnits, request: pytest.FixtureRequest, tmp_path: Path
) -> None:
    situation = in_units(request.getfixturevalue(which), units)
    contract = review_object(situation)
    everything = [*numbers_under(contract), *FIXED]
    everything += [end - start for start, end in spans(contract)]
    assert unexplained("7.31865 mm", everything, contract) == ["7.31865"]
    date = datetime.fromtimestamp(contract["started_utc_s"], UTC)
    for line in review_text(review_of(situation, UTC)).splitlines():
        words = line.replace(f"{date.day} {date:%b} {date.year}", "")
        assert unexplained(words, everything, contract) == [], line
    report = report_of(situation, UTC)
    page = pdf_words(report_pdf(report, ()), tmp_path).split("Notes and photographs")[0]
    for line in page.splitlines():
        words = line.replace(f"{date.day} {date:%b} {date.year}", "")
        assert unexplained(words, everything, contract) == [], line


def spans(contract: dict[str, Any]) -> Iterator[tuple[float, float]]:
    """From and to of every stage, soak and gap [s]."""
    for kind in ("stages", "soaks", "gaps"):
        for one in contract["thermal"][kind]:
            yield one["start_s"], contract["end_s"] if one["end_s"] is None else one["end_s"]


def test_a_wrong_number_is_found_by_the_walk(carburized: Situation) -> None:
    contract = review_object(carburized)
    depth = contract["carbon"]["case_depth_mm"]["0.40"]
    assert unexplained(f"{depth:.2f} mm", [depth], contract) == []
    assert unexplained(f"{depth + 0.01:.2f} mm", [depth], contract) == [f"{depth + 0.01:.2f}"]


@pytest.mark.parametrize("units", [METRIC, INCH])
def test_the_pdf_says_every_row_that_the_html_says(carburized: Situation, units: DisplayUnits, tmp_path: Path) -> None:
    situation = in_units(carburized, units)
    report = report_of(situation, UTC)
    words = pdf_words(report_pdf(report, panels(run_view_of(situation, UTC), units)), tmp_path)
    squeezed = "".join(words.split())
    for table in (report.found, report.targets, report.soaks, report.stages, report.wanted):
        for row in table.rows:
            for said in row:
                for part in said.words.replace("\u00a0", " ").split(" "):
                    assert part in squeezed, (table.title, said.words)
    assert "Case depth" in words


@pytest.mark.parametrize(("paper", "size"), [("A4", "595.296 x 841.896"), ("Letter", "612 x 792")])
def test_the_pdf_is_one_page_of_the_paper_with_its_fonts_in_it(
    carburized: Situation, tmp_path: Path, paper: Any, size: str
) -> None:
    report = report_of(carburized, UTC)
    file = tmp_path / "report.pdf"
    file.write_bytes(report_pdf(report, panels(run_view_of(carburized, UTC), report.units), paper))
    about = subprocess.run(["pdfinfo", str(file)], capture_output=True, check=True, text=True).stdout
    assert re.search(r"Pages: +1\n", about)
    assert size in about
    fonts = subprocess.run(["pdffonts", str(file)], capture_output=True, check=True, text=True).stdout.splitlines()[2:]
    assert fonts
    assert all(re.search(r" yes +yes +yes ", line) for line in fonts)


def test_the_html_needs_nothing_from_outside_and_no_script(carburized: Situation) -> None:
    html = html_of(carburized)
    elements = Elements()
    elements.feed(html)
    assert not elements.tags & {"script", "link", "iframe", "object"}
    assert re.findall(r'(?:src|href)="(?!data:image/)', html) == []
    assert "url(" not in html
    assert "http" not in re.sub(r"base64,[A-Za-z0-9+/=]+", "", html)


def test_what_a_person_typed_is_shown_and_not_obeyed(carburized: Situation, tmp_path: Path) -> None:
    html = html_of(carburized)
    assert HOSTILE not in html
    assert "&lt;script&gt;alert(&#34;x&#34;)&lt;/script&gt; {{ 7*7 }} &amp;" in html
    elements = Elements()
    elements.feed(html)
    assert any(HOSTILE in words for words in elements.free)
    report = report_of(carburized, UTC)
    words = pdf_words(report_pdf(report, panels(run_view_of(carburized, UTC), report.units)), tmp_path)
    assert "alert(" in words


@pytest.mark.parametrize("typed", ["\x18", "\x00", "\ufeff", "焼入れ", "\u200b", "a\x18b", "\ud7ff", "😀", "$\\frac{$"])
def test_whatever_was_typed_into_a_note_the_report_is_drawn(tmp_path: Path, typed: str) -> None:
    """Letters that the bundled font has not, and some that no font has: a sign stands for them in the PDF."""
    record = tmp_path / "record.db"
    put(record, replace(curve(300.0, 0.0), sheet=recorded_runs.SHEET))
    with RecordReader(record) as reader:
        run = reader.run("last").id
    append_from_outside(record, note(run, typed, utc_s=0.0, time_s=60.0))
    situation = review_run(record, "last")
    report = report_of(situation, UTC)
    assert report_pdf(report, panels(run_view_of(situation, UTC), report.units)).startswith(b"%PDF")


def test_the_report_tells_who_was_told_and_who_answered(carburized: Situation) -> None:
    rows = [[said.words for said in row] for row in report_of(carburized, UTC).marks.rows]
    assert rows == [
        ["1", "20:56", "warning", "Sensor fault: made up", "acknowledged"],
        ["2", "21:36", "news", "Soak started: made up", ""],
    ]


def test_who_answered_an_alert_and_when_a_sensor_was_calibrated_is_told(carburized: Situation) -> None:
    raised, answered, news = carburized.alert_events
    named = replace(answered, message="made up. Acknowledged by Ada.")
    kept = carburized.kept
    assert kept is not None
    couple = replace(kept.thermocouples["inside"], calibrated_on="2026-01-15")
    situation = replace(
        carburized, alert_events=(raised, named, news), kept=replace(kept, thermocouples={"inside": couple})
    )
    report = report_of(situation, UTC)
    assert report.marks.rows[0][4].words == "acknowledged by Ada"
    assert report.sensors.rows[0][3].words == "900 C: add 1.5 C, calibrated 2026-01-15"


def test_sensors_are_told_with_class_tolerance_offsets_and_readings(carburized: Situation) -> None:
    (row,) = report_of(carburized, UTC).sensors.rows
    # 0.75 % of 925 C (ASTM E230, standard tolerance of type K)
    assert [said.words for said in row[:4]] == [
        "inside, judges the run",
        "type K, standard",
        "±6.9 C at 925 C",
        "900 C: add 1.5 C",
    ]
    assert row[4].words.endswith("50 sensor open")


def test_a_photo_is_inside_the_page_and_one_that_cannot_be_read_is_told_of(carburized: Situation) -> None:
    photos = (Photo("the fracture", b"\x89PNG"), Photo("the skin", None, trouble="skin.jpg: not a picture"))
    html = html_of(carburized, photos)
    assert 'src="data:image/png;base64,iVBORw=="' in html
    assert "skin.jpg: not a picture" in html


ONLY_FAULTS = Heat(np.arange(0.0, 600.0, 30.0), np.full(20, np.nan))
GAPPED = np.r_[np.arange(0.0, 120.0, 30.0), np.arange(15_000.0, 15_120.0, 30.0)]
ODD_RUNS = {
    "no soak": (replace(curve(300.0, 0.0), sheet=recorded_runs.SHEET), "No soak"),
    "one reading": (Heat(np.array([0.0]), np.array([900.0])), "Only one reading"),
    "only faults": (ONLY_FAULTS, "No reading to be believed"),
    "nothing at all": (Heat(np.array([]), np.array([])), "No reading to be believed"),
    "all gaps": (Heat(GAPPED, np.full(8, 900.0)), "Most of the run is without readings"),
    "still going": (replace(curve(925.0, 1.0), how_ended=None), "The run is still going"),
}


@pytest.mark.parametrize("name", ODD_RUNS)
def test_every_run_has_a_report_that_says_what_is_missing(name: str, tmp_path: Path) -> None:
    heat, says = ODD_RUNS[name]
    record = tmp_path / "record.db"
    put(record, replace(heat, how_ended=None if name in ("still going", "nothing at all") else "stopped"))
    situation = review_run(record, "last", even_without_readings=True)
    assert says in html_of(situation)
    report = report_of(situation, UTC)
    words = pdf_words(report_pdf(report, panels(run_view_of(situation, UTC), report.units)), tmp_path)
    assert says in " ".join(words.split())
    elements = Elements()
    elements.feed(html_of(situation))
    assert not any(
        "nan" in words.lower().split() for words in (*elements.free, *(said for _, said in elements.sourced))
    )


def test_a_trace_without_a_single_temperature_has_a_report_too(tmp_path: Path) -> None:
    (tmp_path / "sheet.toml").write_text(recorded_runs.SHEET.format(name="blank"))
    (tmp_path / "trace.csv").write_text("time_s,inside_C\n0,\n60,NaN\n")
    situation = review_trace(tmp_path / "trace.csv", tmp_path / "sheet.toml", even_without_readings=True)
    assert "No reading to be believed" in html_of(situation)


def with_photos(tmp_path: Path, *files: tuple[str, bytes | None, bytes]) -> Situation:
    """A short run with photos: name, what the file holds now (None: gone), what it held when it was added."""
    record = tmp_path / "record.db"
    run = put(record, curve(300.0, 0.2))
    folder = photo_folder(record, run)
    folder.mkdir(parents=True)
    for name, now, then in files:
        if now is not None:
            (folder / name).write_bytes(now)
        detail = {"file": name, "sha256": hashlib.sha256(then).hexdigest(), "author": "Ada"}
        kept = event(PHOTO, f"about {name}", utc_s=recorded_runs.START_UTC_S, oven="shed oven", run=run, detail=detail)
        append_from_outside(record, kept)
    return review_run(record, run)


def test_photos_beside_the_record_are_shown_small_and_what_is_wrong_with_one_is_said(tmp_path: Path) -> None:
    out = io.BytesIO()
    Image.new("RGB", (3000, 2000), "orange").save(out, format="jpeg")
    good = out.getvalue()
    situation = with_photos(
        tmp_path,
        ("good.jpg", good, good),
        ("gone.jpg", None, good),
        ("broken.jpg", b"not a picture", b"not a picture"),
        ("changed.jpg", good, b"something else"),
    )
    shown, gone, broken, changed = photos_of(situation)
    assert shown.image is not None
    with Image.open(io.BytesIO(shown.image)) as picture:
        assert max(picture.size) == 1400
    assert shown.caption == "about good.jpg, by Ada"
    assert (shown.trouble, gone.image, broken.image) == ("", None, None)
    assert "not there any more" in gone.trouble
    assert "no picture that can be read" in broken.trouble
    assert "changed since it was added" in changed.trouble
    html = html_of(situation, photos_of(situation))
    assert html.count("data:image/jpeg") == 2
    assert "broken.jpg: the file is no picture that can be read" in html


@pytest.fixture(scope="module")
def hardened(tmp_path_factory: pytest.TempPathFactory) -> Situation:
    record = tmp_path_factory.mktemp("report") / "record.db"
    sheet = TEMPER_SHEET.replace(
        "[[stage]]", '[[stage]]\nkind = "austenitize"\nto_s = 9000\n\n[[stage]]\nfrom_s = 9000'
    )
    hot, temper = curve(790.0, 0.8), curve(205.0, 2.0)
    time_s = np.r_[hot.time_s, temper.time_s + hot.time_s[-1] + 30.0]
    put(record, Heat(time_s, np.r_[hot.temperature_C, temper.temperature_C], "Hardened", sheet))
    return review_run(record, "last")


def test_a_hardened_piece_has_its_section_in_report_and_pdf(hardened: Situation, tmp_path: Path) -> None:
    contract = review_object(hardened)
    assert contract["hardening"]["surface_HRC"] is not None
    drawn = panels(run_view_of(hardened, UTC), METRIC)
    assert "section" in [panel.name for panel in drawn]
    report = report_of(hardened, UTC)
    assert any("quenched from" in row[0].words for row in report.found.rows)
    words = pdf_words(report_pdf(report, drawn), tmp_path)
    assert "Hardness across the section" in words
