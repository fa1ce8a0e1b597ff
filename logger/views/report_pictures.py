"""The pictures of a report: one panel each, narrow enough for a phone and for half the width of a printed page."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from logger.units import DisplayUnits
from logger.views.panel import LEFT_IN, RIGHT_IN, TimeSpan, style
from logger.views.plots import MOST_MARKS, few_inks, png
from logger.views.series import RunView
from logger.views.steel_panels import draw_depth, draw_hardness, draw_profile, draw_tempering
from logger.views.temperature_panel import draw_temperature
from logger.views.treatment_panel import draw_section

PANEL_WIDTH_IN = 5.6
"""Narrower than a picture by itself, so that its letters stay large where it is shown small."""

ABOVE_IN, BELOW_IN = 0.72, 0.74
INDENT_IN = 0.2
"""How far a panel's heading stands from the edge in a picture by itself; in a report it stands at the edge [in]."""

PIXELS_PER_INCH = 160
MOST_TICKS = 4


@dataclass(frozen=True, slots=True)
class Panel:
    """One picture of a run: a name, what it shows in words, and what draws it."""

    name: str
    alt: str
    draw: Callable[[Axes], None]


def panels(run: RunView, units: DisplayUnits) -> tuple[Panel, ...]:
    """The panels there is something to show in: temperature, case depth, carbon profile, tempering, hardness."""
    times = [trace.time_s for trace in run.temperature.traces if np.isfinite(trace.temperature_K).any()]
    if not times:
        return ()
    from_s = min(float(time_s[0]) for time_s in times)
    to_s = max(max(float(time_s[-1]) for time_s in times), from_s + 60.0)
    span = TimeSpan(from_s, to_s, run.start_utc_s, run.zone, MOST_TICKS)
    marks = tuple(sorted(run.temperature.marks, key=lambda mark: mark.time_s))[:MOST_MARKS]
    found = [
        Panel(
            "temperature",
            "Temperature over time, with stages, soaks, stretches without readings, and numbered alerts",
            lambda axes: draw_temperature(axes, run.temperature, units, span, marks),
        )
    ]
    if run.depth is not None:
        depth = run.depth
        words = f"Case depth {depth.definition} over time, with its 5 to 95 % band"
        found.append(Panel("depth", words, lambda axes: draw_depth(axes, depth, units, span)))
    if run.profile is not None:
        profile = run.profile
        words = "Carbon through the section, with its 5 to 95 % band and the limits that matter"
        found.append(Panel("profile", words, lambda axes: draw_profile(axes, profile, units)))
    if run.section is not None:
        section = run.section
        words = "Hardness across the section, as quenched and after the temper, with its 5 to 95 % band"
        found.append(Panel("section", words, lambda axes: draw_section(axes, section, units)))
    if run.temper is not None:
        temper = run.temper
        found.append(
            Panel("tempering", "Tempering parameter over time", lambda axes: draw_tempering(axes, temper, span))
        )
        if temper.hardness_HRC is not None:
            words = "Hardness expected after the temper, over time"
            found.append(Panel("hardness", words, lambda axes: draw_hardness(axes, temper, span)))
    return tuple(found)


def place(figure: Figure, panel: Panel, left_in: float, top_in: float, inside_in: float) -> float:
    """Draw a panel into a figure with its upper left corner there [inches from below]; returns where it ends [in]."""
    width_in, height_in = figure.get_size_inches()
    bottom_in = top_in - ABOVE_IN - inside_in
    axes = figure.add_axes(
        (
            (left_in + LEFT_IN - INDENT_IN) / width_in,
            bottom_in / height_in,
            (PANEL_WIDTH_IN - LEFT_IN - RIGHT_IN + INDENT_IN) / width_in,
            inside_in / height_in,
        )
    )
    panel.draw(axes)
    return float(bottom_in - BELOW_IN)


def panel_png(panel: Panel, inside_in: float = 2.9) -> bytes:
    """One panel as a small PNG file; ``inside_in`` is the height between its axes [in]."""
    with style():
        figure = Figure(figsize=(PANEL_WIDTH_IN, ABOVE_IN + inside_in + BELOW_IN))
        FigureCanvasAgg(figure)
        place(figure, panel, 0.0, ABOVE_IN + inside_in + BELOW_IN, inside_in)
    return few_inks(png(figure, PIXELS_PER_INCH))
