"""What to say where no heat does what is wanted: how near anything comes, and what would make it possible."""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from logger.estimate.carbon_result import GRAIN_GROWTH_S, NETWORK_WT_PCT
from logger.plan_map import Outcomes, PlanMap
from logger.plan_ways import Way, allowed, map_of, reached, share_reached, ways_on, within
from logger.remark import Remark
from logger.sheet import RunSheet
from logger.sheet_parts import Piece
from logger.thermocouple import Thermocouple
from logger.units import hours_from_seconds, kelvin_from_celsius
from logger.wishes import Wishes

THINNER = (0.8, 0.65, 0.5, 0.35)
"""Parts of the thickness that are tried where the piece itself cannot be brought to what is wanted."""


def closest(whole: PlanMap, wishes: Wishes) -> Iterator[Remark]:
    """How near the shop's own bounds come to it."""
    rows = whole.temperature_K <= wishes.hottest_K + 1e-6
    longest = int(np.searchsorted(whole.hold_s, wishes.longest_s, side="right"))
    inside = whole.held.each(lambda values: values[rows][:, : max(longest, 1)])
    share = share_reached(wishes, inside)
    row, moment = np.unravel_index(int(np.argmax(share)), share.shape)
    at_K = float(whole.temperature_K[rows][row])
    parts = []
    values: dict[str, float | str] = {"hold_K": at_K, "hours": f"{hours_from_seconds(float(whole.hold_s[moment])):.3g}"}
    if wishes.mean_wt_pct is not None:
        parts.append(f"mean {inside.mean_wt_pct[row, moment]:.2f} % C of {wishes.mean_wt_pct:.2f}")
    if wishes.core_wt_pct is not None:
        parts.append(f"core {inside.core_wt_pct[row, moment]:.2f} % C of {wishes.core_wt_pct:.2f}")
    if wishes.case_depth_m is not None:
        parts.append("case {case_m} of {wanted_m}")
        values |= {"case_m": float(inside.case_depth_m[row, moment]), "wanted_m": wishes.case_depth_m}
    words = f"the furthest within {{hours}} h, at {{hold_K}}: {', '.join(parts)}"
    yield Remark(words, **values)
    if float(share[row, moment]) >= 1.0:
        yield from _passed(wishes, inside, row, moment)


def _passed(wishes: Wishes, at: Outcomes, row: np.intp, moment: np.intp) -> Iterator[Remark]:
    """Which bounds the furthest of all heats passes."""
    surface, margin_K = float(at.richest_wt_pct[row, moment]), float(at.margin_K[row, moment])
    if margin_K < wishes.melting_margin_K:
        state = "melts" if margin_K < 0.0 else "comes within {left_diff_K} of melting"
        yield Remark(f"but the skin then {state}", left_diff_K=margin_K)
    if wishes.surface_at_most_wt_pct is not None and surface > wishes.surface_at_most_wt_pct:
        yield Remark(f"but the surface then has {surface:.2f} % C, more than {wishes.surface_at_most_wt_pct:.2f}")
    if wishes.no_network and float(at.richest_wt_pct[row, moment]) > NETWORK_WT_PCT:
        yield Remark(f"but more than {NETWORK_WT_PCT:.2f} % C then leaves a carbide network on slow cooling")
    if wishes.fine_grain and float(at.coarse_s[row, moment]) > GRAIN_GROWTH_S:
        yield Remark(
            "but it is then above {line_K} for longer than the grain stands", line_K=kelvin_from_celsius(1000.0)
        )


def possible(
    sheet: RunSheet, thermocouple: Thermocouple, wishes: Wishes, level: float, whole: PlanMap
) -> Iterator[Remark]:
    """What would make it possible: each a change of one thing, found on the map or on a thinner piece's own."""
    longer = [way for way in ways_on(whole, wishes, wishes.diffuse) if way.hold_K <= wishes.hottest_K + 1e-6]
    if longer:
        way = min(longer, key=lambda way: way.hot_s)
        yield _way_remark("longer: ", way)
    hotter = [way for way in ways_on(whole, wishes, wishes.diffuse) if way.hold_s + way.diffuse_s <= wishes.longest_s]
    if hotter:
        yield _way_remark("hotter: ", min(hotter, key=lambda way: way.hold_K))
    if not wishes.diffuse:
        boosted = [way for way in ways_on(whole, wishes, True) if way.diffuse_s > 0.0 and allowed(way, wishes)]
        if boosted:
            yield _way_remark("with a diffuse stage: ", min(boosted, key=lambda way: way.hot_s))
    yield from _looser(whole, wishes)
    if longer and wishes.case_depth_m is None:
        # Carbon goes with the square root of time: no need to try what is surely too thick.
        quickest = min(longer, key=lambda way: way.hot_s)
        yield from _thinner(
            sheet, thermocouple, wishes, level, (wishes.longest_s / (quickest.hold_s + quickest.diffuse_s)) ** 0.5
        )
    elif not longer and not hotter:
        yield from _thinner(sheet, thermocouple, wishes, level)
    if not longer and not hotter:
        yield from _stronger(whole, wishes)


def _way_remark(head: str, way: Way) -> Remark:
    words = head + "about {hours} h at {hold_K}"
    values: dict[str, float | str] = {"hours": f"{hours_from_seconds(way.hold_s):.2g}", "hold_K": way.hold_K}
    if way.diffuse_s > 0.0:
        words += " in the pack, then {more} h without it"
        values["more"] = f"{hours_from_seconds(way.diffuse_s):.2g}"
    return Remark(words, **values)


def _looser(whole: PlanMap, wishes: Wishes) -> Iterator[Remark]:
    """One bound given up at a time."""
    if wishes.surface_at_most_wt_pct is not None:
        free = replace(wishes, surface_at_most_wt_pct=None)
        ways = [way for way in ways_on(whole, free, wishes.diffuse) if allowed(way, wishes)]
        if ways:
            least = _least_surface(whole, free)
            if least is not None:
                yield Remark(
                    f"with up to {least:.2f} % C at the surface instead of {wishes.surface_at_most_wt_pct:.2f}"
                )
    for name, words in (("no_network", "normalizing away the carbide network"), ("fine_grain", "refining the grain")):
        if getattr(wishes, name):
            free = replace(wishes, **{name: False})
            ways = [way for way in ways_on(whole, free, wishes.diffuse) if allowed(way, wishes)]
            if ways:
                yield _way_remark(f"by {words} afterwards: ", min(ways, key=lambda way: way.hot_s))


def _least_surface(whole: PlanMap, free: Wishes) -> float | None:
    """The least carbon at the surface [wt%] of anything allowed that reaches what is wanted."""
    rows = whole.temperature_K <= free.hottest_K + 1e-6
    kinds = [(whole.held, whole.hold_s[None, :])]
    if free.diffuse and whole.diffused is not None:
        kinds.append((whole.diffused, (whole.branch_hold_s[:, None] + whole.branch_more_s[None, :])[None]))
    found = []
    for outcomes, total_s in kinds:
        good = reached(free, outcomes) & within(free, outcomes) & (total_s <= free.longest_s)
        good &= rows[: good.shape[0]].reshape(-1, *(1,) * (good.ndim - 1))
        if good.any():
            found.append(float(outcomes.richest_wt_pct[good].min()))
    return min(found) if found else None


def _thinner(
    sheet: RunSheet, thermocouple: Thermocouple, wishes: Wishes, level: float, likely: float | None = None
) -> Iterator[Remark]:
    """The thickest of a few thinner pieces that can be brought to it; of two, where a ``likely`` part [-] is known."""
    parts = THINNER if likely is None else [part for part in THINNER if part <= 1.15 * likely][:2]
    for part in parts:
        size_m = part * sheet.piece.size_m
        case_m = wishes.case_depth_m
        if case_m is not None and case_m >= 0.5 * size_m:
            return
        piece: Piece = replace(sheet.piece, size_m=size_m)
        whole = map_of(replace(sheet, piece=piece), thermocouple, wishes, level, wishes.longest_s, lambda share: None)
        ways = [way for way in ways_on(whole, wishes, wishes.diffuse) if allowed(way, wishes)]
        if ways:
            way = min(ways, key=lambda way: way.hot_s)
            yield _way_remark_of(size_m, way)
            return


def _way_remark_of(size_m: float, way: Way) -> Remark:
    told = _way_remark("{size_m} thick instead: ", way)
    return Remark(told.template, size_m=size_m, **dict(told.values))


def _stronger(whole: PlanMap, wishes: Wishes) -> Iterator[Remark]:
    """Where not even the surface ever holds the carbon that is wanted, the pack has no more to give."""
    rows = whole.temperature_K <= wishes.hottest_K + 1e-6
    levels = (wishes.mean_wt_pct, wishes.core_wt_pct, wishes.at_carbon_wt_pct)
    wanted = max(level for level in levels if level is not None)
    if float(whole.held.surface_wt_pct[rows].max()) < wanted:
        yield Remark("a pack that gives more carbon, or stock that begins with more")
    else:
        hours = f"{hours_from_seconds(float(whole.hold_s[-1])):.0f}"
        yield Remark("longer than {hours} h at the hottest allowed, or stock that is thinner still", hours=hours)
