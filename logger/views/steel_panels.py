"""What the heat did to the steel: carbon through the section, case depth, tempering parameter and hardness."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from logger.units import DisplayUnits, FloatArray
from logger.views import look
from logger.views.panel import (
    BUCKETS,
    OTHER_LENGTH,
    TimeSpan,
    below,
    dress,
    key,
    label,
    length_scale,
    line,
    on_line,
    second_scale,
    target_line,
)
from logger.views.series import Band, DepthView, ProfileView, TemperView
from logger.views.thinning import thin
from logger.views.wording import length_words


def draw_profile(axes: Axes, view: ProfileView, units: DisplayUnits) -> None:
    """Carbon through the section, with the limits that matter and the case depth marked."""
    shown = units.length_from_metres
    dress(axes, "Carbon through the section", "% C", "")
    first = view.curves[0]
    deepest = shown(float(first.depth_m[-1]))
    axes.set_xlim(0.0, deepest)
    highest = max(0.8, *(float(np.nanmax(curve.carbon_wt_pct, initial=0.0)) for curve in view.curves))
    near = [limit for limit in view.limits if limit.carbon_wt_pct < 1.6 * highest]
    top = max(highest, *(limit.carbon_wt_pct for limit in near), view.case_at_wt_pct or 0.0) if near else highest
    axes.set_ylim(0.0, 1.2 * top)
    axes.yaxis.set_major_locator(MaxNLocator(6, steps=[1, 2, 5, 10]))
    axes.xaxis.set_major_locator(MaxNLocator(6, steps=[1, 2, 5, 10]))
    below(axes, f"{units.length} from the face; right-hand end: {view.far_end}")
    if view.skin_m > 0.0:
        _skin(axes, view, units)
    limits = sorted(near)
    for number, limit in enumerate(limits):
        axes.axhline(limit.carbon_wt_pct, color=look.DANGER, linewidth=1.2, dashes=(4, 2), zorder=2)
        above = limits[number + 1].carbon_wt_pct - limit.carbon_wt_pct if number + 1 < len(limits) else top
        words = f"{limit.carbon_wt_pct:.2f} %  {limit.words}"
        on_line(axes, 0.99, limit.carbon_wt_pct, words, look.DANGER, under=above < 0.1 * top)
    for curve, stroke in reversed(list(zip(view.curves, look.PROFILES, strict=False))):
        depth = shown(curve.depth_m)
        if curve.apart_wt_pct is not None:
            _apart(axes, depth, curve.apart_wt_pct, stroke)
        elif curve.band_wt_pct is not None:
            axes.fill_between(depth, *curve.band_wt_pct, color=stroke.colour, alpha=0.18, linewidth=0, zorder=2.5)
        line(axes, depth, curve.carbon_wt_pct, stroke, zorder=3.0)
    key(axes, [(curve.label, stroke) for curve, stroke in zip(view.curves, look.PROFILES, strict=False)])
    if view.case_at_wt_pct is not None:
        _case(axes, view, view.case_at_wt_pct, units)


def _apart(axes: Axes, depth: FloatArray, apart: tuple[Band, Band], stroke: look.Stroke) -> None:
    """Two bands where one would mix two ends: plain of the cases that stayed solid, hatched of those that melted."""
    solid, melted = apart
    axes.fill_between(
        depth,
        *melted,
        facecolor=look.LIQUID_FILL,
        alpha=0.3,
        hatch="xx",
        edgecolor=look.DANGER,
        linewidth=0,
        zorder=2.3,
    )
    for edge in melted:
        axes.plot(depth, edge, color=look.DANGER, linewidth=0.8, zorder=2.4)
    axes.fill_between(depth, *solid, color=stroke.colour, alpha=0.35, linewidth=0, zorder=2.5)
    for edge in solid:
        axes.plot(depth, edge, color=stroke.colour, linewidth=0.8, zorder=2.6)


def _case(axes: Axes, view: ProfileView, at_wt_pct: float, units: DisplayUnits) -> None:
    """Where the carbon falls to the level the case depth is measured to; words where it never gets there."""
    depth_m = view.case_depth_m or 0.0
    if depth_m <= 0.0:
        axes.axhline(at_wt_pct, color=look.TARGET, linewidth=1.0, dashes=(2, 2), zorder=4)
        on_line(axes, 0.99, at_wt_pct, f"{at_wt_pct:.2f} % C is not reached", look.TARGET)
        return
    at = units.length_from_metres(depth_m)
    axes.plot([at, at], [0.0, at_wt_pct], color=look.TARGET, linewidth=1.8, zorder=4)
    axes.plot([0.0, at], [at_wt_pct] * 2, color=look.TARGET, linewidth=1.0, dashes=(2, 2), zorder=4)
    axes.plot([at], [at_wt_pct], marker="o", markersize=8, color=look.TARGET, zorder=5)
    words = f"case depth {length_words(depth_m, units)}"
    if depth_m > 0.55 * float(view.curves[0].depth_m[-1]):
        label(axes, at, 0.0, f"{words} to {at_wt_pct:.2f} % C", look.TARGET, offset=(-6, 4), leftwards=True)
        return
    beside = [curve.carbon_wt_pct[curve.depth_m >= depth_m] for curve in view.curves]
    clear_wt_pct = max(at_wt_pct, *(float(np.nanmax(carbon, initial=0.0)) for carbon in beside))
    label(axes, at, clear_wt_pct, f"{words}\nto {at_wt_pct:.2f} % C", look.TARGET, offset=(9, 8))


def _skin(axes: Axes, view: ProfileView, units: DisplayUnits) -> None:
    """The part to grind off: what carries carbide, and what has been melted; said in a strip along the top."""
    shown = units.length_from_metres
    skin = shown(max(view.skin_m, view.liquid_m))
    axes.axvspan(0.0, skin, facecolor=look.SKIN_FILL, edgecolor=look.FAINT_INK, hatch="..", linewidth=0.6, zorder=1)
    words = f"skin {length_words(max(view.skin_m, view.liquid_m), units)}"
    if view.liquid_m > 0.0:
        axes.axvspan(
            0.0,
            shown(view.liquid_m),
            facecolor=look.LIQUID_FILL,
            edgecolor=look.DANGER,
            hatch="xx",
            linewidth=0.6,
            zorder=1.1,
        )
        words += f", melted to {length_words(view.liquid_m, units)}"
    else:
        words += ": carries carbide"
    top = axes.get_ylim()[1]
    axes.plot([0.0, skin], [0.965 * top] * 2, color=look.DANGER, linewidth=6, solid_capstyle="butt", zorder=6)
    label(axes, 0.0, 0.955 * top, words, look.DANGER, offset=(2, -16))


def draw_depth(axes: Axes, view: DepthView, units: DisplayUnits, span: TimeSpan) -> None:
    """Case depth over time with its band, its target, and when that was or should be reached."""
    shown = units.length_from_metres
    other = OTHER_LENGTH[units.length]
    dress(axes, f"Case depth {view.definition}", units.length, other)
    span.dress(axes)
    highest_m = max(
        float(np.nanmax(view.depth_m, initial=0.0)),
        float(np.nanmax(view.band_m[1], initial=0.0)) if view.band_m is not None else 0.0,
        view.target_m or 0.0,
        1e-4,
    )
    axes.set_ylim(0.0, shown(1.22 * highest_m))
    axes.yaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 5, 10]))
    second_scale(axes, length_scale(units))
    if view.band_m is not None:
        low, high = (shown(edge) for edge in view.band_m)
        axes.fill_between(view.time_s, low, high, color=look.CARBON, alpha=0.16, linewidth=0, zorder=2)
        for edge in (low, high):
            axes.plot(view.time_s, edge, color=look.CARBON, linewidth=0.7, zorder=2)
    time_s, depth_m = thin(view.time_s, view.depth_m, BUCKETS)
    line(axes, time_s, shown(depth_m), look.PROFILES[0], zorder=3)
    now_s, now_m = float(view.time_s[-1]), float(view.depth_m[-1])
    axes.plot([now_s], [shown(now_m)], marker="o", markersize=8, color=look.CARBON, zorder=5, clip_on=False)
    if view.target_m is not None:
        _depth_target(axes, view, view.target_m, units, span)
    label(
        axes,
        now_s,
        shown(now_m),
        length_words(now_m, units),
        look.CARBON,
        offset=_beside(axes, shown(now_m), None if view.target_m is None else shown(view.target_m)),
    )


def _beside(axes: Axes, value: float, target: float | None) -> tuple[float, float]:
    """Where the label of the last value stands [points from it]: under it, or over it if the target line is there."""
    low, high = axes.get_ylim()
    target_is_close_under = target is not None and 0.0 <= value - target < 0.16 * (high - low)
    return (9.0, 8.0) if target_is_close_under else (9.0, -18.0)


def _depth_target(axes: Axes, view: DepthView, target_m: float, units: DisplayUnits, span: TimeSpan) -> None:
    """The aim: when it was reached, or the way there and when that should be."""
    at = units.length_from_metres(target_m)
    words = f"target {length_words(target_m, units)}"
    if view.reached_s is not None:
        axes.plot([view.reached_s], [at], marker="s", markersize=9, color=look.TARGET, zorder=6)
        words += f", reached {span.words(view.reached_s)}"
    elif view.expected_s is not None:
        now = units.length_from_metres(float(view.depth_m[-1]))
        way = [float(view.time_s[-1]), view.expected_s]
        axes.plot(way, [now, at], color=look.CARBON, linewidth=1.8, dashes=(2, 2), zorder=3)
        words += f" at about {span.words(view.expected_s)}"
        if view.expected_range_s is not None:
            axes.plot(view.expected_range_s, [at, at], color=look.TARGET, linewidth=6, alpha=0.5)
            words += f" ({span.words(view.expected_range_s[0])} to {span.words(view.expected_range_s[1])})"
    target_line(axes, at, words)


def draw_tempering(axes: Axes, view: TemperView, span: TimeSpan) -> None:
    """Tempering parameter over time."""
    dress(axes, f"Tempering parameter, c = {view.constant:.4g}", "K", "")
    axes.yaxis.set_label_position("left")
    span.dress(axes)
    _quantity(axes, view.time_s, view.parameter, None, view.target_parameter, "{:,.0f}", floor=None)


def draw_hardness(axes: Axes, view: TemperView, span: TimeSpan) -> None:
    """Hardness expected after tempering, over time."""
    dress(axes, "Hardness expected at room temperature", "HRC", "")
    span.dress(axes)
    assert view.hardness_HRC is not None
    _quantity(
        axes, view.time_s, view.hardness_HRC, view.hardness_band_HRC, view.target_hardness_HRC, "{:.0f} HRC", floor=None
    )


def _quantity(
    axes: Axes,
    time_s: FloatArray,
    value: FloatArray,
    band: tuple[FloatArray, FloatArray] | None,
    target: float | None,
    form: str,
    floor: float | None,
) -> None:
    """One quantity over time with band, target and its last value."""
    drawn = [value, *(band or ())]
    good = np.concatenate([array[np.isfinite(array)] for array in drawn])
    if good.size == 0:
        axes.text(0.5, 0.5, "not known yet", transform=axes.transAxes, ha="center", va="center", color=look.FAINT_INK)
        return
    low, high = float(good.min()), float(good.max())
    if target is not None:
        low, high = min(low, target), max(high, target)
    room = max(high - low, 1e-3 * abs(high), 1e-6)
    axes.set_ylim(low - 0.15 * room if floor is None else floor, high + 0.22 * room)
    axes.yaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 5, 10]))
    if band is not None:
        axes.fill_between(time_s, *band, color=look.CARBON, alpha=0.16, linewidth=0, zorder=2)
        for edge in band:
            axes.plot(time_s, edge, color=look.CARBON, linewidth=0.7, zorder=2)
    line(axes, *thin(time_s, value, BUCKETS), look.PROFILES[0], zorder=3)
    last = int(np.flatnonzero(np.isfinite(value))[-1])
    axes.plot([time_s[last]], [value[last]], marker="o", markersize=8, color=look.CARBON, zorder=5, clip_on=False)
    if target is not None:
        target_line(axes, target, "target " + form.format(target))
    label(
        axes,
        float(time_s[last]),
        float(value[last]),
        form.format(value[last]),
        look.CARBON,
        offset=_beside(axes, float(value[last]), target),
    )
