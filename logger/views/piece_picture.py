"""Pictures of a piece: carbon through its section after each step, one panel under the other, and its hardness.

Loading matplotlib is slow: nothing imports this module but what draws.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from logger.estimate.carbon_result import GRIND_WT_PCT
from logger.piece_now import EDGE_WT_PCT, HardnessNow, PieceNow
from logger.piece_steps import Entry
from logger.sheet_parts import Shape
from logger.units import DisplayUnits, FloatArray
from logger.views import look
from logger.views.panel import (
    LEFT_IN,
    MARGIN_IN,
    RIGHT_IN,
    WIDTH_IN,
    below,
    dress,
    line,
    on_line,
    panel_width_pt,
    style,
    width_pt,
    wrapped,
)
from logger.views.piece_text import carbon_band, edge_words, next_words, step_words
from logger.views.plots import png
from logger.views.wording import length_words, temperature_words

PANEL_IN, ABOVE_IN, BELOW_IN = 1.9, 0.6, 0.55
LOWEST_TOP_WT_PCT = 0.8


@dataclass(frozen=True, slots=True, eq=False)
class StepPanel:
    """One step to draw: its line in the ledger and what the piece was after it."""

    entry: Entry
    now: PieceNow


def draw_piece(name: str, panels: Sequence[StepPanel], last: PieceNow, units: DisplayUnits) -> Figure:
    """The picture of a piece: a panel for each step that matters, and the hardness it has now.

    Parameters
    ----------
    name : what the piece is called
    panels : the steps, at least one, in order
    last : what it is now
    units : the reader's
    """
    with style():
        return _drawn(name, panels, last, units)


def save_piece_png(name: str, panels: Sequence[StepPanel], last: PieceNow, units: DisplayUnits, path: Path) -> None:
    """Draw a piece and write the PNG file."""
    path.write_bytes(png(draw_piece(name, panels, last, units)))


def _drawn(name: str, panels: Sequence[StepPanel], last: PieceNow, units: DisplayUnits) -> Figure:
    title = wrapped(
        f"{name}, {length_words(last.state.section.size_m, units)}, {last.state.condition}", look.TITLE_PT, "bold"
    )
    said = [f"Mean {carbon_band(last.mean_wt_pct)}. {edge_words(last, units)}", *next_words(last, units)[:1]]
    headline = wrapped(" ".join(said), look.TEXT_PT)
    top_wt_pct = 1.2 * max(LOWEST_TOP_WT_PCT, *(float(panel.now.carbon_wt_pct[1].max()) for panel in panels))
    draws: list[Callable[[Axes], None]] = []
    for before, panel in pairwise([None, *panels]):
        assert panel is not None
        draws.append(_carbon_panel(panel, before, top_wt_pct, units))
    hardness = last.hardness
    if hardness is not None and np.isfinite(hardness.HRC[1]).any():
        draws.append(lambda axes: _hardness(axes, last, hardness, units))
    head_in = 0.34 * (title.count("\n") + 1) + 0.24 * (headline.count("\n") + 1) + 0.42
    height_in = head_in + len(draws) * (ABOVE_IN + PANEL_IN + BELOW_IN) + 0.1
    figure = Figure(figsize=(WIDTH_IN, height_in))
    FigureCanvasAgg(figure)
    x, y_in = MARGIN_IN / WIDTH_IN, height_in - 0.2
    figure.text(x, y_in / height_in, title, fontsize=look.TITLE_PT, fontweight="bold", va="top")
    y_in -= 0.34 * (title.count("\n") + 1) + 0.08
    figure.text(x, y_in / height_in, headline, fontsize=look.TEXT_PT, va="top", linespacing=1.35)
    bottom_in = height_in - head_in
    for draw in draws:
        bottom_in -= ABOVE_IN + PANEL_IN
        place = (
            LEFT_IN / WIDTH_IN,
            bottom_in / height_in,
            (WIDTH_IN - LEFT_IN - RIGHT_IN) / WIDTH_IN,
            PANEL_IN / height_in,
        )
        draw(figure.add_axes(place))
        bottom_in -= BELOW_IN
    return figure


def _carbon_panel(
    panel: StepPanel, before: StepPanel | None, top_wt_pct: float, units: DisplayUnits
) -> Callable[[Axes], None]:
    return lambda axes: _carbon(axes, panel, before, top_wt_pct, units)


def _carbon(axes: Axes, panel: StepPanel, before: StepPanel | None, top_wt_pct: float, units: DisplayUnits) -> None:
    """Carbon through the section after one step; dashed, what it was before where the section is the same."""
    now = panel.now
    section = now.state.section
    words = step_words(panel.entry.step, units, section.shape is Shape.ROUND).removesuffix(" (not logged)")
    dress(axes, _fitting(axes, f"{panel.entry.number}  {words}"), "% C", "")
    shown = units.length_from_metres
    axes.set_xlim(0.0, shown(section.depth_m))
    axes.set_ylim(0.0, top_wt_pct)
    axes.yaxis.set_major_locator(MaxNLocator(4, steps=[1, 2, 5, 10]))
    axes.xaxis.set_major_locator(MaxNLocator(6, steps=[1, 2, 5, 10]))
    end = "axis" if section.shape is Shape.ROUND else "back face"
    below(axes, f"{units.length} from the {'surface' if section.shape is Shape.ROUND else 'front face'} to the {end}")
    _layers(axes, now, units)
    for level, name, colour in ((EDGE_WT_PCT, "an edge", look.TARGET), (GRIND_WT_PCT, "brittle", look.DANGER)):
        if level < top_wt_pct:
            axes.axhline(level, color=colour, linewidth=1.1, dashes=(4, 2), zorder=2)
            axes.annotate(
                f"{level:.2f} %\n{name}",
                (1.0, level),
                xycoords=("axes fraction", "data"),
                xytext=(4, 0),
                textcoords="offset points",
                va="center",
                fontsize=look.SMALL_PT,
                color=colour,
                linespacing=1.1,
                annotation_clip=False,
            )
    depth = shown(np.concatenate([[0.0], now.depth_m, [section.depth_m]]))
    low, _, high = (_to_faces(row) for row in now.carbon_wt_pct)
    axes.fill_between(depth, low, high, color=look.CARBON, alpha=0.18, linewidth=0, zorder=2.5)
    if before is not None and abs(before.now.state.section.depth_m - section.depth_m) < 1e-9:
        then = before.now
        line(axes, shown(then.depth_m), _nominal(then), look.PROFILES[1], zorder=2.8)
    line(axes, depth, _to_faces(_nominal(now)), look.PROFILES[0], zorder=3.0)


def _nominal(now: PieceNow) -> FloatArray:
    """The nominal piece's carbon, cell by cell (n,) [wt%]."""
    carbon: FloatArray = now.state.section.carbon_wt_pct[0]
    return carbon


def _to_faces(row: FloatArray) -> FloatArray:
    """Values of cells carried on to the faces."""
    return np.concatenate([row[:1], row, row[-1:]])


def _layers(axes: Axes, now: PieceNow, units: DisplayUnits) -> None:
    """Where one layer ends and the next begins, and what they are called where there is room."""
    shown, whole_m = units.length_from_metres, now.state.section.depth_m
    if len(now.layers) < 2:
        return
    for number, layer in enumerate(now.layers):
        if number % 2:
            axes.axvspan(shown(layer.from_m), shown(layer.to_m), color=look.STAGE_FILLS[0], linewidth=0, zorder=0.5)
        room_pt = panel_width_pt(axes) * (layer.to_m - layer.from_m) / whole_m
        if width_pt(layer.name, look.SMALL_PT) < 0.95 * room_pt:
            axes.annotate(
                layer.name,
                (shown(0.5 * (layer.from_m + layer.to_m)), 0.0),
                xycoords=("data", "axes fraction"),
                xytext=(0, 4),
                textcoords="offset points",
                ha="center",
                va="bottom",
                fontsize=look.SMALL_PT,
                color=look.FAINT_INK,
                zorder=6,
                bbox={"facecolor": look.PAPER, "edgecolor": "none", "pad": 1.0, "alpha": 0.7},
            )


def _hardness(axes: Axes, now: PieceNow, hardness: HardnessNow, units: DisplayUnits) -> None:
    """Hardness through the section with its band."""
    at = temperature_words(hardness.from_K, units)
    how = f"were it quenched from {at}" if hardness.supposed else f"quenched from {at} in {hardness.bath}"
    dress(axes, f"Hardness, {how}{', tempered' if hardness.tempered else ''}", "HRC", "")
    shown = units.length_from_metres
    axes.set_xlim(0.0, shown(now.state.section.depth_m))
    axes.set_ylim(20.0, 70.0)
    axes.xaxis.set_major_locator(MaxNLocator(6, steps=[1, 2, 5, 10]))
    below(axes, f"{units.length} from the front; a gap: softer than the Rockwell C scale goes")
    low, middle, high = hardness.HRC
    depth = shown(hardness.depth_m)
    known = np.isfinite(high)
    axes.fill_between(
        depth, np.where(np.isfinite(low), low, 20.0), high, where=known, color=look.STEEL, alpha=0.16, linewidth=0
    )
    line(axes, depth, middle, look.Stroke(look.STEEL, 3.0), zorder=3.0)
    hardest = int(np.nanargmax(middle))
    where = length_words(float(hardness.depth_m[hardest]), units)
    on_line(axes, 0.99, float(middle[hardest]), f"hardest {middle[hardest]:.0f} HRC at {where}", look.INK)


def _fitting(axes: Axes, words: str) -> str:
    """A heading short enough for one line."""
    room_pt = panel_width_pt(axes) + 30.0
    while width_pt(words, look.HEADING_PT, "bold") > room_pt:
        words = words.removesuffix("...").rsplit(" ", 1)[0].rstrip(",") + "..."
    return words
