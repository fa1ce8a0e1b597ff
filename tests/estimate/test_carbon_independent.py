"""The carbon solver against known solutions and an integrator it shares no code with."""

from math import inf
from random import Random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq
from scipy.special import erf, erfc

from logger.estimate import carbon_problem, carbon_profile, temperature_windows
from logger.estimate.carbon_problem import CarbonProblem, always, pack_surface
from logger.estimate.grid import half_plate_grid
from logger.sheet import RunSheet
from logger.sheet_parts import Canister, Layer, Pack, Piece, Shape, SurfaceKind
from logger.steel.carbon_diffusion import AGREN, ConstantDiffusivity, liquid_diffusivity_m2_per_s
from logger.steel.phase_limits import liquid_at_graphite_wt_pct, liquidus_wt_pct, solidus_wt_pct
from logger.units import kelvin_from_celsius
from tests.estimate.carbon_reference import carbon_at_activity_wt_pct, solved, solved_layers


def front_speed(
    outer_wt_pct: float, liquidus: float, solidus: float, start_wt_pct: float, D_liquid: float, D_solid: float
) -> float:
    """lambda of a melt front at 2 lambda sqrt(D_liquid t), both sides half-infinite.

    Neumann's similarity solution of the two-phase Stefan problem (J. Crank, Free and Moving Boundary Problems, 1984,
    sec. 1.3; H.S. Carslaw, J.C. Jaeger, Conduction of Heat in Solids, 2nd ed., sec. 11.2), worked out for diffusion.
    """

    def balance(front: float) -> float:
        in_solid = front * np.sqrt(D_liquid / D_solid)
        from_liquid = (outer_wt_pct - liquidus) * np.exp(-(front**2)) / erf(front)
        into_solid = (solidus - start_wt_pct) * np.sqrt(D_solid / D_liquid) * np.exp(-(in_solid**2)) / erfc(in_solid)
        return float(from_liquid - into_solid - (liquidus - solidus) * np.sqrt(np.pi) * front)

    return float(brentq(balance, 1e-6, 2.0))


@pytest.mark.parametrize("temperature_C", [1180.0, 1204.0, 1240.0])
@pytest.mark.parametrize("start_wt_pct", [0.1, 0.8])
def test_a_melt_front_moves_as_the_similarity_solution_says(temperature_C: float, start_wt_pct: float) -> None:
    temperature_K, duration_s = kelvin_from_celsius(temperature_C), 1800.0
    at = np.array([temperature_K])
    D_solid = float(AGREN.at(at, np.array([1.2]))[0])  # held constant: the solution wants it so
    D_liquid = float(liquid_diffusivity_m2_per_s(at)[0])
    outer, liquidus = float(liquid_at_graphite_wt_pct(at)[0]), float(liquidus_wt_pct(at)[0])
    solidus = float(solidus_wt_pct(at)[0])
    grid = half_plate_grid(0.016)
    problem = CarbonProblem(
        grid=grid,
        start_carbon_wt_pct=np.full(grid.cells, start_wt_pct),
        carbon_ratio=np.ones(grid.cells),
        front=always(pack_surface(activity=1.0, transfer_m_per_s=inf)),
        laws=(ConstantDiffusivity(D_solid),),
    )
    time_s = np.linspace(0.0, duration_s, 181)
    state = carbon_profile.advance(problem, carbon_profile.begin(problem), time_s, np.full(time_s.size, temperature_K))
    result = carbon_profile.at_end(problem, state)

    speed = front_speed(outer, liquidus, solidus, start_wt_pct, D_liquid, D_solid)
    front_m = 2.0 * speed * np.sqrt(D_liquid * duration_s)
    assert result.liquid_depth_m == pytest.approx(front_m, rel=0.01)
    assert result.surface_wt_pct == pytest.approx(outer, abs=0.01)
    # Uptake: what crosses the outer face, the slope there integrated over time.
    uptake_wt_pct_m = 2.0 * (outer - liquidus) / erf(speed) * np.sqrt(D_liquid * duration_s / np.pi)
    assert (result.mean_wt_pct - start_wt_pct) * grid.depth_m == pytest.approx(uptake_wt_pct_m, rel=0.01)
    for times_front in (1.1, 1.2, 1.3):
        x = times_front * front_m
        in_solid = erfc(x / (2.0 * np.sqrt(D_solid * duration_s))) / erfc(speed * np.sqrt(D_liquid / D_solid))
        expected = start_wt_pct + (solidus - start_wt_pct) * in_solid
        assert result.case_depth_m(float(expected)) == pytest.approx(x, rel=0.01)


def test_the_step_is_of_second_order_in_time_while_the_temperature_changes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Halving every step over a ramp of 150 C quarters the error; the reference has steps forty times as short."""
    grid = half_plate_grid(0.004)
    centre = 0.5 * (grid.edge_depth_m[1:] + grid.edge_depth_m[:-1])
    problem = CarbonProblem(
        grid=grid,
        start_carbon_wt_pct=0.6 + 0.4 * np.cos(np.pi * centre / grid.depth_m),
        carbon_ratio=np.ones(grid.cells),
        laws=(AGREN,),
        tolerance_wt_pct=0.1,
    )
    time_s = np.arange(0.0, 7201.0, 1.0)
    temperature_K = kelvin_from_celsius(np.interp(time_s, [0.0, 7200.0], [940.0, 1090.0]))
    for name in ("MOST_GROWTH", "LEAST_GROWTH"):
        monkeypatch.setattr(carbon_profile, name, 1.0)
    monkeypatch.setattr(carbon_profile, "SOLID_STEP_K", inf)
    monkeypatch.setattr(temperature_windows, "WINDOW_S", 1.0)

    def cells(step_s_at_950_C: float) -> np.ndarray:
        monkeypatch.setattr(carbon_profile, "FIRST_WORK_S", step_s_at_950_C)
        state = carbon_profile.advance(problem, carbon_profile.begin(problem), time_s, temperature_K)
        return np.asarray(carbon_profile.at_end(problem, state).carbon_wt_pct[1:-1])

    reference = cells(50.0)
    errors = [float(np.sqrt(np.mean((cells(step_s) - reference) ** 2))) for step_s in (4000.0, 2000.0, 1000.0)]
    orders = np.log2(np.array(errors[:-1]) / np.array(errors[1:]))
    assert np.all(orders > 1.7), (errors, orders)
    assert np.all(orders < 2.6), (errors, orders)


GUNNARSON = {"Si": 0.055, "Mn": -0.013, "Cr": -0.040, "Ni": 0.014, "Mo": -0.013}
"""Change of log10(carbon at equal activity) per wt%: S. Gunnarson, Haerterei-Technische Mitteilungen 22 (1967) 293."""


@settings(max_examples=8, deadline=None)
@given(draw=st.randoms(use_true_random=False))
def test_layered_plates_agree_with_scipys_stiff_integrator(draw: Random) -> None:
    """Jackets, stacks, different alloys, one or both faces in a pack; surfaces, mean, and the profile everywhere."""
    layers = tuple(
        Layer(
            1e-3 * draw.uniform(0.3, 2.0),
            draw.choice([0.05, 0.2, 0.5, 0.9]),
            draw.choice([{}, {"Mn": 0.8}, {"Ni": 2.0, "Si": 0.4}, {"Cr": 1.2, "Mo": 0.2}]),
        )
        for _ in range(draw.randint(2, 4))
    )
    potential, transfer = draw.uniform(0.7, 1.1), draw.choice([5e-8, 2e-7, inf])
    back = draw.choice([None, SurfaceKind.SEALED])
    hours = [0.0, draw.uniform(0.5, 2.0), draw.uniform(2.5, 4.0)]
    program_C = [draw.uniform(940.0, 1050.0) for _ in hours]
    time_s = np.arange(0.0, 3600.0 * hours[-1], 30.0)
    temperature_K = kelvin_from_celsius(np.interp(time_s, 3600.0 * np.array(hours), program_C))

    pack = Pack(carbon_potential_wt_pct=potential, mass_transfer_m_per_s=transfer)
    size_m = sum(layer.thickness_m for layer in layers)
    piece = Piece(Shape.LAYERED, size_m, 0.1, layers=layers, back=back)
    problem = carbon_problem.problem_from_sheet(RunSheet(piece, pack=pack, canister=Canister(sensor="inside")))
    state = carbon_profile.advance(problem, carbon_profile.begin(problem), time_s, temperature_K)
    result = carbon_profile.at_end(problem, state)

    # What one alloy holds beside another: its carbon divided by its ratio is the same on both sides.
    ratios = np.array(
        [
            10.0 ** sum(GUNNARSON[element] * content for element, content in layer.alloy_wt_pct.items())
            for layer in layers
        ]
    )
    shares = np.array([layer.thickness_m for layer in layers]) / size_m
    scale = ratios / np.exp(np.dot(shares, np.log(ratios)))
    reference = solved_layers(
        time_s,
        temperature_K,
        thickness_m=[layer.thickness_m for layer in layers],
        start_wt_pct=[layer.carbon_wt_pct for layer in layers],
        scale_per_carbon=[float(value) for value in scale],
        front=(potential * float(scale[0]), transfer),
        back=(potential * float(scale[-1]), transfer if back is None else 0.0),
    )
    assert result.surface_wt_pct == pytest.approx(reference.front_wt_pct, rel=0.01)
    assert result.back_surface_wt_pct == pytest.approx(reference.back_wt_pct, rel=0.01)
    assert result.mean_wt_pct == pytest.approx(reference.mean_wt_pct, rel=0.01)
    found = np.interp(reference.depth_m, result.depth_m, result.carbon_wt_pct)
    edges = np.cumsum([0.0, *(layer.thickness_m for layer in layers)])
    away = np.min(np.abs(reference.depth_m[:, None] - edges[None, 1:-1]), axis=1) > 2e-5
    assert found[away] == pytest.approx(reference.carbon_wt_pct[away], rel=0.01, abs=2e-3)


def test_a_sealed_stack_of_different_alloys_conserves_its_carbon_to_rounding() -> None:
    layers = (Layer(0.0008, 1.1, {"Mn": 0.8}), Layer(0.0004, 0.05, {"Ni": 2.0}), Layer(0.001, 0.6, {"Cr": 1.2}))
    piece = Piece(Shape.LAYERED, 0.0022, 0.1, layers=layers)
    problem = carbon_problem.problem_from_sheet(RunSheet(piece, canister=Canister(sensor="inside")))
    time_s = np.arange(0.0, 30000.0, 20.0)
    program_C = np.interp(time_s, [0.0, 4000.0, 20000.0, 30000.0], [300.0, 1000.0, 1180.0, 300.0])
    temperature_K = kelvin_from_celsius(program_C + np.random.default_rng(5).normal(0.0, 1.5, time_s.size))
    begun = carbon_profile.at_end(problem, carbon_profile.begin(problem))
    state = carbon_profile.advance(problem, carbon_profile.begin(problem), time_s, temperature_K)
    ended = carbon_profile.at_end(problem, state)
    assert ended.mean_wt_pct == pytest.approx(begun.mean_wt_pct, rel=1e-11)
    assert abs(ended.gain_kg_per_m2) < 1e-12
    own = np.array([layer.carbon_wt_pct for layer in layers])
    assert ended.mean_wt_pct == pytest.approx(float(np.dot(own, [0.0008, 0.0004, 0.001]) / 0.0022), rel=1e-11)


COOLED_IN_THE_PACK_C = [900.0, 960.0, 960.0, 830.0, 900.0, 900.0]
COOLED_AT_H = [0.0, 0.5, 3.0, 5.0, 6.0, 7.0]


@pytest.mark.parametrize("transfer_m_per_s", [2e-7, inf])
@pytest.mark.parametrize("activity", [0.55, 0.65])
def test_steel_that_cools_in_its_pack_keeps_its_carbon(activity: float, transfer_m_per_s: float) -> None:
    """Down to 830 C and half way up again, austenite all through, against scipy's stiff integrator on fine cells."""
    time_s = np.arange(0.0, 3600.0 * COOLED_AT_H[-1] + 1.0, 60.0)
    temperature_K = kelvin_from_celsius(np.interp(time_s / 3600.0, COOLED_AT_H, COOLED_IN_THE_PACK_C))
    pack = Pack(carbon_activity=activity, mass_transfer_m_per_s=transfer_m_per_s)
    problem = carbon_problem.problem_from_sheet(
        RunSheet(Piece(Shape.PLATE, 0.004, 0.5), pack=pack, canister=Canister(sensor="inside"))
    )
    state = carbon_profile.begin(problem)
    means = []
    for from_h, to_h in ((-1.0, 3.0), (3.0, 5.0), (5.0, 7.0)):
        part = (time_s > 3600.0 * from_h) & (time_s <= 3600.0 * to_h)
        state = carbon_profile.advance(problem, state, time_s[part], temperature_K[part])
        means.append(carbon_profile.at_end(problem, state).mean_wt_pct)
    result = carbon_profile.at_end(problem, state)

    depth_m, carbon, surface = solved(
        time_s, temperature_K, 0.002, 0.5, lambda T: carbon_at_activity_wt_pct(T, activity), transfer_m_per_s
    )
    assert means == sorted(means)
    assert result.surface_wt_pct == pytest.approx(surface, rel=0.01)
    for level in (0.60, 0.70):
        expected_m = float(np.interp(-level, -carbon, depth_m))
        assert result.case_depth_m(level) == pytest.approx(expected_m, rel=0.01, abs=5e-6)


def test_carbide_stays_up_to_the_face_of_a_case_that_cools_slowly_in_graphite() -> None:
    time_s = np.arange(0.0, 8.0 * 3600.0, 60.0)
    temperature_K = kelvin_from_celsius(np.interp(time_s, [0.0, 1.0e4, 2.8e4], [950.0, 950.0, 600.0]))
    sheet = RunSheet(
        Piece(Shape.PLATE, 0.006, 0.1), pack=Pack(recipe="energised charcoal"), canister=Canister(sensor="inside")
    )
    problem = carbon_problem.problem_from_sheet(sheet)
    state = carbon_profile.advance(problem, carbon_profile.begin(problem), time_s, temperature_K)
    profile = carbon_profile.at_end(problem, state).carbon_wt_pct
    assert np.all(np.diff(profile[: profile.size // 2]) <= 1e-6)
    assert profile[0] > 0.9  # the eutectoid has 0.77: the rest is carbide


def test_steel_richer_than_its_pack_ever_was_loses_carbon_to_it() -> None:
    time_s = np.arange(0.0, 4.0 * 3600.0, 60.0)
    temperature_K = kelvin_from_celsius(np.interp(time_s, [0.0, 7200.0, 14400.0], [950.0, 950.0, 850.0]))
    pack = Pack(carbon_activity=0.5, mass_transfer_m_per_s=2e-7)
    problem = carbon_problem.problem_from_sheet(
        RunSheet(Piece(Shape.PLATE, 0.004, 1.0), pack=pack, canister=Canister(sensor="inside"))
    )
    state = carbon_profile.advance(problem, carbon_profile.begin(problem), time_s, temperature_K)
    result = carbon_profile.at_end(problem, state)
    offered = carbon_at_activity_wt_pct(float(temperature_K[0]), 0.5)
    assert offered - 0.01 < result.surface_wt_pct < 0.95
    assert result.mean_wt_pct < 0.99
