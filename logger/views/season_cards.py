"""A season of runs at a glance: for each run one card with its small picture and what came of it, the worst first."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Any

from logger.alert_rules import Severity
from logger.oven_trend import DYING, WEARING, OvenTrend
from logger.sheet_parts import Quantity
from logger.situation import SeasonRun
from logger.units import DisplayUnits, metres_from_millimetres, seconds_from_hours
from logger.views.contract import UNITS, review_object
from logger.views.snapshot import quantity_words
from logger.views.wording import date_words, duration_words, known, length_words

SHORTEST_GAP_S = 300.0
"""Shorter stretches without readings are left to the report (our choice)."""


@dataclass(frozen=True, slots=True)
class Flag:
    """One thing about a run that a person should see, in a few words."""

    severity: Severity
    words: str


@dataclass(frozen=True, slots=True, eq=False)
class Card:
    """One run on the season's page."""

    number: int
    run: SeasonRun
    contract: dict[str, Any]
    date: str
    flags: tuple[Flag, ...]

    @property
    def worst(self) -> Severity:
        """The most serious of its flags."""
        return max((flag.severity for flag in self.flags), key=lambda severity: severity.rank)


def cards_of(
    runs: Sequence[SeasonRun], trends: dict[str, OvenTrend], units: DisplayUnits, zone: tzinfo | None = None
) -> tuple[Card, ...]:
    """The cards of a season, in time order."""
    cards = []
    for number, run in enumerate(runs, start=1):
        contract = review_object(run.situation)
        flags = (*_heat_flags(contract, units), *_oven_flags(run, trends.get(run.situation.oven)))
        found = flags or (Flag(Severity.NEWS, "as wanted" if contract["targets"] else "no target stated"),)
        cards.append(Card(number, run, contract, date_words(run.effort.started_utc_s, zone), found))
    return tuple(cards)


def _heat_flags(contract: dict[str, Any], units: DisplayUnits) -> list[Flag]:
    flags = []
    carbon = contract["carbon"] or {}
    if carbon.get("liquid_depth_mm"):
        depth = length_words(metres_from_millimetres(carbon["liquid_depth_mm"]), units)
        flags.append(Flag(Severity.DANGER, f"skin melted to {depth}"))
    for target in contract["targets"]:
        flag = _target_flag(target, units)
        if flag is not None:
            flags.append(flag)
    if contract["thermal"]["peak_C"] is None:
        flags.append(Flag(Severity.WARNING, "no readings"))
    longest_s = max(
        (gap["end_s"] - gap["start_s"] for gap in contract["thermal"]["gaps"] if not gap["bridged"]), default=0.0
    )
    if longest_s >= SHORTEST_GAP_S:
        flags.append(Flag(Severity.WARNING, f"{duration_words(longest_s)} without readings"))
    if not contract["finished"]:
        flags.append(Flag(Severity.NEWS, "still going"))
    return flags


def _target_flag(target: dict[str, Any], units: DisplayUnits) -> Flag | None:
    if target["limit"] != target["reached"]:
        return None
    quantity = Quantity(target["quantity"])

    def words(value: float | None) -> str:
        if value is None:
            return "none"
        if UNITS[quantity] == "mm":
            return quantity_words(quantity, metres_from_millimetres(value), units)
        return quantity_words(quantity, seconds_from_hours(value) if UNITS[quantity] == "h" else value, units)

    if target["limit"]:
        return Flag(Severity.WARNING, f"{quantity} passed its limit of {words(target['wanted'])}")
    if quantity is Quantity.SOAK_TIME and not target["value"]:
        return Flag(Severity.WARNING, f"no soak, {words(target['wanted'])} wanted")
    name = "soak" if quantity is Quantity.SOAK_TIME else str(quantity)
    return Flag(Severity.WARNING, f"{name} short: {words(target['value'])} of {words(target['wanted'])}")


def _oven_flags(run: SeasonRun, trend: OvenTrend | None) -> list[Flag]:
    if trend is None:
        return []
    share = trend.share(run.effort)
    if not known(share) or share < WEARING:
        return []
    element = "element dying" if share >= DYING else "element wearing"
    severity = Severity.DANGER if share >= DYING else Severity.WARNING
    return [Flag(severity, f"{element}: {100.0 * (share - 1.0):.0f} % more power")]
