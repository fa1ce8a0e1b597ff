"""What every panel of a picture is made of: its frame, time axis, second scale, key, lines and lettering."""

from collections.abc import Callable
from contextlib import AbstractContextManager
from datetime import tzinfo
from functools import cache
from typing import Any, cast
from unicodedata import category

import matplotlib
from matplotlib.axes import Axes
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.ft2font import FT2Font, LoadFlags
from matplotlib.lines import Line2D
from matplotlib.ticker import FixedLocator
from matplotlib.transforms import blended_transform_factory

from logger.units import (
    DisplayUnits,
    FloatArray,
    celsius_from_kelvin,
    fahrenheit_from_kelvin,
    inches_from_metres,
    kelvin_from_celsius,
    kelvin_from_fahrenheit,
    metres_from_inches,
    metres_from_millimetres,
    millimetres_from_metres,
)
from logger.views import look
from logger.views.time_axis import clock_axis, elapsed_axis
from logger.views.wording import clock_words, unbroken

WIDTH_IN = 7.2
"""Every picture is this wide: a phone held upright, or a printed page with margins."""

MARGIN_IN = 0.28
LEFT_IN, RIGHT_IN = 0.78, 0.86
BUCKETS = 1200
"""Columns a line is thinned to: about as many as the picture has pixels across."""

OTHER_TEMPERATURE = {"C": "F", "F": "C"}
OTHER_LENGTH = {"mm": "in", "in": "mm"}


def style() -> AbstractContextManager[None]:
    """Our own text sizes and inks, for as long as something is drawn, whatever the machine's settings are."""
    return matplotlib.rc_context(cast("Any", look.STYLE))


class TimeSpan:
    """The time axis of a panel: its ends in run time [s], and the clock it is read by (None: hours since the start)."""

    def __init__(
        self, from_s: float, to_s: float, start_utc_s: float | None, zone: tzinfo | None, most_ticks: int = 7
    ) -> None:
        self.from_s, self.to_s, self.most_ticks = from_s, to_s, most_ticks
        self.start_utc_s, self.zone = start_utc_s, zone

    @property
    def length_s(self) -> float:
        """From one end to the other [s]."""
        return self.to_s - self.from_s

    def dress(self, axes: Axes) -> None:
        """Give a panel this time axis."""
        axis = (
            elapsed_axis(self.from_s, self.to_s, self.most_ticks)
            if self.start_utc_s is None
            else clock_axis(self.from_s, self.to_s, self.start_utc_s, self.zone, self.most_ticks)
        )
        axes.set_xlim(self.from_s, self.to_s)
        axes.xaxis.set_major_locator(FixedLocator([at_s for at_s, _ in axis.ticks]))
        axes.set_xticklabels([label for _, label in axis.ticks])
        below(axes, axis.title)

    def words(self, time_s: float) -> str:
        """A moment of run time [s] as this axis names it."""
        if self.start_utc_s is None:
            minutes = round(time_s / 60.0)
            return f"{minutes // 60}:{minutes % 60:02d}"
        return clock_words(self.start_utc_s + time_s, self.zone)


def dress(axes: Axes, heading: str, unit: str, other_unit: str) -> None:
    """Heading above the panel at the left, units on top of their own axes, pale rules, no box."""
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.grid(axis="y", color=look.RULE, linewidth=0.9, zorder=0)
    axes.set_axisbelow(True)
    axes.tick_params(length=4, width=1.0)
    pad_x, top = 0.0, 1.0
    place = axes.transAxes
    axes.annotate(
        heading,
        (pad_x, top),
        xycoords=place,
        xytext=(-34, 26),
        textcoords="offset points",
        fontsize=look.HEADING_PT,
        fontweight="bold",
        va="bottom",
        annotation_clip=False,
    )
    axes.annotate(
        unit, (0, 1), xycoords=place, xytext=(-8, 8), textcoords="offset points", ha="right", annotation_clip=False
    )
    axes.annotate(
        other_unit,
        (1, 1),
        xycoords=place,
        xytext=(8, 8),
        textcoords="offset points",
        color=look.FAINT_INK,
        annotation_clip=False,
    )


def below(axes: Axes, words: str) -> None:
    """What the lower axis shows, small, under its right-hand end."""
    axes.set_xlabel(words, fontsize=look.SMALL_PT, color=look.FAINT_INK, loc="right", labelpad=1)


Scale = tuple[Callable[[FloatArray], FloatArray], Callable[[FloatArray], FloatArray]]


def temperature_scale(units: DisplayUnits) -> Scale:
    """From the reader's temperature unit to the other one, and back."""
    to_F: Scale = (
        lambda value: fahrenheit_from_kelvin(kelvin_from_celsius(value)),
        lambda value: celsius_from_kelvin(kelvin_from_fahrenheit(value)),
    )
    return to_F if units.temperature == "C" else (to_F[1], to_F[0])


def length_scale(units: DisplayUnits) -> Scale:
    """From the reader's length unit to the other one, and back."""
    to_in: Scale = (
        lambda value: inches_from_metres(metres_from_millimetres(value)),
        lambda value: millimetres_from_metres(metres_from_inches(value)),
    )
    return to_in if units.length == "mm" else (to_in[1], to_in[0])


def second_scale(axes: Axes, scale: Scale) -> None:
    """The other unit system on the right, quieter than the first."""
    second = axes.secondary_yaxis("right", functions=cast("Any", scale))
    second.spines["right"].set_visible(False)
    second.tick_params(length=0, colors=look.FAINT_INK, labelsize=look.SMALL_PT)


def key(axes: Axes, strokes: list[tuple[str, look.Stroke]]) -> None:
    """Short strokes with their names, in the row between heading and panel."""
    handles = [
        Line2D([], [], color=stroke.colour, linewidth=stroke.width, linestyle=stroke.dashes, label=label)
        for label, stroke in strokes
    ]
    axes.legend(
        handles=handles,
        loc="lower right",
        bbox_to_anchor=(1.0, 1.015),
        frameon=False,
        ncols=len(handles),
        fontsize=look.SMALL_PT,
        handlelength=2.0,
        handletextpad=0.5,
        columnspacing=1.2,
        borderpad=0.0,
        borderaxespad=0.0,
    )


def line(axes: Axes, x: FloatArray, y: FloatArray, stroke: look.Stroke, zorder: float) -> None:
    axes.plot(
        x,
        y,
        color=stroke.colour,
        linewidth=stroke.width,
        linestyle=stroke.dashes,
        zorder=zorder,
        solid_joinstyle="round",
        solid_capstyle="round",
    )


def target_line(axes: Axes, at: float, words: str) -> None:
    axes.axhline(at, color=look.AIM.colour, linewidth=look.AIM.width, linestyle=look.AIM.dashes, zorder=2.5)
    on_line(axes, 0.01, at, words, look.AIM.colour)


def on_line(axes: Axes, x_share: float, y: float, words: str, colour: str, *, under: bool = False) -> None:
    """Words sitting on (or hanging under) a horizontal line, at its left or its right end."""
    axes.annotate(
        words,
        (x_share, y),
        xycoords=blended_transform_factory(axes.transAxes, axes.transData),
        xytext=(0, -4 if under else 4),
        textcoords="offset points",
        ha="left" if x_share < 0.5 else "right",
        va="top" if under else "bottom",
        fontsize=look.SMALL_PT,
        color=colour,
        zorder=6,
        bbox={"facecolor": look.PAPER, "edgecolor": "none", "pad": 1.0, "alpha": 0.85},
    )


def label(
    axes: Axes,
    x: float,
    y: float,
    words: str,
    colour: str,
    *,
    offset: tuple[float, float],
    leftwards: bool = False,
) -> None:
    """Words beside a point, moved by ``offset`` [points].

    They begin at the point, or end at the panel's right edge where they would run out of it; ``leftwards``, they end
    at the point, or begin at the panel's left edge.
    """
    from_x, to_x = axes.get_xlim()
    wide_pt = max(width_pt(line, look.TEXT_PT, "bold") for line in words.split("\n")) + 3.0
    if leftwards:
        room_pt = (x - from_x) / (to_x - from_x) * panel_width_pt(axes) + offset[0]
        over_pt = -max(0.0, wide_pt - room_pt)
    else:
        room_pt = (to_x - x) / (to_x - from_x) * panel_width_pt(axes) - offset[0]
        over_pt = max(0.0, wide_pt - room_pt)
    axes.annotate(
        words,
        (x, y),
        xytext=(offset[0] - over_pt, offset[1]),
        textcoords="offset points",
        ha="right" if leftwards else "left",
        fontsize=look.TEXT_PT,
        fontweight="bold",
        color=colour,
        zorder=7,
        linespacing=1.2,
        annotation_clip=False,
        bbox={"facecolor": look.PAPER, "edgecolor": "none", "pad": 1.5, "alpha": 0.85},
    )


def panel_width_pt(axes: Axes) -> float:
    """Width of a panel between its axes [points], whatever picture it stands in."""
    figure = axes.get_figure(root=True)
    assert figure is not None
    return float(axes.get_position().width * figure.get_figwidth() * 72.0)


def width_pt(words: str, size_pt: float, weight: str = "normal") -> float:
    """Width of one line of text [points] in the bundled font."""
    return size_pt * sum(_advance_em(letter, weight) for letter in words)


def drawable(words: str) -> str:
    """The same words with a sign for every letter that the bundled font has not, and without marks that only steer.

    Matplotlib stops at some of these instead of drawing a box for them; people type them into notes and names.
    """
    kept = (letter for letter in words if category(letter) != "Cf")
    return "".join(letter if letter.isspace() or _has(letter) else "\N{REPLACEMENT CHARACTER}" for letter in kept)


def _font(weight: str) -> FT2Font:
    return get_font(findfont(FontProperties(family="DejaVu Sans", weight=weight)))


@cache
def _has(letter: str) -> bool:
    """Whether the bundled font can draw a letter, upright and bold."""
    return category(letter) != "Cc" and all(_font(weight).get_char_index(ord(letter)) for weight in ("normal", "bold"))


@cache
def _advance_em(letter: str, weight: str) -> float:
    """How far a letter moves the next one on, in sizes of the font."""
    if not _has(letter):
        letter = " " if letter.isspace() else "\N{REPLACEMENT CHARACTER}"
    font = _font(weight)
    font.set_size(1000.0, 72.0)
    return float(font.load_char(ord(letter), flags=LoadFlags.NO_HINTING).linearHoriAdvance) / 65536.0 / 1000.0


def wrapped(words: str, size_pt: float, weight: str = "normal") -> str:
    """Words broken into lines that fit the sheet at a size [points]."""
    room_pt = (WIDTH_IN - 2 * MARGIN_IN) * 72.0
    lines: list[str] = []
    for word in unbroken(drawable(words)).split(" "):
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and width_pt(longer, size_pt, weight) <= room_pt:
            lines[-1] = longer
        else:
            lines.append(word)
    return "\n".join(lines)
