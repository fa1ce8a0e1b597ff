"""Pictures of a run, with matplotlib's Figure API: no window system, no global state left behind.

Loading matplotlib is slow, so nothing but the code that draws imports this module, and only when it draws.
One picture is a column of panels as wide as a phone held upright or a printed page: temperature, case depth over
time, carbon through the section, tempering. A panel appears when there is something to show in it.
"""

import io
import textwrap
from collections.abc import Callable
from pathlib import Path

from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from logger.units import DisplayUnits
from logger.views import look
from logger.views.panel import LEFT_IN, MARGIN_IN, RIGHT_IN, WIDTH_IN, TimeSpan, style, wrapped
from logger.views.series import DepthView, RunView
from logger.views.steel_panels import draw_depth, draw_hardness, draw_profile, draw_tempering
from logger.views.temperature_panel import draw_temperature
from logger.views.treatment_panel import draw_section

PIXELS_PER_INCH = 160
MOST_MARKS = 9
COLOURS = 64
"""Inks a picture is kept in: its few inks with their soft edges."""

LINE_IN = 0.225


def draw_run(run: RunView, units: DisplayUnits, *, elapsed: bool = False) -> Figure:
    """The picture of a run.

    Parameters
    ----------
    run : what to show, in SI
    units : the reader's units; the other system stands on the right-hand axes
    elapsed : hours since the start instead of local time (always so where the wall clock is not known)

    Returns    matplotlib Figure, 7.2 inches wide, as tall as its panels need
    """
    with style():
        return _Sheet(run, units, elapsed).drawn()


def png(figure: Figure, pixels_per_inch: int = PIXELS_PER_INCH) -> bytes:
    """A drawn figure as PNG bytes."""
    out = io.BytesIO()
    with style():
        figure.savefig(out, format="png", dpi=pixels_per_inch, metadata={"Software": "soaktally"})
    return out.getvalue()


def few_inks(picture: bytes) -> bytes:
    """A PNG picture with a palette of few inks: a third of the size, and no eye sees it."""
    out = io.BytesIO()
    about = PngInfo()
    about.add_text("Software", "soaktally")
    with Image.open(io.BytesIO(picture)) as image:
        flat = image.convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE)
        flat.save(out, format="png", optimize=True, pnginfo=about, dpi=image.info.get("dpi"))
    return out.getvalue()


def save_png(run: RunView, units: DisplayUnits, path: Path, *, elapsed: bool = False) -> None:
    """Draw a run and write the PNG file."""
    path.write_bytes(few_inks(png(draw_run(run, units, elapsed=elapsed))))


class _Sheet:
    """One picture while it is being laid out, from the top downwards, in inches."""

    def __init__(self, run: RunView, units: DisplayUnits, elapsed: bool) -> None:
        self.run, self.units = run, units
        self.from_s, self.to_s = _ends(run)
        self.start_utc_s = None if elapsed else run.start_utc_s
        self.title = wrapped(run.title, look.TITLE_PT, "bold")
        self.headline = wrapped(run.headline, look.HEADING_PT)
        self.notes = [line for note in run.notes for line in wrapped(note, look.SMALL_PT).split("\n")]
        self.marks = tuple(sorted(run.temperature.marks, key=lambda mark: mark.time_s))
        self.figure = Figure(figsize=(WIDTH_IN, 1.0))
        FigureCanvasAgg(self.figure)

    def drawn(self) -> Figure:
        """Measure everything, then draw it."""
        head_in = 0.34 * _lines(self.title) + 0.28 * _lines(self.headline) + 0.42
        marks_in = LINE_IN * (min(len(self.marks), MOST_MARKS) + (len(self.marks) > MOST_MARKS)) + 0.12
        panels: list[tuple[float, Callable[[Axes], None]]] = [(3.55, self._temperature)]
        if self.run.depth is not None:
            depth = self.run.depth
            panels.append((2.7, lambda axes: draw_depth(axes, depth, self.units, self._axis(_last_expected_s(depth)))))
        if self.run.profile is not None:
            profile = self.run.profile
            panels.append((3.0, lambda axes: draw_profile(axes, profile, self.units)))
        if self.run.section is not None:
            section = self.run.section
            panels.append((2.7, lambda axes: draw_section(axes, section, self.units)))
        if self.run.temper is not None:
            temper = self.run.temper
            panels.append((2.3, lambda axes: draw_tempering(axes, temper, self._axis())))
            if temper.hardness_HRC is not None:
                panels.append((2.3, lambda axes: draw_hardness(axes, temper, self._axis())))
        above_in, below_in = 0.66, 0.66
        notes_in = 0.2 * len(self.notes) + (0.3 if self.notes else 0.05)
        height_in = head_in + marks_in + notes_in + sum(above_in + size_in + below_in for size_in, _ in panels)
        self.figure.set_size_inches(WIDTH_IN, height_in)

        self._head(height_in)
        top_in = height_in - head_in
        for number, (size_in, draw) in enumerate(panels):
            top_in -= above_in
            axes = self.figure.add_axes(
                (
                    LEFT_IN / WIDTH_IN,
                    (top_in - size_in) / height_in,
                    (WIDTH_IN - LEFT_IN - RIGHT_IN) / WIDTH_IN,
                    size_in / height_in,
                )
            )
            draw(axes)
            top_in -= size_in + below_in
            if number == 0:
                self._mark_list(top_in, height_in)
                top_in -= marks_in
        for number, note in enumerate(reversed(self.notes)):
            self.figure.text(
                MARGIN_IN / WIDTH_IN,
                (0.16 + 0.2 * number) / height_in,
                note,
                fontsize=look.SMALL_PT,
                color=look.FAINT_INK,
                va="bottom",
            )
        return self.figure

    def _head(self, height_in: float) -> None:
        x, y_in = MARGIN_IN / WIDTH_IN, height_in - 0.2
        self.figure.text(x, y_in / height_in, self.title, fontsize=look.TITLE_PT, fontweight="bold", va="top")
        y_in -= 0.34 * _lines(self.title) + 0.1
        self.figure.text(x, y_in / height_in, self.headline, fontsize=look.HEADING_PT, va="top", linespacing=1.35)

    def _mark_list(self, top_in: float, height_in: float) -> None:
        """What the numbered marks in the temperature panel mean."""
        shown = self.marks[:MOST_MARKS]
        for number, mark in enumerate(shown):
            y = (top_in - LINE_IN * (number + 0.5)) / height_in
            sign = look.SIGNS[mark.severity]
            self.figure.add_artist(
                Line2D(
                    [(MARGIN_IN + 0.12) / WIDTH_IN],
                    [y],
                    marker=sign.marker,
                    markersize=17 if sign.marker == "^" else 15,
                    color=sign.colour,
                    linestyle="none",
                )
            )
            self.figure.text(
                (MARGIN_IN + 0.12) / WIDTH_IN,
                y,
                str(number + 1),
                fontsize=look.SMALL_PT,
                fontweight="bold",
                color=look.PAPER,
                ha="center",
                va="center_baseline",
            )
            self.figure.text(
                (MARGIN_IN + 0.34) / WIDTH_IN,
                y,
                f"{self._axis().words(mark.time_s)}  {_shortened(mark.words, 62)}",
                fontsize=look.TEXT_PT,
                va="center_baseline",
            )
        if len(self.marks) > MOST_MARKS:
            self.figure.text(
                (MARGIN_IN + 0.34) / WIDTH_IN,
                (top_in - LINE_IN * (MOST_MARKS + 0.5)) / height_in,
                f"and {len(self.marks) - MOST_MARKS} more in the record",
                fontsize=look.TEXT_PT,
                va="center_baseline",
            )

    def _axis(self, at_least_to_s: float | None = None) -> "TimeSpan":
        to_s = max(self.to_s, at_least_to_s or self.to_s)
        return TimeSpan(self.from_s, to_s, self.start_utc_s, self.run.zone)

    def _temperature(self, axes: Axes) -> None:
        draw_temperature(axes, self.run.temperature, self.units, self._axis(), self.marks[:MOST_MARKS])


def _ends(run: RunView) -> tuple[float, float]:
    """First and last moment [s] of a run, at least a minute apart."""
    times = [trace.time_s for trace in run.temperature.traces if trace.time_s.size]
    if not times:
        return 0.0, 3600.0
    from_s = min(float(time_s[0]) for time_s in times)
    return from_s, max(max(float(time_s[-1]) for time_s in times), from_s + 60.0)


def _last_expected_s(view: DepthView) -> float | None:
    """Latest moment [s] a forecast speaks of, with a little room after it; None without a forecast."""
    if view.expected_s is None or view.reached_s is not None:
        return None
    latest_s: float = max((view.expected_s, *(view.expected_range_s or ())))
    return latest_s + 0.02 * (latest_s - float(view.time_s[0]))


def _lines(words: str) -> int:
    return words.count("\n") + 1 if words else 0


def _shortened(words: str, letters: int) -> str:
    return textwrap.shorten(words, letters, placeholder=" ...")
