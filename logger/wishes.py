"""Wishes: what a heat that is still to be planned should come to, and within what bounds. Plain values in SI."""

from dataclasses import dataclass

from logger.units import SECONDS_PER_HOUR, kelvin_from_celsius


@dataclass(frozen=True, slots=True)
class Wishes:
    """What is wanted of a heat, each None where nobody asked for it.

    ``mean_wt_pct`` and ``core_wt_pct`` are to be reached [wt%], ``case_depth_m`` to ``at_carbon_wt_pct`` likewise [m];
    ``surface_at_most_wt_pct`` is not to be passed when all is done, at the surface
    or just under it [wt%]. ``no_network``: no more carbon anywhere than
    slow cooling keeps off the grain boundaries; ``fine_grain``: no longer above 1000 C than plain steel stands.
    ``melting_margin_K``: how far the richest steel must stay from melting [K].

    What the shop allows: ``hottest_K`` [K], ``longest_s`` of the oven held hot [s], ``diffuse`` whether the pack may be
    taken away for a part of it, ``climb_K_per_s`` of the oven [K/s]. For the bill, told only where stated:
    ``heating_W`` and ``holding_W`` of an electric oven [W], ``gas_kg_per_s`` of a gas-fired one [kg/s].
    """

    mean_wt_pct: float | None = None
    core_wt_pct: float | None = None
    case_depth_m: float | None = None
    at_carbon_wt_pct: float | None = None
    surface_at_most_wt_pct: float | None = None
    no_network: bool = False
    fine_grain: bool = False
    melting_margin_K: float = 40.0
    hottest_K: float = kelvin_from_celsius(1000.0)
    longest_s: float = 24.0 * SECONDS_PER_HOUR
    diffuse: bool = True
    climb_K_per_s: float = 300.0 / SECONDS_PER_HOUR
    heating_W: float | None = None
    holding_W: float | None = None
    gas_kg_per_s: float | None = None

    @property
    def reaches(self) -> bool:
        """Whether anything is to be reached at all."""
        return self.mean_wt_pct is not None or self.core_wt_pct is not None or self.case_depth_m is not None
