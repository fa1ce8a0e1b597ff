"""The map of a plan: how hot against how long, contours of what is wanted, what is forbidden hatched, the programs."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Patch
from matplotlib.ticker import FixedLocator, NullLocator

from logger.estimate.carbon_result import GRAIN_GROWTH_S, NETWORK_WT_PCT
from logger.plan import Plan
from logger.units import FloatArray, hours_from_seconds, kelvin_from_celsius
from logger.views import look
from logger.views.panel import MARGIN_IN, WIDTH_IN, below, dress, second_scale, style, temperature_scale, wrapped
from logger.views.plan_text import wish_words
from logger.views.plots import png
from logger.views.wording import duration_words, temperature_words

HEIGHT_IN = 5.4
TICKS_H = (0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 24.0, 48.0, 96.0, 192.0)
LEVELS, LEVELS_TO = 6, 2.2
HATCH = "#b4bac3"
"""Hatching is quieter than the lines it lies under."""


def save_plan_png(plan: Plan, name: str, path: Path) -> None:
    """Draw the map of a plan and write the PNG file."""
    with rc_context({"hatch.color": HATCH}):
        path.write_bytes(png(draw_plan(plan, name)))


def draw_plan(plan: Plan, name: str) -> Figure:
    """The map of a plan as a matplotlib Figure, 7.2 inches wide."""
    with style(), rc_context({"hatch.color": HATCH}):
        title = wrapped(f"{name}: plan", look.TITLE_PT, "bold")
        wanted = wrapped(f"Wanted: {', '.join(wish_words(plan))}.", look.TEXT_PT)
        forbidden = _forbidden(plan)
        head_in = 0.34 * (title.count("\n") + 1) + 0.25 * (wanted.count("\n") + 1) + 0.9
        foot_in = 0.7 + 0.3 * ((len(forbidden) + 1) // 2)
        height_in = head_in + HEIGHT_IN + foot_in
        figure = Figure(figsize=(WIDTH_IN, height_in))
        FigureCanvasAgg(figure)
        x = MARGIN_IN / WIDTH_IN
        figure.text(x, 1.0 - 0.2 / height_in, title, fontsize=look.TITLE_PT, fontweight="bold", va="top")
        figure.text(x, 1.0 - (0.34 * (title.count("\n") + 1) + 0.25) / height_in, wanted, va="top", linespacing=1.35)
        axes = figure.add_axes(
            (0.78 / WIDTH_IN, foot_in / height_in, (WIDTH_IN - 1.64) / WIDTH_IN, HEIGHT_IN / height_in)
        )
        _map(axes, plan, forbidden)
        return figure


def _quantity(plan: Plan) -> tuple[FloatArray, float, str, str]:
    """What the contours are of: values (t, n), the wanted one, their name and their form."""
    wishes, held, units = plan.wishes, plan.map.held, plan.sheet.display
    if wishes.core_wt_pct is not None:
        return held.core_wt_pct, wishes.core_wt_pct, "carbon of the core, % C", "%.2f"
    if wishes.mean_wt_pct is not None:
        return held.mean_wt_pct, wishes.mean_wt_pct, "mean carbon, % C", "%.2f"
    assert wishes.case_depth_m is not None
    values, wanted = units.length_from_metres(held.case_depth_m), units.length_from_metres(wishes.case_depth_m)
    form = "%.2f" if units.length == "mm" else "%.3f"
    return values, wanted, f"case depth to {plan.level_wt_pct:.2f} % C, {units.length}", form


def _forbidden(plan: Plan) -> list[tuple[FloatArray, str, str]]:
    """What no hold may be: by how much (t, n) it is passed (above 0: forbidden), in words, and its hatching."""
    wishes, whole, units = plan.wishes, plan.map, plan.sheet.display
    held = whole.held
    shape = held.mean_wt_pct.shape
    hotter = np.broadcast_to((whole.temperature_K - wishes.hottest_K)[:, None], shape)
    longer = np.broadcast_to(np.log(whole.hold_s / wishes.longest_s)[None, :], shape)
    zones = [
        (wishes.melting_margin_K - held.margin_K, "melts, or comes too near to it", "xx"),
        (hotter, f"hotter than {temperature_words(wishes.hottest_K, units)}", "\\\\"),
        (longer, f"longer than {duration_words(wishes.longest_s)}", "//"),
    ]
    if wishes.surface_at_most_wt_pct is not None:
        words = f"over {wishes.surface_at_most_wt_pct:.2f} % C at the surface while hot"
        zones.append((held.richest_wt_pct - wishes.surface_at_most_wt_pct, words, ".."))
    if wishes.no_network:
        zones.append((held.richest_wt_pct - NETWORK_WT_PCT, "carbide network on slow cooling", "++"))
    if wishes.fine_grain:
        line = temperature_words(kelvin_from_celsius(1000.0), units)
        zones.append((held.coarse_s - GRAIN_GROWTH_S, f"grain grows, over {line}", "--"))
    return [zone for zone in zones if (zone[0] > 0.0).any()]


def _map(axes: Axes, plan: Plan, forbidden: list[tuple[FloatArray, str, str]]) -> None:
    units, whole = plan.sheet.display, plan.map
    hours = hours_from_seconds(whole.hold_s)
    shown = units.temperature_from_kelvin(whole.temperature_K)
    values, wanted, name, form = _quantity(plan)
    dress(axes, f"How hot, how long: {name}", f"°{units.temperature}", "°F" if units.temperature == "C" else "°C")
    axes.set_xscale("log")
    axes.set_xlim(float(hours[0]), float(hours[-1]))
    axes.set_ylim(float(shown[0]), float(shown[-1]))
    ticks = [tick for tick in TICKS_H if hours[0] <= tick <= hours[-1]]
    axes.xaxis.set_major_locator(FixedLocator(ticks))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.set_xticklabels([f"{tick:g}" for tick in ticks])
    below(axes, "hours at this temperature, by the oven")
    second_scale(axes, temperature_scale(units))
    # Where the piece is full, lines crowd that nobody asks for.
    most = min(float(values.max()), LEVELS_TO * wanted)
    levels = np.unique(np.round(np.linspace(float(values.min()), most, LEVELS + 2)[1:-1], 3))
    levels = levels[np.abs(levels - wanted) > 0.12 * wanted]
    handles = []
    for number, (zone, words, hatch) in enumerate(forbidden):
        colour = look.DANGER if number == 0 and hatch == "xx" else look.FAINT_INK
        most = float(zone.max())
        axes.contourf(hours, shown, zone, levels=[0.0, most], colors="none", hatches=[hatch], zorder=2)
        if float(zone.min()) < 0.0 < most:
            axes.contour(hours, shown, zone, levels=[0.0], colors=colour, linewidths=1.0, zorder=2.5)
        handles.append(Patch(facecolor="none", edgecolor=colour, hatch=hatch, label=words))
    if levels.size > 1:
        lines = axes.contour(hours, shown, values, levels=levels, colors=look.OVEN, linewidths=1.2, zorder=3)
        axes.clabel(lines, fmt=form, fontsize=look.SMALL_PT, colors=look.CARBON)
    if float(values.min()) < wanted < float(values.max()):
        drawn = axes.contour(hours, shown, values, levels=[wanted], colors=look.TARGET, linewidths=3.0, zorder=4)
        taken = [float(units.temperature_from_kelvin(planned.program.hold_K)) for planned in plan.programs]
        _wanted_label(axes, drawn.allsegs[0], taken, f"wanted {form % wanted}")
    for number, planned in enumerate(plan.programs, start=1):
        program = planned.program
        at = float(units.temperature_from_kelvin(program.hold_K))
        from_h, to_h = hours_from_seconds(program.hold_s), hours_from_seconds(program.hold_s + program.diffuse_s)
        if program.diffuse_s > 0.0:
            axes.plot([from_h, to_h], [at, at], color=look.STEEL, linewidth=2.5, dashes=(2, 1), zorder=6)
        axes.plot([to_h], [at], marker="o", markersize=17, color=look.STEEL, zorder=7, clip_on=False)
        axes.annotate(str(number), (to_h, at), ha="center", va="center", color=look.PAPER, fontweight="bold", zorder=8,
                      fontsize=look.SMALL_PT)  # fmt: skip
    for planned in plan.programs[:1]:
        program = planned.program
        words = f"{temperature_words(program.hold_K, units)}, {duration_words(program.hold_s)}"
        words += f"\nthen {duration_words(program.diffuse_s)} without the pack" if program.diffuse_s else ""
        to_h = hours_from_seconds(program.hold_s + program.diffuse_s)
        left = to_h > (hours[0] * hours[-1] * 2.0) ** 0.5
        at = float(units.temperature_from_kelvin(program.hold_K))
        axes.annotate(words, (to_h, at), xytext=(-14 if left else 14, 14), textcoords="offset points",
                      ha="right" if left else "left", fontweight="bold", color=look.STEEL, zorder=8,
                      bbox={"facecolor": look.PAPER, "edgecolor": "none", "pad": 1.5, "alpha": 0.85})  # fmt: skip
    if handles:
        axes.legend(handles=handles, loc="upper left", bbox_to_anchor=(-0.12, -0.11), frameon=False, ncols=2,
                    fontsize=look.SMALL_PT, handlelength=2.2, columnspacing=1.2, borderaxespad=0.0)  # fmt: skip


LABEL_PLACES = (0.05, 0.13, 0.21, 0.93, 0.85, 0.77, 0.3)
"""Heights of the map where the wanted line may be named, the best first."""


def _wanted_label(axes: Axes, segments: Sequence[FloatArray], taken: Sequence[float], words: str) -> None:
    """The name of the wanted line, beside its lower end, or where else no program stands (heights ``taken``)."""
    bottom, height = min(axes.get_ylim()), abs(axes.get_ylim()[1] - axes.get_ylim()[0])
    points = np.concatenate([np.asarray(segment) for segment in segments])
    lowest = float(points[:, 1].min())
    places = [bottom + part * height for part in LABEL_PLACES]
    free = [place for place in places if place >= lowest and all(abs(place - at) > 0.06 * height for at in taken)]
    low = free[0] if free else places[0]
    at = points[int(np.argmin(np.abs(points[:, 1] - low)))]
    axes.annotate(
        words,
        (float(at[0]), float(at[1])),
        xytext=(-8, 2),
        textcoords="offset points",
        ha="right",
        fontweight="bold",
        color=look.TARGET,
        zorder=8,
        bbox={"facecolor": look.PAPER, "edgecolor": "none", "pad": 1.5, "alpha": 0.85},
    )
