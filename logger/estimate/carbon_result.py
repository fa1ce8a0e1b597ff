"""What the carbon solver says about a piece: profile, depths with their definitions, and warnings in plain words."""

from dataclasses import dataclass, replace
from enum import StrEnum
from functools import lru_cache

import numpy as np

from logger.estimate.carbon_depths import OUTER_PART, depth_to_level_m
from logger.estimate.carbon_loss import FaceHistory, is_decarburized
from logger.estimate.carbon_problem import CarbonProblem
from logger.estimate.carbon_transport import face_carbon
from logger.steel.coefficients import STEEL_DENSITY_KG_PER_M3
from logger.steel.phase_limits import (
    A1_K,
    A3,
    EUTECTIC_K,
    EUTECTOID_WT_PCT,
    FERRITE_LIMIT,
    LIQUIDUS,
    SATURATION,
    phase_table,
    solidus_temperature_K,
)
from logger.units import FloatArray, celsius_from_kelvin, kelvin_from_celsius

GRIND_WT_PCT = 1.0
"""Steel above this much carbon is brittle whatever the heat treatment: grind it off (common practice, no source)."""

AT_HEAT_K = 30.0
"""Carbide counts as skin while the steel is within this of its hottest so far: not what forms on the final cooling."""

GRAIN_GROWTH_K = kelvin_from_celsius(1000.0)
GRAIN_GROWTH_S = 1800.0
"""Half an hour above 1000 C coarsens plain steel (common practice, no source)."""

NETWORK_WT_PCT = 0.9
"""Case carbon above which slow cooling leaves cementite along grain boundaries worth a warning (common practice)."""

MELTING_MARGIN_K = 40.0
"""Closer than this to the solidus is 'approaching': phosphorus and sulphur alone can use it up."""

TRACE_WT_PCT = 0.005
"""Less than this beyond saturation counts as none: a trace of liquid or carbide in otherwise even steel [wt%]."""

ON_LIMIT_WT_PCT = 1e-3
"""A face this near a phase limit [wt%] is beside steel of two phases."""

OUTERMOST_M = 1e-5
"""Two slabs of this thickness [m] tell the carbon of a face between two phases, and together what it has once held."""

SATURATION_PART = 0.995
LIMITED_S = 60.0


class CarbonWarningKind(StrEnum):
    """What a carbon warning is about: for machines."""

    SATURATED = "surface at saturation"
    NETWORK = "carbide network likely on cooling"
    NEAR_MELTING = "approaching melting"
    MOLTEN = "molten now"
    HAS_MELTED = "has melted"
    CORE_PASSED = "core passed its target"
    DECARBURIZING = "decarburizing"
    GRAIN_GROWTH = "grain growth"
    POTENTIAL_LIMITED = "carbon potential limited"


@dataclass(frozen=True, slots=True)
class CarbonWarning:
    """A warning: its kind for machines, its words for people, how long it has been so [s] where that is known."""

    kind: CarbonWarningKind
    words: str
    duration_s: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Ever:
    """What has happened so far, for each member, shape (m,).

    ``deepest_wt_pct`` is the first member's profile, shape (n + 2,), when its skin was at its worst: melted deepest or,
    where nothing melted, deepest with carbide at heat; None before.
    """

    liquid_depth_m: FloatArray
    carbide_depth_m: FloatArray
    peak_K: FloatArray
    coarsening_s: FloatArray
    limited_s: FloatArray
    molten_s: FloatArray
    front: FaceHistory
    back: FaceHistory
    deepest_wt_pct: FloatArray | None = None

    @staticmethod
    def nothing(members: int) -> "Ever":
        """Before the first sample."""
        zero = np.zeros(members)
        face = FaceHistory.nothing(members)
        return Ever(zero, zero, zero, zero, zero, zero, face, face)

    def after(
        self,
        problem: CarbonProblem,
        nodes: FloatArray,
        temperature_K: FloatArray,
        hot_s: FloatArray,
        limited: np.ndarray,
        outward: tuple[np.ndarray, np.ndarray],
        phases: FloatArray | None,
    ) -> "Ever":
        """With one more step.

        Parameters
        ----------
        problem : the problem
        nodes : (m, n + 2)        cells and faces at the step's end [wt%, solver's scale]
        temperature_K : (m,)      temperature at its end [K]
        hot_s : (m,)              how much of it was above A1 [s]
        limited : (m,)            whether a face was held to what iron can take
        outward : (m,) each       whether the front and the back face give off carbon
        phases : (m, columns)     rows of the phase table at its end [wt%, K]; None where no steel is beyond saturation
        """
        of_front, of_back = _outermost(problem)
        front = self.front.after(nodes[:, 1 : 1 + of_front.size] @ of_front, outward[0], hot_s)
        back = self.back.after(nodes[:, -1 - of_back.size : -1] @ of_back, outward[1], hot_s)
        peak_K = np.maximum(self.peak_K, temperature_K)
        coarse = temperature_K > GRAIN_GROWTH_K
        coarsening_s = self.coarsening_s + hot_s * coarse if coarse.any() else self.coarsening_s
        limited_s = self.limited_s + hot_s * limited if limited.any() else self.limited_s
        liquid, carbide, molten_s, deepest = (
            self.liquid_depth_m,
            self.carbide_depth_m,
            self.molten_s,
            self.deepest_wt_pct,
        )
        if phases is None:
            return Ever(liquid, carbide, peak_K, coarsening_s, limited_s, molten_s, front, back, deepest)
        excess = _excess_depth_m(problem, nodes, phases)
        molten = temperature_K > EUTECTIC_K
        at_heat = temperature_K > peak_K - AT_HEAT_K
        liquid = np.where(molten, np.maximum(self.liquid_depth_m, excess), self.liquid_depth_m)
        carbide = np.where(~molten & at_heat, np.maximum(self.carbide_depth_m, excess), self.carbide_depth_m)
        molten_s = self.molten_s + np.where(molten & (excess > 0.0), hot_s, 0.0)
        if _is_worse(liquid, carbide, self):
            deepest = np.empty(nodes.shape[1])
            deepest[1:-1] = nodes[0, 1:-1] / problem.carbon_ratio
            deepest[0], deepest[-1] = deepest[1], deepest[-2]
        return Ever(liquid, carbide, peak_K, coarsening_s, limited_s, molten_s, front, back, deepest)


@lru_cache(maxsize=64)
def _outermost(problem: CarbonProblem) -> tuple[FloatArray, FloatArray]:
    """What part of the outermost steel each cell is, from the front (k,) and up to the back (j,); the sum is 1.

    The outermost cell alone would not do: while two phases share it, its carbon is a matter of how thin it is.
    """
    edges = problem.grid.edge_depth_m
    reach_m = min(2.0 * OUTERMOST_M, edges[-1])

    def parts(edge_m: FloatArray) -> FloatArray:
        inside = np.diff(np.minimum(edge_m, reach_m))
        result: FloatArray = inside[inside > 0.0] / reach_m
        return result

    return parts(edges), parts((edges[-1] - edges)[::-1])[::-1]


def _is_worse(liquid_depth_m: FloatArray, carbide_depth_m: FloatArray, before: Ever) -> bool:
    """Whether the first member's skin is now worse than it ever was; depths [m], shape (m,)."""
    if liquid_depth_m[0] > 0.0:
        return bool(liquid_depth_m[0] > before.liquid_depth_m[0])
    return bool(carbide_depth_m[0] > before.carbide_depth_m[0])


def _excess_depth_m(problem: CarbonProblem, nodes: FloatArray, phases: FloatArray) -> FloatArray:
    """How deep cells hold more than austenite can [m], shape (m,), measured from the nearer face.

    The deepest such cell counts in part: by its excess against its outer neighbour's, which is how far a sharp front
    has come into it.
    """
    saturation = phases[:, SATURATION]
    cells = nodes[:, 1:-1]
    over = np.maximum(cells - saturation[:, None] - TRACE_WT_PCT, 0.0)
    result = np.zeros(nodes.shape[0])
    for member in np.flatnonzero(over.max(axis=1) > 0.0):
        liquid = phases[member, LIQUIDUS] - saturation[member]
        result[member] = _one_excess_depth_m(problem, over[member], float(liquid))
    return result


def _one_excess_depth_m(problem: CarbonProblem, over: FloatArray, liquid_wt_pct: float) -> float:
    edges = problem.grid.edge_depth_m

    def from_outside(excess: FloatArray, edge_m: FloatArray) -> float:
        deep = np.flatnonzero(excess > 0.0)
        if deep.size == 0:
            return 0.0
        cell = int(deep[-1])
        outer = excess[cell - 1] if cell else liquid_wt_pct
        part = min(1.0, excess[cell] / outer) if outer > 0.0 else 1.0
        return float(edge_m[cell] + part * (edge_m[cell + 1] - edge_m[cell]))

    if problem.grid.back_area == 0.0:
        return from_outside(over, edges)
    depth_m = problem.grid.depth_m
    centre = 0.5 * (edges[1:] + edges[:-1])
    front = np.where(centre <= depth_m / 2.0, over, 0.0)
    back = np.where(centre > depth_m / 2.0, over, 0.0)[::-1]
    return max(from_outside(front, edges), from_outside(back, (depth_m - edges)[::-1]))


@dataclass(frozen=True, slots=True, eq=False)
class CarbonMembers:
    """The carbon of all members at one moment; arrays (m,) or, for profiles, (m, points)."""

    time_s: float
    temperature_K: FloatArray
    depth_m: FloatArray
    carbon_wt_pct: FloatArray
    start_wt_pct: FloatArray
    surface_wt_pct: FloatArray
    back_surface_wt_pct: FloatArray | None
    surface_richest_wt_pct: FloatArray
    back_surface_richest_wt_pct: FloatArray | None
    core_wt_pct: FloatArray
    mean_wt_pct: FloatArray
    gain_kg_per_m2: FloatArray
    liquid_depth_now_m: FloatArray
    carbide_depth_now_m: FloatArray
    ever: Ever
    problem: CarbonProblem

    @property
    def members(self) -> int:
        """How many."""
        return int(self.surface_wt_pct.size)

    def case_depth_m(self, level_wt_pct: float | FloatArray, back: bool = False) -> FloatArray:
        """Depth [m] below the front (or back) face to which carbon reaches a level [wt%], shape (m,); 0 if nowhere.

        The level may be one for all or one for each, shape (m,). See `depth_to_level_m` for a decarburized skin.
        """
        depth, carbon, held = self.depth_m, self.carbon_wt_pct, self.surface_richest_wt_pct
        has_far_face = self.back_surface_richest_wt_pct is not None
        if back:
            depth, carbon = depth[-1] - depth[::-1], carbon[:, ::-1]
            held = carbon[:, 0] if self.back_surface_richest_wt_pct is None else self.back_surface_richest_wt_pct
        level = np.broadcast_to(np.asarray(level_wt_pct, dtype=float), (self.members,))
        return depth_to_level_m(depth, carbon, level, held, has_far_face)


@dataclass(frozen=True, slots=True, eq=False)
class CarbonResult:
    """The carbon of one piece at one moment.

    surface_wt_pct : carbon at the front face itself [wt%]; where two phases share the outermost steel, and always below
                     A1, the total carbon of the outermost 0.02 mm carried on to the face
    back_surface_wt_pct : the same at the back face; None where the section ends at a mid-plane or an axis
    surface_richest_wt_pct, back_surface_richest_wt_pct : the most carbon the outermost steel of a face has had since
                     the heat began, or the outer tenth of the section when it did [wt%]
    core_wt_pct : carbon at mid-thickness or on the axis [wt%]
    mean_wt_pct : carbon averaged over the section's volume [wt%]
    gain_kg_per_m2 : carbon taken up per area of the faces that are not sealed all through the run [kg/m2]
    grind_depth_m : depth to 1.0 % C: what to grind off [m]
    carbide_depth_m, carbide_depth_now_m : depth with cementite beside austenite, deepest while at heat, and now [m]
    liquid_depth_m, liquid_depth_now_m : depth with liquid, deepest ever, and now [m]
    skin_depth_m : the deeper of carbide and liquid ever [m]
    network_depth_m : depth with more carbon than the eutectoid: slow cooling puts cementite on its grain boundaries [m]
    margin_to_solidus_K, margin_to_solidus_wt_pct : how far the richest steel is from melting now, in degrees and in
                     carbon; negative: molten. The carbon margin is None below the eutectic, where no carbon melts.
    depth_m, carbon_wt_pct : profile from the front face inwards, face and end included
    deepest_wt_pct : the same profile when the skin had melted deepest or, where nothing melted, when carbide at heat
                     went deepest; None where neither happened
    """

    time_s: float
    temperature_K: float
    surface_wt_pct: float
    back_surface_wt_pct: float | None
    surface_richest_wt_pct: float
    back_surface_richest_wt_pct: float | None
    core_wt_pct: float
    mean_wt_pct: float
    start_wt_pct: float
    gain_kg_per_m2: float
    grind_depth_m: float
    carbide_depth_m: float
    carbide_depth_now_m: float
    liquid_depth_m: float
    liquid_depth_now_m: float
    skin_depth_m: float
    network_depth_m: float
    margin_to_solidus_K: float
    margin_to_solidus_wt_pct: float | None
    depth_m: FloatArray
    carbon_wt_pct: FloatArray
    warnings: tuple[CarbonWarning, ...]
    notes: tuple[str, ...] = ()
    deepest_wt_pct: FloatArray | None = None

    def case_depth_m(self, level_wt_pct: float, back: bool = False) -> float:
        """Depth [m] to which carbon reaches a level [wt%], from the front (or back) face inwards.

        0 where no steel of the face's reaches it; the whole section where none is below it. A decarburized skin does
        not hide the case below it: see `depth_to_level_m`.
        """
        depth, carbon, held = self.depth_m, self.carbon_wt_pct, self.surface_richest_wt_pct
        has_far_face = self.back_surface_richest_wt_pct is not None
        if back:
            depth, carbon = depth[-1] - depth[::-1], carbon[::-1]
            held = float(carbon[0]) if self.back_surface_richest_wt_pct is None else self.back_surface_richest_wt_pct
        one = (carbon[None, :], np.array([level_wt_pct]), np.array([held]))
        return float(depth_to_level_m(depth, *one, has_far_face)[0])

    @property
    def case_depth_over_core_004_m(self) -> float:
        """Total case depth [m] to core + 0.04 % C (SAE J423). Core: the carbon the piece started with."""
        return self.case_depth_m(self.start_wt_pct + 0.04)

    @property
    def case_depth_over_core_007_m(self) -> float:
        """Total case depth [m] to core + 0.07 % C, what the Harris relation gives. Core: the starting carbon."""
        return self.case_depth_m(self.start_wt_pct + 0.07)


def ended(
    problem: CarbonProblem, nodes: FloatArray, ever: Ever, time_s: float, temperature_K: FloatArray
) -> CarbonMembers:
    """All members' results from the solver's nodes at a time [s] and temperatures [K], shape (m,)."""
    grid = problem.grid
    phases = phase_table().at(np.maximum(temperature_K, A1_K))
    ratio = problem.carbon_ratio
    # Steel that has lost all of its carbon is at 0 but for the rounding of the last step.
    nodes = np.maximum(nodes, 0.0)
    profile = np.empty_like(nodes)
    profile[:, 1:-1] = nodes[:, 1:-1] / ratio
    hot = temperature_K > A1_K
    profile[:, 0] = _at_face(grid.edge_depth_m, nodes, phases, hot) / ratio[0]
    if grid.back_area:
        profile[:, -1] = _at_face(grid.depth_m - grid.edge_depth_m[::-1], nodes[:, ::-1], phases, hot) / ratio[-1]
    if grid.back_area == 0.0:
        # No flow crosses a mid-plane or an axis: a parabola with its top there through the last two cells, unless the
        # innermost steel is of two phases, whose total carbon follows no such law.
        inner, outer = grid.depth_m - grid.node_depth_m[-2], grid.depth_m - grid.node_depth_m[-3]
        bend = (profile[:, -3] - profile[:, -2]) / (outer**2 - inner**2)
        inmost = nodes[:, -2]
        mixed = (inmost > phases[:, FERRITE_LIMIT]) & (inmost < phases[:, A3])
        mixed |= (inmost > phases[:, SATURATION]) & (inmost < phases[:, LIQUIDUS])
        bend = np.where(mixed, 0.0, bend)
        profile[:, -1] = profile[:, -2] - bend * inner**2
        core = profile[:, -1]
    else:
        core = np.array([np.interp(grid.depth_m / 2.0, grid.node_depth_m, row) for row in profile])
    true_volume = (grid.volume_m[1:-1] * ratio) if grid.back_area else grid.volume_m[1:-1]
    start = np.broadcast_to(problem.start_carbon_wt_pct, (problem.members, grid.cells))
    total = true_volume.sum()
    mean = profile[:, 1:-1] @ true_volume / total
    start_mean = start @ true_volume / total
    gain = ((profile[:, 1:-1] - start) @ true_volume) * STEEL_DENSITY_KG_PER_M3 / 100.0 / _open_area(problem)
    depth_m = grid.node_depth_m
    excess = _excess_depth_m(problem, nodes, phases)
    molten = temperature_K > EUTECTIC_K
    liquid_now = np.where(molten, excess, 0.0)
    carbide_now = np.where(hot & ~molten, excess, 0.0)
    at_heat = hot & (temperature_K > np.maximum(ever.peak_K, temperature_K) - AT_HEAT_K)
    liquid = np.maximum(ever.liquid_depth_m, liquid_now)
    carbide = np.maximum(ever.carbide_depth_m, np.where(at_heat, carbide_now, 0.0))
    worst = profile[0].copy() if _is_worse(liquid, carbide, ever) else ever.deepest_wt_pct
    ever = replace(ever, liquid_depth_m=liquid, carbide_depth_m=carbide, deepest_wt_pct=worst)
    return CarbonMembers(
        time_s=time_s,
        temperature_K=temperature_K,
        depth_m=depth_m,
        carbon_wt_pct=profile,
        start_wt_pct=start_mean,
        surface_wt_pct=profile[:, 0],
        back_surface_wt_pct=profile[:, -1] if grid.back_area else None,
        surface_richest_wt_pct=_richest(depth_m, start, profile, ever.front.richest_wt_pct / ratio[0]),
        back_surface_richest_wt_pct=_richest(
            depth_m[-1] - depth_m[::-1], start[:, ::-1], profile[:, ::-1], ever.back.richest_wt_pct / ratio[-1]
        )
        if grid.back_area
        else None,
        core_wt_pct=core,
        mean_wt_pct=mean,
        gain_kg_per_m2=gain,
        liquid_depth_now_m=liquid_now,
        carbide_depth_now_m=carbide_now,
        ever=ever,
        problem=problem,
    )


def _richest(
    depth_m: FloatArray, start_wt_pct: FloatArray, profile_wt_pct: FloatArray, since_wt_pct: FloatArray
) -> FloatArray:
    """The most carbon a face has had [wt%], (m,): in its outer part at the beginning, (m, n), at its skin since, now.

    ``depth_m`` (n + 2,) are the depths of the profile's points from this face inwards [m].
    """
    outer = depth_m[1:-1] <= OUTER_PART * depth_m[-1]
    outer[0] = True
    began = start_wt_pct[:, outer].max(axis=1)
    result: FloatArray = np.maximum(np.maximum(began, since_wt_pct), profile_wt_pct[:, 0])
    return result


def _at_face(edge_m: FloatArray, nodes: FloatArray, phases: FloatArray, hot: np.ndarray) -> FloatArray:
    """Total carbon of the steel at a face [wt%, solver's scale], (m,), from the nodes inwards, the face itself first.

    Where the outermost steel is one phase, the face's own carbon. Where it is two (ferrite or cementite or liquid
    beside austenite; below A1, not ``hot``, always) equilibrium at the face does not say how much of each there is: the
    total carbon of the outermost two hundredths of a millimetre is carried on to the face in a straight line.
    """
    face, cell = nodes[:, 0], nodes[:, 1]
    two_phase = ~hot
    for low, high, equivalent in ((FERRITE_LIMIT, A3, A3), (SATURATION, LIQUIDUS, SATURATION)):
        inside = (cell > phases[:, low]) & (cell < phases[:, high])
        two_phase |= inside & (np.abs(face - phases[:, equivalent]) < ON_LIMIT_WT_PCT)
    single, _ = face_carbon(face[:, None], phases)
    if not two_phase.any():
        return single[:, 0]
    slab_m = min(OUTERMOST_M, 0.25 * float(edge_m[-1]))
    last = int(np.searchsorted(edge_m, 2.0 * slab_m)) + 1
    outside = nodes[:, 1:last]
    within = np.concatenate([np.zeros((face.size, 1)), np.cumsum(outside * np.diff(edge_m[:last]), axis=1)], axis=1)
    first, both = (np.array([np.interp(d, edge_m[:last], row) for row in within]) for d in (slab_m, 2.0 * slab_m))
    total = (2.0 * first - 0.5 * both) / slab_m
    return np.where(two_phase, np.clip(total, outside.min(axis=1), outside.max(axis=1)), single[:, 0])


def _open_area(problem: CarbonProblem) -> float:
    """Area of the faces that are ever open to carbon, per front-face area; 1 where none is."""

    def ever_open(surfaces: tuple) -> bool:  # type: ignore[type-arg]
        return any(bool(np.any(surface.transfer_m_per_s > 0.0)) for _, surface in surfaces)

    area = float(ever_open(problem.front.surfaces))
    if problem.grid.back_area:
        area += problem.grid.back_area * ever_open(problem.back.surfaces)
    return area or 1.0


def member_result(members: CarbonMembers, member: int) -> CarbonResult:
    """One member's result, with its warnings."""
    ever, back, back_richest = members.ever, members.back_surface_wt_pct, members.back_surface_richest_wt_pct
    richest = float(members.carbon_wt_pct[member].max())
    temperature_K = float(members.temperature_K[member])
    phases = phase_table().at(np.maximum(members.temperature_K, A1_K))[member]
    margin_wt_pct = float(phases[SATURATION]) - richest if temperature_K > EUTECTIC_K else None
    result = CarbonResult(
        time_s=members.time_s,
        temperature_K=temperature_K,
        surface_wt_pct=float(members.surface_wt_pct[member]),
        back_surface_wt_pct=None if back is None else float(back[member]),
        surface_richest_wt_pct=float(members.surface_richest_wt_pct[member]),
        back_surface_richest_wt_pct=None if back_richest is None else float(back_richest[member]),
        core_wt_pct=float(members.core_wt_pct[member]),
        mean_wt_pct=float(members.mean_wt_pct[member]),
        start_wt_pct=float(members.start_wt_pct[member]),
        gain_kg_per_m2=float(members.gain_kg_per_m2[member]),
        grind_depth_m=float(members.case_depth_m(GRIND_WT_PCT)[member]),
        carbide_depth_m=float(ever.carbide_depth_m[member]),
        carbide_depth_now_m=float(members.carbide_depth_now_m[member]),
        liquid_depth_m=float(ever.liquid_depth_m[member]),
        liquid_depth_now_m=float(members.liquid_depth_now_m[member]),
        skin_depth_m=float(max(ever.carbide_depth_m[member], ever.liquid_depth_m[member])),
        network_depth_m=float(members.case_depth_m(EUTECTOID_WT_PCT)[member]),
        margin_to_solidus_K=solidus_temperature_K(richest) - temperature_K,
        margin_to_solidus_wt_pct=margin_wt_pct,
        depth_m=members.depth_m,
        carbon_wt_pct=members.carbon_wt_pct[member],
        warnings=(),
        notes=members.problem.notes,
        deepest_wt_pct=ever.deepest_wt_pct if member == 0 else None,
    )
    return replace(result, warnings=tuple(_warnings(result, members, member, float(phases[SATURATION]))))


def _decarburized_words(members: CarbonMembers, member: int) -> str:
    """Which face has lost carbon worth telling, in words; empty if none."""
    problem, ever, depth_m = members.problem, members.ever, members.depth_m
    start = np.broadcast_to(problem.start_carbon_wt_pct, (problem.members, problem.grid.cells))[member]
    carbon, ratio = members.carbon_wt_pct[member], problem.carbon_ratio
    faces = [(ever.front, depth_m, carbon, start[0], ratio[0], "the surface is")]
    if problem.grid.back_area:
        back = (ever.back, depth_m[-1] - depth_m[::-1], carbon[::-1], start[-1], ratio[-1], "the back face is")
        faces.append(back)
    for face, depth, profile, began, scale, which in faces:
        richest_wt_pct = float(face.richest_wt_pct[member] / scale)
        if is_decarburized(depth, profile, float(began), richest_wt_pct, float(face.outward_s[member])):
            return f"Decarburizing: {which} at {profile[0]:.2f} % C, below what lies under it."
    return ""


def _warnings(
    result: CarbonResult, members: CarbonMembers, member: int, saturation_wt_pct: float
) -> list[CarbonWarning]:
    kinds, found = CarbonWarningKind, []
    ever, problem = members.ever, members.problem
    hot, molten_hot = result.temperature_K > A1_K, result.temperature_K > EUTECTIC_K
    surface = max(result.surface_wt_pct, result.back_surface_wt_pct or 0.0)
    if result.liquid_depth_now_m > 0.0:
        words = (
            f"Molten now to {1e3 * result.liquid_depth_now_m:.2f} mm: the skin is turning to cast iron. Lower the "
            "temperature slowly; do not move the canister."
        )
        found.append(CarbonWarning(kinds.MOLTEN, words, float(ever.molten_s[member])))
    elif result.liquid_depth_m > 0.0:
        words = f"The skin has melted to {1e3 * result.liquid_depth_m:.2f} mm and is cast iron now: grind it off."
        found.append(CarbonWarning(kinds.HAS_MELTED, words, float(ever.molten_s[member])))
    if hot and result.liquid_depth_now_m == 0.0 and result.margin_to_solidus_K < MELTING_MARGIN_K:
        margin = f"{result.margin_to_solidus_K:.0f} C below its solidus"
        if result.margin_to_solidus_wt_pct is not None:
            margin += f", {result.margin_to_solidus_wt_pct:.2f} % C short of melting at this temperature"
        words = (
            f"Approaching melting: the richest steel is {margin}. Phosphorus, sulphur and silicon in old iron lower "
            "the melting further: take this margin as the most there is."
        )
        found.append(CarbonWarning(kinds.NEAR_MELTING, words))
    if hot and not molten_hot and surface >= SATURATION_PART * saturation_wt_pct:
        words = (
            f"Surface at saturation, {surface:.2f} % C: more carbon now makes carbide at the surface, not depth. A "
            "weaker pack or a diffuse stage brings it down."
        )
        found.append(CarbonWarning(kinds.SATURATED, words))
    if float(result.carbon_wt_pct.max()) > NETWORK_WT_PCT:
        words = (
            f"Carbide network likely on slow cooling: above {EUTECTOID_WT_PCT:.2f} % C to "
            f"{1e3 * result.network_depth_m:.2f} mm. Diffuse, or normalize before hardening."
        )
        found.append(CarbonWarning(kinds.NETWORK, words))
    if problem.core_target_wt_pct is not None and result.core_wt_pct > problem.core_target_wt_pct:
        words = f"Core at {result.core_wt_pct:.2f} % C has passed its target of {problem.core_target_wt_pct:.2f} %."
        found.append(CarbonWarning(kinds.CORE_PASSED, words))
    if words := _decarburized_words(members, member):
        found.append(CarbonWarning(kinds.DECARBURIZING, words))
    coarsening_s = float(ever.coarsening_s[member])
    if coarsening_s > GRAIN_GROWTH_S:
        words = (
            f"Grain growth: {coarsening_s / 3600.0:.1f} h above {celsius_from_kelvin(GRAIN_GROWTH_K):.0f} C. "
            "Normalize before hardening."
        )
        found.append(CarbonWarning(kinds.GRAIN_GROWTH, words, coarsening_s))
    limited_s = float(ever.limited_s[member])
    if limited_s > LIMITED_S:
        words = (
            f"For {limited_s / 60.0:.0f} min the pack's carbon was more than iron holds at the temperature of the "
            "moment; the surface was taken as saturated."
        )
        found.append(CarbonWarning(kinds.POTENTIAL_LIMITED, words, limited_s))
    return found
