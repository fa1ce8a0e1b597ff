"""Where the liquid of a molten skin ends, sought by closing in on it, while Newton's method finds the carbon.

In a molten skin the liquid cells lie one beside the other from the face inwards; the cell after the last is partly
molten and takes whatever reaches it; behind it lies austenite. Newton's method alone lets that boundary pass one cell a
round. Here every round says which way it is wrong. A partly molten cell filled past the liquidus: more cells are
liquid, by as many as its overflow fills. One drained below saturation: fewer, by as many as would make up for it. A
last liquid cell below the liquidus: fewer. Between such answers the boundary is sought by halving. What is found
solves the same equations, only sooner.
"""

from dataclasses import dataclass

import numpy as np

from logger.units import FloatArray

AUSTENITE, PARTLY_MOLTEN, LIQUID = 2, 3, 4
"""Regions of a node, as numbered where nodes are told apart by their carbon."""


@dataclass(frozen=True, slots=True, eq=False)
class _Told:
    """What one round says of the boundary, each (m,) unless stated.

    liquid : how many cells from the face inwards were liquid
    ends : where another face's share begins: its liquid and the cell before it
    partly : whether the cell after the liquid was partly molten
    over, under, drained : it overflowed; the last liquid cell fell below the liquidus; it was drained
    waits : no answer, as the cell behind is about to turn
    at_part : what the cell after the liquid came to [wt%]
    lacking : (m, n)   what each partly molten cell, and those behind it, gave more than they had [wt% m]
    """

    liquid: np.ndarray
    ends: np.ndarray
    partly: np.ndarray
    over: np.ndarray
    under: np.ndarray
    drained: np.ndarray
    waits: np.ndarray
    at_part: FloatArray
    lacking: FloatArray


class MeltFront:
    """The boundary of the liquid below one face, for every member of a backward step.

    reached : (m,)    at least so many cells are liquid
    too_many : (m,)   fewer cells than this are
    back : (m,)       how many cells a boundary found too far in gives up next, at most
    """

    def __init__(self, start: FloatArray, volume_m: FloatArray, saturation: FloatArray, liquidus: FloatArray) -> None:
        """Nothing known yet.

        Parameters
        ----------
        start : (m, n + 2)          carbon before the step, the face's node first [wt%]
        volume_m : (n + 2,)         volume of the nodes per area [m]
        saturation, liquidus : (m,) carbon at which austenite begins to melt, and has melted [wt%]
        """
        members, count = start.shape
        self.cells = count - 2
        self.volume_m = volume_m[1:-1]
        self.saturation, self.liquidus = saturation[:, None], liquidus[:, None]
        self.start = start[:, 1:-1]
        self.solid_before = self.start <= self.saturation
        self.number = np.arange(self.cells)[None, :]
        self.member = np.arange(members)
        self.reached = np.zeros(members, dtype=np.int64)
        self.too_many = np.full(members, self.cells + 1)
        self.back = np.ones(members, dtype=np.int64)

    def placed(self, new: FloatArray, newton: FloatArray, region: np.ndarray, kink_wt_pct: float) -> bool:
        """Move the boundary in ``new`` as a round's outcome says; whether some member is not done with it.

        Parameters
        ----------
        new : (m, n + 2)      carbon for the next round [wt%], the face's node first; changed in place
        newton : (m, n + 2)   what the round's equations gave [wt%]
        region : (m, n + 2)   number of the region every node was in [-]
        kink_wt_pct : how far past a limit a cell is put [wt%]
        """
        told = self._told(newton[:, 1:-1], region[:, 1:-1], region[:, 0] == LIQUID)
        self._bound(told)
        target = self._target(told, new[:, 1:-1])
        moved = target != told.liquid
        if moved.any():
            self._move(new, told, target, kink_wt_pct)
        if told.waits.any():
            self._hold(new[:, 1:-1], told, kink_wt_pct)
        self._keep_solid(new[:, 1:-1], newton[:, 1:-1], region[:, 1:-1], told, target, kink_wt_pct)
        return bool((moved | told.waits).any())

    def _told(self, after: FloatArray, region: np.ndarray, liquid_face: np.ndarray) -> _Told:
        """What a round says, by the cells' carbon ``after`` it [wt%] and their ``region`` in it, (m, n) each."""
        is_liquid = region == LIQUID
        liquid = np.where(is_liquid.all(axis=1), self.cells, (~is_liquid).argmax(axis=1))
        others = is_liquid & (self.number > liquid[:, None])
        ends = np.where(others.any(axis=1), others.argmax(axis=1) - 1, self.cells)
        short = np.where((region == PARTLY_MOLTEN) & (self.number < ends[:, None]), self.saturation - after, 0.0)
        lacking = self._from_behind(short * self.volume_m)

        member, part, last = self.member, np.minimum(liquid, self.cells - 1), np.maximum(liquid - 1, 0)
        behind = np.minimum(liquid + 1, self.cells - 1)
        saturation, liquidus = self.saturation[:, 0], self.liquidus[:, 0]
        at_part, inside, any_liquid = after[member, part], liquid < self.cells, liquid > 0
        partly = inside & (region[member, part] == PARTLY_MOLTEN)
        over = partly & (at_part > liquidus)
        under = inside & any_liquid & liquid_face & (after[member, last] < liquidus) & ~over
        drained = partly & any_liquid & (lacking[member, part] > 0.0) & ~over & ~under
        waits = over & (region[member, behind] == PARTLY_MOLTEN) & (lacking[member, behind] > 0.0)
        waits |= under & (region[member, part] == AUSTENITE) & (at_part > saturation)
        return _Told(liquid, ends, partly, over & ~waits, under & ~waits, drained, waits, at_part, lacking)

    def _bound(self, told: _Told) -> None:
        """Remember what is known now; where that contradicts itself, as the cells behind changed, nothing is."""
        np.maximum(self.reached, told.liquid + 1, out=self.reached, where=told.over)
        np.minimum(self.too_many, told.liquid, out=self.too_many, where=told.under)
        np.minimum(self.too_many, told.liquid + 1, out=self.too_many, where=told.drained)
        contradiction = self.reached >= self.too_many
        self.reached[contradiction], self.too_many[contradiction], self.back[contradiction] = 0, self.cells + 1, 1

    def _target(self, told: _Told, cell: FloatArray) -> np.ndarray:
        """How many cells shall be liquid in the next round, (m,)."""
        liquid, count = told.liquid, told.liquid[:, None]
        target = liquid.copy()
        part = np.minimum(liquid, self.cells - 1)
        within = self.too_many <= self.cells
        halfway = (self.reached + self.too_many) // 2
        if told.over.any():
            overflow = (told.at_part - self.liquidus[:, 0]) * self.volume_m[part]
            room = np.where(self.number > count, np.maximum(self.liquidus - cell, 0.0) * self.volume_m, 0.0)
            full = (room.cumsum(axis=1) <= overflow[:, None]) & (self.number > count)
            filled = np.minimum(liquid + 1 + full.sum(axis=1), np.maximum(told.ends, liquid + 1))
            target = np.where(told.over, np.where(within, np.minimum(halfway, filled), filled), target)
        if told.drained.any():
            given = np.where(self.number < count, (self.liquidus - self.saturation) * self.volume_m, 0.0)
            needed = told.lacking[self.member, part][:, None]
            emptied = ((self._from_behind(given) <= needed) & (self.number < count)).sum(axis=1)
            least = np.where(self.reached > 0, halfway, 0)
            target = np.where(told.drained, np.minimum(np.maximum(liquid - emptied, least), liquid), target)
        if told.under.any():
            fewer = np.minimum(np.maximum(halfway, liquid - self.back), liquid - 1)
            target = np.where(told.under, fewer, target)
            self.back[told.under] *= 2
        return target

    def _move(self, new: FloatArray, told: _Told, target: np.ndarray, kink_wt_pct: float) -> None:
        """Put the boundary behind the first ``target`` cells where that is not where it was."""
        cell, moved = new[:, 1:-1], (target != told.liquid)[:, None]
        least = self.saturation + kink_wt_pct
        before, here = self.number < target[:, None], self.number == target[:, None]
        np.maximum(cell, self.liquidus + kink_wt_pct, out=cell, where=before & moved)
        partly_molten = np.minimum(np.maximum(cell, least), self.liquidus - kink_wt_pct)
        np.copyto(cell, partly_molten, where=here & moved)
        given_up = (self.number > target[:, None]) & (self.number <= told.liquid[:, None])
        np.copyto(cell, np.where(self.solid_before, self.saturation - kink_wt_pct, self.start), where=given_up)
        # The face above liquid is liquid too.
        molten = moved[:, 0] & (target > 0)
        new[molten, 0] = np.maximum(new[molten, 0], least[molten, 0])

    def _hold(self, cell: FloatArray, told: _Told, kink_wt_pct: float) -> None:
        """Keep the cell that says something as it is, where its answer does not count yet."""
        for held, place, limit in (
            (told.waits & told.partly, told.liquid, self.liquidus - kink_wt_pct),
            (told.waits & ~told.partly, told.liquid - 1, self.liquidus + kink_wt_pct),
        ):
            cell[self.member[held], place[held]] = limit[held, 0]

    def _keep_solid(
        self,
        cell: FloatArray,
        after: FloatArray,
        region: np.ndarray,
        told: _Told,
        target: np.ndarray,
        kink_wt_pct: float,
    ) -> None:
        """Austenite behind the boundary stays that, and what is drained becomes it: one cell alone is partly molten."""
        solid = self.saturation - kink_wt_pct
        turned = (region == AUSTENITE) & self.solid_before & (after > self.saturation + kink_wt_pct)
        drained = (region == PARTLY_MOLTEN) & (told.lacking > 0.0)
        own = (self.number > target[:, None]) & (self.number < np.minimum(told.ends, self.cells - 1)[:, None])
        with_front = (told.partly | (told.liquid > 0))[:, None]
        np.copyto(cell, solid, where=(turned | drained) & own & with_front)

    @staticmethod
    def _from_behind(amount: FloatArray) -> FloatArray:
        """Sums of each cell and all behind it, (m, n)."""
        result: FloatArray = amount[:, ::-1].cumsum(axis=1)[:, ::-1]
        return result
