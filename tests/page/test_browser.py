"""The page as a person meets it: a real browser, a real daemon, a simulated oven on a real port."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from PIL import Image
from playwright.sync_api import Browser, Page, expect

from logger.page.access import Passwords, Role, write_passwords
from logger.page.server import Page as ServedPage
from logger.record import RecordReader
from tests.page.browser import PATIENCE_MS, browser, needs_browser, page_of, shop, window
from tests.page.workshop import make_workshop
from tests.whole.served import Served, begun, oven_file, simulated

pytestmark = [needs_browser, pytest.mark.slow]

expect.set_options(timeout=PATIENCE_MS)

OVEN = "north oven"
SHEET = """\
name = "Strap <img src=x onerror=alert(1)>"
[piece]
shape = "plate"
thickness_mm = 6.0
carbon_wt_pct = 0.05
[pack]
recipe = "energised charcoal"
[canister]
sensor = "inside"
[[target]]
quantity = "soak time"
reach_h = 0.05
[[target]]
quantity = "case depth"
at_carbon_wt_pct = 0.40
reach_mm = 0.8
"""


@dataclass
class Live:
    """What is being watched, and where its page is."""

    address: str
    record: Path
    run: str
    page: ServedPage
    running: Served

    @property
    def oven(self) -> str:
        return f"{self.address}ovens/north%20oven"


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    with browser() as found:
        yield found


@pytest.fixture(scope="module")
def live(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Live]:
    """One oven on its way up, a hundred and fifty times faster than real time."""
    folder = tmp_path_factory.mktemp("live")
    record = folder / "record.db"
    with simulated(speed=150.0) as bus:
        file = oven_file(folder, OVEN, bus.port, speed=150.0, poll_s=15.0)
        with shop([file], {OVEN: record}) as (running, page):
            yield Live(page.address, record, begun(record, OVEN, SHEET), page, running)


@pytest.mark.parametrize(("size", "theme"), [("phone", "light"), ("phone", "dark"), ("desktop", "light")])
def test_the_first_look_answers_all_right_how_far_until_when(
    chromium: Browser, live: Live, size: str, theme: str
) -> None:
    with window(chromium, size, theme) as seen:
        seen.open(live.oven, drawn=True)
        expect(seen.page.locator("#sentence")).to_contain_text("Steel")
        expect(seen.page.locator(".state .word")).not_to_be_empty()
        expect(seen.page.locator(".state .shape svg")).to_have_count(1)
        expect(seen.page.locator("#when")).to_contain_text("UTC+0")
        assert seen.page.locator("figure canvas").count() >= 2
        for part in ("#sentence", "#glance-heat", "#glance-until"):
            box = seen.page.locator(part).bounding_box()
            assert box is not None
            assert box["y"] + box["height"] <= seen.page.viewport_size["height"], (
                f"{part} is not seen without scrolling"
            )
        assert seen.page.evaluate("document.documentElement.scrollWidth <= innerWidth"), "it scrolls sideways"
        seen.shot(f"oven-{size}-{theme}")
        assert seen.troubles == []


def test_what_is_shown_changes_by_itself(chromium: Browser, live: Live) -> None:
    with window(chromium) as seen:
        seen.open(live.oven)
        before = seen.page.locator("#when").inner_text()
        expect(seen.page.locator("#when")).not_to_have_text(before)


def test_units_change_at_once_everywhere_and_are_remembered(chromium: Browser, live: Live) -> None:
    with window(chromium) as seen:
        seen.open(live.oven, drawn=True)
        seen.page.click("#units-temperature")
        seen.page.click("#units-length")
        expect(seen.page.locator("#glance-heat")).to_contain_text("F")
        expect(seen.page.locator("#glance-far")).to_contain_text("in")
        expect(seen.page.locator("figcaption", has_text="Temperature")).to_contain_text("°F")
        expect(seen.page.locator("figcaption", has_text="Case depth")).to_contain_text("in")
        for place in ("#facts", "#sentence"):
            expect(seen.page.locator(place)).not_to_contain_text("\N{NO-BREAK SPACE}mm")
            expect(seen.page.locator(place)).not_to_contain_text("\N{NO-BREAK SPACE}C,")
        seen.page.reload()
        expect(seen.page.locator("#glance-heat")).to_contain_text("F")
        assert seen.troubles == []


def test_a_note_with_a_script_in_it_is_shown_as_it_was_typed_and_runs_nowhere(chromium: Browser, live: Live) -> None:
    words = '<script>alert(1)</script><img src=x onerror="alert(2)"> lid sat crooked'
    with window(chromium) as seen:
        seen.open(live.oven)
        seen.page.click("text=Note")
        seen.page.fill("#note-text", words)
        seen.page.fill("#note-who", "<b>Kari</b>")
        seen.page.click("text=Keep the note")
        expect(seen.page.locator("#written li", has_text="lid sat crooked")).to_contain_text(words)
        expect(seen.page.locator("#written li", has_text="lid sat crooked")).to_contain_text("<b>Kari</b>")
        seen.open(f"{live.oven}/runs/{live.run}", drawn=True)
        expect(seen.page.locator("#title")).to_have_text("Strap <img src=x onerror=alert(1)>")
        expect(seen.page.locator("#entries li", has_text="lid sat crooked")).to_contain_text(words)
        assert seen.troubles == []
    with RecordReader(live.record) as reader:
        assert [note.text for note in reader.notes(live.run) if note.time_s is None] == [words]


def test_a_moment_is_marked_where_it_happened(chromium: Browser, live: Live) -> None:
    with window(chromium) as seen:
        seen.open(live.oven)
        seen.page.click(".acts >> text=Mark")
        expect(seen.page.locator("dialog[open] .caution")).to_contain_text("carbon monoxide")
        seen.page.click("text=Opened the door")
        seen.shot("mark-phone", whole=False)
        seen.page.click("text=Mark now")
        expect(seen.page.locator("#written li[data-kind=mark]")).to_contain_text("Opened the door")
        assert seen.troubles == []
    with RecordReader(live.record) as reader:
        assert any(note.time_s is not None and note.text == "Opened the door" for note in reader.notes(live.run))


def test_a_photo_is_added_and_seen(chromium: Browser, live: Live, tmp_path: Path) -> None:
    Image.new("RGB", (640, 480), "orange").save(tmp_path / "lid.jpg")
    (tmp_path / "no.jpg").write_bytes(b"<svg onload=alert(1)>")
    with window(chromium) as seen:
        seen.open(live.oven)
        seen.page.click(".acts >> text=Photo")
        seen.page.set_input_files("#photo-file", tmp_path / "no.jpg")
        seen.page.click("text=Keep the photo")
        expect(seen.page.locator("#photo .fault")).to_contain_text("JPEG, PNG or WebP")
        seen.page.set_input_files("#photo-file", tmp_path / "lid.jpg")
        seen.page.fill("#photo-text", "The lid")
        seen.page.click("text=Keep the photo")
        image = seen.page.locator("#written img[alt='The lid']")
        image.scroll_into_view_if_needed()
        expect(image).to_have_js_property("naturalWidth", 640)


def test_what_if_is_answered_beside_the_run(chromium: Browser, live: Live) -> None:
    with window(chromium) as seen:
        seen.open(live.oven)
        expect(seen.page.locator("#glance-heat")).not_to_have_text("not known")
        seen.page.click(".acts >> text=What if")
        expect(seen.page.locator("#what-if-table th[scope=col]")).to_have_count(4)
        expect(seen.page.locator("#what-if-table")).to_contain_text("Case depth")
        seen.shot("what-if-phone", whole=False)
        assert seen.troubles == []


def test_pictures_are_read_off_and_zoomed_by_keys_and_buttons(chromium: Browser, live: Live) -> None:
    with window(chromium, "desktop") as seen:
        seen.open(live.oven, drawn=True)
        figure = seen.page.locator("figure", has=seen.page.locator("figcaption", has_text="Temperature"))
        plot = figure.locator(".plot")
        plot.focus()
        plot.press("ArrowRight")
        expect(figure.locator(".readout")).to_contain_text("set point")
        figure.locator("button", has_text="+").click()
        figure.locator("button", has_text="+").click()
        figure.locator("button", has_text="▶").click()
        figure.locator("button", has_text="all").click()
        box = plot.locator(".u-over").bounding_box()
        assert box is not None
        whole_s = _shown_s(seen.page)
        seen.page.mouse.move(box["x"] + 60, box["y"] + 60)
        seen.page.mouse.down()
        seen.page.mouse.move(box["x"] + 60 + 0.25 * box["width"], box["y"] + 60, steps=4)
        seen.page.mouse.up()
        assert _shown_s(seen.page) < 0.5 * whole_s
        seen.page.mouse.dblclick(box["x"] + 100, box["y"] + 60)
        assert _shown_s(seen.page) >= whole_s
        assert seen.troubles == []


def test_a_picture_of_the_whole_grows_with_the_run_and_one_that_is_zoomed_stays(chromium: Browser, live: Live) -> None:
    with window(chromium, "desktop") as seen:
        asked: list[str] = []
        seen.page.on("request", lambda request: asked.append(request.url))
        seen.open(live.oven, drawn=True)
        whole_s = _shown_s(seen.page)
        seen.page.wait_for_function("(before) => document.querySelector('.plot').span() > before + 60", arg=whole_s)
        assert not [url for url in asked if "/temperature?" in url], "detail nobody asked for"
        seen.page.locator("figure", has_text="Temperature").locator("button", has_text="+").click()
        zoomed_s = _shown_s(seen.page)
        before = seen.page.locator("#when").inner_text()
        expect(seen.page.locator("#when")).not_to_have_text(before)
        assert _shown_s(seen.page) == pytest.approx(zoomed_s)


def test_a_watch_that_says_nothing_or_ends_is_told(
    chromium: Browser, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("logger.page.live.SILENT_AFTER_S", 1.0)
    recorded = make_workshop(tmp_path)  # pinned once and never again
    with page_of(recorded.board, {OVEN: recorded.record}) as page, window(chromium) as seen:
        seen.open(f"{page.address}ovens/north%20oven")
        expect(seen.page.locator("#silent")).to_contain_text("The watch of this oven has said nothing for")
        recorded.board.take_down(OVEN)
        seen.page.wait_for_url(f"**/runs/{recorded.going_on}")
        expect(seen.page.locator("#sentence")).to_contain_text("Steel")


def test_fingers_read_off_and_zoom_and_a_closer_look_brings_what_was_thinned(chromium: Browser, tmp_path: Path) -> None:
    recorded = make_workshop(tmp_path, every_s=4.0)
    with page_of(recorded.board, {OVEN: recorded.record}) as page, window(chromium, "phone") as seen:
        seen.open(f"{page.address}ovens/north%20oven", drawn=True)
        figure = seen.page.locator("figure", has=seen.page.locator("figcaption", has_text="Temperature"))
        over = figure.locator(".u-over")
        over.scroll_into_view_if_needed()
        box = over.bounding_box()
        assert box is not None
        x, y, width = box["x"], box["y"] + 40.0, box["width"]
        seen.page.touchscreen.tap(x + 0.6 * width, y)
        expect(figure.locator(".readout")).to_contain_text("the steel itself 927")
        before = _shown_s(seen.page)
        fingers = seen.context.new_cdp_session(seen.page)
        with seen.page.expect_response("**/temperature?*") as closer:
            for kind, apart in (("touchStart", 0.05), ("touchMove", 0.15), ("touchMove", 0.3), ("touchMove", 0.4)):
                points = [{"x": x + (0.5 + side * apart) * width, "y": y} for side in (-1.0, 1.0)]
                fingers.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})
            fingers.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
        assert closer.value.ok
        assert _shown_s(seen.page) < 0.3 * before
        steel = next(one for one in closer.value.json()["traces"] if one["role"] == "steel")
        assert not steel["thinned"]
        figure.locator("button", has_text="all").click()
        assert _shown_s(seen.page) == pytest.approx(before)
        assert seen.troubles == []


TICKS = """async ([low, high, step, changes]) => {
  const address = performance.getEntriesByType("resource").find((one) => one.name.endsWith("/chart.js")).name;
  const { timeAxis } = await import(address);
  const axis = timeAxis(() => changes);
  return axis.values(null, axis.splits(null, 0, low, high, step));
}"""


def test_the_night_the_clock_goes_back_is_told_by_the_clock_on_the_wall(chromium: Browser, tmp_path: Path) -> None:
    """From 1:00 for four hours, in which the clock is put back from 3:00 to 2:00: it ends at 4:00."""
    berlin = ZoneInfo("Europe/Berlin")
    began_s = datetime(2026, 10, 25, 1, 0, tzinfo=berlin).timestamp()
    recorded = make_workshop(tmp_path, hours=4.0, started_utc_s=began_s - 86_400.0)
    with (
        page_of(recorded.board, {OVEN: recorded.record}) as page,
        window(chromium, "desktop", zone="Europe/Berlin") as seen,
    ):
        seen.open(f"{page.address}ovens/north%20oven", drawn=True)
        figure = seen.page.locator("figure", has=seen.page.locator("figcaption", has_text="Temperature"))
        for key, said in (("Home", "01:00 (0 h 00)"), ("End", "04:00 (4 h 00)")):
            figure.locator(".plot").press(key)
            expect(figure.locator(".readout")).to_contain_text(said)
        noon_s = datetime(2026, 10, 24, 12, 0, tzinfo=UTC).timestamp()  # as the axis has it: the clock's own digits
        changes = [[datetime(2026, 10, 25, 3, 0, tzinfo=UTC).timestamp(), -3600]]
        hourly = seen.page.evaluate(TICKS, [noon_s + 13 * 3600, noon_s + 17 * 3600, 3600, changes])
        assert hourly == ["01:00", "02:00", "02:00", "03:00", "04:00"]
        wide = seen.page.evaluate(TICKS, [noon_s, noon_s + 24 * 3600, 3 * 3600, changes])
        # At 3:00 the clock said 2:00; 3:00 came an hour later. The tick of midnight carries the date.
        assert (wide[:4], wide[5:]) == (["12:00", "15:00", "18:00", "21:00"], ["03:00", "06:00", "09:00"])
        assert seen.troubles == []


def _shown_s(page: Page) -> float:
    """How much time the first picture shows [s]."""
    return float(page.evaluate("document.querySelector('.plot').span()"))


def test_an_alert_comes_by_itself_and_is_acknowledged(chromium: Browser, live: Live) -> None:
    with window(chromium) as seen:
        seen.open(live.oven)
        card = seen.page.locator("#alerts li", has_text="Target reached")
        expect(card.first).to_be_visible(timeout=150_000)
        expect(card.first).to_contain_text("carbon monoxide")
        expect(seen.page.locator(".state .word")).to_have_text("Look")
        seen.shot("alert-phone")
        card.first.locator("button").click()
        expect(card.first).to_contain_text("seen")
        expect(card.first.locator("button")).to_have_count(0)
    with RecordReader(live.record) as reader:
        phases = [str(row.event.phase) for row in reader.alerts(live.run) if row.event.kind == "target reached"]
    assert "acknowledged" in phases


def test_ten_pages_at_once_all_hear_the_same(chromium: Browser, live: Live) -> None:
    with window(chromium) as first:
        pages = [first.page, *(first.context.new_page() for _ in range(5))]
        with window(chromium) as second:
            pages += [second.page, *(second.context.new_page() for _ in range(3))]
            assert len(pages) == 10
            for page in pages:
                page.goto(live.oven)
            for page in pages:
                page.wait_for_selector("html[data-live]", state="attached")
            before = [page.locator("#when").inner_text() for page in pages]
            for page, was in zip(pages, before, strict=True):
                expect(page.locator("#when")).not_to_have_text(was)


def test_a_wrong_form_token_is_refused_and_the_page_gets_a_new_one_by_itself(chromium: Browser, live: Live) -> None:
    with window(chromium) as seen:
        seen.open(live.oven)
        path = f"/api/ovens/north%20oven/runs/{live.run}/notes"
        status = seen.page.evaluate(
            """async (path) => (await fetch(path, { method: "POST", body: JSON.stringify({ text: "forged" }),
               headers: { "Content-Type": "application/json", "X-Form-Token": "wrong" } })).status""",
            path,
        )
        assert status == 403
        seen.context.clear_cookies()  # as after a restart of the daemon: the session and its token are gone
        seen.page.click(".acts >> text=Note")
        seen.page.fill("#note-text", "after the restart")
        seen.page.click("text=Keep the note")
        expect(seen.page.locator("#written")).to_contain_text("after the restart")
    with RecordReader(live.record) as reader:
        assert all(note.text != "forged" for note in reader.notes(live.run))


def test_a_run_is_ended_reported_and_another_started_from_the_form(chromium: Browser, live: Live) -> None:
    with window(chromium) as seen:
        seen.open(live.oven)
        seen.page.click(".acts >> text=Stop")
        expect(seen.page.locator("dialog[open]")).to_contain_text("The oven heats on")
        seen.page.click("text=End the run")
        seen.page.wait_for_selector("html[data-state=idle]", state="attached")
        expect(seen.page.locator("#sentence")).to_contain_text("No run goes on")
        seen.shot("idle-phone", whole=False)
        seen.page.click("text=How the last run went")
        expect(seen.page.locator("#sentence")).to_contain_text("hottest")
        seen.page.wait_for_selector("html[data-drawn]", state="attached")
        seen.shot("run-phone")
        seen.page.click("text=The report")
        expect(seen.page.locator("body")).to_contain_text("Strap <img src=x onerror=alert(1)>")
        seen.open(f"{live.oven}/start")
        seen.page.wait_for_selector("html[data-ready]", state="attached")
        seen.page.fill("#field-name", "Second strap")
        seen.page.fill("#field-thickness", "six")
        seen.page.click("text=Start the run")
        expect(seen.page.locator("#field-thickness-fault")).to_contain_text('found "six", expected a length')
        expect(seen.page.locator("#field-carbon-fault")).to_contain_text("expected carbon")
        seen.shot("start-faults-phone")
        seen.page.fill("#field-thickness", "1/4 in")
        seen.page.fill("#field-carbon", "0.05")
        seen.page.select_option("#field-sensor", "inside")
        expect(seen.page.locator("#field-thickness-fault")).to_be_empty()
        seen.page.click("text=Start the run")
        seen.page.wait_for_url("**/ovens/north%20oven")
        expect(seen.page.locator(".state .run")).to_have_text("Second strap")
        expect(seen.page.locator("#sentence")).to_contain_text("Steel")
    with RecordReader(live.record) as reader:
        first, second = reader.runs()
    assert first.how_ended == "stopped"
    assert second.ended_utc_s is None


def test_two_runs_lie_over_each_other(chromium: Browser, tmp_path: Path) -> None:
    recorded = make_workshop(tmp_path)
    with page_of(recorded.board, {OVEN: recorded.record}) as page, window(chromium, "desktop") as seen:
        seen.open(f"{page.address}runs")
        boxes = seen.page.locator("#runs input")
        expect(boxes).to_have_count(2)
        for box in boxes.all():
            box.check()
        seen.shot("runs-desktop")
        seen.page.click("text=Lay the two over each other")
        seen.page.wait_for_selector("html[data-drawn]", state="attached")
        expect(seen.page.locator("#numbers")).to_contain_text("Hottest steel")
        seen.shot("overlay-desktop")
        assert seen.troubles == []


def test_a_lost_daemon_is_told_and_a_restarted_one_is_found_again(
    chromium: Browser, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.mktemp("restart")
    record = folder / "record.db"
    with simulated(speed=60.0) as bus, window(chromium) as seen:
        file = oven_file(folder, OVEN, bus.port)
        with shop([file], {OVEN: record}) as (_, page):
            begun(record, OVEN, SHEET)
            port, address = page.port, f"{page.address}ovens/north%20oven"
            seen.open(address, drawn=True)
            expect(seen.page.locator("#lost")).to_be_hidden()
        expect(seen.page.locator("#lost")).to_contain_text("No connection to the daemon since")
        expect(seen.page.locator("body")).to_have_class("lost")
        seen.shot("lost-phone", whole=False)
        before = seen.page.locator("#when").inner_text()
        with shop([file], {OVEN: record}, port):
            expect(seen.page.locator("#lost")).to_be_hidden()
            expect(seen.page.locator("#when")).not_to_have_text(before)
            expect(seen.page.locator("#sentence")).to_contain_text("Steel")


def test_readings_that_stop_are_called_old(chromium: Browser, tmp_path: Path) -> None:
    record = tmp_path / "record.db"
    with window(chromium) as seen:
        with simulated(speed=60.0) as bus:
            file = oven_file(tmp_path, OVEN, bus.port)
            daemon = shop([file], {OVEN: record})
            _, page = daemon.__enter__()
            begun(record, OVEN, SHEET)
            seen.open(f"{page.address}ovens/north%20oven")
            expect(seen.page.locator("#sentence")).to_contain_text("Steel")
        try:  # the oven's port is gone now; the daemon goes on
            expect(seen.page.locator("#sentence")).to_contain_text("No reading for")
            expect(seen.page.locator(".state")).to_have_attribute("data-severity", "warning")
            seen.shot("old-phone", whole=False)
        finally:
            daemon.__exit__(None, None, None)


def test_several_ovens_stand_on_one_screen_each_with_its_state(chromium: Browser, tmp_path: Path) -> None:
    with simulated(speed=60.0) as one, simulated(speed=60.0, seed=2) as two:
        files = [
            oven_file(tmp_path, OVEN, one.port, record="record.db"),
            oven_file(tmp_path, "east oven", two.port, record="record.db"),
        ]
        record = tmp_path / "record.db"
        with shop(files, {OVEN: record, "east oven": record}) as (_, page), window(chromium) as seen:
            begun(record, OVEN, SHEET)
            seen.open(page.address)
            expect(seen.page.locator("#ovens > li")).to_have_count(2)
            expect(seen.page.locator("#ovens > li", has_text="north oven")).to_contain_text("Steel")
            expect(seen.page.locator("#ovens > li", has_text="east oven")).to_contain_text("No run goes on")
            seen.shot("ovens-phone")
            assert seen.troubles == []


def test_others_need_the_password_and_guests_only_look(chromium: Browser, live: Live, tmp_path: Path) -> None:
    passwords = Passwords().with_password(Role.OWNER, "the owner's own").with_password(Role.GUEST, "only to look")
    write_passwords(tmp_path / "passwords", passwords)
    with page_of(live.running.board, {OVEN: live.record}, password=tmp_path / "passwords") as page:
        address = f"{page.address}ovens/north%20oven"
        with window(chromium) as seen:
            seen.open(address)
            seen.page.fill("#password", "wrong one")
            seen.page.click("main >> text=Sign in >> nth=-1")
            expect(seen.page.locator(".fault")).to_contain_text("found a wrong one")
            seen.page.fill("#password", "only to look")
            seen.page.press("#password", "Enter")
            expect(seen.page.locator("#sentence")).not_to_be_empty()
            expect(seen.page.locator(".acts")).to_have_count(0)
            seen.page.wait_for_load_state("load")
            seen.page.click("#sign-out")
            seen.page.wait_for_url("**/sign-in")
            seen.page.fill("#password", "the owner's own")
            seen.page.press("#password", "Enter")
            expect(seen.page.locator(".acts")).to_have_count(1)


def test_a_picture_stands_where_the_page_cannot_draw_by_itself(
    chromium: Browser, live: Live, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("logger.page.assets.installed_chart_folder", lambda: None)
    with page_of(live.running.board, {OVEN: live.record}) as page, window(chromium) as seen:
        with RecordReader(live.record) as reader:
            run = reader.runs()[0].id
        seen.open(f"{page.address}ovens/north%20oven/runs/{run}")
        expect(seen.page.locator(".picture img")).not_to_have_js_property("naturalWidth", 0)
        assert seen.page.locator("canvas").count() == 0
