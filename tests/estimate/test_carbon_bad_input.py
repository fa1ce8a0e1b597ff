"""What no steel, pack or reading can be is refused by name, with the value and its limits; nothing is clipped."""

from math import inf, nan

import numpy as np
import pytest

from logger.errors import InputFault, OutOfRange
from logger.estimate import carbon_profile
from logger.estimate.carbon_problem import CarbonProblem, always, pack_surface
from logger.estimate.grid import half_plate_grid, round_grid
from logger.units import kelvin_from_celsius


def problem(start_wt_pct: float = 0.1, tolerance_wt_pct: float = 5e-4) -> CarbonProblem:
    grid = half_plate_grid(0.006)
    return CarbonProblem(
        grid=grid,
        start_carbon_wt_pct=np.full(grid.cells, start_wt_pct),
        carbon_ratio=np.ones(grid.cells),
        front=always(pack_surface(activity=1.0)),
        tolerance_wt_pct=tolerance_wt_pct,
    )


@pytest.mark.parametrize("size_m", [-0.006, 0.0, 3.0, nan, inf])
def test_a_size_no_piece_has_is_refused(size_m: float) -> None:
    for grid in (half_plate_grid, round_grid):
        with pytest.raises(OutOfRange, match="half-section"):
            grid(size_m)


@pytest.mark.parametrize("carbon_wt_pct", [-0.1, 2.5, nan])
def test_starting_carbon_outside_the_fits_is_refused(carbon_wt_pct: float) -> None:
    with pytest.raises(OutOfRange, match=r"starting carbon.*2"):
        problem(carbon_wt_pct)


@pytest.mark.parametrize("pack", [{"activity": 2.1}, {"activity": -0.1}, {"activity": nan}])
def test_an_activity_no_pack_has_is_refused(pack: dict[str, float]) -> None:
    with pytest.raises(OutOfRange, match="carbon activity"):
        pack_surface(**pack)


@pytest.mark.parametrize("potential_wt_pct", [7.0, -0.2, nan])
def test_a_potential_above_what_iron_can_hold_is_refused(potential_wt_pct: float) -> None:
    with pytest.raises(OutOfRange, match=r"carbon potential.*6\.67"):
        pack_surface(potential_wt_pct=potential_wt_pct)


@pytest.mark.parametrize("transfer_m_per_s", [-1e-7, nan])
def test_a_mass_transfer_that_is_none_is_refused(transfer_m_per_s: float) -> None:
    with pytest.raises(InputFault, match="mass transfer"):
        pack_surface(activity=1.0, transfer_m_per_s=transfer_m_per_s)


def test_a_pack_has_an_activity_or_a_potential_not_both_and_not_neither() -> None:
    for pack in ({}, {"activity": 1.0, "potential_wt_pct": 1.0}):
        with pytest.raises(InputFault, match="either"):
            pack_surface(**pack)


@pytest.mark.parametrize(
    ("temperature_C", "told"),
    [(1500.0, "found 1500 C, expected .* to 1400 C"), (-200.0, "found -200 C"), (nan, "nan"), (inf, "inf")],
)
def test_a_temperature_outside_validity_is_refused_and_the_state_stays(temperature_C: float, told: str) -> None:
    own = problem()
    time_s = np.arange(0.0, 600.0, 10.0)
    state = carbon_profile.advance(own, carbon_profile.begin(own), time_s, np.full(60, kelvin_from_celsius(950.0)))
    before = carbon_profile.at_end(own, state)
    with pytest.raises((InputFault, OutOfRange), match=told) as fault:
        carbon_profile.advance(own, state, np.array([600.0]), np.array([kelvin_from_celsius(temperature_C)]))
    assert "600 s" in str(fault.value), "the reading is named by its time"
    after = carbon_profile.at_end(own, state)
    assert np.array_equal(before.carbon_wt_pct, after.carbon_wt_pct)


def test_readings_that_do_not_come_in_order_are_refused() -> None:
    own = problem()
    with pytest.raises(InputFault, match="times that increase"):
        carbon_profile.advance(own, carbon_profile.begin(own), np.array([0.0, 10.0, 5.0]), np.full(3, 1200.0))


def test_a_step_tolerance_that_makes_no_sense_is_refused() -> None:
    for tolerance_wt_pct in (0.0, 1.0, nan):
        with pytest.raises(OutOfRange, match="step tolerance"):
            problem(tolerance_wt_pct=tolerance_wt_pct)
