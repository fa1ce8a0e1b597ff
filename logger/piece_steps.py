"""What can happen to a piece of steel, as plain values in SI: one class a step, as the ledger keeps them.

Each step checks what it can by itself; whether it can happen to a certain piece is for `logger.piece` to say.
"""

from dataclasses import dataclass, field
from enum import StrEnum
from math import isfinite

from logger.errors import Fault, InputFault, RangeFault
from logger.sheet_limits import HIGHEST_CARBON_WT_PCT, LARGEST_PIECE_M, SMALLEST_PIECE_M
from logger.sheet_parts import ALLOYING_ELEMENTS, Bath, Correction, Shape, SurfaceKind
from logger.steel.pack_recipes import recipe_named
from logger.steel.phase_limits import HIGHEST_K
from logger.units import SECONDS_PER_HOUR, kelvin_from_celsius

BY_EYE_SPREAD_K = 20.0
"""One-sigma error of a heat typed in without a thermocouple (common practice, no source: a trained eye, same light)."""

LOWEST_HEAT_K, LONGEST_HEAT_S = kelvin_from_celsius(300.0), 400.0 * SECONDS_PER_HOUR
HOTTEST_TEMPER_K, COLDEST_TEMPER_K = kelvin_from_celsius(700.0), kelvin_from_celsius(60.0)
MOST_ALIKE = 500


class HeatFor(StrEnum):
    """What a heat typed in was for."""

    WELD = "weld"
    FORGE = "forge"
    EVEN_OUT = "even out"
    NORMALIZE = "normalize"
    ANNEAL = "anneal"
    CARBURIZE = "carburize"


class Finding(StrEnum):
    """What was measured on a piece."""

    HARDNESS = "hardness"  # HRC at a depth
    CARBON = "carbon"  # wt% at a depth
    MEAN_CARBON = "mean carbon"  # wt%


def _check(where: str, value: float, low: float, high: float, unit: str = "") -> None:
    """``unit`` as in `DisplayUnits.said`."""
    if not low <= value <= high:
        raise InputFault(RangeFault.of(where, value, low, high, unit, ""))


def _check_minutes(where: str, value_s: float, low_s: float, high_s: float) -> None:
    _check(where, value_s / 60.0, low_s / 60.0, high_s / 60.0, "min")


def check_steel(carbon_wt_pct: float, alloy_wt_pct: dict[str, float]) -> None:
    """Refuse carbon [wt%] or an alloy [wt% by element] no steel here has."""
    _check("carbon", carbon_wt_pct, 0.0, HIGHEST_CARBON_WT_PCT, "%")
    for element, content in alloy_wt_pct.items():
        if element not in ALLOYING_ELEMENTS:
            raise InputFault(Fault("alloy", element, f"one of {', '.join(ALLOYING_ELEMENTS)}"))
        _check(f"alloy {element}", content, 0.0, 30.0, "%")


@dataclass(frozen=True, slots=True)
class Begin:
    """A new piece of even steel: ``size_m`` is thickness or diameter; ``count`` pieces that are all alike.

    ``carbon_spread_wt_pct`` is the one-sigma error of the carbon; None: what a grade's limits leave.
    ``stated_carbon_wt_pct`` is what was stated where coupons of the ``iron_lot`` knew better; None where none did.
    """

    shape: Shape
    size_m: float
    carbon_wt_pct: float
    carbon_spread_wt_pct: float | None = None
    alloy_wt_pct: dict[str, float] = field(default_factory=dict)
    iron_lot: str = ""
    steel: str = ""
    width_m: float | None = None
    length_m: float | None = None
    count: int = 1
    stated_carbon_wt_pct: float | None = None

    def __post_init__(self) -> None:
        if self.shape is Shape.LAYERED:
            raise InputFault(Fault("shape", "layered", "plate or round; layers come from stacking and cladding"))
        size = "diameter" if self.shape is Shape.ROUND else "thickness"
        _check(size, self.size_m, SMALLEST_PIECE_M, LARGEST_PIECE_M, "m")
        check_steel(self.carbon_wt_pct, self.alloy_wt_pct)
        if self.carbon_spread_wt_pct is not None:
            _check("spread of the carbon", self.carbon_spread_wt_pct, 0.0, 0.5, "%")
        for where, length_m in (("width", self.width_m), ("length", self.length_m)):
            if length_m is not None:
                _check(where, length_m, 1e-3, 5.0, "m")
        _check("how many", self.count, 1, MOST_ALIKE)


@dataclass(frozen=True, slots=True)
class HeatRun:
    """A heat that is in the record: the piece saw the temperatures and the pack of that run.

    ``correction`` in place of the one it was watched with: what coupons had taught when the step was entered.
    """

    run: str
    correction: Correction | None = None


@dataclass(frozen=True, slots=True)
class HeatTyped:
    """A heat nobody logged: how hot, how long at heat, what lay against the faces.

    ``surface`` sealed (flux, foil, clay, or a fire without free air), open air (decarburizes), or a pack of
    ``recipe``, of a ``pack_lot`` where one is told from another. ``spread_K`` is the one-sigma error of the
    temperature, ``correction`` what coupons had taught of recipe and iron when it was entered.
    """

    purpose: HeatFor
    temperature_K: float
    duration_s: float
    surface: SurfaceKind = SurfaceKind.SEALED
    recipe: str = ""
    spread_K: float = BY_EYE_SPREAD_K
    correction: Correction | None = None
    pack_lot: str = ""

    def __post_init__(self) -> None:
        _check("temperature", self.temperature_K, LOWEST_HEAT_K, HIGHEST_K, "K")
        _check_minutes("time", self.duration_s, 1.0, LONGEST_HEAT_S)
        _check("spread of the temperature", self.spread_K, 0.0, 100.0, "difference_K")
        if (self.surface is SurfaceKind.PACK) != bool(self.recipe):
            raise InputFault(
                Fault("pack", f'"{self.recipe}" with faces {self.surface}', "a recipe for faces in a pack")
            )
        if self.recipe:
            recipe_named(self.recipe)
        elif self.pack_lot:
            raise InputFault(Fault("pack lot", f'"{self.pack_lot}"', "the recipe it is a lot of as well"))


@dataclass(frozen=True, slots=True)
class Grind:
    """Steel taken off the front and the back face [m]; off all round from a round."""

    front_m: float = 0.0
    back_m: float = 0.0

    def __post_init__(self) -> None:
        if not (isfinite(self.front_m) and isfinite(self.back_m) and min(self.front_m, self.back_m) >= 0.0):
            worst = min(self.front_m, self.back_m)
            raise InputFault(RangeFault.of("grind", worst, 0.0, LARGEST_PIECE_M, "m", ""))
        if self.front_m + self.back_m <= 0.0:
            raise InputFault(Fault("grind", "nothing", "a depth for the front, the back or both"))


@dataclass(frozen=True, slots=True)
class Part:
    """One piece in a stack, as it was after its step number ``step``; ``turned`` over, back face first."""

    piece: str
    step: int
    turned: bool = False


@dataclass(frozen=True, slots=True)
class Stack:
    """Pieces laid on each other, front to back, and joined into a new piece; ``count`` such stacks alike."""

    parts: tuple[Part, ...]
    count: int = 1

    def __post_init__(self) -> None:
        if len(self.parts) < 2:
            raise InputFault(Fault("stack", f"{len(self.parts)} piece", "at least two"))
        _check("how many", self.count, 1, MOST_ALIKE)


@dataclass(frozen=True, slots=True)
class Used:
    """Some of the alike pieces went into another piece."""

    count: int
    into: str


@dataclass(frozen=True, slots=True)
class Clad:
    """A jacket of stated steel joined to one or both faces; ``thickness_m`` on each."""

    steel: str
    thickness_m: float
    carbon_wt_pct: float
    carbon_spread_wt_pct: float | None = None
    alloy_wt_pct: dict[str, float] = field(default_factory=dict)
    front: bool = True
    back: bool = True

    def __post_init__(self) -> None:
        _check("thickness of the jacket", self.thickness_m, SMALLEST_PIECE_M, LARGEST_PIECE_M, "m")
        check_steel(self.carbon_wt_pct, self.alloy_wt_pct)
        if not (self.front or self.back):
            raise InputFault(Fault("clad", "no face", "the front, the back or both"))


@dataclass(frozen=True, slots=True)
class DrawOut:
    """Forged to another thickness or diameter; for a plate ``width_m`` if that changed too."""

    size_m: float
    width_m: float | None = None

    def __post_init__(self) -> None:
        _check("size to draw out to", self.size_m, SMALLEST_PIECE_M, LARGEST_PIECE_M, "m")
        if self.width_m is not None:
            _check("width", self.width_m, 1e-3, 5.0, "m")


@dataclass(frozen=True, slots=True)
class Fold:
    """Cut half through, turned back on itself front to front, and joined; ``times`` over, drawn out again each time."""

    times: int = 1

    def __post_init__(self) -> None:
        _check("how many folds", self.times, 1, 20)


@dataclass(frozen=True, slots=True)
class Cut:
    """Cut into equal pieces: ``pieces`` along its length, or across its width."""

    pieces: int
    across: bool = False

    def __post_init__(self) -> None:
        _check("pieces to cut into", self.pieces, 2, MOST_ALIKE)


@dataclass(frozen=True, slots=True)
class Quench:
    """Hardened: from which temperature, in which bath."""

    temperature_K: float
    bath: Bath

    def __post_init__(self) -> None:
        _check("temperature", self.temperature_K, LOWEST_HEAT_K, HIGHEST_K, "K")


@dataclass(frozen=True, slots=True)
class Temper:
    """Tempered at a temperature for a time, ``times`` over."""

    temperature_K: float
    duration_s: float
    times: int = 1

    def __post_init__(self) -> None:
        _check("temperature", self.temperature_K, COLDEST_TEMPER_K, HOTTEST_TEMPER_K, "K")
        _check_minutes("time", self.duration_s, 1.0, LONGEST_HEAT_S)
        _check("how many tempers", self.times, 1, 20)


@dataclass(frozen=True, slots=True)
class TemperRun:
    """Tempered in a run that is in the record."""

    run: str


@dataclass(frozen=True, slots=True)
class Measure:
    """Something measured: hardness [HRC] or carbon [wt%] at a depth below the front face [m], or the mean carbon;
    ``within`` is its one-sigma error in the same unit."""

    finding: Finding
    value: float
    depth_m: float = 0.0
    within: float | None = None
    note: str = ""

    def __post_init__(self) -> None:
        low, high, unit = _MEASURED[self.finding]
        _check(str(self.finding), self.value, low, high, unit)
        _check("depth", self.depth_m, 0.0, LARGEST_PIECE_M, "m")
        if self.within is not None and not self.within > 0.0:
            raise InputFault(Fault("accuracy", f"{self.within:g}", "more than 0"))


_MEASURED = {
    Finding.HARDNESS: (0.0, 70.0, "HRC"),
    Finding.CARBON: (0.0, 6.67, "%"),
    Finding.MEAN_CARBON: (0.0, 6.67, "%"),
}


@dataclass(frozen=True, slots=True)
class Undo:
    """The step of a number did not happen after all; it stays in the ledger, crossed out."""

    step: int


Step = (
    Begin
    | HeatRun
    | HeatTyped
    | Grind
    | Stack
    | Used
    | Clad
    | DrawOut
    | Fold
    | Cut
    | Quench
    | Temper
    | TemperRun
    | Measure
    | Undo
)


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of a piece's ledger: its number in that piece (from 1), when it was entered [s since 1970 UTC]."""

    number: int
    utc_s: float
    step: Step
    note: str = ""


def standing(entries: tuple[Entry, ...]) -> tuple[Entry, ...]:
    """The entries that count: without those undone and without the undoing."""
    undone = {entry.step.step for entry in entries if isinstance(entry.step, Undo)}
    return tuple(entry for entry in entries if entry.number not in undone and not isinstance(entry.step, Undo))
