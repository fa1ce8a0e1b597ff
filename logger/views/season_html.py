"""The season's page: every run as a card, the state of the oven, links to the runs' own reports."""

from collections.abc import Mapping
from datetime import tzinfo

from logger.alert_rules import Severity
from logger.oven_trend import OvenTrend, Trouble
from logger.units import DisplayUnits
from logger.views import look
from logger.views.plots import few_inks, png
from logger.views.report_html import SIGNS, Paper, data_uri, page
from logger.views.season_cards import Card
from logger.views.season_picture import Scales, card_figure
from logger.views.trend import draw_trend, trend_words

CARD_PIXELS_PER_INCH = 150


def season_title(cards: tuple[Card, ...]) -> str:
    """The ovens of a season and the time it spans."""
    ovens = " and ".join(dict.fromkeys(card.run.situation.oven for card in cards))
    first, last = cards[0].date, cards[-1].date
    return f"{ovens}, {first}" if first == last else f"{ovens}, {first} to {last}"


def season_html(
    cards: tuple[Card, ...],
    trends: Mapping[str, OvenTrend],
    units: DisplayUnits,
    links: Mapping[str, str],
    zone: tzinfo | None = None,
    paper: Paper = "A4",
) -> str:
    """The page of a season. ``links``: by run id the address of its report. Everything typed is escaped."""
    scales = Scales(cards, units)
    clocks = dict.fromkeys(card.run.situation.clock for card in cards if card.run.situation.clock)
    ovens = [
        (
            oven,
            trend_words(trend, units),
            any(finding.trouble is Trouble.DYING_ELEMENT for finding in trend.findings),
            data_uri(few_inks(png(draw_trend(oven, trend, units, zone))), "image/png"),
        )
        for oven, trend in trends.items()
    ]
    return page("season.html").render(
        title=season_title(cards),
        under=" · ".join([f"{len(cards)} runs", *(f"clock: {clock}" for clock in clocks)]),
        ovens=ovens,
        cards=[
            {
                "number": card.number,
                "name": card.run.situation.name,
                "run": card.run.situation.run,
                "date": card.date,
                "link": links.get(card.run.situation.run, ""),
                "picture": data_uri(few_inks(png(card_figure(card, scales), CARD_PIXELS_PER_INCH)), "image/png"),
                "flags": card.flags,
            }
            for card in cards
        ],
        signs={severity: SIGNS[severity] for severity in Severity},
        look=look,
        paper=paper,
    )
