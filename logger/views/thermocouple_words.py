"""What two thermocouples say about each other, in words and as plain values for programs."""

from math import isfinite
from typing import Any

from logger.situation import Situation
from logger.thermocouple_pair import PairComparison, PairFinding
from logger.units import DisplayUnits
from logger.views.wording import temperature_difference_words


def comparison_words(found: PairComparison, units: DisplayUnits) -> str:
    """One comparison as a sentence."""
    both = f'"{found.first}" and "{found.second}"'
    suspect = f'"{found.suspect}"'
    allowed = f"{temperature_difference_words(found.allowed_K, units)} allowed for new wire"
    match found.finding:
        case PairFinding.TOO_FEW:
            return f"{both}: too few common readings to compare."
        case PairFinding.NOT_STEADY:
            return f"{both}: never steady together for long enough to compare."
        case PairFinding.REVERSED:
            return f"{suspect} falls while the other rises: its two wires are swapped."
        case PairFinding.SHORTED:
            return (
                f"{suspect} stays near room temperature while the other is hot: shorted in its lead, or not in there."
            )
        case PairFinding.WITHDRAWN:
            return (
                f"{suspect} dropped against the other within minutes at {found.at_s / 3600.0:.1f} h and stayed there: "
                "its tip may have been pulled into the wall."
            )
        case PairFinding.DRIFT:
            rate = temperature_difference_words(abs(found.drift_K_per_h), units)
            return f"{both} drift apart by {rate} an hour; {suspect} goes down against the other."
        case PairFinding.OFFSET:
            apart = temperature_difference_words(abs(found.difference_K), units)
            return f"{both} differ by {apart}, {allowed}; which is wrong cannot be told from here."
        case PairFinding.AGREE:
            above = "above" if found.difference_K >= 0.0 else "below"
            apart = temperature_difference_words(abs(found.difference_K), units)
            return f'When steady, "{found.second}" reads {apart} {above} "{found.first}"; {allowed}.'


def thermocouple_lines(situation: Situation) -> tuple[str, ...]:
    """Everything there is to say of a run's thermocouples: faults first, then cautions, then what agrees."""
    units = situation.problem.sheet.display
    faults = [f"! {comparison_words(one, units)}" for one in situation.comparisons if one.finding.is_fault]
    fine = [comparison_words(one, units) for one in situation.comparisons if not one.finding.is_fault]
    minded = [f'"{channel}": {one.text}' for channel, one in situation.cautions]
    return (*faults, *minded, *fine)


def thermocouples_object(situation: Situation) -> dict[str, Any]:
    """The comparisons and cautions of a run for programs."""
    return {
        "comparisons": [comparison_object(one) for one in situation.comparisons],
        "cautions": [{"channel": channel, "name": one.name, "text": one.text} for channel, one in situation.cautions],
    }


def comparison_object(found: PairComparison) -> dict[str, Any]:
    """One comparison for programs."""

    def number(value: float) -> float | None:
        return float(value) if isfinite(value) else None

    return {
        "channels": [found.first, found.second],
        "finding": str(found.finding),
        "fault": found.finding.is_fault,
        "suspect": found.suspect or None,
        "difference_C": number(found.difference_K),
        "drift_C_per_h": number(found.drift_K_per_h),
        "allowed_C": number(found.allowed_K),
        "at_s": number(found.at_s),
    }
