"""A comparison as one HTML file that needs nothing else."""

from logger.views import look
from logger.views.comparison import Comparison, table_of
from logger.views.comparison_picture import draw_comparison
from logger.views.plots import few_inks, png
from logger.views.report_html import Paper, data_uri, page
from logger.views.run_views import snapshot_of
from logger.views.snapshot import headline


def comparison_html(comparison: Comparison, paper: Paper = "A4") -> str:
    """The page of a comparison; everything a person typed is escaped."""
    head, rows = table_of(comparison)
    return page("comparison.html").render(
        title=" and ".join(run.called for run in comparison.runs),
        runs=[
            (run.letter, run.called, run.situation.name, headline(snapshot_of(run.situation, comparison.zone)))
            for run in comparison.runs
        ],
        picture=data_uri(few_inks(png(draw_comparison(comparison))), "image/png"),
        head=head,
        rows=rows,
        marked=any(cell.endswith(" *") for row in rows for cell in row),
        look=look,
        paper=paper,
    )
