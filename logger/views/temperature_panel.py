"""The temperature panel: traces, soak band and soaks, stages, gaps, numbered marks."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator
from matplotlib.transforms import blended_transform_factory

from logger.units import DisplayUnits, FloatArray
from logger.views import look
from logger.views.panel import (
    BUCKETS,
    OTHER_TEMPERATURE,
    TimeSpan,
    dress,
    key,
    line,
    panel_width_pt,
    second_scale,
    temperature_scale,
    width_pt,
)
from logger.views.series import GapSpan, Mark, Role, SoakSpan, Span, TemperatureView, TraceView
from logger.views.thinning import thin
from logger.views.wording import duration_words, temperature_range_words

LANE_PT = 14.0
"""Height of the strip of the stages at the least [points]."""

MOST_GAPS_NAMED = 4
"""Many short gaps are told by their number elsewhere: their names would hide the heat."""


def draw_temperature(
    axes: Axes, view: TemperatureView, units: DisplayUnits, span: TimeSpan, marks: tuple[Mark, ...]
) -> None:
    """Temperature over time: traces, soak band, soaks, stages, gaps and numbered marks."""
    shown = units.temperature_from_kelvin
    other = OTHER_TEMPERATURE[units.temperature]
    dress(axes, "Temperature", f"°{units.temperature}", f"°{other}")
    span.dress(axes)
    low, high = _limits([trace.temperature_K for trace in view.traces], view.soak_band_K, (290.0, 400.0))
    room_K = high - low
    axes.set_ylim(shown(low - 0.15 * room_K), shown(high + 0.30 * room_K))
    axes.yaxis.set_major_locator(MaxNLocator(6, steps=[1, 2, 5, 10]))
    second_scale(axes, temperature_scale(units))

    for soak in view.soaks:
        _soak_band(axes, soak, units)
    named = _gaps_named(axes, view.gaps, span)
    for gap in view.gaps:
        _gap(axes, gap, span, gap in named)
        _between(axes, gap, units)
    for trace in sorted(view.traces, key=lambda trace: trace.role is Role.STEEL):
        _trace(axes, trace, units, view.gaps)
    by_role = sorted(view.traces, key=lambda trace: list(Role).index(trace.role))
    key(axes, [(trace.label, look.TRACES[trace.role]) for trace in by_role])
    _soak_lane(axes, view, units, span)
    _stage_lane(axes, view.stages, span)
    signs_s = _apart(axes, [mark.time_s for mark in marks], span)
    for number, (mark, sign_s) in enumerate(zip(marks, signs_s, strict=True)):
        _numbered(axes, number + 1, mark, sign_s)


def _limits(
    arrays: list[FloatArray], band: tuple[float, float] | None, otherwise: tuple[float, float]
) -> tuple[float, float]:
    """Lowest and highest temperature [K] to show."""
    good = [array[np.isfinite(array)] for array in arrays]
    values = np.concatenate([*good, np.asarray(band if band is not None else (), dtype=np.float64)])
    if values.size == 0:
        return otherwise
    low, high = float(values.min()), float(values.max())
    return (low, high) if high - low > 40.0 else (low - 20.0, high + 20.0)


def _trace(axes: Axes, trace: TraceView, units: DisplayUnits, gaps: tuple[Span, ...]) -> None:
    """One trace with its band; inside a gap nothing was read, so what is drawn there is dashed and thin."""
    stroke = look.TRACES[trace.role]
    time_s, temperature_K = thin(trace.time_s, trace.temperature_K, BUCKETS)
    if trace.band_K is not None:
        low, high = (units.temperature_from_kelvin(edge) for edge in trace.band_K)
        axes.fill_between(trace.time_s, low, high, color=stroke.colour, alpha=0.2, linewidth=0, zorder=2)
    zorder = {Role.STEEL: 4.0, Role.OVEN: 3.0, Role.SETPOINT: 3.5, Role.OTHER: 2.5}[trace.role]
    shown = units.temperature_from_kelvin(temperature_K)
    # Whatever lies across a gap, also where there is no point in it, was not read.
    unread = np.zeros(max(time_s.size - 1, 0), dtype=bool)
    for gap in gaps:
        unread |= (time_s[:-1] < gap.to_s) & (time_s[1:] > gap.from_s)
    within = np.append(unread, False) & np.insert(unread, 0, False)
    after = np.flatnonzero(unread) + 1
    read = np.insert(np.where(within, np.nan, shown), after, np.nan)
    line(axes, np.insert(time_s, after, time_s[after]), read, stroke, zorder)
    if unread.any():
        supposed = look.Stroke(stroke.colour, 0.5 * stroke.width, (0, (3.0, 2.0)))
        beside = np.append(unread, False) | np.insert(unread, 0, False)
        line(axes, time_s, np.where(beside, shown, np.nan), supposed, zorder)


def _soak_band(axes: Axes, soak: SoakSpan, units: DisplayUnits) -> None:
    """The tolerance band of a soak, for as long as the soak lasted."""
    low, high = (units.temperature_from_kelvin(edge) for edge in soak.band_K)
    ends_s = [soak.from_s, soak.to_s]
    axes.fill_between(ends_s, low, high, color=look.SOAK_FILL, linewidth=0, zorder=0.5)
    for edge in (low, high):
        axes.plot(ends_s, [edge, edge], color=look.SOAK_EDGE, linewidth=0.7, zorder=0.6)


def _soak_lane(axes: Axes, view: TemperatureView, units: DisplayUnits, span: TimeSpan) -> None:
    """Bars along the bottom while the steel was in the band, with their time as far as it fits, the longest first.

    Each word more is given only where it leaves the times of the others their room.
    """
    place = blended_transform_factory(axes.transData, axes.transAxes)
    placed: dict[SoakSpan, tuple[float, float, str]] = {}
    longest_first = sorted(view.soaks, key=lambda soak: -soak.in_band_s)
    for more in ("{time}", "{time} at heat", "{time} at heat, {band}"):
        for soak in longest_first:
            band = temperature_range_words(*soak.band_K, units)
            words = more.format(time=duration_words(soak.in_band_s), band=band)
            half_s = (0.5 * width_pt(words, look.TEXT_PT, "bold") + 5.0) / panel_width_pt(axes) * span.length_s
            middle_s = min(max(0.5 * (soak.from_s + soak.to_s), span.from_s + half_s), span.to_s - half_s)
            others = [(at_s, room_s) for other, (at_s, room_s, _) in placed.items() if other is not soak]
            if all(abs(middle_s - at_s) > half_s + room_s for at_s, room_s in others):
                placed[soak] = (middle_s, half_s, words)
    for soak in view.soaks:
        axes.plot(
            [soak.from_s, soak.to_s],
            [0.035, 0.035],
            transform=place,
            color=look.SOAK_EDGE,
            linewidth=7,
            solid_capstyle="butt",
            zorder=5,
        )
    for middle_s, _, words in placed.values():
        _at_heat(axes, middle_s, words)
    if not view.soaks:
        band = (
            "" if view.soak_band_K is None else f"; it counts from {temperature_range_words(*view.soak_band_K, units)}"
        )
        _at_heat(axes, 0.5 * (span.from_s + span.to_s), f"no soak yet{band}")


def _at_heat(axes: Axes, middle_s: float, words: str) -> None:
    axes.text(
        middle_s,
        0.07,
        words,
        transform=blended_transform_factory(axes.transData, axes.transAxes),
        ha="center",
        va="bottom",
        fontsize=look.TEXT_PT,
        fontweight="bold",
        color=look.SOAK_EDGE,
        zorder=6,
        bbox={"facecolor": look.PAPER, "edgecolor": "none", "pad": 1.0, "alpha": 0.85},
    )


def _lane_share(axes: Axes) -> float:
    """Where the strip of the stages begins, as a share of the panel's height: it is as high as its letters."""
    figure = axes.get_figure(root=True)
    assert figure is not None
    height_pt = axes.get_position().height * figure.get_figheight() * 72.0
    return float(1.0 - max(0.065, LANE_PT / height_pt))


def _stage_lane(axes: Axes, stages: tuple[Span, ...], span: TimeSpan) -> None:
    """A strip along the top with the name of each stage; a name that does not fit is left to the text."""
    place = blended_transform_factory(axes.transData, axes.transAxes)
    low = _lane_share(axes)
    for number, stage in enumerate(stages):
        from_s, to_s = max(stage.from_s, span.from_s), min(stage.to_s, span.to_s)
        if to_s <= from_s:
            continue
        axes.fill_between(
            [from_s, to_s],
            low,
            1.0,
            transform=place,
            color=look.STAGE_FILLS[number % len(look.STAGE_FILLS)],
            linewidth=0,
            zorder=5,
        )
        room_pt = panel_width_pt(axes) * (to_s - from_s) / span.length_s
        if room_pt > width_pt(stage.name, look.SMALL_PT) + 4.0:
            axes.text(
                0.5 * (from_s + to_s),
                0.5 * (low + 1.0),
                stage.name,
                transform=place,
                ha="center",
                va="center_baseline",
                fontsize=look.SMALL_PT,
                zorder=6,
            )


def _gaps_named(axes: Axes, gaps: tuple[Span, ...], span: TimeSpan, room_pt: float = 22.0) -> tuple[Span, ...]:
    """The gaps whose names find room beside each other, the longest first."""
    room_s = room_pt / panel_width_pt(axes) * span.length_s
    named: list[Span] = []
    for gap in sorted(gaps, key=lambda gap: gap.from_s - gap.to_s)[:MOST_GAPS_NAMED]:
        middle_s = 0.5 * (gap.from_s + gap.to_s)
        if all(abs(middle_s - 0.5 * (other.from_s + other.to_s)) > room_s for other in named):
            named.append(gap)
    return tuple(named)


def _gap(axes: Axes, gap: Span, span: TimeSpan, named: bool) -> None:
    axes.axvspan(
        gap.from_s, gap.to_s, facecolor=look.GAP_FILL, edgecolor=look.FAINT_INK, hatch="////", linewidth=0.6, zorder=1
    )
    if not named:
        return
    narrow = (gap.to_s - gap.from_s) < 0.22 * span.length_s
    axes.text(
        0.5 * (gap.from_s + gap.to_s),
        0.42,
        f"{gap.name or 'no reading'}, {duration_words(gap.to_s - gap.from_s)}",
        transform=blended_transform_factory(axes.transData, axes.transAxes),
        rotation=90 if narrow else 0,
        ha="center",
        va="center",
        fontsize=look.SMALL_PT,
        bbox={"facecolor": look.PAPER, "edgecolor": "none", "pad": 2.0},
        zorder=6,
    )


def _between(axes: Axes, gap: GapSpan, units: DisplayUnits) -> None:
    """The courses between which the driving thermocouple must have gone while nobody looked."""
    if gap.between is None:
        return
    time_s, low_K, high_K = gap.between
    low, high = units.temperature_from_kelvin(low_K), units.temperature_from_kelvin(high_K)
    axes.fill_between(time_s, low, high, color=look.OVEN, alpha=0.3, linewidth=0, zorder=1.5)
    for edge in (low, high):
        axes.plot(time_s, edge, color=look.OVEN, linewidth=0.9, zorder=1.6)


def _numbered(axes: Axes, number: int, mark: Mark, sign_s: float) -> None:
    """A numbered sign at ``sign_s`` [s], on a thin line that goes down at the mark's own moment."""
    place = blended_transform_factory(axes.transData, axes.transAxes)
    sign = look.SIGNS[mark.severity]
    at = _lane_share(axes) - 0.065
    axes.plot(
        [sign_s, mark.time_s, mark.time_s],
        [at, at - 0.07, 0.0],
        transform=place,
        color=sign.colour,
        linewidth=0.9,
        dashes=(1, 2),
        zorder=2,
    )
    axes.plot(
        [sign_s],
        [at],
        transform=place,
        marker=sign.marker,
        markersize=18 if sign.marker == "^" else 16,
        color=sign.colour,
        zorder=7,
        clip_on=False,
    )
    axes.text(
        sign_s,
        at - 0.008 if sign.marker == "^" else at,
        str(number),
        transform=place,
        ha="center",
        va="center_baseline",
        fontsize=look.SMALL_PT,
        fontweight="bold",
        color=look.PAPER,
        zorder=8,
    )


def _apart(axes: Axes, times_s: list[float], span: TimeSpan, room_pt: float = 19.0) -> list[float]:
    """Moments [s] in order, moved just so far that signs there do not cover each other."""
    room_s = room_pt / panel_width_pt(axes) * span.length_s
    placed: list[float] = []
    earliest_s, latest_s = span.from_s + 0.4 * room_s, span.to_s - 0.4 * room_s
    for time_s in times_s:
        placed.append(max(time_s, earliest_s))
        earliest_s = placed[-1] + room_s
    for number in reversed(range(len(placed))):
        placed[number] = min(placed[number], latest_s)
        latest_s = placed[number] - room_s
    return placed
