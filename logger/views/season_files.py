"""A season as a folder of plain files that open without a server: its page, its pictures, a report of every run."""

from collections.abc import Callable, Sequence
from datetime import tzinfo
from pathlib import Path

from logger.errors import OutsideFault
from logger.oven_trend import OvenTrend, trend
from logger.situation import SeasonRun
from logger.units import DisplayUnits
from logger.views.plots import few_inks, png
from logger.views.report import report_of
from logger.views.report_files import write_report
from logger.views.report_html import Paper
from logger.views.report_photos import photos_of
from logger.views.season_cards import cards_of
from logger.views.season_html import season_html, season_title
from logger.views.season_picture import draw_season
from logger.views.trend import draw_trend


def trends_of(runs: Sequence[SeasonRun]) -> dict[str, OvenTrend]:
    """The trend of every oven in a season."""
    ovens = dict.fromkeys(run.situation.oven for run in runs)
    return {oven: trend([run.effort for run in runs if run.situation.oven == oven]) for oven in ovens}


def write_season(
    folder: Path,
    runs: Sequence[SeasonRun],
    units: DisplayUnits,
    *,
    zone: tzinfo | None = None,
    paper: Paper = "A4",
    tell: Callable[[str], None] = lambda words: None,
) -> tuple[Path, ...]:
    """Write ``index.html``, ``season.png``, a ``trend`` picture for each oven, and a report of every run.

    Returns    the files written, the index first
    Raises     OutsideFault    the folder cannot be written
    """
    trends = trends_of(runs)
    cards = cards_of(runs, trends, units, zone)
    names = {run.situation.run: f"run-{run.situation.run}.html" for run in runs}
    written = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        index = folder / "index.html"
        index.write_text(season_html(cards, trends, units, names, zone, paper), encoding="utf-8")
        sheet = folder / "season.png"
        sheet.write_bytes(few_inks(png(draw_season(cards, units, season_title(cards)), 110)))
        written += [index, sheet]
        for number, (oven, one) in enumerate(trends.items()):
            picture = folder / ("trend.png" if number == 0 else f"trend-{number + 1}.png")
            picture.write_bytes(few_inks(png(draw_trend(oven, one, units, zone))))
            written.append(picture)
    except OSError as error:
        raise OutsideFault(f"{folder}: could not be written: {error.strerror}") from error
    for run in runs:
        file = folder / names[run.situation.run]
        write_report(report_of(run.situation, zone, photos_of(run.situation)), run.situation, file, paper, zone)
        written.append(file)
        tell(f"Report: {file}")
    return tuple(written)
