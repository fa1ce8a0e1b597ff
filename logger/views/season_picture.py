"""Small pictures of a season's runs, all on the same scales, and the sheet that holds them all."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator, MultipleLocator
from matplotlib.transforms import blended_transform_factory

from logger.units import DisplayUnits, FloatArray
from logger.views import look
from logger.views.panel import line, style
from logger.views.run_views import run_view_of
from logger.views.season_cards import Card
from logger.views.series import Role, RunView
from logger.views.thinning import thin
from logger.views.wording import duration_words

CARD_WIDTH_IN, CARD_HEIGHT_IN = 4.3, 2.75
COLUMNS = 3
FLAG_IN = 0.23
MOST_FLAGS = 3


class Scales:
    """The scales that all small pictures of a season share: temperature in the person's unit, time [h]."""

    def __init__(self, cards: tuple[Card, ...], units: DisplayUnits) -> None:
        highest_K, longest_s = 400.0, 3600.0
        for card in cards:
            for history in card.run.situation.histories.values():
                if history.good.any():
                    highest_K = max(highest_K, float(history.temperature_K[history.good].max()))
                    longest_s = max(longest_s, float(history.time_s[-1]))
        self.units, self.highest, self.longest_h = units, units.temperature_from_kelvin(highest_K), longest_s / 3600.0


def draw_card(axes: Axes, card: Card, scales: Scales) -> None:
    """One run's heat: oven thin, steel heavy, its soak as a bar over the one wanted, what was not read hatched."""
    units = scales.units
    view = run_view_of(card.run.situation)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.set_xlim(0.0, scales.longest_h)
    axes.set_ylim(-0.24 * scales.highest, 1.12 * scales.highest)
    axes.xaxis.set_major_locator(MultipleLocator(1.0 if scales.longest_h <= 8.0 else np.ceil(scales.longest_h / 8.0)))
    axes.yaxis.set_major_locator(MaxNLocator(4, steps=[1, 2, 5, 10]))
    axes.tick_params(length=3, labelsize=look.SMALL_PT)
    axes.grid(axis="y", color=look.RULE, linewidth=0.8)
    axes.set_axisbelow(True)
    for gap in view.temperature.gaps:
        ends = (gap.from_s / 3600.0, gap.to_s / 3600.0)
        axes.axvspan(*ends, facecolor=look.GAP_FILL, edgecolor=look.FAINT_INK, hatch="////", linewidth=0.5, zorder=1)
    for trace in sorted(view.temperature.traces, key=lambda trace: trace.role is Role.STEEL):
        time_s, kelvin = thin(trace.time_s, trace.temperature_K, 400)
        line(axes, time_s / 3600.0, units.temperature_from_kelvin(kelvin), look.TRACES[trace.role], 3.0)
    _soaks(axes, card, view, scales)
    _melting(axes, card, scales)


def _soaks(axes: Axes, card: Card, view: RunView, scales: Scales) -> None:
    """The soak as a bar along the bottom; under it, hollow, the soak that was wanted."""
    y, height = -0.155 * scales.highest, 0.075 * scales.highest
    wanted = next(
        (one for one in card.contract["targets"] if one["quantity"] == "soak time" and not one["limit"]), None
    )
    soaks = view.temperature.soaks
    for soak in soaks:
        from_h, to_h = soak.from_s / 3600.0, soak.to_s / 3600.0
        axes.fill_between([from_h, to_h], y, y + height, color=look.SOAK_EDGE, linewidth=0, zorder=4)
    if wanted is not None:
        from_h = soaks[0].from_s / 3600.0 if soaks else 0.4 * scales.longest_h
        to_h = from_h + wanted["wanted"]
        edges = ([from_h, to_h, to_h, from_h, from_h], [y, y, y + height, y + height, y])
        axes.plot(*edges, color=look.INK, linewidth=1.1, dashes=(3, 1.5), zorder=5)
    total_s = sum(soak.in_band_s for soak in soaks)
    words = duration_words(total_s) if soaks else "no soak"
    end_h = max([soak.to_s / 3600.0 for soak in soaks], default=0.0)
    if wanted is not None:
        end_h = max(end_h, (soaks[0].from_s / 3600.0 if soaks else 0.4 * scales.longest_h) + wanted["wanted"])
    left = end_h > 0.72 * scales.longest_h
    start_h = min([soak.from_s / 3600.0 for soak in soaks], default=end_h)
    axes.text(
        start_h - 0.08 if left else end_h + 0.08,
        y + 0.5 * height,
        words,
        ha="right" if left else "left",
        va="center_baseline",
        fontsize=look.SMALL_PT,
        fontweight="bold",
        color=look.SOAK_EDGE,
        zorder=6,
    )


def _melting(axes: Axes, card: Card, scales: Scales) -> None:
    """Where the skin was molten: a hatched strip over the curve, with its word."""
    trail = card.run.situation.state.trail
    depth_m: FloatArray = np.array([point.liquid_depth_m for point in trail], dtype=float)
    molten = np.flatnonzero(np.isfinite(depth_m) & (depth_m > 0.0))
    if not molten.size:
        return
    begin_h = trail[int(molten[0])].time_s / 3600.0
    place = blended_transform_factory(axes.transData, axes.transAxes)
    axes.axvline(begin_h, color=look.DANGER, linewidth=1.6, zorder=5)
    axes.plot([begin_h], [1.05], transform=place, marker="D", markersize=9, color=look.DANGER, zorder=7, clip_on=False)
    axes.text(
        begin_h + 0.14,
        1.05,
        "melted",
        transform=place,
        ha="left",
        va="center_baseline",
        fontsize=look.TEXT_PT,
        fontweight="bold",
        color=look.DANGER,
        zorder=7,
    )


def card_figure(card: Card, scales: Scales) -> Figure:
    """One card's picture by itself."""
    with style():
        figure = Figure(figsize=(CARD_WIDTH_IN, CARD_HEIGHT_IN))
        FigureCanvasAgg(figure)
        axes = figure.add_axes(
            (0.56 / CARD_WIDTH_IN, 0.46 / CARD_HEIGHT_IN, 3.62 / CARD_WIDTH_IN, 2.05 / CARD_HEIGHT_IN)
        )
        draw_card(axes, card, scales)
        figure.text(
            0.06 / CARD_WIDTH_IN,
            2.6 / CARD_HEIGHT_IN,
            f"°{scales.units.temperature}",
            fontsize=look.SMALL_PT,
            va="center",
        )
        figure.text(
            4.2 / CARD_WIDTH_IN,
            0.09 / CARD_HEIGHT_IN,
            "hours",
            fontsize=look.SMALL_PT,
            ha="right",
            color=look.FAINT_INK,
        )
    return figure


def draw_season(cards: tuple[Card, ...], units: DisplayUnits, title: str) -> Figure:
    """The whole season on one sheet, three runs across."""
    scales = Scales(cards, units)
    rows = -(-len(cards) // COLUMNS)
    each_in = CARD_HEIGHT_IN + 0.62 + FLAG_IN * MOST_FLAGS
    width_in, height_in = COLUMNS * CARD_WIDTH_IN + 0.3, rows * each_in + 1.0
    with style():
        figure = Figure(figsize=(width_in, height_in))
        FigureCanvasAgg(figure)
        figure.text(0.2 / width_in, 1.0 - 0.2 / height_in, title, fontsize=look.TITLE_PT, fontweight="bold", va="top")
        legend = (
            "heavy: the steel; thin: the oven; bar: time at heat inside, dashed what was wanted; hatched: no readings"
        )
        figure.text(
            0.2 / width_in, 1.0 - 0.62 / height_in, legend, fontsize=look.SMALL_PT, color=look.FAINT_INK, va="top"
        )
        for place, card in enumerate(cards):
            left_in = 0.2 + (place % COLUMNS) * CARD_WIDTH_IN
            top_in = height_in - 1.0 - (place // COLUMNS) * each_in
            name = f"{card.number}  {card.date}"
            figure.text(
                left_in / width_in, top_in / height_in, name, fontsize=look.TEXT_PT, fontweight="bold", va="top"
            )
            figure.text(
                left_in / width_in,
                (top_in - 0.22) / height_in,
                card.run.situation.name[:48],
                fontsize=look.SMALL_PT,
                color=look.FAINT_INK,
                va="top",
            )
            axes = figure.add_axes(
                (
                    (left_in + 0.5) / width_in,
                    (top_in - 0.5 - 2.15) / height_in,
                    3.55 / width_in,
                    2.1 / height_in,
                )
            )
            draw_card(axes, card, scales)
            for number, flag in enumerate(card.flags[:MOST_FLAGS]):
                y = (top_in - 0.5 - 2.15 - 0.42 - FLAG_IN * number) / height_in
                sign = look.SIGNS[flag.severity]
                figure.add_artist(
                    Line2D(
                        [(left_in + 0.1) / width_in],
                        [y],
                        marker=sign.marker,
                        markersize=9,
                        color=sign.colour,
                        linestyle="none",
                    )
                )
                figure.text(
                    (left_in + 0.26) / width_in,
                    y,
                    flag.words,
                    fontsize=look.SMALL_PT,
                    fontweight="normal" if flag.severity.rank == 0 else "bold",
                    color=sign.colour,
                    va="center_baseline",
                )
    return figure
