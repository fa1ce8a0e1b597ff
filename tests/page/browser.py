"""A real browser on the page, and the page on a real daemon with simulated ovens on real ports."""

import os
import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, Playwright, sync_playwright

from logger.board import Board
from logger.page.server import Page as ServedPage
from logger.page.server import PageSettings, serving
from tests.whole.served import Served

CHROMIUM = next((found for name in ("chromium", "chromium-browser") if (found := shutil.which(name))), None)

SHOTS = Path(os.environ.get("SOAKTALLY_SHOTS", Path(__file__).parents[2] / "test-artefacts" / "page"))
"""Screenshots are kept here to be looked at; never compared."""

SIZES = {"phone": (390, 844), "desktop": (1280, 800)}

PATIENCE_MS = 120_000
"""How long the browser waits for anything: a loaded machine is no fault."""

needs_browser = pytest.mark.skipif(
    CHROMIUM is None, reason="no chromium on this machine (Debian: apt install chromium): the page is not seen"
)


@contextmanager
def browser() -> Iterator[Browser]:
    """Debian's Chromium without a window."""
    with sync_playwright() as playwright:
        yield launched(playwright)


def launched(playwright: Playwright) -> Browser:
    assert CHROMIUM is not None
    return playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])


@dataclass
class Seen:
    """One browser window: its page, and everything that went wrong in it."""

    page: Page
    context: BrowserContext
    troubles: list[str] = field(default_factory=list)

    def open(self, address: str, drawn: bool = False) -> None:
        self.page.goto(address)
        if drawn:
            self.page.wait_for_selector("html[data-drawn]", state="attached")

    def shot(self, name: str, whole: bool = True) -> None:
        SHOTS.mkdir(parents=True, exist_ok=True)
        self.page.screenshot(path=SHOTS / f"{name}.png", full_page=whole)


@contextmanager
def window(browser: Browser, size: str = "phone", theme: str = "light", zone: str = "Europe/Oslo") -> Iterator[Seen]:
    """A window of a phone or a desktop; a script that fails, or one that the policy stops, is a trouble."""
    width, height = SIZES[size]
    context = browser.new_context(
        viewport={"width": width, "height": height},
        device_scale_factor=2 if size == "phone" else 1,
        has_touch=size == "phone",
        is_mobile=size == "phone",
        color_scheme="dark" if theme == "dark" else "light",
        timezone_id=zone,
    )
    context.set_default_timeout(PATIENCE_MS)
    seen = Seen(context.new_page(), context)
    seen.page.on("pageerror", lambda error: seen.troubles.append(str(error)))
    seen.page.on("console", lambda said: seen.troubles.append(said.text) if said.type == "error" else None)
    seen.page.on("dialog", lambda dialog: (seen.troubles.append(f"dialog {dialog.message}"), dialog.dismiss()))
    try:
        yield seen
    finally:
        context.close()


@contextmanager
def page_of(
    board: Board,
    records: dict[str, Path],
    port: int = 0,
    password: Path | None = None,
    answer_within_s: float = 30.0,
) -> Iterator[ServedPage]:
    """The page of a board, on loopback, on a free port."""
    with serving(PageSettings(port=port, password_file=password), board, records, answer_within_s) as page:
        assert page is not None
        yield page


@contextmanager
def shop(files: Sequence[Path], records: dict[str, Path], port: int = 0) -> Iterator[tuple[Served, ServedPage]]:
    """A daemon for these ovens and its page."""
    running = Served(files)
    try:
        with page_of(running.board, records, port) as page:
            yield running, page
    finally:
        running.close()
