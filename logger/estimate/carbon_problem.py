"""What the carbon solver is asked: the section, its starting carbon, what touches each face and when.

A `CarbonProblem` is plain frozen data. Carbon is solved on one common scale: each cell's carbon times its
`carbon_ratio`, which makes it continuous across layers of different alloy (equal activity). For a piece of one alloy
the ratio is 1 and the scale is the steel's own carbon.
"""

from dataclasses import dataclass, field
from math import inf, isfinite

import numpy as np

from logger.errors import Fault, InputFault, OutOfRange
from logger.estimate.grid import (
    Grid,
    half_plate_grid,
    layered_plate_grid,
    plate_of_edges,
    round_grid,
    round_of_edges,
    whole_plate_grid,
)
from logger.estimate.section import Section
from logger.sheet import RunSheet
from logger.sheet_parts import Correction, Pack, Piece, Quantity, Shape, Stage, StageKind, SurfaceKind
from logger.steel.carbon_activity import HIGHEST_ACTIVITY, carbon_at_activity_wt_pct
from logger.steel.carbon_diffusion import AGREN, DIFFUSIVITY_FACTOR_SPREAD, DiffusivityLaw
from logger.steel.coefficients import GAS_CONSTANT_J_PER_MOL_K
from logger.steel.composition import carbon_content_spread_wt_pct, potential_per_alloy_carbon
from logger.steel.pack_recipes import (
    STATED_ACTIVITY_SPREAD,
    STATED_POTENTIAL_SPREAD,
    STATED_TRANSFER_SPREAD,
    recipe_named,
)
from logger.steel.phase_limits import A1_K, HIGHEST_K
from logger.units import FloatArray

HIGHEST_POTENTIAL_WT_PCT = 6.67
"""No iron holds more carbon than cementite does."""

HIGHEST_START_WT_PCT = 2.0
"""Iron with more carbon is cast iron: outside what the fits and this tool are for."""

POTENTIAL_TABLE_STEP_K = 1.0

TOLERANCE_WT_PCT = 5e-4
"""Error a single step may make [wt%], root mean square over the depth carbon has reached."""


@dataclass(frozen=True, slots=True, eq=False)
class Surface:
    """What one face touches.

    kind : pack, sealed or open air
    transfer_m_per_s : (m,) or (1,)      mass-transfer coefficient at the reference temperature; 0 sealed, inf pinned
    transfer_energy_J_per_mol, transfer_reference_K : its Arrhenius form
    potential_wt_pct : (temperatures, m or 1)   carbon on the solver's scale the face tends to, from A1 up in steps of
                                         `POTENTIAL_TABLE_STEP_K` (one row: whatever the temperature), as asked for:
                                         not yet limited to what iron holds
    """

    kind: SurfaceKind
    transfer_m_per_s: FloatArray
    potential_wt_pct: FloatArray
    transfer_energy_J_per_mol: float = 0.0
    transfer_reference_K: float = 1223.15
    note: str = ""

    def transfer_at(self, temperature_K: FloatArray) -> FloatArray:
        """Mass-transfer coefficient [m/s] at temperatures [K], shape (m,)."""
        if self.transfer_energy_J_per_mol == 0.0:
            return self.transfer_m_per_s
        per_K = self.transfer_energy_J_per_mol / GAS_CONSTANT_J_PER_MOL_K
        scale = np.exp(per_K / self.transfer_reference_K - per_K / temperature_K)
        result: FloatArray = self.transfer_m_per_s * scale
        return result

    def potential_at(self, temperature_K: FloatArray) -> FloatArray:
        """Carbon [wt%, solver's scale] the pack asks for at temperatures [K], shape (m,)."""
        if self.potential_wt_pct.shape[0] == 1:
            whatever: FloatArray = self.potential_wt_pct[0]
            return whatever
        place = (temperature_K - A1_K) / POTENTIAL_TABLE_STEP_K
        last = self.potential_wt_pct.shape[0] - 2
        index = np.minimum(np.maximum(place.astype(np.int64), 0), last)
        part = place - index
        if self.potential_wt_pct.shape[1] == 1:
            low, high = self.potential_wt_pct[index, 0], self.potential_wt_pct[index + 1, 0]
        else:
            member = np.arange(temperature_K.size)
            low, high = self.potential_wt_pct[index, member], self.potential_wt_pct[index + 1, member]
        result: FloatArray = low + part * (high - low)
        return result


_TABLE_ROWS = int(np.ceil((HIGHEST_K - A1_K) / POTENTIAL_TABLE_STEP_K)) + 2
_TABLE_K: FloatArray = A1_K + POTENTIAL_TABLE_STEP_K * np.arange(_TABLE_ROWS, dtype=np.float64)

NOTHING = Surface(SurfaceKind.SEALED, np.zeros(1), np.zeros((1, 1)))
"""A sealed face: no carbon in or out."""

OPEN_AIR_NOTE = "Open air: surface held at no carbon, as the textbook decarburizing examples do; scale slows it."

COOLING_NOTE = "A pack that cools is taken to take back none of the carbon it gave (common practice, no source)."

OPEN_AIR = Surface(SurfaceKind.OPEN_AIR, np.full(1, inf), np.zeros((1, 1)), note=OPEN_AIR_NOTE)
"""A bare hot face in air.

Source: surface carbon 0, the assumption of the decarburizing examples in W.D. Callister, Materials Science and
Engineering (8th ed. problem 5.12), and D.R. Askeland, The Science and Engineering of Materials. It is the upper bound
of the loss: a growing scale slows it, common practice says by up to a half, no source.
"""


def pack_surface(
    activity: float | FloatArray | None = None,
    potential_wt_pct: float | FloatArray | None = None,
    transfer_m_per_s: float | FloatArray = inf,
    transfer_energy_J_per_mol: float = 0.0,
    transfer_reference_K: float = 1223.15,
    alloy_ratio: float = 1.0,
    own_scale: float = 1.0,
    note: str = "",
) -> Surface:
    """A face in a pack of a carbon activity (graphite 1), or of a stated potential of the steel's own surface.

    Parameters
    ----------
    activity : number or (m,)           carbon activity [-]; None where a potential is stated
    potential_wt_pct : number or (m,)   carbon the steel's own surface tends to [wt%]
    transfer_m_per_s : number or (m,)   mass-transfer coefficient [m/s] at the reference temperature; inf pins
    transfer_energy_J_per_mol, transfer_reference_K : Arrhenius form of the coefficient [J/mol], [K]
    alloy_ratio : potential per carbon of the solver's scale [-]: an activity's carbon is divided by it
    own_scale : solver's scale per carbon of the face's own alloy [-]: a stated potential is multiplied by it
    note : what else to know about it, in words

    Raises   InputFault, OutOfRange    neither or both stated, or a value no pack or iron can have
    """
    beta = np.atleast_1d(np.asarray(transfer_m_per_s, dtype=float))
    if np.any(np.isnan(beta)) or np.any(beta < 0.0):
        raise InputFault(Fault("pack mass transfer", f"{float(beta.min()):g} m/s", "0 or more m/s, or inf"))
    if not (isfinite(transfer_energy_J_per_mol) and 0.0 <= transfer_energy_J_per_mol <= 1e6):
        raise OutOfRange("pack mass-transfer energy", transfer_energy_J_per_mol, 0.0, 1e6, "J/mol")
    if (activity is None) == (potential_wt_pct is None):
        found = "neither" if activity is None else "both"
        raise InputFault(Fault("pack", found, "either a carbon activity or a carbon potential"))
    if activity is not None:
        a = np.atleast_1d(np.asarray(activity, dtype=float))
        for value in a:
            if not 0.0 <= value <= HIGHEST_ACTIVITY:
                raise OutOfRange("pack carbon activity", float(value), 0.0, HIGHEST_ACTIVITY, "(graphite = 1)")
        potential = carbon_at_activity_wt_pct(_TABLE_K[:, None], a[None, :]) / alloy_ratio
    else:
        p = np.atleast_1d(np.asarray(potential_wt_pct, dtype=float))
        for value in p:
            if not 0.0 <= value <= HIGHEST_POTENTIAL_WT_PCT:
                raise OutOfRange("pack carbon potential", float(value), 0.0, HIGHEST_POTENTIAL_WT_PCT, "wt%")
        potential = p[None, :] * own_scale
    return Surface(SurfaceKind.PACK, beta, potential, transfer_energy_J_per_mol, transfer_reference_K, note)


@dataclass(frozen=True, slots=True, eq=False)
class Face:
    """What a face touches over a run: from each time [s] on, a surface; the first time is -inf."""

    surfaces: tuple[tuple[float, Surface], ...]

    def at(self, time_s: float) -> Surface:
        """The surface just after a time [s]."""
        current = self.surfaces[0][1]
        for from_s, surface in self.surfaces:
            if from_s <= time_s:
                current = surface
        return current


def always(surface: Surface) -> Face:
    """A face that touches the same all through the run."""
    return Face(((-inf, surface),))


SEALED = always(NOTHING)


@dataclass(frozen=True, slots=True, eq=False)
class CarbonProblem:
    """Everything the solver needs, for one run or for an ensemble of `members` runs of the same section.

    grid : the section
    start_carbon_wt_pct : (n,) or (m, n)      each cell's own carbon at the beginning [wt%]
    carbon_ratio : (n,)                       solver's scale per own carbon [-]
    front, back : what each face touches (back is not used where the section ends at a mid-plane or an axis)
    laws, multiplier : one diffusivity law, or one for each member; (m,) or (1,) factor on it [-]
    members : how many runs side by side
    tolerance_wt_pct : error a single step may make [wt%]
    core_target_wt_pct : core carbon that shall not be passed [wt%]; None: no such target
    """

    grid: Grid
    start_carbon_wt_pct: FloatArray
    carbon_ratio: FloatArray
    front: Face = SEALED
    back: Face = SEALED
    laws: tuple[DiffusivityLaw, ...] = (AGREN,)
    multiplier: FloatArray = field(default_factory=lambda: np.ones(1))
    members: int = 1
    tolerance_wt_pct: float = TOLERANCE_WT_PCT
    core_target_wt_pct: float | None = None
    notes: tuple[str, ...] = ()
    highest_start_wt_pct: float = HIGHEST_START_WT_PCT

    def __post_init__(self) -> None:
        if self.start_carbon_wt_pct.shape[-1] != self.grid.cells or self.carbon_ratio.shape != (self.grid.cells,):
            found = f"{self.start_carbon_wt_pct.shape} carbons, {self.carbon_ratio.shape} ratios"
            raise InputFault(Fault("carbon problem", found, f"one for each of {self.grid.cells} cells"))
        check_carbon(self.start_carbon_wt_pct, self.highest_start_wt_pct)
        if not (isfinite(self.tolerance_wt_pct) and 1e-9 <= self.tolerance_wt_pct <= 0.1):
            raise OutOfRange("step tolerance", self.tolerance_wt_pct, 1e-9, 0.1, "wt%")

    @property
    def change_times_s(self) -> tuple[float, ...]:
        """Times [s] at which something touching a face changes."""
        times = {from_s for face in (self.front, self.back) for from_s, _ in face.surfaces if isfinite(from_s)}
        return tuple(sorted(times))


def check_carbon(carbon_wt_pct: FloatArray, highest_wt_pct: float = HIGHEST_START_WT_PCT) -> None:
    """Refuse starting carbon [wt%] outside 0 to ``highest_wt_pct``. Raises OutOfRange with value and limits."""
    bad = ~((carbon_wt_pct >= 0.0) & (carbon_wt_pct <= highest_wt_pct))
    if np.any(bad):
        raise OutOfRange("starting carbon", float(carbon_wt_pct[bad][0]), 0.0, highest_wt_pct, "wt%")


@dataclass(frozen=True, slots=True)
class SheetSpread:
    """How the members of an ensemble differ from the sheet, each None or shape (m,): the ensemble's seam.

    ``activity``, ``potential``, ``transfer`` : in standard deviations of each pack's own stated spread [-]
    ``start_carbon`` : in standard deviations of `composition.carbon_content_spread_wt_pct` [-]
    ``diffusivity_factor`` [-] on top of ``laws``, one for each member or one for all.
    """

    members: int
    activity: FloatArray | None = None
    potential: FloatArray | None = None
    transfer: FloatArray | None = None
    start_carbon: FloatArray | None = None
    diffusivity_factor: FloatArray | None = None
    laws: tuple[DiffusivityLaw, ...] = (AGREN,)


def problem_from_sheet(
    sheet: RunSheet, spread: SheetSpread | None = None, fineness: float = 1.0, section: Section | None = None
) -> CarbonProblem:
    """The carbon problem a run sheet states; with `spread`, the same problem for many members at once.

    Parameters
    ----------
    sheet : the run sheet
    spread : per-member values for an ensemble; None for the nominal run
    fineness : 2 halves every cell, for checks of the grid [-]
    section : what earlier steps have made of the piece, one row for each member, in place of the sheet's own even or
              layered section; its cells are used as they are

    Raises   InputFault, OutOfRange    a size, carbon or pack no piece can have
    """
    if spread is None and sheet.correction is not None:
        spread = _corrected(sheet.correction)
    piece = sheet.piece
    alloys, fractions = _alloys(piece) if section is None else _alloys_of(section)
    ratios = [potential_per_alloy_carbon(alloy) for alloy in alloys]
    reference = float(np.exp(np.dot(fractions, np.log(ratios))))
    front = _face(sheet, piece.front, reference, ratios[0] / reference, spread)
    back = _face(sheet, piece.back, reference, ratios[-1] / reference, spread)
    if section is not None:
        grid, start, cell_ratio = _cells_of(section, ratios, reference)
    else:
        grid, start, cell_ratio = _section(piece, ratios, reference, _same(sheet), fineness)
    if section is None and spread is not None and spread.start_carbon is not None:
        change = spread.start_carbon[:, None] * carbon_content_spread_wt_pct(start)
        start = np.clip(start + change, 0.0, HIGHEST_START_WT_PCT)
    factor = np.ones(1) if spread is None or spread.diffusivity_factor is None else spread.diffusivity_factor
    limits = [target.value for target in sheet.targets if target.quantity is Quantity.CORE_CARBON]
    notes = {surface.note for face in (front, back) for _, surface in face.surfaces if surface.note}
    return CarbonProblem(
        grid=grid,
        start_carbon_wt_pct=start,
        carbon_ratio=cell_ratio,
        front=front,
        back=back,
        laws=(AGREN,) if spread is None else spread.laws,
        multiplier=factor,
        members=1 if spread is None else spread.members,
        core_target_wt_pct=min(limits) if limits else None,
        notes=tuple(sorted(notes)),
        highest_start_wt_pct=HIGHEST_START_WT_PCT if section is None else HIGHEST_POTENTIAL_WT_PCT,
    )


def _corrected(correction: Correction) -> SheetSpread:
    """The nominal run as coupons have corrected it."""
    activity, transfer, start_carbon, diffusivity = (np.array([value]) for value in correction.mean)
    factor = np.exp(np.log1p(DIFFUSIVITY_FACTOR_SPREAD) * diffusivity)
    return SheetSpread(1, activity, None, transfer, start_carbon, factor)


def _alloys_of(section: Section) -> tuple[list[dict[str, float]], FloatArray]:
    volume_m = section.volume_m
    parts = np.array([volume_m[section.layer == number].sum() for number in range(len(section.layers))])
    return [layer.alloy_wt_pct for layer in section.layers], parts / parts.sum()


def _cells_of(section: Section, ratios: list[float], reference: float) -> tuple[Grid, FloatArray, FloatArray]:
    """Grid, own carbon of each cell [wt%] and its ratio to the solver's scale, of a section as steps have left it."""
    of_edges = round_of_edges if section.shape is Shape.ROUND else plate_of_edges
    grid = of_edges(section.edge_depth_m)
    if len(set(ratios)) == 1:
        return grid, section.carbon_wt_pct, np.ones(grid.cells)
    ratio = (np.array(ratios) / reference)[section.layer]
    return _with_alloys(grid, ratio), section.carbon_wt_pct, ratio


def _same(sheet: RunSheet) -> bool:
    """Do both faces of the piece see the same all through the run?"""
    return sheet.piece.front == sheet.piece.back


def _alloys(piece: Piece) -> tuple[list[dict[str, float]], FloatArray]:
    if piece.shape == Shape.LAYERED:
        thickness = np.array([layer.thickness_m for layer in piece.layers])
        return [{**piece.alloy_wt_pct, **layer.alloy_wt_pct} for layer in piece.layers], thickness / thickness.sum()
    return [piece.alloy_wt_pct], np.ones(1)


def _section(
    piece: Piece, ratios: list[float], reference: float, same_faces: bool, fineness: float
) -> tuple[Grid, FloatArray, FloatArray]:
    """Grid, own carbon of each cell [wt%] and its ratio to the solver's scale."""
    if not (isfinite(piece.size_m) and 0.0 < piece.size_m <= 1.0):
        raise OutOfRange("piece size", piece.size_m, 0.0, 1.0, "m")
    if piece.shape == Shape.LAYERED:
        layers = piece.layers
        if not layers:
            raise InputFault(Fault("piece.layer", "no layer", "at least one layer of a layered piece"))
        grid, owner = layered_plate_grid(tuple(layer.thickness_m for layer in layers), fineness)
        carbon = np.array([layer.carbon_wt_pct for layer in layers])[owner]
        ratio = (np.array(ratios) / reference)[owner]
        return _with_alloys(grid, ratio), carbon, ratio
    if piece.shape == Shape.ROUND:
        grid = round_grid(piece.size_m, fineness)
    elif same_faces:
        grid = half_plate_grid(piece.size_m, fineness)
    else:
        grid = whole_plate_grid(piece.size_m, fineness)
    return grid, np.full(grid.cells, piece.carbon_wt_pct), np.ones(grid.cells)


def _with_alloys(grid: Grid, ratio: FloatArray) -> Grid:
    """The grid with the flux between cells of different alloy: both half-cells in series on the common scale."""
    cell_m = np.diff(grid.edge_depth_m)
    half = np.concatenate([[0.0], 0.5 * cell_m * ratio, [0.0]])
    volume_m = grid.volume_m.copy()
    volume_m[1:-1] = cell_m / ratio
    conductance = 1.0 / (half[1:] + half[:-1])
    return Grid(grid.edge_depth_m, grid.node_depth_m, volume_m, conductance, grid.back_area, grid.size_m)


def _face(
    sheet: RunSheet, stated: SurfaceKind | None, reference: float, own_scale: float, spread: SheetSpread | None
) -> Face:
    """What one face touches over the run: the sheet's pack, changed by stages while they last.

    A face stated as sealed or in open air is out of the pack whatever the stage.
    """
    base: Pack | SurfaceKind = sheet.pack or SurfaceKind.SEALED

    def surface_of(what: Pack | SurfaceKind) -> Surface:
        if isinstance(what, Pack):
            return _surface_of_pack(what, reference, own_scale, spread)
        return OPEN_AIR if what is SurfaceKind.OPEN_AIR else NOTHING

    if stated in (SurfaceKind.SEALED, SurfaceKind.OPEN_AIR):
        return always(surface_of(stated))
    changes: list[tuple[float, Surface]] = [(-inf, surface_of(base))]
    for stage in sorted(sheet.stages, key=lambda stage: stage.from_s):
        during = _during(stage, base)
        if during is None:
            continue
        changes = [change for change in changes if change[0] < stage.from_s]
        changes.append((stage.from_s if stage.from_s > 0.0 else -inf, surface_of(during)))
        if isfinite(stage.to_s):
            changes.append((stage.to_s, surface_of(base)))
    return Face(tuple(changes))


def _during(stage: Stage, base: Pack | SurfaceKind) -> Pack | SurfaceKind | None:
    """What a stage puts on the faces; None where it changes nothing."""
    if stage.surface in (SurfaceKind.SEALED, SurfaceKind.OPEN_AIR):
        return stage.surface
    if stage.pack is not None:
        return stage.pack
    if stage.surface is SurfaceKind.PACK:
        return base
    return SurfaceKind.SEALED if stage.kind is StageKind.DIFFUSE else None


def _surface_of_pack(pack: Pack, reference: float, own_scale: float, spread: SheetSpread | None) -> Surface:
    """The pack's numbers, from the sheet, else from its recipe, else the stated defaults."""
    recipe = recipe_named(pack.recipe) if pack.recipe else None
    notes = []
    potential: float | FloatArray | None = pack.carbon_potential_wt_pct
    activity: float | FloatArray | None = pack.carbon_activity
    if activity is None and potential is None:
        activity = 1.0 if recipe is None else recipe.carbon_activity.value
        source = "graphite has 1" if recipe is None else recipe.carbon_activity.source
        notes.append(f"Carbon activity of the pack, {activity:g}: {source}.")
    beta: float | FloatArray
    energy, at_K = pack.mass_transfer_energy_J_per_mol, pack.mass_transfer_reference_K
    if pack.mass_transfer_m_per_s is not None:
        beta = pack.mass_transfer_m_per_s
    elif recipe is not None:
        beta, energy, at_K = recipe.mass_transfer_m_per_s.value, recipe.energy_J_per_mol, recipe.reference_K
        notes.append(f"Its mass transfer, {beta:.1e} m/s: {recipe.mass_transfer_m_per_s.source}.")
    else:
        beta = inf
        notes.append("No mass transfer stated: the surface is held at the pack's carbon, the most it can take up.")
    if potential is None:
        notes.append(COOLING_NOTE)
    if spread is not None:
        own_activity = None if recipe is None or pack.carbon_activity is not None else recipe.carbon_activity
        if activity is not None and spread.activity is not None:
            change = spread.activity * (own_activity or STATED_ACTIVITY_SPREAD).spread
            activity = np.clip(activity + change, 0.0, HIGHEST_ACTIVITY)
        if potential is not None and spread.potential is not None:
            change = spread.potential * STATED_POTENTIAL_SPREAD.spread
            potential = np.clip(potential + change, 0.0, HIGHEST_POTENTIAL_WT_PCT)
        own_transfer = (
            None if recipe is None or pack.mass_transfer_m_per_s is not None else recipe.mass_transfer_m_per_s
        )
        if spread.transfer is not None:
            beta = beta * (1.0 + (own_transfer or STATED_TRANSFER_SPREAD).spread) ** spread.transfer
    return pack_surface(
        activity if potential is None else None, potential, beta, energy, at_K, reference, own_scale, " ".join(notes)
    )


def offered_wt_pct(
    surface: Surface, temperature_K: FloatArray, highest_wt_pct: FloatArray, a3_wt_pct: FloatArray
) -> FloatArray:
    """Carbon [wt%, solver's scale] a face tends to: what the surface asks for, as far as the iron can follow.

    No more than iron holds at that temperature. And a pack never pulls carbon out of austenite to make ferrite: below
    the A3 of its own carbon it offers austenite's lower limit. A carbon potential means the carbon of austenite, which
    is not there any more, and a pack that cools gives off its carbon far slower than it gave it (common practice, no
    source). Open air does make ferrite.

    Parameters
    ----------
    surface : what the face touches
    temperature_K : array, shape (m,)                  [K]
    highest_wt_pct, a3_wt_pct : arrays, shape (m,)     the most iron can take, and A3 [wt%], at these temperatures

    Returns    array, shape (m,)                       carbon [wt%]
    """
    result: FloatArray = np.minimum(surface.potential_at(temperature_K), highest_wt_pct)
    if surface.kind is SurfaceKind.PACK:
        result = np.maximum(result, a3_wt_pct)
    return result


def kept_wt_pct(
    surface: Surface, hottest_K: FloatArray, highest_wt_pct: FloatArray, offered: FloatArray
) -> FloatArray | None:
    """Carbon [wt%, solver's scale] below which a face gives nothing back; None where that is what is offered to it.

    A pack that cools takes back none of the carbon it gave while hotter. Its gas, in balance with charcoal when hot, is
    richer in carbon monoxide than the balance of a lower temperature: 50 K below 950 C it is twice as active in carbon
    as graphite (2 CO = C + CO2, log10 K = 9141 / T + 0.000224 T - 9.595, K = p_CO2 / p_CO^2), and until it has dropped
    that carbon somewhere it takes none from steel. That it never does so on the way down is common practice, no source:
    a slowly cooled case has its carbide up to the face. Steel richer than all that this pack has offered does give off
    carbon, and so does any in a pack of one stated potential, which means a gas that is kept at it.

    Parameters
    ----------
    surface : what the face touches
    hottest_K : array, shape (m,)          hottest since it began to touch it [K]
    highest_wt_pct : array, shape (m,)     the most iron can take now [wt%]
    offered : array, shape (m,)            what `offered_wt_pct` says [wt%]

    Returns    array, shape (m,), or None  carbon [wt%]
    """
    if surface.potential_wt_pct.shape[0] == 1:
        return None
    kept = np.minimum(surface.potential_at(hottest_K), highest_wt_pct)
    return np.maximum(kept, offered) if (kept > offered).any() else None
