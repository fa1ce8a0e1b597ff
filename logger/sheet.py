"""Run sheet: what is in the oven and what it should become, as plain values in SI.

`logger.config` reads these from TOML; everything else only ever sees the values. Each class checks itself, so a
sheet that exists is a sheet that makes sense.
"""

from dataclasses import dataclass, field
from enum import StrEnum
from math import inf, isfinite

from logger.errors import Fault, InputFault, OutOfRange
from logger.units import DisplayUnits

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
    its layers. ``carbon_wt_pct`` is the starting carbon (ignored where ``layers`` give their own).
    """

    shape: Shape
    size_m: float
    carbon_wt_pct: float
    alloy_wt_pct: dict[str, float] = field(default_factory=dict)
    layers: tuple[Layer, ...] = ()
    iron_lot: str = ""


class SurfaceKind(StrEnum):
    """What a face of the piece is in contact with."""

    PACK = "pack"
    SEALED = "sealed"
    OPEN_AIR = "open air"


@dataclass(frozen=True, slots=True)
class Pack:
    """Carburizing compound around the piece.

    Either a ``carbon_activity`` (graphite = 1) or a fixed ``carbon_potential_wt_pct`` (the carbon the steel's
    own surface tends to); ``mass_transfer_m_per_s`` may be ``inf`` (pinned surface). With an activation energy
    the coefficient holds at ``mass_transfer_reference_K``.
    """

    recipe: str = ""
    carbon_activity: float | None = None
    carbon_potential_wt_pct: float | None = None
    mass_transfer_m_per_s: float = inf
    mass_transfer_energy_J_per_mol: float = 0.0
    mass_transfer_reference_K: float = 1223.15


class CanisterShape(StrEnum):
    """Form of the canister: a tube or can heated from its side, or a box heated through its faces."""

    TUBE = "tube"
    BOX = "box"


@dataclass(frozen=True, slots=True)
class Canister:
    """Where the thermocouple sits, and what lies between it and the steel.

    ``sensor`` "inside": the channel is the steel's own temperature. "oven": it is the oven's, and the steel's is
    modelled through wall and pack; ``outer_m`` (outer diameter, or the smaller outer width of a box), ``wall_m``.
    """

    sensor: str = "inside"
    shape: CanisterShape = CanisterShape.TUBE
    outer_m: float | None = None
    wall_m: float = 0.003
    pack_kind: str = "charcoal"
    fill: float = 1.0


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

    ``source`` names the published or customary rule this is.
    """

    temperature_K: float | None = None
    half_band_K: float = 14.0
    source: str = "common practice, no source: 25 F either side"


@dataclass(frozen=True, slots=True)
class RunSheet:
    """One heat: what is in the oven, where the thermocouple is, and what should come out."""

    piece: Piece
    pack: Pack | None = None
    canister: Canister = field(default_factory=Canister)
    stages: tuple[Stage, ...] = ()
    targets: tuple[Target, ...] = ()
    soak: SoakRule = field(default_factory=SoakRule)
    channel: str | None = None
    reference_temperature_K: float = 1223.15
    equivalent_energy_J_per_mol: float = 148000.0
    tempering_reference_K: float = 473.15
    tempering_constant: float | None = None  # None: chosen from the piece's carbon
    quenched_hardness_HRC: float | None = None
    display: DisplayUnits = field(default_factory=DisplayUnits)
    name: str = ""
    notes: str = ""

    def __post_init__(self) -> None:
        faults = list(_faults(self))
        if faults:
            raise InputFault(faults)


SMALLEST_PIECE_M, LARGEST_PIECE_M = 5e-5, 0.5
HIGHEST_CARBON_WT_PCT = 2.0


def _faults(sheet: RunSheet) -> list[Fault]:
    """Everything about a sheet that cannot be, each with what would be right."""
    faults: list[Fault] = []

    def check(where: str, value: float, low: float, high: float, unit: str) -> None:
        if not isfinite(value) or not low <= value <= high:
            faults.extend(OutOfRange(where, value, low, high, unit).faults)

    piece = sheet.piece
    check("piece size", piece.size_m, SMALLEST_PIECE_M, LARGEST_PIECE_M, "m")
    check("piece.carbon_wt_pct", piece.carbon_wt_pct, 0.0, HIGHEST_CARBON_WT_PCT, "wt%")
    for number, layer in enumerate(piece.layers):
        check(f"piece.layer[{number}] thickness", layer.thickness_m, 1e-6, LARGEST_PIECE_M, "m")
        check(f"piece.layer[{number}].carbon_wt_pct", layer.carbon_wt_pct, 0.0, HIGHEST_CARBON_WT_PCT, "wt%")
    for stage in sheet.stages:
        if not stage.from_s < stage.to_s:
            faults.append(
                Fault(f"stage {stage.kind}", f"from {stage.from_s:g} s to {stage.to_s:g} s", "from before to")
            )
    check("soak band", sheet.soak.half_band_K, 0.5, 200.0, "K")
    return faults
