"""Coupon: a piece of steel that lay in the pack of a recorded run, and what was measured on it afterwards.

It was weighed, etched, hardness-tested or analysed. What a measurement cannot be is refused here.
"""

from dataclasses import dataclass, replace
from enum import StrEnum
from math import isfinite

from logger.errors import Fault, InputFault
from logger.history import History
from logger.sheet import RunSheet
from logger.sheet_limits import HIGHEST_CARBON_WT_PCT
from logger.sheet_parts import Pack, Piece, Shape
from logger.thermocouple import Thermocouple


class Kind(StrEnum):
    """What was measured."""

    WEIGHT = "weight"  # gain per area [kg/m2]
    DEPTH = "depth"  # etched case depth [m], with its criterion
    HARDNESS = "hardness"  # HRC at a depth, after a quench from a temperature
    CARBON = "carbon"  # wt% at a depth
    MEAN_CARBON = "mean carbon"  # wt% of all of it


class Criterion(StrEnum):
    """What an etched or read case depth is measured to."""

    TO_CARBON = "to a carbon"  # Measured.at_carbon_wt_pct
    CORE_004 = "core + 0.04 %"  # total case, SAE J423
    CORE_007 = "core + 0.07 %"  # total case as Harris counts it


USUAL_SPREAD = {
    Kind.WEIGHT: "0.01 g on the scale, and 2 % for the area",
    Kind.DEPTH: "0.05 mm, or 7 % if that is more",
    Kind.HARDNESS: "1.5 HRC, and 1.5 HRC for what carbon says of hardness",
    Kind.CARBON: "0.03 % C",
    Kind.MEAN_CARBON: "0.02 % C",
}
"""One-sigma errors where none is stated (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Measured:
    """One measurement on a coupon.

    ``value`` and ``spread`` (one sigma) in the kind's own unit: weight gain per area [kg/m2], depth [m], HRC, wt%.
    ``depth_m`` below the face for a hardness or a carbon; ``quenched_from_K`` for a hardness.
    """

    id: str
    kind: Kind
    value: float
    spread: float
    criterion: Criterion | None = None
    at_carbon_wt_pct: float | None = None
    depth_m: float = 0.0
    quenched_from_K: float | None = None
    words: str = ""

    def __post_init__(self) -> None:
        for fault in _faults(self):
            raise InputFault(fault)


def _faults(measured: Measured) -> list[Fault]:
    kind, value = measured.kind, measured.value
    if not (isfinite(measured.spread) and measured.spread > 0.0):
        return [Fault(f"{kind}, accuracy", f"{measured.spread:g}", "more than 0")]
    if kind is Kind.WEIGHT and not 0.0 < value < 10.0:
        found = f"{1e3 * value:.3g} g/m2" if isfinite(value) else "no number"
        why = "more than 0: a coupon that got lighter lost scale or carbon, and says nothing of the pack"
        return [Fault("weight gain", found, why)]
    if kind is Kind.DEPTH:
        if measured.criterion is None:
            return [Fault("depth", "no criterion", "what it was measured to: a carbon, core + 0.04 % or core + 0.07 %")]
        if measured.criterion is Criterion.TO_CARBON and measured.at_carbon_wt_pct is None:
            return [Fault("depth", "no carbon it was measured to", "such as 0.40 %")]
        if not 0.0 < value < 0.1:
            return [Fault("depth", f"{1e3 * value:.3g} mm", "more than 0, less than 100 mm")]
    if kind is Kind.HARDNESS:
        if measured.quenched_from_K is None:
            return [Fault("hardness", "no temperature it was quenched from", "that temperature")]
        if not 20.0 <= value <= 70.0:
            return [Fault("hardness", f"{value:g} HRC", "20 to 70 HRC")]
    if kind in (Kind.CARBON, Kind.MEAN_CARBON) and not 0.0 <= value <= 6.67:
        return [Fault("carbon", f"{value:g} %", "0 to 6.67 %")]
    return []


@dataclass(frozen=True, slots=True, eq=False)
class Coupon:
    """A coupon of a recorded run: its steel, what the run was, what was measured on it.

    run : id of the run
    sheet, history, thermocouple : that run's
    piece : the coupon: a plate of a thickness, carbon, alloy, iron lot
    measured : what was found
    """

    run: str
    sheet: RunSheet
    history: History
    thermocouple: Thermocouple | None
    piece: Piece
    measured: tuple[Measured, ...]

    @property
    def pack(self) -> Pack:
        """The pack it lay in.

        Raises   InputFault    none, or one whose coefficients are stated and cannot be learned
        """
        pack = self.sheet.pack
        if pack is None or not pack.recipe or not by_the_recipe(pack):
            found = "none" if pack is None or not pack.recipe else f'"{pack.recipe}" with its numbers stated'
            expected = "a sheet that names a recipe and leaves its numbers to it: those are what is learned"
            raise InputFault(Fault(f"run {self.run}, pack", found, expected))
        return pack

    @property
    def lot(self) -> str:
        """Its lot of iron; a coupon without one is a lot of its own."""
        return self.piece.iron_lot or f"coupon of run {self.run}"


def by_the_recipe(pack: Pack) -> bool:
    """Whether a pack leaves its numbers to its recipe."""
    return (pack.carbon_activity, pack.carbon_potential_wt_pct, pack.mass_transfer_m_per_s) == (None, None, None)


def coupon_piece(sheet: RunSheet, thickness_m: float, carbon_wt_pct: float, lot: str, alloy: dict[str, float]) -> Piece:
    """A coupon as a piece.

    Parameters
    ----------
    sheet : of the run it lay in
    thickness_m : its thickness [m]
    carbon_wt_pct : its carbon before [wt%]
    lot : its lot of iron; empty: of its own
    alloy : what is known of the rest [wt%]

    Raises   InputFault    a size or a carbon no coupon has
    """
    piece = Piece(Shape.PLATE, thickness_m, carbon_wt_pct, alloy, iron_lot=lot)
    if not 0.0 <= carbon_wt_pct <= HIGHEST_CARBON_WT_PCT:
        raise InputFault(Fault("coupon, carbon", f"{carbon_wt_pct:g} %", f"0 to {HIGHEST_CARBON_WT_PCT:g} %"))
    replace(sheet, piece=piece, targets=(), correction=None)  # refuses what no sheet can have
    return piece


def coupon_sheet(coupon: Coupon) -> RunSheet:
    """The sheet of a coupon's run with the coupon on it, by the book."""
    return replace(coupon.sheet, piece=coupon.piece, targets=(), correction=None)
