"""Is an oven getting weak? What each run asked of the heater, how that changes from run to run, and what it means.

The measure of an element is how many minutes at full power it takes from 200 to 600 °C, compared among runs whose
program asks for about the same rate: a slower one loses more on the way. The measure of the oven as a whole, its door,
brick and thermocouple included, is the output it needs at the end of a hold. A worn element raises both; a door, or a
thermocouple that reads low, the second alone; a bigger load the first alone. All limits are our own choice; no source.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import isfinite, nan
from typing import Final

import numpy as np

from logger.remark import Remark
from logger.units import FloatArray, kelvin_from_celsius

FROM_K: Final = kelvin_from_celsius(200.0)
TO_K: Final = kelvin_from_celsius(600.0)
"""The span of heating up that is compared: every hardening or carburizing heat goes through it."""

HOLD_WITHIN_K: Final = 6.0
"""The oven holds while it is this close to a set point that stays [K]."""

HOLD_END_S: Final = 1800.0
"""The output is averaged over the last half hour of a hold: brick and load are warm by then."""

SHORTEST_HOLD_S: Final = 2400.0
LIKE_HOLD_K: Final = 40.0
SHORTEST_ASKED_S: Final = 300.0
"""Holds are compared that differ by no more than this [K]."""

WEARING: Final = 1.15
DYING: Final = 1.30
"""Shares of the first runs' effort from which an element is called worn, and dying."""

ALIKE: Final = 1.08
"""Below this share an effort counts as unchanged."""

LIKE_RATE: Final = 1.25
"""Programs are alike whose times through the span differ by no more than this factor."""

FULL_PCT: Final = 98.0
NO_RESERVE_PCT: Final = 95.0
DRIFT_K: Final = 5.0
"""A change of this much between two thermocouples at hold is more than a calm oven makes."""

FIRST_RUNS: Final = 3
LAST_RUNS: Final = 2
FEWEST_RUNS: Final = 4
LAST_TREND_RUNS: Final = 5
LEAST_SLOPE_PCT: Final = 0.5
"""The first runs are what later ones are compared with; the last ones must agree; fewer runs than this say nothing."""


@dataclass(frozen=True, slots=True)
class HeatEffort:
    """What one run asked of the oven; NaN where it does not say.

    ``time_to_heat_s`` from 200 to 600 °C [s], ``full_power_s`` the same in time at full power [s], ``asked_s`` how long
    the set point took [s], ``hold_K`` the
    temperature of the longest hold [K] and ``hold_output_pct`` what holding took at its end [%], ``at_full_s`` the time
    without reserve [s], ``pair_K`` the second thermocouple less the first at the end of the hold [K].
    """

    run: str
    started_utc_s: float
    time_to_heat_s: float = nan
    full_power_s: float = nan
    asked_s: float = nan
    hold_K: float = nan
    hold_output_pct: float = nan
    at_full_s: float = nan
    pair_K: float = nan


class Trouble(StrEnum):
    """What a trend tells."""

    DYING_ELEMENT = "element dying"
    WORN_ELEMENT = "element wearing"
    HEATS_SLOWLY = "heats more slowly"
    HOLDS_HARDER = "holding takes more"
    HOLDS_EASIER = "holding takes less"
    PAIR_DRIFTS = "thermocouple drifting"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing a trend tells: what, in plain words, and the share [-] or the change [K] it rests on."""

    trouble: Trouble
    remark: Remark
    value: float


@dataclass(frozen=True, slots=True)
class OvenTrend:
    """The runs' efforts in time order, what the first ones took (NaN where unknown), and what has changed."""

    efforts: tuple[HeatEffort, ...]
    first_full_power_s: float
    first_hold_output_pct: float
    first_time_to_heat_s: float
    first_pair_K: float
    findings: tuple[Finding, ...]

    def share(self, effort: HeatEffort) -> float:
        """A run's full-power time as a share of what the first runs took [-]; NaN where unknown."""
        return effort.full_power_s / self.first_full_power_s


def effort(
    run: str,
    started_utc_s: float,
    time_s: FloatArray,
    temperature_K: FloatArray,
    set_point_K: FloatArray,
    output_pct: FloatArray,
    other_K: FloatArray | None = None,
) -> HeatEffort:
    """What a run asked of the oven.

    Parameters
    ----------
    run : id of the run, a bare name without unit [-]
    started_utc_s : when it began [s since 1970 UTC]
    time_s : array, shape (n,)              run time [s]
    temperature_K : array, shape (n,)       the oven's thermocouple [K]; NaN where not good
    set_point_K : array, shape (n,)         set point [K]; NaN where not known
    output_pct : array, shape (n,)          heater output [%]; NaN where not known
    other_K : array, shape (n,), or None    a second thermocouple [K]

    Returns    HeatEffort
    """
    good = np.isfinite(temperature_K)
    time_s, temperature_K, set_point_K, output_pct = (a[good] for a in (time_s, temperature_K, set_point_K, output_pct))
    if time_s.size < 2:
        return HeatEffort(run, started_utc_s)
    steps_s = np.diff(time_s, append=time_s[-1])
    steps_s = np.minimum(steps_s, 10.0 * float(np.median(np.diff(time_s))))  # a gap is not counted as heating
    at_full_s = float(steps_s[output_pct >= FULL_PCT].sum()) if np.isfinite(output_pct).any() else nan
    time_to_heat_s, full_power_s = _heating(time_s, temperature_K, output_pct, steps_s)
    last = _end_of_hold(time_s, temperature_K, set_point_K)
    hold_K = hold_output_pct = pair_K = nan
    if last is not None:
        hold_K = float(np.median(temperature_K[last]))
        output = output_pct[last][np.isfinite(output_pct[last])]
        hold_output_pct = float(output.mean()) if output.size else nan
        if other_K is not None:
            between = (other_K[good] - temperature_K)[last]
            pair_K = float(np.median(between[np.isfinite(between)])) if np.isfinite(between).any() else nan
    return HeatEffort(
        run=run,
        started_utc_s=started_utc_s,
        time_to_heat_s=time_to_heat_s,
        full_power_s=full_power_s,
        asked_s=_asked_s(time_s, set_point_K),
        hold_K=hold_K,
        hold_output_pct=hold_output_pct,
        at_full_s=at_full_s,
        pair_K=pair_K,
    )


def _heating(
    time_s: FloatArray, temperature_K: FloatArray, output_pct: FloatArray, steps_s: FloatArray
) -> tuple[float, float]:
    """Time from the lower to the upper end of the span [s], and that at full power [s]; NaN if not gone through."""
    if temperature_K[0] >= FROM_K or temperature_K.max() < TO_K:
        return nan, nan
    end = int(np.argmax(temperature_K >= TO_K))
    begin = int(np.flatnonzero(temperature_K[: end + 1] < FROM_K)[-1])
    span = slice(begin, end)
    if float(np.diff(time_s[begin : end + 1]).max()) > 10.0 * float(np.median(np.diff(time_s))):
        return nan, nan  # readings were missing on the way: how much power went in is not known
    share = output_pct[span] / 100.0
    full_power_s = float((share * steps_s[span]).sum()) if np.isfinite(share).all() else nan
    return float(time_s[end] - time_s[begin]), full_power_s


def _asked_s(time_s: FloatArray, set_point_K: FloatArray) -> float:
    """How long the set point took through the span [s]; 0 where it jumped over it, NaN where it is not known."""
    known = np.isfinite(set_point_K)
    if not known.any() or float(set_point_K[known].max()) < TO_K:
        return nan
    above = np.flatnonzero(known & (set_point_K >= TO_K))
    below = np.flatnonzero(known & (set_point_K < FROM_K))
    below = below[below < above[0]]
    begin_s = float(time_s[below[-1]]) if below.size else float(time_s[0])
    return float(time_s[above[0]]) - begin_s


def _end_of_hold(time_s: FloatArray, temperature_K: FloatArray, set_point_K: FloatArray) -> np.ndarray | None:
    """The readings in the last half hour of the longest hold; None where nothing was held."""
    holding = (np.abs(temperature_K - set_point_K) <= HOLD_WITHIN_K) & (
        np.abs(np.diff(set_point_K, prepend=set_point_K[0])) < 0.2
    )
    edges = np.flatnonzero(np.diff(np.concatenate([[False], holding, [False]]).astype(int)))
    spans = [(begin, end) for begin, end in zip(edges[::2], edges[1::2], strict=True) if end - begin > 1]
    if not spans:
        return None
    begin, end = max(spans, key=lambda span: time_s[span[1] - 1] - time_s[span[0]])
    if time_s[end - 1] - time_s[begin] < SHORTEST_HOLD_S:
        return None
    places = np.arange(begin, end)
    found: np.ndarray = places[time_s[places] >= time_s[end - 1] - HOLD_END_S]
    return found


def trend(efforts: Sequence[HeatEffort]) -> OvenTrend:
    """How the runs of one oven, in time order, have changed; findings only where the last two runs agree."""
    ordered = tuple(sorted(efforts, key=lambda one: one.started_utc_s))
    heats = _of_like_program([one for one in ordered if isfinite(one.time_to_heat_s)])
    latest_hold_K = next((one.hold_K for one in reversed(ordered) if isfinite(one.hold_output_pct)), nan)
    holds = [one for one in ordered if abs(one.hold_K - latest_hold_K) <= LIKE_HOLD_K]
    full_power = _changes([one.full_power_s for one in heats])
    hold = _changes([one.hold_output_pct for one in holds])
    slower = _changes([one.time_to_heat_s for one in heats])
    pairs = [one.pair_K for one in holds if isfinite(one.pair_K)]
    findings = [
        *_element(heats, holds, full_power, hold, slower),
        *_holding(holds, full_power, hold),
        *_drift(pairs),
    ]
    first_pair_K = float(np.median(pairs[:FIRST_RUNS])) if pairs else nan
    return OvenTrend(ordered, full_power[0], hold[0], slower[0], first_pair_K, tuple(findings))


def _of_like_program(heats: Sequence[HeatEffort]) -> list[HeatEffort]:
    """The heats whose program goes through the span about as fast as that of the latest.

    A heat without reserve counts whatever its set point did: many programs wait for an oven that cannot follow.
    """
    followed = [one for one in heats if isfinite(one.asked_s) and not one.at_full_s >= SHORTEST_ASKED_S]
    if not followed:
        return list(heats)
    latest_s = max(followed[-1].asked_s, SHORTEST_ASKED_S)

    def alike(one: HeatEffort) -> bool:
        ratio = max(one.asked_s, SHORTEST_ASKED_S) / latest_s
        return one not in followed or 1.0 / LIKE_RATE <= ratio <= LIKE_RATE

    return [one for one in heats if alike(one)]


def _changes(values: Sequence[float]) -> tuple[float, float]:
    """Median of the first runs, and the smaller share of it that the last runs took; NaN where too few say."""
    known = [value for value in values if isfinite(value)]
    if not known:
        return nan, nan
    first = float(np.median(known[:FIRST_RUNS]))
    if len(known) < FEWEST_RUNS or first <= 0.0:
        return first, nan
    return first, min(known[-LAST_RUNS:], key=lambda value: abs(value / first - 1.0)) / first


def _element(
    heats: Sequence[HeatEffort],
    holds: Sequence[HeatEffort],
    full_power: tuple[float, float],
    hold: tuple[float, float],
    slower: tuple[float, float],
) -> list[Finding]:
    first_s, share = full_power
    grown_load = isfinite(hold[1]) and hold[1] < ALIKE  # heating up takes more, holding does not
    if isfinite(share) and share >= WEARING and not grown_load:
        dying = share >= DYING
        last = next(one for one in reversed(heats) if isfinite(one.full_power_s))
        said = ["From {from_K} to {to_K} the last heats took {more} % more at full power than the first ones"]
        said.append(" ({last_min} min in the last, {first_min} min at first)")
        if isfinite(hold[1]) and holds:
            said.append(", and holding takes {hold_pct} % output instead of {first_pct} %")
        said.append(". ")
        said.append(
            "An element is dying: have its resistance measured, cold and with the breaker off, and have it replaced "
            "before it fails in a heat."
            if dying
            else "An element is wearing: have its resistance measured, cold and with the breaker off, and keep a spare."
        )
        left = _runs_left(holds)
        if left is not None:
            said.append(" If it goes on like this, in about {runs} more runs the oven no longer holds {hold_K}.")
        remark = Remark(
            "".join(said),
            from_K=FROM_K,
            to_K=TO_K,
            more=f"{100.0 * (share - 1.0):.0f}",
            last_min=f"{last.full_power_s / 60.0:.0f}",
            first_min=f"{first_s / 60.0:.0f}",
            hold_pct=f"{holds[-1].hold_output_pct:.0f}" if holds else "",
            first_pct=f"{hold[0]:.0f}",
            runs=str(left),
            hold_K=holds[-1].hold_K if holds else nan,
        )
        return [Finding(Trouble.DYING_ELEMENT if dying else Trouble.WORN_ELEMENT, remark, share)]
    if not isfinite(share) and isfinite(slower[1]) and slower[1] >= WEARING:
        remark = Remark(
            "From {from_K} to {to_K} the last heats took {more} % longer than the first ones. The record has no heater "
            "output to tell why: a slower program, a bigger load, low mains voltage or a worn element. Log the output, "
            "too.",
            from_K=FROM_K,
            to_K=TO_K,
            more=f"{100.0 * (slower[1] - 1.0):.0f}",
        )
        return [Finding(Trouble.HEATS_SLOWLY, remark, slower[1])]
    return []


def _runs_left(holds: Sequence[HeatEffort]) -> int | None:
    """How many more runs until there is no reserve left at hold, if it goes on like this; None: no end in sight."""
    known = [one.hold_output_pct for one in holds if isfinite(one.hold_output_pct)][-LAST_TREND_RUNS:]
    if len(known) < FIRST_RUNS:
        return None
    slopes = [(later - known[a]) / (b - a) for b, later in enumerate(known) for a in range(b)]
    slope = float(np.median(slopes))
    return max(int((NO_RESERVE_PCT - known[-1]) / slope), 0) if slope > LEAST_SLOPE_PCT else None


def _holding(holds: Sequence[HeatEffort], full_power: tuple[float, float], hold: tuple[float, float]) -> list[Finding]:
    first_pct, share = hold
    heats_alike = not isfinite(full_power[1]) or full_power[1] < ALIKE
    if not isfinite(share) or not heats_alike or 1.0 / WEARING < share < WEARING:
        return []
    numbers = {"last": f"{holds[-1].hold_output_pct:.0f}", "first": f"{first_pct:.0f}"}
    if share >= WEARING:
        remark = Remark(
            "Holding takes {last} % output, {first} % at first, though heating up takes no more. The door seal or the "
            "brick lets out more heat, or the thermocouple reads low and the oven is hotter than it says: compare it "
            "with a fresh one at working heat.",
            **numbers,
        )
        return [Finding(Trouble.HOLDS_HARDER, remark, share)]
    remark = Remark(
        "Holding takes {last} % output, {first} % at first. If nothing was changed, the thermocouple reads high and "
        "the oven is colder than it says: compare it with a fresh one at working heat.",
        **numbers,
    )
    return [Finding(Trouble.HOLDS_EASIER, remark, share)]


def _drift(pairs: Sequence[float]) -> list[Finding]:
    if len(pairs) < FEWEST_RUNS:
        return []
    first_K = float(np.median(pairs[:FIRST_RUNS]))
    change_K = min((pair - first_K for pair in pairs[-LAST_RUNS:]), key=abs)
    if abs(change_K) < DRIFT_K:
        return []
    remark = Remark(
        "At the end of a hold the second thermocouple reads {change_diff_K} {way} against the first than in the first "
        "runs: one of them drifts. Compare both with a fresh one at working heat, and replace the one that is off.",
        change_diff_K=abs(change_K),
        way="higher" if change_K > 0.0 else "lower",
    )
    return [Finding(Trouble.PAIR_DRIFTS, remark, change_K)]
