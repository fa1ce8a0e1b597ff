"""Runs laid over each other: steel temperature, case depth and carbon profile, or tempering, from a common moment."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator

from logger.units import FloatArray
from logger.views import look
from logger.views.comparison import ALIGNED, Compared, Comparison
from logger.views.panel import (
    BUCKETS,
    LEFT_IN,
    MARGIN_IN,
    OTHER_LENGTH,
    OTHER_TEMPERATURE,
    RIGHT_IN,
    WIDTH_IN,
    TimeSpan,
    below,
    dress,
    length_scale,
    line,
    second_scale,
    style,
    temperature_scale,
    wrapped,
)
from logger.views.run_views import run_view_of
from logger.views.series import Role, RunView
from logger.views.thinning import thin

STROKES = (
    look.Stroke(look.STEEL, 3.0),
    look.Stroke(look.CARBON, 2.6, (0, (6.0, 2.0))),
    look.Stroke(look.TARGET, 2.6, (0, (1.2, 1.2))),
    look.Stroke(look.SOAK_EDGE, 2.2, (0, (8.0, 2.0, 1.5, 2.0))),
    look.Stroke(look.OTHER, 2.2),
    look.Stroke(look.OVEN, 2.2, (0, (3.0, 1.5))),
    look.Stroke(look.INK, 1.6, (0, (4.0, 1.2, 1.0, 1.2, 1.0, 1.2))),
    look.Stroke(look.DANGER, 1.6, (0, (2.0, 2.0))),
)
"""One for each run: they differ in colour, weight and dashes."""

ABOVE_IN, BELOW_IN, KEY_IN = 0.74, 0.72, 0.25


def draw_comparison(comparison: Comparison) -> Figure:
    """The picture of a comparison."""
    views = [run_view_of(run.situation, comparison.zone) for run in comparison.runs]
    runs = list(zip(comparison.runs, views, STROKES * (len(views) // len(STROKES) + 1), strict=False))
    drawers = [(3.4, _temperatures)]
    if any(view.depth is not None for view in views):
        drawers.append((2.6, _depths))
    if any(view.profile is not None for view in views):
        drawers.append((2.9, _profiles))
    if any(view.temper is not None for view in views):
        drawers.append((2.6, _tempers))
    with style():
        title = wrapped(" and ".join(run.called for run in comparison.runs[:4]), look.TITLE_PT, "bold")
        head_in = 0.34 * (title.count("\n") + 1) + 0.3 + KEY_IN * len(runs) + 0.15
        height_in = head_in + sum(ABOVE_IN + inside_in + BELOW_IN for inside_in, _ in drawers) + 0.1
        figure = Figure(figsize=(WIDTH_IN, height_in))
        FigureCanvasAgg(figure)
        figure.text(
            MARGIN_IN / WIDTH_IN, 1.0 - 0.2 / height_in, title, fontsize=look.TITLE_PT, fontweight="bold", va="top"
        )
        y_in = height_in - 0.34 * (title.count("\n") + 1) - 0.42
        for run, _, stroke in runs:
            ends = [MARGIN_IN / WIDTH_IN, (MARGIN_IN + 0.5) / WIDTH_IN]
            y = y_in / height_in
            figure.add_artist(
                Line2D(ends, [y, y], color=stroke.colour, linewidth=stroke.width, linestyle=stroke.dashes)
            )
            words = f"{run.letter}  {run.called}: {run.situation.name}"
            figure.text((MARGIN_IN + 0.62) / WIDTH_IN, y, words[:78], fontsize=look.TEXT_PT, va="center_baseline")
            y_in -= KEY_IN
        top_in = height_in - head_in
        for inside_in, draw in drawers:
            axes = figure.add_axes(
                (
                    LEFT_IN / WIDTH_IN,
                    (top_in - ABOVE_IN - inside_in) / height_in,
                    (WIDTH_IN - LEFT_IN - RIGHT_IN) / WIDTH_IN,
                    inside_in / height_in,
                )
            )
            draw(axes, runs, comparison)
            top_in -= ABOVE_IN + inside_in + BELOW_IN
    return figure


Drawn = list[tuple[Compared, RunView, look.Stroke]]


def _span(axes: Axes, runs: Drawn, comparison: Comparison) -> None:
    starts, ends = [], []
    for run, view, _ in runs:
        for trace in view.temperature.traces:
            if trace.time_s.size:
                starts.append(float(trace.time_s[0]) - run.align_s)
                ends.append(float(trace.time_s[-1]) - run.align_s)
    from_s, to_s = min(starts, default=0.0), max(ends, default=3600.0)
    TimeSpan(from_s, max(to_s, from_s + 60.0), None, None).dress(axes)
    below(axes, f"hours:minutes from {ALIGNED[comparison.align]}")
    if comparison.align != "start":
        axes.axvline(0.0, color=look.FAINT_INK, linewidth=1.0, dashes=(2, 2), zorder=1.5)


def _letter_at(axes: Axes, x: FloatArray, y: FloatArray, run: Compared, stroke: look.Stroke, place: float) -> None:
    """The run's letter on its line, each at another part of it, so that lines are told apart without colour."""
    good = np.flatnonzero(np.isfinite(y))
    if not good.size:
        return
    at = good[min(int(place * good.size), good.size - 1)]
    axes.annotate(
        run.letter,
        (float(x[at]), float(y[at])),
        ha="center",
        va="center",
        fontsize=look.SMALL_PT,
        fontweight="bold",
        color=stroke.colour,
        zorder=8,
        bbox={"facecolor": look.PAPER, "edgecolor": stroke.colour, "pad": 1.6, "linewidth": 0.8},
    )


def _place(number: int, count: int) -> float:
    return 0.12 + 0.76 * (number + 0.5) / count


def _temperatures(axes: Axes, runs: Drawn, comparison: Comparison) -> None:
    units = comparison.units
    dress(axes, "Steel temperature", f"°{units.temperature}", f"°{OTHER_TEMPERATURE[units.temperature]}")
    for number, (run, view, stroke) in enumerate(runs):
        steel = next((trace for trace in view.temperature.traces if trace.role is Role.STEEL), None)
        if steel is None:
            continue
        time_s, temperature_K = thin(steel.time_s, steel.temperature_K, BUCKETS)
        shown = units.temperature_from_kelvin(temperature_K)
        line(axes, time_s - run.align_s, shown, stroke, 3.0 + 0.01 * number)
        _letter_at(axes, time_s - run.align_s, shown, run, stroke, _place(number, len(runs)))
    _span(axes, runs, comparison)
    axes.margins(y=0.08)
    axes.yaxis.set_major_locator(MaxNLocator(6, steps=[1, 2, 5, 10]))
    second_scale(axes, temperature_scale(units))


def _depths(axes: Axes, runs: Drawn, comparison: Comparison) -> None:
    units = comparison.units
    shown_to = dict.fromkeys(view.depth.definition for _, view, _ in runs if view.depth is not None)
    dress(axes, f"Case depth {' and '.join(shown_to)}", units.length, OTHER_LENGTH[units.length])
    for number, (run, view, stroke) in enumerate(runs):
        if view.depth is None:
            continue
        time_s, depth = view.depth.time_s - run.align_s, units.length_from_metres(view.depth.depth_m)
        if view.depth.band_m is not None:
            low, high = (units.length_from_metres(edge) for edge in view.depth.band_m)
            axes.fill_between(time_s, low, high, color=stroke.colour, alpha=0.12, linewidth=0, zorder=2)
        line(axes, time_s, depth, stroke, 3.0 + 0.01 * number)
        _letter_at(axes, time_s, depth, run, stroke, 0.5 + 0.5 * _place(number, len(runs)))
    _span(axes, runs, comparison)
    axes.set_ylim(bottom=0.0)
    axes.yaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 5, 10]))
    second_scale(axes, length_scale(units))


def _profiles(axes: Axes, runs: Drawn, comparison: Comparison) -> None:
    units = comparison.units
    dress(axes, "Carbon through the section", "% C", "")
    deepest = 0.0
    for number, (run, view, stroke) in enumerate(runs):
        if view.profile is None:
            continue
        curve = view.profile.curves[0]
        depth = units.length_from_metres(curve.depth_m)
        deepest = max(deepest, float(depth[-1]))
        if curve.band_wt_pct is not None:
            axes.fill_between(depth, *curve.band_wt_pct, color=stroke.colour, alpha=0.12, linewidth=0, zorder=2)
        line(axes, depth, curve.carbon_wt_pct, stroke, 3.0 + 0.01 * number)
        _letter_at(axes, depth, curve.carbon_wt_pct, run, stroke, _place(number, len(runs)))
    axes.set_xlim(0.0, deepest or 1.0)
    axes.set_ylim(bottom=0.0)
    axes.yaxis.set_major_locator(MaxNLocator(6, steps=[1, 2, 5, 10]))
    below(axes, f"{units.length} from the face")


def _tempers(axes: Axes, runs: Drawn, comparison: Comparison) -> None:
    constants = dict.fromkeys(f"{view.temper.constant:.4g}" for _, view, _ in runs if view.temper is not None)
    dress(axes, f"Tempering parameter, c = {' and '.join(constants)}", "K", "")
    for number, (run, view, stroke) in enumerate(runs):
        if view.temper is None:
            continue
        line(axes, view.temper.time_s - run.align_s, view.temper.parameter, stroke, 3.0 + 0.01 * number)
        place = _place(number, len(runs))
        _letter_at(axes, view.temper.time_s - run.align_s, view.temper.parameter, run, stroke, place)
    _span(axes, runs, comparison)
    axes.yaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 5, 10]))
