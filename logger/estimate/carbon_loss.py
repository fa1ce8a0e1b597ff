"""Carbon that leaves through a face: what a bared, carburized piece loses, told apart from all that only looks like it.

A face may get poorer without a loss: in a diffuse stage carbon goes inwards, in a slowly cooling pack the skin follows
the pack a little. A loss worth telling is one through an open face, that has left the outermost steel poorer than it
was, poorer than what lies under it, and below what hardens fully.
"""

from dataclasses import dataclass

import numpy as np

from logger.steel.coefficients import STEEL_DENSITY_KG_PER_M3
from logger.units import FloatArray

HARDENS_FULLY_WT_PCT = 0.6
"""Steel of this carbon still quenches to full hardness (common practice, no source): a loss down to here costs nothing.
"""

LOST_WT_PCT = 0.03
LOST_KG_PER_M2 = 1e-4
"""Less lost than this through a face is not worth a warning: 0.03 % C over 0.04 mm of skin (our choice)."""

OUTWARD_WT_PCT = 0.005
"""A face this much poorer than the cell below it is giving off carbon."""


@dataclass(frozen=True, slots=True, eq=False)
class FaceHistory:
    """What one face has been through, for each member, shape (m,).

    richest_wt_pct : the most carbon the outermost steel has had since the beginning [wt%, solver's scale]
    outward_s : seconds above A1 in which it gave off carbon
    """

    richest_wt_pct: FloatArray
    outward_s: FloatArray

    @staticmethod
    def nothing(members: int) -> "FaceHistory":
        """Before the first sample."""
        zero = np.zeros(members)
        return FaceHistory(zero, zero)

    def after(self, outermost_wt_pct: FloatArray, outward: np.ndarray, hot_s: FloatArray) -> "FaceHistory":
        """With one more step: the outermost steel at its end [wt%], whether carbon goes ``outward``, ``hot_s``.

        Each (m,), a value a member; ``hot_s`` is the step's time above A1 [s].
        """
        outward_s = self.outward_s + hot_s * outward if outward.any() else self.outward_s
        return FaceHistory(np.maximum(self.richest_wt_pct, outermost_wt_pct), outward_s)


def lost_kg_per_m2(depth_m: FloatArray, carbon_wt_pct: FloatArray) -> float:
    """Carbon [kg/m2] missing between a face and the richest steel of the half behind it, were all of that as rich.

    Parameters
    ----------
    depth_m : array, (n,)            from the face inwards [m]
    carbon_wt_pct : array, (n,)      carbon there [wt%]
    """
    half = carbon_wt_pct[: int(np.searchsorted(depth_m, 0.5 * depth_m[-1])) + 1]
    richest = int(np.argmax(half))
    missing = half[richest] - half[: richest + 1]
    return float(np.trapezoid(missing, depth_m[: richest + 1])) * STEEL_DENSITY_KG_PER_M3 / 100.0


def is_decarburized(
    depth_m: FloatArray, carbon_wt_pct: FloatArray, start_wt_pct: float, richest_wt_pct: float, outward_s: float
) -> bool:
    """Whether a face has lost carbon worth telling.

    Parameters
    ----------
    depth_m, carbon_wt_pct : arrays, (n,)   the profile from this face inwards [m], [wt%]
    start_wt_pct : what the outermost steel began with [wt%]
    richest_wt_pct : the most it has had since [wt%]
    outward_s : how long carbon has been going out through it [s]
    """
    surface = float(carbon_wt_pct[0])
    best = max(start_wt_pct, richest_wt_pct)
    poorer = best - surface > LOST_WT_PCT and surface < HARDENS_FULLY_WT_PCT
    return poorer and outward_s > 0.0 and lost_kg_per_m2(depth_m, carbon_wt_pct) > LOST_KG_PER_M2
