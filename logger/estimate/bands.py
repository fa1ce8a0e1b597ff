"""Band: what an ensemble says of one quantity, as its median with the limits that hold it nine times in ten."""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from logger.sheet_parts import Target
from logger.units import FloatArray

LEVELS = (0.05, 0.5, 0.95)

Band = tuple[float, float, float]
"""5, 50 and 95 % of a quantity, in its own unit; NaN where there is none."""

UNKNOWN: Band = (float("nan"),) * 3


def band(values: FloatArray) -> Band:
    """5, 50 and 95 % of members' values, shape (m,), in their own unit [any]; members without a value do not count.

    Source    as `quantiles`
    """
    known = values[np.isfinite(values)]
    if not known.size:
        return UNKNOWN
    low, middle, high = quantiles(known).tolist()
    return (low, middle, high)


def quantiles(values: FloatArray) -> FloatArray:
    """5, 50 and 95 % of members' values (m, ...), all finite, in their own unit [any]: shape (3, ...).

    numpy's own is ten times as slow on so few, and loads its masked arrays for them: a daemon asks it all day long.

    Source    quantile at p (m + 1) (W. Weibull 1939, from memory): a further member lies within 5 and 95 % nine times
              in ten, however few members there are
    """
    ranked = np.sort(values, axis=0)
    place = np.minimum(np.maximum(np.array(LEVELS) * (len(ranked) + 1) - 1.0, 0.0), len(ranked) - 1.0)
    below = np.minimum(place.astype(np.int64), max(len(ranked) - 2, 0))
    part = (place - below).reshape(-1, *(1,) * (ranked.ndim - 1))
    above = np.minimum(below + 1, len(ranked) - 1)
    result: FloatArray = ranked[below] + part * (ranked[above] - ranked[below])
    return result


class Doubt(StrEnum):
    """What a band comes from."""

    THERMOCOUPLE = "thermocouple"
    CANISTER = "canister"
    GAPS = "gaps"
    PACK = "pack"
    DIFFUSIVITY = "diffusivity law"
    START_CARBON = "starting carbon"
    TEMPERING = "tempering data"


WHAT_TO_MEASURE = {
    Doubt.THERMOCOUPLE: "check the thermocouple against a calibrated one at working heat and state the correction",
    Doubt.CANISTER: "log one run with a second thermocouple inside the canister and fit its lag",
    Doubt.GAPS: "keep the readings coming: the time without them is guessed",
    Doubt.PACK: "weigh a clean coupon before and after, or etch a cut one: it says what the pack gives",
    Doubt.DIFFUSIVITY: "etch a cut coupon of the same iron: its case depth against this one settles it",
    Doubt.START_CARBON: "have the carbon of this iron measured",
    Doubt.TEMPERING: "measure the hardness of one tempered coupon of this steel",
}
"""The next measurement that would narrow a band, by what drives it."""


@dataclass(frozen=True, slots=True)
class Driver:
    """One cause of a band: its ``share`` [-] of the scatter, 0 to 1 (members' correlation, squared)."""

    doubt: Doubt
    share: float

    @property
    def measure(self) -> str:
        """What to measure to narrow the band."""
        return WHAT_TO_MEASURE[self.doubt]


@dataclass(frozen=True, slots=True)
class Driven:
    """What the band of one quantity comes from, the strongest first; ``about`` says which quantity (its value does not
    matter)."""

    about: Target
    drivers: tuple[Driver, ...]


@dataclass(frozen=True, slots=True, eq=False)
class CarbonBands:
    """Bands of `CarbonResult`'s quantities under the same names; ``carbon_wt_pct`` is (3, points) over ``depth_m``.

    ``back_surface_wt_pct`` is None where the section ends at a mid-plane or an axis.

    ``melted_share`` of the members [-] have melted. Where that is neither few nor nearly all, ``apart_wt_pct`` are the
    bands (3, points) of those that have not and of those that have: between the two there is next to nothing.
    """

    surface_wt_pct: Band
    back_surface_wt_pct: Band | None
    core_wt_pct: Band
    mean_wt_pct: Band
    start_wt_pct: Band
    gain_kg_per_m2: Band
    case_depth_m: dict[float, Band]
    case_depth_over_core_004_m: Band
    case_depth_over_core_007_m: Band
    grind_depth_m: Band
    carbide_depth_m: Band
    carbide_depth_now_m: Band
    liquid_depth_m: Band
    liquid_depth_now_m: Band
    skin_depth_m: Band
    margin_to_solidus_K: Band
    depth_m: FloatArray
    carbon_wt_pct: FloatArray
    melted_share: float
    apart_wt_pct: tuple[FloatArray, FloatArray] | None = None


@dataclass(frozen=True, slots=True)
class TemperingBands:
    """Bands of a temper. The parameter's holds for the constant stated beside it, the equivalent time's varies it."""

    parameter_K: Band
    equivalent_time_s: Band
    hardness_HRC: Band


@dataclass(frozen=True, slots=True, eq=False)
class SectionBands:
    """Bands of the quenched section: hardness [HRC] (3, points) over ``depth_m``, ``tempered_HRC`` None untempered,
    the most retained austenite anywhere [-], and the depths to 550 HV and to 50 HRC as quenched [m]."""

    depth_m: FloatArray
    quenched_HRC: FloatArray
    tempered_HRC: FloatArray | None
    retained_austenite: Band
    depth_550_hv_m: Band
    depth_50_hrc_m: Band


@dataclass(frozen=True, slots=True)
class GapCase:
    """What the run comes to with one course of the oven through its gaps, all else nominal; NaN where there is none."""

    peak_K: float
    soak_s: float
    equivalent_time_s: float
    surface_wt_pct: float
    core_wt_pct: float
    mean_wt_pct: float
    case_depth_m: dict[float, float]
    liquid_depth_m: float
    tempering_parameter_K: float
    hardness_HRC: float


@dataclass(frozen=True, slots=True)
class GapCases:
    """The run with the oven off in every gap (``low``) and kept on (``high``); the nominal run lies between."""

    low: GapCase
    high: GapCase


@dataclass(frozen=True, slots=True, eq=False)
class Bands:
    """Bands at run time ``time_s`` [s] from so many ``members``.

    ``targets`` are those of the sheet's targets in order, in each target's own unit; ``drivers`` say what the bands of
    the quantities that matter come from. ``melted_share`` of the members have molten at some time. ``gap_cases`` say
    what the gaps alone may have changed; None where there is none but short ones.
    """

    time_s: float
    members: int
    steel_temperature_K: Band
    peak_K: Band
    equivalent_time_s: Band
    soak_s: Band
    carbon: CarbonBands
    tempering: TemperingBands | None
    targets: tuple[Band, ...]
    drivers: tuple[Driven, ...]
    section: SectionBands | None = None
    gap_cases: GapCases | None = None
