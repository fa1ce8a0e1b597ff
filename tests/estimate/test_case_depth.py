"""How deep a case goes: to a level, below a face, whatever a decarburized skin on it does."""

import numpy as np
import pytest

from logger.estimate import carbon_problem, carbon_profile
from logger.estimate.carbon_depths import depth_to_level_m
from logger.estimate.carbon_result import CarbonResult
from logger.sheet import RunSheet
from logger.sheet_parts import Canister, Layer, Pack, Piece, Shape, Stage, StageKind, SurfaceKind
from logger.units import kelvin_from_celsius

DEPTH_M = np.linspace(0.0, 4e-3, 401)


def skinned(skin_m: float, case_m: float, peak_wt_pct: float = 0.9) -> np.ndarray:
    """Carbon [wt%] that rises from nothing to its peak at one depth [m] and falls to 0.1 % at another."""
    return np.interp(DEPTH_M, [0.0, skin_m, case_m], [0.0, peak_wt_pct, 0.1])


def depth_m(carbon_wt_pct: np.ndarray, held_wt_pct: float, level_wt_pct: float = 0.4, far: bool = False) -> float:
    level, held = np.array([level_wt_pct]), np.array([held_wt_pct])
    return float(depth_to_level_m(DEPTH_M, carbon_wt_pct[None, :], level, held, far)[0])


@pytest.mark.parametrize("skin_m", np.linspace(1e-4, 2.3e-3, 23))
def test_a_skin_that_has_lost_its_carbon_does_not_hide_the_case_however_deep_it_goes(skin_m: float) -> None:
    case_m = 2.5e-3
    inner_m = skin_m + (case_m - skin_m) * (0.9 - 0.4) / (0.9 - 0.1)
    assert depth_m(skinned(skin_m, case_m), held_wt_pct=0.9) == pytest.approx(inner_m, abs=1e-6)


def test_a_case_is_gone_once_no_steel_of_it_holds_the_level() -> None:
    assert depth_m(skinned(5e-4, 2e-3, 0.41), held_wt_pct=0.9) > 5e-4
    assert depth_m(skinned(5e-4, 2e-3, 0.39), held_wt_pct=0.9) == 0.0


def test_a_rich_core_under_steel_that_never_was_rich_is_no_case() -> None:
    core = np.interp(DEPTH_M, [0.0, 1e-4, 3e-4], [0.1, 0.1, 0.8])
    assert depth_m(core, held_wt_pct=0.1) == 0.0
    assert depth_m(core, held_wt_pct=0.8) == DEPTH_M[-1]


def test_the_other_faces_case_is_not_this_ones() -> None:
    both = np.interp(DEPTH_M, [0.0, 5e-4, 3e-3, 4e-3], [0.1, 0.3, 0.1, 0.9])
    assert depth_m(both, held_wt_pct=0.9, far=True) == 0.0


def heated(piece: Piece, hours: float, bared_from_h: float = 99.0) -> CarbonResult:
    """A piece at 930 C in a pack, in the open air from some hour on."""
    bared = Stage(StageKind.CARBURIZE, 3600.0 * bared_from_h, surface=SurfaceKind.OPEN_AIR)
    pack = Pack(carbon_potential_wt_pct=1.0)
    sheet = RunSheet(piece, pack=pack, canister=Canister(sensor="inside"), stages=(bared,))
    problem = carbon_problem.problem_from_sheet(sheet)
    time_s = np.arange(0.0, 3600.0 * hours + 1.0, 60.0)
    hot_K = np.full(time_s.size, kelvin_from_celsius(930.0))
    state = carbon_profile.advance(problem, carbon_profile.begin(problem), time_s, hot_K)
    return carbon_profile.at_end(problem, state)


def test_a_bared_case_goes_on_being_measured_from_the_face_while_its_skin_grows() -> None:
    piece = Piece(Shape.PLATE, 0.006, 0.1)
    before = heated(piece, 5.0).case_depth_m(0.40)
    depths = np.array([heated(piece, 5.0 + more_h, 5.0).case_depth_m(0.40) for more_h in (0.1, 0.2, 0.4, 0.7, 1.0)])
    assert before > 0.8e-3
    assert np.all(np.abs(np.diff(depths)) < 0.2e-3)
    assert depths.min() > before
    assert heated(piece, 5.9, 5.0).carbon_wt_pct[0] < 0.01


def test_a_lean_jacket_over_a_rich_core_has_a_case_only_once_its_face_is_rich() -> None:
    layers = (Layer(0.001, 0.05, {}), Layer(0.003, 0.9, {}), Layer(0.001, 0.05, {}))
    piece = Piece(Shape.LAYERED, 0.005, 0.3, layers=layers)
    assert heated(piece, 0.05).case_depth_m(0.40) < 0.2e-3
    rich = heated(piece, 6.0)
    assert rich.case_depth_m(0.40) == rich.depth_m[-1]
