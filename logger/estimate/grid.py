"""The section of a piece cut into cells: fine where carbon changes, coarse where it does not.

Cells run from the front face inwards. A plate with equal faces ends at its mid-plane, a round at its axis, any other
plate at its back face. One massless node sits on each end; volumes and conductances are per area of the front face.
"""

from dataclasses import dataclass

import numpy as np

from logger.errors import OutOfRange
from logger.units import FloatArray

FIRST_CELL_M = 1.5e-6
"""Cell at a face [m]: what carbon crosses at 950 C in a quarter of a second."""

CELL_GROWTH = 0.03
"""Each cell is this part thicker than its outer neighbour: a carbon front left by cooling lies within one cell, and to
the cell's width a case depth shall be right to 1 % or 5 um."""

COARSEST_PART = 1.0 / 80.0
"""No cell is thicker than this part of the half-section."""

FEWEST_CELLS = 48
"""Even a foil's half-section has this many cells."""

CELLS_PER_LAYER = 20
"""At least as many in each layer of a layered plate."""

COARSE = 0.5
"""Fineness for many members side by side, whose differences are larger than a cell: half as many cells."""


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """Cells of a section, per unit area of the front face.

    edge_depth_m : (n + 1,)   depth of the cell edges below the front face [m]
    node_depth_m : (n + 2,)   front face, cell centres, far end [m]
    volume_m : (n + 2,)       volume per front-face area [m]; 0 at both end nodes
    conductance_per_m : (n + 1,)   area over distance between neighbouring nodes, per front-face area [1/m]
    back_area : area of the back face per front-face area; 0 where the far end is a mid-plane or an axis
    size_m : thickness or diameter of the piece [m]
    """

    edge_depth_m: FloatArray
    node_depth_m: FloatArray
    volume_m: FloatArray
    conductance_per_m: FloatArray
    back_area: float
    size_m: float

    @property
    def cells(self) -> int:
        """How many cells."""
        return self.edge_depth_m.size - 1

    @property
    def depth_m(self) -> float:
        """How far the section goes [m]: half the thickness, the radius, or the whole thickness."""
        return float(self.edge_depth_m[-1])


def half_plate_grid(thickness_m: float, fineness: float = 1.0) -> Grid:
    """Half of a plate whose faces see the same [thickness in m]; `fineness` 2 halves every cell."""
    return _plate(_graded_edges_m(thickness_m / 2.0, fineness), 0.0, thickness_m)


def whole_plate_grid(thickness_m: float, fineness: float = 1.0) -> Grid:
    """A whole plate [thickness in m], fine at both faces; `fineness` 2 halves every cell."""
    half = _graded_edges_m(thickness_m / 2.0, fineness)
    return plate_of_edges(np.concatenate([half, thickness_m - half[-2::-1]]))


def plate_of_edges(edge_depth_m: FloatArray) -> Grid:
    """A whole plate cut at stated depths [m], the first 0, the last its thickness."""
    return _plate(edge_depth_m, 1.0, float(edge_depth_m[-1]))


def layered_plate_grid(layers_m: tuple[float, ...], fineness: float = 1.0) -> tuple[Grid, np.ndarray]:
    """A plate of layers of thicknesses [m], front to back, fine at faces and interfaces.

    Returns    the grid, and the number of the layer each cell belongs to, shape (n,)
    """
    edges, owner, start = [np.zeros(1)], [], 0.0
    for number, thickness_m in enumerate(layers_m):
        half = _graded_edges_m(thickness_m / 2.0, fineness, fewest=CELLS_PER_LAYER // 2)
        layer = np.concatenate([half, thickness_m - half[-2::-1]])
        edges.append(start + layer[1:])
        owner.append(np.full(layer.size - 1, number))
        start += thickness_m
    return _plate(np.concatenate(edges), 1.0, start), np.concatenate(owner)


def round_grid(diameter_m: float, fineness: float = 1.0) -> Grid:
    """A round bar [diameter in m] from its surface to its axis; `fineness` 2 halves every cell."""
    return round_of_edges(_graded_edges_m(diameter_m / 2.0, fineness))


def round_of_edges(edge_depth_m: FloatArray) -> Grid:
    """A round bar cut at stated depths below its surface [m], the first 0, the last its radius."""
    radius_m = float(edge_depth_m[-1])
    edge_radius_m = radius_m - edge_depth_m
    centre_depth_m = 0.5 * (edge_depth_m[1:] + edge_depth_m[:-1])
    node_depth_m = np.concatenate([[0.0], centre_depth_m, [radius_m]])
    volume_m = np.zeros(node_depth_m.size)
    volume_m[1:-1] = (edge_radius_m[:-1] ** 2 - edge_radius_m[1:] ** 2) / (2.0 * radius_m)
    node_radius_m = radius_m - node_depth_m
    conductance = np.empty(node_depth_m.size - 1)
    conductance[:-1] = 1.0 / (radius_m * np.log(node_radius_m[:-2] / node_radius_m[1:-1]))
    conductance[-1] = node_radius_m[-2] / radius_m / node_radius_m[-2]  # nothing flows to the axis
    return Grid(edge_depth_m, node_depth_m, volume_m, conductance, 0.0, 2.0 * radius_m)


def _plate(edge_depth_m: FloatArray, back_area: float, size_m: float) -> Grid:
    centre_depth_m = 0.5 * (edge_depth_m[1:] + edge_depth_m[:-1])
    node_depth_m = np.concatenate([[0.0], centre_depth_m, edge_depth_m[-1:]])
    volume_m = np.concatenate([[0.0], np.diff(edge_depth_m), [0.0]])
    return Grid(edge_depth_m, node_depth_m, volume_m, 1.0 / np.diff(node_depth_m), back_area, size_m)


def _graded_edges_m(length_m: float, fineness: float, fewest: int = FEWEST_CELLS) -> FloatArray:
    """Edges from 0 to a length [m], the first cells thin, each next one thicker, none too thick.

    Another `fineness` keeps the grading: cells half as thick that grow half as fast.
    """
    if not (np.isfinite(length_m) and 0.0 < length_m <= 1.0):
        raise OutOfRange("half-section", length_m, 0.0, 1.0, "m")
    first_m = min(FIRST_CELL_M, length_m / fewest) / fineness
    coarsest_m = max(length_m * COARSEST_PART / fineness, first_m)
    growth = 1.0 + CELL_GROWTH / fineness
    sizes, total = [], 0.0
    thickness = first_m
    while total < length_m * (1.0 - 1e-9):
        sizes.append(thickness)
        total += thickness
        thickness = min(thickness * growth, coarsest_m)
    edges = np.concatenate([[0.0], np.cumsum(sizes)]) * (length_m / total)
    edges[-1] = length_m
    return edges
