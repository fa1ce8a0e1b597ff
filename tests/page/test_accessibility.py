"""Every screen under axe-core's rules, light and dark, phone and desktop: no serious finding.

axe-core comes inside the axe-playwright-python package; its rules are those of WCAG 2.1 at levels A and AA.
"""

from collections.abc import Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser

from tests.page.browser import browser, needs_browser, page_of, window
from tests.page.workshop import OVEN, Workshop, make_workshop

NAME_OF_FOCUS = """() => {
  const here = document.activeElement;
  return (here.getAttribute("aria-label") || here.textContent || "").trim();
}"""

pytestmark = [needs_browser, pytest.mark.slow]


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    with browser() as found:
        yield found


@pytest.fixture(scope="module")
def workshop(tmp_path_factory: pytest.TempPathFactory) -> Workshop:
    return make_workshop(tmp_path_factory.mktemp("axe"))


@pytest.mark.parametrize(("size", "theme"), [("phone", "light"), ("phone", "dark"), ("desktop", "light")])
def test_no_screen_has_a_serious_finding(chromium: Browser, workshop: Workshop, size: str, theme: str) -> None:
    oven, run = f"ovens/{OVEN}", f"ovens/{OVEN}/runs/{workshop.ended}"
    both = "&".join(f"oven={OVEN}&run={one}" for one in (workshop.ended, workshop.going_on))
    screens = {
        "oven": (oven, "html[data-drawn]"),
        "start": (f"{oven}/start", "html[data-ready]"),
        "run": (run, "html[data-drawn]"),
        "runs": ("runs", "#runs li"),
        "overlay": (f"overlay?{both}", "html[data-drawn]"),
    }
    found = []
    with page_of(workshop.board, {OVEN: workshop.record}) as page, window(chromium, size, theme) as seen:
        for name, (path, ready) in screens.items():
            seen.open(f"{page.address}{path}")
            seen.page.wait_for_selector(ready, state="attached")
            if name == "oven":
                found += _serious(seen.page, name)
                for dialog in ("Mark", "Photo", "Stop"):
                    seen.page.click(f".acts >> text={dialog}")
                    found += _serious(seen.page, f"{name}, {dialog}")
                    seen.page.keyboard.press("Escape")
            else:
                found += _serious(seen.page, name)
            if size == "phone":
                seen.shot(f"{name}-{size}-{theme}-drawn")
    assert found == []


def _serious(page: object, where: str) -> list[str]:
    options = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "best-practice"]}
    response = Axe().run(page, options=options).response  # type: ignore[arg-type]
    assert len(response["passes"]) > 10, "axe-core has looked at nothing"
    return [
        f"{where}: {one['id']}, {node['target']}: {node['failureSummary']}"
        for one in response["violations"]
        if one["impact"] in ("serious", "critical")
        for node in one["nodes"]
    ]


def test_everything_on_the_oven_s_screen_is_reached_and_done_with_keys_alone(
    chromium: Browser, workshop: Workshop, tmp_path: Path
) -> None:
    with page_of(workshop.board, {OVEN: workshop.record}) as page, window(chromium, "desktop") as seen:
        seen.open(f"{page.address}ovens/{OVEN}", drawn=True)
        reached = set()
        for _ in range(60):
            seen.page.keyboard.press("Tab")
            reached.add(seen.page.evaluate(NAME_OF_FOCUS))
        for name in ("To the content", "Runs", "Mark", "Stop", "Temperature: zoom in"):
            assert name in reached
        assert any(name.startswith("Temperature over time") for name in reached)
        seen.page.locator(".acts >> text=Note").focus()
        seen.page.keyboard.press("Enter")
        assert seen.page.evaluate("document.activeElement.closest('dialog')?.id") == "note"
        seen.page.keyboard.press("Escape")
        assert seen.page.locator("dialog[open]").count() == 0
