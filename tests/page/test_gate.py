"""The gate in front of the page: hosts, sessions, form tokens, sizes, paths, what leaves."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from logger.page.access import Passwords, Role
from logger.page.actions import LARGEST_PHOTO
from logger.page.api import ENDPOINTS, Endpoint
from logger.record import RecordReader
from tests.page.workshop import OVEN, Workshop, client_of, make_workshop, token

OWNERS, GUESTS = "the owner's own", "only to look"


@pytest.fixture(scope="module")
def workshop(tmp_path_factory: pytest.TempPathFactory) -> Workshop:
    return make_workshop(tmp_path_factory.mktemp("gate"))


@pytest.fixture(scope="module")
def passwords() -> Passwords:
    return Passwords().with_password(Role.OWNER, OWNERS).with_password(Role.GUEST, GUESTS)


@pytest.fixture
def home(workshop: Workshop) -> Iterator[TestClient]:
    """The page on its own machine alone: no password."""
    with client_of(workshop) as client:
        yield client


@pytest.fixture
def shop(workshop: Workshop, passwords: Passwords) -> Iterator[TestClient]:
    """The page with passwords set."""
    with client_of(workshop, passwords) as client:
        yield client


def sign_in(client: TestClient, password: str) -> int:
    return client.post("/api/session", json={"password": password}).status_code


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1.evil.example", "192.168.1.9", "", "[::1", "a" * 300])
def test_a_foreign_name_for_this_machine_is_turned_away(home: TestClient, host: str) -> None:
    assert home.get("/api/ovens", headers={"host": host}).status_code == 421


def test_its_own_names_are_let_in_with_any_port(home: TestClient) -> None:
    for host in ("127.0.0.1:8427", "localhost", "LOCALHOST:1"):
        assert home.get("/api/ovens", headers={"host": host}).status_code == 200


def test_every_answer_carries_a_strict_policy_and_no_screen_has_a_script_or_style_of_its_own(
    home: TestClient, workshop: Workshop
) -> None:
    for path in ("/", "/runs", f"/ovens/{OVEN}/start", f"/ovens/{OVEN}/runs/{workshop.ended}", "/no-such-page"):
        answer = home.get(path)
        policy = answer.headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert " style=" not in answer.text
        assert " onclick=" not in answer.text
        assert answer.text.count("<script") == answer.text.count("<script src=") + answer.text.count(
            "<script defer src="
        ) + answer.text.count('<script type="module" src=')


def test_words_of_a_sheet_are_text_on_the_screen_and_never_markup(home: TestClient) -> None:
    text = home.get(f"/ovens/{OVEN}").text
    assert "&lt;script&gt;alert(1)" in text
    assert "<script>alert(1)" not in text


@pytest.mark.parametrize("endpoint", [one for one in ENDPOINTS if one.method != "GET"], ids=lambda one: one.path)
def test_nothing_is_changed_without_the_form_token(home: TestClient, workshop: Workshop, endpoint: Endpoint) -> None:
    path = endpoint.path.format(oven=OVEN, run=workshop.ended, name="x")
    home.get("/api/session")
    answer = home.request(endpoint.method, path, json={})
    assert answer.status_code == 403
    assert answer.json()["faults"][0]["where"] == "form token"


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
    ],
)
def test_another_site_changes_nothing_even_with_a_token(
    home: TestClient, workshop: Workshop, headers: dict[str, str]
) -> None:
    path = f"/api/ovens/{OVEN}/runs/{workshop.ended}/notes"
    answer = home.post(path, json={"text": "from elsewhere"}, headers={**token(home), **headers})
    assert answer.status_code == 403
    with RecordReader(workshop.record) as reader:
        assert all(note.text != "from elsewhere" for note in reader.notes(workshop.ended))


def test_without_a_password_nothing_is_shown_but_the_way_in(shop: TestClient, workshop: Workshop) -> None:
    assert shop.get("/api/ovens").status_code == 401
    assert shop.get(f"/api/ovens/{OVEN}/runs/{workshop.ended}/picture").status_code == 401
    assert shop.get("/api/events").status_code == 401
    answer = shop.get("/", follow_redirects=False)
    assert answer.headers["location"] == "/sign-in"
    assert OVEN not in shop.get("/sign-in").text


def test_the_right_password_opens_the_page_and_its_cookie_cannot_be_read_by_scripts(shop: TestClient) -> None:
    answer = shop.post("/api/session", json={"password": OWNERS})
    assert answer.status_code == 200
    cookie = answer.headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert OWNERS not in cookie
    assert shop.get("/api/ovens").status_code == 200


def test_wrong_passwords_are_refused_and_soon_have_to_wait(shop: TestClient) -> None:
    codes = [sign_in(shop, f"wrong {number}") for number in range(6)]
    assert codes == [403] * 5 + [429]
    assert sign_in(shop, OWNERS) == 429  # not even the right one may be tried now


def test_a_guest_sees_everything_and_changes_nothing(shop: TestClient, workshop: Workshop) -> None:
    assert sign_in(shop, GUESTS) == 200
    assert shop.get("/api/ovens").status_code == 200
    answer = shop.post(
        f"/api/ovens/{OVEN}/runs/{workshop.ended}/notes", json={"text": "a guest's"}, headers=token(shop)
    )
    assert answer.status_code == 403
    assert "guest" in answer.json()["faults"][0]["found"]
    assert "Mark" not in shop.get(f"/ovens/{OVEN}").text


def test_signing_out_forgets_the_browser(shop: TestClient) -> None:
    sign_in(shop, OWNERS)
    assert shop.request("DELETE", "/api/session", headers=token(shop)).status_code == 204
    assert shop.get("/api/ovens").status_code == 401


def test_a_session_of_before_a_new_password_is_over(workshop: Workshop, passwords: Passwords) -> None:
    with client_of(workshop, passwords) as client:
        sign_in(client, OWNERS)
        cookies = dict(client.cookies)
    with client_of(workshop, passwords.with_password(Role.OWNER, "a new one now")) as client:
        client.cookies.update(cookies)
        assert client.get("/api/ovens").status_code == 401


@pytest.mark.parametrize(
    "path",
    [
        "/static/../access.py",
        "/static/x/../../access.py",
        "/static/{version}/..%2F..%2Faccess.py",
        "/static/{version}/%2e%2e%2faccess.py",
        "/static/{version}/page.css%00.js",
        f"/api/ovens/{OVEN}/runs/..%2F..%2F/photos/record.db",
        f"/api/ovens/{OVEN}/runs/{{run}}/photos/..%2F..%2Frecord.db",
        f"/api/ovens/{OVEN}/runs/{{run}}/photos/%2Fetc%2Fpasswd",
    ],
)
def test_no_path_leads_out_of_what_is_served(home: TestClient, workshop: Workshop, path: str) -> None:
    version = home.get("/runs").text.split('data-version="')[1].split('"')[0]
    assert home.get(path.format(version=version, run=workshop.ended)).status_code == 404


def test_a_body_that_is_too_large_is_refused_whether_it_says_so_or_not(home: TestClient, workshop: Workshop) -> None:
    path = f"/api/ovens/{OVEN}/runs/{workshop.ended}/notes"
    assert home.post(path, content=b"x" * 100_000, headers=token(home)).status_code == 413
    pieces = (b"x" * 10_000 for _ in range(20))
    assert home.post(path, content=pieces, headers=token(home)).status_code == 413
    photos = f"/api/ovens/{OVEN}/runs/{workshop.ended}/photos"
    assert (
        home.post(photos, content=b"\xff\xd8\xff" + b"x" * (LARGEST_PHOTO + 2000), headers=token(home)).status_code
        == 413
    )


@pytest.mark.parametrize(
    "content", [b"", b"GIF89a", b"<svg onload='x'>", b"RIFF....WAVE", b"\xff\xd8\xff" + b"x" * 400, b"%PDF-1.7"]
)
def test_what_is_no_photo_is_not_kept(home: TestClient, workshop: Workshop, content: bytes) -> None:
    path = f"/api/ovens/{OVEN}/runs/{workshop.ended}/photos"
    answer = home.post(path, content=content, headers={**token(home), "content-type": "image/jpeg"})
    assert answer.status_code == 422
    assert "photo" in answer.json()["faults"][0]["where"]
    assert not list(Path(workshop.record.parent).glob("*-photos/*/*"))


def test_a_flood_of_changes_is_slowed_down(home: TestClient) -> None:
    headers = token(home)
    codes = {home.post("/api/sheets/check", json={"sheet_text": ""}, headers=headers).status_code for _ in range(62)}
    assert codes == {200, 429}


def test_readings_have_no_address_that_changes_them(home: TestClient, workshop: Workshop) -> None:
    with RecordReader(workshop.record) as reader:
        before = list(reader.readings(workshop.ended))
    for method in ("PUT", "PATCH", "DELETE", "POST"):
        for part in ("", "/temperature", "/chart", "/review"):
            path = f"/api/ovens/{OVEN}/runs/{workshop.ended}{part}"
            assert home.request(method, path, headers=token(home), json={}).status_code in (404, 405)
    with RecordReader(workshop.record) as reader:
        assert list(reader.readings(workshop.ended)) == before
