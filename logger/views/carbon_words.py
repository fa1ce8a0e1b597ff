"""What the carbon in a piece means, in the person's units: warnings in words, and the limits drawn into a profile."""

import numpy as np

from logger.estimate.carbon_result import GRAIN_GROWTH_K, GRIND_WT_PCT, CarbonResult, CarbonWarning, CarbonWarningKind
from logger.steel.phase_limits import (
    A1_K,
    EUTECTIC_K,
    EUTECTOID_WT_PCT,
    HIGHEST_K,
    cementite_line_wt_pct,
    liquidus_wt_pct,
    solidus_wt_pct,
)
from logger.units import DisplayUnits
from logger.views.series import CarbonLimit
from logger.views.wording import duration_words, length_words, temperature_difference_words, temperature_words

SHALLOWEST_MELT_M = 5e-6
"""Less than this is shown as 0.00 mm."""

IMPURITIES = (
    "Phosphorus, sulphur and silicon in old iron lower the melting further: take this margin as the most there is."
)


def warning_words(warning: CarbonWarning, carbon: CarbonResult, units: DisplayUnits) -> str:
    """A warning in the person's units; one without lengths and temperatures is as the estimate says it."""
    kinds = CarbonWarningKind
    match warning.kind:
        case kinds.MOLTEN:
            begun = carbon.liquid_depth_now_m < SHALLOWEST_MELT_M
            where = "at the very face" if begun else f"to {length_words(carbon.liquid_depth_now_m, units)}"
            return (
                f"Molten now {where}: the skin is turning to cast iron. Lower the heat slowly at the oven and do not "
                "move the canister."
            )
        case kinds.HAS_MELTED:
            depth = length_words(carbon.liquid_depth_m, units)
            return f"The skin has melted to {depth} and is cast iron now: grind it off."
        case kinds.NEAR_MELTING:
            margin = f"{temperature_difference_words(carbon.margin_to_solidus_K, units)} below its solidus"
            if carbon.margin_to_solidus_wt_pct is not None:
                margin += f", {carbon.margin_to_solidus_wt_pct:.2f} % C short of melting at this temperature"
            return f"Approaching melting: the richest steel is {margin}. {IMPURITIES}"
        case kinds.NETWORK:
            depth = length_words(carbon.network_depth_m, units)
            return (
                f"Carbide network likely on slow cooling: above {EUTECTOID_WT_PCT:.2f} % C to {depth}. Diffuse, or "
                "normalize before hardening."
            )
        case kinds.GRAIN_GROWTH:
            line = temperature_words(GRAIN_GROWTH_K, units)
            return f"Grain growth: {duration_words(warning.duration_s)} above {line}. Normalize before hardening."
    return warning.words


def profile_limits(hottest_K: float, units: DisplayUnits) -> tuple[CarbonLimit, ...]:
    """The carbon contents [wt%] that matter in a piece whose hottest temperature [K] was this one.

    A_cm at that temperature, or above the eutectic the carbon at which melting begins and is complete, and the
    eutectic itself; always the line above which steel is ground off.
    """
    limits = [CarbonLimit(GRIND_WT_PCT, "brittle above this: grind off")]
    if not A1_K < hottest_K <= HIGHEST_K:
        return tuple(limits)
    hottest = np.array([hottest_K])
    at = f"at {temperature_words(hottest_K, units)}"
    if hottest_K <= EUTECTIC_K:
        limits.append(CarbonLimit(float(cementite_line_wt_pct(hottest)[0]), f"A_cm {at}: carbide above this"))
        return tuple(limits)
    eutectic_wt_pct = float(liquidus_wt_pct(np.array([EUTECTIC_K]))[0])
    limits.append(CarbonLimit(float(solidus_wt_pct(hottest)[0]), f"melts above this {at}"))
    limits.append(CarbonLimit(eutectic_wt_pct, "eutectic: cast iron"))
    return tuple(limits)
