"""The oven keeps its books, settles where hand calculation says, and heats a can as the published series do."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad, solve_ivp
from scipy.special import j0, j1, jn_zeros

from sim.canister import PACK_CELLS, STEFAN_BOLTZMANN_W_PER_M2K4, Canister, random_canister
from sim.errors import BadInput
from sim.oven import (
    AIR,
    FACE,
    NODES,
    PACK,
    STEEL,
    WALL,
    Oven,
    OvenBuild,
    OvenState,
    random_build,
    steel_heat_capacity_J_per_kgK,
)


def run(oven: Oven, state: OvenState, power_W: float, duration_s: float, step_s: float) -> OvenState:
    """Constant power for a while."""
    for _ in range(round(duration_s / step_s)):
        state = oven.advance(state, power_W, step_s)
    return state


@given(
    seed=st.integers(0, 2**32 - 1),
    powers_W=st.lists(st.floats(0.0, 4000.0), min_size=1, max_size=40),
    step_s=st.floats(0.5, 120.0),
)
@settings(max_examples=40, deadline=None)
def test_heat_in_is_heat_stored_and_heat_lost_at_any_step_and_power(
    seed: int, powers_W: list[float], step_s: float
) -> None:
    rng = np.random.default_rng(seed)
    oven = Oven(random_build(rng), random_canister(rng))
    start = state = oven.at_rest(950.0)
    for power_W in powers_W:
        state = oven.advance(state, power_W, step_s)
    stored = state.heat_J.sum() - start.heat_J.sum()
    assert stored == pytest.approx(state.heat_in_J - state.heat_lost_J, abs=1e-9 * start.heat_J.sum())


def test_the_books_stay_closed_while_the_steel_passes_its_transformation() -> None:
    oven = Oven(canister=Canister(shape="bare plate", outer_size_m=0.02, length_m=0.2, width_m=0.1))
    start = oven.at_rest(980.0)
    state = run(oven, start, 2400.0, 600.0, 5.0)
    assert start.steel_K < 1008.0 < state.steel_K
    stored = state.heat_J.sum() - start.heat_J.sum()
    assert stored == pytest.approx(state.heat_in_J - state.heat_lost_J, abs=1e-9 * start.heat_J.sum())


def test_an_oven_at_room_temperature_stays_there() -> None:
    oven = Oven()
    state = run(oven, oven.at_rest(), 0.0, 3600.0, 60.0)
    assert state.temperature_K == pytest.approx(np.full(NODES, oven.build.room_temperature_K), abs=1e-9)


@pytest.mark.parametrize("power_W", [300.0, 1000.0])
def test_the_steady_loss_is_that_of_the_hand_calculation(power_W: float) -> None:
    # Conduction through a box wall whose area grows outwards, k linear in temperature:
    # Q = integral of k dT / integral of dx/A; then a film outside; and the leak of the air.
    build = OvenBuild()
    oven = Oven(build)
    state = run(oven, oven.at_rest(800.0), power_W, 400 * 3600.0, 600.0)

    def area_m2(depth_m: float) -> float:
        a, b, c = (size + 2 * depth_m for size in (0.15, 0.15, 0.30))
        return 2 * (a * b + a * c + b * c)

    resistance = quad(lambda x: 1 / area_m2(x), 0.0, build.brick_thickness_m)[0]
    room, face = build.room_temperature_K, float(state.temperature_K[FACE])
    leak_W = build.leak_W_per_K * (float(state.temperature_K[AIR]) - room)
    wall_W = power_W - leak_W
    outside = room + wall_W / (build.outside_film_W_per_m2K * area_m2(build.brick_thickness_m))
    mean_k = 0.14 + 1.3e-4 * (0.5 * (face + outside) - 273.15)
    assert mean_k * (face - outside) / resistance == pytest.approx(wall_W, rel=0.01)
    # The outer half cell takes its conductivity at its own middle: this and nothing else is the 1 %.
    assert state.heat_lost_J > 0.99 * state.heat_in_J


@pytest.mark.parametrize("shape", ["tube", "box"])
def test_the_step_is_first_order_under_a_changing_power(shape: str) -> None:
    oven = Oven(canister=Canister(shape=shape))  # type: ignore[arg-type]

    def final(step_s: float) -> float:
        state = oven.at_rest(500.0)
        for number in range(round(1600.0 / step_s)):
            power_W = 1200.0 + 1000.0 * math.sin((number + 1) * step_s / 150.0)
            state = oven.advance(state, power_W, step_s)
        return state.canister_wall_K

    ends = [final(step_s) for step_s in (8.0, 4.0, 2.0, 1.0)]
    changes = np.abs(np.diff(ends))
    assert changes[:-1] / changes[1:] == pytest.approx(2.0, rel=0.1)
    assert changes[-1] < 0.5  # a step of 1 s is within half a kelvin of the limit


def pinned(canister: Canister, inside_K: float, outside_K: float) -> tuple[Oven, OvenState]:
    """A canister whose wall is held at `outside_K`: bricks of enormous heat, and air that carries it all over."""
    build = OvenBuild(
        brick_density_kg_per_m3=1e9, brick_conductivity_W_per_mK=1e7, convection_W_per_m2K=1e7, leak_W_per_K=0.0
    )
    oven = Oven(build, canister)
    temperature = np.full(NODES, outside_K)
    temperature[PACK:] = inside_K
    return oven, oven.at_rest(temperature)


PLAIN_PACK = {
    "pack_conductivity_W_per_mK": 0.20,
    "pack_radiation_length_m": 1e-12,
    "pack_heat_capacity_J_per_kgK": 1000.0,
    "pack_heat_capacity_slope_J_per_kgK2": 0.0,
    "pack_density_kg_per_m3": 400.0,
}


@pytest.mark.parametrize("fourier", [0.1, 0.2, 0.4, 0.8])
def test_a_tube_of_powder_heats_as_the_series_for_the_infinite_cylinder(fourier: float) -> None:
    # Carslaw and Jaeger, Conduction of Heat in Solids, 7.6; first term 2.4048 and 1.6021 in Incropera table 5.1.
    canister = Canister("tube", 0.102, 0.2, wall_thickness_m=0.001, steel_volume_m3=2e-7, **PLAIN_PACK)
    oven, state = pinned(canister, 300.0, 1200.0)
    radius, diffusivity = 0.05, 0.20 / (400.0 * 1000.0)
    time_s = fourier * radius**2 / diffusivity
    state = run(oven, state, 0.0, time_s, time_s / 2000)
    zeros = jn_zeros(0, 60)

    def left(place: float) -> float:
        return float(np.sum(2 / (zeros * j1(zeros)) * j0(zeros * place) * np.exp(-(zeros**2) * fourier)))

    assert state.canister_wall_K == pytest.approx(1200.0, abs=0.1)
    distances = oven.cell_distance_m[1:] / radius
    for node, place in enumerate(distances, start=PACK):
        found = (1200.0 - state.temperature_K[node]) / 900.0
        assert found == pytest.approx(left(float(place)), abs=0.008)  # eight rings, of the step


@pytest.mark.parametrize("fourier", [0.1, 0.2, 0.4, 0.8])
def test_a_box_of_powder_heats_as_the_series_for_the_infinite_slab(fourier: float) -> None:
    # Carslaw and Jaeger 3.4; first term pi/2 and 4/pi in Incropera table 5.1.
    canister = Canister("box", 0.052, 0.2, width_m=0.1, wall_thickness_m=0.001, steel_volume_m3=2e-7, **PLAIN_PACK)
    oven, state = pinned(canister, 300.0, 1200.0)
    half, diffusivity = 0.025, 0.20 / (400.0 * 1000.0)
    time_s = fourier * half**2 / diffusivity
    state = run(oven, state, 0.0, time_s, time_s / 2000)
    odd = np.arange(1, 120, 2) * math.pi / 2
    sign = np.where(np.arange(len(odd)) % 2 == 0, 1.0, -1.0)
    for node, distance in enumerate(oven.cell_distance_m[1:], start=PACK):
        left = float(np.sum(2 * sign / odd * np.cos(odd * distance / half) * np.exp(-(odd**2) * fourier)))
        assert (1200.0 - state.temperature_K[node]) / 900.0 == pytest.approx(left, abs=0.008)


def test_a_thin_plate_in_a_hot_box_heats_by_the_radiation_law() -> None:
    # Lumped body in a large isothermal enclosure: m c dT/dt = sigma A_ex (T_w^4 - T^4), integrated by scipy.
    canister = Canister(shape="bare plate", outer_size_m=0.004, length_m=0.15, width_m=0.05)
    build = OvenBuild(
        brick_density_kg_per_m3=1e9,
        brick_conductivity_W_per_mK=1e7,
        convection_W_per_m2K=1e-9,
        leak_W_per_K=0.0,
        radiating_area_m2=1e-9,
        emissivity=1.0,
    )
    oven = Oven(build, canister)
    temperature = np.full(NODES, 1100.0)
    temperature[WALL:] = 350.0
    state = run(oven, oven.at_rest(temperature), 0.0, 70.0, 0.1)
    can, inside = canister.outer_area_m2, build.inside_area_m2
    exchange = can * canister.emissivity * (1 - 0.5 * 0.7 * can / (can + inside))
    mass = 0.004 * 0.15 * 0.05 * 7850.0

    def rate(_: float, t: np.ndarray) -> np.ndarray:
        gained = STEFAN_BOLTZMANN_W_PER_M2K4 * exchange * (1100.0**4 - t**4)
        return np.asarray(gained / (mass * steel_heat_capacity_J_per_kgK(t)))

    expected = solve_ivp(rate, (0.0, 70.0), [350.0], rtol=1e-8, atol=1e-6).y[0, -1]
    assert 600.0 < expected < 900.0
    mean = float(np.average(state.temperature_K[WALL:], weights=state.heat_J[WALL:]))
    assert mean == pytest.approx(expected, abs=3.0)


@pytest.mark.parametrize(
    ("temperature_C", "capacity"),
    [(20.0, 439.8), (600.0, 760.217), (735.0, 5000.0), (900.0, 650.444), (1000.0, 650.0)],
)
def test_the_heat_capacity_of_steel_has_the_values_of_the_standard(temperature_C: float, capacity: float) -> None:
    # EN 1993-1-2:2005, 3.4.1.2, worked out by hand from its formulas at their own limits.
    assert steel_heat_capacity_J_per_kgK(np.array([temperature_C + 273.15]))[0] == pytest.approx(capacity, rel=1e-3)


def test_the_transformation_holds_the_steel_back() -> None:
    oven, state = pinned(Canister(), 900.0, 1200.0)
    rates = {}
    for _ in range(4000):
        later = oven.advance(state, 0.0, 2.0)
        rates[round(state.steel_K)] = (later.steel_K - state.steel_K) / 2.0
        state = later
    assert rates[1008] < 0.4 * rates[975]
    assert rates[1008] < 0.4 * rates[1040]


def test_heat_reaches_the_middle_last_and_leaves_it_last() -> None:
    oven = Oven()
    hot = run(oven, oven.at_rest(), 1200.0, 3600.0, 2.0)
    assert np.all(np.diff(hot.temperature_K[WALL : STEEL + 1]) < 0)
    even = oven.at_rest(1200.0)
    cooled = run(oven, even, 0.0, 1800.0, 2.0)
    assert np.all(np.diff(cooled.temperature_K[WALL : STEEL + 1]) > 0)


@given(seed=st.integers(0, 2**32 - 1))
@settings(max_examples=60, deadline=None)
def test_a_random_canister_can_always_be_built_and_heated(seed: int) -> None:
    canister = random_canister(np.random.default_rng(seed))
    assert canister == random_canister(np.random.default_rng(seed))
    oven = Oven(canister=canister)
    state = run(oven, oven.at_rest(), 1000.0, 600.0, 10.0)
    assert np.all(np.isfinite(state.temperature_K))
    cells = canister.cells()
    assert len(cells.pack_volume_m3) == PACK_CELLS
    assert cells.pack_volume_m3.sum() + cells.steel_volume_m3 == pytest.approx(canister.inside_volume_m3)
    assert cells.steel_volume_m3 == pytest.approx(canister.steel_volume_m3)


@pytest.mark.parametrize(
    ("settings_", "message"),
    [
        ({"outer_size_m": 0.0}, "canister: outer_size_m: found 0, expected more than 0"),
        (
            {"wall_thickness_m": 0.0},
            "canister: wall_thickness_m: found 0, expected more than 0, less than half of outer_size_m (0.03)",
        ),
        (
            {"steel_volume_m3": 1.0},
            "canister: steel_volume_m3: found 1, expected more than 0, less than 95 % of the inside (0.000467972)",
        ),
    ],
)
def test_a_canister_that_cannot_be_built_is_refused(settings_: dict[str, float], message: str) -> None:
    with pytest.raises(BadInput) as refusal:
        Canister(**settings_)  # type: ignore[arg-type]
    assert str(refusal.value) == message


def test_a_canister_larger_than_the_chamber_is_refused() -> None:
    with pytest.raises(BadInput, match=r"expected one that fits 0\.225 m2"):
        Oven(canister=Canister(outer_size_m=0.3, length_m=0.5))
