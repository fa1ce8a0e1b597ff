"""How deep carbon reaches a level, read off a profile of cell averages."""

import numpy as np

from logger.units import FloatArray

OUTER_PART = 0.1
"""How deep the outermost steel goes, as a part of the section, that says what a face held when a heat began."""

FRONT_WT_PCT = 0.01
FRONT_STEEPNESS = 0.6
"""A cell holds a front where the profiles on its two sides, carried on to it, differ by more than this [wt%] and by
more than this part of what they change from cell to cell, and carbon falls faster across it than across its neighbours.
A smooth bend does not count: there the two differ by the third power of a cell only."""


def depth_to_level_m(
    depth_m: FloatArray,
    carbon_wt_pct: FloatArray,
    level_wt_pct: FloatArray,
    held_wt_pct: FloatArray,
    has_far_face: bool = False,
) -> FloatArray:
    """Depth [m] to which each profile holds at least a level, counted from its first point, a face; (m,).

    Where the face itself is poorer, it is what lies under it that counts, if the face has once held the level and lost
    it again: a decarburized skin does not hide the case below it, however deep it goes, and the depth stays that of
    the case's inner end until no steel of it holds the level any more. What a face never held is no case of its: a
    rich core under a lean jacket, or the case of the other face.

    Between two points the profile is a straight line; where steel of two phases meets austenite in one step of carbon,
    the step is put into its cell where the cell's carbon says it is (subcell resolution; A. Harten, Journal of
    Computational Physics 83 (1989) 148).

    Parameters
    ----------
    depth_m : array, (n,)             where the points are [m], the face first
    carbon_wt_pct : array, (m, n)     one profile each [wt%]
    level_wt_pct : array, (m,)        one level each [wt%]
    held_wt_pct : array, (m,)         the most carbon each face has ever had [wt%]
    has_far_face : whether the last point is another face: a case is of the nearer one

    Returns    array, (m,)            0 where no steel of the face's reaches the level, the last depth where none is
                                      below it
    """
    members, points = carbon_wt_pct.shape
    row, number = np.arange(members), np.arange(points)
    at_least = carbon_wt_pct >= level_wt_pct[:, None]
    first = np.argmax(at_least, axis=1)
    below = ~at_least & (number >= first[:, None])
    ends = below.any(axis=1)
    after = np.where(ends, np.argmax(below, axis=1), 1)
    high, low = carbon_wt_pct[row, after - 1], carbon_wt_pct[row, after]
    part = (high - level_wt_pct) / np.where(high > low, high - low, 1.0)
    found = depth_m[after - 1] + part * (depth_m[after] - depth_m[after - 1])
    if points > 5:
        for cell in (after, after - 1):
            found = _at_front(depth_m, carbon_wt_pct, level_wt_pct, np.clip(cell, 2, points - 3), found)
    found = np.where(ends, found, depth_m[-1])
    reached = at_least.any(axis=1) & ((first == 0) | (held_wt_pct >= level_wt_pct))
    if has_far_face:
        reached &= depth_m[first] < 0.5 * depth_m[-1]
    result: FloatArray = np.where(reached, found, 0.0)
    return result


def _at_front(
    depth_m: FloatArray, carbon_wt_pct: FloatArray, level_wt_pct: FloatArray, cell: np.ndarray, found_m: FloatArray
) -> FloatArray:
    """The depths found [m], (m,), but where the cell of a number, (m,), holds a front, from the profiles beside it."""
    near = np.arange(-2, 3)
    x = depth_m[cell[:, None] + near]
    u = np.take_along_axis(carbon_wt_pct, cell[:, None] + near, axis=1)
    outer_slope = (u[:, 1] - u[:, 0]) / (x[:, 1] - x[:, 0])
    inner_slope = (u[:, 4] - u[:, 3]) / (x[:, 4] - x[:, 3])
    outer = u[:, 1] + outer_slope * (x[:, 2] - x[:, 1])
    inner = u[:, 3] - inner_slope * (x[:, 3] - x[:, 2])
    jump = outer - inner
    usual = np.abs(u[:, 1] - u[:, 0]) + np.abs(u[:, 4] - u[:, 3])
    front = (jump > np.maximum(FRONT_WT_PCT, FRONT_STEEPNESS * usual)) & (u[:, 2] <= outer) & (u[:, 2] >= inner)
    across = u[:, 1] - u[:, 3]
    front &= (across >= u[:, 0] - u[:, 2]) & (across >= u[:, 2] - u[:, 4])
    if not front.any():
        return found_m
    begin, end = 0.5 * (x[:, 1] + x[:, 2]), 0.5 * (x[:, 2] + x[:, 3])
    front_m = begin + (u[:, 2] - inner) / np.where(front, jump, 1.0) * (end - begin)
    falls_out, falls_in = np.minimum(outer_slope, -1e-9), np.minimum(inner_slope, -1e-9)
    before_m = np.minimum(x[:, 1] + (level_wt_pct - u[:, 1]) / falls_out, front_m)
    behind_m = np.maximum(x[:, 3] + (level_wt_pct - u[:, 3]) / falls_in, front_m)
    placed = np.where(level_wt_pct > outer, before_m, np.where(level_wt_pct < inner, behind_m, front_m))
    crosses_here = (found_m >= x[:, 1]) & (found_m <= x[:, 3])
    result: FloatArray = np.where(front & crosses_here, placed, found_m)
    return result
