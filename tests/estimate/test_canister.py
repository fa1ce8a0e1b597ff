"""Heat through wall and pack, against analytic series, an independent integrator, and what shops see."""

import csv
from dataclasses import replace
from itertools import pairwise
from math import exp, pi
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from logger.estimate import canister
from logger.estimate.canister import CanisterParameters, CanisterState, Cells
from logger.sheet import RunSheet
from logger.sheet_parts import Canister, CanisterLag, CanisterShape, Piece, Shape
from logger.steel.heat import (
    STEFAN_BOLTZMANN_W_PER_M2_K4,
    carbon_enthalpy_J_per_kg,
    carbon_heat_capacity_J_per_kg_K,
    radiation_coefficient_W_per_m2_K,
    steel_enthalpy_J_per_kg,
)
from logger.units import FloatArray
from tests.estimate.oven_traces import STRAP, sheet_in_oven

PUBLISHED = Path(__file__).parent.parent / "published"


def rows(name: str) -> list[dict[str, str]]:
    """Rows of a published table."""
    with (PUBLISHED / name).open() as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def plain_body(shape: str, radius_m: float, count: int) -> Cells:
    """A body of carbon alone, pinned to the oven at its surface: a test lattice, built from the geometry by hand."""
    edges = np.linspace(0.0, radius_m, count + 1)
    middles = 0.5 * (edges[1:] + edges[:-1])
    stops = np.append(middles, radius_m)
    if shape == "slab":
        volume, factor = np.diff(edges), 1.0 / np.diff(stops)
    elif shape == "cylinder":
        volume, factor = pi * np.diff(edges**2), 2.0 * pi / np.log(stops[1:] / stops[:-1])
    else:
        volume, factor = 4.0 / 3.0 * pi * np.diff(edges**3), 4.0 * pi / (1.0 / stops[:-1] - 1.0 / stops[1:])
    mass = np.append(volume * 300.0, 1e-9)
    table_offset = canister.cells(canister.nominal_canister(sheet_in_oven())).table_offset
    return Cells(
        mass_kg=mass[None, :],
        shape_factor_m=factor[None, :],
        contact_W_per_m_K=np.array([[0.3]]),
        ray_W_per_m_per_K4=np.array([[0.0]]),
        convection_W_per_K=np.array([1e9]),
        emission_W_per_K4=np.array([0.0]),
        table_offset=np.full(count + 1, int(table_offset[1])),
    )


@pytest.mark.parametrize("row", rows("transient_conduction.csv"), ids=lambda row: row["shape"])
@pytest.mark.parametrize("fourier", [0.25, 0.4, 0.8])
def test_a_sudden_surface_step_follows_the_one_term_series(row: dict[str, str], fourier: float) -> None:
    radius_m, start_K, step_K = 0.05, 1200.0, 2.0  # a step so small that the properties stay put
    body = plain_body(row["shape"], radius_m, 48)
    alpha = 0.3 / (300.0 * float(carbon_heat_capacity_J_per_kg_K(np.array(start_K + 1.0))))
    duration_s = fourier * radius_m**2 / alpha
    state, oven = canister.at_rest(body, start_K), np.array([start_K + step_K])
    for _ in range(200):
        state = canister.step(body, state, duration_s / 200, oven, oven)
    middle = 1.0 - float(state.temperature_K[0, 0] - start_K) / step_K
    series = float(row["C1"]) * exp(-(float(row["zeta"]) ** 2) * fourier)
    assert middle == pytest.approx(series, abs=0.01)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000), st.sampled_from(list(CanisterShape)))
def test_what_the_oven_gave_is_what_the_cells_gained(seed: int, shape: CanisterShape) -> None:
    rng = np.random.default_rng(seed)
    cut = canister.cells(canister.draw_canisters(rng, sheet_in_oven(0.07, shape), 5))
    first = state = canister.at_rest(cut, 300.0)
    oven = np.full(5, 300.0)
    for _ in range(60):
        to = np.clip(oven + rng.normal(20.0, 60.0, 5), 280.0, 1500.0)
        state = canister.step(cut, state, float(rng.choice([1.0, 30.0, 600.0])), oven, to)
        oven = to
    gained = (state.heat_J - first.heat_J).sum(axis=1)
    size = np.abs(state.heat_J - first.heat_J).sum(axis=1)
    assert np.abs(gained - state.supplied_J).max() < 1e-11 * size.max()
    # And the temperatures belong to that heat.
    steel = steel_enthalpy_J_per_kg(state.temperature_K[:, 0]) * cut.mass_kg[:, 0]
    assert np.abs(steel - state.heat_J[:, 0]).max() < 1e-3 * np.abs(state.heat_J[:, 0]).max()


def climb_and_hold(cut: Cells, step_s: float, hours: float) -> list[CanisterState]:
    """An oven climbing 15 K/min to 1223 K; the state every ten minutes."""
    state, states = canister.at_rest(cut, 293.15), []
    members = cut.mass_kg.shape[0]
    count = round(600.0 / step_s)
    for number in range(round(hours * 3600.0 / step_s)):
        a, b = (min(293.15 + k * step_s * 0.25, 1223.15) for k in (number, number + 1))
        state = canister.step(cut, state, step_s, np.full(members, a), np.full(members, b))
        if (number + 1) % count == 0:
            states.append(state)
    return states


@pytest.mark.parametrize("shape", list(CanisterShape))
def test_the_steps_agree_with_an_adaptive_integrator_of_the_same_cells(shape: CanisterShape) -> None:
    cut = canister.cells(canister.nominal_canister(sheet_in_oven(0.06, shape)))
    mass, factor = cut.mass_kg[0], cut.shape_factor_m[0]
    grid = np.arange(200.0, 2000.5, 1.0)
    tables = [steel_enthalpy_J_per_kg(grid)] + [carbon_enthalpy_J_per_kg(grid)] * (mass.size - 2)
    tables.append(tables[0])

    def slope(t: float, H: FloatArray) -> FloatArray:
        T = np.array([np.interp(h / m, table, grid) for h, m, table in zip(H, mass, tables, strict=True)])
        oven = min(293.15 + 0.25 * t, 1223.15)
        face = 0.5 * (T[1:] + T[:-1])
        flow = factor * (cut.contact_W_per_m_K[0] + cut.ray_W_per_m_per_K4[0] * face**3) * np.diff(T)
        into = np.zeros(mass.size)
        into[:-1] += flow
        into[1:] -= flow
        into[-1] += cut.convection_W_per_K[0] * (oven - T[-1]) + cut.emission_W_per_K4[0] * (oven**4 - T[-1] ** 4)
        return into

    start = canister.at_rest(cut, 293.15).heat_J[0]
    at_s = np.arange(600.0, 4 * 3600.0 + 1.0, 600.0)
    reference = solve_ivp(slope, (0.0, at_s[-1]), start, "BDF", at_s, rtol=1e-7, atol=1e-3, max_step=60.0)
    expected = np.interp(reference.y[0] / mass[0], tables[0], grid)
    ours = np.array([state.steel_K[0] for state in climb_and_hold(cut, 60.0, 4.0)])
    assert np.abs(ours - expected).max() < 0.5


def test_halving_the_step_quarters_the_error() -> None:
    body = plain_body("cylinder", 0.03, 24)

    def middle_K(steps: int) -> float:
        duration_s = 1800.0 / steps
        state = canister.at_rest(body, 1200.0)
        oven = 1200.0 + 1.5 * np.sin(np.linspace(0.0, 2.0, steps + 1)) ** 2
        for a, b in pairwise(oven):
            state = canister.step(body, state, duration_s, np.array([a]), np.array([b]))
        return float(state.temperature_K[0, 0])

    exact = middle_K(2048)
    coarse, fine = abs(middle_K(16) - exact), abs(middle_K(32) - exact)
    assert 3.3 < coarse / fine < 5.5


def test_twice_as_many_cells_move_the_steel_by_less_than_half_a_minute() -> None:
    parameters = canister.nominal_canister(sheet_in_oven(0.08))
    coarse = np.array([s.steel_K[0] for s in climb_and_hold(canister.cells(parameters), 60.0, 5.0)])
    fine = np.array([s.steel_K[0] for s in climb_and_hold(canister.cells(parameters, 24), 60.0, 5.0)])
    at_s = np.arange(1, coarse.size + 1) * 600.0
    line_K = np.array([500.0, 900.0, 1150.0, 1209.0])
    assert np.abs(np.interp(line_K, coarse, at_s) - np.interp(line_K, fine, at_s)).max() < 30.0


def test_the_steel_stalls_at_its_transformation() -> None:
    cut = canister.cells(canister.nominal_canister(sheet_in_oven()))
    steel = np.array([state.steel_K[0] for state in climb_and_hold(cut, 20.0, 4.0)])
    rate = np.gradient(steel)
    at = {name: float(np.interp(K, steel, rate)) for name, K in (("below", 920.0), ("peak", 1010.0), ("above", 1100.0))}
    assert at["peak"] < 0.75 * at["below"]


@pytest.mark.parametrize("row", rows("charcoal_bed.csv"), ids=lambda row: f"{row['outer_mm']} mm")
def test_a_tube_of_charcoal_alone_takes_as_long_as_shops_reckon(row: dict[str, str]) -> None:
    outer_m = float(row["outer_mm"]) / 1000.0
    sheet = RunSheet(
        Piece(Shape.PLATE, 0.002, 0.1), canister=Canister("oven", outer_m=outer_m, wall_m=0.002, length_m=5.0)
    )
    drawn = canister.draw_canisters(np.random.default_rng(4), sheet, 60)
    empty = replace(drawn, steel_fraction=np.full(60, 0.0005))
    cut = canister.cells(empty)
    state, oven, time_s = canister.at_rest(cut, 293.15), np.full(60, 1223.15), 0.0
    near = np.full(60, np.nan)
    while np.isnan(near).any():
        state = canister.step(cut, state, 30.0, oven, oven)
        time_s += 30.0
        near = np.where(np.isnan(near) & (state.steel_K > 1223.15 - 0.02 * 930.0), time_s / 60.0, near)
    low, high = np.percentile(near, (5.0, 95.0))
    least, most = float(row["least_min"]), float(row["most_min"])
    assert 0.8 * least < near[0] < 1.2 * most
    # The drawn canisters and the reckoned range hold each other for the larger part.
    assert min(high, most) - max(low, least) > 0.5 * (most - least)


def test_a_larger_canister_a_fuller_load_and_a_poorer_pack_are_all_slower() -> None:
    def hours_to_heat(**changes: object) -> float:
        sheet = RunSheet(STRAP, canister=replace(sheet_in_oven().canister, **changes))  # type: ignore[arg-type]
        states = climb_and_hold(canister.cells(canister.nominal_canister(sheet)), 60.0, 12.0)
        steel = np.array([state.steel_K[0] for state in states])
        return float(np.interp(1209.0, steel, np.arange(1, steel.size + 1) / 6.0))

    usual = hours_to_heat()
    assert hours_to_heat(outer_m=0.09) > 1.3 * usual
    assert hours_to_heat(length_m=0.2, steel_mass_kg=1.2) > hours_to_heat(length_m=0.2, steel_mass_kg=0.3)
    assert hours_to_heat(pack_kind="graphite") < usual
    assert hours_to_heat(lag=CanisterLag(conductivity=0.5)) > 1.3 * usual
    assert hours_to_heat(length_m=0.06) < usual  # short: heat comes through the ends too


def test_member_nought_is_the_nominal_canister_and_draws_repeat() -> None:
    sheet = sheet_in_oven()
    drawn = canister.draw_canisters(np.random.default_rng(7), sheet, 20)
    again = canister.draw_canisters(np.random.default_rng(7), sheet, 20)
    nominal = canister.nominal_canister(sheet)
    for name in CanisterParameters.__dataclass_fields__:
        if name == "shape":
            continue
        values = getattr(drawn, name)
        assert values.shape == (20,)
        assert values[0] == getattr(nominal, name)[0]
        assert np.array_equal(values, getattr(again, name))
    assert np.ptp(drawn.contact_W_per_m_K) > 0.05


def test_a_short_square_box_is_as_quick_as_its_rates_in_three_directions_together() -> None:
    # Product of three slabs, one term each: the rates (pi / width)^2 add, so a cube is three times as quick as a slab.
    cube = Canister("oven", CanisterShape.BOX, outer_m=0.08, length_m=0.08)
    drawn = canister.nominal_canister(RunSheet(STRAP, canister=cube))
    slab_and_ends = float(drawn.ends_conduction[0])
    assert 2.0 < slab_and_ends <= 3.0


# Product of cylinder and slab, one term each: the rates (zeta / L)^2 of the two directions add.
@pytest.mark.parametrize("length_m", [0.06, 0.12, 0.6])
def test_heat_through_the_ends_of_a_tube_adds_the_rate_of_a_slab_of_its_length(length_m: float) -> None:
    zeta = {row["shape"]: float(row["zeta"]) for row in rows("transient_conduction.csv")}
    tube = Canister("oven", CanisterShape.TUBE, outer_m=0.06, length_m=length_m)
    found = float(canister.nominal_canister(RunSheet(STRAP, canister=tube)).ends_conduction[0])
    radial, axial = (zeta["cylinder"] / 0.03) ** 2, (zeta["slab"] / (length_m / 2.0)) ** 2
    assert found == pytest.approx((radial + axial) / radial, rel=1e-3)


def test_a_fitted_lag_is_drawn_with_its_spreads_and_its_correlations() -> None:
    lag = CanisterLag(1.4, 0.9, 1.2, 0.2, 0.1, 0.3, correlation=(-0.3, 0.9, 0.1))
    sheet = RunSheet(STRAP, canister=replace(sheet_in_oven().canister, lag=lag))
    drawn = canister.draw_canisters(np.random.default_rng(3), sheet, 4000)
    factors = np.log([drawn.contact_W_per_m_K, drawn.emissivity, drawn.steel_fraction])
    assert factors.std(axis=1) == pytest.approx([0.2, 0.1, 0.3], rel=0.05)
    together = np.corrcoef(factors)
    assert [together[0, 1], together[0, 2], together[1, 2]] == pytest.approx([-0.3, 0.9, 0.1], abs=0.05)
    usual = canister.nominal_canister(replace(sheet, canister=replace(sheet.canister, lag=None)))
    assert drawn.contact_W_per_m_K[0] == pytest.approx(1.4 * usual.contact_W_per_m_K[0])


def test_radiation_between_two_temperatures_is_the_fourth_power_law() -> None:
    hot, cold = np.array([1200.0]), np.array([600.0])
    flux = radiation_coefficient_W_per_m2_K(hot, cold, 0.8) * (hot - cold)
    assert flux[0] == pytest.approx(0.8 * STEFAN_BOLTZMANN_W_PER_M2_K4 * (1200.0**4 - 600.0**4), rel=1e-12)
