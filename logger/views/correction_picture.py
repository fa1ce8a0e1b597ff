"""The picture of a correction: every measurement against its prediction by the book and now.

Loading matplotlib is slow: nothing imports this module but what draws.
"""

from collections.abc import Mapping
from pathlib import Path

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from logger.correction import Evidence, Learned
from logger.units import DisplayUnits
from logger.views import look
from logger.views.correction_text import coefficient_words, unit_words, value_words
from logger.views.panel import LEFT_IN, MARGIN_IN, RIGHT_IN, WIDTH_IN, below, style, wrapped
from logger.views.plots import png

ROW_IN = 1.1


def draw_learned(learned: Learned, numbers: Mapping[str, int], units: DisplayUnits) -> Figure:
    """Each measurement as a mark between its two bands, all in parts of the book's prediction.

    Parameters
    ----------
    learned : what was learned
    numbers : of each measurement, by id
    units : the reader's
    """
    with style():
        return _drawn(learned, numbers, units)


def save_learned_png(learned: Learned, numbers: Mapping[str, int], units: DisplayUnits, path: Path) -> None:
    """Draw it and write the PNG file."""
    path.write_bytes(png(draw_learned(learned, numbers, units)))


def _drawn(learned: Learned, numbers: Mapping[str, int], units: DisplayUnits) -> Figure:
    title = wrapped("What the coupons say", look.TITLE_PT, "bold")
    words = "\n".join(wrapped(line, look.TEXT_PT) for line in coefficient_words(learned, named_only=True))
    rows = len(learned.evidence)
    head_in = 0.6 + 0.24 * (words.count("\n") + 1) + 0.25
    panel_in = ROW_IN * rows
    height_in = head_in + panel_in + 0.75
    figure = Figure(figsize=(WIDTH_IN, height_in))
    FigureCanvasAgg(figure)
    x = MARGIN_IN / WIDTH_IN
    figure.text(x, 1.0 - 0.2 / height_in, title, fontsize=look.TITLE_PT, fontweight="bold", va="top")
    figure.text(x, 1.0 - 0.62 / height_in, words, fontsize=look.TEXT_PT, va="top", linespacing=1.35)
    width = (WIDTH_IN - 0.4 * LEFT_IN - 0.4 * RIGHT_IN) / WIDTH_IN
    axes = figure.add_axes((0.4 * LEFT_IN / WIDTH_IN, 0.55 / height_in, width, panel_in / height_in))
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.set_yticks([])
    axes.set_ylim(rows, 0.0)
    axes.axvline(1.0, color=look.RULE, linewidth=1.2, zorder=1)
    for row, each in enumerate(learned.evidence):
        book = each.before[1] or 1.0
        for band, at, colour, width_pt in ((each.before, 0.68, look.OTHER, 5.0), (each.after, 0.84, look.CARBON, 7.0)):
            axes.plot([band[0] / book, band[2] / book], [row + at] * 2, color=colour, linewidth=width_pt, alpha=0.45)
            axes.plot([band[1] / book], [row + at], marker="|", markersize=13, color=colour, markeredgewidth=2.2)
        marker = "D" if each.used else "x"
        found = each.measured.value / book
        axes.plot([found], [row + 0.76], marker=marker, markersize=9, color=look.DANGER, zorder=5, markeredgewidth=2.0)
        axes.annotate(
            _row_words(each, numbers, units),
            (0.0, row + 0.52),
            xycoords=("axes fraction", "data"),
            fontsize=look.TEXT_PT,
            va="bottom",
            linespacing=1.25,
        )
    axes.xaxis.set_major_locator(MaxNLocator(7, steps=[1, 2, 5, 10]))
    below(axes, "parts of the book's value; bars: the book, now; diamond: measured; cross: left out")
    return figure


def _row_words(each: Evidence, numbers: Mapping[str, int], units: DisplayUnits) -> str:
    kind = each.measured.kind
    number = numbers.get(each.measured.id, 0)
    found, book, now = (
        value_words(kind, value, units) for value in (each.measured.value, each.before[1], each.after[1])
    )
    named = f"{number}  " if number else ""
    left_out = "" if each.used else ", left out"
    words = each.measured.words or str(kind)
    unit = unit_words(kind, units)
    return f"{named}{words}\nmeasured {found} {unit}; by the book {book}, now {now}{left_out}"
