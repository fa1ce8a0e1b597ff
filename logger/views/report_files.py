"""The report of a run as a file, by the ending of its name."""

from datetime import tzinfo
from pathlib import Path

from logger.errors import OutsideFault
from logger.situation import Situation
from logger.views.report import Report
from logger.views.report_html import Paper, report_html
from logger.views.report_pdf import report_pdf
from logger.views.report_pictures import panels
from logger.views.run_views import run_view_of


def write_report(
    report: Report, situation: Situation, file: Path, paper: Paper = "A4", zone: tzinfo | None = None
) -> None:
    """Write a report as HTML or, where the name ends in .pdf, as a PDF of one page.

    Raises   OutsideFault    the file cannot be written
    """
    drawn = panels(run_view_of(situation, zone), situation.problem.sheet.display)
    if file.suffix.lower() == ".pdf":
        content = report_pdf(report, drawn, paper)
    else:
        content = report_html(report, drawn, paper).encode("utf-8")
    try:
        file.write_bytes(content)
    except OSError as error:
        raise OutsideFault(
            f"{file}: the report could not be written: {(error.strerror or str(error)).lower()}"
        ) from error
