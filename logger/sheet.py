"""Run sheet: what is in the oven and what it should become, as plain values in SI.

`logger.config` reads these from TOML; everything else only ever sees the values. Each class checks itself, so a
sheet that exists is a sheet that makes sense.
"""

from dataclasses import dataclass, field
from enum import StrEnum
from math import inf, isfinite, nan

from logger.errors import Fault, InputFault
from logger.thermocouple import Thermocouple
from logger.units import SECONDS_PER_HOUR, DisplayUnits, kelvin_from_celsius
from logger.wishes import Wishes

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
    ``mass_transfer_reference_K``.
    """

    recipe: str = ""
    carbon_activity: float | None = None
    carbon_potential_wt_pct: float | None = None
    mass_transfer_m_per_s: float | None = None
    mass_transfer_energy_J_per_mol: float = 0.0
    mass_transfer_reference_K: float = 1223.15


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
    source: str = "common practice, no source: 25 F either side"
    sensors: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Correction:
    """What measured coupons have taught of this run's pack recipe and lot of iron.

    ``mean`` and ``covariance`` of the pack's carbon activity and mass transfer and of the iron's starting carbon and
    diffusivity, in this order, each in standard deviations of its own stated spread: 0 and 1 by the book. ``recipe``
    and ``iron_lot`` say what it is of (empty: nothing known of that), ``evidence`` what it rests on, ``id`` which one.
    """

    recipe: str
    iron_lot: str
    mean: tuple[float, float, float, float]
    covariance: tuple[tuple[float, float, float, float], ...]
    evidence: tuple[str, ...] = ()
    id: str = ""


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
    thermocouple: Thermocouple | None = None  # of that channel; None: the oven file's, else a type K
    reference_temperature_K: float = 1223.15
    equivalent_energy_J_per_mol: float = 148000.0
    tempering_reference_K: float = 473.15
    tempering_constant: float | None = None  # None: chosen from the piece's carbon
    quenched_hardness_HRC: float | None = None
    temper_hold_s: float | None = None  # how long the person means to hold a temper
    quench: Quench | None = None
    correction: Correction | None = None  # None: by the book
    wishes: Wishes | None = None
    display: DisplayUnits = field(default_factory=DisplayUnits)
    name: str = ""
    notes: str = ""

    def __post_init__(self) -> None:
        faults = list(_faults(self))
        if faults:
            raise InputFault(faults)


USUAL_LEVEL_WT_PCT = 0.40
"""The carbon a case depth is shown to where no target names one."""


def level_shown_wt_pct(sheet: RunSheet) -> float:
    """The carbon [wt%] to which the case depth in the foreground is measured: the first target's, else 0.40."""
    for target in sheet.targets:
        if target.quantity is Quantity.CASE_DEPTH and target.at_carbon_wt_pct is not None:
            return target.at_carbon_wt_pct
    return USUAL_LEVEL_WT_PCT


SMALLEST_PIECE_M, LARGEST_PIECE_M = 5e-5, 0.5
THINNEST_LAYER_M = 1e-6
HIGHEST_CARBON_WT_PCT = 2.0
HIGHEST_POTENTIAL_WT_PCT = 2.1
"""Most carbon austenite can hold, at the eutectic: 2.1 % at 1147-1154 C (ASM Metals Handbook; from memory)."""
LONGEST_REACH_S = 2000.0 * SECONDS_PER_HOUR


def _faults(sheet: RunSheet) -> list[Fault]:
    """Everything about a sheet that cannot be, each with what would be right.

    A place is named by its path on a sheet file, without a unit; a value that is NaN counts as a fault of its own
    and takes no part in any comparison with others.
    """
    return [
        *_piece_faults(sheet),
        *_pack_faults("pack", sheet.pack, sheet.display),
        *_canister_faults(sheet),
        *_stage_faults(sheet),
        *(fault for number, target in enumerate(sheet.targets) for fault in _target_faults(sheet, number, target)),
        *_span("soak.half_band", sheet.soak.half_band_K, 0.5, 200.0, sheet.display, "difference_K"),
        *_optional("soak.temperature", sheet.soak.temperature_K, 273.15, 1773.15, sheet.display, "K"),
        *_span("reference.temperature", sheet.reference_temperature_K, 673.15, 1673.15, sheet.display, "K"),
        *_span("reference.energy", sheet.equivalent_energy_J_per_mol, 1e4, 1e6, sheet.display, "J/mol"),
        *_span("tempering.reference_temperature", sheet.tempering_reference_K, 323.15, 1000.15, sheet.display, "K"),
        *_correction_faults(sheet.correction),
        *_optional("tempering.constant", sheet.tempering_constant, 5.0, 30.0, sheet.display, ""),
        *_optional("tempering.quenched_hardness", sheet.quenched_hardness_HRC, 20.0, 70.0, sheet.display, "HRC"),
        *_optional("tempering.hold", sheet.temper_hold_s, 60.0, LONGEST_REACH_S, sheet.display, "h"),
        *_quench_faults(sheet.quench, sheet.display),
        *_wishes_faults(sheet.wishes, sheet),
    ]


def _shown(value: float, display: DisplayUnits, unit: str) -> str:
    """A value in SI as this person reads it."""
    if unit == "m":
        return f"{_number(display.length_from_metres(value))} {display.length}"
    if unit == "K":
        return f"{_number(display.temperature_from_kelvin(value))} {display.temperature}"
    if unit == "difference_K":
        return f"{_number(display.temperature_difference(value))} {display.temperature}"
    if unit == "h":
        return f"{_number(value / SECONDS_PER_HOUR)} h"
    return f"{_number(value)} {unit.removeprefix('parameter_')}".rstrip()


def _number(value: float) -> str:
    """Four digits are enough to find a mistake by; never a power of ten where the digits can be written."""
    return f"{value:.0f}" if 1e4 <= abs(value) < 1e9 else f"{value:.4g}"


def _span(where: str, value: float, low: float, high: float, display: DisplayUnits, unit: str) -> list[Fault]:
    """A fault if a value in SI is outside low to high, both allowed."""
    if low <= value <= high:
        return []
    lowest = _shown(low, display, unit).removesuffix(f" {_shown(high, display, unit).rpartition(' ')[2]}")
    return [Fault(where, _shown(value, display, unit), f"{lowest} to {_shown(high, display, unit)}")]


def _known(value: float, low: float, high: float) -> float:
    """The value where it can be: NaN outside low to high, so that nothing is concluded from it."""
    return value if low <= value <= high else nan


def _optional(
    where: str, value: float | None, low: float, high: float, display: DisplayUnits, unit: str
) -> list[Fault]:
    return [] if value is None else _span(where, value, low, high, display, unit)


def _piece_faults(sheet: RunSheet) -> list[Fault]:
    piece, display = sheet.piece, sheet.display
    faults: list[Fault] = []
    if piece.shape is Shape.LAYERED:
        if not piece.layers:
            faults.append(Fault("piece.layer", "nothing", "at least one layer, from the front face to the back face"))
        elif abs(sum(layer.thickness_m for layer in piece.layers) - piece.size_m) > 1e-9:
            faults.append(Fault("piece.layer", "layers that do not add up to the size", "the sum of the layers"))
    else:
        size = "piece.diameter" if piece.shape is Shape.ROUND else "piece.thickness"
        faults += _span(size, piece.size_m, SMALLEST_PIECE_M, LARGEST_PIECE_M, display, "m")
        faults += _span("piece.carbon", piece.carbon_wt_pct, 0.0, HIGHEST_CARBON_WT_PCT, display, "%")
        if piece.layers:
            faults.append(Fault("piece.layer", f"layers of a {piece.shape}", 'piece.shape = "layered" with layers'))
    for number, layer in enumerate(piece.layers):
        here = f"piece.layer[{number}]"
        faults += _span(f"{here}.thickness", layer.thickness_m, THINNEST_LAYER_M, LARGEST_PIECE_M, display, "m")
        faults += _span(f"{here}.carbon", layer.carbon_wt_pct, 0.0, HIGHEST_CARBON_WT_PCT, display, "%")
        faults += _alloy_faults(f"{here}.alloy_wt_pct", layer.alloy_wt_pct)
    faults += _alloy_faults("piece.alloy_wt_pct", piece.alloy_wt_pct)
    if piece.shape is Shape.ROUND and piece.back is not None:
        faults.append(Fault("piece.back", str(piece.back), "nothing: a round has one surface, piece.front"))
    for side, surface in (("front", piece.front), ("back", piece.back)):
        if surface is SurfaceKind.PACK and sheet.pack is None and not any(stage.pack for stage in sheet.stages):
            faults.append(Fault(f"piece.{side}", "pack", "a [pack] on the sheet"))
    return faults


def _alloy_faults(where: str, alloy_wt_pct: dict[str, float]) -> list[Fault]:
    faults: list[Fault] = []
    for element, content in alloy_wt_pct.items():
        if element not in ALLOYING_ELEMENTS:
            faults.append(Fault(f"{where}.{element}", "an element not known", f"one of {', '.join(ALLOYING_ELEMENTS)}"))
        elif not 0.0 <= content <= 30.0:
            faults.append(Fault(f"{where}.{element}", f"{content:.4g} %", "0 to 30 %"))
    total = sum(alloy_wt_pct.values())
    if total > 60.0 and not faults:
        faults.append(Fault(where, f"{total:.4g} % in all", "at most 60 %: the rest is iron"))
    return faults


def _pack_faults(where: str, pack: Pack | None, display: DisplayUnits) -> list[Fault]:
    if pack is None:
        return []
    faults: list[Fault] = []
    potential, activity = pack.carbon_potential_wt_pct, pack.carbon_activity
    if potential is not None and activity is not None:
        both = "a carbon potential and a carbon activity"
        faults.append(Fault(where, both, "one of them"))
    if potential is not None and not 0.0 <= potential <= HIGHEST_POTENTIAL_WT_PCT:
        most = f"0 to {HIGHEST_POTENTIAL_WT_PCT} %, the most that austenite can hold"
        faults.append(Fault(f"{where}.carbon_potential", f"{potential:.4g} %", most))
    if activity is not None and not 0.0 < activity <= 1.0:
        faults.append(Fault(f"{where}.carbon_activity", f"{activity:.4g}", "above 0, up to 1 (graphite)"))
    if pack.mass_transfer_m_per_s is not None and not pack.mass_transfer_m_per_s > 0.0:
        found = f"{pack.mass_transfer_m_per_s:.4g} m/s"
        faults.append(Fault(f"{where}.mass_transfer", found, 'more than 0, or "inf" for a pinned surface'))
    faults += _span(f"{where}.mass_transfer_energy", pack.mass_transfer_energy_J_per_mol, 0.0, 1e6, display, "J/mol")
    reference = f"{where}.mass_transfer_reference"
    faults += _span(reference, pack.mass_transfer_reference_K, 673.15, 1673.15, display, "K")
    return faults


def _canister_faults(sheet: RunSheet) -> list[Fault]:
    canister, display = sheet.canister, sheet.display
    faults: list[Fault] = []
    if canister.sensor not in ("inside", "oven"):
        faults.append(Fault("canister.sensor", f'"{canister.sensor}"', '"inside" or "oven"'))
    if canister.sensor == "oven" and canister.outer_m is None:
        why = "the canister's outer size: the sensor is in the oven, so the heat's way in must be worked out"
        faults.append(Fault("canister.outer", "nothing", why))
    faults += _optional("canister.outer", canister.outer_m, 0.005, 2.0, display, "m")
    faults += _span("canister.wall", canister.wall_m, 1e-4, 0.1, display, "m")
    faults += _span("canister.fill", canister.fill, 0.01, 1.0, display, "")
    if canister.pack_kind not in PACK_KINDS:
        known = ", ".join(f'"{kind}"' for kind in PACK_KINDS[:-1])
        faults.append(Fault("canister.pack_kind", f'"{canister.pack_kind}"', f'{known} or "{PACK_KINDS[-1]}"'))
    faults += _optional("canister.length", canister.length_m, 0.01, 5.0, display, "m")
    faults += _optional("canister.start_temperature", canister.start_temperature_K, 223.15, 1573.15, display, "K")
    faults += _optional("canister.steel", canister.steel_mass_kg, 1e-3, 1e3, display, "kg")
    lag = canister.lag
    if lag is not None:
        factors = {"conductivity": lag.conductivity, "exchange": lag.exchange, "steel": lag.steel}
        spreads = {
            "conductivity_spread": lag.conductivity_spread,
            "exchange_spread": lag.exchange_spread,
            "steel_spread": lag.steel_spread,
        }
        for name, factor in factors.items():
            faults += _span(f"canister.lag.{name}", factor, 0.05, 20.0, display, "")
        for name, spread in spreads.items():
            faults += _span(f"canister.lag.{name}", spread, 0.0, 2.0, display, "")
        a, b, c = lag.correlation
        # Three correlations that can be together: the matrix they make has no negative direction.
        if not (max(abs(a), abs(b), abs(c)) <= 1.0 and 1.0 + 2.0 * a * b * c >= a * a + b * b + c * c - 1e-6):
            faults.append(
                Fault("canister.lag.correlation", f"{a:g}, {b:g}, {c:g}", "three numbers from -1 to 1 that agree")
            )
    if canister.outer_m is not None and not faults:
        room_m = canister.outer_m - 2.0 * canister.wall_m
        if room_m <= 0.0:
            outside = _shown(canister.outer_m / 2.0, display, "m")
            faults.append(Fault("canister.wall", _shown(canister.wall_m, display, "m"), f"less than {outside}"))
        elif _known(sheet.piece.size_m, SMALLEST_PIECE_M, LARGEST_PIECE_M) > room_m:
            found = f"{_shown(canister.outer_m, display, 'm')}, {_shown(room_m, display, 'm')} inside"
            faults.append(
                Fault("canister.outer", found, f"room for a piece of {_shown(sheet.piece.size_m, display, 'm')}")
            )
    return faults


LEAST_QUENCH_K, MOST_QUENCH_K = kelvin_from_celsius(600.0), kelvin_from_celsius(1147.0)
"""Below the first no alloy of ours is austenite, above the second a carburized skin melts."""


def _quench_faults(quench: Quench | None, display: DisplayUnits) -> list[Fault]:
    if quench is None:
        return []
    faults = _optional("quench.from", quench.from_K, LEAST_QUENCH_K, MOST_QUENCH_K, display, "K")
    faults += _span("quench.end", quench.end_K, 77.0, kelvin_from_celsius(250.0), display, "K")
    faults += _optional("quench.section", quench.section_m, SMALLEST_PIECE_M, LARGEST_PIECE_M, display, "m")
    faults += _optional("quench.at", quench.at_s, 0.0, LONGEST_REACH_S, display, "h")
    before_s = 0.0
    for number, out_s in enumerate(quench.taken_out_s):
        here = f"quench.taken_out[{number}].at"
        beyond = _span(here, out_s, 0.0, LONGEST_REACH_S, display, "h")
        faults += beyond
        if not beyond and out_s <= before_s and number:
            found, least = (_shown(each_s, display, "h") for each_s in (out_s, before_s))
            faults.append(Fault(here, found, f"later than {least}, the time before it"))
        before_s = _known(out_s, 0.0, LONGEST_REACH_S)
    if quench.at_s is not None and quench.taken_out_s and quench.at_s <= before_s:
        found, last = (_shown(each_s, display, "h") for each_s in (quench.at_s, before_s))
        faults.append(Fault("quench.at", found, f"later than {last}, when it was last taken out"))
    return faults


MOST_CORRECTED = 12.0
"""No measurement moves a coefficient by more of its stated spread than this (our choice)."""


def _correction_faults(correction: Correction | None) -> list[Fault]:
    if correction is None:
        return []
    faults = []
    if not all(abs(value) <= MOST_CORRECTED for value in correction.mean):
        found = ", ".join(f"{value:g}" for value in correction.mean)
        faults.append(Fault("correction.mean", found, f"numbers from {-MOST_CORRECTED:g} to {MOST_CORRECTED:g}"))
    rows = correction.covariance
    pairs = [(a, b) for a in range(4) for b in range(4)]
    sizes = [rows[a][a] for a in range(4)]
    alike = all(abs(rows[a][b] - rows[b][a]) <= 1e-9 for a, b in pairs)
    if not (alike and all(0.0 <= size <= 10.0 for size in sizes) and _no_negative_direction(rows)):
        expected = "four rows of four that can be a covariance, as `soaktally correct show --sheet-table` prints them"
        faults.append(Fault("correction.covariance", "rows that cannot be one", expected))
    return faults


def _no_negative_direction(rows: tuple[tuple[float, float, float, float], ...]) -> bool:
    """Whether a symmetric matrix is a covariance: Cholesky's method with a little slack for rounding."""
    lower = [[0.0] * 4 for _ in range(4)]
    for a in range(4):
        for b in range(a + 1):
            rest = rows[a][b] - sum(lower[a][c] * lower[b][c] for c in range(b))
            if a == b:
                if rest < -1e-9:
                    return False
                lower[a][a] = max(rest, 1e-12) ** 0.5
            else:
                lower[a][b] = rest / lower[b][b]
    return True


def _wishes_faults(wishes: Wishes | None, sheet: RunSheet) -> list[Fault]:
    if wishes is None:
        return []
    display, most = sheet.display, HIGHEST_POTENTIAL_WT_PCT
    start = _known(sheet.piece.carbon_wt_pct, 0.0, HIGHEST_CARBON_WT_PCT)
    faults: list[Fault] = []
    for name, wanted in (("mean_carbon", wishes.mean_wt_pct), ("core_carbon", wishes.core_wt_pct)):
        beyond = _optional(f"plan.{name}", wanted, 0.01, most, display, "%")
        faults += beyond
        if wanted is not None and not beyond and wanted <= start:
            faults.append(
                Fault(f"plan.{name}", f"{wanted:.4g} %", f"more than the {start:.4g} % the piece starts with")
            )
        ceiling = wishes.surface_at_most_wt_pct
        if wanted is not None and ceiling is not None and not beyond and wanted > ceiling:
            found = f"{wanted:.4g} %, while the surface shall have at most {ceiling:.4g} %"
            faults.append(Fault(f"plan.{name}", found, "no more inside than at the surface"))
    faults += _optional("plan.surface_at_most", wishes.surface_at_most_wt_pct, 0.05, most, display, "%")
    if wishes.case_depth_m is not None:
        faults += _case_wish_faults(wishes, sheet, start)
    elif wishes.at_carbon_wt_pct is not None:
        faults.append(Fault("plan.at_carbon", f"{wishes.at_carbon_wt_pct:.4g} %", "a case_depth that it belongs to"))
    faults += _span("plan.melting_margin", wishes.melting_margin_K, 0.0, 500.0, display, "difference_K")
    hottest = (kelvin_from_celsius(800.0), kelvin_from_celsius(1300.0))
    faults += _span("plan.hottest", wishes.hottest_K, *hottest, display, "K")
    faults += _span("plan.longest", wishes.longest_s, SECONDS_PER_HOUR / 2.0, 200.0 * SECONDS_PER_HOUR, display, "h")
    if not 1.0 / SECONDS_PER_HOUR <= wishes.climb_K_per_s <= 2.0:
        found = f"{wishes.climb_K_per_s * SECONDS_PER_HOUR:.4g} C/h"
        faults.append(Fault("plan.climb", found, "1 to 7200 C/h"))
    for name, watts in (("heating_power", wishes.heating_W), ("holding_power", wishes.holding_W)):
        if watts is not None and not 1.0 <= watts <= 1e6:
            faults.append(Fault(f"plan.{name}", f"{watts / 1000.0:.4g} kW", "0.001 to 1000 kW"))
    if (wishes.heating_W is None) != (wishes.holding_W is None):
        missing = "heating_power" if wishes.heating_W is None else "holding_power"
        faults.append(Fault(f"plan.{missing}", "nothing", "heating_power and holding_power together, or neither"))
    if wishes.gas_kg_per_s is not None and not 0.0 < wishes.gas_kg_per_s <= 100.0 / SECONDS_PER_HOUR:
        found = f"{wishes.gas_kg_per_s * SECONDS_PER_HOUR:.4g} kg/h"
        faults.append(Fault("plan.gas", found, "more than 0, up to 100 kg/h"))
    return faults


def _case_wish_faults(wishes: Wishes, sheet: RunSheet, start_wt_pct: float) -> list[Fault]:
    display, level = sheet.display, wishes.at_carbon_wt_pct
    assert wishes.case_depth_m is not None
    if level is None:
        why = "the carbon content the depth is measured to, such as at_carbon_wt_pct = 0.40"
        return [Fault("plan.at_carbon", "nothing", why)]
    faults = _span("plan.at_carbon", level, 0.01, HIGHEST_POTENTIAL_WT_PCT, display, "%")
    if not faults and level <= start_wt_pct:
        start = f"more than the {start_wt_pct:.4g} % the piece starts with"
        faults.append(Fault("plan.at_carbon", f"{level:.4g} %", start))
    ceiling = wishes.surface_at_most_wt_pct
    if not faults and ceiling is not None and level > ceiling:
        found = f"{level:.4g} %, while the surface shall have at most {ceiling:.4g} %"
        faults.append(Fault("plan.at_carbon", found, "no more inside than at the surface"))
    deepest_m = 0.5 * _known(sheet.piece.size_m, SMALLEST_PIECE_M, LARGEST_PIECE_M)
    if not 0.0 < wishes.case_depth_m < inf:
        faults.append(Fault("plan.case_depth", _shown(wishes.case_depth_m, display, "m"), "more than 0"))
    elif wishes.case_depth_m > deepest_m:
        found, most = _shown(wishes.case_depth_m, display, "m"), _shown(deepest_m, display, "m")
        faults.append(
            Fault("plan.case_depth", found, f"at most {most}, half the piece; for all of it ask for core_carbon")
        )
    return faults


def _stage_faults(sheet: RunSheet) -> list[Fault]:
    faults: list[Fault] = []
    before: Stage | None = None
    for number, stage in enumerate(sheet.stages):
        here = f"stage[{number}]"
        faults += _pack_faults(f"{here}.pack", stage.pack, sheet.display)
        if stage.from_s < 0.0:
            faults.append(Fault(f"{here}.from", f"{stage.from_s:g} s", "0 s or later"))
        if stage.from_s >= stage.to_s:
            faults.append(
                Fault(f"{here}.to", f"{stage.to_s:g} s, from {stage.from_s:g} s", "an end after its beginning")
            )
        if before is not None and stage.from_s < before.to_s and before.to_s > before.from_s >= 0.0:
            till = "the end of the run" if before.to_s == inf else f"{before.to_s:g} s"
            found = f"{stage.from_s:g} s, while stage[{number - 1}] lasts to {till}"
            faults.append(Fault(f"{here}.from", found, "stages in order, each from the end of the one before or later"))
        before = stage
    return faults


def _target_faults(sheet: RunSheet, number: int, target: Target) -> list[Fault]:
    here, display, piece = f"target[{number}]", sheet.display, sheet.piece
    faults: list[Fault] = []
    if target.judged_by not in ("median", "pessimistic"):
        faults.append(Fault(f"{here}.judged_by", f'"{target.judged_by}"', '"median" or "pessimistic"'))
    level = target.at_carbon_wt_pct
    if target.quantity is not Quantity.CASE_DEPTH:
        if level is not None:
            faults.append(Fault(f"{here}.at_carbon", f"{level:.4g} %", f"nothing: {target.quantity} has no such level"))
        low, high, unit = _TARGET_SPANS[target.quantity]
        return faults + _span(f"{here}.reach", target.value, low, high, display, unit)
    if level is None:
        why = "the carbon content the depth is measured to, such as at_carbon_wt_pct = 0.40"
        faults.append(Fault(f"{here}.at_carbon", "nothing", why))
    else:
        faults += _span(f"{here}.at_carbon", level, 0.01, HIGHEST_POTENTIAL_WT_PCT, display, "%")
        start_wt_pct = _known(piece.carbon_wt_pct, 0.0, HIGHEST_CARBON_WT_PCT)
        if not piece.layers and level <= start_wt_pct and not faults:
            start = f"more than the {piece.carbon_wt_pct:.4g} % the piece starts with"
            faults.append(Fault(f"{here}.at_carbon", f"{level:.4g} %", start))
    faces = [face or SurfaceKind.PACK for face in (piece.front, piece.back)]
    one_sided = piece.shape is not Shape.ROUND and faces.count(SurfaceKind.PACK) == 1
    size_m = _known(piece.size_m, SMALLEST_PIECE_M, LARGEST_PIECE_M)
    deepest_m = size_m if one_sided else size_m / 2.0
    if target.value <= 0.0 or not isfinite(target.value):
        faults.append(Fault(f"{here}.reach", _shown(target.value, display, "m"), "more than 0"))
    elif target.value > deepest_m:
        extent = "the piece" if one_sided else "half the piece"
        found, most = _shown(target.value, display, "m"), _shown(deepest_m, display, "m")
        faults.append(Fault(f"{here}.reach", found, f"at most {most}, {extent}"))
    return faults


_TARGET_SPANS: dict[Quantity, tuple[float, float, str]] = {
    Quantity.SURFACE_CARBON: (0.01, HIGHEST_POTENTIAL_WT_PCT, "%"),
    Quantity.CORE_CARBON: (0.01, HIGHEST_POTENTIAL_WT_PCT, "%"),
    Quantity.MEAN_CARBON: (0.01, HIGHEST_POTENTIAL_WT_PCT, "%"),
    Quantity.SOAK_TIME: (1.0, LONGEST_REACH_S, "h"),
    Quantity.EQUIVALENT_TIME: (1.0, LONGEST_REACH_S, "h"),
    Quantity.TEMPERING_PARAMETER: (5000.0, 30000.0, "parameter_K"),
    Quantity.HARDNESS: (20.0, 68.0, "HRC"),
}
