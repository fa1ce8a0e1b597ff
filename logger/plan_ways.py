"""Ways: on a plan's map, the quickest way to what is wished for at every temperature, and what counts as getting there.

A way is only a proposal: the map ends with the hold, and its curves are drawn between moments. `logger.plan` lives
through it before anybody is told.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from logger.estimate.carbon_result import GRAIN_GROWTH_S, NETWORK_WT_PCT
from logger.plan_map import Outcomes, PlanMap, Tell, plan_map
from logger.sheet import RunSheet
from logger.thermocouple import Thermocouple
from logger.units import DisplayUnits, FloatArray, kelvin_from_celsius, kelvin_from_fahrenheit
from logger.wishes import Wishes

COOLEST_K = kelvin_from_celsius(800.0)
"""Colder than this no carbon worth the fuel goes in (common practice, no source: useful from 800 C)."""

HOTTEST_TRIED_K = kelvin_from_celsius(1130.0)
"""The map goes to here even where the shop allows less, to say what a hotter oven would do."""

LONGEST_TRIED, LEAST_LONGEST_S = 3.0, 48.0 * 3600.0
"""The map goes on for this many times the longest hold, and at least so long, to say what a longer one would do."""


FINE = 60
"""Times between the map's moments at which its curves are looked at."""

MAP_SLACK = 1.08
"""On the map a bound on carbon may be passed by so much (our choice): living through the program decides."""


def map_of(
    sheet: RunSheet, thermocouple: Thermocouple, wishes: Wishes, level: float, longest_s: float, tell: Tell
) -> PlanMap:
    """The map over everything the shop allows, and some way beyond it."""
    hottest_K = max(HOTTEST_TRIED_K, wishes.hottest_K)
    temperature_K = round_temperatures_K(sheet.display, COOLEST_K, hottest_K, wishes.hottest_K)
    evens_out = wishes.surface_at_most_wt_pct is not None or wishes.no_network
    return plan_map(
        sheet, thermocouple, temperature_K, longest_s, wishes.climb_K_per_s, level, branches=evens_out, tell=tell
    )


def round_temperatures_K(units: DisplayUnits, low_K: float, high_K: float, also_K: float) -> FloatArray:
    """Temperatures [K] from ``low_K`` to ``high_K`` that are round numbers to whoever sets the oven, and ``also_K``."""
    step = 20.0 if units.temperature == "C" else 40.0
    low, high = (units.temperature_from_kelvin(end_K) for end_K in (low_K, high_K))
    shown = np.arange(step * np.ceil(low / step - 1e-6), high + 1e-6, step)
    back = kelvin_from_celsius(shown) if units.temperature == "C" else kelvin_from_fahrenheit(shown)
    return np.unique(np.append(back, also_K))


def reached(wishes: Wishes, of: Outcomes) -> np.ndarray:
    """Where outcomes reach everything that is to be reached; an array of booleans of the outcomes' shape."""
    met = np.ones(of.mean_wt_pct.shape, dtype=bool)
    for wanted, values in _wanted(wishes, of):
        met &= values >= wanted
    return met


def within(wishes: Wishes, of: Outcomes, slack: float = 1.0) -> np.ndarray:
    """Where outcomes keep every bound; an array of booleans of the outcomes' shape.

    ``slack`` [-] is a factor on the carbon that bounds allow: the map ends with the hold, and in the pack a face loses
    some of its carbon while it cools.
    """
    kept = np.asarray(of.margin_K >= wishes.melting_margin_K)
    if wishes.surface_at_most_wt_pct is not None:
        kept = kept & (of.richest_wt_pct <= slack * wishes.surface_at_most_wt_pct)
    if wishes.no_network:
        kept = kept & (of.richest_wt_pct <= slack * NETWORK_WT_PCT)
    if wishes.fine_grain:
        kept = kept & (of.coarse_s <= GRAIN_GROWTH_S)
    return np.asarray(kept)


def _wanted(wishes: Wishes, of: Outcomes) -> list[tuple[float, FloatArray]]:
    pairs = [
        (wishes.mean_wt_pct, of.mean_wt_pct),
        (wishes.core_wt_pct, of.core_wt_pct),
        (wishes.case_depth_m, of.case_depth_m),
    ]
    return [(wanted, values) for wanted, values in pairs if wanted is not None]


def share_reached(wishes: Wishes, of: Outcomes) -> FloatArray:
    """The least part of the way to anything that is to be reached [-]; an array of the outcomes' shape."""
    return np.asarray(np.min([values / wanted for wanted, values in _wanted(wishes, of)], axis=0))


@dataclass(frozen=True, slots=True)
class Way:
    """One temperature's quickest way on the map: temperature [K], hold and diffuse stage [s], all in all [s]."""

    hold_K: float
    hold_s: float
    diffuse_s: float
    hot_s: float


def allowed(way: Way, wishes: Wishes) -> bool:
    return way.hold_K <= wishes.hottest_K + 1e-6 and way.hold_s + way.diffuse_s <= wishes.longest_s * (1.0 + 1e-9)


def ways_on(whole: PlanMap, wishes: Wishes, diffuse: bool) -> Iterator[Way]:
    """Every temperature's quickest way with and without a diffuse stage, allowed or not."""
    for row, hold_K in enumerate(whole.temperature_K):
        plain = _plain_way(whole, wishes, row)
        if plain is not None:
            yield Way(float(hold_K), plain, 0.0, float(whole.climb_s[row]) + plain)
        if not diffuse or whole.diffused is None or row >= whole.diffused.mean_wt_pct.shape[0]:
            continue
        boosted = _boosted_way(whole, wishes, row)
        if boosted is not None:
            yield Way(float(hold_K), *boosted, float(whole.climb_s[row]) + sum(boosted))


def _plain_way(whole: PlanMap, wishes: Wishes, row: int) -> float | None:
    """The hold [s] at which one temperature first reaches what is wanted, where it then keeps every bound."""
    fine = np.geomspace(whole.hold_s[0], whole.hold_s[-1], 6 * FINE)
    at = whole.held.each(lambda values: np.interp(np.log(fine), np.log(whole.hold_s), values[row]))
    met = reached(wishes, at)
    if not met.any():
        return None
    first = int(np.argmax(met))
    return float(fine[first]) if within(wishes, at, MAP_SLACK)[first] else None


def _boosted_way(whole: PlanMap, wishes: Wishes, row: int) -> tuple[float, float] | None:
    """The hold in the pack and the one without it [s] that together are shortest at one temperature."""
    assert whole.diffused is not None
    hold_s = np.geomspace(whole.branch_hold_s[0], whole.branch_hold_s[-1], FINE)
    more_s = np.geomspace(whole.branch_more_s[0], whole.branch_more_s[-1], FINE)
    boost, more = np.log(hold_s), np.log(more_s)

    def between(values: FloatArray) -> FloatArray:
        along = np.array([np.interp(more, np.log(whole.branch_more_s), line) for line in values[row]])
        return np.array([np.interp(boost, np.log(whole.branch_hold_s), column) for column in along.T]).T

    at = whole.diffused.each(between)
    met = reached(wishes, at) & within(wishes, at, MAP_SLACK)
    if not met.any():
        return None
    total = np.where(met, hold_s[:, None] + more_s[None, :], np.inf)
    place = np.unravel_index(int(np.argmin(total)), total.shape)
    return float(hold_s[place[0]]), float(more_s[place[1]])
