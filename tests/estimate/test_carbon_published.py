"""The carbon solver against textbooks, published tables, closed solutions and an independent integrator."""

from math import inf

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.estimate import carbon_problem, carbon_profile
from logger.estimate.carbon_problem import SEALED, CarbonProblem, Face, always, pack_surface
from logger.estimate.grid import Grid, half_plate_grid, round_grid
from logger.sheet import RunSheet
from logger.sheet_parts import Canister, Pack, Piece, Shape
from logger.steel.carbon_diffusion import (
    AGREN,
    SLYCKE_ERICSSON,
    TIBBETTS,
    ConstantDiffusivity,
    DiffusivityLaw,
)
from logger.units import kelvin_from_celsius
from tests.estimate.carbon_reference import carbon_at_activity_wt_pct, solved
from tests.estimate.published_tables import rows

LAWS = {"agren": AGREN, "tibbetts": TIBBETTS, "slycke": SLYCKE_ERICSSON}
HOT_K = kelvin_from_celsius(950.0)

CONTRACT_DEPTH_ERROR = 0.01
"""Every depth within 1 % (or 5 um) at default settings: the accuracy this project promises."""

PRINTED_TABLE_TIME_ERROR = 0.015
"""Books read erf from printed tables: their times are good to 1.5 %, which is half of that in depth."""


def held(
    grid: Grid,
    law: DiffusivityLaw,
    start_wt_pct: float,
    face: Face,
    temperature_K: float,
    duration_s: float,
) -> carbon_profile.CarbonResult:
    """A section held at one temperature."""
    problem = CarbonProblem(
        grid=grid,
        start_carbon_wt_pct=np.full(grid.cells, start_wt_pct),
        carbon_ratio=np.ones(grid.cells),
        front=face,
        laws=(law,),
    )
    time_s = np.linspace(0.0, duration_s, 200)
    state = carbon_profile.begin(problem)
    state = carbon_profile.advance(problem, state, time_s, np.full(time_s.size, temperature_K))
    return carbon_profile.at_end(problem, state)


def potential(carbon_wt_pct: float, transfer_m_per_s: float = inf) -> Face:
    return always(pack_surface(potential_wt_pct=carbon_wt_pct, transfer_m_per_s=transfer_m_per_s))


def at_depth(result: carbon_profile.CarbonResult, depth_m: float) -> float:
    return float(np.interp(depth_m, result.depth_m, result.carbon_wt_pct))


def timed_examples() -> list[dict[str, str]]:
    """The worked examples that ask for a time."""
    examples = rows("diffusion_worked_examples.csv")
    return [row for row in examples if row["asked"] == "t_h" and float(row["Cs"] or 0.0) > 0.0]


@pytest.mark.parametrize(
    "row",
    timed_examples(),
    ids=lambda row: row["id"],
)
def test_worked_examples_reach_their_carbon_at_the_published_time(row: dict[str, str]) -> None:
    start, surface, wanted = float(row["C0"]), float(row["Cs"]), float(row["Cx"])
    # Each book's own gas constant: 1.987 cal/mol/K where the energy was printed in calories.
    R = 8.314 if row["id"].startswith("askeland") else 8.31
    D = float(row["D0_m2_per_s"]) * np.exp(-float(row["Q_J_per_mol"]) / (R * (float(row["temperature_C"]) + 273.0)))
    depth_m, law = 1e-3 * float(row["x_mm"]), ConstantDiffusivity(float(D))
    grid = half_plate_grid(16.0 * depth_m)
    for answer, reading_error in (("computed", 0.0), ("published", PRINTED_TABLE_TIME_ERROR / 2.0)):
        if not row[answer]:
            continue
        # The temperature plays no part with a stated D; at 1100 C austenite holds every surface carbon of the books.
        hold_s = 3600.0 * float(row[answer])
        result = held(grid, law, start, potential(surface), kelvin_from_celsius(1100.0), hold_s)
        within_m = max(depth_m * (CONTRACT_DEPTH_ERROR + reading_error), 5e-6)
        assert result.case_depth_m(wanted) == pytest.approx(depth_m, abs=within_m)


@pytest.mark.parametrize("temperature_F", [1600, 1650, 1700, 1750])
@pytest.mark.parametrize("hours", [2, 4, 8, 16])
def test_total_case_of_a_saturated_surface_follows_harris(temperature_F: int, hours: int) -> None:
    """Depth to core + 0.07 % within 7 % over 871 to 954 C (F.E. Harris, Metal Progress, Aug. 1943)."""
    temperature_K = kelvin_from_celsius((temperature_F - 32.0) / 1.8)
    table = {row["hours"]: row for row in rows("harris_case_depth.csv")}
    published_m = 0.0254 * float(table[str(hours)][f"T{temperature_F}F"])
    face = always(pack_surface(activity=1.0, transfer_m_per_s=inf))
    result = held(half_plate_grid(0.020), AGREN, 0.20, face, temperature_K, 3600.0 * hours)
    printed_to_m = 0.0005 * 0.0254
    assert abs(result.case_depth_over_core_007_m - published_m) < 0.07 * published_m + printed_to_m


@pytest.mark.parametrize("row", rows("diffusion_finite_bodies.csv"), ids=lambda row: f"Fo={row['Fo']}")
@pytest.mark.parametrize("body", ["slab", "cylinder"])
def test_uptake_and_centre_of_finite_bodies_follow_crank(row: dict[str, str], body: str) -> None:
    half_m, D = 2e-3, 2e-11
    grid = half_plate_grid(2.0 * half_m) if body == "slab" else round_grid(2.0 * half_m)
    duration_s = float(row["Fo"]) * half_m**2 / D
    result = held(grid, ConstantDiffusivity(D), 0.2, potential(1.2), HOT_K, duration_s)
    assert result.mean_wt_pct - 0.2 == pytest.approx(float(row[f"{body}_uptake"]), abs=2e-3)
    assert result.core_wt_pct - 0.2 == pytest.approx(float(row[f"{body}_centre"]), abs=2e-3)


@pytest.mark.parametrize("row", rows("diffusion_surface_resistance.csv"), ids=lambda row: f"{row['hours']}h")
def test_surface_behind_a_transfer_resistance_follows_crank(row: dict[str, str]) -> None:
    result = held(
        half_plate_grid(0.020),
        ConstantDiffusivity(1.5e-11),
        0.2,
        potential(1.2, 1.5e-7),
        HOT_K,
        3600.0 * float(row["hours"]),
    )
    assert result.surface_wt_pct - 0.2 == pytest.approx(float(row["surface"]), abs=1e-3)


@pytest.mark.parametrize(
    "row", rows("diffusion_with_carbon.csv"), ids=lambda row: f"{row['law']}-{row['temperature_C']}"
)
def test_profiles_with_carbon_dependent_diffusivity_agree_with_a_separate_code(row: dict[str, str]) -> None:
    result = held(
        half_plate_grid(0.012),
        LAWS[row["law"]],
        0.20,
        potential(float(row["surface_wt_pct"])),
        kelvin_from_celsius(float(row["temperature_C"])),
        3600.0 * float(row["hours"]),
    )
    for depth_mm in (0.1, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0):
        assert at_depth(result, 1e-3 * depth_mm) == pytest.approx(float(row[f"at_{depth_mm:g}"]), abs=1.5e-3)
    uptake_wt_pct_mm = (result.mean_wt_pct - 0.20) * 6.0
    assert uptake_wt_pct_mm == pytest.approx(float(row["uptake_wt_pct_mm"]), rel=2e-3)


def test_measured_uptake_of_16nicrmo13_is_met() -> None:
    """23.5 g/m2 after 2 h at 900 C, 0.16 % to 1.00 % surface (Dal'Maz Silva 2017, integrated profile)."""
    result = held(half_plate_grid(0.012), SLYCKE_ERICSSON, 0.16, potential(1.00), kelvin_from_celsius(900.0), 7200.0)
    assert 1000.0 * result.gain_kg_per_m2 == pytest.approx(23.5, rel=0.02)


def test_measured_uptake_of_23mncrmo5_is_met() -> None:
    """20.5 g/m2 by weighing, 15.3 by profile, after 2 h at 900 C, 0.23 to 0.95 % (Dal'Maz Silva 2017)."""
    result = held(half_plate_grid(0.012), SLYCKE_ERICSSON, 0.23, potential(0.95), kelvin_from_celsius(900.0), 7200.0)
    assert 15.3 < 1000.0 * result.gain_kg_per_m2 < 20.5


@settings(max_examples=12, deadline=None)
@given(
    thickness_mm=st.floats(2.0, 12.0),
    is_round=st.booleans(),
    start=st.floats(0.10, 0.40),
    activity=st.floats(0.6, 1.0),
    transfer=st.sampled_from([3e-8, 1e-7, 5e-7]),
    hot_C=st.floats(920.0, 1050.0),
    second_C=st.floats(920.0, 1050.0),
    hours=st.floats(1.0, 8.0),
)
def test_random_heats_are_within_one_per_cent_of_a_refined_independent_reference(
    thickness_mm: float,
    is_round: bool,
    start: float,
    activity: float,
    transfer: float,
    hot_C: float,
    second_C: float,
    hours: float,
) -> None:
    """Surface, core, mean and case depth (or 5 um), against scipy's stiff integrator on 400 fine cells."""
    duration_s = 3600.0 * hours
    time_s = np.linspace(0.0, duration_s, 60)
    ramp = [0.0, 0.4 * duration_s, 0.6 * duration_s, duration_s]
    temperature_K = kelvin_from_celsius(np.interp(time_s, ramp, [hot_C, hot_C, second_C, second_C]))
    pack = Pack(carbon_activity=activity, mass_transfer_m_per_s=transfer)
    shape = Shape.ROUND if is_round else Shape.PLATE
    sheet = RunSheet(Piece(shape, 1e-3 * thickness_mm, start), pack=pack, canister=Canister(sensor="inside"))
    problem = carbon_problem.problem_from_sheet(sheet)
    state = carbon_profile.advance(problem, carbon_profile.begin(problem), time_s, temperature_K)
    result = carbon_profile.at_end(problem, state)

    def asked(T: float) -> float:
        return carbon_at_activity_wt_pct(T, activity)

    half_m = 0.5e-3 * thickness_mm
    depth_m, carbon, surface = solved(time_s, temperature_K, half_m, start, asked, transfer, is_round=is_round)
    edge = np.interp(half_m, depth_m, carbon)
    assert result.surface_wt_pct == pytest.approx(surface, rel=0.01)
    assert result.core_wt_pct == pytest.approx(edge, rel=0.01)
    profile_m, profile = np.concatenate([[0.0], depth_m]), np.concatenate([[surface], carbon])
    for level in (0.30, 0.35, 0.40, 0.60, 0.80):
        if profile.min() + 0.005 < level < profile.max() - 0.005:
            expected_m = float(np.interp(-level, -profile, profile_m))
            assert result.case_depth_m(level) == pytest.approx(expected_m, rel=0.01, abs=5e-6)


def test_sealed_homogenising_conserves_carbon_to_rounding() -> None:
    grid = half_plate_grid(0.006)
    centre = 0.5 * (grid.edge_depth_m[1:] + grid.edge_depth_m[:-1])
    start = np.where(centre < 0.001, 1.1, 0.1)
    problem = CarbonProblem(
        grid=grid, start_carbon_wt_pct=start, carbon_ratio=np.ones(grid.cells), front=SEALED, laws=(AGREN,)
    )
    time_s = np.linspace(0.0, 20000.0, 500)
    temperature_K = kelvin_from_celsius(np.interp(time_s, [0, 5000, 15000, 20000], [300.0, 1000.0, 1060.0, 200.0]))
    before = carbon_profile.at_end(problem, carbon_profile.begin(problem)).mean_wt_pct
    state = carbon_profile.advance(problem, carbon_profile.begin(problem), time_s, temperature_K)
    after = carbon_profile.at_end(problem, state)
    assert after.mean_wt_pct == pytest.approx(before, rel=1e-11)
    assert after.surface_wt_pct < 1.0


@pytest.mark.parametrize(
    ("transfer_m_per_s", "low_m", "high_m"), [(1e-7, 0.0, 0.0), (3e-7, 0.0, 1.5e-4), (1e-6, 7.5e-4, 1.5e-3)]
)
def test_thin_steel_in_hot_graphite_melts_or_not_by_its_pack(
    transfer_m_per_s: float, low_m: float, high_m: float
) -> None:
    """1204 C (2200 F), 2.5 h, 3 mm mild steel in graphite: common practice, no source, found a skin near cast iron.

    A separate prototype of the same physics: a transfer of 1e-7 m/s does not melt, 3e-7 just begins to, 1e-6 turns most
    of the section to cast iron.
    """
    pack = Pack(carbon_activity=1.0, mass_transfer_m_per_s=transfer_m_per_s)
    sheet = RunSheet(Piece(Shape.PLATE, 0.003, 0.10), pack=pack, canister=Canister(sensor="inside"))
    problem = carbon_problem.problem_from_sheet(sheet)
    time_s = np.arange(0.0, 9001.0, 30.0)
    temperature_K = np.full(time_s.size, kelvin_from_celsius(1204.0))
    state, warned_s, molten_s = carbon_profile.begin(problem), inf, inf
    for first in range(0, time_s.size, 10):
        state = carbon_profile.advance(problem, state, time_s[first : first + 10], temperature_K[first : first + 10])
        result = carbon_profile.at_end(problem, state)
        kinds = {str(warning.kind) for warning in result.warnings}
        warned_s = min(warned_s, result.time_s if "approaching melting" in kinds else inf)
        molten_s = min(molten_s, result.time_s if "molten now" in kinds else inf)
    assert low_m <= result.liquid_depth_m <= high_m
    if molten_s < inf:
        assert warned_s < molten_s
