"""The picture of a fitted lag: both thermocouples with the model, and what the model misses before and after."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from logger.estimate.lag_fit import LagFit
from logger.history import History
from logger.units import DisplayUnits
from logger.views import look
from logger.views.panel import (
    BUCKETS,
    LEFT_IN,
    MARGIN_IN,
    OTHER_TEMPERATURE,
    RIGHT_IN,
    WIDTH_IN,
    TimeSpan,
    dress,
    key,
    label,
    line,
    second_scale,
    style,
    temperature_scale,
    wrapped,
)
from logger.views.series import Role
from logger.views.thinning import thin
from logger.views.wording import temperature_words

MEASURED = look.TRACES[Role.STEEL]
PROPOSED = look.Stroke(look.TARGET, 1.8, (0, (7.0, 2.5)))
BEFORE = look.Stroke(look.FAINT_INK, 1.4, (0, (1.2, 1.6)))
HEIGHT_IN = 8.0


def draw_lag(title: str, oven: History, fit: LagFit, has_lag: bool, units: DisplayUnits) -> Figure:
    """The picture of a fit.

    Parameters
    ----------
    title : over it
    oven : the oven's channel
    fit : the proposal
    has_lag : whether the sheet had a lag before, which the dotted lines then show
    units : the reader's

    Returns    matplotlib Figure, 7.2 inches wide
    """
    before = "sheet's lag" if has_lag else "usual values"
    with style():
        figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN))
        FigureCanvasAgg(figure)
        head = wrapped(title, look.TITLE_PT, "bold")
        figure.text(MARGIN_IN / WIDTH_IN, 1.0 - 0.2 / HEIGHT_IN, head, fontsize=look.TITLE_PT, weight="bold", va="top")
        span = TimeSpan(float(fit.time_s[0]), float(fit.time_s[-1]), None, None)
        _temperatures(_axes(figure, 3.35, 3.3), oven, fit, units, span, before)
        _misses(_axes(figure, 0.62, 1.6), fit, units, span, before)
    return figure


def _axes(figure: Figure, bottom_in: float, height_in: float) -> Axes:
    wide = (WIDTH_IN - LEFT_IN - RIGHT_IN) / WIDTH_IN
    return figure.add_axes((LEFT_IN / WIDTH_IN, bottom_in / HEIGHT_IN, wide, height_in / HEIGHT_IN))


def _temperatures(axes: Axes, oven: History, fit: LagFit, units: DisplayUnits, span: TimeSpan, before: str) -> None:
    shown = units.temperature_from_kelvin
    dress(axes, "Temperature", f"°{units.temperature}", f"°{OTHER_TEMPERATURE[units.temperature]}")
    span.dress(axes)
    oven_s, oven_K = thin(oven.time_s, oven.temperature_K, BUCKETS)
    line(axes, oven_s, shown(oven_K), look.TRACES[Role.OVEN], 2.0)
    line(axes, fit.time_s, shown(fit.inside_K), MEASURED, 3.0)
    line(axes, fit.time_s, shown(fit.before.model_K), BEFORE, 3.5)
    line(axes, fit.time_s, shown(fit.fitted.model_K), PROPOSED, 4.0)
    axes.yaxis.set_major_locator(MaxNLocator(6, steps=[1, 2, 5, 10]))
    second_scale(axes, temperature_scale(units))
    key(
        axes,
        [("oven", look.TRACES[Role.OVEN]), ("inside", MEASURED), ("as proposed", PROPOSED), (before, BEFORE)],
    )
    if fit.arrest is not None:
        at = shown(fit.arrest.temperature_K)
        axes.plot([fit.arrest.time_s], [at], marker="o", markersize=7, color=look.SETPOINT, zorder=6)
        words = f"halts at {temperature_words(fit.arrest.temperature_K, units)}"
        label(axes, fit.arrest.time_s, at, words, look.SETPOINT, offset=(9, -14))


def _misses(axes: Axes, fit: LagFit, units: DisplayUnits, span: TimeSpan, before: str) -> None:
    degrees = units.temperature_difference
    dress(axes, "Modelled less measured", f"°{units.temperature}", "")
    span.dress(axes)
    missed = {PROPOSED: fit.fitted.model_K - fit.inside_K, BEFORE: fit.before.model_K - fit.inside_K}
    widest = degrees(max(float(np.abs(miss_K).max()) for miss_K in missed.values()))
    axes.set_ylim(-1.1 * max(widest, 1.0), 1.1 * max(widest, 1.0))
    axes.axhline(0.0, color=MEASURED.colour, linewidth=1.2, zorder=2.5)
    for stroke, miss_K in missed.items():
        line(axes, fit.time_s, degrees(miss_K), stroke, 3.0)
    axes.yaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 5, 10]))
    key(axes, [("as proposed", PROPOSED), (before, BEFORE)])
