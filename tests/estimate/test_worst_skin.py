"""The profile of the skin at its worst is remembered when diffusion has long evened it out."""

import numpy as np
import pytest

from logger.estimate import estimate
from logger.estimate.carbon_result import CarbonResult
from logger.history import History
from logger.sheet import RunSheet
from logger.sheet_parts import Canister, Pack, Piece, Shape, Stage, StageKind
from logger.steel.phase_limits import EUTECTIC_K, solidus_wt_pct
from logger.units import kelvin_from_celsius

HOT_S, ALL_S = 2700.0, 36_000.0


def carbon_after(hot_C: float, until_s: float) -> CarbonResult:
    """45 minutes in a strong pack, then the faces sealed at 1100 °C."""
    sheet = RunSheet(
        piece=Piece(Shape.PLATE, 0.010, 0.10),
        pack=Pack(carbon_activity=1.0, mass_transfer_m_per_s=2e-6),
        canister=Canister(sensor="inside"),
        stages=(Stage(StageKind.CARBURIZE, 0.0, HOT_S), Stage(StageKind.DIFFUSE, HOT_S, ALL_S)),
    )
    time_s = np.arange(0.0, until_s + 1.0, 30.0)
    temperature_C = np.where(time_s <= HOT_S, hot_C, 1100.0)
    problem = estimate.problem_from_sheet(sheet, members=0)
    state = estimate.over_history(problem, History("steel", time_s, kelvin_from_celsius(temperature_C), 30.0))
    carbon = estimate.at_end(problem, state).carbon
    assert carbon is not None
    return carbon


def test_a_skin_that_melted_is_remembered_as_it_was_when_it_had_melted_deepest() -> None:
    molten, later = carbon_after(1204.0, HOT_S), carbon_after(1204.0, ALL_S)
    assert molten.liquid_depth_now_m > 0.0
    assert later.deepest_wt_pct is not None
    assert later.carbon_wt_pct.max() < 0.7 * molten.carbon_wt_pct.max()
    melts_wt_pct = float(solidus_wt_pct(np.array([kelvin_from_celsius(1204.0)]))[0])
    assert kelvin_from_celsius(1204.0) > EUTECTIC_K
    beyond_m = later.depth_m[later.deepest_wt_pct > melts_wt_pct + 0.01].max()
    assert beyond_m == pytest.approx(later.liquid_depth_m, abs=0.08e-3)  # a cell of the grid


def test_steel_that_never_had_a_skin_remembers_none() -> None:
    assert carbon_after(900.0, 600.0).deepest_wt_pct is None
