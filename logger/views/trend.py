"""What the runs of an oven asked of it, one after the other: as text, as JSON, as a picture."""

from datetime import tzinfo
from math import isfinite, nan
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, MaxNLocator

from logger.oven_trend import DYING, LIKE_HOLD_K, WEARING, HeatEffort, OvenTrend, Trouble
from logger.units import DisplayUnits, FloatArray, celsius_from_kelvin
from logger.views import look
from logger.views.panel import LEFT_IN, RIGHT_IN, WIDTH_IN, below, dress, on_line, style, wrapped
from logger.views.text import table
from logger.views.wording import date_words, known, temperature_words

MOST_LABELS = 12
ABOVE_IN, BELOW_IN, INSIDE_IN = 0.72, 0.7, 1.9


def trend_text(oven: str, trend: OvenTrend, units: DisplayUnits, zone: tzinfo | None) -> str:
    """The trend of one oven for a terminal: a line for each run, then what it means."""
    head = ("run", "started", "200 to 600 C", "at full power", "held", "output at hold", "of the first")
    if units.temperature == "F":
        head = (*head[:2], "392 to 1112 F", *head[3:])
    rows = [
        (
            one.run,
            date_words(one.started_utc_s, zone),
            _minutes(one.time_to_heat_s),
            _minutes(one.full_power_s),
            temperature_words(one.hold_K, units) if known(one.hold_K) else "-",
            f"{one.hold_output_pct:.0f} %" if known(one.hold_output_pct) else "-",
            f"{100.0 * trend.share(one):.0f} %" if known(trend.share(one)) else "-",
        )
        for one in trend.efforts
    ]
    return f"{oven}\n\n{table(head, rows)}\n\n" + "\n".join(trend_words(trend, units))


def trend_words(trend: OvenTrend, units: DisplayUnits) -> tuple[str, ...]:
    """What the trend means, a sentence or two each; also that there is nothing to say, and why."""
    if trend.findings:
        return tuple(finding.remark.said(units) for finding in trend.findings)
    if not any(known(one.full_power_s) or known(one.time_to_heat_s) for one in trend.efforts):
        return ("No run goes from cold through the span that is compared: nothing can be said of the element.",)
    return ("Nothing has changed that would tell of a worn element or thermocouple.",)


def trend_object(oven: str, trend: OvenTrend) -> dict[str, Any]:
    """The trend of one oven for programs."""
    return {
        "oven": oven,
        "first": {
            "full_power_s": _number(trend.first_full_power_s),
            "hold_output_pct": _number(trend.first_hold_output_pct),
            "time_to_heat_s": _number(trend.first_time_to_heat_s),
            "pair_C": _number(trend.first_pair_K),
        },
        "runs": [
            {
                "run": one.run,
                "started_utc_s": one.started_utc_s,
                "time_to_heat_s": _number(one.time_to_heat_s),
                "full_power_s": _number(one.full_power_s),
                "full_power_share": _number(trend.share(one)),
                "hold_C": _number(celsius_from_kelvin(one.hold_K)),
                "hold_output_pct": _number(one.hold_output_pct),
                "at_full_s": _number(one.at_full_s),
                "pair_C": _number(one.pair_K),
            }
            for one in trend.efforts
        ],
        "findings": [
            {"trouble": str(finding.trouble), "text": str(finding.remark), "value": finding.value}
            for finding in trend.findings
        ],
    }


def _number(value: float) -> float | None:
    return value if isfinite(value) else None


def _minutes(duration_s: float) -> str:
    return f"{duration_s / 60.0:.1f} min" if known(duration_s) else "-"


def draw_trend(oven: str, trend: OvenTrend, units: DisplayUnits, zone: tzinfo | None) -> Figure:
    """The picture of a trend: minutes at full power, output at hold, a second thermocouple's difference; run by run."""
    efforts = trend.efforts
    words = [wrapped(one, look.TEXT_PT) for one in trend_words(trend, units)]
    panels: list[tuple[str, str, FloatArray, float, bool]] = []
    full = np.array([one.full_power_s / 60.0 for one in efforts])
    latest_K = next((one.hold_K for one in reversed(efforts) if known(one.hold_output_pct)), nan)
    like = [known(one.hold_K) and abs(one.hold_K - latest_K) <= LIKE_HOLD_K for one in efforts]
    hold = np.array([one.hold_output_pct if same else nan for one, same in zip(efforts, like, strict=True)])
    slow = np.array([one.time_to_heat_s / 60.0 for one in efforts])
    pair = np.array([units.temperature_difference(one.pair_K) for one in efforts])
    span = "200 to 600 °C" if units.temperature == "C" else "392 to 1112 °F"
    if np.isfinite(full).any():
        panels.append((f"Minutes at full power, {span}", "min", full, trend.first_full_power_s / 60.0, True))
    elif np.isfinite(slow).any():
        panels.append((f"Minutes from {span}", "min", slow, trend.first_time_to_heat_s / 60.0, False))
    if np.isfinite(hold).any():
        panels.append(
            (
                f"Output needed to hold {temperature_words(latest_K, units)}",
                "%",
                hold,
                trend.first_hold_output_pct,
                False,
            )
        )
    if np.isfinite(pair).any():
        first = units.temperature_difference(trend.first_pair_K)
        panels.append(("Second thermocouple less the first", f"°{units.temperature}", pair, first, False))
    with style():
        title = f"{oven}: run by run"
        head_in = 0.6 + sum(0.24 * (one.count("\n") + 1) + 0.06 for one in words) + 0.1
        height_in = head_in + len(panels) * (ABOVE_IN + INSIDE_IN + BELOW_IN) + 0.1
        figure = Figure(figsize=(WIDTH_IN, height_in))
        FigureCanvasAgg(figure)
        figure.text(0.28 / WIDTH_IN, 1.0 - 0.2 / height_in, title, fontsize=look.TITLE_PT, fontweight="bold", va="top")
        y_in = height_in - 0.66
        urgent = any(finding.trouble is Trouble.DYING_ELEMENT for finding in trend.findings)
        for one in words:
            colour = look.DANGER if urgent else look.INK
            figure.text(0.28 / WIDTH_IN, y_in / height_in, one, fontsize=look.TEXT_PT, va="top", color=colour)
            y_in -= 0.24 * (one.count("\n") + 1) + 0.06
        top_in = height_in - head_in
        for heading, unit, values, first, limits in panels:
            axes = figure.add_axes(
                (
                    LEFT_IN / WIDTH_IN,
                    (top_in - ABOVE_IN - INSIDE_IN) / height_in,
                    (WIDTH_IN - LEFT_IN - RIGHT_IN) / WIDTH_IN,
                    INSIDE_IN / height_in,
                )
            )
            _run_by_run(axes, heading, unit, values, first, limits, efforts, zone)
            top_in -= ABOVE_IN + INSIDE_IN + BELOW_IN
    return figure


def _run_by_run(
    axes: Axes,
    heading: str,
    unit: str,
    values: FloatArray,
    first: float,
    limits: bool,
    efforts: tuple[HeatEffort, ...],
    zone: tzinfo | None,
) -> None:
    """One value for each run; runs that say nothing are left out, so that the line goes on across them."""
    dress(axes, heading, unit, "")
    count = len(efforts)
    at = np.arange(count, dtype=np.float64)
    good = np.isfinite(values)
    axes.set_xlim(-0.5, count - 0.5)
    step = max(1, -(-count // MOST_LABELS))
    shown = [number for number in range(count) if number % step == 0]
    axes.xaxis.set_major_locator(FixedLocator(shown))
    rows = [date_words(efforts[number].started_utc_s, zone).split(" ") for number in shown]
    axes.set_xticklabels([f"{day}\n{month}" for day, month, _ in rows], fontsize=look.SMALL_PT)
    below(axes, "day of the run")
    axes.plot(at[good], values[good], color=look.CARBON, linewidth=1.6, zorder=3)
    worn = values >= WEARING * first if limits and known(first) else np.zeros(count, dtype=bool)
    dying = values >= DYING * first if limits and known(first) else np.zeros(count, dtype=bool)
    for chosen, marker, colour, size in (
        (good & ~worn, "o", look.CARBON, 7.0),
        (good & worn & ~dying, "^", look.SOAK_EDGE, 10.0),
        (good & dying, "D", look.DANGER, 9.0),
    ):
        axes.plot(at[chosen], values[chosen], linestyle="none", marker=marker, markersize=size, color=colour, zorder=4)
    high = float(np.nanmax(values)) if good.any() else 1.0
    low = min(0.0, float(np.nanmin(values)) if good.any() else 0.0)
    if limits and known(first):
        high = max(high, 1.05 * DYING * first)
        for share, words in ((WEARING, "worn from here"), (DYING, "dying from here")):
            colour = look.SOAK_EDGE if share == WEARING else look.DANGER
            axes.axhline(share * first, color=colour, linewidth=1.1, dashes=(5, 3), zorder=2)
            on_line(axes, 0.01 if share == WEARING else 0.26, share * first, words, colour)
    if known(first):
        axes.axhline(first, color=look.FAINT_INK, linewidth=1.0, dashes=(1.5, 2), zorder=2)
    axes.set_ylim(1.15 * low, 1.22 * high)
    axes.yaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 5, 10]))
    if good.any():
        last = int(np.flatnonzero(good)[-1])
        axes.annotate(
            f"{values[last]:.0f} {unit}",
            (at[last], values[last]),
            xytext=(0, 9),
            textcoords="offset points",
            ha="center",
            va="bottom",
            fontsize=look.TEXT_PT,
            fontweight="bold",
            color=look.CARBON,
            zorder=6,
        )
