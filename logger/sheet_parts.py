"""Parts of a run sheet: piece, pack, canister, quench, stages, targets, soak rule, as plain values in SI.

Nothing is checked here: `logger.sheet_limits` says what none of them can be, and a `RunSheet` asks it.
"""

from dataclasses import dataclass, field
from enum import StrEnum
from math import inf
from typing import ClassVar

from logger.units import kelvin_from_celsius

ALLOYING_ELEMENTS = ("Mn", "Si", "Cr", "Ni", "Mo", "Cu", "V", "W", "P", "S", "As", "Al")


class Shape(StrEnum):
    """Form of the piece."""

    PLATE = "plate"  # size is the thickness
    ROUND = "round"  # size is the diameter
    LAYERED = "layered"  # plate made of layers, listed from the front face to the back face


class StageKind(StrEnum):
    """What a part of a run is for."""

    HEAT_UP = "heat-up"
    CARBURIZE = "carburize"
    DIFFUSE = "diffuse"  # held hot with the faces sealed: the pack is spent or taken away
    NORMALIZE = "normalize"
    AUSTENITIZE = "austenitize"
    TEMPER = "temper"
    COOL = "cool"


class SurfaceKind(StrEnum):
    """What a face of the piece is in contact with."""

    PACK = "pack"
    SEALED = "sealed"
    OPEN_AIR = "open air"


@dataclass(frozen=True, slots=True)
class Layer:
    """One layer of a layered plate: thickness [m], carbon [wt%], alloy [wt% by element]."""

    thickness_m: float
    carbon_wt_pct: float
    alloy_wt_pct: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Piece:
    """The steel as it goes in.

    ``size_m`` is the thickness of a plate or the diameter of a round [m]; for a layered plate it is the sum of
    its layers. ``carbon_wt_pct`` is the starting carbon (ignored where ``layers`` give their own). ``front`` and
    ``back`` say what each face of a plate is in contact with; None: the pack where there is one, else sealed. A
    round has one surface, ``front``.
    """

    shape: Shape
    size_m: float
    carbon_wt_pct: float
    alloy_wt_pct: dict[str, float] = field(default_factory=dict)
    layers: tuple[Layer, ...] = ()
    iron_lot: str = ""
    front: SurfaceKind | None = None
    back: SurfaceKind | None = None


@dataclass(frozen=True, slots=True)
class Pack:
    """Carburizing compound around the piece.

    Either a ``carbon_activity`` (graphite = 1) or a fixed ``carbon_potential_wt_pct`` (the carbon the steel's
    own surface tends to); with neither, the recipe's activity, else graphite's. ``mass_transfer_m_per_s`` may be
    ``inf`` (pinned surface); None is the recipe's, else pinned. With an activation energy the coefficient holds at
    ``mass_transfer_reference_K``. ``lot`` is the batch of it, where one is told from another.
    """

    recipe: str = ""
    carbon_activity: float | None = None
    carbon_potential_wt_pct: float | None = None
    mass_transfer_m_per_s: float | None = None
    mass_transfer_energy_J_per_mol: float = 0.0
    mass_transfer_reference_K: float = 1223.15
    lot: str = ""

    @property
    def known_as(self) -> str:
        """What coupons that lay in it are remembered by: its recipe, and its lot where it has one."""
        return f"{self.recipe}{OF_LOT}{self.lot}" if self.recipe and self.lot else self.recipe


OF_LOT = ", lot "


def recipe_of(known_as: str) -> str:
    """The recipe of a pack, from what coupons in it are remembered by."""
    return known_as.partition(OF_LOT)[0]


class CanisterShape(StrEnum):
    """Form of the canister: a tube or can heated from its side, or a box heated through its faces."""

    TUBE = "tube"
    BOX = "box"


PACK_KINDS = ("charcoal", "charcoal and carbonate", "bone charcoal", "activated carbon", "coke", "graphite")
"""Packs whose way of carrying heat is known."""


@dataclass(frozen=True, slots=True)
class CanisterLag:
    """What a run logged with both thermocouples taught about a canister: factors on the usual coefficients.

    ``conductivity`` of the pack, ``exchange`` of heat between oven and wall, ``steel``: share of the inside that is
    steel; each with the relative spread it was found with, and how these go together: ``correlation`` of conductivity
    with exchange, of conductivity with steel, of exchange with steel.
    """

    conductivity: float = 1.0
    exchange: float = 1.0
    steel: float = 1.0
    conductivity_spread: float = 0.1
    exchange_spread: float = 0.1
    steel_spread: float = 0.1
    correlation: tuple[float, float, float] = (0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Canister:
    """Where the thermocouple sits, and what lies between it and the steel.

    ``sensor`` "inside": the channel is the steel's own temperature. "oven": it is the oven's, and the steel's is
    modelled through wall and pack; ``outer_m`` (outer diameter, or the smaller outer width of a box), ``wall_m``,
    ``fill`` (how tightly the space is packed, 1 is tamped full). Optional: the canister's ``length_m`` [m], all the
    steel in it ``steel_mass_kg`` [kg], its temperature when the run begins ``start_temperature_K`` [K] (None: the
    oven's if that is cool, else a room's), and the ``lag`` fitted to an earlier run of this canister.
    """

    sensor: str = "inside"
    shape: CanisterShape = CanisterShape.TUBE
    outer_m: float | None = None
    wall_m: float = 0.003
    pack_kind: str = "charcoal"
    fill: float = 1.0
    length_m: float | None = None
    steel_mass_kg: float | None = None
    start_temperature_K: float | None = None
    lag: CanisterLag | None = None


class Bath(StrEnum):
    """What a piece is quenched in."""

    BRINE = "brine"
    WATER = "water"
    FAST_OIL = "fast oil"
    SLOW_OIL = "slow oil"


ROOM_K = kelvin_from_celsius(25.0)


@dataclass(frozen=True, slots=True)
class Quench:
    """The quench of the piece, in this run or after it, as far as the log does not show it.

    ``from_K`` the steel's temperature just before it [K], ``end_K`` the coldest it comes to [K], ``section_m`` the
    thickness or diameter that is quenched where it is no longer the piece's [m]. For a thermocouple that stays in the
    oven: ``at_s`` run time at which the piece is quenched [s], ``taken_out_s`` times at which it was taken out to cool
    in air before [s].
    """

    bath: Bath | None = None
    from_K: float | None = None
    at_s: float | None = None
    taken_out_s: tuple[float, ...] = ()
    end_K: float = ROOM_K
    section_m: float | None = None


@dataclass(frozen=True, slots=True)
class Stage:
    """A stage the sheet states; without times it covers the whole run."""

    kind: StageKind
    from_s: float = 0.0
    to_s: float = inf
    pack: Pack | None = None  # another pack for this stage
    surface: SurfaceKind | None = None


class Quantity(StrEnum):
    """What a target can be about."""

    CASE_DEPTH = "case depth"
    SURFACE_CARBON = "surface carbon"
    CORE_CARBON = "core carbon"
    MEAN_CARBON = "mean carbon"
    SOAK_TIME = "soak time"
    EQUIVALENT_TIME = "equivalent time"
    TEMPERING_PARAMETER = "tempering parameter"
    HARDNESS = "hardness"


@dataclass(frozen=True, slots=True)
class Target:
    """A quantity to reach, or (``limit``) not to pass.

    ``value`` is in SI or in the trade's unit: case depth [m], carbon [wt%], times [s], tempering parameter [K],
    hardness [HRC]. ``at_carbon_wt_pct`` says to which carbon a case depth is measured. ``judged_by`` is
    "median" or "pessimistic": which side of the band must meet it.
    """

    quantity: Quantity
    value: float
    at_carbon_wt_pct: float | None = None
    limit: bool = False
    judged_by: str = "median"


@dataclass(frozen=True, slots=True)
class SoakRule:
    """When the steel counts as soaked: within ``half_band_K`` of ``temperature_K`` (None: the run's own plateau).

    ``source`` names the published or customary rule this is. ``sensors`` are further channels in the load: a review
    says how alike they were with the driving one, and how long all were in the band at once.
    """

    temperature_K: float | None = None
    half_band_K: float = 14.0
    source: str = "common practice, no source"
    sensors: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Correction:
    """What measured coupons have taught of this run's pack recipe and lot of iron.

    ``mean`` and ``covariance`` of the pack's carbon activity and mass transfer and of the iron's starting carbon and
    diffusivity, in this order, each in standard deviations of its own stated spread: 0 and 1 by the book. ``recipe``
    and ``iron_lot`` say what it is of (empty: nothing known of that), ``evidence`` what it rests on, ``id`` which one.
    """

    OF_START_CARBON: ClassVar[int] = 2

    recipe: str
    iron_lot: str
    mean: tuple[float, float, float, float]
    covariance: tuple[tuple[float, float, float, float], ...]
    evidence: tuple[str, ...] = ()
    id: str = ""
