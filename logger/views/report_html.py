"""The report as one HTML file that needs nothing else: pictures inside it, no script, print-ready."""

import base64
from functools import cache
from pathlib import Path
from typing import Literal

from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape
from jinja2 import Template as Page

from logger.alert_rules import Severity
from logger.views import look
from logger.views.report import Report
from logger.views.report_pictures import Panel, panel_png

Paper = Literal["A4", "Letter"]

SIGNS = {None: "", Severity.NEWS: "●", Severity.WARNING: "▲", Severity.DANGER: "◆"}
"""The shapes of the marks in the pictures, as letters."""


def report_html(report: Report, panels: tuple[Panel, ...], paper: Paper = "A4") -> str:
    """The report with its pictures as one page of HTML; everything a person typed is escaped."""
    pictures = [(panel.name, panel.alt, data_uri(panel_png(panel), "image/png")) for panel in panels]
    photos = [
        (photo.caption, "" if photo.image is None else data_uri(photo.image, photo.media_type), photo.trouble)
        for photo in report.photos
    ]
    return page("report.html").render(
        report=report,
        pictures=pictures,
        photos=photos,
        paper=paper,
        look=look,
        signs={str(severity): sign for severity, sign in SIGNS.items() if severity is not None},
        sign=SIGNS[report.worst],
    )


def data_uri(content: bytes, media_type: str) -> str:
    """Bytes as an address that holds them."""
    return f"data:{media_type};base64,{base64.b64encode(content).decode('ascii')}"


@cache
def _pages() -> Environment:
    return Environment(
        loader=FileSystemLoader(Path(__file__).parent),
        autoescape=select_autoescape(("html",), default=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def page(name: str) -> Page:
    """A page of this folder, by its file name; what is put into it is escaped."""
    return _pages().get_template(name)
