"""How alike the load's thermocouples were in each soak: in words, and as plain values for programs."""

from typing import Any

from logger.estimate.soak import Uniformity
from logger.units import DisplayUnits, celsius_from_kelvin, hours_from_seconds
from logger.views.wording import duration_words, temperature_difference_words, temperature_words


def uniformity_words(of: Uniformity, units: DisplayUnits) -> str:
    """One soak's thermocouples as a sentence."""
    means = ", ".join(f"{name} {temperature_words(mean_K, units)}" for name, mean_K in of.mean_K.items())
    return (
        f"Thermocouples in the load: {means} on average; {of.coldest} the coldest; at most "
        f"{temperature_difference_words(of.widest_K, units)} apart; all in the band at once for "
        f"{duration_words(of.in_band_together_s)}."
    )


def uniformity_object(of: Uniformity) -> dict[str, Any]:
    """One soak's thermocouples for programs."""
    return {
        "soak_start_s": of.start_s,
        "mean_C": {name: float(celsius_from_kelvin(mean_K)) for name, mean_K in of.mean_K.items()},
        "coldest": of.coldest,
        "hottest": of.hottest,
        "widest_C": of.widest_K,
        "all_in_band_h": hours_from_seconds(of.in_band_together_s),
        "all_in_band_from_s": of.together_from_s,
    }
