"""What the API answers: words, units, traces, acts, and the document that describes it."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime
from io import BytesIO
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from PIL import Image
from starlette.testclient import TestClient

from logger.board import Board
from logger.errors import OutOfRange
from logger.page.api import ENDPOINTS
from logger.record import RecordReader, photo_folder
from logger.review import review_run
from logger.views.contract import review_object
from logger.views.wording import unbroken
from tests.page.workshop import OVEN, SPIKE_AT, SPIKE_C, Workshop, client_of, make_workshop, token


@pytest.fixture(scope="module")
def workshop(tmp_path_factory: pytest.TempPathFactory) -> Workshop:
    return make_workshop(tmp_path_factory.mktemp("api"))


@pytest.fixture
def client(workshop: Workshop) -> Iterator[TestClient]:
    with client_of(workshop) as client:
        yield client


def test_the_first_sentence_answers_the_three_questions(client: TestClient) -> None:
    said = client.get(f"/api/ovens/{OVEN}").json()
    assert said["headline"].replace("\N{NO-BREAK SPACE}", " ").startswith("Steel 927 C, ")
    assert said["glance"]["far"].replace("\N{NO-BREAK SPACE}", " ").endswith(" of 0.80 mm")


def test_units_are_those_asked_for_in_every_number(client: TestClient, workshop: Workshop) -> None:
    query = "?temperature=F&length=in"
    said = client.get(f"/api/ovens/{OVEN}{query}").json()
    assert said["units"] == {"temperature": "F", "length": "in"}
    assert said["point"]["steel"] == pytest.approx(927.0 * 1.8 + 32.0, abs=0.1)
    chart = client.get(f"/api/ovens/{OVEN}/runs/{workshop.going_on}/chart{query}").json()
    steel = next(one for one in chart["temperature"]["traces"] if one["role"] == "steel")
    assert max(steel["value"]) == pytest.approx(SPIKE_C * 1.8 + 32.0, abs=0.1)
    assert chart["depth"]["target"] == pytest.approx(0.8 / 25.4, abs=1e-5)


def test_lists_say_which_units_they_are_written_in(client: TestClient) -> None:
    for query, units in (
        ("", {"temperature": "C", "length": "mm"}),
        ("?temperature=F", {"temperature": "F", "length": "mm"}),
    ):
        assert client.get(f"/api/ovens{query}").json()["ovens"][0]["units"] == units
        assert client.get(f"/api/runs{query}").json()["runs"][0]["units"] == units


def test_units_are_remembered_by_a_cookie_and_a_broken_one_is_passed_over(client: TestClient) -> None:
    client.cookies.set("soaktally-units", "F-in")
    assert client.get(f"/api/ovens/{OVEN}").json()["units"] == {"temperature": "F", "length": "in"}
    client.cookies.set("soaktally-units", "K-<b>")
    assert client.get(f"/api/ovens/{OVEN}").json()["units"] == {"temperature": "C", "length": "mm"}


@pytest.mark.parametrize(("query", "found"), [("", "1600 C"), ("?temperature=F", "2912 F"), ("?length=in", "1600 C")])
def test_a_refusal_is_told_in_the_readers_units(
    client: TestClient, workshop: Workshop, monkeypatch: pytest.MonkeyPatch, query: str, found: str
) -> None:
    async def refuse(*_: object) -> None:
        raise OutOfRange("steel temperature", 1873.15, 150.0, 1673.15, "K")

    monkeypatch.setattr("logger.page.worker.Worker.do", refuse)
    answer = client.get(f"/api/ovens/{OVEN}/runs/{workshop.ended}/review{query}")
    assert answer.status_code == 422
    assert [fault["found"] for fault in answer.json()["faults"]] == [found]


def test_a_picture_says_when_the_clock_was_changed_along_the_run(tmp_path: Path) -> None:
    began_s = datetime(2026, 10, 25, 1, 0, tzinfo=ZoneInfo("Europe/Berlin")).timestamp()
    recorded = make_workshop(tmp_path, started_utc_s=began_s)
    with client_of(recorded) as client:
        path = f"/api/ovens/{OVEN}/runs/{recorded.ended}/chart"
        assert client.get(f"{path}?zone=Europe/Berlin").json()["utc_offsets"] == [[0.0, 7200.0], [7200.0, 3600.0]]
        assert client.get(f"{path}?zone=Asia/Kathmandu").json()["utc_offsets"] == [[0.0, 20_700.0]]


def test_a_unit_that_is_none_is_refused_by_name(client: TestClient) -> None:
    answer = client.get(f"/api/ovens/{OVEN}?temperature=K")
    assert answer.status_code == 422
    assert answer.json()["faults"] == [{"where": "temperature", "found": '"K"', "expected": "C or F"}]


def test_times_are_in_the_reader_s_own_zone(client: TestClient) -> None:
    assert client.get(f"/api/ovens/{OVEN}?zone=Asia/Kolkata").json()["when"].endswith("UTC+05:30")
    assert client.get(f"/api/ovens/{OVEN}?zone=Etc/UTC").json()["when"].endswith("UTC")
    assert client.get(f"/api/ovens/{OVEN}?zone=../../etc/passwd").status_code == 200


@pytest.mark.parametrize("buckets", [10, 40])
def test_no_thinned_trace_hides_a_peak_and_a_closer_look_brings_every_reading(
    client: TestClient, workshop: Workshop, buckets: int
) -> None:
    path = f"/api/ovens/{OVEN}/runs/{workshop.ended}"
    (steel, *_) = client.get(f"{path}/chart?buckets={buckets}").json()["temperature"]["traces"]
    assert steel["thinned"] is (buckets == 10)
    assert max(steel["value"]) == pytest.approx(SPIKE_C, abs=0.05)
    at_s = 60.0 * SPIKE_AT
    window = f"from_s={at_s - 240.0}&to_s={at_s + 240.0}&buckets={buckets}"
    (close, *_) = client.get(f"{path}/temperature?{window}").json()["traces"]
    assert np.diff(close["time_s"]).tolist() == [60.0] * (len(close["time_s"]) - 1)
    assert (close["time_s"][0], close["time_s"][-1]) == (at_s - 300.0, at_s + 300.0)


def test_a_recorded_run_is_the_review_of_the_command(client: TestClient, workshop: Workshop) -> None:
    answer = client.get(f"/api/ovens/{OVEN}/runs/{workshop.ended}/review").json()
    assert answer == review_object(review_run(workshop.record, workshop.ended))


def test_the_list_of_runs_is_newest_first_and_says_which_goes_on(client: TestClient, workshop: Workshop) -> None:
    runs = client.get("/api/runs").json()["runs"]
    assert [run["run"] for run in runs] == [workshop.going_on, workshop.ended]
    assert [run["how_ended"] for run in runs] == ["goes on", "stopped"]
    assert runs[1]["lasted"] == "2 h 30 min"


def test_a_note_is_kept_word_for_word_and_shown_with_the_run(client: TestClient, workshop: Workshop) -> None:
    words = 'Lid sat crooked <img src=x onerror=alert(1)> "quoted" — 2 mm gap'
    path = f"/api/ovens/{OVEN}/runs/{workshop.ended}"
    assert (
        client.post(f"{path}/notes", json={"text": words, "author": "Kari"}, headers=token(client)).status_code == 201
    )
    shown = [one for one in client.get(path).json()["entries"] if one["kind"] == "note"]
    assert [(one["text"], one["author"]) for one in shown] == [(words, "Kari")]


def test_a_photo_is_kept_beside_the_record_without_what_else_it_carried(client: TestClient, workshop: Workshop) -> None:
    image, out = Image.new("RGB", (3000, 1500), "orange"), BytesIO()
    exif = Image.Exif()
    exif[0x010E] = "taken at 59.91 N 10.75 E"
    image.save(out, "JPEG", exif=exif)
    path = f"/api/ovens/{OVEN}/runs/{workshop.ended}"
    answer = client.post(f"{path}/photos?caption=The+lid", content=out.getvalue(), headers=token(client))
    assert answer.status_code == 201
    name = answer.json()["file"]
    (kept,) = photo_folder(workshop.record, workshop.ended).iterdir()
    assert kept.name == name
    with Image.open(kept) as cleaned:
        assert cleaned.size == (2048, 1024)
        assert not cleaned.getexif()
    assert client.get(f"{path}/photos/{name}").content == kept.read_bytes()
    (entry,) = [one for one in client.get(path).json()["entries"] if one["kind"] == "photo"]
    assert (entry["text"], entry["file"]) == ("The lid", name)


def test_a_mark_of_a_run_that_has_ended_is_refused(client: TestClient, workshop: Workshop) -> None:
    path = f"/api/ovens/{OVEN}/runs/{workshop.ended}/marks"
    answer = client.post(path, json={"text": "opened the door"}, headers=token(client))
    assert answer.status_code == 422
    assert "has ended" in answer.json()["faults"][0]["found"]


def test_a_start_with_a_faulty_sheet_asks_nothing_of_the_daemon(client: TestClient, workshop: Workshop) -> None:
    answer = client.post(f"/api/ovens/{OVEN}/start", json={"sheet_text": "[piece]\n"}, headers=token(client))
    assert answer.status_code == 422
    assert "piece.shape" in answer.text
    with RecordReader(workshop.record) as reader:
        assert [request for request in reader.requests() if request.kind == "start"] == []


def test_what_if_says_what_the_steel_would_be(client: TestClient) -> None:
    answer = client.get(f"/api/ovens/{OVEN}/what-if").json()
    assert answer["head"] == [
        unbroken(words) for words in ("when cold again", "stop now", "1 h more", "1 h more, 25 C hotter")
    ]
    depths = [one["carbon"]["case_depth_mm"]["0.40"] for one in answer["object"]["answers"]]
    assert depths == sorted(depths)
    assert depths[0] < depths[-1]


def test_every_fault_of_a_body_is_named(client: TestClient, workshop: Workshop) -> None:
    path = f"/api/ovens/{OVEN}/runs/{workshop.ended}/notes"
    answer = client.post(path, json={"text": "", "author": 3, "record": "x"}, headers=token(client))
    assert answer.status_code == 422
    assert {fault["where"] for fault in answer.json()["faults"]} == {"text", "author", "record"}
    assert client.post(path, content=b"{", headers=token(client)).status_code == 422


def test_what_is_not_there_is_said_so(client: TestClient) -> None:
    for path in ("/api/ovens/nowhere", f"/api/ovens/{OVEN}/runs/no-such-run", "/api/nothing"):
        answer = client.get(path)
        assert answer.status_code == 404
        assert answer.json()["faults"]


def test_a_picture_of_a_run_comes_where_the_page_cannot_draw(client: TestClient, workshop: Workshop) -> None:
    answer = client.get(f"/api/ovens/{OVEN}/runs/{workshop.ended}/picture")
    assert answer.headers["content-type"] == "image/png"
    with Image.open(BytesIO(answer.content)) as picture:
        assert picture.width > 500


def test_the_document_describes_every_address_and_no_other(client: TestClient) -> None:
    document = client.get("/api/openapi.json").json()
    described = {(method.upper(), path) for path, methods in document["paths"].items() for method in methods}
    assert described == {(one.method, one.path) for one in ENDPOINTS}
    assert all(operation["summary"] for methods in document["paths"].values() for operation in methods.values())


def test_an_oven_with_a_slash_in_its_name_has_an_address(workshop: Workshop) -> None:
    pinned = workshop.board.latest(OVEN)
    assert pinned is not None
    board = Board()
    board.pin("shop 1/2 ?#%", pinned.situation, 0.0)
    slashed = replace(workshop, board=board)
    with client_of(slashed) as client:
        assert client.get("/api/ovens/shop%201%2F2%20%3F%23%25").json()["oven"] == "shop 1/2 ?#%"
        assert client.get("/ovens/shop%201%2F2%20%3F%23%25").status_code == 200
        assert client.get("/api/ovens/shop%201/2%20%3F%23%25").status_code == 404
