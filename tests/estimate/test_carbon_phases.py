"""Steel of two phases, against an integrator that shares no code with ours; steel at rest on a phase limit stays so."""

import numpy as np
import pytest

from logger.estimate import carbon_profile
from logger.estimate.carbon_problem import NOTHING, CarbonProblem, always, pack_surface
from logger.estimate.carbon_result import CarbonResult
from logger.estimate.carbon_transport import Advanced
from logger.estimate.grid import half_plate_grid
from logger.steel.carbon_diffusion import ferrite_diffusivity_m2_per_s
from logger.steel.phase_limits import (
    A3,
    austenite_low_limit_wt_pct,
    cementite_line_wt_pct,
    ferrite_limit_wt_pct,
    phase_table,
)
from logger.units import kelvin_from_celsius
from tests.estimate.carbon_reference import Limits, solved_phases


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


def limits(temperature_K: float) -> Limits:
    """The published limits as the product holds them: they are checked against pycalphad elsewhere."""
    at_K = np.array([temperature_K])
    return Limits(
        ferrite=float(ferrite_limit_wt_pct(at_K)[0]),
        low=float(austenite_low_limit_wt_pct(at_K)[0]),
        high=float(cementite_line_wt_pct(at_K)[0]),
        ferrite_m2_per_s=float(ferrite_diffusivity_m2_per_s(at_K)[0]),
    )


def both_solved(
    program_C: list[float], hours: list[float], profile: list[float], pinned_wt_pct: float | None
) -> tuple[CarbonResult, np.ndarray, np.ndarray]:
    """A 4 mm plate with a straight starting profile: our result, and scipy's cells: depth [m] and carbon [wt%]."""
    time_s = np.arange(0.0, 3600.0 * hours[-1] + 1.0, 10.0)
    temperature_K = kelvin_from_celsius(np.interp(time_s, 3600.0 * np.array(hours), program_C))
    grid = half_plate_grid(0.004)
    surface = NOTHING if pinned_wt_pct is None else pack_surface(potential_wt_pct=pinned_wt_pct)
    at_m = np.array([0.0, 1e-3, 2e-3])

    def straight(edge_m: np.ndarray) -> np.ndarray:
        return np.asarray(np.interp(0.5 * (edge_m[1:] + edge_m[:-1]), at_m, profile))

    problem = CarbonProblem(
        grid=grid,
        start_carbon_wt_pct=straight(grid.edge_depth_m),
        carbon_ratio=np.ones(grid.cells),
        front=always(surface),
    )
    state = carbon_profile.advance(problem, carbon_profile.begin(problem), time_s, temperature_K)
    edge_m = 2e-3 * (np.linspace(0.0, 1.0, 201) ** 1.5)
    carbon = solved_phases(time_s, temperature_K, edge_m, straight(edge_m), pinned_wt_pct, limits)
    return carbon_profile.at_end(problem, state), 0.5 * (edge_m[1:] + edge_m[:-1]), carbon


@pytest.mark.parametrize(
    ("program_C", "hours", "profile", "pinned_wt_pct"),
    [
        pytest.param([1000.0, 1000.0, 800.0], [0.0, 1.0, 3.0], [1.2, 0.4, 0.2], 1.6, id="saturated face, cooling"),
        pytest.param([1000.0, 780.0], [0.0, 2.0], [1.45, 0.9, 0.5], None, id="sealed, cooling below A_cm"),
        pytest.param([750.0, 930.0, 930.0], [0.0, 2.0, 2.5], [0.5, 0.15, 0.05], 0.9, id="ferrite, heating in a pack"),
        pytest.param([930.0, 760.0], [0.0, 3.0], [0.6, 0.3, 0.1], None, id="sealed, cooling below A3"),
    ],
)
def test_steel_of_two_phases_agrees_with_scipys_integrator(
    program_C: list[float], hours: list[float], profile: list[float], pinned_wt_pct: float | None
) -> None:
    result, depth_m, carbon = both_solved(program_C, hours, profile, pinned_wt_pct)
    found = np.interp(depth_m, result.depth_m, result.carbon_wt_pct)
    assert found == pytest.approx(carbon, rel=0.005)
    assert result.core_wt_pct == pytest.approx(carbon[-1], rel=0.005)
