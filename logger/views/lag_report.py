"""A canister's fitted lag as a person reads it, and as one JSON object for programs."""

import textwrap
from dataclasses import dataclass
from typing import Any

from logger.estimate.lag_fit import PRIOR_SPREADS, LagFit
from logger.thermocouple import ThermocoupleCaution
from logger.thermocouple_pair import PairComparison
from logger.units import DisplayUnits, celsius_from_kelvin, hours_from_seconds, kelvin_from_celsius
from logger.views.text import TEXT_LETTERS, table
from logger.views.thermocouple_words import comparison_object, comparison_words
from logger.views.wording import duration_words, temperature_difference_words, temperature_words

FACTORS = {
    "conductivity": "the pack conducts",
    "exchange": "the wall takes heat from the oven",
    "steel": "the inside is steel",
}


HALT_DUE_K = (kelvin_from_celsius(727.0), kelvin_from_celsius(750.0))
"""Where steel halts at its transformation on heating: A1 at 727 C, a little later where it is heated fast (common
practice, no source)."""

HALT_SLACK_K = 10.0
"""What two good type K thermocouples may differ by there (ASTM E230 standard tolerance, 0.75 %, and some noise)."""


@dataclass(frozen=True, slots=True, eq=False)
class LagReport:
    """A fit, what it was made from (``heat`` in words, the names of the ``oven`` and ``inside`` channels), what the two
    thermocouples say about each other, and the ``block`` of TOML the fit proposes."""

    heat: str
    oven: str
    inside: str
    fit: LagFit
    comparison: PairComparison
    cautions: tuple[ThermocoupleCaution, ...]
    block: str
    has_lag: bool


def remark_of(report: LagReport, units: DisplayUnits) -> str:
    """What the block says about itself."""
    rms, worst = (
        temperature_difference_words(miss_K, units) for miss_K in (report.fit.fitted.rms_K, report.fit.fitted.worst_K)
    )
    return f'{report.heat}, "{report.oven}" and "{report.inside}": misses {rms} (rms), {worst} at worst'


def lag_text(report: LagReport, units: DisplayUnits) -> str:
    """The proposal, what it misses, and what else to know before believing it."""
    fit = report.fit
    lag = fit.lag
    now = "with the sheet's lag" if report.has_lag else "with the usual"
    rows = [
        (words, f"{getattr(lag, name):.2f} times the usual", f"{getattr(lag, f'{name}_spread'):.0%}", f"{usual:.0%}")
        for (name, words), usual in zip(FACTORS.items(), PRIOR_SPREADS.values(), strict=True)
    ]
    misses = [
        ("rms", *(temperature_difference_words(miss.rms_K, units) for miss in (fit.fitted, fit.before))),
        ("at worst", *(temperature_difference_words(miss.worst_K, units) for miss in (fit.fitted, fit.before))),
    ]
    blocks = [
        f'Lag of the canister from {report.heat}: "{report.oven}" in the oven, "{report.inside}" inside',
        "What the heat says\n" + _indented(table(("", "found", "within", "known before within"), rows)),
        "What the model misses of the inner thermocouple\n" + _indented(table(("", "as proposed", now), misses)),
        "At heat inside\n"
        + _indented(
            f"measured {duration_words(fit.at_heat_s)}; modelled {duration_words(fit.fitted.at_heat_s)} as proposed, "
            f"{duration_words(fit.before.at_heat_s)} {now}"
        ),
        _halt(fit, units),
        "The two thermocouples\n" + "\n".join(_paragraph(words) for words in _thermocouples(report, units)),
        "Proposed for the run sheet\n" + _indented(report.block),
    ]
    return "\n\n".join(blocks)


def _halt(fit: LagFit, units: DisplayUnits) -> str:
    """The check against the steel's own transformation."""
    low, high = (f"{units.temperature_from_kelvin(limit_K):.0f}" for limit_K in HALT_DUE_K)
    due = f"{low} to {high} {units.temperature}"
    if fit.arrest is None:
        words = f"none seen: a slow or noisy heat hides it. Seen, it stands at {due} where the tip touches the steel."
    else:
        at = temperature_words(fit.arrest.temperature_K, units)
        words = f"seen at {at}, {fit.arrest.time_s / 3600.0:.1f} h; the steel's transformation puts it at {due}."
        if not HALT_DUE_K[0] - HALT_SLACK_K <= fit.arrest.temperature_K <= HALT_DUE_K[1] + HALT_SLACK_K:
            words += " Check the inner thermocouple: it reads wrong, or does not touch the steel."
    return "Halt of the inner trace on heating\n" + _paragraph(words)


def _thermocouples(report: LagReport, units: DisplayUnits) -> list[str]:
    return [comparison_words(report.comparison, units), *(f"! {one.text}" for one in report.cautions)]


def _paragraph(words: str) -> str:
    return textwrap.fill(words, TEXT_LETTERS, initial_indent="  ", subsequent_indent="    ")


def _indented(words: str) -> str:
    return textwrap.indent(words, "  ")


def lag_object(report: LagReport, written: list[str]) -> dict[str, Any]:
    """The fit for programs; ``written`` are the files the block went into."""
    fit = report.fit
    arrest = fit.arrest
    return {
        "heat": report.heat,
        "oven_channel": report.oven,
        "inside_channel": report.inside,
        "lag": {
            **{name: getattr(fit.lag, name) for name in FACTORS},
            **{f"{name}_spread": getattr(fit.lag, f"{name}_spread") for name in FACTORS},
            "correlation": list(fit.lag.correlation),
        },
        "misses": {
            "rms_C": fit.fitted.rms_K,
            "worst_C": fit.fitted.worst_K,
            "before_rms_C": fit.before.rms_K,
            "before_worst_C": fit.before.worst_K,
        },
        "at_heat_inside_h": {
            "measured": hours_from_seconds(fit.at_heat_s),
            "modelled": hours_from_seconds(fit.fitted.at_heat_s),
            "before": hours_from_seconds(fit.before.at_heat_s),
        },
        "halt": None
        if arrest is None
        else {"at_s": arrest.time_s, "at_C": celsius_from_kelvin(arrest.temperature_K), "pace": arrest.pace},
        "thermocouples": comparison_object(report.comparison),
        "cautions": [{"name": one.name, "text": one.text} for one in report.cautions],
        "toml": report.block,
        "written_to": written,
    }
