"""Steel of two phases: what comes to rest on a phase limit stays there, and costs no more than other steel."""

import numpy as np
import pytest

from logger.estimate import carbon_profile
from logger.estimate.carbon_problem import CarbonProblem
from logger.estimate.carbon_transport import Advanced
from logger.estimate.grid import half_plate_grid
from logger.steel.phase_limits import A3, phase_table
from logger.units import kelvin_from_celsius


def test_sealed_steel_at_rest_on_a_phase_limit_takes_every_step_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """An outer layer that has evened out to just the carbon of austenite beside ferrite, over leaner steel."""
    hold_K = np.array([kelvin_from_celsius(820.0)])
    limit_wt_pct = float(phase_table().at(hold_K)[0, A3])
    grid = half_plate_grid(0.006)
    rounding = 1e-16 * np.arange(40)[::-1]
    start = np.full(grid.cells, 0.15)
    start[:40] = limit_wt_pct + rounding - rounding.mean()
    problem = CarbonProblem(
        grid=grid, start_carbon_wt_pct=start, carbon_ratio=np.ones(grid.cells), tolerance_wt_pct=5e-3
    )
    taken: list[Advanced] = []
    step = carbon_profile.step
    monkeypatch.setattr(carbon_profile, "step", lambda *given: taken.append(step(*given)) or taken[-1])
    time_s = np.arange(0.0, 48.0 * 3600.0, 900.0)
    state = carbon_profile.begin(problem)
    state = carbon_profile.advance(problem, state, time_s, np.full(time_s.size, hold_K[0]))
    assert all(one.converged for one in taken)
    assert len(taken) < 100
    assert carbon_profile.at_end(problem, state).carbon_wt_pct[1:-1] == pytest.approx(start, abs=1e-6)
