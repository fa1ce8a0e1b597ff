"""A piece's section as cells of steel: what a plate or a round is made of, and what cutting tools and hammers do to it.

Every operation keeps carbon to rounding: cells are cut, turned over, stretched and laid on each other, never read off
at points. Members of an ensemble lie side by side in the same cells.
"""

from dataclasses import dataclass, field, replace

import numpy as np

from logger.errors import Fault, InputFault, RangeFault
from logger.estimate.grid import COARSE, layered_plate_grid, round_grid
from logger.sheet_parts import Shape
from logger.steel.coefficients import STEEL_DENSITY_KG_PER_M3
from logger.units import FloatArray

QUIET_WT_PCT = 0.01
"""Two layers within this of each other all through need no fine cells at their join [wt%]."""

MOST_LAYERS = 24
"""Layers of one steel that have evened out are told apart only up to this many (our choice)."""

MOST_CELLS = 1600
"""More cells than this are merged: by then layers are so thin that they are even within seconds (our choice)."""


@dataclass(frozen=True, slots=True)
class SectionLayer:
    """One layer: what it is called and what it is alloyed with [wt% by element]."""

    name: str
    alloy_wt_pct: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False)
class Section:
    """The section of a plate from its front to its back face, or of a round from its surface to its axis.

    shape : plate (layered or not) or round
    edge_depth_m : (n + 1,)        depth of the cell edges below the front face [m]
    carbon_wt_pct : (m, n)         each cell's carbon, for every member [wt%]
    layer : (n,)                   number of the layer each cell belongs to
    layers : the layers, front to back
    """

    shape: Shape
    edge_depth_m: FloatArray
    carbon_wt_pct: FloatArray
    layer: np.ndarray
    layers: tuple[SectionLayer, ...]

    @property
    def members(self) -> int:
        """How many members lie side by side."""
        return int(self.carbon_wt_pct.shape[0])

    @property
    def depth_m(self) -> float:
        """How far the section goes [m]: the thickness, or the radius."""
        return float(self.edge_depth_m[-1])

    @property
    def size_m(self) -> float:
        """Thickness or diameter [m]."""
        return self.depth_m * (2.0 if self.shape is Shape.ROUND else 1.0)

    @property
    def centre_depth_m(self) -> FloatArray:
        """Depth of the cells' middles [m], shape (n,)."""
        return np.asarray(0.5 * (self.edge_depth_m[1:] + self.edge_depth_m[:-1]))

    @property
    def edge_volume_m(self) -> FloatArray:
        """Volume between the front face and each cell edge, per area of the front face [m], shape (n + 1,)."""
        return _volume_m(self.shape, self.edge_depth_m, self.depth_m)

    @property
    def volume_m(self) -> FloatArray:
        """Each cell's volume per area of the front face [m], shape (n,)."""
        return np.diff(self.edge_volume_m)

    @property
    def carbon_kg_per_m2(self) -> FloatArray:
        """All carbon per area of the front face [kg/m2], for every member (m,)."""
        return np.asarray((self.carbon_wt_pct @ self.volume_m) * STEEL_DENSITY_KG_PER_M3 / 100.0)

    @property
    def mean_wt_pct(self) -> FloatArray:
        """Carbon averaged over the volume [wt%], for every member (m,)."""
        return np.asarray(self.carbon_wt_pct @ self.volume_m / self.volume_m.sum())

    def layer_mean_wt_pct(self, number: int) -> FloatArray:
        """Carbon [wt%] averaged over the layer of a number, for every member (m,)."""
        own = self.layer == number
        return np.asarray(self.carbon_wt_pct[:, own] @ self.volume_m[own] / self.volume_m[own].sum())

    def layer_edges_m(self, number: int) -> tuple[float, float]:
        """Depths [m] between which the layer of a number lies."""
        own = np.flatnonzero(self.layer == number)
        return float(self.edge_depth_m[own[0]]), float(self.edge_depth_m[own[-1] + 1])

    def at_m(self, depth_m: float) -> FloatArray:
        """Carbon [wt%] at a depth [m] below the front face, for every member (m,)."""
        cell = int(np.clip(np.searchsorted(self.edge_depth_m, depth_m, side="right") - 1, 0, self.layer.size - 1))
        centre = self.centre_depth_m
        near = [other for other in (cell - 1, cell, cell + 1) if 0 <= other < self.layer.size]
        near = [other for other in near if self.layer[other] == self.layer[cell]]
        return np.array([np.interp(depth_m, centre[near], row[near]) for row in self.carbon_wt_pct])


def _volume_m(shape: Shape, depth_m: FloatArray, radius_m: float) -> FloatArray:
    if shape is not Shape.ROUND:
        return depth_m
    return np.asarray((radius_m**2 - (radius_m - depth_m) ** 2) / (2.0 * radius_m))


def even_section(
    shape: Shape, size_m: float, carbon_wt_pct: FloatArray, layer: SectionLayer, fineness: float = COARSE
) -> Section:
    """A plate or a round of one carbon.

    Parameters
    ----------
    shape : plate or round
    size_m : thickness or diameter [m]
    carbon_wt_pct : array, (m,)       its carbon for every member [wt%]
    layer : what it is called, its alloy
    fineness : 2 halves every cell [-]
    """
    if shape is Shape.ROUND:
        edges_m = round_grid(size_m, fineness).edge_depth_m
    else:
        edges_m = layered_plate_grid((size_m,), fineness)[0].edge_depth_m
    cells = edges_m.size - 1
    carbon = np.repeat(np.asarray(carbon_wt_pct, dtype=float)[:, None], cells, axis=1)
    return Section(shape, edges_m, carbon, np.zeros(cells, dtype=np.int64), (layer,))


def ground(section: Section, front_m: float, back_m: float = 0.0) -> tuple[Section, np.ndarray]:
    """The section with some taken off its front and its back face [m]; off all round from a round.

    Returns  the section, and the numbers its layers had before
    Raises   InputFault    less than nothing or all of it taken off, or a back face a round does not have
    """
    is_round = section.shape is Shape.ROUND
    if is_round and back_m:
        raise InputFault(Fault("grind", "a back face of a round", "one depth, taken off all round"))
    for where, depth_m in (("grind off the front", front_m), ("grind off the back", back_m)):
        if not (np.isfinite(depth_m) and depth_m >= 0.0):
            raise InputFault(RangeFault.of(where, depth_m, 0.0, section.depth_m, "m", ""))
    if front_m + back_m >= section.depth_m * (1.0 - 1e-9):
        why = f"the piece's {'radius' if is_round else 'thickness'}, which is not all ground away"
        raise InputFault(RangeFault.of("grind, in all", front_m + back_m, 0.0, section.depth_m, "m", why))
    from_m, to_m = front_m, section.depth_m - back_m
    edges = section.edge_depth_m
    inside = (edges[1:] > from_m) & (edges[:-1] < to_m)
    # A cell the wheel has cut through keeps its carbon per volume.
    first, last = int(np.flatnonzero(inside)[0]), int(np.flatnonzero(inside)[-1])
    new_edges = edges[first : last + 2].copy()
    new_edges[0], new_edges[-1] = from_m, to_m
    kept = replace(
        section,
        edge_depth_m=new_edges - from_m,
        carbon_wt_pct=section.carbon_wt_pct[:, first : last + 1].copy(),
        layer=section.layer[first : last + 1].copy(),
    )
    left = np.unique(kept.layer)
    layers = tuple(section.layers[old] for old in left.tolist())
    return replace(kept, layer=np.searchsorted(left, kept.layer), layers=layers), left


def turned_over(section: Section) -> Section:
    """The section with its back face in front."""
    if section.shape is Shape.ROUND:
        return section
    last = len(section.layers) - 1
    return Section(
        section.shape,
        (section.depth_m - section.edge_depth_m)[::-1].copy(),
        section.carbon_wt_pct[:, ::-1].copy(),
        (last - section.layer)[::-1].copy(),
        section.layers[::-1],
    )


def stacked(sections: tuple[Section, ...]) -> Section:
    """Plates laid on each other, front to back, and joined.

    Raises   InputFault    fewer than two, or a round among them
    """
    if len(sections) < 2:
        raise InputFault(Fault("stack", f"{len(sections)} piece", "at least two"))
    if any(section.shape is Shape.ROUND for section in sections):
        raise InputFault(Fault("stack", "a round", "flat pieces"))
    edges, carbon, layer = [np.zeros(1)], [], []
    layers: list[SectionLayer] = []
    start_m = 0.0
    for section in sections:
        edges.append(start_m + section.edge_depth_m[1:])
        carbon.append(section.carbon_wt_pct)
        layer.append(section.layer + len(layers))
        layers.extend(section.layers)
        start_m = float(edges[-1][-1])
    return Section(
        Shape.PLATE, np.concatenate(edges), np.concatenate(carbon, axis=1), np.concatenate(layer), tuple(layers)
    )


def drawn_out(section: Section, size_m: float) -> Section:
    """The section forged to another thickness or diameter [m]: every depth shrinks in proportion.

    Raises   InputFault    not a size
    """
    if not (np.isfinite(size_m) and size_m > 0.0):
        raise InputFault(Fault("draw out", f"{1e3 * size_m:g} mm", "a size above 0 mm"))
    return replace(section, edge_depth_m=section.edge_depth_m * (size_m / section.size_m))


def recut(section: Section, fineness: float = COARSE) -> Section:
    """The same section in fresh cells: fine at faces and at joins where carbon or alloy steps, coarse elsewhere.

    Carbon goes from old cells to new through its integral over depth, straight lines inside each old cell with slopes
    that make no new highs or lows (van Leer's limited slopes), so that none is lost and none appears.

    Parameters
    ----------
    section : the section
    fineness : 2 halves every cell [-]
    """
    if section.shape is Shape.ROUND:
        edges_m = round_grid(section.size_m, fineness).edge_depth_m
        return _in_cells(section, edges_m, np.zeros(edges_m.size - 1, dtype=np.int64))
    bounds = np.concatenate([[0.0], [section.layer_edges_m(number)[1] for number in range(len(section.layers))]])
    loud = [number for number in range(1, len(section.layers)) if not _is_quiet(section, number)]
    parts = np.diff(np.concatenate([[0.0], bounds[loud], [bounds[-1]]]))
    edges_m = layered_plate_grid(tuple(parts.tolist()), fineness)[0].edge_depth_m
    edges_m[-1] = section.depth_m
    if edges_m.size - 1 > MOST_CELLS:
        step = int(np.ceil((edges_m.size - 1) / MOST_CELLS))
        kept = np.unique(np.concatenate([edges_m[::step], bounds[loud], edges_m[-1:]]))
        edges_m = kept[np.concatenate([[True], np.diff(kept) > 1e-12])]
        edges_m[-1] = section.depth_m
    for bound_m in bounds[1:-1]:
        # A quiet join has to lie on an edge too, for the books: the nearest one moves there.
        near = int(np.argmin(np.abs(edges_m[1:-1] - bound_m))) + 1
        edges_m[near] = bound_m
    edges_m = np.unique(edges_m)
    centres = 0.5 * (edges_m[1:] + edges_m[:-1])
    owner = np.searchsorted(bounds, centres, side="right") - 1
    if np.unique(owner).size < len(section.layers):
        raise InputFault(
            Fault("piece", f"{len(section.layers)} layers in {1e3 * section.depth_m:.3g} mm", "fewer, thicker layers")
        )
    return _in_cells(section, edges_m, owner)


def _in_cells(section: Section, edges_m: FloatArray, layer: np.ndarray) -> Section:
    """Carbon from the section's cells to others between the same faces."""
    old, new = section.edge_volume_m, _volume_m(section.shape, edges_m, section.depth_m)
    new[0], new[-1] = old[0], old[-1]
    width = np.diff(old)
    carbon = section.carbon_wt_pct
    centre = 0.5 * (old[1:] + old[:-1])
    slope = np.zeros_like(carbon)
    if carbon.shape[1] > 2:
        across = np.diff(carbon, axis=1) / np.diff(centre)
        left, right = across[:, :-1], across[:, 1:]
        same = left * right > 0.0
        mean = np.where(same, 2.0 * left * right / np.where(same, left + right, 1.0), 0.0)
        # No line may leave the range of its neighbours at the cell's own edges.
        steepest = 2.0 * np.minimum(np.abs(left), np.abs(right))
        slope[:, 1:-1] = np.sign(mean) * np.minimum(np.abs(mean), steepest)
        # Two cells of different widths: half a cell times the slope must stay inside the neighbours' difference.
        low = np.minimum(np.abs(carbon[:, 1:-1] - carbon[:, :-2]), np.abs(carbon[:, 2:] - carbon[:, 1:-1]))
        most = 2.0 * low / width[1:-1]
        slope[:, 1:-1] = np.sign(slope[:, 1:-1]) * np.minimum(np.abs(slope[:, 1:-1]), most)
    total = np.concatenate([np.zeros((carbon.shape[0], 1)), np.cumsum(carbon * width, axis=1)], axis=1)
    cell = np.clip(np.searchsorted(old, new, side="right") - 1, 0, width.size - 1)
    into = new - old[cell]
    reached = total[:, cell] + carbon[:, cell] * into + 0.5 * slope[:, cell] * into * (into - width[cell])
    reached[:, 0], reached[:, -1] = 0.0, total[:, -1]
    result = np.maximum(np.diff(reached, axis=1) / np.diff(new), 0.0)
    return replace(section, edge_depth_m=edges_m, carbon_wt_pct=result, layer=layer)


def _is_quiet(section: Section, number: int) -> bool:
    """Whether the layer of a number and the one in front of it are one even steel."""
    if section.layers[number].alloy_wt_pct != section.layers[number - 1].alloy_wt_pct:
        return False
    both = section.carbon_wt_pct[:, (section.layer == number) | (section.layer == number - 1)]
    return bool(np.ptp(both, axis=1).max() < QUIET_WT_PCT)


def quiet_layers_merged(section: Section) -> tuple[Section, np.ndarray]:
    """Where there are many layers, those of one steel that have evened out become one.

    Returns    the section, and the number each old layer has now [-], shape (layers,)
    """
    if len(section.layers) <= MOST_LAYERS:
        return section, np.arange(len(section.layers))
    number, layers, new_of_old = 0, [section.layers[0]], [0]
    for old in range(1, len(section.layers)):
        if _is_quiet(section, old):
            layers[-1] = SectionLayer("folded steel", section.layers[old].alloy_wt_pct)
        else:
            number += 1
            layers.append(section.layers[old])
        new_of_old.append(number)
    numbers = np.array(new_of_old)
    return replace(section, layer=numbers[section.layer], layers=tuple(layers)), numbers
