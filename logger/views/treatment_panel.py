"""Hardness across the section, as quenched and after the temper, each with its band."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from logger.units import DisplayUnits
from logger.views import look
from logger.views.panel import below, dress, key, label, line, on_line
from logger.views.series import SectionView
from logger.views.wording import length_words

SOFTEST_HRC = 20.0
"""The Rockwell C scale ends here."""


def draw_section(axes: Axes, view: SectionView, units: DisplayUnits) -> None:
    """Hardness across the section: what counts is the heavy line, as quenched where nothing has been tempered."""
    shown = units.length_from_metres
    dress(axes, "Hardness across the section", "HRC", "")
    axes.set_xlim(0.0, shown(float(view.depth_m[-1])))
    axes.set_ylim(SOFTEST_HRC, 72.0)
    axes.yaxis.set_major_locator(MaxNLocator(6, steps=[1, 2, 5, 10]))
    axes.xaxis.set_major_locator(MaxNLocator(6, steps=[1, 2, 5, 10]))
    below(axes, f"{units.length} from the face; right-hand end: {view.far_end}")
    strokes = look.PROFILES if view.tempered is None else (look.PROFILES[1], look.PROFILES[0])
    curves = [(view.quenched_label, view.quenched_HRC, view.quenched_band_HRC, strokes[0])]
    if view.tempered is not None:
        curves.append(("after the temper", view.tempered, view.tempered_band_HRC, strokes[1]))
    for _, hardness, band, stroke in curves:
        depth = shown(view.depth_m)
        if band is not None:
            axes.fill_between(depth, *band, color=stroke.colour, alpha=0.16, linewidth=0, zorder=2)
        line(axes, depth, hardness, stroke, zorder=3)
    key(axes, [(name, stroke) for name, _, _, stroke in curves])
    _soft(axes, view, units)
    if 0.0 < view.depth_50_hrc_m < float(view.depth_m[-1]):
        at = shown(view.depth_50_hrc_m)
        axes.plot([0.0, at], [50.0, 50.0], color=look.TARGET, linewidth=1.0, dashes=(2, 2), zorder=4)
        axes.plot([at], [50.0], marker="o", markersize=8, color=look.TARGET, zorder=5)
        words = f"50 HRC at {length_words(view.depth_50_hrc_m, units)}\nas quenched"
        left = view.depth_50_hrc_m > 0.55 * float(view.depth_m[-1])
        label(axes, at, 50.0, words, look.TARGET, offset=(-9, -32) if left else (9, 4), leftwards=left)


def _soft(axes: Axes, view: SectionView, units: DisplayUnits) -> None:
    """Where the steel is softer than the scale reaches, in words."""
    soft = np.flatnonzero(~np.isfinite(view.quenched_HRC))
    if not soft.size:
        return
    from_m, to_m = float(view.depth_m[soft[0]]), float(view.depth_m[soft[-1]])
    if to_m - from_m < 0.1 * float(view.depth_m[-1]):
        return
    axes.axvspan(*(units.length_from_metres(edge) for edge in (from_m, to_m)), facecolor=look.GAP_FILL, zorder=1)
    share = units.length_from_metres(from_m) / axes.get_xlim()[1]
    on_line(axes, 0.99 if share < 0.9 else 0.01, SOFTEST_HRC, "no number: too little carbon to harden", look.FAINT_INK)
