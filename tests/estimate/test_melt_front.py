"""Closing in on the end of the liquid: the solution Newton's method alone finds where it settles, in fewer rounds."""

from typing import Any

import numpy as np
import pytest

from logger.estimate import carbon_profile, carbon_transport, melt_front
from logger.estimate.carbon_problem import CarbonProblem, problem_from_sheet
from logger.sheet import RunSheet
from logger.sheet_parts import Canister, Pack, Piece, Shape, SurfaceKind
from logger.units import kelvin_from_celsius


def problem(back: SurfaceKind | None = None, thickness_m: float = 0.004) -> CarbonProblem:
    pack = Pack(carbon_activity=1.0, mass_transfer_m_per_s=1e-6)
    piece = Piece(Shape.PLATE, thickness_m, 0.10, back=back)
    return problem_from_sheet(RunSheet(piece, pack=pack, canister=Canister(sensor="inside")))


TIME_S = np.arange(0.0, 3601.0, 10.0)
OVEN_C = np.interp(
    TIME_S, [0.0, 600.0, 1500.0, 2100.0, 3000.0, 3600.0], [1000.0, 1140.0, 1230.0, 1230.0, 1150.0, 900.0]
)
"""Up through the eutectic, a hold in which the skin melts, and down until it has set."""


class _Watched:
    """Every solve of a step in which a boundary was moved, done once more without."""

    def __init__(self, patch: pytest.MonkeyPatch) -> None:
        self.rounds, self.rounds_alone = [], []
        self.failed = self.failed_alone = 0
        self.apart_wt_pct: list[float] = []
        self._count, self._moved = 0, False
        factorised, placed, self._solve = carbon_transport.dgtsv, melt_front.MeltFront.placed, carbon_transport._solve

        def counted(*a: Any) -> Any:
            self._count += 1
            return factorised(*a)

        def noticed(*a: Any) -> bool:
            self._moved = True
            return placed(*a)

        patch.setattr(carbon_transport, "dgtsv", counted)
        patch.setattr(melt_front.MeltFront, "placed", noticed)
        patch.setattr(carbon_transport, "_solve", self._twice)

    def _twice(self, *given: Any) -> Any:
        self._count, self._moved = 0, False
        found = self._solve(*given)
        if not self._moved:
            return found
        self.rounds.append(self._count)
        self.failed += found is None
        self._count = 0
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(carbon_transport, "FRONT_ITERATIONS", 0)
            alone = self._solve(*given)
        self.rounds_alone.append(self._count)
        self.failed_alone += alone is None
        if found is not None and alone is not None:
            self.apart_wt_pct.append(float(np.abs(found[0] - alone[0]).max()))
        return found


@pytest.mark.parametrize("back", [None, SurfaceKind.SEALED, SurfaceKind.PACK])
def test_what_is_found_is_what_newton_alone_finds(back: SurfaceKind | None, monkeypatch: pytest.MonkeyPatch) -> None:
    """Newton's last change may be 2.5e-4 wt%; what is left is of its square."""
    watched = _Watched(monkeypatch)
    of = problem(back)
    carbon_profile.settled(
        of, carbon_profile.advance(of, carbon_profile.begin(of), TIME_S, kelvin_from_celsius(OVEN_C))
    )
    assert len(watched.apart_wt_pct) > 20
    assert max(watched.apart_wt_pct) < 1e-5
    assert watched.failed == 0
    assert watched.failed_alone > 10
    assert 3 * sum(watched.rounds) < sum(watched.rounds_alone)


CELLS = 40
SOLID_WT_PCT, MOLTEN_WT_PCT = 1.7, 3.7
"""Saturation and liquidus at about 1217 C."""


def front(solid_wt_pct: float = 1.5) -> melt_front.MeltFront:
    start = np.full((1, CELLS + 2), solid_wt_pct)
    return melt_front.MeltFront(start, np.full(CELLS + 2, 1e-5), np.array([SOLID_WT_PCT]), np.array([MOLTEN_WT_PCT]))


def after(liquid: int, partly_wt_pct: float, last_wt_pct: float = 3.71) -> tuple[np.ndarray, np.ndarray]:
    """Nodes after a round with so many liquid cells, and their regions in it."""
    nodes = np.full((1, CELLS + 2), 1.5)
    nodes[0, : liquid + 1] = 3.75
    nodes[0, liquid] = last_wt_pct
    nodes[0, liquid + 1] = partly_wt_pct
    region = np.full((1, CELLS + 2), melt_front.AUSTENITE)
    region[0, : liquid + 1] = melt_front.LIQUID
    region[0, liquid + 1] = melt_front.PARTLY_MOLTEN
    return nodes, region


def placed(of: melt_front.MeltFront, liquid: int, partly_wt_pct: float, last_wt_pct: float = 3.71) -> int:
    """How many cells are liquid next."""
    nodes, region = after(liquid, partly_wt_pct, last_wt_pct)
    new = np.clip(nodes, SOLID_WT_PCT - 1e-7, None)
    of.placed(new, nodes, region, 1e-7)
    return int((new[0, 1:-1] > MOLTEN_WT_PCT).sum())


def test_an_overflow_melts_as_many_cells_as_it_fills() -> None:
    """The cell itself and, of 11 wt% over the liquidus, five times the 2.0000001 wt% a cell behind it has room for."""
    assert placed(front(), 4, MOLTEN_WT_PCT + 11.0) == 4 + 1 + 5


def test_between_an_overflow_and_a_dip_the_boundary_is_halfway() -> None:
    of = front()
    assert placed(of, 4, MOLTEN_WT_PCT + 50.0) == 4 + 1 + 24
    assert placed(of, 29, 2.0, last_wt_pct=3.6) == max((5 + 29) // 2, 29 - 1)
    assert placed(of, 28, 2.0, last_wt_pct=3.6) == max((5 + 28) // 2, 28 - 2)
    assert placed(of, 26, 2.0, last_wt_pct=3.6) == max((5 + 26) // 2, 26 - 4)
    assert placed(of, 22, 2.0, last_wt_pct=3.6) == max((5 + 22) // 2, 22 - 8)
    assert placed(of, 13, MOLTEN_WT_PCT + 50.0) == (14 + 22) // 2


def test_a_drained_cell_gives_up_as_many_as_make_up_for_it() -> None:
    """7 wt% short: three times the 2 wt% a liquid cell holds above saturation."""
    assert placed(front(), 12, SOLID_WT_PCT - 7.0) == 12 - 3


def test_a_boundary_in_its_place_is_left_there() -> None:
    nodes, region = after(9, 2.5)
    new = nodes.copy()
    assert not front().placed(new, nodes, region, 1e-7)
    assert new.tolist() == nodes.tolist()
